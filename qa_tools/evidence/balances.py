"""Where every package of a batch went: made, packed, taken out, sent, in stock."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

import pandas as pd

from qa_tools.evidence.known import known
from qa_tools.evidence.lots import AWAY, RELEASE
from qa_tools.readings.works import Works

COLUMNS: Final = ("batch", "product", "made", "packed", "pulled", "rework", "retained",
                  "unexplained", "sent", "in_stock", "note")  # fmt: skip
FATES: Final = ("pulled", "rework", "retained")
_SCRAPPED: Final = ("scrap", "destroy")
_REWORKED: Final = ("rework", "rebatch")
_AT_PACKING: Final = ("packed", "filled", "")


class _Row(NamedTuple):
    """What counts of one weighing."""

    product: str
    stage: str
    loaf: str
    slot: Any
    fate: str
    id: str
    replaces: str
    when: Any


class _Batch(NamedTuple):
    """All that is written down of one batch."""

    runs: list[dict[Any, Any]]
    rows: list[_Row]
    sent: list[dict[Any, Any]]
    actions: list[dict[Any, Any]]
    followed: int


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
    bars of a loaf, unless a whole loaf more was packed or taken out; else, where at least every
    package packed or taken out was weighed at one stage, the packages weighed.

    A package counts once, however often it was weighed: by its place in the loaf, and by what
    replaces what. A batch reworked or scrapped as a whole (actions.csv, and not released since) has
    no stock: what was not sent is rework, or pulled where it was scrapped.

    Mass balance as a retail audit asks for: common practice, no published source.

    Examples
    --------
    >>> balance(getfixture("demo_works"), "OH-0922")[["made", "packed", "pulled", "sent"]].values
    array([[108, 108, 0, 0]], dtype=object)
    """
    names = batch_names(works)
    return balances(works, names if batch is None else [known(batch, names, "batch")])


def batch_names(works: Works) -> list[str]:
    """The batches of batches.csv and of the weights, each once."""
    names = dict.fromkeys([*works.batches["batch"], *works.weighings.table["batch"].unique()])
    return [name for name in names if name]


def balances(works: Works, batches: Sequence[str]) -> pd.DataFrame:
    """The balance of some batches that there are, as `balance` gives it, in their order."""
    runs, sent = _by_batch(works.batches, batches), _by_batch(works.dispatch, batches)
    actions = _by_batch(works.actions.sort_values("when", kind="stable"), batches)
    table = works.weighings.table[["batch", *_Row._fields]]
    rows: dict[str, list[_Row]] = {}
    for name, *cells in table[table["batch"].isin(batches)].itertuples(index=False, name=None):
        rows.setdefault(name, []).append(_Row(*cells))
    followed = works.cure.groupby("batch")["bar"].nunique().to_dict()
    listed = works.products.dropna(subset="bars_per_loaf").drop_duplicates("product")
    bars = dict(zip(listed["product"], listed["bars_per_loaf"].astype(int), strict=True))
    found = [
        {"batch": name}
        | _balanced(
            _Batch(
                runs.get(name, []),
                rows.get(name, []),
                sent.get(name, []),
                actions.get(name, []),
                int(followed.get(name, 0)),
            ),
            bars,
        )
        for name in batches
    ]
    counts = [name for name in COLUMNS if name not in ("batch", "product", "note")]
    return pd.DataFrame(found, columns=list(COLUMNS)).astype(dict.fromkeys(counts, "Int64"))


def _by_batch(table: pd.DataFrame, batches: Sequence[str]) -> dict[str, list[dict[Any, Any]]]:
    found: dict[str, list[dict[Any, Any]]] = {}
    for row in table[table["batch"].isin(batches)].to_dict("records"):
        found.setdefault(row["batch"], []).append(row)
    return found


def _balanced(of: _Batch, bars: Mapping[str, int]) -> dict[str, Any]:
    packages = _packages(of.rows)
    fates = Counter(_fate(package) for package in packages)
    out = {fate: fates[fate] for fate in FATES}
    packed: int | None = None
    if of.runs and all(pd.notna(run["packages"]) for run in of.runs):
        packed = int(sum(run["packages"] for run in of.runs))
    quantities = [row["quantity"] for row in of.sent]
    sent = round(sum(one for one in quantities if pd.notna(one)))
    to, entry = _whole(of.actions)
    taken = None if packed is None else packed + sum(out[fate] for fate in FATES if fate != to)
    made, how = _made(of, packages, taken, bars)
    notes = [how] if how else []
    if to and packed is not None:
        left = max(packed - max(sent, 0), 0)
        packed -= left
        others = sum(out[fate] for fate in FATES if fate != to)
        # packages marked one by one may be among those that were packed, or be more
        room = out[to] + left if made is None else made - packed - others
        at_least = max(out[to], left)
        out[to] = at_least if made is None else max(at_least, min(room, out[to] + left))
        notes.append(f"all {left} packed and not sent: {entry}")
    elif entry:
        notes.append(f"{entry}: whether packages came back is not counted")
    rest = None if made is None or packed is None else made - packed - sum(out.values())
    stock = None if packed is None else packed - sent
    silent = sum(1 for one in quantities if pd.isna(one))
    if silent:
        stock = None
        rows = "1 row gives" if silent == 1 else f"{silent} rows give"
        notes.append(f"in stock: {rows} no quantity in dispatch.csv")
    notes += _odd(of, packages, made, rest, sent, stock)
    if packed is None:
        cut = of.rows and all(row.stage == "cut" for row in of.rows)
        yet = cut and all(pd.isna(run["packed_on"]) for run in of.runs)
        notes.append(
            "not packed yet" if yet else "packed: batches.csv does not say how many packages"
        )
    product = [*(run["product"] for run in of.runs), *(row.product for row in of.rows)]
    return {
        "product": next(filter(None, product), ""), "made": made, "packed": packed, **out,
        "unexplained": rest, "sent": sent, "in_stock": stock, "note": "; ".join(notes),
    }  # fmt: skip


