"""Watching a wire loaf by loaf: a cumulative sum that rises when it strays more than it did."""

from __future__ import annotations

import numpy as np

from qa_tools.decisions.wires.cutter import FloatArray


def reference(ratio: float) -> float:
    """
    What each loaf must exceed for the sum to rise, to find a variance risen by this ratio.

    Examples
    --------
    >>> round(reference(4), 6)
    1.848392
    """
    return float(ratio * np.log(ratio) / (ratio - 1))


def risen(squares: FloatArray, k: float) -> FloatArray:
    """
    Cumulative sums of squared standardised displacements above k, never below 0.

    Parameters
    ----------
    squares : array of shape (loaves, wires)
        Squared displacement over its variance in control; NaN (the loaf tells nothing) leaves the
        sum as it is.
    k : float
        From ``reference``.

    Notes
    -----
    Sequential likelihood ratio of one variance against a larger one, restarted at 0: Page (1954),
    Biometrika 41, 100-115 (from memory).

    Examples
    --------
    >>> risen(np.array([[1.0], [5.0], [4.0], [0.5]]), 2.0).ravel()
    array([0. , 3. , 5. , 3.5])
    """
    sums = np.zeros_like(squares)
    held = np.zeros(squares.shape[1])
    for row, square in enumerate(np.where(np.isnan(squares), k, squares)):
        held = np.maximum(held + square - k, 0.0)
        sums[row] = held
    return sums
