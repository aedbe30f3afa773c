"""All readings of all sheets in one place: weights in grams, dates, and words we know."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property, partial
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa_tools.readings import marks
from qa_tools.readings.answers import KINDS, Answers
from qa_tools.readings.coded import Coded, Stamps
from qa_tools.readings.dates import time_of
from qa_tools.readings.layout import Section
from qa_tools.readings.quantities import GRAMS, parse_quantity, unit_of
from qa_tools.readings.tables import cell_text

TEXTS: Final = (
    "batch", "product", "stage", "loaf", "cutter", "scale", "by", "picked", "fate", "replaces",
    "id", "note", "weighed",
)  # fmt: skip
_PLAIN: Final = re.compile(r"\d+(?:\.(\d+))?")
_UNHEADED: Final = (
    "it stands under no heading",
    "head its column: w1, w2, ... where each is a weight, or by what else it is",
)
NAT: Final = np.datetime64("NaT", "ns")


class Weighed(NamedTuple):
    """One weight as read: the amount in its unit, in grams, the decimals printed, what is wrong."""

    value: float
    unit: str
    grams: float
    decimals: int
    problem: str
    suggestion: str


class Written(NamedTuple):
    """What the sheets say of every reading, whatever the rules make of it; as in `Records`."""

    file: Coded
    sheet: Coded
    row: NDArray[np.intp]
    column: Coded
    batch: Coded
    when: NDArray[np.datetime64]
    loaf: Coded
    slot: NDArray[np.float64]
    id: Coded
    unit: Coded
    value: Coded


@dataclass
class Records:
    """
    Every reading found, one an entry, in the order of files, sheets, rows and columns.

    Attributes
    ----------
    file, sheet, column, written, unit : Coded
        Where it stands; the weight as written; the unit it was read in.
    row : array of int
    weight, grams, step : array of float
        The amount in its unit and in grams; the finest step of the numbers beside it, in grams.
    weighed_as : Coded
        "weight", "net" or "gross", as the heading says.
    texts : dict of str to Coded
        `TEXTS`, in the words we know where there are such; a word we do not know as written.
    when : array of datetime64[ns]
    slot : array of float
        NaN where there is none.
    own_tare : array of float
        The row's own tare in grams, NaN where it has none.
    line : array of uint64
        The fingerprint of the sheet row.
    summed : array of bool
        Whether the row sums up others.
    overfull : array of bool
        Whether the row has more numbers than headings, as decimal commas would make it.
    problem : Coded of (reason, suggestion)
        Why the weight cannot be read; ("", "") where it can.
    remarks : list of (array of int, Coded of str)
        What to point out about which readings.
    """

    file: Coded
    sheet: Coded
    column: Coded
    written: Coded
    unit: Coded
    row: NDArray[np.intp]
    weight: NDArray[np.float64]
    grams: NDArray[np.float64]
    step: NDArray[np.float64]
    weighed_as: Coded
    texts: dict[str, Coded]
    when: NDArray[np.datetime64]
    slot: NDArray[np.float64]
    own_tare: NDArray[np.float64]
    line: NDArray[np.uint64]
    summed: NDArray[np.bool_]
    overfull: NDArray[np.bool_]
    problem: Coded
    remarks: list[tuple[NDArray[np.intp], Coded]]

    def __len__(self) -> int:
        return len(self.row)

    def as_written(self) -> Written:
        """What the sheets say of every reading."""
        texts = self.texts
        return Written(
            self.file, self.sheet, self.row, self.column, texts["batch"], self.when,
            texts["loaf"], self.slot, texts["id"], self.unit, self.written,
        )  # fmt: skip

    def where(self, number: int) -> str:
        """Where one reading stands, as a sentence says it: "row 41 of oct.csv"."""
        sheet = f", sheet {self.sheet[number]}" if self.sheet[number] else ""
        return f"row {self.row[number]} of {self.short[self.file[number]]}{sheet}"

    @cached_property
    def short(self) -> dict[str, str]:
        """Each file without its folders, where that tells it from the others."""
        bases = [file.rsplit("/", 1)[-1] for file in self.file.values]
        return {
            file: base if bases.count(base) == 1 else file
            for file, base in zip(self.file.values, bases, strict=True)
        }


def records(
    sections: Sequence[Section],
    decimal: Mapping[str, str | None],
    order: Mapping[str, str],
    answers: Answers,
    unit: str = "",
) -> Records:
    """The readings of all sections, read under each file's marks; `unit` is of those without."""
    parts = [
        _part(section, decimal[section.file], order[section.file], unit or _unit(section, answers))
        for section in sections
    ]
    remarks = []
    start = 0
    for part in parts:
        remarks += [(rows + start, said) for rows, said in part.remarks]
        start += len(part)

    def joined(name: str) -> Any:
        columns = [getattr(part, name) for part in parts]
        if isinstance(columns[0], Coded):
            return Coded.joined(columns)
        return columns[0] if len(columns) == 1 else np.concatenate(columns)

    texts = {name: Coded.joined([part.texts[name] for part in parts]) for name in TEXTS}
    for kind in KINDS:
        texts[kind] = texts[kind].map(partial(_in_our_words, answers, kind)).distinct()
    names = [name for name in Records.__dataclass_fields__ if name not in ("texts", "remarks")]
    return Records(**{name: joined(name) for name in names}, texts=texts, remarks=remarks)


