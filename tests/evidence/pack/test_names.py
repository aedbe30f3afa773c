"""Names left out: everywhere as words, nowhere inside codes, and the weighings stay the same."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pandas as pd
import pytest

import qa_tools as qa
from qa_tools.evidence.pack.names import aliases, redacted
from qa_tools.readings.tables import codec_of

ALIAS = {"MH": "person 1", "Ann": "person 2", "Ann Lee": "person 3", "J. (Jo)": "person 4",
         "Zoë": "person 5"}  # fmt: skip


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("MH", "person 1"),
        ("tell MH, or MH's mate", "tell person 1, or person 1's mate"),
        ("MH-12 and RMH and MHX and MH_1 and x-MH", "MH-12 and RMH and MHX and MH_1 and x-MH"),
        ("Ann Lee, Ann, Anna", "person 3, person 2, Anna"),
        ("by J. (Jo);Zoë", "by person 4;person 5"),
        ("mh", "mh"),
    ],
)
def test_a_name_goes_only_as_a_word_of_its_own(text: str, expected: str) -> None:
    assert redacted(text.encode(), "a.csv", ALIAS).decode() == expected


@pytest.mark.parametrize("codec", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_encoding_and_separators_stay(codec: str) -> None:
    text = 'by;note\r\nMH;"größer; sagt Zoë"\r\n'
    data = text.encode(codec)
    new = redacted(data, "a.csv", ALIAS)
    assert new.decode(codec) == 'by;note\r\nperson 1;"größer; sagt person 5"\r\n'
    assert codec_of(new) == codec_of(data)
    assert (new[:3] == data[:3]) or codec == "cp1252"


def demo_as_workbook(demo: qa.Works, path: Path) -> None:
    """A works as one workbook, with a name in bold within a text, a comment, and an author."""
    import xlsxwriter

    with xlsxwriter.Workbook(path) as book:
        book.set_properties({"author": "MH", "company": "MH and LT"})
        bold = book.add_format({"bold": True})
        sheet = book.add_worksheet("oct")
        rows = [["batch", "weight (g)", "by", "note"], ["RS-1", 250.1, "MH", "LT looked on"],
                ["RS-1", 251.2, "LT", "=no"], ["MH-12", 249.9, "MH", ""]]  # fmt: skip
        for number, row in enumerate(rows):
            for place, cell in enumerate(row):
                if isinstance(cell, str):
                    sheet.write_string(number, place, cell)
                else:
                    sheet.write_number(number, place, cell)
        sheet.write_rich_string(3, 3, "seen by M", bold, "H", " again")
        sheet.write_comment(1, 1, "MH: looks low", {"author": "MH"})
        actions = book.add_worksheet("actions")
        for number, row in enumerate([["what", "by", "reason"], ["note", "LT", "told MH"]]):
            actions.write_row(number, 0, row)


def test_a_workbook_reads_the_same_but_for_names(demo_works: qa.Works, tmp_path: Path) -> None:
    path = tmp_path / "works.xlsx"
    demo_as_workbook(demo_works, path)
    works = qa.read_works(path)
    alias = aliases(works)
    assert alias == {"LT": "person 1", "MH": "person 2"}
    data = redacted(path.read_bytes(), path.name, alias)
    (tmp_path / "copy").mkdir()
    (tmp_path / "copy" / "works.xlsx").write_bytes(data)
    again = qa.read_works(tmp_path / "copy" / "works.xlsx")
    before, after = works.weighings.table, again.weighings.table
    same = [name for name in before if name not in ("by", "note")]
    pd.testing.assert_frame_equal(before[same], after[same])
    assert after["by"].tolist() == ["person 2", "person 1", "person 2"]
    assert after["note"].tolist() == ["person 1 looked on", "=no", "seen by person 2 again"]
    assert again.actions["reason"].tolist() == ["told person 2"]
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        everything = b"".join(archive.read(name) for name in archive.namelist())
    assert b">MH<" not in everything and b"MH:" not in everything and b'"MH"' not in everything
    assert b"MH-12" in everything
    assert data == redacted(path.read_bytes(), path.name, alias)


ODS = """<?xml version="1.0" encoding="UTF-8"?>
<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"
 xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0"
 xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" office:version="1.2">
<office:body><office:spreadsheet><table:table table:name="oct">{rows}</table:table>
</office:spreadsheet></office:body></office:document-content>"""


def an_ods(path: Path) -> None:
    def cell(content: str) -> str:
        return (
            '<table:table-cell office:value-type="string">'
            f"<text:p>{content}</text:p></table:table-cell>"
        )

    rows = "".join(
        f"<table:table-row>{''.join(map(cell, row))}</table:table-row>"
        for row in (
            ["batch", "weight (g)", "by", "note"],
            ["OH-1", "118.4", "MH", "told <text:span>M</text:span>H"],
            ["OH-1", "119.4", "LT", "fine"],
        )
    )
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", ODS.format(rows=rows))
        archive.writestr("meta.xml", '<m xmlns:dc="x"><dc:creator>MH</dc:creator></m>')
        archive.writestr(
            "META-INF/manifest.xml",
            "<manifest:manifest "
            'xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
            '<manifest:file-entry manifest:full-path="/" '
            'manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/>'
            "</manifest:manifest>",
        )


def test_an_ods_sheet(tmp_path: Path) -> None:
    an_ods(tmp_path / "oct.ods")
    works = qa.read_works(tmp_path / "oct.ods")
    data = redacted((tmp_path / "oct.ods").read_bytes(), "oct.ods", aliases(works))
    (tmp_path / "copy").mkdir()
    (tmp_path / "copy" / "oct.ods").write_bytes(data)
    after = qa.read_works(tmp_path / "copy" / "oct.ods").weighings.table
    assert after["by"].tolist() == ["person 2", "person 1"]
    assert after["note"].tolist() == ["told person 2", "fine"]
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert b"MH" not in b"".join(archive.read(name) for name in archive.namelist())


def test_what_cannot_be_done_is_refused_with_what_to_do() -> None:
    with pytest.raises(ValueError, match="save it as XLSX or CSV"):
        redacted(b"\xd0\xcf", "old.xls", ALIAS)
    with pytest.raises(ValueError, match='the name "MH" stands in the name of the file'):
        redacted(b"a", "weights/by MH.csv", ALIAS)
    assert redacted(b"MH", "a.csv", {}) == b"MH"


@pytest.mark.parametrize("name", ["kept", "Batch", "OH-1", "12", "S1"])
def test_a_name_that_is_another_word_too_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "oct.csv").write_text(f"batch,weight,by,scale\nOH-1,118.4,{name},S1\n")
    (tmp_path / "scales.csv").write_text("scale,d\nS1,0.1\n")
    with pytest.raises(ValueError, match="cannot be left out"):
        aliases(qa.read_works(tmp_path))


def test_the_demo_loses_every_name_and_no_weighing(demo_works: qa.Works, tmp_path: Path) -> None:
    alias = aliases(demo_works)
    assert {"LT", "MH", "PR"} <= set(alias) and any(one.startswith("shop") for one in alias)
    for name in demo_works.files["file"]:
        path = tmp_path / str(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(redacted((demo_works.folder / name).read_bytes(), name, alias))
    again = qa.read_works(tmp_path)
    same = [name for name in demo_works.weighings.table if name not in ("by", "note")]
    pd.testing.assert_frame_equal(demo_works.weighings.table[same], again.weighings.table[same])
    assert set(again.weighings.table["by"]) <= {*alias.values(), ""}
    assert not set(again.dispatch["customer"]) & set(alias)
