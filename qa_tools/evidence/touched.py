"""What a scale, a lot of empty parts or a wire touched, and to whom it went: for a withdrawal."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import PurePath
from typing import Any, Final, NamedTuple

import pandas as pd

from qa_tools.evidence.balances import balances
from qa_tools.evidence.known import known
from qa_tools.evidence.made_with import cuts, empties, services_of, tare_days
from qa_tools.readings.dates import day_words
from qa_tools.readings.lists import list_named
from qa_tools.readings.tare import Tares
from qa_tools.readings.works import Works

_BATCHES: Final = ("batch", "product", "why", "weighings", "first", "last", "packed", "sent",
                   "in_stock")  # fmt: skip
_TRACED: Final = (
    "batches",
    "dispatch",
    "actions",
    "products",
    "scales",
    "scale_checks",
    "wires",
    "tare",
)
_COUNTS: Final = ("packed", "sent", "in_stock")


class Span(NamedTuple):
    """The days between which something counts; None where there is no end to it."""

    first: pd.Timestamp | None
    last: pd.Timestamp | None

    def holds(self, when: pd.Series[pd.Timestamp]) -> pd.Series[bool]:
        """Which days lie within; a missing day may, so it counts."""
        within = pd.Series(True, index=when.index)
        if self.first is not None:
            within &= ~(when < self.first)
        if self.last is not None:
            within &= ~(when >= self.last + pd.Timedelta(days=1))
        return within

    def __str__(self) -> str:
        words = [f"from {day_words(self.first)}"] if self.first is not None else []
        words += [f"to {day_words(self.last)}"] if self.last is not None else []
        return f", {' '.join(words)}" if words else ""


class Touched(NamedTuple):
    """The batches a thing touched, as a headline, tables and notes."""

    headline: str
    tables: dict[str, pd.DataFrame]
    notes: list[str]


def by_scale(works: Works, scale: str, span: Span) -> Touched:
    """Every batch weighed on a scale."""
    table = works.weighings.table
    known(scale, [*works.scales["scale"], *table["scale"], *works.scale_checks["scale"]], "scale")
    rows = table[table["scale"] == scale]
    rows = rows[span.holds(rows["when"])]
    silent = table[table["scale"] == ""]
    silent = silent[span.holds(silent["when"])]
    notes = []
    if len(silent):
        several = _listed(silent["batch"])
        notes.append(
            f"{_weighings(len(silent))} of these days do not say on which scale: {several}."
        )
    return _touched(works, rows, "weighed on it", f"Scale {scale}{span}", notes, span)


def by_tare_lot(works: Works, lot: str, span: Span) -> Touched:
    """Every batch a lot's mean was taken off, that names it, or was packed while it was in use."""
    known(lot, works.tare["supplier_lot"], "supplier lot in tare.csv")
    table = works.weighings.table
    mine = [part for part, taken in empties(works, table) if _holds(taken, lot)]
    rows = table.loc[[at for part in mine for at in part.index]]
    rows = rows[span.holds(rows["when"])]
    others = pd.DataFrame(
        list(_used_with(works, lot, set(rows["batch"]))),
        columns=["batch", "product", "when", "why"],
    )
    others["when"] = pd.to_datetime(others["when"])
    others = others[span.holds(others["when"])]
    return _touched(works, rows, "its mean was taken off", f"Tare lot {lot}{span}", [], span,
                    others)  # fmt: skip


def _used_with(works: Works, lot: str, without: set[str]) -> Iterator[dict[str, Any]]:
    """Batches whose packages may have the lot's parts though its mean was not taken off."""
    tares = Tares(works.products, works.tare)
    table = works.weighings.table
    packed = table[table["stage"] != "cut"]
    day_of = tare_days(works, packed).groupby(packed["batch"]).min().to_dict()
    named = works.batches["note"].map(lambda note: _names(note, lot))
    naming = set(works.batches.loc[named, "batch"])
    for row in works.batches.drop_duplicates("batch").to_dict("records"):
        batch, product = row["batch"], row["product"]
        day = day_of.get(batch, row["packed_on"])
        about = {"batch": batch, "product": product, "when": day}
        if batch in without:
            continue
        if batch in naming:
            yield about | {"why": "batches.csv names it"}
        elif pd.notna(day) and any(
            _holds(tares.empties(product, way, day), lot) for way in ("gross", "wrapped")
        ):
            yield about | {"why": "packed while it was in use"}


def _names(note: str, lot: str) -> bool:
    """
    Whether a note names a lot; a bare number does so only after the word.

    Examples
    --------
    >>> _names("new tins, lot N-31", "N-31"), _names("lot no. 12", "12"), _names("12 bars", "12")
    (True, True, False)
    """
    before = r"\blots?\W+(?:(?:no|nr|number)\W+)?" if lot.isdecimal() else r"(?<![\w-])"
    return re.search(rf"{before}{re.escape(lot)}(?![\w-])", note, re.IGNORECASE) is not None


def _holds(parts: list[pd.DataFrame], lot: str) -> bool:
    return any((part["supplier_lot"] == lot).any() for part in parts)


