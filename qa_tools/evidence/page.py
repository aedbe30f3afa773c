"""The weekly review as one self-contained HTML file."""

from __future__ import annotations

import base64
import gzip
from pathlib import Path
from typing import Any, Final

import pandas as pd

from qa_tools.evidence.review import CAUTION, MOST, OUTCOME_WORDS, Review
from qa_tools.evidence.shown import heads, is_number, is_short, plain_cell, worth_showing
from qa_tools.evidence.week import day_words

_BAD: Final = {OUTCOME_WORDS["reject"], "reject", "averages short"}
_OPEN: Final = {
    *(OUTCOME_WORDS["too few"], OUTCOME_WORDS["unsettled"]),
    *("not shown to hold", "holds on average, not every package"),
}


def weekly_page(review: Review, out: str | Path) -> Path:
    """
    Write the review as one HTML file that needs nothing else: no network, no other files.

    Parameters
    ----------
    review : Review
    out : str or Path
        The file to write; an existing one is replaced.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    ValueError
        `out` is a folder, or lies in one that is not there.

    Notes
    -----
    The picture library is embedded once, packed; a current browser unpacks it. Everything that
    comes from the works' files is escaped: a note ``<script>`` stays text.

    Examples
    --------
    >>> import qa_tools as qa
    >>> folder = getfixture("tmp_path")
    >>> page = weekly_page(qa.review(getfixture("demo_works")), folder / "week.html")
    >>> "What to do first" in page.read_text(encoding="utf-8")
    True
    """
    path = Path(out)
    if path.is_dir():
        raise ValueError(f"{out} is a folder: give the name of a file, such as week.html")
    if not path.parent.is_dir():
        raise ValueError(f"there is no folder {path.parent}; make it first")

    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("qa_tools.evidence"),
        autoescape=True,
        trim_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    has_batches = any(batch.own is not None for batch in review.checks)
    figures = [review.figure(), *(chart.figure() for chart in review.charts)] if has_batches else []
    as_of = "" if pd.isna(review.as_of) else f"As of {day_words(review.as_of)}."
    text = environment.get_template("weekly.html").render(
        review=review,
        as_of=as_of,
        caution=CAUTION,
        more=review.findings[MOST:],
        unread=review.unread.to_dict("records"),
        batches=_cells(review.batches, "batches"),
        pull=_cells(review.pull.rename(columns={"net_g": "pull this one, g"}), "pull"),
        fresh=_cells(review.fresh, "fresh"),
        giveaway=_cells(review.giveaway, "giveaway"),
        tests=_cells(review.tests, "tests"),
        remarks=[(batch.batch, text) for batch in review.checks for text in batch.remarks],
        not_used=_cells(review.not_used, "not-used"),
        rules=_cells(review.rules, "rules"),
        memory=_cells(review.from_memory, "from-memory"),
        files=_cells(review.basis, "files"),
        pictures=[_embedded(figure) for figure in figures],
        library=_library() if figures else "",
    )
    path.write_text(text, encoding="utf-8", newline="\n")
    return path


def _embedded(figure: Any) -> str:
    # A "</script>" in a hover text would end the element that carries the data.
    return str(figure.to_json()).replace("<", "\\u003c")


def _library() -> str:
    from plotly.offline import get_plotlyjs

    return base64.b64encode(gzip.compress(get_plotlyjs().encode(), 9, mtime=0)).decode()


def _cells(table: pd.DataFrame, name: str) -> dict[str, Any]:
    """A table as texts with a kind a cell, for the template."""
    table = worth_showing(table)
    numbers = is_number(table)
    head = [
        {"text": text, "number": number} for text, number in zip(heads(table), numbers, strict=True)
    ]
    body = [
        [_cell(value, number) for value, number in zip(row, numbers, strict=True)]
        for row in table.itertuples(index=False, name=None)
    ]
    return {"id": name, "head": head, "body": body}


def _cell(value: Any, number: bool) -> dict[str, str]:
    text = plain_cell(value)
    kind = "number" if number else "bad" if text in _BAD else "open" if text in _OPEN else ""
    kind += " line" if is_short(text) else ""
    return {"text": text, "kind": kind}