def _in_our_words(answers: Answers, kind: str, written: str) -> str:
    return answers.word(kind, written) or written


def _unit(section: Section, answers: Answers) -> str:
    """The unit of weights that carry none: as settings.csv says, or grams."""
    return answers.of_file("unit", section.file) or answers.general("unit") or "g"


def _part(section: Section, decimal: str | None, order: str, default: str) -> Records:
    count = len(section.rows)
    remarks: list[tuple[NDArray[np.intp], Coded]] = []
    units = section.fields["unit"].map(lambda cell: cell_text(cell) or default).distinct()
    cells = section.cells.distinct()
    pairs, inverse = _pairs(cells, units)
    read = [weigh(cells.values[cell], units.values[unit], decimal) for cell, unit in pairs]
    weighed = Coded(inverse, read)
    fields = section.fields
    texts = {name: _text(fields[name]) for name in TEXTS}
    when = _when(fields, order, remarks)
    weighed_as = section.heads.map(
        lambda head: head.column if head.column in ("net", "gross") else "weight"
    )
    steps = _steps(weighed, section.summed | section.unheaded)
    tare = _own_tare(fields, units, decimal)
    problem = _with_second_weights(section, weighed, steps, decimal, default, remarks)
    problem = _with_lost_tare(problem, tare, weighed_as, remarks)
    if section.unheaded.any():
        problem = Coded(
            np.where(section.unheaded, len(problem.values), problem.codes),
            [*problem.values, _UNHEADED],
        )
    return Records(
        file=Coded.constant(section.file, count),
        sheet=Coded.constant(section.sheet, count),
        column=section.heads.map(lambda head: head.written),
        written=section.cells.map(cell_text),
        unit=weighed.map(lambda one: one.unit),
        row=section.rows,
        weight=weighed.numbers(lambda one: one.value),
        grams=weighed.numbers(lambda one: one.grams),
        step=steps,
        weighed_as=weighed_as,
        texts=texts,
        when=when,
        slot=_slots(fields["slot"], remarks),
        own_tare=tare.numbers(lambda one: one.grams),
        line=section.line,
        summed=section.summed,
        overfull=section.overfull,
        problem=problem,
        remarks=remarks,
    )


def _pairs(cells: Coded, units: Coded) -> tuple[list[tuple[int, int]], NDArray[np.intp]]:
    """The distinct pairs of weight and unit, and which one each reading has."""
    if len(units.values) == 1:
        return [(cell, 0) for cell in range(len(cells.values))], cells.codes
    many = len(units.values)
    inverse, distinct = pd.factorize(cells.codes * many + units.codes)
    return [divmod(int(pair), many) for pair in distinct], inverse.astype(np.intp)


def weigh(cell: Any, unit: str, decimal: str | None) -> Weighed:
    """
    Read one weight.

    Examples
    --------
    >>> weigh("4,2 oz", "g", None).grams, weigh("broken", "g", None).problem
    (119.067997125, '"broken" is not a number')
    """
    written = cell_text(cell)
    if isinstance(cell, str) and (plain := _PLAIN.fullmatch(cell)) and decimal == ".":
        try:
            return _of(Decimal(cell), unit_of(unit), len(plain[1] or ""))
        except ValueError:
            pass  # the unit is at fault: told below
    if not written:
        return _cannot("no weight is written", "")
    if isinstance(cell, dt.datetime | dt.time):
        return _cannot(
            f"{written} is a date or a time, not a weight",
            "the spreadsheet may have taken a number for a date: format the column as numbers",
        )
    mark = "." if isinstance(cell, float) else decimal
    try:
        amount = parse_quantity(written, unit, mark)
    except ValueError as fault:
        return _cannot(*_in_plain_words(written, unit, str(fault)))
    decimals = -amount.value.as_tuple().exponent  # type: ignore[operator]
    return _of(amount.value, amount.unit, max(int(decimals), 0))


