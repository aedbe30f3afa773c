"""Where the faces of whole loaves lie, from shares of the loaf's weight: no density needed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from qa_tools.decisions.wires.cutter import FloatArray


def displacements(weights: FloatArray, spacing: FloatArray) -> FloatArray:
    """
    How far each wire's face lies from its place in each loaf, both ends of the loaf in place.

    Parameters
    ----------
    weights : array of shape (loaves, bars)
        Grams, in order from the stop; NaN for a bar that was not weighed.
    spacing : array of shape (bars,)
        Width each bar is meant to have, mm.

    Returns
    -------
    array of shape (loaves, bars - 1)
        Millimetres, away from the stop positive; NaN throughout a loaf with a missing bar, which
        has no total, hence no shares.

    Notes
    -----
    The share of the loaf's weight up to a face is the share of its length; its density and section
    cancel. It is least squares with the weight per millimetre free in every loaf.

    Examples
    --------
    >>> displacements(np.array([[101.0, 99.0, 100.0]]), np.array([25.0, 25.0, 25.0]))
    array([[0.25, 0.  ]])
    """
    running = np.cumsum(weights, axis=1)
    places = np.cumsum(spacing)
    found: FloatArray = places[-1] * running[:, :-1] / running[:, -1:] - places[:-1]
    return found


def grams_per_mm(weights: FloatArray, widths: FloatArray) -> FloatArray:
    """Weight of a millimetre of each loaf, by the bars weighed; NaN where none was."""
    weighed = ~np.isnan(weights)
    length = np.where(weighed, widths, 0.0).sum(axis=1)
    per_mm = np.full(len(weights), np.nan)
    np.divide(np.nansum(weights, axis=1), length, out=per_mm, where=length > 0)
    return per_mm


def noise_shape(spacing: FloatArray) -> FloatArray:
    """
    Covariance of displacements from shares, per squared millimetre of noise on one bar.

    Errors add up from one end and are pinned at the other: with even spacing
    min(j, k) (m - max(j, k)) / m between wires j and k of m bars.

    Examples
    --------
    >>> noise_shape(np.full(10, 25.0)).diagonal().round(1)
    array([0.9, 1.6, 2.1, 2.4, 2.5, 2.4, 2.1, 1.6, 0.9])
    """
    bars = len(spacing)
    share = np.cumsum(spacing) / spacing.sum()
    sums = np.tri(bars)[:-1] - share[:-1, None]
    shape: FloatArray = sums @ sums.T
    return shape


@dataclass(frozen=True, eq=False)
class Spread:
    """What the displacements of whole loaves say of each wire by itself; arrays, one a wire, mm."""

    offset: FloatArray
    offset_error: FloatArray
    sd: FloatArray
    wander: FloatArray
    lower: FloatArray
    upper: FloatArray


def spread(found: FloatArray, noise_sd: FloatArray, confidence: float = 0.95) -> Spread:
    """
    Offset and wander of each wire by itself, from displacements of two or more whole loaves.

    Parameters
    ----------
    found : array of shape (loaves, wires)
        From ``displacements``.
    noise_sd : array of shape (wires,)
        What weighing and uneven section alone make of a displacement, mm.
    confidence : float
        Of the interval of the wander: chi-square for the total variance, noise taken off.
    """
    from scipy.special import chdtri

    n = len(found)
    sd = found.std(axis=0, ddof=1)

    def less_noise(variance: FloatArray) -> FloatArray:
        left: FloatArray = np.sqrt(np.maximum(variance - noise_sd**2, 0.0))
        return left

    tail = (1 - confidence) / 2
    return Spread(
        found.mean(axis=0),
        sd / np.sqrt(n),
        sd,
        less_noise(sd**2),
        less_noise(sd**2 * (n - 1) / chdtri(n - 1, tail)),
        less_noise(sd**2 * (n - 1) / chdtri(n - 1, 1 - tail)),
    )
