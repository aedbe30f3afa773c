"""Batch means against how batches differ: false alarms, a light batch, sizes, bad input."""

import numpy as np
import pandas as pd
import pytest

from qa_tools.charts import batch_means, mean_sd


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


def test_it_draws_itself() -> None:
    figure = batch_means(*works(6, [4] * 14)).figure()
    assert figure.layout.yaxis.title.text == "Batch mean (g)"
    assert "Limits from how much batches differ" in [a.text for a in figure.layout.annotations]


@pytest.mark.parametrize(
    ("values", "batch", "says"),
    [
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
