"""A table written down for others: as CSV and as a workbook, every cell kept as what it is."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

# How a cell begins that a spreadsheet may take for a formula. From memory: the advice of the Open
# Worldwide Application Security Project on CSV injection names these, wide forms and line ends too,
# and warns of what follows a separator: where the comma is decimal, spreadsheets split at ";".
FORMULA: Final = "=+-@\uff1d\uff0b\uff0d\uff20"
AS_TEXT: Final = "'"
_UNSEEN: Final = " \xa0\u200b\ufeff"
_BEGINS: Final = re.compile(
    rf"^[{_UNSEEN}]*(?=[{re.escape(FORMULA)}{AS_TEXT}\t\r\n])"
    rf"|[;\t\r\n][{_UNSEEN}]*(?=[{re.escape(FORMULA)}{AS_TEXT}])"
)
_OLDEST: Final = dt.datetime(1900, 3, 1)  # a workbook's days before it are off by one, or missing
_WHOLE: Final = 2**53  # beyond it a workbook's numbers skip some
LONGEST: Final = 32_767  # characters in a cell of a workbook
_CUT: Final = " ... (cut)"
ROWS: Final = 1_048_576
_STRANGE: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")  # not allowed in XML 1.0


def csv_bytes(table: pd.DataFrame) -> bytes:
    """
    A table as CSV (RFC 4180): UTF-8, numbers by the shortest digits that read back the same.

    A text that a spreadsheet could take for a formula gets an apostrophe: before ``= + - @`` (also
    in their wide forms) or an apostrophe at the beginning or after ``;``, a tab or a line end, and
    before a tab or a line end at the beginning, each time spaces aside. Take the first apostrophe
    off at these places to have the text again. Numbers are written as they are. Dates are ISO, with
    a time where there is one; missing is empty.

    Examples
    --------
    >>> csv_bytes(pd.DataFrame({"note": ["=1+1", "light"], "net_g": [-2.5, 0.1]})).splitlines()
    [b'note,net_g', b"'=1+1,-2.5", b'light,0.1']
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([_text(str(name)) for name in table.columns])
    columns = [_column(table.iloc[:, place]) for place in range(table.shape[1])]
    writer.writerows(zip(*columns, strict=True) if columns else [])
    return out.getvalue().encode("utf-8", "backslashreplace")


def workbook(tables: Mapping[str, pd.DataFrame], path: Path, created: dt.datetime) -> None:
    """
    Tables as the sheets of one XLSX workbook, every text a text: no formulas, no links.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        By the name of the sheet, at most 31 characters.
    path : Path
    created : datetime
        Written into the file; with the same, the same tables make the same bytes.

    Raises
    ------
    ValueError
        A table with more rows than a sheet holds.
    """
    import xlsxwriter

    plain = {
        "constant_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "default_date_format": "yyyy-mm-dd hh:mm",
    }
    for name, table in tables.items():
        if len(table) >= ROWS:
            raise ValueError(
                f"{name} has {len(table)} rows, more than a sheet of a workbook holds; choose a "
                "shorter period, or fewer batches"
            )
    with xlsxwriter.Workbook(path, plain) as book:
        book.set_properties({"created": created.replace(tzinfo=None)})
        head = book.add_format({"bold": True})
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        for name, table in tables.items():
            sheet = book.add_worksheet(name)
            sheet.freeze_panes(1, 0)
            for place, column in enumerate(table.columns):
                sheet.write_string(0, place, _shown(str(column)), head)
            columns = [
                list(map(_cell, table.iloc[:, place].tolist())) for place in range(table.shape[1])
            ]
            write = sheet.write_string, sheet.write_number
            for number, row in enumerate(zip(*columns, strict=True), 1):
                for place, cell in enumerate(row):
                    kind = type(cell)
                    if kind is str:
                        if cell:
                            write[0](number, place, cell)
                    elif kind is float or kind is int:
                        write[1](number, place, cell)
                    elif kind is bool:
                        sheet.write_boolean(number, place, cell)
                    elif cell is not None:
                        whole = cell.time() == dt.time()
                        sheet.write_datetime(number, place, cell, day if whole else None)


def _text(text: str) -> str:
    return _BEGINS.sub(rf"\g<0>{AS_TEXT}", text)


def _column(column: pd.Series[Any]) -> list[str]:
    """A column as texts."""
    kind = column.dtype
    if isinstance(kind, np.dtype) and kind.kind == "f":
        return ["" if value != value else repr(value) for value in column.tolist()]
    if isinstance(kind, np.dtype) and kind.kind in "iub":
        return [str(value) for value in column.tolist()]
    told: dict[Any, str] = {}
    return [_kept(value, told) for value in column.tolist()]


def _kept(value: Any, told: dict[Any, str]) -> str:
    """One cell as text, worked out once for each value of a column."""
    key = (type(value), value)
    if key not in told:
        told[key] = _one(value)
    return told[key]


def _one(value: Any) -> str:
    if isinstance(value, str):
        return _text(value)
    if value is None or pd.isna(value):
        return ""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, dt.datetime):
        moment = pd.Timestamp(value)
        midnight = moment == moment.normalize() and moment.tz is None
        return f"{moment:%Y-%m-%d}" if midnight else moment.isoformat(sep=" ")
    if isinstance(value, float):
        return repr(value)
    return str(value) if isinstance(value, int) else _text(str(value))


def _cell(value: Any) -> Any:
    """A cell as a workbook holds it: text, number, yes or no, day, or None."""
    if isinstance(value, str):
        return _shown(value)
    if value is None or pd.isna(value):
        return None
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, bool):
        return value
    if isinstance(value, float):
        return value if abs(value) < float("inf") else str(value)
    if isinstance(value, int):
        return value if abs(value) <= _WHOLE else str(value)
    if isinstance(value, dt.date):
        moment = pd.Timestamp(value)
        if moment.tz is None and moment >= _OLDEST:
            return moment.to_pydatetime(warn=False)
    return _shown(_one(value).removeprefix(AS_TEXT))


def _shown(text: str) -> str:
    """A text that a workbook can hold: no characters XML lacks, no longer than a cell."""
    clean = _STRANGE.sub(lambda found: f"\\x{ord(found[0]):02x}", text)
    clean = clean.encode("utf-8", "backslashreplace").decode("utf-8")
    if len(clean) <= LONGEST // 2:
        return clean
    units = clean.encode("utf-16-le")  # what a workbook counts: a picture sign is two
    if len(units) <= 2 * LONGEST:
        return clean
    return units[: 2 * (LONGEST - len(_CUT))].decode("utf-16-le", "ignore") + _CUT
