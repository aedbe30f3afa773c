"""Each kind of file, in each encoding, gives the same cells; what is no table says so."""

import datetime as dt
import io
import struct
import zipfile
from pathlib import Path

import pytest
import xlsxwriter

from qa_tools.readings.tables import NotATable, Sheet, read_sheets
from qa_tools.readings.tops import heading_score


def sheets_of(path: Path, data: bytes) -> list[Sheet]:
    path.write_bytes(data)
    return read_sheets(path, path.name, data, heading_score)


def cells(sheet: Sheet) -> list[list[object]]:
    return [sheet.row(number) for number in range(sheet.rows)]


ROWS = [["batch", "weight", "note"], ["Q-1", "118,4", "schön; gut"], ["Q-2", "119,0", ""]]


@pytest.mark.parametrize("separator", [";", "\t", ","])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_csv_in_every_dress(tmp_path: Path, separator: str, encoding: str) -> None:
    text = "\n".join(
        separator.join(f'"{cell}"' if "," in cell or ";" in cell else cell for cell in row)
        for row in ROWS
    )
    (sheet,) = sheets_of(tmp_path / "oct.csv", text.encode(encoding))
    assert cells(sheet) == ROWS


def test_a_list_of_decimal_commas_is_not_cut_in_two(tmp_path: Path) -> None:
    (sheet,) = sheets_of(tmp_path / "list.csv", b"Weight\n121,4\n120,9\n")
    assert cells(sheet) == [["Weight"], ["121,4"], ["120,9"]]


def test_excel_names_the_separator_in_the_first_line(tmp_path: Path) -> None:
    (sheet,) = sheets_of(tmp_path / "oct.csv", b"sep=;\nbatch;weight\nQ-1;118,4\n")
    assert sheet.row(2) == ["Q-1", "118,4"]


def test_an_open_quote_swallows_no_rows(tmp_path: Path) -> None:
    text = 'batch,weight,note\nQ-1,118.4,"chipped\nQ-1,119.0,\nQ-1,119.2,"\nQ-1,119.4,\n'
    (sheet,) = sheets_of(tmp_path / "oct.csv", text.encode())
    assert [row[1] for row in cells(sheet)[1:]] == ["118.4", "119.0", "119.2", "119.4"]


def test_a_line_break_in_a_note_stays_in_its_cell(tmp_path: Path) -> None:
    (sheet,) = sheets_of(tmp_path / "oct.csv", b'batch,weight,note\nQ-1,118.4,"fell\nagain"\n')
    assert sheet.row(1) == ["Q-1", "118.4", "fell\nagain"]


def test_rows_are_counted_as_a_spreadsheet_does(tmp_path: Path) -> None:
    (sheet,) = sheets_of(tmp_path / "oct.csv", b"\n\nbatch,weight\n\nQ-1,118.4\n")
    assert sheet.row(4) == ["Q-1", "118.4"]


def workbook(**cells_of: list[list[object]]) -> bytes:
    memory = io.BytesIO()
    book = xlsxwriter.Workbook(memory, {"in_memory": True})
    day = book.add_format({"num_format": "dd/mm/yyyy"})
    for name, rows in cells_of.items():
        sheet = book.add_worksheet(name)
        for number, row in enumerate(rows):
            for place, cell in enumerate(row):
                if isinstance(cell, dt.datetime):
                    sheet.write_datetime(number, place, cell, day)
                else:
                    sheet.write(number, place, cell)
    book.close()
    return memory.getvalue()


def test_workbook_numbers_are_read_as_shown(tmp_path: Path) -> None:
    data = workbook(Oct=[["batch", "weight", "when"], [412, 118.30000000000001, dt.datetime(2026, 10, 2)]])  # fmt: skip # noqa: E501
    (sheet,) = sheets_of(tmp_path / "oct.xlsx", data)
    assert sheet.name == "Oct"
    assert sheet.row(1) == [412.0, 118.3, dt.datetime(2026, 10, 2)]


def test_a_workbook_is_one_whatever_its_ending(tmp_path: Path) -> None:
    (sheet,) = sheets_of(tmp_path / "oct.csv", workbook(Oct=[["weight"], [118.3]]))
    assert sheet.row(1) == [118.3]


