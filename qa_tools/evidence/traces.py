"""From a pack code back to the pour, and from a scale, a tare lot or a wire to all it touched."""

from __future__ import annotations

import datetime as dt
import difflib
import html
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from qa_tools.evidence.balances import balance
from qa_tools.evidence.batches import STAGE_WORDS
from qa_tools.evidence.cutters import cut_loaves
from qa_tools.evidence.shown import Shown
from qa_tools.evidence.tables import records
from qa_tools.evidence.week import parse_day
from qa_tools.readings.dates import day_words
from qa_tools.readings.tare import Tares
from qa_tools.readings.weighings import answers_of
from qa_tools.readings.works import Works

NOTHING: Final[dict[str, str]] = {
    "batches": "It touched no batch.",
    "people": "Nobody is named.",
    "scales": "No scale is named.",
    "wires": "It was not cut loaf by loaf, or wires.csv has no service before.",
    "tare": "No mean of empties was taken off.",
    "actions": "No action is recorded.",
    "customers": "Nothing was sent, or dispatch.csv does not say so.",
    "sources": "No weighing was used.",
}
_LEAVES: Final = "inspected"  # a service that leaves a wire as it was


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
        ``customers``, ``sources``. Of a scale, a tare lot or a wire: ``batches`` and ``customers``.
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
    wire: int | None = None,
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
    scale, tare_lot : str, optional
        To every batch weighed on it, or whose tare it was, and to whom those went.
    wire : int, optional
        As wires.csv numbers it; to every batch cut by it. `cutter` where there are several.
    start, end : str or date, optional
        Of a scale, tare lot or wire: only between these days. Between two services of a wire is
        how long it stood as it was.

    Returns
    -------
    Trace

    Raises
    ------
    ValueError
        Not exactly one of them is given, or nothing is called so (the nearest is suggested).

    Notes
    -----
    A retail audit asks for it both ways, against the clock: common practice, no published source.

    Examples
    --------
    >>> works = getfixture("demo_works")
    >>> print(trace(works, pack_code="QH1610C").headline)
    CB-1016, Calendula balm: made 16 October 2026, packed 16 October 2026, 100 packages, 100 sent
    >>> trace(works, tare_lot="N-31").tables["batches"]["batch"].tolist()
    ['CB-1009', 'CB-1016', 'CB-1023', 'CB-1030']
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
    order = answers_of(works.settings).general("date order").casefold()
    first = None if start is None else parse_day(start, order).normalize()
    last = None if end is None else parse_day(end, order).normalize()
    if batch is not None:
        return _of_batches(works, [_known(batch, _batches(works), "batch")], "")
    if pack_code is not None:
        return _of_pack_code(works, pack_code)
    if scale is not None:
        return _of_scale(works, scale, first, last)
    if tare_lot is not None:
        return _of_tare_lot(works, tare_lot, first, last)
    assert wire is not None
    return _of_wire(works, int(wire), cutter, first, last)


def _known(name: str, known: Iterable[str], what: str) -> str:
    there = sorted(set(known) - {""})
    if name in there:
        return name
    near = difflib.get_close_matches(str(name), there, n=1)
    hint = f'; is "{near[0]}" meant?' if near else f"; there are {', '.join(there[:12]) or 'none'}"
    raise ValueError(f'no {what} is called "{name}"{hint}')


def _batches(works: Works) -> list[str]:
    return [*works.batches["batch"], *works.weighings.table["batch"]]


# ---------------------------------------------------------------- from a pack to what made it


def _of_pack_code(works: Works, pack_code: str) -> Trace:
    codes = [*works.batches["pack_code"], *works.dispatch["pack_code"]]
    _known(pack_code, codes, "pack code")
    mine = works.batches.loc[works.batches["pack_code"] == pack_code, "batch"]
    sent = works.dispatch.loc[works.dispatch["pack_code"] == pack_code, "batch"]
    names = list(dict.fromkeys([*mine, *sent]))
    return _of_batches(works, names, pack_code)


