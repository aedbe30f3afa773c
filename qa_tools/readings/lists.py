"""The tables a works keeps beside its weighings, tidied: names, dates and numbers by kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools.readings import marks
from qa_tools.readings.headings import TABLES, Heading, heading, likely_column, squeezed
from qa_tools.readings.quantities import GRAMS, Declaration, Quantity, number_of, parse_quantity
from qa_tools.readings.tables import Sheet, cell_text

LISTS: Final = tuple(
    name for name, about in TABLES.items() if isinstance(about, dict) and "needs" in about
)
_SEARCHED: Final = 30
_YES: Final = {"yes", "y", "true", "1", "x", "e", "℮", "ja", "oui"}
_NO: Final = {"", "no", "n", "false", "0", "-", "nein", "non"}
_NUMBERS: Final = ("number", "count", "quantity", "grams")


@dataclass(frozen=True)
class Fault:
    """A cell or a file that cannot be read: a row of the unread table; row 0 is the whole file."""

    file: str
    expected: str
    found: str
    to_do: str
    row: int = 0


@dataclass(frozen=True)
class RawList:
    """One sheet that holds a list: its columns by name, as written, and the row of each."""

    table: str
    sheet: Sheet
    rows: list[int]
    heads: dict[str, Heading]
    cells: dict[str, list[Any]]
    faults: list[Fault] = field(default_factory=list)

    @property
    def file(self) -> str:
        """Where it stands, as messages say it."""
        return self.sheet.file + (f", sheet {self.sheet.name}" if self.sheet.name else "")

    def of_kind(self, kinds: Sequence[str]) -> list[Any]:
        """All cells of the columns of some kinds."""
        columns = TABLES[self.table]["columns"]
        return [
            cell
            for name, cells in self.cells.items()
            if name in columns and columns[name]["kind"] in kinds
            for cell in cells
        ]


def list_named(name: str) -> str:
    """
    The list a file or a sheet is named as; "" where it is none.

    Examples
    --------
    >>> list_named("Scale checks"), list_named("oct")
    ('scale_checks', '')
    """
    return next((table for table in LISTS if squeezed(table) == squeezed(name)), "")


def raw_list(table: str, sheet: Sheet) -> RawList:
    """One sheet's cells under the columns of a list; extra columns keep their own heading."""
    needs = TABLES[table]["needs"]
    best: tuple[int, int, list[Heading]] = (0, -1, [])
    for number in range(min(sheet.rows, _SEARCHED)):
        heads = [heading(cell_text(cell), table) for cell in sheet.row(number)]
        known = {head.column for head in heads} - {""}
        if len(known) > best[0] and known & set(needs):
            best = (len(known), number, heads)
    _, top, heads = best
    if top < 0:
        first_row = sheet.row(0) if sheet.rows else []
        words = [cell for cell in first_row if isinstance(cell, str) and cell]
        shown = ", ".join(f'"{word[:30]}"' for word in words[:8]) or "no headings"
        fault = Fault(
            sheet.file + (f", sheet {sheet.name}" if sheet.name else ""),
            f"the list {table} with columns {', '.join(needs)}",
            f"the headings read {shown}" if words else shown,
            f"Head its columns as {', '.join(TABLES[table]['columns'])}",
        )
        return RawList(table, sheet, [], {}, {}, [fault])
    names: dict[str, int] = {}
    for place, head in enumerate(heads):
        name = head.column or squeezed(head.written)
        exact = squeezed(head.written) == squeezed(head.column)
        if name and (name not in names or exact):
            names[name] = place
    rows = [
        number
        for number in range(top + 1, sheet.rows)
        if any(cell != "" for cell in sheet.row(number))
    ]
    return RawList(
        table,
        sheet,
        [number + 1 for number in rows],
        {name: heads[place] for name, place in names.items()},
        {name: [sheet.columns[place][number] for number in rows] for name, place in names.items()},
    )


def empty_list(table: str) -> pd.DataFrame:
    """A list with its columns and no rows."""
    return pd.DataFrame(
        {
            name: pd.Series([], dtype=_dtype(about["kind"]))
            for name, about in TABLES[table]["columns"].items()
        }
    )


def _dtype(kind: str) -> str:
    return {
        "date": "datetime64[ns]",
        "number": "float64",
        "grams": "float64",
        "quantity": "float64",
        "count": "Int64",
        "flag": "bool",
    }.get(kind, "str")


