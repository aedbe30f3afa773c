"""What the spread of a small sample says of sigma: d2, d3, c4 and the limit factors, any size."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Final, Generic, TypeVar, overload

import numpy as np
import numpy.typing as npt
from scipy.special import gammaincinv, ndtr, poch

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Number = TypeVar("Number", float, FloatArray)


@dataclass(frozen=True, eq=False)
class Constants(Generic[Number]):
    """
    Constants of the range R and the standard deviation s of n normal readings.

    Every attribute is a float, or an array of the shape of the sizes asked for.

    Attributes
    ----------
    d2, d3 : float or array
        Mean and standard deviation of R / sigma.
    c4 : float or array
        Mean of s / sigma.
    A2, A3 : float or array
        Mean chart: limits are centre ± A2 (mean range) or ± A3 (mean sd).
    B3, B4 : float or array
        Sd chart: limits are B3 and B4 times the mean sd.
    D3, D4 : float or array
        Range chart: limits are D3 and D4 times the mean range.
    """

    d2: Number
    d3: Number
    c4: Number
    A2: Number
    A3: Number
    B3: Number
    B4: Number
    D3: Number
    D4: Number


@overload
def constants(n: int) -> Constants[float]: ...
@overload
def constants(n: npt.ArrayLike) -> Constants[FloatArray]: ...
def constants(n: npt.ArrayLike) -> Constants[Any]:
    """
    Control-chart constants for subgroups of n readings, to ten digits for any n from 2 up.

    Parameters
    ----------
    n : int or array of int
        Readings in a subgroup; an array gives arrays (subgroups of unequal size).

    Returns
    -------
    Constants
        d2, d3, c4 and the three-sigma factors A2, A3, B3, B4, D3, D4.

    Raises
    ------
    ValueError
        A size is not a whole number, or is below 2 (one reading has no spread).

    Notes
    -----
    Definitions as in ISO 7870-2, ASTM MNL 7 and NIST/SEMATECH e-Handbook 6.3.2 (pmc321.htm), whose
    three-decimal tables differ from the exact values by up to 0.002.

    Examples
    --------
    >>> five = constants(5)
    >>> round(five.d2, 10), round(five.c4, 10), round(five.D4, 6)
    (2.3259289473, 0.939985603, 2.114499)
    >>> constants([2, 5, 25]).A2.round(3)
    array([1.88 , 0.577, 0.153])
    """
    sizes = _whole_sizes(n)
    d2, d3 = range_moments(sizes)
    c4 = sd_mean(sizes)
    range_width, sd_width = 3 * d3 / d2, 3 * np.sqrt(1 - c4 * c4) / c4
    values = {
        "d2": d2,
        "d3": d3,
        "c4": c4,
        "A2": 3 / (d2 * np.sqrt(sizes)),
        "A3": 3 / (c4 * np.sqrt(sizes)),
        "B3": np.maximum(0, 1 - sd_width),
        "B4": 1 + sd_width,
        "D3": np.maximum(0, 1 - range_width),
        "D4": 1 + range_width,
    }
    if sizes.ndim == 0:
        return Constants(**{name: float(value) for name, value in values.items()})
    return Constants(**values)


def range_moments(sizes: IntArray) -> tuple[FloatArray, FloatArray]:
    """
    Mean and standard deviation of the range of n standard normal readings: d2 and d3.

    Parameters
    ----------
    sizes : array of int
        Readings in each subgroup, 2 or more.

    Examples
    --------
    >>> d2, d3 = range_moments(np.array([2]))
    >>> d2.round(6), d3.round(6)
    (array([1.128379]), array([0.852502]))
    """
    distinct, where = np.unique(sizes, return_inverse=True)
    moments = np.array([_range_moments(int(n)) for n in distinct])[where.reshape(sizes.shape)]
    return moments[..., 0], moments[..., 1]


def sd_mean(sizes: IntArray) -> FloatArray:
    """
    Mean of the standard deviation of n standard normal readings: c4.

    Parameters
    ----------
    sizes : array of int
        Readings in each subgroup, 2 or more.

    Examples
    --------
    >>> sd_mean(np.array([2, 5])).round(6)
    array([0.797885, 0.939986])
    """
    # gamma(n/2) / gamma((n-1)/2) as one function: the difference of two log-gammas loses the tenth
    # digit from n = 100,000 on.
    below = np.asarray(sizes, dtype=np.float64) - 1
    return np.asarray(np.sqrt(2 / below) * poch(below / 2, 0.5), dtype=np.float64)


def range_median(sizes: IntArray) -> FloatArray:
    """
    Median of the range of n standard normal readings.

    Parameters
    ----------
    sizes : array of int
        Readings in each subgroup, 2 or more.

    Examples
    --------
    >>> range_median(np.array([2, 5])).round(4)
    array([0.9539, 2.2569])
    """
    distinct, where = np.unique(sizes, return_inverse=True)
    return np.array([_range_median(int(n)) for n in distinct])[where.reshape(sizes.shape)]


def sd_median(sizes: IntArray) -> FloatArray:
    """
    Median of the standard deviation of n standard normal readings.

    Parameters
    ----------
    sizes : array of int
        Readings in each subgroup, 2 or more.

    Examples
    --------
    >>> sd_median(np.array([2, 5])).round(4)
    array([0.6745, 0.9161])
    """
    below = np.asarray(sizes, dtype=np.float64) - 1
    return np.asarray(np.sqrt(2 * gammaincinv(below / 2, 0.5) / below), dtype=np.float64)


# The range of n normal readings has P(R <= w) = n ∫ φ(x) [Φ(x+w) - Φ(x)]^(n-1) dx, and its moments
# are integrals of 1 - P. The inner integrand is smooth and dies out at both ends, where equal steps
# converge fastest; the outer one takes Gauss-Legendre nodes on panels.
_WIDEST: Final = 18.0
_PANELS: Final = 6
_STEP: Final = 0.1
_X: Final = np.arange(-9.5, 9.5 + _STEP / 2, _STEP)[:, np.newaxis]
_PHI: Final = np.exp(-_X * _X / 2) / np.sqrt(2 * np.pi)
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_PANEL: Final = _WIDEST / _PANELS
_W: Final = (np.arange(_PANELS)[:, np.newaxis] + (_NODES + 1) / 2).ravel() * _PANEL
_DW: Final = np.tile(_WEIGHTS, _PANELS) * _PANEL / 2


@cache
def _gaps() -> FloatArray:
    return np.asarray(ndtr(_X + _W) - ndtr(_X), dtype=np.float64)


@cache
def _range_moments(n: int) -> tuple[float, float]:
    beyond = 1 - n * _STEP * (_PHI * _gaps() ** (n - 1)).sum(axis=0)
    mean = float(beyond @ _DW)
    mean_square = float(2 * (beyond * _W) @ _DW)
    return mean, float(np.sqrt(mean_square - mean * mean))


@cache
def _range_median(n: int) -> float:
    from scipy.optimize import brentq

    def below(width: float) -> float:
        gaps = ndtr(_X + width) - ndtr(_X)
        return float(n * _STEP * (_PHI * gaps ** (n - 1)).sum()) - 0.5

    return float(brentq(below, 0.1, _WIDEST))


def _whole_sizes(n: npt.ArrayLike) -> IntArray:
    sizes = np.asarray(n)
    whole = sizes.dtype.kind in "iuf" and np.isfinite(sizes).all()
    if not whole or sizes.size == 0 or np.any(sizes != np.floor(sizes)):
        raise ValueError(f"a subgroup size is a whole number of readings, 2 or more; got {n!r}")
    if np.any(sizes < 2):
        raise ValueError(
            f"constants need subgroups of 2 or more readings; got {sizes.min():g}. "
            "One reading has no spread: for single readings use charts.individuals"
        )
    return sizes.astype(np.int64)
