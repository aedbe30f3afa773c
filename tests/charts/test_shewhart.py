"""Limits: what they do under shift, scale and order, unequal sizes, and the words beside them."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from qa_tools.charts import ControlChart, constants, individuals, mean_range, mean_sd
from qa_tools.charts.chart import FEWEST

grams = st.integers(min_value=-20_000, max_value=20_000).map(lambda tenths: tenths / 10)
subgroups = st.lists(st.lists(grams, min_size=1, max_size=7), min_size=2, max_size=9)
both = pytest.mark.parametrize("chart", [mean_range, mean_sd])


def has_spread(groups: list[list[float]]) -> bool:
    return sum(len(group) > 1 for group in groups) > 1 and any(np.ptp(group) for group in groups)


def levels(chart: ControlChart) -> np.ndarray:
    return chart.points[["value", "centre", "lower", "upper"]].to_numpy()


@both
@given(groups=subgroups, shift=st.integers(-500, 500), scale=st.sampled_from([0.25, 3.0, 28.35]))
def test_shift_and_scale_carry_over(chart, groups, shift, scale) -> None:
    assume(has_spread(groups))
    before = chart(groups)
    after = chart([[reading * scale + shift for reading in group] for group in groups])
    close = {"rel": 1e-9, "abs": 1e-6}
    assert levels(after) == pytest.approx(levels(before) * scale + shift, **close)
    assert levels(after.spread) == pytest.approx(levels(before.spread) * scale, **close)
    assert after.sigma == pytest.approx(before.sigma * scale, **close)
    assert after.signals["point"].tolist() == before.signals["point"].tolist()


@both
@given(groups=subgroups, data=st.data())
def test_order_moves_points_and_nothing_else(chart, groups, data) -> None:
    assume(has_spread(groups))
    order = data.draw(st.permutations(range(len(groups))))
    before = levels(chart(groups))
    after = levels(chart([sorted(groups[place]) for place in order]))
    assert after == pytest.approx(before[list(order)], rel=1e-9, abs=1e-7)


@both
@given(groups=subgroups)
def test_signals_are_the_points_beyond_their_own_limits(chart, groups) -> None:
    assume(has_spread(groups))
    whole = chart(groups)
    for one in (whole, whole.spread):
        points = one.points
        beyond = (points["value"] > points["upper"]) | (points["value"] < points["lower"])
        assert one.signals.index.tolist() == points.index[beyond].tolist()
        assert (points["lower"] < points["upper"]).all()
        assert not points.isna().any(axis=None)
    assert whole.points["point"].tolist() == list(range(1, len(groups) + 1))
    assert whole.points["n"].tolist() == [len(group) for group in groups]
    plotted = [place for place, group in enumerate(groups, start=1) if len(group) > 1]
    assert whole.spread.points["point"].tolist() == plotted


@given(readings=st.lists(grams, min_size=2, max_size=40), shift=st.integers(-500, 500))
def test_single_readings_shift_and_turn_round(readings: list[float], shift: int) -> None:
    assume(np.ptp(readings) > 0)
    before = individuals(readings)
    moved = individuals([reading + shift for reading in readings])
    assert levels(moved) == pytest.approx(levels(before) + shift, rel=1e-9, abs=1e-7)
    backwards = individuals(readings[::-1])
    assert levels(backwards) == pytest.approx(levels(before)[::-1], rel=1e-9, abs=1e-7)
    assert levels(backwards.spread) == pytest.approx(levels(before.spread)[::-1], abs=1e-7)


@both
def test_equal_sizes_give_one_number_a_limit_and_unequal_an_array(chart) -> None:
    rows = np.random.default_rng(3).normal(250, 2, (12, 5))
    equal = chart(rows)
    assert isinstance(equal.centre, float)
    assert isinstance(equal.lower, float)
    assert isinstance(equal.upper, float)
    unequal = chart([*rows, [250.0, 251.0]])
    assert isinstance(unequal.centre, float)
    assert unequal.upper.shape == (13,)
    assert unequal.upper[-1] - unequal.centre == pytest.approx(3 * unequal.sigma / np.sqrt(2))
    assert unequal.spread.upper.shape == (13,)


def test_unequal_sizes_weigh_each_subgroup_by_what_its_spread_tells() -> None:
    # Two subgroups: sigma by hand, each estimate R / d2 with variance (d3 / d2)^2 sigma^2.
    small, large = [10.0, 12.0], [10.0, 11.0, 12.0, 13.0, 16.0]
    two, five = constants(2), constants(5)
    variance_two, variance_five = (two.d3 / two.d2) ** 2, (five.d3 / five.d2) ** 2
    by_range = (2 / two.d2 / variance_two + 6 / five.d2 / variance_five) / (
        1 / variance_two + 1 / variance_five
    )
    assert mean_range([small, large]).sigma == pytest.approx(by_range, rel=1e-12)
    variance_two, variance_five = 1 / two.c4**2 - 1, 1 / five.c4**2 - 1
    by_sd = (
        np.std(small, ddof=1) / two.c4 / variance_two
        + np.std(large, ddof=1) / five.c4 / variance_five
    ) / (1 / variance_two + 1 / variance_five)
    assert mean_sd([small, large]).sigma == pytest.approx(by_sd, rel=1e-12)


@both
def test_sigma_is_without_bias_for_unequal_sizes(chart) -> None:
    random = np.random.default_rng(11)
    sizes = [2, 3, 5, 9, 1]
    estimates = [chart([random.normal(0, 1, n) for n in sizes]).sigma for _ in range(1500)]
    four_errors = 4 * np.std(estimates) / np.sqrt(len(estimates))
    assert np.mean(estimates) == pytest.approx(1, abs=four_errors)


def test_a_subgroup_of_one_is_judged_by_its_mean_and_kept() -> None:
    chart = mean_range({"B1": [120.0, 122.0], "B2": [128.0], "B3": [120.5, 122.0]})
    assert chart.signals["label"].tolist() == ["B2"]
    assert chart.spread is not None
    assert chart.spread.points["label"].tolist() == ["B1", "B3"]


def test_reasons_and_findings_in_plain_words() -> None:
    steady = [[119.0, 121.0], [120.0, 121.5], [119.5, 120.5], [119.8, 121.0]]
    up = mean_range({"A": steady[0], "B": steady[1], "C": [129.0, 130.0], "D": steady[3]})
    assert up.signals["reason"].tolist() == [
        "mean 129.5 g is above the upper limit 125.3 g: one far above the others, "
        "look what was different; limits from only 4 are uncertain"
    ]
    assert up.finding == (
        "C stands above the limit: mean 129.5 g against 125.3 g "
        "(4 means so far: too few to trust the limits)"
    )
    ounces = pd.Series([5.0, 5.1, 5.0, 5.1, 5.0, 5.1, 4.1, 5.0, 5.1, 5.0, 5.1, 5.0])
    down = individuals(ounces, unit="oz")
    assert down.finding == "Point 7 stands below the limit: reading 4.10 oz against 4.29 oz"
    assert down.signals["reason"].item() == (
        "reading 4.10 oz is below the lower limit 4.29 oz: one point far below the others, "
        "look what was different"
    )
    assert mean_range(steady * 3).finding == "All 12 means lie within the limits"
    assert str(mean_range(steady * 3)).startswith(
        "All 12 means lie within the limits\nCentre 120.29 g"
    )


def test_several_signals_are_counted_and_named() -> None:
    random = np.random.default_rng(5)
    batches = {f"B{place}": random.normal(250, 1, 5) for place in range(1, 21)}
    batches["B4"] = batches["B4"] + 9
    batches["B9"] = batches["B9"] - 9
    assert mean_sd(batches).finding == "2 of 20 means lie outside the limits (B4, B9)"
    spoiled = {
        f"batch number {place}": readings + 9 * (-1) ** place
        for place, readings in enumerate(batches.values(), start=1)
    }
    assert mean_sd(spoiled).finding.endswith("the first at batch number 1")


def test_a_value_and_its_limit_never_look_equal() -> None:
    readings = np.tile([0.0, 1.0], 10)
    limit = individuals([*readings, 0.0]).upper
    chart = individuals([*readings, limit + 0.4])
    row = chart.signals.iloc[0]
    value, upper = row["reason"].split(" g is above the upper limit ")
    assert float(value.removeprefix("reading ")) > float(upper.partition(" g")[0])


def test_the_summary_says_that_limits_vary() -> None:
    text = str(mean_sd([[1.0, 2.0], [1.5, 2.5, 2.0], [1.0, 1.5, 2.0, 3.0]]))
    assert "widest limits" in text
    assert "vary from point to point" in text


def test_the_limits_of_few_points_are_not_trusted() -> None:
    means = pd.Series(np.random.default_rng(2).normal(120, 1, 12)).rename_axis("batch")
    few = individuals(means[:6], what="batch mean")
    assert few.few
    assert few.finding == "6 batches so far: too few to trust the limits, shown for orientation"
    assert few.spread.finding == few.finding
    assert not individuals(means).few
    assert individuals(means).finding == "All 12 readings lie within the limits"


def test_from_twelve_points_the_limits_err_by_chance_no_more_than_is_said() -> None:
    # The figures beside FEWEST, by simulation.
    random = np.random.default_rng(12)
    charts = [individuals(random.normal(0, 1, FEWEST)) for _ in range(1500)]
    sigma = np.array([chart.sigma for chart in charts])
    assert np.quantile(sigma, [0.05, 0.95]) == pytest.approx([0.6, 1.48], abs=0.05)
    outside = np.mean(
        [
            (np.abs(random.normal(0, 1, 200) - chart.centre) > 3 * chart.sigma).mean()
            for chart in charts
        ]
    )
    assert outside == pytest.approx(0.019, abs=0.004)


def test_nothing_is_called_moving_range_without_saying_what_it_is() -> None:
    means = pd.Series(np.random.default_rng(2).normal(120, 1, 12)).rename_axis("batch")
    chart = individuals(means, what="batch mean")
    assert chart.basis == ("how much one batch differs from the next (mean moving range over d2)")
    assert chart.spread.what == "difference from the batch before"
    assert chart.spread.finding == (
        "All 11 differences from the batch before lie within the limits"
    )


@pytest.mark.parametrize("chart", [individuals, lambda values: mean_range(values.reshape(4, 3))])
def test_what_binary_fractions_leave_of_equal_readings_is_no_spread(chart) -> None:
    readings = np.full(12, 0.3)
    readings[::2] = 0.1 + 0.2
    with pytest.raises(ValueError, match="finer scale"):
        chart(readings)
