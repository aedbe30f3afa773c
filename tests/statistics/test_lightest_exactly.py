"""
The joint chance of mean and counts against exact integrals, without any sampling.

Taking one standardised residual away leaves residuals of a sample one smaller, so the chance that
at most j of n residuals lie below t follows from that for n - 1 by one integral.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import gammaincinv, gammaln, ndtr
from scipy.stats import binom

from qa_tools.books.chance import _scale
from qa_tools.statistics.lightest import mean_below, together

Array = NDArray[np.float64]
GRID = np.linspace(-6, 6, 4001)
SIZES = {12: 0.635, 24: 0.422, 30: 0.503}  # and their factors
MOST = 4


def at_most(largest: int) -> dict[int, Array]:
    """By sample size: the chance that at most 0, 1, ... residuals lie below each GRID value."""
    half = math.sqrt(0.5)  # the two residuals of a sample of two are plus and minus this
    below = (-half < GRID).astype(int) + (half < GRID)
    chance = np.array([(below <= j).astype(float) for j in range(MOST)])
    kept, (x, weight) = {}, np.polynomial.legendre.leggauss(30)
    for n in range(3, largest + 1):
        reach = (n - 1) / math.sqrt(n)  # a residual is reach * sin(angle), density cos^(n - 3)
        norm = math.exp(gammaln((n - 2) / 2) - gammaln((n - 1) / 2)) * math.sqrt(math.pi)
        angle = np.arcsin(np.clip(GRID / reach, -1, 1))
        new = np.zeros_like(chance)
        for low, high, counts in ((-math.pi / 2, angle, 1), (angle, math.pi / 2, 0)):
            for at, w in zip(x, weight, strict=True):
                turn = (high + low) / 2 + (high - low) / 2 * at
                taken = reach * np.sin(turn)
                share = w * (high - low) / 2 * np.cos(turn) ** (n - 3) / norm
                left = np.maximum(n - 1 - taken**2 * n / (n - 1), 1e-12)  # squares of the others
                moved = (GRID + taken / (n - 1)) / np.sqrt(left / (n - 2))
                for j in range(counts, MOST):
                    new[j] += share * np.interp(moved, GRID, chance[j - counts])
        chance = new
        if n in SIZES:
            kept[n] = chance
    return kept


def exactly(n: int, factor: float, limit: float, edge: float, residuals: Array) -> float:
    """Chance that the mean reaches its limit and at most so many lie below the edge."""
    half = (n - 1) / 2
    x, weight = np.polynomial.legendre.leggauss(80)
    low, high = (math.sqrt(gammaincinv(half, q) / half) for q in (1e-14, 1 - 1e-14))
    total = 0.0
    for s, w in zip(low + (high - low) * (x + 1) / 2, weight * (high - low) / 2, strict=True):
        log = math.log(2 * half**half) - gammaln(half) + (n - 2) * math.log(s) - half * s**2
        start, end = max(limit - factor * s, -9 / math.sqrt(n)), 9 / math.sqrt(n)
        if start < end:
            z = start + (end - start) * (x + 1) / 2
            normal = math.sqrt(n / 2 / math.pi) * np.exp(-n * z**2 / 2) * weight * (end - start) / 2
            total += w * math.exp(log) * (normal @ np.interp((edge - z) / s, GRID, residuals))
    return total


@pytest.mark.slow
def test_the_error_is_well_within_what_is_stated() -> None:
    """Stated: 0.0005, and 2 % of the smaller of chance and complement down to 1 in 1000."""
    tables = at_most(max(SIZES))
    worst, worst_share = 0.0, 0.0
    for n, factor in SIZES.items():
        for j in range(MOST):
            for light in (0.99, 0.8, 0.5, 0.2, 0.05, 0.01, 0.001):
                edge = brentq(lambda a, j=j, n=n, p=light: binom.sf(j, n, ndtr(a)) - p, -6, 3)
                for limit in np.linspace(-0.4, 1.2, 5):
                    low = mean_below(n, factor, np.array([limit]))
                    own = exactly(n, factor, limit, edge, tables[n][j])
                    count = exactly(n, factor, -9.0, edge, tables[n][j])
                    found = together(n, factor, np.array([limit]), [np.array([edge])], (j,))
                    said, true = (
                        float(
                            _scale(
                                np.array(
                                    [[both, mean - both], [few - both, 1 - mean - few + both]]
                                ),
                                low,
                                np.array([light]),
                            )[0]
                        )
                        for both, mean, few in (
                            (found.both, found.mean, found.lowest),
                            (np.array([own]), 1 - low, np.array([count])),
                        )
                    )
                    worst = max(worst, abs(said - true))
                    if 1e-3 < true < 1 - 1e-3:
                        worst_share = max(worst_share, abs(said - true) / min(true, 1 - true))
    assert worst < 2e-4
    assert worst_share < 0.01
