"""Sums that rise when a wire wanders more than it did, or has moved."""

from __future__ import annotations

from typing import Any

import numpy as np

from qa_tools.decisions.wires.cutter import FloatArray


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
