"""A workbook written anew from its cells alone: what else a workbook may hold stays behind."""

from __future__ import annotations

import datetime as dt
import html
import io
import re
import zipfile
from collections.abc import Callable, Iterator
from typing import Any, Final, NamedTuple

_ODS: Final = "application/vnd.oasis.opendocument.spreadsheet"
_STAMP: Final = (1980, 1, 1, 0, 0, 0)
_CREATED: Final = dt.datetime(2000, 1, 1)  # the same cells make the same bytes
_PLAIN_MAIN: Final = b"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"
_MACRO_MAIN: Final = b"application/vnd.ms-excel.sheet.macroEnabled.main+xml"

Change = Callable[[str], str]


class _Sheet(NamedTuple):
    name: str
    rows: list[list[Any]]
    merged: list[tuple[tuple[int, int], tuple[int, int]]]


def rewritten(data: bytes, path: str, change: Change) -> bytes:
    """
    A workbook with the same cells, each text of them and each name of a sheet changed.

    Parameters
    ----------
    data : bytes
        XLSX, XLSM or ODS.
    path : str
        Its name, for messages and for its ending.
    change : callable
        From a text to the text that is to stand for it.

    Returns
    -------
    bytes
        The values that the sheets show, where they stood, dates as dates, cells merged as they
        were. Formulas, comments, pictures, macros, links, hidden lists of choices, and who made or
        saved it are not in it.

    Raises
    ------
    ValueError
        It is of another kind (XLS, XLSB), cannot be opened, or a sheet cannot bear its new name.
    """
    import python_calamine as calamine

    names = _members(data, path)
    try:
        book = calamine.load_workbook(io.BytesIO(data))
        sheets = [
            _Sheet(
                change(about.name),
                book.get_sheet_by_name(about.name).to_python(skip_empty_area=False),
                book.get_sheet_by_name(about.name).merged_cell_ranges or [],
            )
            for about in book.sheets_metadata
            if about.typ == calamine.SheetTypeEnum.WorkSheet
        ]
    except calamine.CalamineError as fault:
        raise ValueError(f"{path} cannot be opened ({fault}); open it and save it again") from None
    if "content.xml" in names:
        return _ods(sheets, change)
    try:
        plain = _xlsx(sheets, change)
    except ValueError as fault:  # a sheet's new name is too long, or the name of another
        raise ValueError(f"{path} cannot be copied: {fault}; name its sheets otherwise") from None
    return _with_ending_of_macros(plain) if path.casefold().endswith(".xlsm") else plain


def _members(data: bytes, path: str) -> set[str]:
    names: set[str] = set()
    if zipfile.is_zipfile(io.BytesIO(data)):
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = set(archive.namelist())
    if not names & {"content.xml", "xl/workbook.xml"}:
        ending = path.rsplit(".", 1)[-1].upper()
        raise ValueError(
            f"{path}: names cannot be left out of this kind of workbook ({ending}); save it as "
            "XLSX or CSV"
        )
    return names


# ---------------------------------------------------------------- XLSX


def _xlsx(sheets: list[_Sheet], change: Change) -> bytes:
    import xlsxwriter
    from xlsxwriter.exceptions import XlsxWriterException

    out = io.BytesIO()
    try:
        with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
            book.set_properties({"created": _CREATED})
            form = {
                dt.datetime: book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"}),
                dt.date: book.add_format({"num_format": "yyyy-mm-dd"}),
                dt.time: book.add_format({"num_format": "hh:mm:ss"}),
                dt.timedelta: book.add_format({"num_format": "[h]:mm:ss"}),
            }
            for name, rows, merged in sheets:
                sheet = book.add_worksheet(name)
                for top, bottom in merged:
                    sheet.merge_range(*top, *bottom, "")
                for number, row in enumerate(rows):
                    for place, cell in enumerate(row):
                        if isinstance(cell, str):
                            if cell:
                                sheet.write_string(number, place, change(cell))
                        elif isinstance(cell, bool):
                            sheet.write_boolean(number, place, cell)
                        elif isinstance(cell, int | float):
                            sheet.write_number(number, place, cell)
                        elif cell is not None:
                            sheet.write_datetime(number, place, cell, form[type(cell)])
    except XlsxWriterException as fault:
        raise ValueError(str(fault)) from None
    return out.getvalue()


