"""Limits from medians: unmoved by a few points out of order, without bias, refused when coarse."""

import numpy as np
import pytest

from qa_tools.charts import individuals, mean_range, mean_sd
from qa_tools.charts.factors import range_median, sd_median

both = pytest.mark.parametrize("chart", [mean_range, mean_sd])


def test_median_factors_against_tables_and_closed_forms() -> None:
    # Median of the range over sigma, n = 2 to 10: classical table, three decimals, from memory.
    table = [0.954, 1.588, 1.978, 2.257, 2.472, 2.645, 2.791, 2.915, 3.024]
    assert range_median(np.arange(2, 11)) == pytest.approx(table, abs=0.0011)
    # two readings: |N(0, 2)|, whose median is sqrt 2 times the upper quartile of N(0, 1)
    assert range_median(np.array([2])) == pytest.approx([2**0.5 * 0.6744897501960817], rel=1e-9)
    assert sd_median(np.array([2])) == pytest.approx([0.6744897501960817], rel=1e-12)
    assert sd_median(np.array([3])) == pytest.approx([np.sqrt(np.log(2))], rel=1e-12)


def test_median_factors_against_simulation() -> None:
    sample = np.random.default_rng(3).normal(size=(40_000, 7))
    four_errors = 4 * 0.5 / np.sqrt(len(sample)) / 0.4  # 0.4: the density at the median, about
    assert np.median(np.ptp(sample, axis=1)) == pytest.approx(
        range_median(np.array([7]))[0], abs=four_errors
    )
    assert np.median(sample.std(axis=1, ddof=1)) == pytest.approx(
        sd_median(np.array([7]))[0], abs=four_errors
    )


@both
def test_wild_subgroups_hardly_move_the_limits(chart) -> None:
    rows = np.random.default_rng(4).normal(120, 1.5, (30, 5))
    wild = rows.copy()
    wild[[4, 11, 19]] += np.array([[0.0, 12, 0, 0, 0]] * 3)
    before, after = chart(rows, robust=True), chart(wild, robust=True)
    assert after.sigma == pytest.approx(before.sigma, rel=0.15)
    assert after.centre == pytest.approx(before.centre, abs=0.3)
    assert chart(wild).sigma > 1.15 * chart(rows).sigma
    assert len(after.spread.signals) == 3
    assert chart(wild).spread.signals["value"].min() > after.spread.upper
    assert "median" in after.basis


@both
def test_sigma_from_medians_is_about_right_for_unequal_sizes(chart) -> None:
    random = np.random.default_rng(5)
    sizes = [2, 3, 5, 9] * 10
    found = [chart([random.normal(0, 1, n) for n in sizes], robust=True).sigma for _ in range(400)]
    assert np.mean(found) == pytest.approx(1, abs=0.02)


def test_single_readings_keep_their_limits_beside_a_slip() -> None:
    readings = np.random.default_rng(6).normal(120, 1, 30)
    slip = readings.copy()
    slip[9] = 12.0
    robust = individuals(slip, robust=True)
    assert robust.sigma == pytest.approx(individuals(readings, robust=True).sigma, rel=0.3)
    assert robust.signals["point"].tolist() == [10]
    assert robust.centre == np.median(slip)


def test_medians_of_nothing_but_equal_readings_are_refused() -> None:
    with pytest.raises(ValueError, match=r"half of the differences .* leave robust out"):
        individuals([5.0, 5.0, 5.0, 5.0, 6.0], robust=True)
    with pytest.raises(ValueError, match=r"half of the ranges or more are 0"):
        mean_range([[5.0, 5.0], [5.0, 5.0], [5.0, 6.0]], robust=True)
