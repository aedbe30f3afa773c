"""From point to point until a signal: average run length, and the chance that none has come yet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np

from qa_tools.charts.factors import FloatArray, IntArray

RAREST: Final = 1e9  # above, rounding in the solution eats into the fifth digit
_SAME: Final = 1e-9  # relative change of the hazard below which it is constant,
_CALM: Final = 64  # when that lasts so many points: more than any rule looks back
_LONGEST: Final = 32768
_LARGE: Final = 2000  # equations from which on an iteration is faster,
_STARTS: Final = 6  # begun anew so often at most, as its own account of what is left drifts
_OFF: Final = 1e-8  # what may be left of any equation, and so, relatively, of the solution
_ORDER: Final = 1e14
_GONE: Final = 1e-12
_ROUNDING: Final = 1e-15

# From numbers of points to the chances that no signal has come in so many.
Survival = Callable[[IntArray], FloatArray]


class TooRare(ValueError):
    """A signal so rare that its run length cannot be stated to five digits."""

    def __init__(self, more: str = "") -> None:
        super().__init__(
            more
            or f"the average run length is beyond {RAREST:,.0f} points, too rare to state to five "
            "digits: a lower limit, or a larger shift, makes it shorter"
        )


class Runs(Protocol):
    """What a chart at work is asked."""

    def average(self, rarest: float = RAREST) -> float:
        """Average run length; TooRare above the length given."""

    def survival(self) -> Survival:
        """The chance that no signal has come in the first n points."""


@dataclass(frozen=True)
class Single:
    """Points that each signal with the same chance, whatever came before."""

    chance: float

    def average(self, rarest: float = RAREST) -> float:
        return 1 / self.chance if self.chance * rarest > 1 else _stated(np.inf, rarest)

    def survival(self) -> Survival:
        # exp(-inf * 0) is no number: a point that signals for certain leaves none after it.
        rate = np.log1p(-self.chance) if self.chance < 1 else -1e300
        return lambda n: np.exp(n * rate)


@dataclass(frozen=True)
class Chain:
    """
    States between which a chart moves until it signals.

    Attributes
    ----------
    first : array
        Chance of each state after the first point; what is missing to 1 has signalled.
    step : array or sparse matrix
        The same from state (row) to state (column). Where states are the nodes of an integral,
        the chances are quadrature weights.
    """

    first: FloatArray
    step: Any

    def average(self, rarest: float = RAREST) -> float:
        return _stated(1 + float(self.first @ _left(self.step)), rarest)

    def survival(self) -> Survival:
        chances, state = [1.0, float(self.first.sum())], self.first
        back = self.step.T.copy() if isinstance(self.step, np.ndarray) else self.step.T.tocsr()
        hazard, calm = 0.0, 0
        while calm < _CALM and chances[-1] > _GONE and len(chances) < _LONGEST:
            state = back @ state
            chances.append(float(state.sum()))
            before, hazard = hazard, 1 - chances[-1] / chances[-2]
            calm = calm + 1 if abs(hazard - before) <= _SAME * hazard + _ROUNDING else 0
        return _extended(np.array(chances))


@dataclass(frozen=True)
class TwoSided:
    """
    Two charts side by side, of which the one signals only while the other stands at its zero.

    With the generating functions P and M of the run lengths of the two sides from zero, and P' and
    M' from a head start, that of both together is (P'(1 - M) + M'(1 - P)) / (1 - P M); so with the
    averages (Lucas and Crosier 1982, Technometrics 24, 199-205, from memory; derived anew).

    Attributes
    ----------
    up, down : Chain
        Each side from zero.
    up_ahead, down_ahead : array
        Their states after the first point from the head start.
    """

    up: Chain
    down: Chain
    up_ahead: FloatArray
    down_ahead: FloatArray

    def average(self, rarest: float = RAREST) -> float:
        # A side that never signals by itself is beyond what rounding allows; the two lengths from
        # one solution keep their ratio.
        up, down = _left(self.up.step), _left(self.down.step)
        ups = np.abs([1 + self.up.first @ up, 1 + self.up_ahead @ up])
        downs = np.abs([1 + self.down.first @ down, 1 + self.down_ahead @ down])
        (near, near_ahead), (far, far_ahead) = sorted((ups, downs), key=lambda side: side[0])
        both = (near_ahead + near * (far_ahead / far - 1)) / (1 + near / far)
        return _stated(float(both), rarest)

    def survival(self) -> Survival:
        sides = [
            Chain(first, side.step).survival()
            for side, first in (
                (self.up, self.up.first),
                (self.down, self.down.first),
                (self.up, self.up_ahead),
                (self.down, self.down_ahead),
            )
        ]
        length = 256
        while True:
            n = np.arange(length + 1)
            up, down, up_ahead, down_ahead = (
                np.concatenate([[0.0], -np.diff(side(n))]) for side in sides
            )
            above = up_ahead + down_ahead - _times(up_ahead, down) - _times(down_ahead, up)
            chances = 1 - np.cumsum(_over_one_less(above, _times(up, down)))
            if chances[-1] < _GONE or length >= _LONGEST:
                return _extended(chances)
            hazard = 1 - chances[-_CALM:] / chances[-_CALM - 1 : -1]
            if np.ptp(hazard) <= _CALM * (_SAME * abs(hazard[-1]) + _ROUNDING):
                return _extended(chances)
            length *= 2


@dataclass(frozen=True)
class Mixture:
    """Charts of which chance has picked one, each with its weight."""

    weights: FloatArray
    parts: Sequence[Runs]

    def average(self, rarest: float = RAREST) -> float:
        # A rare part weighs little; as far as its order of magnitude holds it does no harm.
        averages = [part.average(_ORDER) for part in self.parts]
        return _stated(float(self.weights @ averages), rarest)

    def survival(self) -> Survival:
        parts = [part.survival() for part in self.parts]
        return lambda n: np.asarray(self.weights @ [part(n) for part in parts], dtype=np.float64)


def _left(step: Any) -> FloatArray:
    """From each state the points to a signal beyond the next one: (1 - step)^-1 1."""
    ones = np.ones(step.shape[0])
    if not isinstance(step, np.ndarray):
        from scipy.sparse import identity
        from scipy.sparse.linalg import bicgstab, spsolve

        change = (identity(len(ones)) - step).tocsc()
        left, rest = np.zeros_like(ones), ones
        for _ in range(_STARTS if len(ones) > _LARGE else 0):
            left = left + bicgstab(change, rest, rtol=1e-6)[0]
            rest = ones - change @ left
            if np.abs(rest).max() <= _OFF:
                return np.asarray(left, dtype=np.float64)
        return np.asarray(spsolve(change, ones), dtype=np.float64)
    try:
        return np.asarray(np.linalg.solve(np.eye(len(ones)) - step, ones), dtype=np.float64)
    except np.linalg.LinAlgError:  # never signals: as if once in 10^13 points
        nearly = np.eye(len(ones)) - step * (1 - 1e-13)
        return np.asarray(np.linalg.solve(nearly, ones), dtype=np.float64)


def _stated(length: float, rarest: float) -> float:
    if not 0.99 < length < rarest:
        raise TooRare()
    return max(1.0, length)


def _extended(chances: FloatArray) -> Survival:
    """The chances given, then falling by the last factor from point to point."""
    end = int(np.argmax(chances < _GONE)) if (chances < _GONE).any() else len(chances) - 1
    head = np.clip(chances[: end + 1], 0, 1)
    ratio = head[-1] / head[-2] if head[-1] >= _GONE else 0.0

    def after(n: IntArray) -> FloatArray:
        return np.asarray(head[np.minimum(n, end)] * ratio ** np.maximum(n - end, 0))

    return after


def _times(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.convolve(a, b)[: len(a)]


def _over_one_less(above: FloatArray, product: FloatArray) -> FloatArray:
    """The power series above / (1 - product), product starting at 0."""
    series = np.zeros(len(above))
    for place, value in enumerate(above):
        series[place] = value + product[1 : place + 1] @ series[place - 1 :: -1][:place]
    return series
