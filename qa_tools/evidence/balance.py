"""Where every package of a batch went: made, packed, taken out, sent, in stock."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools.evidence.lots import AWAY
from qa_tools.readings.works import Works

COLUMNS: Final = ("batch", "product", "made", "packed", "pulled", "rework", "retained",
                  "unexplained", "sent", "in_stock", "note")  # fmt: skip
_NEEDED: Final = ["product", "stage", "loaf", "slot", "fate", "id", "replaces"]
FATES: Final = ("pulled", "rework", "retained")
_SCRAPPED: Final = ("scrap", "destroy")


def balance(works: Works, batch: str | None = None) -> pd.DataFrame:
    """
    Does every package of each batch have a place?

    Parameters
    ----------
    works : Works
    batch : str, optional
        Only this one.

    Returns
    -------
    DataFrame
        One row a batch: made = packed + pulled + rework + retained + unexplained, and packed =
        sent + in_stock; counts, missing where not known; `note` says why, and what is odd.

    Raises
    ------
    ValueError
        There is no such batch.

    Notes
    -----
    Made is what batches.csv says (column number_made); else the loaves weighed as cut times the
    bars of a loaf; else, where at least every package packed was weighed, the packages weighed.
    Mass balance as a retail audit asks for: common practice, no published source.

    Examples
    --------
    >>> balance(getfixture("demo_works"), "OH-0922")[["made", "packed", "pulled", "sent"]].values
    array([[108, 108, 0, 0]], dtype=object)
    """
    names = list(dict.fromkeys([*works.batches["batch"], *works.weighings.table["batch"]]))
    known = [name for name in names if name]
    if batch is not None and batch not in known:
        raise ValueError(f'there is no batch "{batch}"; there are {", ".join(known[:12])}')
    wanted = [batch] if batch is not None else known
    table = works.weighings.table[["batch", *_NEEDED]]
    table = table[table["batch"].isin(wanted)].astype(dict.fromkeys(["batch", *_NEEDED], object))
    of = {str(one): rows for one, rows in table.groupby("batch", sort=False)}
    rows = [_balanced(works, one, of.get(one, table[:0])) for one in wanted]
    counts = [name for name in COLUMNS if name not in ("batch", "product", "note")]
    return pd.DataFrame(rows, columns=list(COLUMNS)).astype(dict.fromkeys(counts, "Int64"))


def _balanced(works: Works, batch: str, rows: pd.DataFrame) -> dict[str, Any]:
    runs = works.batches[works.batches["batch"] == batch]
    sent = works.dispatch.loc[works.dispatch["batch"] == batch, "quantity"]
    packed: int | None = None
    if len(runs) and runs["packages"].notna().all():
        packed = int(runs["packages"].sum())
    out = {fate: _taken_out(rows, fate) for fate in FATES}
    made, how = _made(works, runs, rows, packed, sum(out.values()))
    notes = [how] if how else []
    away = _away(works, batch)
    if away is not None and packed is not None:
        what, key = away
        if what.startswith((*_SCRAPPED, "rework", "rebatch")):
            to = "pulled" if what.startswith(_SCRAPPED) else "rework"
            out[to] += packed
            notes.append(f"all {packed} packed: {what} ({key})")
            packed = 0
        else:
            notes.append(f"{what} ({key}): whether packages came back is not counted")
    gone = int(pd.to_numeric(sent).sum())
    if sent.isna().any():
        notes.append(f"{int(sent.isna().sum())} rows of dispatch.csv give no quantity")
    rest = None if made is None or packed is None else made - packed - sum(out.values())
    stock = None if packed is None else packed - gone
    if rest:
        notes.append(f"{abs(rest)} more {'made' if rest > 0 else 'packed or taken out'} than "
                     f"{'packed or taken out' if rest > 0 else 'made'}")  # fmt: skip
    if stock is not None and stock < 0:
        notes.append(f"{-stock} more sent than packed")
    if packed is None:
        cut = len(rows) and rows["stage"].eq("cut").all() and runs["packed_on"].isna().all()
        notes.append(
            "not packed yet" if cut else "packed: batches.csv does not say how many packages"
        )
    product = [*runs["product"], *rows["product"]]
    return {
        "batch": batch, "product": next(filter(None, product), ""), "made": made,
        "packed": packed, **out, "unexplained": rest, "sent": gone, "in_stock": stock,
        "note": "; ".join(notes),
    }  # fmt: skip


def _made(
    works: Works, runs: pd.DataFrame, rows: pd.DataFrame, packed: int | None, out: int
) -> tuple[int | None, str]:  # fmt: skip
    """How many were made, and where that comes from where batches.csv does not say."""
    said = runs["number_made"].dropna()
    if len(said):
        return int(said.sum()), ""
    cut = rows[(rows["stage"] == "cut") & (rows["loaf"] != "")]
    if len(cut):
        about = works.products[works.products["product"] == cut["product"].iloc[0]]
        bars = about["bars_per_loaf"].dropna()
        loaves = int(cut["loaf"].nunique())
        if len(bars):
            return loaves * int(bars.iloc[0]), f"made: {loaves} loaves of {int(bars.iloc[0])} bars"
    weighed = _packages(rows[rows["stage"].isin(["packed", "filled", ""])])
    if packed is not None and weighed >= packed + out and weighed:
        return weighed, "made: every package was weighed"
    if packed is None:
        return None, ""
    return None, "made: not known; give number_made in batches.csv"


def _taken_out(rows: pd.DataFrame, fate: str) -> int:
    return _packages(rows[rows["fate"] == fate])


def _packages(rows: pd.DataFrame) -> int:
    """How many packages some weighings are of: one place in a loaf, or one that was reweighed."""
    placed = (rows["loaf"] != "") & rows["slot"].notna()
    apart = rows.loc[placed, ["loaf", "slot"]].drop_duplicates()
    loose = rows[~placed]
    again = (loose["replaces"] != "") & loose["replaces"].isin(loose["id"])
    return len(apart) + len(loose) - int(np.count_nonzero(again))


def _away(works: Works, batch: str) -> tuple[str, str] | None:
    """What took a whole batch off sale, with its id; None where nothing did."""
    for row in _newest(works.actions[works.actions["batch"] == batch]):
        what = str(row["what"]).strip().casefold()
        if what.startswith(AWAY):
            return what, str(row["id"]) or "no id"
    return None


def _newest(actions: pd.DataFrame) -> Iterator[dict[Any, Any]]:
    yield from reversed(actions.sort_values("when", kind="stable").to_dict("records"))
