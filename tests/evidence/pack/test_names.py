"""Names left out: everywhere as words, nowhere inside codes, and the weighings stay the same."""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import qa_tools as qa
from qa_tools.evidence.pack.names import aliases, redacted, same_but_for_names
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
        ("light -MH; -MH-", "light -person 1; -person 1-"),
        ("MH-Ann, MH-Anna, Ann-12", "person 1-person 2, MH-Anna, Ann-12"),
        ("Ann  Lee, Ann\u00a0Lee", "person 3, person 3"),
        ("Zoe\u0308 and Ann\u0301", "person 5 and Ann\u0301"),
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


def demo_as_workbook(path: Path) -> None:
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


def test_a_workbook_reads_the_same_but_for_names(tmp_path: Path) -> None:
    path = tmp_path / "works.xlsx"
    demo_as_workbook(path)
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
        redacted(b"\xd0\xcf\x11\xe0" + bytes(600), "old.xls", ALIAS)
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


def a_works(folder: Path, **files: str) -> qa.Works:
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8", newline="")
    return qa.read_works(folder)


def copied(works: qa.Works, into: Path) -> qa.Works:
    """The works as its files without names tell it, held against the works itself."""
    into.mkdir()
    alias = aliases(works)
    home = works.folder.parent if works.folder.is_file() else works.folder
    for name in works.files["file"]:
        (into / name).write_bytes(redacted((home / name).read_bytes(), name, alias))
    again = qa.read_works(into / works.folder.name if works.folder.is_file() else into)
    same_but_for_names(works, again, alias)
    return again


def test_names_are_found_in_rows_that_are_not_used_and_in_second_columns(tmp_path: Path) -> None:
    works = a_works(
        tmp_path,
        oct="batch,weight,by,checked by,note\nOH-1,118.4,MH,LT,\nOH-1,broken,PR,,told SK and GH\n",
        actions="what,by,approved_by\nnote,AB,\n,SK,GH\n",
    )
    assert set(aliases(works)) == {"AB", "GH", "LT", "MH", "PR", "SK"}
    copied(works, tmp_path / "copy")
    text = "".join(path.read_text() for path in (tmp_path / "copy").iterdir())
    assert not any(name in text for name in ("MH", "LT", "PR", "SK", "GH", "AB"))


def test_a_cell_of_several_people_is_several_names(tmp_path: Path) -> None:
    works = a_works(
        tmp_path,
        oct="batch,weight,by,note\nOH-1,118.4,MH/LT,told LT\nOH-1,118.5,PR and SK,\n"
        "OH-1,118.6,n/a,\nOH-1,118.7,-,x - y\n",
    )
    assert set(aliases(works)) == {"LT", "MH", "PR", "SK", "n/a"}
    table = copied(works, tmp_path / "copy").weighings.table
    assert table["by"].tolist() == ["person 2/person 1", "person 3 and person 4", "person 5", "-"]
    assert table["note"].tolist() == ["told person 1", "", "", "x - y"]


def test_first_and_last_names_go_by_themselves_too(tmp_path: Path) -> None:
    works = a_works(
        tmp_path,
        oct="batch,weight,by,note\nOH-1,118.4,Ann Lee,Ann told Lee\n"
        "OH-1,118.5,Ann May Roe,in May\nOH-1,118.6,Tom Oat,oat Oat\n",
        batches="batch,product\nOH-1,Oat bar\n",
    )
    assert aliases(works) == {
        "Ann Lee": "person 1", "Ann May Roe": "person 2", "Tom Oat": "person 3", "Lee": "person 1",
        "Ann": "person 1 or person 2", "Roe": "person 2", "Tom": "person 3",
    }  # fmt: skip
    notes = copied(works, tmp_path / "copy").weighings.table["note"].tolist()
    assert notes == ["person 1 or person 2 told person 1", "in May", "oat Oat"]


def test_quotes_in_a_name_are_doubled_in_csv(tmp_path: Path) -> None:
    works = a_works(tmp_path, oct='batch,weight,by\nOH-1,118.4,"J ""Jo"" Lee"\n')
    again = copied(works, tmp_path / "copy")
    assert again.weighings.table["by"].tolist() == ["person 1"]
    assert "Jo" not in (tmp_path / "copy" / "oct.csv").read_text()


def test_an_alias_that_is_there_already_stays_and_is_given_to_nobody_else(tmp_path: Path) -> None:
    works = a_works(tmp_path, oct="batch,weight,by\nOH-1,118.4,person 1\nOH-1,118.5,MH\n")
    assert aliases(works) == {"MH": "person 2"}
    assert set(copied(works, tmp_path / "copy").weighings.table["by"]) == {"person 1", "person 2"}


@pytest.mark.parametrize(
    "data", [b"by,note\nMH,caf\xe9 \x81\n", "MH \ud800x".encode("utf-16", "surrogatepass")]
)
def test_bytes_that_are_no_letters_stay(data: bytes) -> None:
    codec = codec_of(data)
    name, other = ("MH".encode(codec), "person 1".encode(codec))
    assert redacted(data, "a.csv", ALIAS) == data.replace(name, other)


def test_what_a_file_is_counts_not_how_its_name_ends(tmp_path: Path) -> None:
    path = tmp_path / "works.csv"
    demo_as_workbook(path)
    assert b"MH" not in redacted(path.read_bytes(), "works.csv", ALIAS)
    with pytest.raises(ValueError, match="save it as XLSX or CSV"):
        redacted(b"\xd0\xcf\x11\xe0" + "MH".encode("utf-16-le"), "works.csv", ALIAS)
    assert redacted(b"by\nMH\n", "works.xls", ALIAS) == b"by\nperson 1\n"


