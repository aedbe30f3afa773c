"""The chart for a task: it does what it says, the best of its kind; tasks that cannot be met."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qa_tools.charts import design, run_length, run_length_quantiles
from qa_tools.charts.design import _average


@settings(max_examples=10)
@given(
    shift=st.floats(0.5, 3), every=st.sampled_from([100.0, 370.0, 2000.0]), sides=st.integers(1, 2)
)
def test_every_chart_keeps_the_false_alarms_and_says_what_it_does(shift, every, sides) -> None:
    made = design(shift, sd=1, within=every - 1, every=every, sides=sides)
    for name, row in made.table.iterrows():
        settings_of = made.designs[str(name)]
        assert every * (1 - 1e-9) <= row["every"] <= every * 1.25
        assert row["every"] == run_length(str(name), **settings_of)
        assert row["found_in"] == run_length(str(name), shift, **settings_of)
    assert made.chart == "shewhart"  # meets so slow a task, and is the simplest


def test_a_small_shift_takes_a_chart_that_adds_up() -> None:
    made = design(1.5, sd=1.5, within=11, every=370)
    assert made.chart == "ewma"
    assert made.table["meets"].to_dict() == {"shewhart": False, "cusum": True, "ewma": True}
    other = {**made.settings, "weight": made.settings["weight"] * 2}
    wider = run_length("ewma", **other)
    assert run_length("ewma", 1.0, **other) > made.table.loc["ewma", "found_in"] or wider < 370
    assert "one false alarm in 373 points" in repr(made)


def test_one_sided_is_sooner_for_the_same_false_alarms() -> None:
    one = design(1, sd=1, within=9, every=370, sides=1)
    assert one.chart == "cusum"
    # h 4.0965 gives 370.398 exactly, found in 8.575 (the figures of the optimal chart).
    assert one.settings == {"k": 0.5, "h": 4.1, "sides": 1}
    both = design(1, sd=1, within=11, every=370)
    assert one.table.index.tolist() == both.table.index.tolist()
    assert (one.table["found_in"] < both.table["found_in"]).all()


def test_what_limits_from_few_data_do_is_said() -> None:
    made = design(3, sd=1, within=3, every=370, subgroups=25, n=5)
    assert made.chart == "shewhart"
    found = run_length("shewhart", 3, subgroups=25, n=5, **made.settings)
    assert made.table.loc["shewhart", "found_estimated"] == found
    assert made.table.loc["shewhart", "every_estimated"] == pytest.approx(418.476, abs=1e-3)
    assert repr(made).splitlines()[1] == (
        "With limits estimated from 25 subgroups of 5: one false alarm in 418 points on average, "
        "half of the false alarms within 209 (257 with limits known); the shift found in 2.12"
    )
    known = run_length_quantiles("shewhart", q=0.5).iloc[0]
    estimated = run_length_quantiles("shewhart", q=0.5, subgroups=25, n=5).iloc[0]
    assert made.half == (known, estimated)


def test_limits_too_uncertain_for_an_average_still_have_their_half() -> None:
    made = design(3, sd=1, within=3, every=370, subgroups=2, n=2)
    assert made.table.loc["shewhart", "every_estimated"] == np.inf
    assert f"no average can be stated, half of the false alarms within {made.half[1]}" in repr(made)
    assert _average("shewhart", None, {"subgroups": 3, "n": 5}) == np.inf


@pytest.mark.parametrize("sides", [1, 2])
def test_a_shift_however_large_has_its_chart(sides: int) -> None:
    made = design(40, sd=1, within=2, every=370, sides=sides)
    assert made.chart == "shewhart"
    assert (made.table["every"] >= 370 * (1 - 1e-9)).all()


def test_false_alarms_may_be_as_rare_as_can_be_stated() -> None:
    assert (design(5, sd=1, within=2, every=1e7).table["every"] >= 1e7).all()


@pytest.mark.parametrize("sides", [1, 2])
def test_a_task_beyond_any_chart_says_which_shift_would_do(sides: int) -> None:
    with pytest.raises(ValueError, match="no chart finds a shift of 1 sd in 5 points") as told:
        design(2, sd=2, within=5, every=370, sides=sides)
    able, times = re.search(r"A shift of (\S+) .* means of (\d+) times", str(told.value)).groups()
    assert design(float(able), sd=2, within=5, every=370, sides=sides).table["meets"].any()
    assert design(2, sd=2 / int(times) ** 0.5, within=5, every=370, sides=sides).chart


@pytest.mark.parametrize(
    ("task", "says"),
    [
        ({"shift": 0}, "shift is a number above 0"),
        ({"sd": -1}, "sd is a number above 0"),
        ({"within": 400}, "below every"),
        ({"within": 1}, "above 1 point"),
        ({"sides": 3}, "1 side"),
        ({"shift": "1,5"}, "shift is a number above 0; got '1,5'"),
        ({"sd": "1"}, "sd is a number above 0; got '1'"),
        ({"within": "20"}, "within is a number above 0; got '20'"),
        ({"every": None}, "every is a number above 0; got None"),
        ({"n": 5}, "say from how many subgroups"),
        ({"subgroups": 25}, "need n"),
        ({"subgroups": 1, "n": 5}, "2 subgroups or more"),
        ({"every": 1e8}, "at most 10,000,000"),
        ({"shift": 0.001, "every": 1e6}, "plot means of more readings"),
    ],
)
def test_a_task_that_makes_no_sense_says_why(task, says) -> None:
    with pytest.raises(ValueError, match=says):
        design(**{"shift": 1, "sd": 1, "within": 20, "every": 370} | task)