def _of_batches(works: Works, names: list[str], pack_code: str) -> Trace:
    table = works.weighings.table
    rows = table[table["batch"].isin(names)]
    runs = works.batches[works.batches["batch"].isin(names)]
    notes = []
    if len(names) > 1:
        notes.append(f"The pack code {pack_code} is of {len(names)} batches: {', '.join(names)}.")
    others = runs.loc[runs["pack_code"] != pack_code, "pack_code"].tolist() if pack_code else []
    if others:
        notes.append(f"Packed in several runs; the others are {', '.join(map(str, others))}.")
    undated = int(rows["when"].isna().sum())
    if undated:
        notes.append(f"{undated} of {len(rows)} weighings are not dated.")
    lost = works.weighings.not_used
    gone = int(lost["batch"].isin(names).sum())
    if gone:
        notes.append(f"{gone} more readings of it are not used, each with its reason.")
    sent = works.dispatch[works.dispatch["batch"].isin(names)]
    if pack_code:
        sent = sent[sent["pack_code"].isin(["", pack_code])]
    actions = works.actions[works.actions["batch"].isin(names)]
    return Trace(
        "; ".join(_line(works, name, runs[runs["batch"] == name]) for name in names),
        {
            "batches": pd.concat([balance(works, name) for name in names], ignore_index=True),
            "people": _people(rows),
            "scales": _scales(works, rows),
            "wires": _services(works, names),
            "tare": _tare(works, rows),
            "actions": actions[["id", "when", "what", "reason", "by", "approved_by", "closes"]],
            "customers": sent[["customer", "market", "when", "quantity", "pack_code"]],
            "sources": _sources(rows),
        },
        tuple(notes),
    )


def _line(works: Works, batch: str, runs: pd.DataFrame) -> str:
    product = next(iter(runs["product"]), "")
    name = works.products.loc[works.products["product"] == product, "name"]
    called = next(filter(None, [*name, product]), "product not known")
    parts = [f"{batch}, {called}:"]
    told = []
    for column, word in (("made_on", "made"), ("packed_on", "packed")):
        days = runs[column].dropna()
        told.append(f"{word} {day_words(days.min())}" if len(days) else f"{word}: not said")
    if len(runs) and runs["packages"].notna().all():
        told.append(f"{int(runs['packages'].sum())} packages")
    sent = works.dispatch.loc[works.dispatch["batch"] == batch, "quantity"]
    told.append(f"{int(pd.to_numeric(sent).sum())} sent")
    return f"{parts[0]} {', '.join(told)}"


def _people(rows: pd.DataFrame) -> pd.DataFrame:
    found = [
        {
            "by": by or "not said",
            "stage": STAGE_WORDS.get(str(stage), stage or "not said"),
            "weighed": len(part),
            "loaves or trays": ", ".join(sorted(set(part["loaf"]) - {""}, key=_natural)),
            "first": part["when"].min(),
            "last": part["when"].max(),
        }
        for (by, stage), part in rows.groupby(["by", "stage"], sort=False)
    ]
    columns = ["by", "stage", "weighed", "loaves or trays", "first", "last"]
    return pd.DataFrame(found, columns=columns)


def _natural(text: str) -> tuple[int, str]:
    return (int(text), "") if text.isdigit() else (10**9, text)


def _scales(works: Works, rows: pd.DataFrame) -> pd.DataFrame:
    found = []
    for name, part in rows.groupby("scale", sort=False):
        checks = works.scale_checks[works.scale_checks["scale"] == name]
        about = works.scales[works.scales["scale"] == name]
        days = part["when"].dropna()
        before = checks[checks["when"] <= days.min().normalize()] if len(days) else checks[:0]
        after = checks[checks["when"] > days.max().normalize()] if len(days) else checks[:0]
        found.append(
            {
                "scale": name or "not said",
                "weighed": len(part),
                "certificate": next(iter(about["certificate"]), ""),
                "check before": _check(before.sort_values("when").tail(1)),
                "check after": _check(after.sort_values("when").head(1)),
            }
        )
    columns = ["scale", "weighed", "certificate", "check before", "check after"]
    return pd.DataFrame(found, columns=columns)


def _check(rows: pd.DataFrame) -> str:
    if rows.empty:
        return "none"
    row = rows.iloc[0]
    return (
        f"{row['when']:%Y-%m-%d}: {row['applied']:g} {row['unit'] or 'g'} showed {row['shown']:g}"
    )


