"""One entry more in actions.csv, and every other byte as it was."""

from __future__ import annotations

from pathlib import Path

import pytest

import qa_tools as qa
from qa_tools.readings.actions import COLUMNS


def a_works(folder: Path, actions: bytes | None = None) -> qa.Works:
    """A works of two batches; with a list of actions where one is given."""
    (folder / "oct.csv").write_text("batch,weight\nOH-1,118.4\nOH-1,112.4\nOH-2,120.1\n")
    (folder / "batches.csv").write_text("batch,product\nOH-1,oat\nOH-2,oat\n")
    if actions is not None:
        (folder / "actions.csv").write_bytes(actions)
    return qa.read_works(folder)


def test_a_list_is_begun_where_there_is_none(tmp_path: Path) -> None:
    works = a_works(tmp_path)
    assert works.record_action("hold", by="MH", batch="OH-1", when="2026-10-02") == "A-01"
    again = qa.read_works(tmp_path)
    row = again.actions.iloc[0]
    assert (row["id"], row["what"], row["batch"], row["by"]) == ("A-01", "hold", "OH-1", "MH")
    assert str(row["when"].date()) == "2026-10-02"
    assert again.record_action("note", by="MH", when="2026-10-03") == "A-02"


@pytest.mark.parametrize("codec", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("last", [True, False])
def test_what_is_there_stays_byte_for_byte(
    tmp_path: Path, codec: str, end: str, last: bool
) -> None:
    head = "no;date;batch no;action;why;who;cause;approved;checked;closes"
    row = 'Q-009;02.10.2026;OH-1;hold;"größer; light";MH;;;;'
    before = (end.join([head, row]) + (end if last else "")).encode(codec)
    works = a_works(tmp_path, before)
    key = works.record_action(
        "release", by="LT", batch="OH-1", reason="weighed again", closes="Q-009", when="2026-10-04"
    )
    assert key == "Q-010"
    after = (tmp_path / "actions.csv").read_bytes()
    assert after.startswith(before)
    again = qa.read_works(tmp_path).actions
    assert again["id"].tolist() == ["Q-009", "Q-010"]
    assert again["reason"].tolist() == ["größer; light", "weighed again"]
    assert again["closes"].tolist() == ["", "Q-009"]


def test_only_a_column_that_is_needed_is_added(tmp_path: Path) -> None:
    works = a_works(tmp_path, b"id,when,batch,what,reason,by\nA-1,2026-10-01,OH-1,note,x,MH\n")
    works.record_action("correction", by="MH", reason="misread", when="2026-10-05",
                        reading="row 3 of oct.csv", old="112.4", new="121.4")  # fmt: skip
    lines = (tmp_path / "actions.csv").read_text().splitlines()
    assert lines[0] == "id,when,batch,what,reason,by,reading,old,new"
    assert lines[1] == "A-1,2026-10-01,OH-1,note,x,MH"
    assert lines[2] == "A-2,2026-10-05,,correction,misread,MH,row 3 of oct.csv,112.4,121.4"


@pytest.mark.parametrize(
    ("about", "said"),
    [
        ({"what": "", "by": "MH"}, "an action needs what"),
        ({"what": "hold", "by": " "}, "an action needs by"),
        ({"what": "hold", "by": "MH", "batch": "OH-3"}, 'no batch "OH-3"; is "OH-2" meant|OH-1'),
        ({"what": "hold", "by": "MH", "closes": "A-7"}, "none is closed"),
        ({"what": "release", "by": "MH"}, "needs the batch"),
        ({"what": "release", "by": "MH", "batch": "OH-1"}, "OH-1 was held: say why"),
        ({"what": "correction", "by": "MH", "reading": "row 3 of oct.csv"}, "also needs old, new"),
        (
            {"what": "c", "by": "MH", "reading": "oct 3", "old": "1", "new": "2", "reason": "x"},
            "is no reading",
        ),
        ({"what": "hold", "by": "MH", "reason": "=1+1"}, "take it for a formula"),
        ({"what": "hold", "by": "MH", "when": "yesterday or so"}, "is no date"),
    ],
)
def test_an_entry_that_says_too_little_is_refused_and_nothing_written(
    tmp_path: Path, about: dict[str, str], said: str
) -> None:
    before = b"id,when,batch,what,reason,by\nA-1,2026-10-01,OH-1,hold,light,MH\n"
    works = a_works(tmp_path, before)
    with pytest.raises(ValueError, match=said):
        works.record_action(**about)
    assert (tmp_path / "actions.csv").read_bytes() == before


def test_a_new_list_has_every_column(tmp_path: Path) -> None:
    a_works(tmp_path).record_action("note", by="MH", when="2026-10-03")
    assert (tmp_path / "actions.csv").read_text().splitlines()[0].split(",") == list(COLUMNS)


def test_a_works_of_one_workbook_is_not_written_to(tmp_path: Path) -> None:
    import xlsxwriter

    with xlsxwriter.Workbook(tmp_path / "works.xlsx") as book:
        sheet = book.add_worksheet("oct")
        for number, row in enumerate([["batch", "weight"], ["OH-1", 118.4]]):
            sheet.write_row(number, 0, row)
    works = qa.read_works(tmp_path / "works.xlsx")
    with pytest.raises(ValueError, match="add a row to its sheet of actions"):
        works.record_action("hold", by="MH", batch="OH-1")


def test_two_entries_of_one_works_have_two_ids_and_know_of_each_other(tmp_path: Path) -> None:
    works = a_works(tmp_path)
    first = works.record_action("hold", by="MH", batch="OH-1", when="2026-10-02")
    with pytest.raises(ValueError, match="OH-1 was held: say why"):
        works.record_action("release", by="LT", batch="OH-1", when="2026-10-04")
    second = works.record_action("release", by="LT", batch="OH-1", reason="weighed again",
                                 closes=first, when="2026-10-04")  # fmt: skip
    assert [first, second] == ["A-01", "A-02"]
    assert qa.read_works(tmp_path).actions["id"].tolist() == ["A-01", "A-02"]


@pytest.mark.parametrize(
    ("order", "when", "day"),
    [("", "2 Oct 2026", "2026-10-02"), ("day first", "02/10/2026", "2026-10-02"),
     ("month first", "02/10/2026", "2026-02-10"), ("", "31.10.2026", "2026-10-31")],
)  # fmt: skip
def test_a_day_is_read_as_the_works_writes_it(
    tmp_path: Path, order: str, when: str, day: str
) -> None:
    (tmp_path / "settings.csv").write_text(f"name,value\ndate order,{order}\n" if order else "")
    a_works(tmp_path).record_action("note", by="MH", when=when)
    assert f",{day}," in (tmp_path / "actions.csv").read_text().replace("A-01,", ",", 1)


def test_a_day_that_can_be_read_two_ways_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="2 October 2026"):
        a_works(tmp_path).record_action("note", by="MH", when="02/10/2026")


