"""The packages of a batch that were not weighed, predicted from those that were."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from qa_tools.statistics.finite import group_numbers

Array = NDArray[np.float64]
Draw = Callable[[int, int], Array]

ENOUGH: Final = 20  # weighings below which a sample does not show its shape
# Both bounds are passed by about 1 in 100 samples of normal fills (simulated in the tests).
_EDGE: Final = 0.05  # chance, taken large, of a lightest package so close to the mean
_SKEWED: Final = 2.6  # standard errors of the skewness
# Steps of an even three-dimensional sequence: powers of the root of x^4 = x + 1 (Roberts, 2018,
# from memory).
_STEPS: Final = np.array([1.2207440846**-power for power in (1, 2, 3)])


class Prediction(NamedTuple):
    """
    How the packages not weighed are predicted.

    ``draw(k, m)`` gives an array (states, k, m): m packages, k times, in each state of what the
    sample leaves unknown; further calls go on with the same states.
    """

    method: str
    why: str
    draw: Draw


def prediction(
    values: Array,
    unweighed: int,
    states: int,
    rng: np.random.Generator,
    group: Sequence[object] | None = None,
) -> Prediction:
    r"""
    Choose, from the weighings, how to predict the packages that were not weighed.

    * Grouped (loaves, trays): group means and packages within a group both vary normally, and the
      packages not weighed come from other groups, as large as the largest seen.
    * The lightest stands too close to the mean for normal fills, as after sorting or topping up:
      the weighed ones themselves, each with a share the sample leaves unknown (the Bayesian
      bootstrap). A normal tail below such an edge would be invented.
    * Skewed: a shifted log-normal distribution fitted to mean, spread and skewness of the same
      reweighted weighings. The bootstrap alone would end at the lightest weighed, just where a
      long light tail decides.
    * Otherwise normal.

    Prior: mean and log sd flat (:math:`1/\sigma^2` on the variance). With groups the log variance
    within is flat, and that of group means (times packages a group), which is no smaller. Few
    groups then leave much unknown; where groups are in truth alike this errs to the wide side.

    Parameters
    ----------
    values : ndarray, shape (n,)
        At least two.
    unweighed : int
        Packages to predict.
    states : int
        How many states of what the sample leaves unknown.
    rng : numpy Generator
    group : sequence, shape (n,), optional

    Raises
    ------
    ValueError
        One value alone, or all from one group.

    Notes
    -----
    Prior and predictive distribution: Box and Tiao, Bayesian Inference in Statistical Analysis
    (1973), 2.4 and 5.2; Bayesian bootstrap: Rubin, Annals of Statistics 9 (1981); moments of the
    log-normal: Johnson and Kotz (1970). All from memory.
    """
    n = len(values)
    if n < 2:
        raise ValueError("one weighing says nothing of the spread; weigh at least two packages")
    if group is not None:
        index = group_numbers(group, n)
        groups = int(index.max()) + 1
        if groups == 1:
            raise ValueError(
                "all weighings come from one loaf or tray, which says nothing of the others; "
                "weigh packages from at least two"
            )
        if groups < n:
            why = f"packages of one loaf or tray are alike, and {groups} were weighed"
            return Prediction("groups", why, _grouped(values, index, unweighed, states, rng))
    if n < ENOUGH or np.ptp(values) == 0:
        why = f"{n} weighings show no other shape"
        return Prediction("normal", why, _normal(values, states, rng))
    if edge_chance(values) < _EDGE:
        why = "the lightest lie so close to the mean that the fills look sorted or topped up"
        return Prediction("weighed", why, _weighed(values, states, rng))
    if abs(skewness(values)) / _skewness_error(n) > _SKEWED:
        why = f"the {'light' if skewness(values) < 0 else 'heavy'} side reaches further out"
        return Prediction("skewed", why, _skewed(values, states, rng))
    return Prediction("normal", "nothing speaks against it", _normal(values, states, rng))


def edge_chance(values: Array) -> float:
    """
    Chance that the lightest of normal fills would lie no further below their mean.

    One standardised residual of n has a beta distribution (Thompson, Annals of Mathematical
    Statistics 6, 1935, from memory); the n of them are taken as independent, which makes
    the chance too large.

    Examples
    --------
    >>> edge_chance(np.arange(0.0, 6.0, 0.1) ** 2) < 0.001  # crowded at the light end
    True
    """
    from scipy.special import betainc

    n = len(values)
    lightest = (values.min() - values.mean()) / np.std(values, ddof=1)
    half = (n - 2) / 2
    below = betainc(half, half, (1 + lightest * math.sqrt(n) / (n - 1)) / 2)
    return float((1 - below) ** n)


def skewness(values: Array) -> float:
    """
    The sample skewness (adjusted for size), 0 for symmetric fills.

    Examples
    --------
    >>> round(skewness(np.array([1.0, 2.0, 3.0])), 6)
    0.0
    """
    n, away = len(values), values - values.mean()
    return float(n / ((n - 1) * (n - 2)) * np.sum(away**3) / (np.sum(away**2) / (n - 1)) ** 1.5)


def _skewness_error(n: int) -> float:
    """For normal values (Fisher, from memory)."""
    return math.sqrt(6 * n * (n - 1) / ((n - 2) * (n + 1) * (n + 3)))


def _even(states: int) -> Array:
    """Points spread evenly over the unit cube, shape (3, states)."""
    return (0.5 + np.outer(_STEPS, np.arange(1, states + 1))) % 1


def _chi_square(freedom: int, at: Array) -> Array:
    from scipy.special import gammaincinv

    return np.asarray(2 * gammaincinv(freedom / 2, at))


def _normal(values: Array, states: int, rng: np.random.Generator) -> Draw:
    from scipy.special import ndtri

    n = len(values)
    for_spread, for_mean, _ = _even(states)
    sd = np.sqrt(np.sum((values - values.mean()) ** 2) / _chi_square(n - 1, for_spread))
    mean = values.mean() + ndtri(for_mean) * sd / math.sqrt(n)

    def draw(k: int, m: int) -> Array:
        return np.asarray(_wide(mean) + _wide(sd) * rng.standard_normal((states, k, m)))

    return draw


def _grouped(
    values: Array,
    index: NDArray[np.intp],
    unweighed: int,
    states: int,
    rng: np.random.Generator,
) -> Draw:
    from scipy.special import ndtri

    n, size = len(values), np.bincount(index)
    groups = len(size)
    means = np.bincount(index, weights=values) / size
    for_within, for_between, for_mean = _even(states)
    within = np.sum((values - means[index]) ** 2) / _chi_square(n - groups, for_within)
    apart = np.sum(size * (means - values.mean()) ** 2) / _chi_square(groups - 1, for_between)
    typical = (n - np.sum(size**2) / n) / (groups - 1)  # packages a group, were they all alike
    between = np.maximum(0, apart - within) / typical
    error = np.sqrt(between * np.sum(size**2) / n**2 + within / n)
    mean = values.mean() + ndtri(for_mean) * error
    others = max(1, math.ceil(unweighed / size.max()))

    def draw(k: int, m: int) -> Array:
        shift = np.sqrt(_wide(between)) * rng.standard_normal((states, k, others))
        own = np.take_along_axis(shift, rng.integers(others, size=(states, k, m)), axis=2)
        spread = np.sqrt(_wide(within)) * rng.standard_normal((states, k, m))
        return np.asarray(_wide(mean) + own + spread)

    return draw


def _weighed(values: Array, states: int, rng: np.random.Generator) -> Draw:
    shares = rng.dirichlet(np.ones(len(values)), states)

    def draw(k: int, m: int) -> Array:
        return np.stack([rng.choice(values, (k, m), p=share) for share in shares])

    return draw


def _skewed(values: Array, states: int, rng: np.random.Generator) -> Draw:
    n = len(values)
    shares = rng.dirichlet(np.ones(n), states)
    mean = shares @ values
    away = values - mean[:, None]
    variance = np.sum(shares * away**2, axis=1)
    skew = np.sum(shares * away**3, axis=1) / variance**1.5
    # w - 1 is the variance of the log-normal with this skewness, in squares of its mean
    root = np.cbrt(1 + skew**2 / 2 + np.abs(skew) * np.sqrt(1 + skew**2 / 4))
    w = np.maximum(root + 1 / root - 1, 1 + 1e-9)
    scale = np.sign(skew) * np.sqrt(variance * n / (n - 1) / (w - 1))
    log_sd = np.sqrt(np.log(w))

    def draw(k: int, m: int) -> Array:
        z = rng.standard_normal((states, k, m))
        log = _wide(log_sd)
        return np.asarray(_wide(mean) + _wide(scale) * np.expm1(log * z - log**2 / 2))

    return draw


def _wide(values: Array) -> Array:
    return values[:, None, None]
