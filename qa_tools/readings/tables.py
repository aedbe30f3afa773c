"""The bytes of a file as sheets of cells, whatever kind of table the file is."""

from __future__ import annotations

import csv
import datetime as dt
import io
import itertools
import re
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools.readings.coded import Coded, Stamps

# Above this a plain file is read by pandas' own fast reader; below it the csv module, which keeps
# every cell as it was written, is as quick.
_LARGE: Final = 4_000_000
_HEAD_ROWS: Final = 60

_SIGNATURES: Final = {
    b"\x89PNG": "a picture (PNG)",
    b"\xff\xd8\xff": "a picture (JPEG)",
    b"GIF8": "a picture (GIF)",
    b"BM": "a picture (BMP)",
    b"%PDF": "a PDF document",
    b"{\\rtf": "a text document (RTF)",
    b"\x1f\x8b": "a compressed file (gzip)",
}
_WORKBOOKS: Final = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")

Score = Callable[[list[Any]], int]


class NotATable(Exception):
    """A file, or a sheet of it, cannot be read: what was expected, what is there, what to do."""

    def __init__(self, expected: str, found: str, to_do: str) -> None:
        super().__init__(f"expected {expected}; found {found}. {to_do}")
        self.expected, self.found, self.to_do = expected, found, to_do


@dataclass(frozen=True)
class Sheet:
    """
    One sheet of cells.

    Attributes
    ----------
    file, name : str
        The file as the reader knows it, and the sheet's name ("" for CSV).
    columns : list of Coded
        Cells are text, or in a workbook also numbers, dates and times; an empty cell is "".
        Row ``i`` is the row a spreadsheet shows as ``i + 1``.
    merged : list of (first row, last row, column)
        Cells merged downwards, counted from 0.
    separator : str
        What stands between the cells of a CSV file.
    """

    file: str
    name: str
    columns: list[Coded]
    merged: list[tuple[int, int, int]] = field(default_factory=list)
    separator: str = ""

    @property
    def rows(self) -> int:
        """How many rows the sheet has."""
        return len(self.columns[0]) if self.columns else 0

    def row(self, number: int) -> list[Any]:
        """The cells of one row, counted from 0."""
        return [column[number] for column in self.columns]


def read_sheets(path: Path, file: str, data: bytes, score: Score) -> list[Sheet]:
    """
    The sheets of one file.

    Parameters
    ----------
    path, file, data
        Where the file lies, its name in messages, and its bytes.
    score : callable
        How much a row looks like the headings of a table; decides the separator of a CSV file.

    Raises
    ------
    NotATable
        Empty, encrypted, damaged, or no table at all.
    """
    if not data[:100_000].strip(b"\x00 \t\r\n") and not data.strip(b"\x00 \t\r\n"):
        raise NotATable("a table of weights", "an empty file", "Save it again, or take it away")
    for signature, kind in _SIGNATURES.items():
        if data.startswith(signature) and (signature != b"BM" or b"\x00" in data[:64]):
            raise NotATable(
                "a table (CSV, XLSX or ODS)", kind, "Save the numbers as a table, or take it away"
            )
    if data.startswith(_WORKBOOKS):
        return _workbook(file, data)
    return [_csv(path, file, data, score)]


# ---------------------------------------------------------------- workbooks


def _workbook(file: str, data: bytes) -> list[Sheet]:
    import python_calamine as calamine

    expected = "a workbook (XLSX or ODS)"
    try:
        book = calamine.load_workbook(io.BytesIO(data))
        kinds = {sheet.name: sheet.typ for sheet in book.sheets_metadata}
        sheets = [
            _cells_of(file, book.get_sheet_by_name(name))
            for name in book.sheet_names
            if kinds.get(name) == calamine.SheetTypeEnum.WorkSheet
        ]
    except calamine.PasswordError:
        raise NotATable(
            expected, "a workbook locked with a password", "Save it without a password"
        ) from None
    except calamine.CalamineError as fault:
        # encrypted workbooks of some makers only show as a wrapper without a workbook inside
        locked = b"E\x00n\x00c\x00r\x00y\x00p\x00t" in data
        found = "a workbook locked with a password" if locked else f"a damaged file ({fault})"
        to_do = "Save it without a password" if locked else "Open it and save it again"
        raise NotATable(expected, found, to_do) from None
    filled = [sheet for sheet in sheets if sheet.columns]
    if not filled:
        raise NotATable(expected, "a workbook with nothing in it", "Fill it, or take it away")
    return filled


