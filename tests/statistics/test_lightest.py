"""The lightest of a sample beside its mean and sd: against SciPy and against exact sampling."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr, ndtri
from scipy.stats import binom, nct

from qa_tools.statistics.lightest import lowest_residuals, mean_below, together


@pytest.mark.parametrize(
    "n, factor",
    [(2, 8.985), (3, 2.484), (5, 1.241), (12, 0.635), (30, 0.503), (50, 0.379), (125, 0.234)],
)
def test_the_mean_test_is_a_non_central_t_probability(n: int, factor: float) -> None:
    shifts = np.array([-1.5, -0.5, 0.0, 0.2, 0.5, 1.0])
    root = np.sqrt(n)
    expected = nct.cdf(-factor * root, n - 1, -shifts * root)
    assert mean_below(n, factor, shifts) == pytest.approx(expected, rel=1e-7, abs=1e-13)


def test_without_a_factor_the_mean_alone_decides() -> None:
    assert mean_below(25, 0.0, np.array([0.2])) == pytest.approx(ndtr(1.0))


def test_residuals_have_mean_zero_and_the_known_lowest() -> None:
    lowest = lowest_residuals(3, 3).astype(float)
    assert np.abs(lowest.sum(axis=1)).max() < 1e-3  # single precision
    assert np.abs((lowest**2).sum(axis=1) - 2).max() < 1e-3
    assert lowest[:, 0].min() >= -2 / np.sqrt(3) - 1e-5  # -(n - 1) over the root of n


@pytest.mark.parametrize("n, place", [(2, 0), (12, 0), (12, 1), (30, 2), (125, 7)])
def test_each_test_alone_comes_near_its_exact_chance(n: int, place: int) -> None:
    edges = np.linspace(-3, -0.5, 11)
    found = together(n, 0.5, np.full(11, -np.inf), [edges], (place,))
    assert found.mean == pytest.approx(1)
    assert found.lowest == pytest.approx(binom.cdf(place, n, ndtr(edges)), abs=2e-3)
    assert found.both == pytest.approx(found.lowest)


@pytest.mark.parametrize("n, factor, place", [(12, 0.635, 0), (30, 0.503, 1), (50, 0.379, 3)])
@pytest.mark.parametrize("share", [0.02, 0.1])
def test_both_together_against_samples_with_a_given_count(
    n: int, factor: float, place: int, share: float
) -> None:
    """Samples with exactly i packages below the edge, weighted by the binomial chance of i."""
    rng, draws, limits = np.random.default_rng(n), 40_000, np.array([-0.2, 0.1, 0.4])
    edge, expected = ndtri(share), np.zeros(3)
    for i in range(place + 1):
        z = ndtri(share + (1 - share) * rng.random((draws, n)))
        z[:, :i] = ndtri(share * rng.random((draws, i)))
        reached = z.mean(axis=1) + factor * z.std(axis=1, ddof=1) >= limits[:, None]
        expected += binom.pmf(i, n, share) * reached.mean(axis=1)
    found = together(n, factor, limits, [np.full(3, edge)], (place,))
    error = 0.5 * binom.cdf(place, n, share) / np.sqrt(draws)
    assert found.both == pytest.approx(expected, abs=4 * error + 2e-3)


def test_a_second_limit_only_takes_away() -> None:
    limit, edge = np.array([0.1]), np.array([-1.5])
    one = together(30, 0.503, limit, [edge], (3,)).both
    same = together(30, 0.503, limit, [edge, np.array([-9.0])], (3, 0)).both
    both = together(30, 0.503, limit, [edge, np.array([-2.5])], (3, 0)).both
    assert same == pytest.approx(one, abs=1e-3)
    assert both < one - 0.05


def test_one_package_is_its_own_mean() -> None:
    found = together(1, 0.0, np.array([0.5]), [np.array([1.0])], (0,))
    assert found.both == pytest.approx(ndtr(-1.0))
