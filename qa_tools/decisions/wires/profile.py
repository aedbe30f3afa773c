"""Profile intervals: how far a parameter can go before the data, all else refitted, object."""

from __future__ import annotations

import math

import numpy as np

from qa_tools.decisions.wires.cutter import FloatArray, IntArray
from qa_tools.decisions.wires.wander import Likelihood, Problem, step_to


def interval(
    problem: Problem, best: FloatArray, found: Likelihood, parameter: int, confidence: float = 0.95
) -> tuple[float, float]:
    """
    Profile interval of one parameter.

    Parameters
    ----------
    best, found
        From ``fitted``.
    parameter : int
    confidence : float

    Returns
    -------
    lower, upper : float
        Where the deviance, least over all other parameters, stands above its least by the quantile
        of chi-square with one degree of freedom; the least the parameter may be where it stays
        below, infinity where the data set no upper limit.

    Notes
    -----
    Venzon and Moolgavkar (1988), Applied Statistics 37, 87-94 (from memory): the parameter and the
    others are moved together, so a limit costs a few evaluations.
    """
    from scipy.special import ndtri

    z = float(ndtri(0.5 + confidence / 2))
    return (
        _limit(problem, best, found, parameter, -z),
        _limit(problem, best, found, parameter, z),
    )


# Of the best value in squared terms: below the first a limit counts as the least the parameter may
# be, above the second as none.
NOTHING, EVERYTHING = 1e-6, 1e8


def _limit(problem: Problem, best: FloatArray, found: Likelihood, k: int, z: float) -> float:
    """One limit: where the root of the rise of the deviance is as z, below the best or above."""
    least, away = float(problem.least[k]), math.copysign(1.0, z)
    if away < 0 and best[k] <= least:
        return least
    rest = problem.held(k)
    reach = abs(z) * math.sqrt(2 / _curvature(rest, best, found, k))
    size = max(float(best[k]), reach * 1e-3)
    value = size * math.exp(away * min(reach / size, 2.0))
    inside, outside = float(best[k]), math.nan
    at, others = found, best
    for _ in range(60):
        others = _carried(rest, others, at, k, value)
        at = rest.at(others)
        step, gain = step_to(rest, others, at)
        root = math.sqrt(max(at.deviance - gain / 2 - found.deviance, 0.0))
        if abs(root - abs(z)) < 1e-3 and gain < 1e-2:
            return value
        if root < abs(z):
            inside = value
            if value < NOTHING * size:
                return least
            if value > EVERYTHING * size:
                return math.inf
        else:
            outside = value
        pull = value * float(at.slope[k] + at.curvature[k] @ step)
        others = np.where(rest.free, np.maximum(others + step, rest.least), others)
        go = away
        if root > 0.01 and pull * away > 0:
            go = max(-2.0, min(2.0, (abs(z) - root) * 2 * root / pull))
        value *= math.exp(go)
        if not (value - inside) * away > 0 or (value - outside) * away >= 0:
            value = math.sqrt(inside * outside) if inside > 0 else outside / 4
    return value


def _free(rest: Problem, at: FloatArray, found: Likelihood) -> IntArray:
    """Which other parameters can move."""
    return np.flatnonzero(rest.free & ~((at <= rest.least) & (found.slope > 0)))


def _carried(
    rest: Problem, others: FloatArray, found: Likelihood, k: int, value: float
) -> FloatArray:
    """The others where they are best when one parameter moves, to first order."""
    free = _free(rest, others, found)
    carried = others.copy()
    if len(free):
        along = np.linalg.lstsq(
            found.curvature[np.ix_(free, free)], found.curvature[free, k], rcond=None
        )[0]
        carried[free] -= along * (value - others[k])
    carried = np.where(rest.free, np.maximum(carried, rest.least), carried)
    carried[k] = value
    return carried


def _curvature(rest: Problem, best: FloatArray, found: Likelihood, k: int) -> float:
    """Second derivative of the least deviance by one parameter, the others refitted."""
    free, all_of = _free(rest, best, found), found.curvature
    along = np.linalg.lstsq(all_of[np.ix_(free, free)], all_of[free, k], rcond=None)[0]
    return max(float(all_of[k, k] - all_of[k, free] @ along), 1e-12 * float(all_of[k, k]))
