"""Constants: any size, any shape, and what is refused."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ndtr

from qa_tools.charts import constants


@pytest.mark.parametrize("n", [30, 100, 1000, 10_000])
def test_large_subgroups_against_adaptive_integration(n: int) -> None:
    def beyond(x: float) -> float:
        return float(1 - ndtr(x) ** n - ndtr(-x) ** n)

    d2, _ = quad(beyond, -10, 10, epsabs=1e-12, epsrel=1e-12, limit=400, points=[-4, -2, 0, 2, 4])
    assert constants(n).d2 == pytest.approx(d2, abs=1e-10)


def test_sd_of_the_range_against_its_density() -> None:
    # For three readings E(R^2) = 2 + 3 sqrt(3) / pi, by the density of the range.
    second_moment = 2 + 3 * np.sqrt(3) / np.pi
    assert constants(3).d3 == pytest.approx(np.sqrt(second_moment - 9 / np.pi), abs=1e-10)


def test_against_simulated_ranges_and_sds() -> None:
    sample = np.random.default_rng(20).normal(size=(40_000, 12))
    ranges, sds = np.ptp(sample, axis=1), sample.std(axis=1, ddof=1)
    twelve = constants(12)
    four_errors = 4 / np.sqrt(len(sample))
    assert ranges.mean() == pytest.approx(twelve.d2, abs=four_errors * twelve.d3)
    assert sds.mean() == pytest.approx(twelve.c4, abs=four_errors * np.sqrt(1 - twelve.c4**2))
    # the sd of an sd: kurtosis of the range is near 3.3, so 1.2 / sqrt(2 m) a standard error
    assert ranges.std() == pytest.approx(twelve.d3, abs=four_errors * 1.2 * twelve.d3)


def test_c4_keeps_its_digits_for_huge_samples() -> None:
    n = 10_000_000
    series = 1 - 1 / (4 * n) - 7 / (32 * n**2)
    assert constants(n).c4 == pytest.approx(series, abs=1e-14)


def test_an_array_of_sizes_gives_arrays_of_its_shape() -> None:
    table = constants([[2, 5], [5, 9]])
    assert table.d2.shape == (2, 2)
    assert table.d2[0, 1] == table.d2[1, 0] == constants(5).d2
    assert isinstance(constants(5).D4, float)


def test_lower_factors_never_fall_below_zero() -> None:
    two = constants(2)
    assert (two.B3, two.D3) == (0.0, 0.0)


@pytest.mark.parametrize("n", [1, 0, -3, [5, 1]])
def test_one_reading_has_no_spread(n: object) -> None:
    with pytest.raises(ValueError, match=r"2 or more readings.*charts\.individuals"):
        constants(n)


@pytest.mark.parametrize("n", [2.5, "5", None, [], float("nan"), float("inf")])
def test_a_size_is_a_whole_number(n: object) -> None:
    with pytest.raises(ValueError, match="whole number"):
        constants(n)
