"""Sums that rise when a wire wanders more than it did, or has moved; and their limits."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

import numpy as np

from qa_tools.decisions.wires.cutter import FloatArray

# Sums are of log likelihood ratios against a wander SLACK times the base and a move of SHIFT base
# wanders. 1.8 takes 5 % longer at most than knowing the ratio, from 1.5 to 3 (simulated, 10 wires).
SLACK: Final = 1.8
SHIFT: Final = 1.0
# Of the false alarms, the share left to wander; moves have the rest.
SHARE: Final = 0.8
# A known base would alarm this many times less often than one estimated from 10 loaves on, and few
# wires tell less of it: 1 + FEW / wires^1.5 (simulated with 3, 5, 9 and 14).
FEW: Final = 4.0
CELLS: Final = 200


def wander_gain(score: FloatArray, known: FloatArray, base: Any, ratio: float) -> FloatArray:
    """
    Log likelihood ratio, loaf by loaf, of a wander so many times the base, against the base.

    Parameters
    ----------
    score : array
        Standardised scores of a wire's displacement; not heeded where ``known`` is 0.
    known : array
        What the loaf tells of the displacement (information, mm⁻²).
    base : float or array
        Wander variance of the base, mm².
    ratio : float

    Examples
    --------
    >>> wander_gain(np.array([0.5, 3.0]), np.array([1.0, 1.0]), 1.0, 2.0).round(3)
    array([-0.599,  2.682])
    """
    more = (ratio**2 - 1) * base * known
    gain: FloatArray = np.where(known > 0, score**2 * more / (1 + more) - np.log1p(more), 0.0) / 2
    return gain


def move_gain(score: FloatArray, known: FloatArray, shift: Any) -> FloatArray:
    """
    Log likelihood ratio, loaf by loaf, of a face moved by so many millimetres, against not moved.

    Examples
    --------
    >>> move_gain(np.array([2.0]), np.array([4.0]), 0.5)
    array([1.5])
    """
    gain: FloatArray = shift * score * np.sqrt(known) - shift**2 * known / 2
    return np.where(known > 0, gain, 0.0)


def rising(gains: FloatArray) -> FloatArray:
    """
    Cumulative sums down the loaves, never below 0.

    Notes
    -----
    Page (1954), Biometrika 41, 100-115 (from memory): max(0, sum so far + gain).

    Examples
    --------
    >>> rising(np.array([-2.0, 3.0, 1.0, -9.0, 0.5]))
    array([0. , 3. , 4. , 0. , 0.5])
    """
    total = np.cumsum(gains, axis=0)
    lowest = np.minimum.accumulate(np.minimum(total, 0.0), axis=0)
    risen: FloatArray = total - lowest
    return risen


def wander_run_length(limit: float, ratio: float = 1.0, *, design: float = SLACK) -> float:
    """
    Loaves to a signal of one wire, on average, its base known, by Markov chain.

    Parameters
    ----------
    limit : float
        Of the sum of log likelihood ratios.
    ratio : float
        The wire's true wander over the base; 1 gives the loaves to a false alarm.
    design : float
        The ratio the sum is made for.

    Notes
    -----
    Brook and Evans (1972), Biometrika 59, 539-549 (from memory).

    Examples
    --------
    >>> round(wander_run_length(8.969 * 0.375, design=2.0))
    370
    """
    from scipy.special import ndtr

    per_square, off = (1 - design**-2) / 2, np.log(design)
    width = 2 * limit / (2 * CELLS - 1)

    def below(sums: FloatArray) -> FloatArray:
        root = np.sqrt(np.maximum(sums + off, 0.0) / per_square)
        share: FloatArray = 2 * ndtr(root / ratio) - 1
        return share

    cell = np.arange(CELLS)
    edges = (np.arange(CELLS + 1) - 0.5)[None, :] * width - (cell * width)[:, None]
    reached = below(edges)
    moves = np.diff(reached, axis=1)
    moves[:, 0] = reached[:, 1]
    return float(np.linalg.solve(np.eye(CELLS) - moves, np.ones(CELLS))[0])


@lru_cache(maxsize=32)
def limits(false_alarm: float, wires: int) -> tuple[float, float]:
    """
    Limits for so many loaves to a false alarm on any of the wires.

    Returns
    -------
    wander, move : float
        Of the sums of log likelihood ratios.
    """
    from scipy.optimize import brentq

    from qa_tools.charts.run_length import run_length

    each = false_alarm * wires * (1 + FEW / wires**1.5)

    def wander(limit: float) -> float:
        return float(np.log(wander_run_length(limit) * SHARE / each))

    def move(h: float) -> float:
        return float(np.log(run_length("cusum", k=SHIFT / 2, h=h) * (1 - SHARE) / each))

    # Siegmund's approximation, log(loaves) - 1.166 for a move of 1, is right to a tenth here.
    near = (np.log(each / (1 - SHARE)) - 1.166) / SHIFT
    found = brentq(wander, 0.5, 25, xtol=1e-3)
    return found, SHIFT * brentq(move, near - 0.5, near + 0.5, xtol=1e-3)
