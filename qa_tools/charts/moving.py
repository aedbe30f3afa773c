"""What sigma may turn out to be where it is estimated from how much neighbours differ."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from qa_tools.charts.chains import TooRare
from qa_tools.charts.factors import FloatArray
from qa_tools.charts.kernels import cells, integrals

FEWEST: Final = 12  # readings; of fewer the transform dies out too slowly to be turned back
_D2: Final = 2 / np.sqrt(np.pi)
_REACH: Final = 10.0  # sd beyond which a reading is not met,
_TILTS: Final = np.linspace(-5.0, 1.8, 69)  # however the transform weighs it
_NODES: Final = 14  # in each cell
_APART: Final = 0.45  # half of the sd of log s times the root of the readings
_LEFT_OUT: Final = 1e-9  # weight of values beyond, beside the largest
_MOST: Final = 27.0  # log of how much longer a run may be than with sigma as it is


def decay(readings: int) -> float:
    """
    Sigma as estimated is s times the true one with a density that falls as exp(-decay s²).

    Readings that go up and down by turns have the largest moving ranges for their distance from
    their mean.

    Examples
    --------
    >>> round(decay(30), 2)
    4.7
    """
    return float((readings - 1) ** 2 * _D2**2 / (8 * readings - 12))


def sigmas(readings: int, growth: float) -> tuple[FloatArray, FloatArray]:
    """
    The mean moving range of normal readings over d2, in true sigmas: values and their chances.

    Parameters
    ----------
    readings : int
        Neighbours in time, twelve or more.
    growth : float
        Values are given as far up as they weigh when what is averaged grows as exp(growth s²).

    Raises
    ------
    TooRare
        That is farther than can be followed.

    Notes
    -----
    The transform E exp(z sum of moving ranges) follows from reading to reading by an integral over
    where the last one stood; the density is the transform turned back along a line through its
    saddle point (Daniels 1954, Annals of Mathematical Statistics 25, 631-650, from memory), where
    equal steps converge fastest. Values are equal steps of log s.

    Examples
    --------
    >>> sigma, chance = sigmas(20, 0.0)
    >>> round(float(chance.sum()), 8), round(float(sigma @ chance), 8)
    (1.0, 1.0)
    """
    apart = _APART / np.sqrt(readings - 1)
    found = {0: _density(readings, 0)}
    for way in (-1, 1):
        place, top, weight = 0, 0.0, 1.0
        while weight > _LEFT_OUT * top:
            place += way
            found[place] = _density(readings, place)
            longer = growth * max(0.0, np.exp(2 * place * apart) - 1)
            if longer > _MOST:
                raise TooRare()
            weight = found[place] * np.exp(longer)
            top = max(top, weight)
    places = sorted(found)
    return np.exp(np.array(places) * apart), apart * np.array([found[at] for at in places])


@lru_cache(maxsize=4096)
def _density(readings: int, place: int) -> float:
    """Density of the log of the value, so many steps from 0."""
    moves = _moves(readings)
    y = (readings - 1) * _D2 * np.exp(place * _APART / np.sqrt(readings - 1))
    if y > moves.mean[-2]:
        raise TooRare()
    tilt = float(np.interp(y, moves.mean, _TILTS))
    step = 2 * np.pi / (9 * float(np.interp(y, moves.mean, moves.spread)))
    turned = 1j * step * np.arange(32 if readings >= 20 else 44)
    logs = moves.log_transform(tilt + turned) - turned * y
    terms = np.exp(logs - logs[0].real).real
    total = terms.sum() - terms[0] / 2
    return float(total * step / np.pi * y * np.exp(logs[0].real - tilt * y))


@lru_cache(maxsize=16)
def _moves(readings: int) -> _Moves:
    return _Moves(readings)


class _Moves:
    """Readings one after another, each weighed by exp(z |step from the one before|)."""

    def __init__(self, readings: int) -> None:
        self.readings = readings
        edges = cells(np.array([-_REACH, 0.0, _REACH]), 1.0)
        ends = np.array([-_REACH]), np.array([_REACH])
        at, whole = integrals(edges, _NODES, *ends, 0.0, 1.0)
        half = len(at) // 2  # all is even in the reading: its upper half tells the rest
        self.steps = at[half:, np.newaxis] - at
        _, self.below = integrals(edges, _NODES, np.full(half, -_REACH), at[half:], 0.0, 1.0)
        _, self.above = integrals(edges, _NODES, at[half:], np.full(half, _REACH), 0.0, 1.0)
        self.whole = 2 * whole[0, half:]
        # Mean and sd of the sum where it is weighed by exp(tilt sum), for each tilt.
        self.mean = np.gradient(self.log_transform(_TILTS).real, _TILTS)
        self.spread = np.sqrt(np.maximum(np.gradient(self.mean, _TILTS), 1e-3))

    def log_transform(self, z: npt.NDArray[Any]) -> npt.NDArray[np.complex128]:
        """Log of E exp(z sum of moving ranges)."""
        return np.array([self._log_transform(one) for one in z.tolist()])

    def _log_transform(self, z: complex) -> complex:
        half = len(self.whole)
        weighed = np.exp(z * self.steps)
        step = self.below * weighed + self.above / weighed
        step = step[:, half:] + step[:, half - 1 :: -1]
        state, scale = np.ones(half, dtype=step.dtype), 0.0
        for _ in range(self.readings - 1):
            state = step @ state
            size = float(np.abs(state).max())
            state, scale = state / size, scale + np.log(size)
        return complex(np.log(complex(self.whole @ state)) + scale)
