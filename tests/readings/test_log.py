"""The log of what was read: added to, never changed, and whole or not."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest

import qa_tools as qa
from qa_tools.readings.log import LOG, check_chain, log_path, logged

MONDAY = dt.datetime(2026, 11, 2, 8, tzinfo=dt.UTC)


def a_works(folder: Path, weights: str = "118.4\n112.4\n120.1\n") -> qa.Works:
    rows = "".join(f"OH-1,{weight}\n" for weight in weights.split())
    (folder / "oct.csv").write_text("batch,weight\n" + rows)
    return qa.read_works(folder)


def test_only_what_is_new_is_logged_again(tmp_path: Path) -> None:
    (tmp_path / "sep.csv").write_text("batch,weight\nOH-0,119.0\n")
    works = a_works(tmp_path)
    path = works.log_readings(MONDAY)
    assert path == tmp_path / LOG
    first = path.read_bytes()
    a_works(tmp_path, "118.4\n112.4\n120.1\n119.9\n").log_readings(MONDAY + dt.timedelta(7))
    assert path.read_bytes().startswith(first)  # only ever added to
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    assert [(one["kind"], one.get("file")) for one in lines] == [
        ("readings", "oct.csv"),
        ("readings", "sep.csv"),
        ("read", None),
        ("readings", "oct.csv"),
        ("read", None),
    ]
    state = logged(tmp_path)
    assert state.at == "2026-11-09T08:00:00+00:00"
    assert [row[-1] for row in state.rows["oct.csv", ""]] == ["118.4", "112.4", "120.1", "119.9"]
    assert check_chain(path) == []


def test_the_log_is_not_read_as_weights(tmp_path: Path) -> None:
    works = a_works(tmp_path)
    works.log_readings(MONDAY)
    again = qa.read_works(tmp_path)
    assert again.files["file"].tolist() == ["oct.csv"]
    assert again.unread.empty


def test_of_one_workbook_it_lies_beside(tmp_path: Path) -> None:
    (tmp_path / "works.xlsx").touch()
    assert log_path(tmp_path / "works.xlsx") == tmp_path / f"works-{LOG}"


@pytest.mark.parametrize("what", ["edit", "take out", "put in", "swap", "garble"])
def test_a_log_that_was_meddled_with_shows_and_is_not_added_to(tmp_path: Path, what: str) -> None:
    for number in range(3):
        works = a_works(tmp_path, "118.4\n" + "112.4\n" * (number + 1))
        path = works.log_readings(MONDAY + dt.timedelta(number))
    lines = path.read_text().splitlines(keepends=True)
    if what == "edit":
        lines[2] = lines[2].replace("112.4", "121.4")
    elif what == "take out":
        del lines[2]
    elif what == "put in":
        lines.insert(2, lines[0])
    elif what == "swap":
        lines[1], lines[3] = lines[3], lines[1]
    else:
        lines[2] = lines[2][:-9] + "\n"
    path.write_text("".join(lines))
    assert check_chain(path)
    before = path.read_bytes()
    with pytest.raises(ValueError, match="is not whole"):
        works.log_readings(MONDAY)
    assert path.read_bytes() == before


@pytest.mark.parametrize("kept", [1, 40, -2])
def test_a_line_cut_off_by_a_kill_harms_nothing(tmp_path: Path, kept: int) -> None:
    works = a_works(tmp_path)
    path = works.log_readings(MONDAY)
    whole = path.read_bytes()
    more = a_works(tmp_path, "118.4\n112.4\n120.1\n119.9\n")
    more.log_readings(MONDAY + dt.timedelta(1))
    added = path.read_bytes()[len(whole) :]
    path.write_bytes(whole + added[:kept])
    assert len(logged(tmp_path).rows["oct.csv", ""]) == 3  # the cut off work counts for nothing
    more.log_readings(MONDAY + dt.timedelta(2))
    assert check_chain(path) == []
    assert len(logged(tmp_path).rows["oct.csv", ""]) == 4


def test_the_demo_works_logs_every_reading(demo_works: qa.Works, tmp_path: Path) -> None:
    from qa_tools.readings.log import readings_of

    rows = readings_of(demo_works)
    readings = demo_works.weighings
    assert sum(map(len, rows.values())) == len(readings.table) + len(readings.not_used)


@pytest.mark.parametrize(
    "line",
    [
        "[" * 100_000,
        '{"kind":"readings","number":1,"before":"","file":"oct.csv","sheet":"","sha256":"",'
        '"rows":[1]}',
        '{"kind":"read","number":1,"before":"","at":1,"files":{"oct.csv":[]}}',
    ],
)
def test_a_forged_line_is_said_and_breaks_nothing(tmp_path: Path, line: str) -> None:
    works = a_works(tmp_path)
    path = works.log_readings(MONDAY)
    path.write_text(line + "\n" + path.read_text().replace('"number":1', '"number":2', 1))
    assert check_chain(path)
    assert works.changes().columns[0] == "kind"