def _cells_of(file: str, sheet: Any) -> Sheet:
    rows = [[_cell(cell) for cell in row] for row in sheet.to_python(skip_empty_area=False)]
    width = max(map(len, rows), default=0)
    columns = [Coded.of(row[place] if place < len(row) else "" for row in rows)
               for place in range(width)]  # fmt: skip
    down = [
        (top[0], bottom[0], top[1])
        for top, bottom in sheet.merged_cell_ranges or []
        if bottom[0] > top[0]
    ]
    if all(not any(map(_filled, column.values)) for column in columns):
        columns = []
    return Sheet(file, sheet.name, columns, down)


def _filled(cell: object) -> bool:
    return not (isinstance(cell, str) and cell == "")


def _cell(cell: Any) -> Any:
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, int | float):
        # a spreadsheet shows 118.3 where it holds 118.30000000000001
        return float(f"{cell:.12g}")
    if isinstance(cell, dt.datetime):
        return cell.replace(tzinfo=None)
    if isinstance(cell, dt.date):
        return dt.datetime(cell.year, cell.month, cell.day)
    if isinstance(cell, dt.timedelta):
        return (dt.datetime.min + cell).time() if dt.timedelta(0) <= cell else ""
    if isinstance(cell, dt.time):
        return cell
    return "" if cell is None else str(cell).strip()


def cell_text(cell: Any) -> str:
    """A cell as it reads: ``118.0`` as "118", a date as year-month-day."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, float):
        return f"{cell:.12g}"
    if isinstance(cell, dt.datetime):
        midnight = cell.time() == dt.time(0)
        return cell.date().isoformat() if midnight else cell.isoformat(" ")
    return str(cell)


# ---------------------------------------------------------------- CSV


def _csv(path: Path, file: str, data: bytes, score: Score) -> Sheet:
    # a large file is only looked into here; the fast reader finds out whether all of it is sound
    beginning = data if len(data) < _LARGE else data[: data.rfind(b"\n", 0, 20_000) + 1]
    if beginning and (sheet := _plain(path, file, data, beginning, score)):
        return sheet
    text = _text(data)
    separator = _separator(text[:200_000], score)
    rows = _rows(text, separator)
    width = max(map(len, rows), default=0)
    columns = list(itertools.zip_longest(*rows, fillvalue="")) if rows else []
    assert len(columns) == width
    return Sheet(
        file,
        "",
        [Coded.of(cell.strip() for cell in column) for column in columns],
        separator=separator,
    )


def codec_of(data: bytes) -> str:
    """How the text of a file is written down, without its mark."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16-le" if data.startswith(b"\xff\xfe") else "utf-16-be"
    if b"\x00" in data[:400]:
        # UTF-16 without its mark: the zero bytes of plain letters lie on one side
        zeros = np.frombuffer(data[:400], np.uint8) == 0
        return "utf-16-le" if zeros[1::2].mean() > zeros[::2].mean() else "utf-16-be"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _text(data: bytes) -> str:
    text = data.decode(codec_of(data), errors="replace").removeprefix("\ufeff")
    head = text[:4000]
    strange = sum(not (char.isprintable() or char.isspace()) for char in head)
    if strange > 0.02 * len(head) or head.count("�") > 0.02 * len(head):
        raise NotATable(
            "a table (CSV, XLSX or ODS)",
            "bytes that are not text",
            "Save the numbers as a table, or take it away",
        )
    return text


def _separator(head: str, score: Score) -> str:
    named = re.match(r"\s*sep=(.)\s*\n", head)
    if named:
        return named[1]
    marks = ";\t,"
    rated = {}
    for mark in marks:
        rows = _rows(head, mark)[:_HEAD_ROWS]
        widths = [len(row) for row in rows if any(row)]
        scores = [score(row) for row in rows]
        best = max(scores, default=0)
        top = scores.index(best) if scores else 0
        wider = sum(len(row) > len(rows[top]) for row in rows[top + 1 :])
        # the most headings known; then no rows wider than the headings (the comma may be decimal);
        # then the steadiest width; then the order of `marks`
        steady = max(map(widths.count, widths), default=0) if max(widths, default=0) > 1 else 0
        rated[mark] = (best, -wider, steady)
    return max(marks, key=lambda mark: rated[mark])