def _odd(
    of: _Batch,
    packages: list[list[_Row]],
    made: int | None,
    rest: int | None,
    sent: int,
    stock: int | None,
) -> list[str]:
    """What does not go together, in words."""
    notes = []
    if rest:
        more, fewer = "made", "packed or taken out"
        notes.append(
            f"{rest} more {more} than {fewer}" if rest > 0 else f"{-rest} more {fewer} than {more}"
        )
    if rest and rest > 0 and of.followed:
        bars = "1 bar was" if of.followed == 1 else f"{of.followed} bars were"
        notes.append(f"{bars} followed in cure.csv: write down where they went")
    if sent < 0:
        notes.append(f"{-sent} more came back than were sent")
    if stock is not None and stock < 0:
        notes.append(f"{-stock} more sent than packed")
    weighed = max(_weighed(packages).values(), default=0)
    if made is not None and weighed > made:
        notes.append(f"{weighed} were weighed, which is more than were made")
    return notes


def _made(
    of: _Batch, packages: list[list[_Row]], taken: int | None, bars: Mapping[str, int]
) -> tuple[int | None, str]:
    """How many were made, and where that comes from where batches.csv does not say."""
    said = [int(run["number_made"]) for run in of.runs if pd.notna(run["number_made"])]
    if len(set(said)) == 1 and len(said) > 1 and taken is not None and said[0] >= taken:
        return said[0], f"made: {said[0]} in each run of batches.csv, taken for the whole batch"
    if said:
        return sum(said), ""
    cut = [row for row in of.rows if row.stage == "cut" and row.loaf]
    a_loaf = bars.get(cut[0].product, 0) if cut else 0
    loaves = len({row.loaf for row in cut})
    # a whole loaf short, and it is the weighing of loaves that is not whole
    if a_loaf and (taken is None or taken - loaves * a_loaf < a_loaf):
        return loaves * a_loaf, f"made: {_many(loaves, 'loaf', 'loaves')} of {a_loaf} bars"
    weighed = max(_weighed(packages).values(), default=0)
    if taken is not None and weighed and weighed >= taken:
        return weighed, "made: every package was weighed"
    if taken is None:
        return None, ""
    some = f", for not all loaves were weighed as cut ({loaves})" if a_loaf else ""
    return None, f"made: not known{some}; give number_made in batches.csv"


def _many(count: int, one: str, several: str) -> str:
    return f"{count} {one if count == 1 else several}"


def _weighed(packages: list[list[_Row]]) -> Counter[str]:
    """How many packages were weighed as cut and at packing."""
    found: Counter[str] = Counter()
    for package in packages:
        found.update({_stage(row) for row in package} - {""})
    return found


def _stage(row: _Row) -> str:
    return "packed" if row.stage in _AT_PACKING else "cut" if row.stage == "cut" else ""


def _packages(rows: list[_Row]) -> list[list[_Row]]:
    """The weighings of each package: those of one place in a loaf, and that replace others."""
    of = list(range(len(rows)))  # a forest: each row hangs on another of its package

    def root(at: int) -> int:
        while of[at] != at:
            of[at] = of[of[at]]
            at = of[at]
        return at

    places: dict[tuple[str, Any], int] = {}
    ids: dict[str, int] = {}
    for at, row in enumerate(rows):
        if row.loaf and pd.notna(row.slot):
            of[root(at)] = root(places.setdefault((row.loaf, row.slot), at))
        if row.id:
            ids.setdefault(row.id, at)
    for at, row in enumerate(rows):
        if row.replaces in ids:
            of[root(at)] = root(ids[row.replaces])
    found: dict[int, list[_Row]] = {}
    for at, row in enumerate(rows):
        found.setdefault(root(at), []).append(row)
    return list(found.values())


def _fate(package: list[_Row]) -> str:
    """What became of a package: the last thing said of it, replaced weighings left out."""
    if len(package) == 1:
        return package[0].fate
    replaced = {row.replaces for row in package} - {""}
    last = [row for row in package if row.id not in replaced or not row.id] or package
    in_time = sorted(last, key=lambda row: row.when if pd.notna(row.when) else pd.Timestamp.min)
    return next((row.fate for row in reversed(in_time) if row.fate), "")


def _whole(actions: Iterable[Mapping[Any, Any]]) -> tuple[str, str]:
    """
    The fate of the whole batch, and the entry that says so; ("", "") where there is none.

    A batch taken back has no fate yet: ("", the entry).
    """
    to, entry = "", ""
    for row in actions:
        what = str(row["what"]).strip().casefold()
        said = f"{what} ({row['id'] or 'no id'})"
        if what.startswith(RELEASE):
            to, entry = "", ""
        elif what.startswith((*_SCRAPPED, *_REWORKED)):
            to, entry = "pulled" if what.startswith(_SCRAPPED) else "rework", said
        elif what.startswith(AWAY) and not to:
            entry = said
    return to, entry
