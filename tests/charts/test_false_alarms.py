"""
Fault-free works of twelve weeks: the charts cry wolf as often as they are designed to, no more.

The chances below are exact for normal readings in batches of equal size, averaged over what the
limits may turn out to be; they are written from the definition of the limits, by quadrature over
the chi-square variables behind them, and take nothing from the package. Weights are rounded to the
0.1 g of the scale, which the chances leave out: the variance of rounding, 0.1² / 12, is below 0.1 %
of any variance here.
"""

from typing import NamedTuple

import numpy as np
import pytest
from scipy.special import gammaln
from scipy.stats import chi, chi2, norm

from qa_tools.charts import batch_means, chance_outside
from qa_tools.statistics.components import components


class Line(NamedTuple):
    """A product as it comes off the bench in twelve weeks, much as in the invented works."""

    batches: int
    n: int
    mean: float
    between: float
    within: float
    base: int


LINES = {
    "jars": Line(16, 30, 253.6, 0.7, 3.9, base=12),
    "tins": Line(12, 30, 61.3, 0.1, 1.0, base=8),
    "bars": Line(20, 36, 121.5, 0.85, 1.6, base=10),
}
NODES = (np.arange(2000) + 0.5) / 2000  # the same chance behind each


def works(line: Line, number: int, seed: int) -> np.ndarray:
    """Weights of shape (works, batches, n), as the scale shows them."""
    random = np.random.default_rng(seed)
    level = random.normal(line.mean, line.between, (number, line.batches, 1))
    return np.round(random.normal(level, line.within, (number, line.batches, line.n)), 1)


def mean_chance(line: Line, m: int, *, among: bool) -> float:
    """Chance that a batch mean in order falls outside limits from m batches."""
    total = m * line.n
    level = line.n * line.between**2 + line.within**2  # of n times the variance of batch means
    inside = chi2.ppf(NODES[::5], total - m)[:, np.newaxis] * line.within**2
    if not among:
        squares = level * chi2.ppf(NODES, m - 1)
        variance = np.maximum(squares / (m - 1), (squares + inside) / (total - 1))
        return float(2 * norm.sf(3 * np.sqrt(variance / level / (1 + 1 / m))).mean())
    # n (x - mean)² = d makes up m / (m - 1) d of the squares between; the others are the rest, and
    # d is beyond both limits, the one from batch means and the one from all readings.
    rest = level * chi2.ppf(NODES, m - 2)
    own = m / (m - 1)
    by_means = 9 * rest / (m - 1) / max(1 - 9 * own / (m - 1), 1e-300)
    by_all = 9 * (rest + inside) / (total - 1) / (1 - 9 * own / (total - 1))
    return float(2 * norm.sf(np.sqrt(np.maximum(by_means, by_all) / level * own)).mean())


def spread_chance(line: Line, m: int, *, among: bool) -> float:
    """Chance that the sd of a batch in order falls outside limits from m batches."""
    n = line.n
    c4 = np.sqrt(2 / (n - 1)) * np.exp(gammaln(n / 2) - gammaln((n - 1) / 2))
    stray = np.sqrt(1 - c4**2)
    others = m - 1 if among else m
    # The mean of so many sds over c4: as normal as matters, checked by the simulation itself.
    sigma = norm.ppf(NODES, 1, stray / c4 / np.sqrt(others))
    chance = 0.0
    for side, tail in ((c4 - 3 * stray, chi.cdf), (c4 + 3 * stray, chi.sf)):
        limit = side * sigma
        if among:  # sigma is made of the batch's own sd too
            limit = side / m * others * sigma / (1 - side / m / c4)
        chance += float(tail(limit * np.sqrt(n - 1), n - 1).mean())
    return chance


def check(line: Line, number: int, base: int | None, seed: int) -> None:
    """The share of batches called out, of means and of spreads, within four standard errors."""
    labels = np.repeat([f"B{place:02d}" for place in range(line.batches)], line.n)
    called = np.zeros((number, 2))
    for work, weights in enumerate(works(line, number, seed)):
        chart = batch_means(weights.ravel(), labels, base=base)
        for which, part in enumerate((chart, chart.spread)):
            judged = part.points if base is None else part.points[~part.points["base"]]
            called[work, which] = (judged["reason"] != "").mean()
    m = line.batches if base is None else base
    among = base is None
    for which, chance in enumerate((mean_chance, spread_chance)):
        expected = chance(line, m, among=among)
        points = number * (line.batches if among else line.batches - m)
        error = called[:, which].std() / np.sqrt(number)
        # Few alarms make a poor guess of their own error: no less than if points were independent.
        error = max(error, np.sqrt(expected * (1 - expected) / points))
        assert abs(called[:, which].mean() - expected) < 4 * error, chance.__name__


def test_200_works_with_limits_held() -> None:
    check(LINES["jars"], 200, base=12, seed=1)


@pytest.mark.slow
@pytest.mark.parametrize("held", [True, False])
@pytest.mark.parametrize("name", LINES)
def test_many_works(name: str, held: bool) -> None:
    line = LINES[name]
    check(line, 1000, base=line.base if held else None, seed=2)


@pytest.mark.parametrize("m", [2, 6, 12, 30])
def test_the_chance_stated_is_that_of_batches_which_clearly_differ(m: int) -> None:
    differ = Line(m, 30, 120.0, 100.0, 1.0, base=m)
    assert chance_outside(m) == pytest.approx(mean_chance(differ, m, among=False), rel=2e-3)


@pytest.mark.parametrize("m", [16, 20, 60])
def test_so_is_the_chance_of_one_among_them(m: int) -> None:
    differ = Line(m, 30, 120.0, 100.0, 1.0, base=m)
    assert chance_outside(m, among=True) == pytest.approx(
        mean_chance(differ, m, among=True), rel=0.02
    )


@pytest.mark.parametrize("number", [400, pytest.param(6000, marks=pytest.mark.slow)])
def test_of_unequal_sizes_new_batches_fall_outside_about_as_often_as_stated(number: int) -> None:
    random = np.random.default_rng(3)
    outside = np.zeros(number)
    for work in range(number):
        sizes, n = random.integers(5, 31, 12), random.integers(5, 31)
        means = random.normal(0, np.sqrt(1 + 1 / sizes))
        found = components(sizes, means, float(random.chisquare((sizes - 1).sum())))
        reach = 3 * np.sqrt(found.between**2 + found.within**2 / n)
        sd = np.sqrt(1 + 1 / n)
        outside[work] = norm.sf((found.mean + reach) / sd) + norm.cdf((found.mean - reach) / sd)
    error = outside.std() / np.sqrt(number)
    assert abs(outside.mean() / chance_outside(12) - 1.02) < 0.03 + 4 * error / chance_outside(12)


@pytest.mark.parametrize("ratio", [0.0, 0.3, 1.0])
def test_batches_that_hardly_differ_are_called_out_less_often_than_stated(ratio: float) -> None:
    for m in (8, 12, 20):
        alike = Line(m, 16, 120.0, ratio / 4, 1.0, base=m)
        assert mean_chance(alike, m, among=False) < chance_outside(m)