def tidy(
    table: str,
    raws: Sequence[RawList],
    decimal: dict[str, str | None],
    order: dict[str, str],
) -> tuple[pd.DataFrame, list[Fault]]:
    """
    One list from all the sheets that hold a part of it.

    Parameters
    ----------
    table : str
        One of `LISTS`.
    raws : sequence of RawList
    decimal, order : dict
        The decimal mark and the order of dates settled for each file.

    Returns
    -------
    table : DataFrame
        The columns of `columns.toml` in their order, then any others as text. A row that lacks
        what it cannot do without is left out, and listed.
    faults : list of Fault
    """
    faults: list[Fault] = []
    parts = [_tidy_one(raw, decimal.get(raw.sheet.file), order.get(raw.sheet.file, ""), faults)
             for raw in raws if raw.rows]  # fmt: skip
    if not parts:
        return empty_list(table), faults
    joined = pd.concat(parts, ignore_index=True) if len(parts) > 1 else parts[0]
    known = list(TABLES[table]["columns"])
    extra = [name for name in joined.columns if name not in known]
    for name in extra:
        joined[name] = joined[name].fillna("").astype(str)
    return joined[[*known, *extra]].reset_index(drop=True), faults


def _tidy_one(
    raw: RawList, decimal: str | None, order: str, faults: list[Fault]
) -> pd.DataFrame:  # fmt: skip
    columns = TABLES[raw.table]["columns"]
    count = len(raw.rows)
    weights = _weights(raw, decimal, faults)
    units = _row_units(weights, count)
    tidied: dict[str, pd.Series] = {}
    for name, about in columns.items():
        kind = about["kind"]
        if name in weights:
            per = units if kind == "quantity" else ["g"] * count
            grams = [
                float(one.grams / GRAMS[unit]) if one else np.nan
                for one, unit in zip(weights[name], per, strict=True)
            ]
            tidied[name] = pd.Series(grams, dtype=_dtype(kind))
            continue
        cells = raw.cells.get(name, [""] * count)
        if name == "unit" and "quantity" in {other["kind"] for other in columns.values()}:
            cells = list(units)
        values = []
        for number, cell in enumerate(cells):
            try:
                values.append(_value(kind, cell, decimal, order))
            except ValueError as problem:
                faults.append(_cell_fault(raw, name, number, _EXPECTED[kind], problem))
                values.append(_value(kind, "", decimal, order))
        tidied[name] = pd.Series(values, dtype=_dtype(kind))
    for name, cells in raw.cells.items():
        if name not in columns:
            tidied[name] = pd.Series([cell_text(cell) for cell in cells], dtype=str)
    frame = pd.DataFrame(tidied)
    if raw.table == "labels":
        frame["declared"] = [_declared(raw, number, decimal, faults) for number in range(count)]
        frame["declared"] = frame["declared"].astype(str)
    return frame[_usable(raw, frame, faults)]


def _cell_fault(
    raw: RawList, name: str, number: int, expected: str, problem: ValueError, to_do: str = ""
) -> Fault:
    """One cell that cannot be read: its row, its column, what is written, what is wrong."""
    written = repr(cell_text(raw.cells[name][number]).strip())
    wrong = str(problem) if str(problem).startswith(written) else f"{written}: {problem}"
    return Fault(
        raw.file,
        expected,
        f"in row {raw.rows[number]}, column {raw.heads[name].written}: {wrong}",
        to_do or "Correct the cell; it is taken as empty until then",
        raw.rows[number],
    )


_EXPECTED: Final = {
    "date": "a date",
    "number": "a number",
    "count": "a whole number",
    "flag": "yes or no",
    "text": "a text",
    "key": "a name",
}


def _value(kind: str, cell: Any, decimal: str | None, order: str) -> Any:
    text = cell_text(cell)
    if kind in ("text", "key"):
        return " ".join(text.split()) if kind == "key" else text
    if kind == "flag":
        word = text.casefold().strip()
        if word in _YES or word in _NO:
            return word in _YES
        raise ValueError("neither yes nor no")
    if kind == "date":
        if not text:
            return pd.NaT
        if (day := marks.date_of(cell, order)) is None:
            raise ValueError("no date, or one that can be read two ways")
        return pd.Timestamp(day)
    if not text:
        return pd.NA if kind == "count" else np.nan
    number = number_of(text.strip().rstrip("%€$£").lstrip("€$£").strip(), _mark(cell, decimal))
    if kind == "count":
        if number != number.to_integral_value():
            raise ValueError("not a whole number")
        return int(number)
    return float(number)


def _mark(cell: Any, decimal: str | None) -> str | None:
    """The decimal mark of one cell: a number of a workbook has a point whatever its file shows."""
    return "." if isinstance(cell, float) else decimal


