"""From a pack code back to the pour, and from a scale, a tare lot or a wire to all it touched."""

from __future__ import annotations

import datetime as dt
import html
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final, cast

import pandas as pd

from qa_tools.evidence import made_with
from qa_tools.evidence.balances import balances, batch_names
from qa_tools.evidence.known import known
from qa_tools.evidence.lots import lots_of
from qa_tools.evidence.shown import Shown
from qa_tools.evidence.tables import records
from qa_tools.evidence.touched import Span, by_scale, by_tare_lot, by_wire, unnamed, unread
from qa_tools.evidence.week import parse_day
from qa_tools.readings.dates import day_words
from qa_tools.readings.weighings import answers_of
from qa_tools.readings.works import Works

NOTHING: Final[dict[str, str]] = {
    "batches": "No batch.",
    "people": "Nobody is named.",
    "scales": "No scale is named.",
    "wires": "It was not cut on a cutter, or wires.csv has no wires of it.",
    "tare": "No mean of empties was taken off.",
    "actions": "No action is recorded.",
    "customers": "Nothing was sent, or dispatch.csv does not say so.",
    "sources": "No weighing was used.",
    "services": "wires.csv has none.",
}


@dataclass(frozen=True, eq=False, repr=False)
class Trace:
    """
    What hangs together; prints as a short readable summary.

    Attributes
    ----------
    headline : str
    tables : mapping of str to DataFrame
        Of a batch: ``batches`` (with its balance), ``people``, ``scales`` (with the checks before
        and after), ``wires`` (the last service of each before it was cut), ``tare``, ``actions``,
        ``customers``, ``sources``; of several batches, each row begins with the batch. Of a scale,
        a tare lot or a wire: ``batches`` (with why each is in it) and ``customers``, of a wire its
        ``services`` too.
    notes : tuple of str
        What is missing or odd.
    """

    headline: str
    tables: Mapping[str, pd.DataFrame]
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The same for machines; ``format`` 1."""
        return {
            "format": 1,
            "headline": self.headline,
            **{name: records(table) for name, table in self.tables.items()},
            "notes": list(self.notes),
        }

    def show(self, table: str) -> Shown:
        """One of the tables for people."""
        if table not in self.tables:
            raise ValueError(f"{table!r} is not a table here; it has {', '.join(self.tables)}")
        return Shown(self.tables[table], NOTHING[table])

    def __str__(self) -> str:
        parts = [self.headline]
        for name in self.tables:
            lines = str(self.show(name)).splitlines()
            parts += ["", f"{name[0].upper()}{name[1:]}", *(f"  {line}" for line in lines)]
        return "\n".join([*parts, *(["", *self.notes] if self.notes else [])])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        shown = "".join(
            f"<p><b>{name[0].upper()}{name[1:]}</b></p>{self.show(name).html()}"
            for name in self.tables
        )
        notes = "".join(f"<p>{html.escape(words)}</p>" for words in self.notes)
        return f"<p><b>{html.escape(self.headline)}</b></p>{shown}{notes}"


def trace(
    works: Works,
    *,
    batch: str | None = None,
    pack_code: str | None = None,
    scale: str | None = None,
    tare_lot: str | None = None,
    wire: int | str | None = None,
    cutter: str | None = None,
    start: str | dt.date | None = None,
    end: str | dt.date | None = None,
) -> Trace:
    """
    What hangs together: from a pack to all that made it, or from a tool to all it touched.

    Parameters
    ----------
    works : Works
    batch, pack_code : str, optional
        Back to dates, people, scales, wires, tare, actions; forward to customers.
    scale : str, optional
        To every batch weighed on it, and to whom those went.
    tare_lot : str, optional
        To every batch its mean was taken off, which batches.csv says was packed with it, or which
        was packed while it was in use.
    wire : int, optional
        As wires.csv numbers it; to every batch cut by it, also where no bar was weighed as cut.
    cutter : str, optional
        Whose wire, where there are several.
    start, end : str or date, optional
        Of a scale, tare lot or wire: only between these days; what is not dated is in. Between two
        services of a wire is how long it stood as it was.

    Returns
    -------
    Trace

    Raises
    ------
    ValueError
        Not exactly one of them is given, or days or a cutter that do not belong to it; nothing is
        called so (the nearest is suggested).

    Notes
    -----
    A retail audit asks for it both ways, against the clock: common practice, no published source.

    Examples
    --------
    >>> works = getfixture("demo_works")
    >>> print(trace(works, pack_code="QH1610C").headline)  # doctest: +NORMALIZE_WHITESPACE
    CB-1016, Calendula balm: made 16 October 2026, packed 16 October 2026, on sale from 21 October
    2026, 100 packages, 100 sent
    >>> trace(works, tare_lot="N-31").tables["batches"]["batch"].tolist()
    ['CB-1023', 'CB-1030', 'CB-1009', 'CB-1016']
    """
    asked = {
        name: value
        for name, value in (("batch", batch), ("pack_code", pack_code), ("scale", scale),
                            ("tare_lot", tare_lot), ("wire", wire))
        if value is not None
    }  # fmt: skip
    if len(asked) != 1:
        given = ", ".join(asked) or "none"
        raise ValueError(
            f"give one of batch, pack_code, scale, tare_lot or wire; {given} was given"
        )
    if cutter is not None and wire is None:
        raise ValueError("cutter says whose wire is meant: give it with wire")
    if batch is not None or pack_code is not None:
        if start is not None or end is not None:
            raise ValueError("start and end are for a scale, a tare lot or a wire: leave them out")
        if batch is not None:
            return _of_batches(works, [known(batch, batch_names(works), "batch")], None)
        return _of_batches(works, _batches_of(works, str(pack_code)), pack_code)
    span = _span(works, start, end)
    if scale is not None:
        return _as_trace(*by_scale(works, scale, span))
    if tare_lot is not None:
        return _as_trace(*by_tare_lot(works, tare_lot, span))
    assert wire is not None
    return _as_trace(*by_wire(works, wire, cutter, span))


def _span(works: Works, start: str | dt.date | None, end: str | dt.date | None) -> Span:
    order = answers_of(works.settings).general("date order").casefold()
    first, last = (
        None if day is None else parse_day(day, order).normalize() for day in (start, end)
    )
    if first is not None and last is not None and last < first:
        raise ValueError(f"the end, {day_words(last)}, is before the start, {day_words(first)}")
    return Span(first, last)


def _as_trace(headline: str, tables: Mapping[str, pd.DataFrame], notes: list[str]) -> Trace:
    return Trace(headline, tables, tuple(notes))


def _batches_of(works: Works, pack_code: str) -> list[str]:
    """The batches a pack code is of, by batches.csv or dispatch.csv."""
    lists = (works.batches, works.dispatch)
    known(pack_code, [code for one in lists for code in one["pack_code"]], "pack code")
    of = [one.loc[one["pack_code"] == pack_code, "batch"] for one in lists]
    return list(dict.fromkeys(name for one in of for name in one))


def _of_batches(works: Works, names: list[str], pack_code: str | None) -> Trace:
    there = set(batch_names(works))
    parts = [_of_batch(works, name, pack_code) for name in names]
    tables = {"batches": balances(works, [name for name in names if name in there])}
    for table in parts[0].tables:
        of = [part.tables[table] for part in parts]
        tables[table] = of[0] if len(of) == 1 else _stacked(names, of)
    notes = []
    if len(names) > 1:
        notes.append(f"The pack code {pack_code} is of {len(names)} batches: {', '.join(names)}.")
    notes += [words for part in parts for words in part.notes]
    return Trace("; ".join(part.headline for part in parts), tables, (*notes, *unread(works)))


def _stacked(names: list[str], tables: list[pd.DataFrame]) -> pd.DataFrame:
    """The same table of several batches as one; the batch before all."""
    rows = [
        {"batch": name, **row}
        for name, table in zip(names, tables, strict=True)
        for row in table.to_dict("records")
    ]
    return pd.DataFrame(rows, columns=["batch", *tables[0].columns])


def _of_batch(works: Works, batch: str, pack_code: str | None) -> Trace:
    """All that hangs together with a batch, or with one packing run of it."""
    table = works.weighings.table
    rows = table[table["batch"] == batch]
    runs = works.batches[works.batches["batch"] == batch]
    sent = works.dispatch[works.dispatch["batch"] == batch]
    notes = []
    if len(runs) == 0:
        notes.append(f"{batch} is not in batches.csv.")
    if pack_code and len(runs):
        rows, runs, sent, notes = _of_run(works, batch, rows, pack_code)
    undated = int(rows["when"].isna().sum())
    if undated:
        notes.append(f"{batch}: {undated} of {len(rows)} weighings are not dated.")
    gone = int((works.weighings.not_used["batch"] == batch).sum())
    if gone:
        notes.append(f"{batch}: {gone} more readings are not used, each with its reason.")
    notes += [f"{batch}: {words}" for words in unnamed(sent)]
    actions = works.actions[works.actions["batch"] == batch]
    return Trace(
        _line(works, batch, rows, runs, sent),
        {
            "people": made_with.people(rows),
            "scales": made_with.scales(works, rows),
            "wires": made_with.wires(works, made_with.cuts(works), batch),
            "tare": made_with.tare(works, rows),
            "actions": actions[["id", "when", "what", "reason", "by", "approved_by", "closes"]],
            "customers": sent[["customer", "market", "when", "quantity", "pack_code"]],
            "sources": made_with.sources(rows),
        },
        tuple(notes),
    )


def _of_run(
    works: Works, batch: str, rows: pd.DataFrame, pack_code: str
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, list[str]]:
    """Weighings, runs and what was sent of a batch under a pack code; and what to know of it."""
    runs = works.batches[works.batches["batch"] == batch]
    sent = works.dispatch[works.dispatch["batch"] == batch]
    mine = runs[runs["pack_code"] == pack_code]
    others = [code or "one without a code" for code in runs["pack_code"] if code != pack_code]
    if mine.empty:
        told = f"dispatch.csv sends {batch} under {pack_code}; in batches.csv it is"
        return rows, runs, sent, [f"{told} {', '.join(others)}."]
    if not others:
        return rows, mine, sent, _other_codes(batch, sent, {pack_code, ""})
    notes = [f"{batch} was packed in several runs; the others are {', '.join(others)}."]
    notes.append(f"The balance is of all runs of {batch}.")
    at_packing = rows[rows["stage"].isin(["packed", "filled", ""])]
    parts, remark = [], ""
    for lot, part, words, _ in lots_of(works, batch, at_packing, cast(pd.Timestamp, pd.NaT)):
        parts += [part] if lot.pack_code in ("", pack_code) else []
        remark = remark or words
    if remark:
        notes.append(f"{batch}: its runs cannot be told apart by day: all its weighings are shown.")
    keep = {at for part in parts for at in part.index}
    before = rows[~rows.index.isin(at_packing.index)].index
    rows = rows[rows.index.isin(keep | set(before))]
    coded = sent[sent["pack_code"].isin([pack_code, ""])]
    bare = int((coded["pack_code"] == "").sum())
    if bare:
        notes.append(f"{batch}: rows of dispatch.csv without a pack code are shown too ({bare}).")
    listed = {*runs["pack_code"], ""}
    return rows, mine, coded, [*notes, *_other_codes(batch, sent, listed)]


def _other_codes(batch: str, sent: pd.DataFrame, listed: set[str]) -> list[str]:
    strange = sorted(set(sent["pack_code"]) - listed)
    if not strange:
        return []
    return [f"dispatch.csv sends {batch} under {', '.join(strange)} too, not in batches.csv."]


def _line(
    works: Works, batch: str, rows: pd.DataFrame, runs: pd.DataFrame, sent: pd.DataFrame
) -> str:
    """One batch in a line: product, days, how many."""
    product = next(filter(None, [*runs["product"], *rows["product"]]), "")
    name = works.products.loc[works.products["product"] == product, "name"]
    called = next(filter(None, [*name, product]), "product not known")
    told = list(_days(runs))
    if len(runs) and runs["packages"].notna().all():
        told.append(f"{int(runs['packages'].sum())} packages")
    told.append(f"{round(float(pd.to_numeric(sent['quantity']).sum()))} sent")
    return f"{batch}, {called}: {', '.join(told)}"


def _days(runs: pd.DataFrame) -> Iterator[str]:
    for column, word in (
        ("made_on", "made"),
        ("packed_on", "packed"),
        ("sell_from", "on sale from"),
    ):
        days = [day_words(day) for day in sorted(set(runs[column].dropna()))]
        yield f"{word} {' and '.join(days)}" if days else f"{word}: not said"