def test_no_name_hides_in_a_corner_of_a_workbook(tmp_path: Path) -> None:
    import xlsxwriter

    path = tmp_path / "works.xlsx"
    with xlsxwriter.Workbook(path) as book:
        bold = book.add_format({"bold": True})
        sheet = book.add_worksheet("by MH")
        for place, word in enumerate(["batch", "weight (g)", "by", "note", "when"]):
            sheet.write_string(0, place, word)
        sheet.merge_range(1, 0, 2, 0, "OH-1")
        for row in (1, 2):
            sheet.write_formula(row, 1, "118+0.3", None, 118.3)
            sheet.write_formula(row, 2, '=IF(1=1,"MH","LT")', None, "MH")
            sheet.write_datetime(row, 4, dt.datetime(2026, 10, 1, 9, row),
                                 book.add_format({"num_format": "yyyy-mm-dd hh:mm"}))  # fmt: skip
        sheet.data_validation("C2:C9", {"validate": "list", "source": ["MH", "LT"]})
        sheet.set_header("&LMH")
        sheet.write_comment("B2", "asked MH", {"author": "MH"})
        sheet.insert_textbox("G2", "MH")
        sheet.write_url("H2", "https://example.org/MH", string="link")
        sheet.add_table("J1:K3", {"columns": [{"header": "MH"}, {"header": "x"}]})
        sheet.write_rich_string(2, 3, "M", bold, "H")
        book.define_name("MH", "='by MH'!$A$1")
        book.set_custom_property("MH", "MH")
    works = qa.read_works(path)
    again = copied(works, tmp_path / "copy")
    with zipfile.ZipFile(tmp_path / "copy" / "works.xlsx") as archive:
        everything = b"".join(archive.read(name) for name in archive.namelist())
    assert b"MH" not in everything
    assert again.weighings.table["by"].tolist() == ["person 1", "person 1"]
    assert again.weighings.table["sheet"].tolist() == ["by person 1"] * 2
    assert again.weighings.table["batch"].tolist() == ["OH-1"] * 2
    assert again.weighings.table["when"].tolist() == works.weighings.table["when"].tolist()


def test_no_name_hides_in_a_corner_of_an_ods(tmp_path: Path) -> None:
    an_ods(tmp_path / "oct.ods")
    with zipfile.ZipFile(tmp_path / "oct.ods", "a") as archive:
        archive.writestr("Thumbnails/thumbnail.png", b"MH")
        archive.writestr("settings.xml", "<a b='MH'/>")
    works = qa.read_works(tmp_path / "oct.ods")
    copied(works, tmp_path / "copy")
    with zipfile.ZipFile(tmp_path / "copy" / "oct.ods") as archive:
        assert archive.namelist()[0] == "mimetype"
        assert b"MH" not in b"".join(archive.read(name) for name in archive.namelist())


def test_a_name_that_would_change_what_is_read_is_refused(tmp_path: Path) -> None:
    works = a_works(tmp_path, oct="batch,weight,by,when\nOH-1,118.4,May,3 May 2026\n")
    with pytest.raises(ValueError, match=r"would be read otherwise: when .* also another word"):
        copied(works, tmp_path / "copy")


def test_a_customer_called_as_a_market_is_refused(tmp_path: Path) -> None:
    works = a_works(
        tmp_path,
        oct="batch,weight\nOH-1,118.4\n",
        dispatch="batch,customer,market\nOH-1,UK,UK\n",
    )
    with pytest.raises(ValueError, match='dispatch would be read otherwise: market "UK" as "cust'):
        copied(works, tmp_path / "copy")


@pytest.mark.parametrize("file", ["by_MH", "weights-MH", "MH"])
def test_a_name_in_the_name_of_a_file_is_refused(tmp_path: Path, file: str) -> None:
    works = a_works(tmp_path, **{file: "batch,weight,by\nOH-1,118.4,MH\n"})
    with pytest.raises(ValueError, match=f'{file}.csv: the name "MH" stands in the name of the'):
        aliases(works)


def test_a_batch_in_the_name_of_a_file_is_no_name(tmp_path: Path) -> None:
    works = a_works(tmp_path, **{"packed-MH-1028": "batch,weight,by\nMH-1028,118.4,MH\n"})
    assert aliases(works) == {"MH": "person 1"}
    again = copied(works, tmp_path / "copy")
    assert again.weighings.table["batch"].tolist() == ["MH-1028"]


def test_a_name_within_the_name_of_a_product_is_refused(tmp_path: Path) -> None:
    works = a_works(
        tmp_path,
        oct="batch,weight,by\nOH-1,118.4,Rose\n",
        batches="batch,product\nOH-1,r\n",
        products="product,name\nr,Rose soap\n",
    )
    with pytest.raises(ValueError, match='"Rose" cannot be left out: it stands in "Rose soap" too'):
        aliases(works)


WORDS = st.sampled_from(["MH", "LT", "Ann", "Ann Lee", "x", "12", "-", ",", " ", '"', "\n", "."])


@given(st.lists(WORDS).map("".join))
def test_whatever_the_text_no_name_is_left_and_nothing_else_is_lost(text: str) -> None:
    alias = {"MH": "person 1", "LT": "person 2", "Ann": "person 3", "Ann Lee": "person 4"}
    new = redacted(text.encode(), "a.csv", alias).decode()
    words = re.findall(r"[A-Za-z0-9]+(?:-+[A-Za-z0-9]+)*", new)
    assert not {"MH", "LT", "Ann"} & set(words)
    back = new
    for name, other in alias.items():
        back = back.replace(other, name)
    assert "".join(back.split()) == "".join(text.split())