def _of(value: Decimal, unit: str, decimals: int) -> Weighed:
    return Weighed(float(value), unit, float(value * GRAMS[unit]), decimals, "", "")


def _cannot(problem: str, suggestion: str) -> Weighed:
    nan = float("nan")
    return Weighed(nan, "", nan, 0, problem, suggestion)


def _in_plain_words(written: str, unit: str, fault: str) -> tuple[str, str]:
    if "two ways" in fault:
        return f'"{written}" can be read two ways', "say in settings.csv which mark is decimal"
    if "volume" in fault:
        return (
            f'"{written}" is a volume{"" if unit_in(written) else f" ({unit})"}, not a weight',
            "weigh it, or give the weight that was on the scale in g, kg, mg, oz or lb",
        )
    if "not a unit" in fault:
        word = re.search(r"'([^']*)' is not a unit", fault)
        return (
            f'unit unknown: "{word[1] if word else unit}"',
            "write g, kg, mg, oz or lb",
        )
    if "decimal mark" in fault:
        return f'"{written}" does not fit the decimal mark of its file', "correct the number"
    return f'"{written}" is not a number', ""


def unit_in(written: str) -> bool:
    """Whether a value carries a unit of its own."""
    return any(char.isalpha() for char in written)


def _steps(
    weighed: Coded, sums_up: NDArray[np.bool_] | None = None
) -> NDArray[np.float64]:  # fmt: skip
    """The finest step printed in the sheet, for each unit in it, in grams; a mean shows none."""
    finest = {one.unit: 0 for one in weighed.values}
    seen = range(len(weighed.values))
    if sums_up is not None and sums_up.any():
        seen = np.unique(weighed.codes[~sums_up]).tolist()
    for one in (weighed.values[code] for code in seen):
        finest[one.unit] = max(finest[one.unit], one.decimals)
    return weighed.numbers(
        lambda one: float(GRAMS[one.unit].scaleb(-finest[one.unit])) if one.unit else float("nan")
    )


def _text(column: Coded) -> Coded:
    return column.map(lambda cell: " ".join(cell_text(cell).split())).distinct()


def _when(
    fields: Mapping[str, Coded], order: str, remarks: list[tuple[NDArray[np.intp], Coded]]
) -> NDArray[np.datetime64]:
    column = fields["when"]
    if isinstance(column, Stamps):
        return column.stamps[column.codes]
    days = [marks.date_of(cell, order) for cell in map(_date_cell, column.values)]
    stamps = np.array([NAT if day is None else np.datetime64(day, "ns") for day in days],
                      "datetime64[ns]")  # fmt: skip
    when = stamps[column.codes]
    lost = [cell != "" and day is None for cell, day in zip(column.values, days, strict=True)]
    if any(lost):
        at = np.flatnonzero(np.array(lost)[column.codes])
        remarks.append(
            (
                at,
                column.take(at).map(
                    lambda cell: (
                        f'date not read: "{cell_text(cell)}" is none, or can be read two ways, '
                        "and is taken as not said"
                    )
                ),
            )
        )
    clock = fields["time"]
    if any(cell != "" for cell in clock.values):
        times = [_clock(cell) for cell in clock.values]
        # a time in its own column counts only where the date has none
        midnight = when == when.astype("datetime64[D]")
        when = np.where(midnight, when + np.array(times)[clock.codes], when)
    return when


def _date_cell(cell: Any) -> Any:
    return cell_text(cell) if isinstance(cell, float) else cell


def _clock(cell: Any) -> np.timedelta64:
    time = cell if isinstance(cell, dt.time) else time_of(cell_text(cell))
    if isinstance(cell, dt.datetime):
        time = cell.time()
    if time is None:
        return np.timedelta64(0, "ns")
    return np.timedelta64(time.hour * 3600 + time.minute * 60 + time.second, "s")