def _rows(text: str, separator: str) -> list[list[str]]:
    csv.field_size_limit(1 << 30)
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    if any(_swallowed(cell, separator, len(row)) for row in rows for cell in row if "\n" in cell):
        # a quote mark that was opened and never closed would hide the lines that follow it
        rows = list(
            csv.reader(io.StringIO(text, newline=""), delimiter=separator, quoting=csv.QUOTE_NONE)
        )
    if rows and re.fullmatch(r"sep=.?", separator.join(rows[0]).strip()):
        rows[0] = []
    return rows


def _swallowed(cell: str, separator: str, width: int) -> bool:
    lines = cell.splitlines()[1:]
    return len(lines) >= 1 and any(line.count(separator) + 1 >= max(2, width - 1) for line in lines)


def _plain(path: Path, file: str, data: bytes, beginning: bytes, score: Score) -> Sheet | None:
    """
    A large file of one plain table, by pandas' own fast reader; None where it would lose a thing.

    What it could lose: which digits were printed (``1.200``), leading zeros of names, the
    difference between an empty cell and a word for nothing, rows wider than the heading.
    """
    if len(data) < _LARGE or data.startswith((b"\xff\xfe", b"\xfe\xff")) or b'"' in data:
        return None
    try:
        head = beginning.decode("utf-8-sig")
    except UnicodeDecodeError:
        return None
    separator = _separator(head, score)
    rows = _rows(head, separator)
    if len(rows) < 3 or score(rows[0]) < 1 or len({len(row) for row in rows}) != 1:
        return None
    names = list(range(len(rows[0])))
    looks = [[row[place] for row in rows[1:]] for place in names]
    numeric = [all(_PRINTED.fullmatch(cell) for cell in cells) for cells in looks]
    # a number column counts as one only where its own beginning shows the point to be decimal
    decimal = [
        number and any(_POINT.fullmatch(cell) for cell in cells)
        for number, cells in zip(numeric, looks, strict=True)
    ]
    if not any(decimal):
        return None
    kinds = {place: str for place in names if numeric[place] and not decimal[place]}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            frame = pd.read_csv(
                path, sep=separator, header=0, names=names, dtype=kinds, keep_default_na=False,
                na_values=[], skip_blank_lines=False, encoding="utf-8",
            )  # fmt: skip
    except (pd.errors.ParserError, pd.errors.ParserWarning, UnicodeDecodeError, ValueError):
        return None
    if not isinstance(frame.index, pd.RangeIndex):
        return None
    columns: list[Coded] = []
    for place in names:
        series, top = frame[place], rows[0][place].strip()
        if decimal[place]:
            if series.dtype != np.float64 or not np.isfinite(series.to_numpy()).all():
                return None
            codes, values = pd.factorize(series.to_numpy())
            cells: list[Any] = values.tolist()
        elif pd.api.types.is_numeric_dtype(series.dtype):
            return None
        elif _mostly_differ(looks[place]) and (stamps := _stamps(series, looks[place])) is not None:
            columns.append(Stamps(np.arange(len(stamps)), [top], stamps))
            continue
        else:
            codes, texts = pd.factorize(series)
            cells = [text.strip() for text in texts]
        columns.append(Coded(np.append(len(cells), codes).astype(np.intp), [*cells, top]))
    return Sheet(file, "", columns, separator=separator)


_PRINTED = re.compile(r"\s*\d+(\.\d+)?\s*")
_POINT = re.compile(r"\s*(\d+\.(\d{1,2}|\d{4,})|0\.\d+|\d{4,}\.\d+)\s*")
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}(?:[ T]\d{2}:\d{2}(?::\d{2})?)?")


def _mostly_differ(cells: list[str]) -> bool:
    return len(set(cells)) > len(cells) / 2


def _stamps(texts: pd.Series, looks: list[str]) -> np.ndarray | None:
    """Year-month-day dates under a heading (NaT there); None where any is written otherwise."""
    if not all(_ISO.fullmatch(text) for text in looks):
        return None
    try:
        if getattr(texts.dtype, "storage", "") == "pyarrow":
            # what keeps the texts also reads them, several times as fast
            stamps = texts.astype("timestamp[ns][pyarrow]").to_numpy("datetime64[ns]")
        elif texts.str.len().min() >= 10:
            stamps = pd.to_datetime(texts, format="ISO8601", cache=False).to_numpy("datetime64[ns]")
        else:
            return None
    except ValueError:
        return None
    return np.append(np.datetime64("NaT", "ns"), stamps)
