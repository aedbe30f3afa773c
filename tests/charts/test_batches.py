"""Batch means against how batches differ: a light batch, sizes, what the note says, bad input."""

import numpy as np
import pandas as pd
import pytest

from qa_tools.charts import Base, batch_means, chance_outside, individuals, mean_sd


def works(seed: int, sizes: list[int], between: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(seed)
    batch = np.repeat([f"B{i:02d}" for i in range(len(sizes))], sizes)
    level = np.repeat(random.normal(0, between, len(sizes)), sizes)
    return 120 + level + random.normal(0, 0.5, len(batch)), batch


def test_batches_that_differ_do_not_alarm_where_the_ordinary_chart_does() -> None:
    values, batch = works(1, [8] * 20)
    chart = batch_means(values, batch)
    assert chart.signals.empty
    assert len(mean_sd(pd.Series(values, index=batch)).signals) >= 10
    assert "The ordinary mean chart would alarm on" in chart.note
    assert f"{100 * chart.components.share_between:.0f} % of the variance" in chart.note
    assert chart.note in repr(chart)
    assert f"sd of one reading {chart.components.within:.{chart.decimals + 1}f} g" in repr(chart)


def test_batches_that_do_not_differ_get_the_ordinary_limits_and_no_such_message() -> None:
    values, batch = works(2, [8] * 20, between=0.0)
    chart = batch_means(values, batch)
    ordinary = mean_sd(pd.Series(values, index=batch))
    assert chart.upper == pytest.approx(ordinary.upper, abs=0.15)
    assert "alarm" not in chart.note


def test_a_light_batch_among_twenty_is_found_and_no_other() -> None:
    values, batch = works(3, [8] * 30, between=0.5)
    chart = batch_means(np.where(batch == "B17", values - 5, values), batch)
    assert chart.signals["label"].tolist() == ["B17"]
    assert "one batch far below the others" in chart.signals["reason"].item()


def test_small_batches_have_wider_limits_and_one_reading_has_no_spread() -> None:
    values, batch = works(4, [8, 2, 1, 8, 8, 5, 8, 8, 8, 8, 8, 8])
    points = batch_means(values, batch).points
    width = (points["upper"] - points["lower"]) / 6
    found = batch_means(values, batch)
    expected = np.sqrt(found.components.between**2 + found.components.within**2 / points["n"])
    assert width.to_numpy() == pytest.approx(expected.to_numpy())
    assert "B02" not in found.spread.points["label"].tolist()
    assert found.spread.what == "standard deviation"


def test_a_series_whose_own_index_is_something_else_is_taken_by_place() -> None:
    values, batch = works(5, [4] * 12)
    series = pd.Series(values, index=range(100, 100 + len(values)))
    column = pd.Series(batch, index=series.index)
    assert batch_means(series, column).points.equals(batch_means(values, batch).points)


def test_single_readings_of_batches_are_charted_as_such_and_it_says_so() -> None:
    values, batch = works(7, [1] * 14)
    chart = batch_means(values, batch, base=Base("B00", "B11"))
    plain = individuals(pd.Series(values, index=batch), base=12)
    assert (chart.lower, chart.upper, chart.sigma) == (plain.lower, plain.upper, plain.sigma)
    assert (chart.what, chart.each, chart.components) == ("batch mean", "batch", None)
    assert "and held from B12 on. No batch has more than a single reading" in chart.note
    assert "(batch)" not in repr(chart)


def test_batches_without_a_spread_of_their_own_are_charted_by_their_means() -> None:
    alike = np.repeat([120.0, 121.0, 119.5, 120.5], 3)
    chart = batch_means(alike, np.repeat(list("abcd"), 3))
    assert chart.points["value"].tolist() == [120.0, 121.0, 119.5, 120.5]
    assert chart.points["n"].tolist() == [3] * 4
    assert "Within every batch all readings are equal" in chart.note
    one = batch_means([120.0, 121.0, 119.0, 120.0], ["a", "a", "b", "c"])
    assert one.points["value"].tolist() == [120.5, 119.0, 120.0]
    assert "Only one batch has more than a single reading" in one.note


def test_batches_that_differ_by_no_more_than_readings_explain_are_said_to() -> None:
    readings = np.tile([119.0, 120.0, 121.5, 119.5], 12) + np.repeat([0.1, -0.1], 24)
    chart = batch_means(readings, np.repeat(np.arange(12), 4))
    assert chart.components.between == 0
    assert chart.note.startswith("Batches differ no more than their readings explain")
    expected = 3 * chart.components.within / 2
    assert chart.upper - chart.centre == pytest.approx(expected)


@pytest.mark.parametrize(
    ("base", "says"),
    [
        (12, "at most about 1 in 67 new batches in order falls outside limits set on 12"),
        (30, "1 in 161 new batches"),
        (None, "1 in 568 of these batches falls outside limits it helped to set; of new ones in"),
    ],
)
def test_it_says_how_often_it_cries_wolf(base, says) -> None:
    assert says in batch_means(*works(8, [6] * 54), base=base).note


def test_limits_set_on_the_few_batches_they_judge_are_said_to_hide_them() -> None:
    values, batch = works(9, [6] * 10)
    chart = batch_means(np.where(batch == "B04", values - 90, values), batch)
    assert chart.signals.empty
    assert "Limits set on 10 batches hardly show one of these out of order" in chart.note


@pytest.mark.parametrize("batches", [1, "20", 2.5, None, np.nan])
def test_chances_of_one_batch_or_of_no_number_are_none(batches: object) -> None:
    with pytest.raises(ValueError, match=f"two batches or more, better twenty; got {batches!r}"):
        chance_outside(batches)


def test_it_draws_itself() -> None:
    figure = batch_means(*works(6, [4] * 14)).figure()
    assert figure.layout.yaxis.title.text == "Batch mean (g)"
    assert "Limits from how much batches differ" in [a.text for a in figure.layout.annotations]


@pytest.mark.parametrize(
    ("values", "batch", "says"),
    [
        (None, ["a"], "expected a row of readings, found None"),
        ([1.0, 2.0], None, "batch is a row with the batch of each reading.*got None"),
        ([1.0, 2.0], "ab", "batch is a row with the batch of each reading.*got 'ab'"),
        ([[1.0, 2.0], [3.0]], ["a", "b"], "found rows of unequal length"),
        ([[1.0, 2.0], [3.0, 4.0]], ["a", "b"], r"found a table of shape \(2, 2\)"),
        ([1.0, 2.0, 3.0], [["a"], ["b", "c"], ["d"]], "label of a reading is a word.*got .'a'"),
        (pd.Series([1.0, 2.0, 3.0])[::-1], pd.Series(list("aab")), "different orders: sort"),
        ([], [], "two or more subgroups.*got 0"),
        ([1.0], ["a"], "two or more subgroups"),
        ([1.0, 1.0], ["a", "b"], "finer scale"),
        ([1.0, 2.0], ["a"], "got 2 readings and 1 batches"),
        ([1.0, 2.0, 3.0], ["a", "a", None], "reading 3 has no label"),
        ([1.0, 2.0, 3.0, 4.0], ["a", "a", "a", "a"], "two or more subgroups"),
        ([1.0, np.nan, 3.0, 4.0], ["a", "a", "b", "b"], "reading 2 is missing"),
        ([4.0, 4.0, 4.0, 4.0], ["a", "a", "b", "b"], "finer scale"),
    ],
)
def test_bad_input_says_what_would_work(values, batch, says) -> None:
    with pytest.raises(ValueError, match=says):
        batch_means(values, batch)