def _with_ending_of_macros(data: bytes) -> bytes:
    """The same, said to be of the kind that may hold macros, as its ending says: it holds none."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for entry in old.infolist():
            content = old.read(entry)
            if entry.filename == "[Content_Types].xml":
                content = content.replace(_PLAIN_MAIN, _MACRO_MAIN)
            new.writestr(zipfile.ZipInfo(entry.filename, _STAMP), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


# ---------------------------------------------------------------- ODS

_SPACES: Final = re.compile(r"^ | $| {2,}")
_MANIFEST: Final = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<manifest:manifest manifest:version="1.2" '
    'xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
    f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{_ODS}"/>'
    '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/>'
    "</manifest:manifest>"
)
_SPOKEN: Final = {
    "office": "office:1.0", "table": "table:1.0", "text": "text:1.0",
}  # fmt: skip


def _ods(sheets: list[_Sheet], change: Change) -> bytes:
    spaces = " ".join(
        f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{long}"'
        for short, long in _SPOKEN.items()
    )
    content = "".join(
        [
            f'<?xml version="1.0" encoding="UTF-8"?>\n<office:document-content {spaces} '
            'office:version="1.2"><office:body><office:spreadsheet>',
            *(part for sheet in sheets for part in _ods_table(sheet, change)),
            "</office:spreadsheet></office:body></office:document-content>",
        ]
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, text, way in (
            ("mimetype", _ODS, zipfile.ZIP_STORED),  # first and not packed, as the standard asks
            ("content.xml", content, zipfile.ZIP_DEFLATED),
            ("META-INF/manifest.xml", _MANIFEST, zipfile.ZIP_DEFLATED),
        ):
            archive.writestr(zipfile.ZipInfo(name, _STAMP), text.encode(), way)
    return out.getvalue()


def _ods_table(sheet: _Sheet, change: Change) -> Iterator[str]:
    yield f'<table:table table:name="{html.escape(sheet.name)}">'
    for row in sheet.rows:
        yield "<table:table-row>"
        for cell in row:
            yield _ods_cell(cell, change)
        yield "</table:table-row>"
    yield "</table:table>"


def _ods_cell(cell: Any, change: Change) -> str:
    kind, shown = "", ""
    if isinstance(cell, str):
        if cell:
            kind = ' office:value-type="string"'
            shown = "".join(
                f"<text:p>{_ods_text(one)}</text:p>" for one in change(cell).split("\n")
            )
    elif isinstance(cell, bool):
        kind = f' office:value-type="boolean" office:boolean-value="{str(cell).lower()}"'
    elif isinstance(cell, int | float):
        kind = f' office:value-type="float" office:value="{cell!r}"'
    elif isinstance(cell, dt.date):  # also a day with a time
        kind = f' office:value-type="date" office:date-value="{cell.isoformat()}"'
    elif isinstance(cell, dt.time | dt.timedelta):
        kind = f' office:value-type="time" office:time-value="{_length(cell)}"'
    return f"<table:table-cell{kind}>{shown}</table:table-cell>"


def _ods_text(text: str) -> str:
    return _SPACES.sub(
        lambda found: f'<text:s text:c="{len(found[0])}"/>', html.escape(text, quote=False)
    )


def _length(cell: dt.time | dt.timedelta) -> str:
    """A time of day or a length of time, as ISO 8601 writes a duration."""
    if isinstance(cell, dt.time):
        cell = dt.timedelta(hours=cell.hour, minutes=cell.minute, seconds=cell.second,
                            microseconds=cell.microsecond)  # fmt: skip
    minutes, seconds = divmod(cell.seconds, 60)
    hours, minutes = divmod(minutes, 60)
    part = f".{cell.microseconds:06d}" if cell.microseconds else ""
    return f"PT{24 * cell.days + hours:02d}H{minutes:02d}M{seconds:02d}{part}S"