def _services(works: Works, names: list[str]) -> pd.DataFrame:
    """The last service of each wire on or before the day the batch was cut on it."""
    found = []
    for cutter, bars in cut_loaves(works).items():
        days = bars.loc[bars["batch"].isin(names), "when"].dropna()
        if days.empty:
            continue
        mine = works.wires["cutter"].isin([cutter, ""]) if cutter else works.wires["cutter"] == ""
        before = works.wires[mine & (works.wires["when"] <= days.min())]
        changed = before[before["what"].str.strip().str.casefold() != _LEAVES]
        last = changed.sort_values("when", kind="stable").drop_duplicates("wire", keep="last")
        for row in last.sort_values("wire").to_dict("records"):
            found.append(
                {
                    "cutter": cutter,
                    "cut on": days.min().normalize(),
                    "wire": row["wire"],
                    "last service": row["what"],
                    "when": row["when"],
                    "by": row["by"],
                }
            )
    columns = ["cutter", "cut on", "wire", "last service", "when", "by"]
    return pd.DataFrame(found, columns=columns)


def _tare(works: Works, rows: pd.DataFrame) -> pd.DataFrame:
    """The empties whose means were taken off, by part."""
    tares = Tares(works.products, works.tare)
    by_mean = rows[rows["tare_n"] > 0]
    keys = by_mean.assign(day=by_mean["when"].dt.normalize())[["product", "weighed", "day"]]
    found: dict[tuple[Any, ...], dict[str, Any]] = {}
    for product, weighed, day in keys.drop_duplicates().itertuples(index=False):
        for part in tares.empties(product, weighed, None if pd.isna(day) else day):
            row = part.iloc[0]
            key = (product, row["part"], row["supplier_lot"], row["when"])
            found[key] = {
                "part": row["part"],
                "supplier lot": row["supplier_lot"] or "not said",
                "weighed on": row["when"],
                "empties": len(part),
                "mean, g": round(float(part["grams"].mean()), 2),
            }
    columns = ["part", "supplier lot", "weighed on", "empties", "mean, g"]
    return pd.DataFrame(list(found.values()), columns=columns)


def _sources(rows: pd.DataFrame) -> pd.DataFrame:
    found = [
        {"file": file, "sheet": sheet, "rows": f"{part['row'].min()} to {part['row'].max()}",
         "weighings": len(part)}
        for (file, sheet), part in rows.groupby(["file", "sheet"], sort=False)
    ]  # fmt: skip
    return pd.DataFrame(found, columns=["file", "sheet", "rows", "weighings"])


# ---------------------------------------------------------------- from a tool to all it touched


def _of_scale(
    works: Works, scale: str, first: pd.Timestamp | None, last: pd.Timestamp | None
) -> Trace:
    table = works.weighings.table
    _known(scale, [*table["scale"], *works.scales["scale"]], "scale")
    rows = table[table["scale"] == scale]
    inside, notes = _between(rows, first, last, "weighings on it")
    return _touched(works, inside, f"Scale {scale}{_span(first, last)}", notes)


def _of_tare_lot(
    works: Works, lot: str, first: pd.Timestamp | None, last: pd.Timestamp | None
) -> Trace:
    """Whose net weight the lot's empties stand behind; and batches whose note names the lot."""
    _known(lot, works.tare["supplier_lot"], "supplier lot in tare.csv")
    table = works.weighings.table
    tares = Tares(works.products, works.tare)
    by_mean = table[table["tare_n"] > 0]
    by_mean = by_mean.assign(day=by_mean["when"].dt.normalize())
    parts = []
    for key, part in by_mean.groupby(["product", "weighed", "day"], dropna=False, sort=False):
        product, weighed, day = key
        when = pd.Timestamp(str(day)) if isinstance(day, dt.datetime) else None
        empties = tares.empties(str(product), str(weighed), when)
        if any((one["supplier_lot"] == lot).any() for one in empties):
            parts.append(part)
    rows = table.loc[[at for part in parts for at in part.index]]
    named = works.batches[works.batches["note"].map(lambda note: lot in _words(note))]
    more = [name for name in named["batch"] if name not in set(rows["batch"])]
    inside, notes = _between(rows, first, last, "weighings with it")
    if more:
        notes.append(
            f"{', '.join(more)}: batches.csv names the lot, but the tare of another was taken off."
        )
        extra = table[table["batch"].isin(more)]
        inside = table.loc[sorted({*inside.index, *_between(extra, first, last, "")[0].index})]
    return _touched(works, inside, f"Tare lot {lot}{_span(first, last)}", notes)


