"""Where every package of a batch went: made, packed, taken out, sent, in stock."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final, NamedTuple

import pandas as pd

from qa_tools.evidence.lots import AWAY
from qa_tools.readings.works import Works

COLUMNS: Final = ("batch", "product", "made", "packed", "pulled", "rework", "retained",
                  "unexplained", "sent", "in_stock", "note")  # fmt: skip
_NEEDED: Final = ["product", "stage", "loaf", "slot", "fate", "id", "replaces"]
FATES: Final = ("pulled", "rework", "retained")
_SCRAPPED: Final = ("scrap", "destroy")


class _Row(NamedTuple):
    """What counts of one weighing."""

    product: str
    stage: str
    loaf: str
    slot: Any
    fate: str
    id: str
    replaces: str


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
    of: dict[str, list[_Row]] = {}
    for name, *cells in table[table["batch"].isin(wanted)].itertuples(index=False, name=None):
        of.setdefault(name, []).append(_Row(*cells))
    rows = [_balanced(works, one, of.get(one, [])) for one in wanted]
    counts = [name for name in COLUMNS if name not in ("batch", "product", "note")]
    return pd.DataFrame(rows, columns=list(COLUMNS)).astype(dict.fromkeys(counts, "Int64"))


def _balanced(works: Works, batch: str, rows: list[_Row]) -> dict[str, Any]:
    runs = works.batches[works.batches["batch"] == batch]
    sent = works.dispatch.loc[works.dispatch["batch"] == batch, "quantity"]
    packed: int | None = None
    if len(runs) and runs["packages"].notna().all():
        packed = int(runs["packages"].sum())
    out = {fate: _packages(row for row in rows if row.fate == fate) for fate in FATES}
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
        cut = rows and all(row.stage == "cut" for row in rows) and runs["packed_on"].isna().all()
        notes.append(
            "not packed yet" if cut else "packed: batches.csv does not say how many packages"
        )
    product = [*runs["product"], *(row.product for row in rows)]
    return {
        "batch": batch, "product": next(filter(None, product), ""), "made": made,
        "packed": packed, **out, "unexplained": rest, "sent": gone, "in_stock": stock,
        "note": "; ".join(notes),
    }  # fmt: skip


def _made(
    works: Works, runs: pd.DataFrame, rows: list[_Row], packed: int | None, out: int
) -> tuple[int | None, str]:  # fmt: skip
    """How many were made, and where that comes from where batches.csv does not say."""
    said = runs["number_made"].dropna()
    if len(said):
        return int(said.sum()), ""
    cut = [row for row in rows if row.stage == "cut" and row.loaf]
    if cut:
        about = works.products[works.products["product"] == cut[0].product]
        bars = about["bars_per_loaf"].dropna()
        loaves = len({row.loaf for row in cut})
        if len(bars):
            return loaves * int(bars.iloc[0]), f"made: {loaves} loaves of {int(bars.iloc[0])} bars"
    weighed = _packages(row for row in rows if row.stage in ("packed", "filled", ""))
    if packed is not None and weighed >= packed + out and weighed:
        return weighed, "made: every package was weighed"
    if packed is None:
        return None, ""
    return None, "made: not known; give number_made in batches.csv"


def _packages(rows: Iterable[_Row]) -> int:
    """How many packages some weighings are of: one place in a loaf, or one that was reweighed."""
    places, loose, names = set(), 0, set()
    again = []
    for row in rows:
        if row.loaf and pd.notna(row.slot):
            places.add((row.loaf, row.slot))
            continue
        loose += 1
        names.add(row.id)
        again.append(row.replaces)
    return len(places) + loose - sum(1 for one in again if one and one in names)


def _away(works: Works, batch: str) -> tuple[str, str] | None:
    """What took a whole batch off sale, with its id; None where nothing did."""
    for row in _newest(works.actions[works.actions["batch"] == batch]):
        what = str(row["what"]).strip().casefold()
        if what.startswith(AWAY):
            return what, str(row["id"]) or "no id"
    return None


def _newest(actions: pd.DataFrame) -> Iterator[dict[Any, Any]]:
    yield from reversed(actions.sort_values("when", kind="stable").to_dict("records"))