@pytest.mark.parametrize("char", ["\x00", "\x1b", "\u202e", "\ud800"])
def test_what_no_table_shows_is_refused(tmp_path: Path, char: str) -> None:
    with pytest.raises(ValueError, match="which no table shows"):
        a_works(tmp_path).record_action("note", by="MH", reason=f"light{char}")


def test_a_quotation_mark_left_open_does_not_swallow_the_entry(tmp_path: Path) -> None:
    before = b'id,when,batch,what,reason,by\nA-1,2026-10-01,OH-1,note,"big hold,MH\n'
    works = a_works(tmp_path, before)
    with pytest.raises(ValueError, match="a quotation mark is not closed"):
        works.record_action("note", by="MH")
    assert (tmp_path / "actions.csv").read_bytes() == before


@pytest.mark.parametrize(
    ("reading", "old", "new", "said"),
    [
        ("row 9 of oct.csv", "112.4", "121.4", "is no weighing that was read"),
        ("row 3 of nov.csv", "112.4", "121.4", "is no weighing that was read"),
        ("row 3 of oct.csv", "111.4", "121.4", "shows 112.4, neither 111.4 nor 121.4"),
    ],
)
def test_a_correction_that_would_not_fit_is_refused_at_once(
    tmp_path: Path, reading: str, old: str, new: str, said: str
) -> None:
    works = a_works(tmp_path)
    with pytest.raises(ValueError, match=said):
        works.record_action("correction", by="MH", reason="x", reading=reading, old=old, new=new)
    assert not (tmp_path / "actions.csv").exists()


def test_a_correction_may_follow_another(tmp_path: Path) -> None:
    works = a_works(tmp_path)
    about = {"by": "MH", "reason": "misread", "reading": "row 3 of oct.csv", "when": "2026-10-05"}
    works.record_action("correction", old="112.4", new="121.4", **about)
    works.record_action("correction", old="121.4", new="120.4", **about)
    table = qa.read_works(tmp_path).weighings.table.set_index("row")
    assert table.loc[3, "net_g"] == 120.4


def test_who_may_write_and_where_the_file_lies_stay(tmp_path: Path) -> None:
    (tmp_path / "shared").mkdir()
    (tmp_path / "works").mkdir()
    file = tmp_path / "shared" / "list.txt"
    file.write_text("id,when,batch,what,reason,by\n")
    file.chmod(0o660)
    (tmp_path / "works" / "actions.csv").symlink_to(file)
    a_works(tmp_path / "works").record_action("note", by="MH", when="2026-10-03")
    assert (tmp_path / "works" / "actions.csv").is_symlink()
    assert "A-01,2026-10-03" in file.read_text()
    assert file.stat().st_mode & 0o777 == 0o660
