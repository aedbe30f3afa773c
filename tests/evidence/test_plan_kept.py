"""The plan against what was done: each check due once, and never done without its weighings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from works_folder import make_works

import qa_tools as qa
from qa_tools.evidence.plan_kept import DUE, Due, Planned, _state, in_words, planned

HEAD = "product,stage,how_many,how_often,low,high,revision\n"
WEIGHTS = "batch,stage,when,weight,unit,scale\n"
BATCHES = "batch,product,made_on,number_made,packages,packed_on\n"
TWO = "product,name,form\nbar,Test bar,bar\njar,Test jar,jar\n"


def lines(batch: str, stage: str, day: str, n: int) -> str:
    return "".join(f"{batch},{stage},{day},{120 + i / 10:.1f},g,S1\n" for i in range(n))


def kept(folder: Path, plan: str, weights: str, batches: str, **more: str) -> Planned:
    days = {name: more.pop(name) for name in ("start", "end") if name in more}
    works = make_works(folder, WEIGHTS + weights, plan=HEAD + plan, products=TWO,
                       batches=BATCHES + batches, **more)  # fmt: skip
    return planned(works, **days)


def states(found: Planned) -> list[tuple[Any, Any]]:
    return list(found.checks[["what", "status"]].itertuples(index=False, name=None))


B1 = "B1,bar,2026-09-01,,200,2026-10-06\n"
B2 = "B2,bar,2026-09-02,,200,2026-10-07\n"
B3 = "B3,bar,2026-09-03,,200,\n"  # still curing


def test_done_short_missing_and_not_yet_due(tmp_path: Path) -> None:
    b4 = "B4,bar,2026-09-04,,200,2026-10-08\n"
    weights = lines("B1", "packed", "2026-10-06", 30) + lines("B2", "packed", "2026-10-07", 29)
    weights += lines("B5", "packed", "2026-10-09", 30)
    b5 = "B5,bar,2026-09-05,,200,2026-10-09\n"
    found = kept(tmp_path, "bar,packed,30,every batch,,,\n", weights, B1 + B2 + B3 + b4 + b5)
    assert states(found) == [("B1", "done"), ("B2", "short"), ("B4", "missing"), ("B5", "done")]
    assert found.table[["due", *DUE]].values.tolist() == [[4, 2, 0, 1, 1]]


def test_late_is_when_the_last_of_those_asked_came_late(tmp_path: Path) -> None:
    weights = lines("B1", "packed", "2026-10-06", 29) + lines("B1", "packed", "2026-10-09", 1)
    weights += lines("B2", "packed", "2026-10-07", 30) + lines("B2", "packed", "2026-10-09", 5)
    found = kept(tmp_path, "bar,packed,30,every batch,,,\n", weights, B1 + B2)
    assert states(found) == [("B1", "late"), ("B2", "done")]
    late = Due(*found.checks.iloc[0])
    assert in_words(late) == "B1: weighed 9 October, due 6 October"


def test_filled_jars_are_not_the_packed_check_where_the_plan_asks_both(tmp_path: Path) -> None:
    plan = "jar,filled,5,every batch,,,\njar,packed,5,every batch,,,\n"
    jars = "J1,jar,2026-10-06,,100,2026-10-06\n"
    found = kept(tmp_path, plan, lines("J1", "filled", "2026-10-06", 5), jars)
    assert found.checks["status"].tolist() == ["done", "missing"]
    one = kept(tmp_path / "one", plan.splitlines()[1] + "\n",
               lines("J1", "filled", "2026-10-06", 5), jars)  # fmt: skip
    assert one.checks["status"].tolist() == ["done"]  # with one row, one kind of weighing serves


@pytest.mark.parametrize(
    ("batch", "weighed", "status", "asked"),
    [
        ("B1,bar,2026-09-01,108,,\n", 108, "done", 108),
        ("B1,bar,2026-09-01,108,,\n", 107, "short", 108),
        ("B1,bar,2026-09-01,,100,2026-10-01\n", 99, "short", 100),  # at least what was packed
        ("B1,bar,2026-09-01,,100,\n", 99, "done", None),  # nothing says how many were cut
    ],
)
def test_all_at_cutting_is_as_many_as_were_made(
    tmp_path: Path, batch: str, weighed: int, status: str, asked: int | None
) -> None:
    weights = lines("B1", "cut", "2026-09-02", weighed) + lines("B9", "packed", "2026-10-06", 1)
    batch += "B9,bar,,,,\n"
    found = kept(tmp_path, "bar,cut,all,every batch,,,\n", weights, batch)
    assert states(found) == [("B1", status)]
    told = found.checks["asked"].iloc[0]
    assert pd.isna(told) if asked is None else told == asked


def test_whole_numbers_stay_whole_in_words(tmp_path: Path) -> None:
    """Beside a row whose number is not known, the table holds the others as decimals."""
    plan = "bar,cut,all,every batch,,,\nbar,packed,30,every batch,,,\n"
    weights = lines("B3", "cut", "2026-09-04", 5) + lines("B1", "packed", "2026-10-06", 9)
    found = kept(tmp_path, plan, weights, B1 + B3)
    told = {in_words(Due(*row)) for row in found.checks.itertuples(index=False, name=None)}
    assert "B1: 9 of 30 weighed, due 6 October" in told
    assert not any("nan" in words or ".0" in words for words in told)


def test_all_of_a_batch_packed_in_runs_is_what_was_packed_so_far(tmp_path: Path) -> None:
    runs = "B1,bar,2026-09-01,,20,2026-10-06\nB1,bar,2026-09-01,,80,2026-11-20\n"
    found = kept(tmp_path, "bar,packed,all,every batch,,,\n",
                 lines("B1", "packed", "2026-10-06", 20), runs)  # fmt: skip
    assert states(found) == [("B1", "done")]


def test_every_day_is_kept_by_any_batch_of_that_day(tmp_path: Path) -> None:
    batches = (
        B1 + "B2,bar,2026-09-02,,200,2026-10-06\nB3,bar,2026-09-03,,200,2026-10-07\nX,bar,,,,\n"
    )
    weights = lines("B2", "packed", "2026-10-06", 5) + lines("X", "packed", "2026-10-08", 1)
    found = kept(tmp_path, "bar,packed,5,every day,,,\n", weights, batches)
    assert states(found) == [("B2", "done"), ("B3", "missing")]


def test_the_week_begins_as_settings_say(tmp_path: Path) -> None:
    batches = "B1,bar,2026-09-01,,9,2026-10-10\nB2,bar,2026-09-02,,9,2026-10-11\n"  # Sat, Sun
    weights = lines("B1", "packed", "2026-10-10", 5) + lines("B2", "packed", "2026-10-11", 5)
    plan = "bar,packed,5,weekly,,,\n"
    assert len(kept(tmp_path / "a", plan, weights, batches).checks) == 1
    sunday = "name,value\nfirst day of the week,Sunday\n"
    assert len(kept(tmp_path / "b", plan, weights, batches, settings=sunday).checks) == 2


@pytest.mark.parametrize(
    ("often", "due"),
    [("every batch", 6), ("Each  Batch", 6), ("all batches", 6), ("every 5 batches", 2),
     ("every 2nd batch", 3), ("every other batch", 3), ("every second batch", 3)],
)  # fmt: skip
def test_how_often_in_batches(tmp_path: Path, often: str, due: int) -> None:
    batches = "".join(f"B{n},bar,2026-09-0{n},,200,2026-10-0{n}\n" for n in range(1, 7))
    weights = "".join(lines(f"B{n}", "packed", f"2026-10-0{n}", 3) for n in range(1, 7))
    found = kept(tmp_path, f"bar,packed,3,{often},,,\n", weights, batches)
    assert len(found.checks) == due
    assert found.checks["what"].iloc[0] == "B1"


@pytest.mark.parametrize(
    ("row", "asked"),
    [
        ("bar,packed,30,now and then", 'how often "now and then" is'),
        ("bar,packed,30,every 0 batches", "how often"),
        ("bar,packed,30,5 batches", "how often"),
        ("bar,packed,30,twice a day", "how often"),
        ("bar,packed,30,", "how often"),
        ("bar,packed,a few,every batch", 'how many "a few" is'),
        ("bar,packed,0,every batch", 'how many "0" is'),
        ("bar,packed,²,every batch", "how many"),
        ("bar,cured,30,every batch", 'stage "cured" is not known here'),
        ("bra,packed,30,every batch", "no product and no scale is called so"),
    ],
)
def test_what_is_not_understood_is_asked_about(tmp_path: Path, row: str, asked: str) -> None:
    """Also where nothing was due: the row is wrong whether or not a batch was packed."""
    for name, batches in (("due", B1), ("none", "B1,bar,2026-09-01,,200,\n")):
        found = kept(tmp_path / name, f"{row},,,\n", lines("B1", "packed", "2026-10-06", 1),
                     batches)  # fmt: skip
        assert found.table.empty
        assert any(asked in one for one in found.questions), found.questions
        assert asked.replace('"', "&quot;") in found._repr_html_()


def test_two_rows_of_one_stage_are_pointed_out(tmp_path: Path) -> None:
    plan = "bar,packed,30,every batch,,,1\nbar,Packed,20,every batch,,,2\n"
    found = kept(tmp_path, plan, lines("B1", "packed", "2026-10-06", 25), B1)
    assert [status for _, status in states(found)] == ["short", "done"]
    assert any("more than one row of bar Packed" in one for one in found.questions)


def checks(*days: str) -> str:
    return "when,scale,applied,shown,unit\n" + "".join(f"{day},S1,200,200.0,g\n" for day in days)


WEIGHED = lines("B1", "packed", "2026-10-05", 1) + lines("B1", "packed", "2026-10-16", 1)


def test_a_scale_is_due_on_working_days(tmp_path: Path) -> None:
    plan = "S1,check,1,every day,,,\n"  # Monday 5 to Friday 16 October
    found = kept(tmp_path, plan, WEIGHED, B1, scale_checks=checks("2026-10-05", "2026-10-10"))
    assert len(found.checks) == 10
    assert found.checks["status"].tolist() == ["done"] + ["missing"] * 9
    assert in_words(Due(*found.checks.iloc[1])) == "scale S1: not checked, due by 6 October"
    short = "name,value\nworking days,Tuesday to Thursday\n"
    found = kept(tmp_path / "b", plan, WEIGHED, B1, settings=short,
                 scale_checks=checks("2026-10-06"))  # fmt: skip
    assert len(found.checks) == 6


def test_a_week_that_is_not_over_is_not_due(tmp_path: Path) -> None:
    # the data end on Wednesday 14 October: the second week is not over
    weights = lines("B1", "packed", "2026-10-05", 1) + lines("B1", "packed", "2026-10-14", 1)
    found = kept(tmp_path, "S1,check,1,weekly,,,\n", weights, B1,
                 scale_checks=checks("2026-10-09"))  # fmt: skip
    assert found.checks[["due", "status"]].astype(str).values.tolist() == [["2026-10-09", "done"]]


def test_a_scale_checked_fewer_times_than_asked_is_short(tmp_path: Path) -> None:
    found = kept(tmp_path, "S1,check,2,weekly,,,\n", WEIGHED, B1,
                 scale_checks=checks("2026-10-05", "2026-10-12", "2026-10-13"))  # fmt: skip
    assert found.checks["status"].tolist() == ["short", "done"]
    assert in_words(Due(*found.checks.iloc[0])) == (
        "scale S1: checked 1 times of 2, due by 9 October"
    )


def test_the_period_holds_what_was_due_in_it(tmp_path: Path) -> None:
    weights = lines("B1", "packed", "2026-10-06", 30) + lines("B2", "packed", "2026-10-07", 30)
    found = kept(tmp_path, "bar,packed,30,every batch,,,\n", weights, B1 + B2, start="2026-10-07",
                 end="2026-10-31")  # fmt: skip
    assert states(found) == [("B2", "done")]


def test_weighings_without_a_day_leave_what_was_due_missing(tmp_path: Path) -> None:
    plan = "bar,packed,30,every batch,,,\nS1,check,1,weekly,,,\n"
    found = kept(tmp_path, plan, "X9,packed,,121.0,g,S1\n", B1 + "X9,bar,,,,\n",
                 scale_checks=checks("2026-10-08"))  # fmt: skip
    assert ("B1", "missing") in states(found)
    assert not any("NaT" in one for one in found.questions)


def test_names_from_the_files_stay_text(tmp_path: Path) -> None:
    row = "<script>x</script>,packed,30,every batch,,,\n"
    found = kept(tmp_path, row, lines("B1", "packed", "2026-10-06", 1), B1)
    assert "<script>" in str(found)
    assert "<script>" not in found._repr_html_()


@given(
    st.lists(st.integers(0, 6), max_size=12),
    st.one_of(st.none(), st.integers(1, 10)),
)
def test_a_check_is_done_only_with_enough_weighings_by_its_day(
    days: list[int], asked: int | None
) -> None:
    begin = pd.Timestamp("2026-10-05")
    when = [begin + pd.Timedelta(days=day) for day in days]
    due = begin + pd.Timedelta(days=3)
    rows = pd.DataFrame({"day": pd.Series(when, dtype="datetime64[ns]")})
    found = _state("bar", "packed", "B1", due, asked, rows)
    in_time = sum(day <= due for day in when)
    wanted = asked or 1
    assert (found.status == "done") == (in_time >= wanted)
    assert (found.status == "missing") == (not days)
    assert (found.status == "short") == (0 < len(days) < wanted)
    assert found.weighed == len(days)


def test_the_demo_works_kept_its_plan(demo_works: qa.Works) -> None:
    found = planned(demo_works)
    assert found.table["due"].tolist() == found.table["done"].tolist()
    assert sum("asks for no check of scale" in one for one in found.questions) == 3