def by_wire(works: Works, wire: int | str, cutter: str | None, span: Span) -> Touched:
    """Every batch cut by a wire."""
    number = _number(wire)
    found = cuts(works)
    named = [name for name in found.cutters if name]
    if cutter is not None:
        known(cutter, named, "cutter")
    elif len(named) > 1:
        raise ValueError(f"there are several cutters: {', '.join(named)}; give cutter=")
    cutter = cutter if cutter is not None else next(iter(named), "")
    served = services_of(works, cutter, found.cutters)
    there = sorted(set(served["wire"].dropna()))
    of = f" of cutter {cutter}" if cutter else ""
    if number not in there:
        listed = f"it has {', '.join(map(str, there))}" if there else "it has none"
        raise ValueError(f"wires.csv has no wire {number}{of}; {listed}")
    mine = found.weighed[(found.weighed["cutter"] == cutter) & span.holds(found.weighed["when"])]
    rows = works.weighings.table.loc[mine.index].assign(when=mine["when"])
    others = found.unweighed[found.unweighed["cutter"] == cutter]
    others = others[span.holds(others["when"])].assign(why="made of what is cut on it")
    what = f"Wire {number}{of}{span}"
    touched = _touched(works, rows, "bars weighed as cut", what, [], span, others)
    services = served.loc[served["wire"] == number, ["what", "when", "by", "note"]]
    return touched._replace(tables={**touched.tables, "services": services})


def _number(wire: int | str) -> int:
    try:
        if float(wire) == int(wire):
            return int(wire)
    except (TypeError, ValueError):
        pass
    raise ValueError(f"wire is {wire!r}; write its number in wires.csv, such as 5")


def _touched(
    works: Works,
    rows: pd.DataFrame,
    why: str,
    what: str,
    notes: list[str],
    span: Span,
    others: pd.DataFrame | None = None,
) -> Touched:
    """Some weighings, and batches without one, as batches with their balance and customers."""
    found: list[dict[str, Any]] = [
        {
            "batch": batch,
            "product": part["product"].iloc[0],
            "why": why,
            "weighings": len(part),
            "first": part["when"].min(),
            "last": part["when"].max(),
        }
        for batch, part in rows[rows["batch"] != ""].groupby("batch", sort=False)
    ]
    for row in [] if others is None else others.to_dict("records"):
        day = row["when"]
        found.append(
            {str(k): v for k, v in row.items()} | {"weighings": 0, "first": day, "last": day}
        )
    names = [row["batch"] for row in found]
    counts = balances(works, names).to_dict("records")
    table = pd.DataFrame(
        [
            row | {name: each[name] for name in _COUNTS}
            for row, each in zip(found, counts, strict=True)
        ],
        columns=list(_BATCHES),
    ).astype(dict.fromkeys(_COUNTS, "Int64"))
    sent = works.dispatch[works.dispatch["batch"].isin(names)]
    customers = sent[["batch", "customer", "market", "when", "quantity", "pack_code"]]
    notes = [*notes, *_doubts(works, rows, names, span), *unnamed(sent), *unread(works)]
    gone = round(float(pd.to_numeric(sent["quantity"]).sum()))
    shops = len(set(sent["customer"]) - {""})
    return Touched(
        f"{what}: {_many(len(table), 'batch', 'batches')}, {_weighings(len(rows))}; "
        f"{_many(gone, 'package', 'packages')} sent to {_many(shops, 'customer', 'customers')}",
        {"batches": table, "customers": customers.reset_index(drop=True)},
        notes,
    )


def _doubts(works: Works, rows: pd.DataFrame, names: list[str], span: Span) -> Iterator[str]:
    """What may belong to the list, or may not."""
    undated = int(rows["when"].isna().sum())
    if undated and str(span):
        yield f"{_weighings(undated)} are not dated, and are counted in."
    nameless = int((rows["batch"] == "").sum())
    if nameless:
        yield f"{_weighings(nameless)} of these name no batch."
    lost = works.weighings.not_used
    lost = lost[~lost["batch"].isin([*names, *works.weighings.table["batch"].unique()])]
    lost = lost[span.holds(lost["when"])]
    if len(lost):
        yield (
            f"{_many(len(lost), 'reading', 'readings')} of batches without one that is used "
            f"({_listed(lost['batch'])}): whether they belong here is not known."
        )


def unnamed(sent: pd.DataFrame) -> Iterator[str]:
    """Of some rows of dispatch.csv, those that do not say to whom or how many."""
    for column, lacking in (("customer", "no customer"), ("quantity", "no quantity")):
        many = int((sent[column].isna() | (sent[column] == "")).sum())
        if many:
            yield f"dispatch.csv: {_many(many, 'row names', 'rows name')} {lacking}."


def unread(works: Works) -> Iterator[str]:
    """The lists with cells that could not be read, which may belong to what is traced."""
    for file, rows in works.unread.groupby("file", sort=False):
        if list_named(PurePath(str(file).rpartition(", sheet ")[2]).stem) in _TRACED:
            where = sorted({int(row) for row in rows["row"] if row > 0})
            at = f", row {', '.join(map(str, where))}" if where else ""
            yield f"{file}{at}: not read in full, so something may be missing here."


def _listed(batches: pd.Series[str]) -> str:
    return ", ".join(name or "no batch" for name in dict.fromkeys(batches))


def _weighings(count: int) -> str:
    return _many(count, "weighing", "weighings")


def _many(count: int, one: str, several: str) -> str:
    return f"{count} {one if count == 1 else several}"
