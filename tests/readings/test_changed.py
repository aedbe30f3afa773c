"""Edits told from sorting, inserting, adding and taking away."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import qa_tools as qa
from qa_tools.readings.changed import Change, changes, compared, ever_changed, in_words

MONDAY = dt.datetime(2026, 11, 2, 8, tzinfo=dt.UTC)


def rows(values: list[str], *, ids: bool = True) -> list[list[Any]]:
    """Readings of one sheet, from row 2 on; each with an id where asked."""
    return [
        [number, "w", "OH-1", "", "", "", f"n{number}" if ids else "", "g", value]
        for number, value in enumerate(values, 2)
    ]


def renumbered(some: list[list[Any]]) -> list[list[Any]]:
    """The same readings in rows 2, 3, ... as they stand now."""
    return [[number, *row[1:]] for number, row in enumerate(some, 2)]


def kinds(found: list[Change]) -> list[str]:
    return sorted({one.kind for one in found})


VALUES = st.lists(st.integers(1000, 1300).map(lambda tenths: f"{tenths / 10:g}"), min_size=3)


@given(values=VALUES, ids=st.booleans(), data=st.data())
def test_an_edit_is_told_with_its_row_and_both_values(
    values: list[str], ids: bool, data: st.DataObject
) -> None:
    at = data.draw(st.integers(0, len(values) - 1))
    then, now = rows(values, ids=ids), rows(values, ids=ids)
    now[at][-1] = "77.7"
    (found,) = compared(then, now)
    assert (found.kind, found.row, found.row_then) == ("changed", at + 2, at + 2)
    assert (found.was, found.now) == (values[at], "77.7")


@given(values=VALUES, data=st.data())
def test_sorting_is_no_change(values: list[str], data: st.DataObject) -> None:
    then = rows(values)
    now = renumbered(data.draw(st.permutations(then)))
    assert kinds(compared(then, now)) in ([], ["sorted"])


@given(values=VALUES, data=st.data())
def test_an_edit_shows_in_a_sorted_sheet(values: list[str], data: st.DataObject) -> None:
    then = rows(values)
    at = data.draw(st.integers(0, len(values) - 1))
    edited = [list(row) for row in then]
    edited[at][-1] = "77.7"
    now = renumbered(data.draw(st.permutations(edited)))
    changed = [one for one in compared(then, now) if one.kind == "changed"]
    assert [(one.row_then, one.was, one.now) for one in changed] == [(at + 2, values[at], "77.7")]


@given(values=VALUES, ids=st.booleans(), more=VALUES)
def test_added_rows_are_normal(values: list[str], ids: bool, more: list[str]) -> None:
    then = rows(values, ids=ids)
    (found,) = compared(then, rows(values + more, ids=ids))
    assert (found.kind, found.row, found.now) == ("appended", len(values) + 2, str(len(more)))


@given(values=VALUES, data=st.data())
def test_a_row_put_in_between_is_told_as_such(values: list[str], data: st.DataObject) -> None:
    then = rows(values)
    at = data.draw(st.integers(0, len(values) - 1))
    extra = [0, "w", "OH-1", "", "", "", "new", "g", "119.9"]
    (found,) = compared(then, renumbered([*then[:at], extra, *then[at:]]))
    assert (found.kind, found.row, found.now) == ("inserted", at + 2, "1")


@given(values=VALUES, data=st.data())
def test_a_row_taken_out_is_told_with_its_value(values: list[str], data: st.DataObject) -> None:
    then = rows(values)
    at = data.draw(st.integers(0, len(values) - 1))
    (found,) = compared(then, renumbered(then[:at] + then[at + 1 :]))
    assert (found.kind, found.row_then, found.was) == ("removed", at + 2, values[at])


@given(values=VALUES, more=VALUES, data=st.data())
def test_an_edit_shows_beside_rows_added_and_put_in(
    values: list[str], more: list[str], data: st.DataObject
) -> None:
    then = rows(values)
    at = data.draw(st.integers(0, len(values) - 1))
    edited = [list(row) for row in then]
    edited[at][-1] = "77.7"
    extra = [0, "w", "OH-1", "", "", "", "new", "g", "119.9"]
    place = data.draw(st.integers(0, len(values)))
    added = [[0, "w", "OH-1", "", "", "", f"m{n}", "g", one] for n, one in enumerate(more)]
    now = renumbered([*edited[:place], extra, *edited[place:], *added])
    changed = [one for one in compared(then, now) if one.kind == "changed"]
    assert [(one.row_then, one.was, one.now) for one in changed] == [(at + 2, values[at], "77.7")]


@given(values=VALUES, data=st.data())
def test_nothing_is_lost_and_nothing_made_up(values: list[str], data: st.DataObject) -> None:
    then = rows(values, ids=False)
    other = data.draw(VALUES)
    now = rows(other, ids=False)
    found = compared(then, now)
    count = {kind: 0 for kind in ("changed", "removed", "inserted", "appended")}
    for one in found:
        if one.kind in count:
            count[one.kind] += int(one.now) if one.kind in ("inserted", "appended") else 1
    assert len(then) - count["removed"] + count["inserted"] + count["appended"] == len(now)


def test_the_batch_of_a_row_is_a_change_too() -> None:
    then, now = rows(["118.4", "119.0", "120.1"]), rows(["118.4", "119.0", "120.1"])
    now[1][2] = "OH-2"
    (found,) = compared(then, now)
    assert in_words(found._replace(file="weights/oct.csv")) == (
        "oct.csv row 3, batch, was OH-1, now OH-2; no correction recorded"
    )


def write(folder: Path, weights: str) -> None:
    (folder / "oct.csv").write_text(
        "batch,weight\n" + "".join(f"OH-1,{one}\n" for one in weights.split())
    )


def said(folder: Path) -> list[str]:
    found = changes(qa.read_works(folder))
    return [in_words(Change(*row)) for row in found.itertuples(index=False)]


def test_nothing_is_said_before_the_first_log(tmp_path: Path) -> None:
    write(tmp_path, "118.4 112.4 120.1")
    assert said(tmp_path) == []


def test_the_one_question_of_an_auditor(tmp_path: Path) -> None:
    write(tmp_path, "118.4 112.4 120.1")
    qa.read_works(tmp_path).log_readings(MONDAY)
    write(tmp_path, "118.4 121.4 120.1")
    assert said(tmp_path) == ["oct.csv row 3 was 112.4, now 121.4; no correction recorded"]
    qa.read_works(tmp_path).record_action(
        "correction", by="MH", reason="digits swapped", when="2026-11-03",
        reading="row 3 of oct.csv", old="112.4", new="121.4",
    )  # fmt: skip
    assert said(tmp_path) == ["oct.csv row 3 was 112.4, now 121.4; corrected (A-01)"]


def test_a_correction_that_leaves_the_sheet_alone_is_no_change(tmp_path: Path) -> None:
    write(tmp_path, "118.4 112.4 120.1")
    qa.read_works(tmp_path).log_readings(MONDAY)
    works = qa.read_works(tmp_path)
    works.record_action("correction", by="MH", reason="digits swapped", when="2026-11-03",
                        reading="row 3 of oct.csv", old="112.4", new="121.4")  # fmt: skip
    assert said(tmp_path) == []
    assert 121.4 in qa.read_works(tmp_path).weighings.table["net_g"].tolist()


def test_a_reading_answered_as_a_slip_is_no_change(tmp_path: Path) -> None:
    write(tmp_path, "118.4 112.4 120.1")
    qa.read_works(tmp_path).log_readings(MONDAY)
    (tmp_path / "settings.csv").write_text(
        "name,value,who,when\nrow 3 of oct.csv,slip,MH,2026-11-03\n"
    )
    assert qa.read_works(tmp_path).weighings.not_used["row"].tolist() == [3]
    assert said(tmp_path) == []


@pytest.mark.parametrize(
    ("do", "words"),
    [
        ("rename", "oct 2026.csv: was called oct.csv"),
        ("delete", "oct.csv: gone, with the 3 readings that were in it when last logged"),
        ("label", "labels.csv: changed since it was last logged"),
    ],
)
def test_files_that_moved_went_or_changed(tmp_path: Path, do: str, words: str) -> None:
    write(tmp_path, "118.4 112.4 120.1")
    (tmp_path / "sep.csv").write_text("batch,weight\nOH-0,119.0\n")
    (tmp_path / "labels.csv").write_text("product,declared\noat,118 g\n")
    qa.read_works(tmp_path).log_readings(MONDAY)
    if do == "rename":
        (tmp_path / "oct.csv").rename(tmp_path / "oct 2026.csv")
    elif do == "delete":
        (tmp_path / "oct.csv").unlink()
    else:
        (tmp_path / "labels.csv").write_text("product,declared\noat,117 g\n")
    assert said(tmp_path) == [words]


def log(folder: Path) -> None:
    qa.read_works(folder).log_readings(MONDAY)


def test_an_answer_is_no_change_of_a_sheet_that_grew(tmp_path: Path) -> None:
    head = "batch,when,loaf,slot,id,weight\n"
    some = [
        f"OH-1,2026-10-0{n} 08:15,L{n},{n},n{n},{weight}\n"
        for n, weight in enumerate([118.4, 12.4, 120.1], 1)
    ]
    (tmp_path / "oct.csv").write_text(head + "".join(some))
    log(tmp_path)
    (tmp_path / "settings.csv").write_text(
        "name,value,who,when\nrow 3 of oct.csv,slip,MH,2026-10-03\n"
    )
    (tmp_path / "batches.csv").write_text("batch,product\noh 1,oat\n")
    (tmp_path / "oct.csv").write_text(head + "".join(some) + "OH-1,,,,,119.9\n")
    assert said(tmp_path) == ["oct.csv: 1 added at the end"]


def test_a_renamed_file_is_not_gone_the_week_after(tmp_path: Path) -> None:
    write(tmp_path, "118.4 112.4 120.1")
    log(tmp_path)
    (tmp_path / "oct.csv").rename(tmp_path / "october.csv")
    log(tmp_path)
    assert said(tmp_path) == []


def test_a_file_taken_away_is_told_until_it_is_logged_and_read_again_when_back(
    tmp_path: Path,
) -> None:
    write(tmp_path, "118.4 112.4 120.1")
    (tmp_path / "sep.csv").write_text("batch,weight\nOH-0,119.0\n")
    log(tmp_path)
    (tmp_path / "oct.csv").unlink()
    log(tmp_path)
    assert said(tmp_path) == []
    write(tmp_path, "118.4 121.4 120.1")
    assert said(tmp_path) == ["oct.csv row 3 was 112.4, now 121.4; no correction recorded"]


def test_a_file_renamed_and_edited_shows_both(tmp_path: Path) -> None:
    write(tmp_path, "118.4 112.4 120.1")
    log(tmp_path)
    (tmp_path / "oct.csv").unlink()
    (tmp_path / "october.csv").write_text("batch,weight\nOH-1,118.4\nOH-1,121.4\nOH-1,120.1\n")
    assert said(tmp_path) == [
        "october.csv: was called oct.csv",
        "october.csv row 3 was 112.4, now 121.4; no correction recorded",
    ]


def test_a_new_sheet_under_the_name_of_one_put_away_is_new(tmp_path: Path) -> None:
    write(tmp_path, "118.4 112.4 120.1")
    log(tmp_path)
    (tmp_path / "oct.csv").rename(tmp_path / "oct till 9.csv")
    write(tmp_path, "117.9 119.3")
    assert said(tmp_path) == ["oct till 9.csv: was called oct.csv"]


def test_a_copy_of_the_old_sheet_beside_it_does_not_hide_an_edit(tmp_path: Path) -> None:
    write(tmp_path, "118.4 112.4 120.1")
    log(tmp_path)
    (tmp_path / "oct old.csv").write_bytes((tmp_path / "oct.csv").read_bytes())
    write(tmp_path, "118.4 121.4 120.1")
    assert said(tmp_path) == ["oct.csv row 3 was 112.4, now 121.4; no correction recorded"]


def book(path: Path, name: str, weights: list[float]) -> None:
    import xlsxwriter

    with xlsxwriter.Workbook(path) as made:
        sheet = made.add_worksheet(name)
        for number, row in enumerate([["batch", "weight"], *(["OH-1", one] for one in weights)]):
            sheet.write_row(number, 0, row)


def test_a_sheet_of_a_workbook_may_be_renamed(tmp_path: Path) -> None:
    book(tmp_path / "oct.xlsx", "Sheet1", [118.4, 112.4, 120.1])
    log(tmp_path)
    book(tmp_path / "oct.xlsx", "October", [118.4, 121.4, 120.1])
    assert said(tmp_path) == [
        "oct.xlsx, sheet October: was called sheet Sheet1",
        "oct.xlsx, sheet October row 3 was 112.4, now 121.4; no correction recorded",
    ]


def test_a_csv_saved_as_a_workbook_is_the_same_sheet(tmp_path: Path) -> None:
    write(tmp_path, "118.40 112.4 120.1")
    log(tmp_path)
    (tmp_path / "oct.csv").unlink()
    book(tmp_path / "oct.xlsx", "oct", [118.4, 112.4, 120.1])
    assert said(tmp_path) == ["oct.xlsx, sheet oct: was called oct.csv"]


def test_a_heading_written_otherwise_is_said_once(tmp_path: Path) -> None:
    (tmp_path / "oct.csv").write_text("batch,w1,w2\nOH-1,118.4,112.4\nOH-1,120.1,119.9\n")
    log(tmp_path)
    (tmp_path / "oct.csv").write_text("batch,w1,w02\nOH-1,118.4,121.4\nOH-1,120.1,119.9\n")
    assert said(tmp_path) == [
        "oct.csv: heading w02 was w2",
        "oct.csv row 2 was 112.4, now 121.4; no correction recorded",
    ]


def test_a_file_that_cannot_be_read_is_not_called_gone(tmp_path: Path) -> None:
    write(tmp_path, "118.4 112.4 120.1")
    (tmp_path / "sep.csv").write_text("batch,weight\nOH-0,119.0\n")
    log(tmp_path)
    (tmp_path / "oct.csv").write_bytes(bytes(range(256)) * 4)
    assert said(tmp_path) == ["oct.csv: cannot be read now; 3 readings were in it when last logged"]


@given(data=st.data())
def test_equal_weights_do_not_pass_for_sorting(data: st.DataObject) -> None:
    """A row taken out above and one edited below, among weights of which many are equal."""
    values = data.draw(st.lists(st.sampled_from(["118.2", "118.4", "118.6"]), min_size=6))
    at = data.draw(st.integers(3, len(values) - 1))
    then = rows(values, ids=False)
    edited = [list(row) for row in then]
    edited[at][-1] = "77.7"
    found = compared(then, renumbered(edited[1:]))
    assert kinds(found) == ["changed", "removed"]
    assert len(found) == 2
    # side by side the two are one and the same; further apart the neighbours tell
    assert sorted(one.was for one in found) == sorted([values[0], values[at]])


@pytest.mark.parametrize(
    ("entry", "explained"),
    [
        ("A-1,2026-11-03,correction,x,MH,row 3 of oct.csv,112.4,121.4", True),
        ("A-1,2026-11-03,correction,x,MH,row 3 of oct.csv,119.4,121.4", False),
        ("A-1,2026-11-03,correction,x,MH,row 4 of oct.csv,112.4,121.4", False),
        ("A-1,2026-11-03,correction,x,MH,row 3 of oct.csv,112.4,120.4", False),
        (
            "A-2,2026-11-04,correction,x,MH,row 3 of oct.csv,120.4,121.4\n"
            "A-1,2026-11-03,correction,x,MH,row 3 of oct.csv,112.4,120.4",
            True,
        ),
    ],
)
def test_only_an_entry_of_this_reading_from_this_value_to_that_one_explains(
    tmp_path: Path, entry: str, explained: bool
) -> None:
    write(tmp_path, "118.4 112.4 120.1")
    log(tmp_path)
    write(tmp_path, "118.4 121.4 120.1")
    (tmp_path / "actions.csv").write_text(f"id,when,what,reason,by,reading,old,new\n{entry}\n")
    (found,) = changes(qa.read_works(tmp_path)).to_dict("records")
    assert bool(found["explained"]) is explained


def test_logging_again_does_not_wash_a_change_away(tmp_path: Path) -> None:
    write(tmp_path, "118.4 112.4 120.1")
    log(tmp_path)
    write(tmp_path, "118.4 121.4 120.1")
    qa.read_works(tmp_path).log_readings(MONDAY + dt.timedelta(7))
    write(tmp_path, "118.4 121.4 120.1 119.9")
    assert said(tmp_path) == ["oct.csv: 1 added at the end"]
    found = ever_changed(qa.read_works(tmp_path))
    assert found[["logged", "kind", "was", "now"]].values.tolist() == [
        ["2026-11-09T08:00:00+00:00", "changed", "112.4", "121.4"],
        ["", "appended", "", "1"],
    ]