def _weights(
    raw: RawList, decimal: str | None, faults: list[Fault]
) -> dict[str, list[Quantity | None]]:
    """
    The columns of weights, each cell in its own unit.

    That is the one written with the value; else the heading's; else the one in the row's column
    of units; else grams. A unit that is none of weight makes no grams: the cell is left empty,
    and it is said.
    """
    columns = TABLES[raw.table]["columns"]
    read: dict[str, list[Quantity | None]] = {}
    for name, about in columns.items():
        if about["kind"] not in ("quantity", "grams") or name not in raw.cells:
            continue
        read[name] = []
        for number, cell in enumerate(raw.cells[name]):
            said = raw.heads[name].unit
            if not said and "unit" in raw.cells:
                said = cell_text(raw.cells["unit"][number])
            amount = None
            if cell != "":
                try:
                    amount = parse_quantity(cell_text(cell), said or "g", _mark(cell, decimal))
                except ValueError as problem:
                    faults.append(_cell_fault(raw, name, number, "a weight", problem))
            read[name].append(amount)
    return read


def _row_units(weights: dict[str, list[Quantity | None]], count: int) -> list[str]:
    """The unit each row is kept in: that of its first weight, or grams."""
    rows = [[column[number] for column in weights.values()] for number in range(count)]
    return [next((one.unit for one in row if one), "g") for row in rows]


def _declared(raw: RawList, number: int, decimal: str | None, faults: list[Fault]) -> str:
    """The label's words from its two quantities; "" (and a fault) where they make none."""
    words: list[str] = []
    parts: list[Quantity] = []
    for name, unit in (("declared", "unit"), ("declared_2", "unit_2")):
        cell = raw.cells[name][number] if name in raw.cells else ""
        text = cell_text(cell)
        if not text:
            continue
        said = cell_text(raw.cells[unit][number]) if unit in raw.cells else ""
        if not any(char.isalpha() for char in text):
            text = f"{text} {said or raw.heads[name].unit or 'g'}"
        words.append(text)
        try:
            parts += _quantities(text, _mark(cell, decimal))
            if len(parts) > 2:
                raise ValueError("declares more than two quantities")
        except ValueError as problem:
            to_do = "Correct the cell; the label is left out until then"
            if "two ways" in str(problem):
                base = raw.sheet.file.rsplit("/", 1)[-1]
                to_do = (
                    f'Say in settings.csv: name "decimal mark of {base}", value "comma" or '
                    '"point"; the label is left out until then'
                )
            expected = "a declared quantity by weight"
            faults.append(_cell_fault(raw, name, number, expected, problem, to_do))
            return ""
    return _plainly(" / ".join(words), Declaration(tuple(parts))) if parts else ""


def _quantities(text: str, decimal: str | None) -> tuple[Quantity, ...]:
    """What a label declares; the decimal mark counts only where it can be read two ways."""
    try:
        return Declaration.parse(text).parts
    except ValueError:
        if decimal is None:
            raise
        return Declaration.parse(text, decimal).parts


def _plainly(words: str, meant: Declaration) -> str:
    """The label's own words, where they can be read without their file's decimal mark."""
    try:
        return words if Declaration.parse(words) == meant else str(meant)
    except ValueError:
        return str(meant)


def _usable(raw: RawList, frame: pd.DataFrame, faults: list[Fault]) -> pd.Series:
    """Rows that have what they cannot do without."""
    usable = pd.Series(True, index=frame.index)
    for name in TABLES[raw.table]["needs"]:
        missing = frame[name].isna() | (frame[name].astype(str) == "")
        usable &= ~missing
        if name not in raw.cells:
            faults.append(_no_column(raw, name))
            continue
        for number in np.flatnonzero(missing):
            # where something is written, the cell has its own fault already
            if not cell_text(raw.cells[name][number]):
                faults.append(
                    Fault(
                        raw.file,
                        f"something in column {name}",
                        f"nothing in row {raw.rows[number]}, column {raw.heads[name].written}",
                        "Fill it in; the row is left out until then",
                        raw.rows[number],
                    )
                )
    return usable


def _no_column(raw: RawList, name: str) -> Fault:
    """A list without a column it cannot do without."""
    written = [head.written for head in raw.heads.values()]
    meant = next((word for word in written if likely_column(word, raw.table) == name), "")
    shown = ", ".join(f'"{word[:30]}"' for word in written[:8])
    return Fault(
        raw.file,
        f'a column headed "{name}"',
        f"none; the headings read {shown}",
        f'Head a column "{name}"' + (f' (is "{meant}" meant for it?)' if meant else "")
        + "; no row of the list is used until then",
    )  # fmt: skip
