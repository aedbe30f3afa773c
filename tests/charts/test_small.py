"""Small shifts: sums and weighted means by shift, scale, sides, start; bad input."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa_tools.charts import Base, cusum, ewma, individuals

readings = st.lists(st.integers(-60, 60).map(lambda tenths: tenths / 10), min_size=2, max_size=40)


@given(values=readings)
def test_turned_upside_down_the_sums_change_places(values: list[float]) -> None:
    up, down = cusum(values, target=0, sd=1), cusum([-x for x in values], target=0, sd=1)
    assert up.points["high"].tolist() == down.points["low"].tolist()
    assert up.signals["point"].tolist() == down.signals["point"].tolist()


@given(values=readings, scale=st.sampled_from([0.5, 4.0]), shift=st.integers(-64, 64))
def test_shift_and_scale_carry_over(values, scale, shift) -> None:
    moved = [x * scale + shift for x in values]
    for chart, name in ((cusum, "high"), (ewma, "value")):
        before = chart(values, target=0, sd=1).points[name].to_numpy()
        after = chart(moved, target=shift, sd=scale).points[name].to_numpy()
        back = after / scale if name == "high" else (after - shift) / scale
        assert back == pytest.approx(before, abs=1e-9)


@given(values=readings)
def test_a_signal_is_a_sum_beyond_its_limit(values: list[float]) -> None:
    points = cusum(values, target=0, sd=1, h=3).points
    beyond = points[["high", "low"]].max(axis=1) > 3
    assert (points["reason"] != "").tolist() == beyond.tolist()


def test_a_weight_of_one_is_the_reading_itself() -> None:
    values = [1.0, -2.0, 4.0, 0.5]
    chart = ewma(values, target=0, sd=1, weight=1)
    assert chart.points["value"].tolist() == values
    assert (chart.lower, chart.upper) == (-3, 3)
    assert chart.signals["point"].tolist() == [3]


def test_a_small_shift_is_found_by_its_sum_and_dated() -> None:
    days = pd.Index([f"day {i}" for i in range(1, 31)], name="")
    values = pd.Series([0.3, -0.3] * 5 + [-1.5] * 20, index=days)
    chart = cusum(values, target=0, sd=1)
    first = chart.signals.iloc[0]
    assert first["label"] == "day 16"
    assert first["reason"].endswith("the level has moved down, about from day 11 on")
    smooth = ewma(values, target=0, sd=1)
    assert smooth.signals["reason"].iloc[0].endswith("the level has moved down")


def test_a_head_start_signals_sooner_off_target_and_dies_out_on_it() -> None:
    off = [1.5] * 12
    plain, fast = (cusum(off, target=0, sd=1, head_start=start) for start in (0.0, 2.5))
    assert fast.signals["point"].min() < plain.signals["point"].min()
    on = cusum([0.0] * 12, target=0, sd=1, head_start=2.5)
    assert on.signals.empty
    assert on.points["high"].iloc[-1] == 0


@given(values=readings)
def test_one_sum_alone_is_that_of_both(values: list[float]) -> None:
    both = cusum(values, target=0, sd=1, h=3).points
    low = cusum(values, target=0, sd=1, h=3, side="low").points
    assert low["low"].tolist() == both["low"].tolist() == (-low["value"]).tolist()
    assert "high" not in low.columns
    assert low["upper"].isna().all()
    assert (low["reason"] != "").tolist() == (both["low"] > 3).tolist()


@given(values=readings)
def test_one_side_of_the_weighted_mean_forgets_what_lies_on_the_other(values) -> None:
    low = ewma(values, target=0, sd=1, side="low")
    high = ewma([-x for x in values], target=0, sd=1, side="high")
    assert low.points["value"].tolist() == (-high.points["value"] + 0.0).tolist()
    assert (low.points["value"] <= 0).all()
    assert low.signals["point"].tolist() == high.signals["point"].tolist()
    both = ewma(values, target=0, sd=1).points["value"]
    assert (low.points["value"] <= both + 1e-12).all()


@pytest.mark.parametrize("chart", [ewma, cusum])
def test_light_fill_alone_is_seen_after_a_heavy_stretch_and_heavy_fill_never(chart) -> None:
    values = [2.0] * 10 + [-1.5] * 12
    low = chart(values, target=0, sd=1, side="low")
    assert low.signals["reason"].str.contains("moved down").all()
    assert low.signals["point"].min() > 10
    assert chart([3.0] * 20, target=0, sd=1, side="low").signals.empty
    assert "limit -" in repr(low)
    assert "nan" not in repr(low)
    assert np.isnan(low.upper)
    assert "stand" in low.finding or "lie outside" in low.finding


@pytest.mark.parametrize("chart", [ewma, cusum])
def test_target_and_sd_from_the_base(chart) -> None:
    values = np.random.default_rng(9).normal(250, 2, 40)
    values[30:] -= 5
    base = individuals(values[:25])
    estimated = chart(values, base=25)
    given = chart(values, target=base.centre, sd=base.sigma)
    columns = ["value", "lower", "upper", "reason"]
    assert estimated.points[columns].equals(given.points[columns])
    assert estimated.sigma == base.sigma
    assert estimated.basis.startswith("target and sd of the base")
    assert estimated.points["base"].sum() == 25
    assert not given.points["base"].any()
    assert estimated.signals["point"].min() > 30
    one = chart(values, target=250, base=25)
    assert one.basis.startswith("the target given and the sd of the base")
    assert chart(values, sd=2, base=8).few


@pytest.mark.parametrize("chart", [ewma, cusum])
def test_a_new_base_starts_afresh(chart) -> None:
    values = np.random.default_rng(9).normal(250, 2, 60)
    values[30:] -= 8
    new = Base("31", "60", agreed="2026-10-05", reason="new scoop")
    twice = chart(values, base=[Base("1", "30"), new])
    assert twice.points["value"].tolist()[30:] == chart(values[30:]).points["value"].tolist()
    assert not twice.signals["point"].gt(30).any()
    assert twice.points["point"].tolist() == list(range(1, 61))


def test_given_limits_are_trusted_however_few_the_points() -> None:
    assert not ewma([1.0, 2.0], target=0, sd=1).few
    assert ewma([0.1, 0.2], target=0, sd=1).finding == "All 2 weighted means lie within the limits"
    assert cusum([0.1, 0.2], target=0, sd=1).figure().layout.yaxis.title.text == "Sum (g)"


@pytest.mark.parametrize(
    ("chart", "changed", "says"),
    [
        (ewma, {"weight": 0}, "above 0 and at most 1"),
        (ewma, {"weight": -0.2}, "above 0 and at most 1"),
        (ewma, {"width": 0}, "width is a number above 0"),
        (ewma, {"sd": 0}, "sd is a number above 0"),
        (ewma, {"target": float("nan")}, "target is a number"),
        (ewma, {"target": "120"}, "target is a number; got '120'"),
        (ewma, {"target": [120]}, "target is a number"),
        (ewma, {"sd": "1,5"}, "sd is a number above 0; got '1,5'"),
        (ewma, {"weight": "0,2"}, "above 0 and at most 1; got '0,2'"),
        (ewma, {"weight": None}, "above 0 and at most 1; got None"),
        (ewma, {"width": "3"}, "width is a number above 0; got '3'"),
        (cusum, {"k": "0.5"}, "k '0.5'"),
        (cusum, {"k": None}, "k None"),
        (cusum, {"h": "5"}, "h is a number above 0; got '5'"),
        (cusum, {"head_start": "2"}, "head_start '2'"),
        (cusum, {"sd": float("nan")}, "sd is a number above 0"),
        (cusum, {"h": -1}, "h is a number above 0"),
        (cusum, {"k": -1}, "k is 0 or more"),
        (cusum, {"head_start": 5}, "head_start from 0 to below h"),
        (cusum, {"side": "light"}, 'side is "both", "low" or "high"'),
        (ewma, {"base": 2}, "both were given"),
        (ewma, {"sd": None, "base": 1}, "2 to 3 here"),
    ],
)
def test_a_design_that_cannot_be_says_why(chart, changed, says) -> None:
    with pytest.raises(ValueError, match=says):
        chart([1.0, 2.0, 3.0], **{"target": 0.0, "sd": 1.0} | changed)


@pytest.mark.parametrize("chart", [ewma, cusum])
def test_one_point_or_a_missing_one_is_refused(chart) -> None:
    with pytest.raises(ValueError, match="two or more"):
        chart([1.0], target=0, sd=1)
    with pytest.raises(ValueError, match="reading 2 is missing"):
        chart([1.0, np.nan], target=0, sd=1)
    with pytest.raises(ValueError, match=r"all 3 readings are equal \(sd 0\)"):
        chart([1.0, 1.0, 1.0], target=1)


def test_printed_it_says_what_its_limits_rest_on() -> None:
    assert "Limits from the target and sd given (k 0.4, h 4)" in repr(
        cusum([0.1, 0.2], target=0, sd=1, k=0.4, h=4)
    )
    assert "Limits from target and sd of the base (weight 0.3)" in repr(
        ewma([0.1, 0.2, 0.4], weight=0.3)
    )
