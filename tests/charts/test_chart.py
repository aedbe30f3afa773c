"""A chart's own words: what it finds, its numbers in words, its table."""

import numpy as np
import pytest

from qa_tools.charts import batch_means, cusum, ewma, individuals, mean_range, mean_sd
from qa_tools.charts.chart import FEWEST, plural, table_of_points

SWING = [0.5, -0.4] * 8


def test_nothing_shows_a_minus_zero() -> None:
    assert "-0.0" not in repr(individuals([*SWING, -0.802]))  # centre -0.0001
    reasons = table_of_points(
        what="mean",
        unit="g",
        point=np.array([1]),
        label=["a"],
        n=np.array([1]),
        value=np.array([-3.0]),
        centre=-1.0,
        lower=-0.0001,
        upper=0.0,
        high="high",
        low="low",
    )["reason"]
    assert "-0.0 g" not in reasons.item()


def test_numbers_that_differ_look_different_however_close() -> None:
    words = table_of_points(
        what="mean",
        unit="g",
        point=np.array([1]),
        label=["a"],
        n=np.array([1]),
        value=np.array([25.0004]),
        centre=20.0,
        lower=15.0,
        upper=25.0003,
        high="high",
        low="low",
    ).loc[0, "reason"]
    assert words == "mean 25.0004 g is above the upper limit 25.0003 g: high"


@pytest.mark.parametrize("behind", [FEWEST - 1, FEWEST, None])
def test_a_reason_owns_up_to_few_points(behind) -> None:
    reason = table_of_points(
        what="mean",
        unit="g",
        point=np.array([1]),
        label=["a"],
        n=np.array([1]),
        value=np.array([3.0]),
        centre=1.0,
        lower=0.0,
        upper=2.0,
        high="high",
        low="low",
        behind=behind,
    ).loc[0, "reason"]
    assert ("uncertain" in reason) == (behind == FEWEST - 1)


def test_signals_are_rows_of_the_table_and_a_chart_without_any_has_none() -> None:
    chart = individuals([*SWING, 9.0])
    assert chart.signals["point"].tolist() == [17]
    assert chart.signals.columns.tolist() == chart.points.columns.tolist()
    assert individuals(SWING).signals.empty


@pytest.mark.parametrize(
    ("one", "many"),
    [
        ("batch", "batches"),
        ("box", "boxes"),
        ("standard deviation", "standard deviations"),
        ("difference from the batch before", "differences from the batch before"),
    ],
)
def test_more_than_one(one: str, many: str) -> None:
    assert plural(one) == many


BY_TWOS = ["a", "a", "b", "b", "c", "c", "d", "d"]


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ([120.0], "takes two or more, better twenty; got 1"),
        ([], "takes two or more, better twenty; got 0"),
        ([120.3] * 8, "equal .sd 0.* finer scale"),
        ([np.nan] * 8, "all 8 are missing .* right column"),
        ([120.0, np.nan, 121.0], "reading 2 is missing .* Leave it out"),
    ],
)
@pytest.mark.parametrize("chart", [individuals, ewma, cusum])
def test_readings_that_cannot_carry_limits_say_what_would_work(chart, values, says) -> None:
    with pytest.raises(ValueError, match=says):
        chart(values)


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ([[120.0, 121.0]], "two or more subgroups of two or more readings, better twenty; got 1"),
        ([[120.0], [121.0]], "0 of them with two readings or more.* charts.individuals"),
        ([[120.3] * 2] * 4, "equal .sd 0.* finer scale"),
        ([[np.nan] * 2] * 4, "all 2 are missing .* right column"),
    ],
)
@pytest.mark.parametrize("chart", [mean_range, mean_sd])
def test_subgroups_that_cannot_carry_limits_say_what_would_work(chart, values, says) -> None:
    with pytest.raises(ValueError, match=says):
        chart(values)


@pytest.mark.parametrize(
    ("values", "batch", "says"),
    [
        ([120.0], ["a"], "better twenty; got 1"),
        ([120.0, 121.0], ["a", "a"], "better twenty; got 1"),
        ([120.3] * 8, BY_TWOS, "equal .sd 0.* finer scale"),
        ([np.nan] * 8, BY_TWOS, "all 8 are missing .* right column"),
    ],
)
def test_batches_that_cannot_carry_limits_say_what_would_work(values, batch, says) -> None:
    with pytest.raises(ValueError, match=says):
        batch_means(values, batch)


@pytest.mark.parametrize("weight", [-0.2, 0, 1.01, np.nan])
def test_a_weight_out_of_range_says_its_range(weight: float) -> None:
    with pytest.raises(ValueError, match="above 0 and at most 1"):
        ewma([1.0, 2.0, 1.5], weight=weight)


def test_a_limit_is_told_to_a_third_of_a_points_own_sd_or_finer() -> None:
    # Of batch means that differ by grams, half a gram still tells fill from label.
    chart = batch_means([118.4, 118.5, 119.4, 119.5, 122.4, 122.6, 123.4, 123.5], list("AABBCCDD"))
    assert chart.decimals == 1
    texts = [note.text for note in chart.figure().layout.annotations]
    assert f"centre {chart.centre:.1f} g" in texts