def _words(note: str) -> set[str]:
    return {word.strip(".,;:()") for word in str(note).split()}


def _of_wire(
    works: Works,
    wire: int,
    cutter: str | None,
    first: pd.Timestamp | None,
    last: pd.Timestamp | None,
) -> Trace:
    loaves = cut_loaves(works)
    names = list(loaves)
    if cutter is None:
        if len(names) > 1:
            raise ValueError(f"there are several cutters: {', '.join(names)}; give cutter=")
        cutter = names[0] if names else ""
    if cutter:
        _known(cutter, names, "cutter")
    mine = works.wires[works.wires["cutter"].isin([cutter, ""])]
    services = mine[mine["wire"] == wire].sort_values("when", kind="stable")
    if wire not in set(mine["wire"].dropna()):
        there = ", ".join(map(str, sorted(set(mine["wire"].dropna()))))
        raise ValueError(
            f"wires.csv has no wire {wire} of cutter {cutter}; it has {there or 'none'}"
        )
    table = works.weighings.table
    rows = table.loc[table["batch"].isin(loaves[cutter]["batch"]) & (table["stage"] == "cut")]
    inside, notes = _between(rows, first, last, "weighings of its loaves")
    notes += [_service(row) for row in services.to_dict("records")]
    return _touched(works, inside, f"Wire {wire} of cutter {cutter}{_span(first, last)}", notes)


def _service(row: Mapping[Any, Any]) -> str:
    when = day_words(row["when"]) if pd.notna(row["when"]) else "not dated"
    by = f", {row['by']}" if row["by"] else ""
    return f"Service: {row['what']}, {when}{by}" + (f": {row['note']}" if row["note"] else "")


def _between(
    rows: pd.DataFrame, first: pd.Timestamp | None, last: pd.Timestamp | None, what: str
) -> tuple[pd.DataFrame, list[str]]:
    """The rows between two days; undated ones stay in, and are said."""
    if first is None and last is None:
        return rows, []
    keep = pd.Series(True, index=rows.index)
    if first is not None:
        keep &= ~(rows["when"] < first)
    if last is not None:
        keep &= ~(rows["when"] >= last + pd.Timedelta(days=1))
    undated = int(rows["when"].isna().sum())
    return rows[keep], [f"{undated} {what} are not dated, and are in."] if undated else []


def _span(first: pd.Timestamp | None, last: pd.Timestamp | None) -> str:
    words = [f"from {day_words(first)}"] if first is not None else []
    words += [f"to {day_words(last)}"] if last is not None else []
    return f", {' '.join(words)}" if words else ""


def _touched(works: Works, rows: pd.DataFrame, what: str, notes: list[str]) -> Trace:
    """Every batch of some weighings with its balance, and everybody it was sent to."""
    found = list(_touched_rows(works, rows))
    columns = ["batch", "product", "weighings", "first", "last", "packed", "sent", "in_stock"]
    table = pd.DataFrame(found, columns=columns)
    table = table.astype(dict.fromkeys(columns[-3:], "Int64"))
    sent = works.dispatch[works.dispatch["batch"].isin(table["batch"])]
    customers = sent[["batch", "customer", "market", "when", "quantity", "pack_code"]]
    nameless = int((rows["batch"] == "").sum())
    if nameless:
        notes = [*notes, f"{nameless} of its weighings name no batch."]
    gone = int(pd.to_numeric(customers["quantity"]).sum())
    many = f"{len(table)} batch{'es' if len(table) != 1 else ''}"
    return Trace(
        f"{what}: {len(rows)} weighings of {many}; {gone} packages sent to "
        f"{customers['customer'].nunique()} customers",
        {"batches": table, "customers": customers.reset_index(drop=True)},
        tuple(notes),
    )


def _touched_rows(works: Works, rows: pd.DataFrame) -> Iterator[dict[str, Any]]:
    for batch, part in rows[rows["batch"] != ""].groupby("batch", sort=False):
        counts = balance(works, str(batch)).iloc[0]
        yield {
            "batch": batch,
            "product": part["product"].iloc[0],
            "weighings": len(part),
            "first": part["when"].min(),
            "last": part["when"].max(),
            **{name: counts[name] for name in ("packed", "sent", "in_stock")},
        }