def _slots(
    column: Coded, remarks: list[tuple[NDArray[np.intp], Coded]]
) -> NDArray[np.float64]:  # fmt: skip
    def number(cell: Any) -> float:
        digits = re.fullmatch(r"(?:slot|bar|pos|position)?\s*(\d{1,3})", cell_text(cell).casefold())
        return float(digits[1]) if digits else float("nan")

    slots = column.numbers(number)
    lost = column.where(lambda cell: cell != "" and np.isnan(number(cell)))
    if lost.any():
        at = np.flatnonzero(lost)
        remarks.append(
            (
                at,
                column.take(at).map(
                    lambda cell: f'slot not read: "{cell_text(cell)}" is no number'
                ),
            )
        )
    return slots


def _with_second_weights(
    section: Section,
    weighed: Coded,
    steps: NDArray[np.float64],
    decimal: str | None,
    default: str,
    remarks: list[tuple[NDArray[np.intp], Coded]],
) -> Coded:
    """
    What is wrong with each weight, where its row may say it once more in another unit.

    A package counts once. Where the two differ by more than a step of each, nobody can know which
    of them holds.
    """
    problem = weighed.map(lambda one: (one.problem, one.suggestion))
    for at, cells, head in section.again:
        if not len(at):
            continue
        column = f'column "{head.written}"'
        second = Coded(
            cells.codes, [weigh(cell, head.unit or default, decimal) for cell in cells.values]
        )
        grams = weighed.numbers(lambda one: one.grams)[at]
        apart = np.abs(grams - second.numbers(lambda one: one.grams))
        said = Coded.constant(
            f"same packages in another unit: {column} is compared, not counted again", 1
        )
        remarks.append((at[:1], said))
        lost = np.flatnonzero(second.where(lambda one: bool(one.problem)))
        unread = [f"second weight not read: {column}, {one.problem}" for one in second.values]
        remarks.append((at[lost], Coded(second.codes[lost], unread)))
        off = np.flatnonzero(apart > steps[at] + _steps(second) + 1e-9)
        faults = [
            (
                f"the row says two weights: {_amount(weighed[number])}, and in {column} "
                f"{_amount(second[place])}",
                "correct the one that is wrong",
            )
            for number, place in zip(at[off].tolist(), off.tolist(), strict=True)
        ]
        codes = np.array(problem.codes)
        codes[at[off]] = len(problem.values) + np.arange(len(off))
        problem = Coded(codes, [*problem.values, *faults])
    return problem


def _amount(one: Weighed) -> str:
    in_grams = "" if one.unit == "g" else f" ({one.grams:.1f} g)"
    return f"{one.value:.12g} {one.unit}{in_grams}"


def _own_tare(fields: Mapping[str, Coded], units: Coded, decimal: str | None) -> Coded:
    """The row's own tare as `Weighed`, in its own unit, else in that of the weight beside it."""
    column = fields["tare"].distinct()
    if all(cell == "" for cell in column.values):
        return Coded.constant(Weighed(np.nan, "", np.nan, 0, "", ""), len(column))
    own = fields["tare unit"].map(lambda unit: unit or "").filled(units).distinct()
    pairs, inverse = _pairs(column, own)
    return Coded(
        inverse,
        [
            weigh(column.values[cell], own.values[unit], decimal)
            if column.values[cell] != ""
            else Weighed(np.nan, "", np.nan, 0, "", "")
            for cell, unit in pairs
        ],
    )


def _with_lost_tare(
    problem: Coded,
    tare: Coded,
    weighed_as: Coded,
    remarks: list[tuple[NDArray[np.intp], Coded]],
) -> Coded:
    """
    What a tare that cannot be read does to the weight beside it.

    A net weight does not need it, and a gross one may have the mean of the empty parts; any other
    would pass for net without it.
    """
    lost = tare.where(lambda one: bool(one.problem))
    if not lost.any():
        return problem
    at = np.flatnonzero(lost)
    remarks.append((at, tare.take(at).map(lambda one: f"tare not used: {one.problem}")))
    passes = lost & problem.where(lambda one: not one[0])
    passes &= weighed_as.where(lambda kind: kind == "weight")
    instead = tare.map(lambda one: (f"its tare cannot be used: {one.problem}", one.suggestion))
    return Coded(
        np.where(passes, instead.codes + len(problem.values), problem.codes),
        [*problem.values, *instead.values],
    ).distinct()
