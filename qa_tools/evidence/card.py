"""The bench card: one page a product from plan.csv, to stand by cutter, scoop and scale."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any, Final, Literal

import jinja2
import pandas as pd

from qa_tools.evidence.batches import STAGE_WORDS
from qa_tools.readings.headings import word_for
from qa_tools.readings.works import Works

BOXES: Final = 60  # weights that fit on a page
WEIGHED_AT: Final[dict[str, str]] = {
    "cut": "At the cutter",
    "filled": "At the scoop",
    "packed": "At packing",
    "cured": "While curing",
    "shelf": "On the shelf",
    "": "At the scale",
}


def bench_card(
    works: Works,
    out: str | Path,
    product: str | None = None,
    *,
    paper: Literal["A4", "Letter"] = "A4",
) -> Path:
    """
    A card to print for the bench: what to weigh, aim, low and high, what to do, blanks to write in.

    Parameters
    ----------
    works : Works
        Of use: plan.csv, products.csv.
    out : path
        The HTML file to write; an existing one is replaced. Print it from any browser.
    product : str, optional
        Only this one; a page for each row of the plan when not given.
    paper : {"A4", "Letter"}

    Returns
    -------
    Path

    Raises
    ------
    ValueError
        The plan has no row, or none of the product; no folder to write in.

    Notes
    -----
    Written by hand: in ink, an error crossed out once so that it stays readable, with the reason,
    signed and dated (ISO 22716:2007, 17.3.4).

    Examples
    --------
    >>> card = bench_card(getfixture("demo_works"), getfixture("tmp_path") / "card.html")
    >>> "Oat-and-honey bar" in card.read_text(encoding="utf-8")
    True
    """
    path = Path(out)
    if path.is_dir() or not path.parent.is_dir():
        raise ValueError(f"{out}: give the name of a file in a folder that is there")
    if paper not in ("A4", "Letter"):
        raise ValueError(f'paper is "A4" or "Letter", not {paper!r}')
    plan = works.plan
    if product is not None:
        known = plan["product"].unique().tolist()
        if product not in known:
            near = difflib.get_close_matches(product, known, n=1)
            hint = f'; is "{near[0]}" meant?' if near else f"; it has {', '.join(known) or 'none'}"
            raise ValueError(f'plan.csv has no row of "{product}"{hint}')
        plan = plan[plan["product"] == product]
    if plan.empty:
        raise ValueError("plan.csv has no row: it says what is weighed, how many, aim, low, high")
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("qa_tools.evidence"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    cards = [_card(works, row) for row in plan.to_dict("records")]
    text = environment.get_template("card.html").render(cards=cards, paper=paper, works=works.name)
    path.write_text(text, encoding="utf-8", newline="\n")
    return path


def _card(works: Works, row: dict[Any, Any]) -> dict[str, Any]:
    """One row of the plan as a card."""
    about = works.products[works.products["product"] == row["product"]].to_dict("records")
    stage = word_for("stage", str(row["stage"])) or str(row["stage"]).casefold()
    is_scale = row["product"] in set(works.scales["scale"]) | set(works.scale_checks["scale"])
    bars = about[0]["bars_per_loaf"] if about else pd.NA
    return {
        "name": (about[0]["name"] if about else "") or row["product"],
        "code": row["product"],
        "scale": is_scale,
        "where": "Scale check" if is_scale else WEIGHED_AT.get(stage, f"At {row['stage']}"),
        "stage": STAGE_WORDS.get(stage, stage),
        "how_many": row["how_many"],
        "how_often": row["how_often"],
        "levels": [
            (name, f"{row[name]:.10g} g") for name in ("aim", "low", "high") if pd.notna(row[name])
        ],
        "what_to_do": row["what_to_do"],
        "revision": row["revision"],
        "approved_by": row["approved_by"],
        "cut": stage == "cut",
        "slots": int(bars) if stage == "cut" and pd.notna(bars) else 0,
        "cards": 1 if stage == "cut" and pd.notna(bars) else _cards(str(row["how_many"])),
        "boxes": 0 if stage == "cut" and pd.notna(bars) else _boxes(str(row["how_many"])),
    }


def _boxes(how_many: str) -> int:
    word = how_many.strip()
    return min(int(word), BOXES) if word.isdecimal() and int(word) > 0 else BOXES


def _cards(how_many: str) -> int:
    """How many cards the weights of one batch fill; 0 where that is not known."""
    word = how_many.strip()
    return -(-int(word) // BOXES) if word.isdecimal() else 0
