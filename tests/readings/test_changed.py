"""Edits told from sorting, inserting, adding and taking away."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import qa_tools as qa
from qa_tools.readings.changed import Change, changes, compared, in_words

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