ODS = """<?xml version="1.0" encoding="UTF-8"?>
<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"
  xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0"
 xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" office:version="1.2">
<office:automatic-styles/><office:body>
<office:spreadsheet><table:table table:name="Jars"><table:table-row>
<table:table-cell office:value-type="string"><text:p>batch</text:p></table:table-cell>
<table:table-cell office:value-type="string"><text:p>weight</text:p></table:table-cell>
</table:table-row><table:table-row>
<table:table-cell office:value-type="string"><text:p>RS-1</text:p></table:table-cell>
<table:table-cell office:value-type="float" office:value="250.1"><text:p>250,1</text:p>
</table:table-cell></table:table-row></table:table></office:spreadsheet></office:body>
</office:document-content>"""


def test_ods(tmp_path: Path) -> None:
    memory = io.BytesIO()
    with zipfile.ZipFile(memory, "w") as pack:
        pack.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        pack.writestr("content.xml", ODS.replace("\n", ""))
        pack.writestr(
            "META-INF/manifest.xml",
            '<?xml version="1.0"?><manifest:manifest xmlns:manifest="urn:oasis:names:tc:'
            'opendocument:xmlns:manifest:1.0"><manifest:file-entry manifest:full-path="/" '
            'manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/>'
            "</manifest:manifest>",
        )
    (sheet,) = sheets_of(tmp_path / "jars.ods", memory.getvalue())
    assert (sheet.name, sheet.row(1)) == ("Jars", ["RS-1", 250.1])


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"", "an empty file"),
        (b" \r\n\t\n", "an empty file"),
        (b"\x89PNG\r\n\x1a\n" + bytes(300), "a picture"),
        (b"\xff\xd8\xff\xe0" + bytes(300), "a picture"),
        (b"%PDF-1.7\n", "a PDF document"),
        (b"PK\x03\x04 not a workbook", "a damaged file"),
        (struct.pack("<8s", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1") + bytes(600), "a damaged file"),
        (
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + "EncryptedPackage".encode("utf-16-le") * 40,
            "locked with a password",
        ),
        (bytes(range(1, 32)) * 40, "not text"),
    ],
)
def test_what_is_no_table_says_what_it_is(tmp_path: Path, data: bytes, found: str) -> None:
    with pytest.raises(NotATable) as fault:
        sheets_of(tmp_path / "oct.csv", data)
    assert found in fault.value.found
    assert fault.value.to_do


def test_a_large_plain_file_reads_as_a_small_one(tmp_path: Path) -> None:
    """The fast reader and the careful one give the same cells."""
    lines = ["batch,when,weight"]
    lines += [
        f"Q-{n // 100:05d},2026-{n % 12 + 1:02d}-{n % 28 + 1:02d} 08:{n % 60:02d},"
        f"{118 + n % 40 / 10:.1f}"
        for n in range(200_000)
    ]
    large = "\n".join(lines).encode()
    assert len(large) > 4_000_000
    (fast,) = sheets_of(tmp_path / "large.csv", large)
    few = 5000
    (careful,) = sheets_of(tmp_path / "small.csv", "\n".join(lines[:few]).encode())
    assert fast.rows == len(lines)
    for number in (0, 1, 2, few - 1):
        seen = [float(c) if i == 2 and number else str(c)[:16] for i, c in
                enumerate(fast.row(number))]  # fmt: skip
        expected = [float(c) if i == 2 and number else c for i, c in
                    enumerate(careful.row(number))]  # fmt: skip
        assert seen == expected


@pytest.mark.parametrize(
    "last",
    ["Q-1,2026-10-01,1.200,extra", "Q-1,2026-10-01,broken", "Q-1,2026-10-01,", "0412,,118,4"],
)
def test_the_fast_reader_leaves_what_it_would_lose(tmp_path: Path, last: str) -> None:
    text = "batch,when,weight\n" + "Q-1,2026-10-01,118.4\n" * 200_000 + last
    (sheet,) = sheets_of(tmp_path / "large.csv", text.encode())
    assert [cell for cell in sheet.row(sheet.rows - 1) if cell] == [c for c in last.split(",") if c]
