"""How often chance makes another start of a shift look as likely as the one that was seen."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from qa_tools.charts.factors import FloatArray

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_PANEL: Final = 3.0  # width of a panel of nodes, in sd of a step: eight nodes give eight digits
_REACH: Final = 8.5  # sd of a step beyond which nothing is left
_DRAWS: Final = 20  # nodes of the average over what the sd may have turned out to be
_FAR: Final = 6.0  # how far out they reach, as normal quantiles
_PLENTY: Final = 400.0  # a gain beyond this is taken for it: others then come as near more easily


class Gains(NamedTuple):
    """
    What it gains, in squared sd, to let the level move before the last point, the last two, ...

    Attributes
    ----------
    weights : array
        Information of the points that would have moved, summed: 1 / variance.
    total : float
        The same of all points and the base; ``inf`` where the level before is known.
    size, sd : array
        Shift estimated for each start, and the standard deviation of that estimate.
    gain : array
        (size / sd) squared: twice the log of the likelihood ratio against no shift.
    """

    weights: FloatArray
    total: float
    size: FloatArray
    sd: FloatArray
    gain: FloatArray


def gains(away: FloatArray, sds: FloatArray, before: float) -> Gains:
    """
    The gain of each start of a shift, from the last point back to the first.

    Parameters
    ----------
    away, sds : array of shape (points,)
        Points less the level of the base, and their standard deviations.
    before : float
        Information of the base on its level, 1 / variance; ``inf`` where the level is known.

    Examples
    --------
    >>> found = gains(np.array([0.0, 2.0, 2.0]), np.ones(3), np.inf)
    >>> found.size.round(2).tolist(), found.gain.round(2).tolist()
    ([2.0, 2.0, 1.33], [4.0, 8.0, 5.33])
    """
    information = 1 / sds**2
    weights = np.cumsum(information[::-1])
    total = float(weights[-1] + before)
    sums = np.cumsum((information * away)[::-1])
    left = _left(weights, total)
    # The base has the level 0 by definition, so its own sum adds nothing.
    walk = sums - sums[-1] * (weights / total)
    sd = 1 / np.sqrt(weights * left)
    size = walk * sd**2
    return Gains(weights, total, size, sd, (size / sd) ** 2)


def chances(found: Gains, freedom: float) -> tuple[FloatArray, float]:
    """
    How often chance does as much, were the shift to have started there; and were there none.

    Parameters
    ----------
    found : Gains
    freedom : float
        Degrees of freedom the standard deviation was estimated with; ``inf`` where it is known.

    Returns
    -------
    array, float
        For each start the chance that another start gains as much over it as the best did here,
        whatever the size of the shift; and the chance that with no shift any gains as much as the
        best. Exact with known sd; else the average over what the true sd may be.

    Notes
    -----
    The likelihood ratio of Worsley (1986), Biometrika 73, 91-104, given what is sufficient for the
    size of the shift (from memory). Sums of normal points are a random walk, pinned at the start in
    question and, with the level estimated, at its end; the chance that it stays within the bounds
    is followed from point to point by Gauss-Legendre integrals.

    Examples
    --------
    >>> start, none = chances(gains(np.array([0.0, 2.0, 2.0, 3.0]), np.ones(4), np.inf), np.inf)
    >>> start.round(3).tolist(), round(none, 5)
    ([0.006, 0.046, 1.0, 0.034], 0.00018)
    """
    from scipy.special import chdtri, ndtr

    scales: FloatArray = np.ones(1)
    parts: FloatArray = np.ones(1)
    if np.isfinite(freedom):
        nodes, weights = np.polynomial.legendre.leggauss(_DRAWS)
        quantiles = _FAR * nodes
        scales = np.asarray(chdtri(freedom, ndtr(-quantiles)), np.float64) / freedom
        weights = weights * np.exp(-0.5 * quantiles**2)
        parts = weights / weights.sum()
    start, none = np.zeros(len(found.gain)), 0.0
    top = float(found.gain.max())
    best = found.gain == top
    for scale, part in zip(scales, parts, strict=True):
        bound = min(top * scale, _PLENTY)
        pinned = np.sqrt(np.maximum(0.0, bound - (top - found.gain) * scale))
        elsewhere, nowhere = _stays(found, np.sign(found.size) * pinned / found.sd, bound)
        start += part * np.where(best, 1.0, 1 - elsewhere)
        none += part * (1 - nowhere)
    return np.clip(start, 0.0, 1.0), float(np.clip(none, 0.0, 1.0))


def _left(weights: FloatArray, total: float) -> FloatArray:
    """Share of all information that the points before a start have."""
    return 1 - weights / total  # 1 where the total is infinite


def _stays(found: Gains, walk: FloatArray, bound: float) -> tuple[FloatArray, float]:
    """Chance that no other start gains more than the bound, for each start and for none."""
    times, total = found.weights, found.total
    half = np.sqrt(bound * times * _left(times, total))
    # Pinned to 0 after the last point; before the first it runs on, to 0 only at the base's start.
    back = times[:-1] / times[1:]
    on = _left(times[1:], total) / _left(times[:-1], total)
    back_sds, on_sds = np.sqrt(back * np.diff(times)), np.sqrt(on * np.diff(times))
    first = np.sqrt(times[:1] * _left(times[:1], total))
    finest = float(np.concatenate([back_sds, on_sds, first]).min())
    later, _ = _sweep(walk, half, back, back_sds, finest)
    earlier, (nodes, inside) = _sweep(walk[::-1], half[::-1], on[::-1], on_sds[::-1], finest)
    nowhere = _within(np.zeros(1), float(first[0]), nodes, inside)
    return later * earlier[::-1], float(nowhere[0])


def _sweep(
    walk: FloatArray, half: FloatArray, shrink: FloatArray, sds: FloatArray, finest: float
) -> tuple[FloatArray, tuple[FloatArray, FloatArray]]:
    """Chance of having stayed within at all points ahead, point by point from the first."""
    stayed = np.ones(len(walk))
    nodes, inside = _grid(half[0], finest)
    for place in range(1, len(walk)):
        factor, sd = shrink[place - 1], sds[place - 1]
        stayed[place] = _within(factor * walk[place : place + 1], sd, nodes, inside)[0]
        ahead, weights = _grid(half[place], finest)
        nodes, inside = ahead, weights * _within(factor * ahead, sd, nodes, inside)
    return stayed, (nodes, inside)


def _grid(half: float, sd: float) -> tuple[FloatArray, FloatArray]:
    """Nodes from -half to half, and their weights."""
    panels = max(1, int(np.ceil(2 * half / (_PANEL * sd))))
    width = half / panels
    left = np.linspace(-half, half, panels + 1)[:-1]
    nodes = left[:, None] + width * (1 + _NODES)
    return nodes.ravel(), np.tile(width * _WEIGHTS, panels)


def _within(means: FloatArray, sd: float, nodes: FloatArray, inside: FloatArray) -> FloatArray:
    """Integral of what is inside over a normal step, nodes out of reach left out."""
    ends = np.searchsorted(nodes, [means - _REACH * sd, means + _REACH * sd])
    near = ends[0][:, None] + np.arange(int((ends[1] - ends[0]).max()))
    there = near < ends[1][:, None]
    near = np.minimum(near, len(nodes) - 1)
    density = np.exp(-0.5 * ((nodes[near] - means[:, None]) / sd) ** 2)
    return np.asarray((density * inside[near] * there).sum(axis=1) / (sd * np.sqrt(2 * np.pi)))
