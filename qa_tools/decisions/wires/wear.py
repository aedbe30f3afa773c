"""Wear: does a wire slacken with the loaves it cuts, and when is it due?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd

from qa_tools.books.rulebook import Declared, RuleBook
from qa_tools.decisions.wires.cutter import FloatArray
from qa_tools.decisions.wires.fit import displacements, seen
from qa_tools.decisions.wires.matters import matters

if TYPE_CHECKING:
    from qa_tools.decisions.wires.study import WireStudy

# Fewer loaves since a service say nothing of a trend.
FEWEST: Final = 15
# A trend is told when its chance, for the whole cutter, is below this.
SURE: Final = 0.05
# Loaves to come beyond which nothing is foretold.
FAR: Final = 1e5


def wear(
    study: WireStudy,
    declared: Declared | None = None,
    books: str | RuleBook | Sequence[str | RuleBook] = (),
    *,
    loss_percent: float = 0.0,
) -> pd.DataFrame:
    """
    Does each wire slacken with the loaves cut since its last service, and when is it due?

    Parameters
    ----------
    study : WireStudy
    declared, books, loss_percent
        As in `advise`: a wire is due when its wander matters under the strictest book; without
        them, at twice the wander of its fellows.

    Returns
    -------
    DataFrame
        One row a wire: wire, between, loaves (since its service), now_mm (wander at the last of
        them), growth (of the wander, in 100 loaves; 0.5 is half as much again), chance (of any wire
        of the cutter seeming to slacken so when none does), due_mm, due_in (loaves from now on)
        with due_lower and due_upper, and words. due_in is NaN where no trend shows; now_mm and
        growth are NaN below 15 loaves.

    Raises
    ------
    ValueError
        As `advise`.

    Notes
    -----
    The wander is taken to grow by the same share with each loaf studied (its log variance is a
    straight line); offset, noise and the other wires as the study has them. Chance by the signed
    root of the restricted likelihood ratio, one-sided, times the number of wires; the interval of
    due_in is the profile interval of the loaf at which the line gets there. Loaves are those
    studied: where every second loaf is weighed, twice as many are cut. Of cutters in which no wire
    slackens, 5 in 100 are said to have one that does (simulated, 8 and 10 wires, 25 to 60 loaves).
    Intervals cover 96 in 100 (150 cutters, a wander to 2.7 times in 120 loaves). A trend must be
    clear to show: one to 1.9 times in 120 loaves does half the time.

    Examples
    --------
    >>> from qa_tools.decisions.wires import study
    >>> random = np.random.default_rng(4)
    >>> sds = np.full((80, 5), 0.15)
    >>> sds[:, 3] = 0.15 * np.exp(np.linspace(0, 0.9, 80))
    >>> widths = 25 + np.diff(np.pad(random.normal(0, sds), ((0, 0), (1, 1))))
    >>> grams = (5.8 * widths + random.normal(0, 0.1, widths.shape)).round(1)
    >>> loaf, slot = np.indices(grams.shape) + 1
    >>> bars = pd.DataFrame({"loaf": loaf.ravel(), "slot": slot.ravel(), "net": grams.ravel()})
    >>> found = wear(study(bars, spacing_mm=25), "120 g", "eu-76-211")
    >>> print(found["words"][3])
    wire 4 from the stop (between bars 4 and 5): wander grows by ...
    """
    due = matters(study.fit, study.base_mm, declared, books, loss_percent).wander_mm
    _, scores, known = displacements(study.fit)
    told = [_told(study, face, scores, known) for face in range(1, study.cutter.bars)]
    wires = sum(one is not None for one in told)
    rows = [
        _row(study, face, one, wires, due)
        for face, one in enumerate(told, start=1)
    ]  # fmt: skip
    return pd.DataFrame(rows)


class _Told(NamedTuple):
    """What the loaves since a wire's service tell: displacement, its noise, and which loaf."""

    away: FloatArray
    noise: FloatArray
    loaf: FloatArray
    ahead: float

    def deviance(self, variance: FloatArray) -> float:
        """Minus twice the log of the restricted likelihood of the wire's variance in each loaf."""
        with np.errstate(over="ignore"):
            weight = 1 / (variance + self.noise)
        known = weight.sum()
        if not known > 0:
            return math.inf
        middle = (weight @ self.away) / known
        return float(-np.log(weight).sum() + weight @ (self.away - middle) ** 2 + np.log(known))


def _told(study: WireStudy, face: int, scores: FloatArray, known: FloatArray) -> _Told | None:
    """Of a wire since its last service; None where too few loaves tell."""
    fit = study.fit
    spells = [one for one, (at, _, _) in enumerate(fit.sources.spells) if at == face]
    if not spells or math.isnan(study.wires["wander_mm"].iloc[face - 1]):
        return None
    rows, place, noise = seen(fit, spells[-1], scores, known)
    if len(rows) < FEWEST:
        return None
    loaf = (rows - rows[0]) / 100
    ahead = (len(fit.kind) - 1 - rows[-1]) / 100
    return _Told(place, noise, loaf, ahead)


def _row(study: WireStudy, face: int, told: _Told | None, wires: int, due: float) -> dict[str, Any]:
    """One wire."""
    from scipy.special import ndtr

    now = study.wires.iloc[face - 1]
    row = {"wire": now["wire"], "between": now["between"], "loaves": now["loaves"]}
    none = dict.fromkeys(("due_in", "due_lower", "due_upper"), math.nan)
    name = study.cutter.name(face)
    if told is None:
        few = f"{name}: too few loaves since its service to see a trend ({now['loaves']})"
        unknown = {"now_mm": math.nan, "growth": math.nan, "chance": math.nan, "due_mm": due}
        return {**row, **unknown, **none, "words": few}
    level, slope, least = _line(told)
    level_0, least_0 = _flat(told)
    root = math.copysign(math.sqrt(max(least_0 - least, 0.0)), slope)
    chance = min(1.0, wires * float(ndtr(-root)))
    growth = math.exp(slope / 2) - 1
    end = told.loaf[-1]
    wander = math.exp((level + slope * end) / 2)
    if chance >= SURE:
        flat = {"now_mm": math.exp(level_0 / 2), "growth": growth, "chance": chance, "due_mm": due}
        return {**row, **flat, **none, "words": f"{name}: no sign that it slackens"}
    found = {"now_mm": wander, "growth": growth, "chance": chance, "due_mm": due}
    grows = f"{name}: wander grows by {100 * growth:.0f} % in 100 loaves and is {wander:.2f} mm now"
    if wander >= due:
        over = {"due_in": 0.0, "due_lower": 0.0, "due_upper": 0.0}
        return {**row, **found, **over, "words": f"{grows}: due ({due:.2f} mm)"}
    in_ = (2 * math.log(due) - level) / slope - end - told.ahead
    lower, upper = _due(told, due, in_, least)
    times = {"due_in": 100 * in_, "due_lower": 100 * lower, "due_upper": 100 * upper}
    most = "no end in sight" if math.isinf(upper) else f"{100 * upper:.0f}"
    about = f"about {100 * in_:.0f} loaves ({100 * lower:.0f} to {most})"
    return {**row, **found, **times, "words": f"{grows}; at this rate due in {about}"}


def _line(told: _Told) -> tuple[float, float, float]:
    """Level and slope (in 100 loaves) of the log variance of least deviance."""
    from scipy.optimize import minimize

    start = math.log(max(float(np.var(told.away) - told.noise.mean()), told.noise.mean() / 100))
    middle = float(told.loaf.mean())

    def deviance(line: FloatArray) -> float:
        return told.deviance(np.exp(np.clip(line[0] + line[1] * (told.loaf - middle), -50, 20)))

    found = minimize(deviance, [start, 0.0], method="Nelder-Mead", options={"xatol": 1e-5})
    level, slope = map(float, found.x)
    return level - slope * middle, slope, float(found.fun)


def _flat(told: _Told) -> tuple[float, float]:
    """Log variance, and its deviance, without a trend."""
    from scipy.optimize import minimize_scalar

    top = math.log(float(np.var(told.away)) + 1e-12)
    found = minimize_scalar(
        lambda level: told.deviance(np.full_like(told.away, math.exp(level))),
        bounds=(top - 15, top + 3), method="bounded",
    )  # fmt: skip
    return float(found.x), float(found.fun)


def _due(told: _Told, due: float, best: float, least: float) -> tuple[float, float]:
    """Profile interval of when the line gets to the variance that is due, in 100 loaves."""
    from scipy.optimize import brentq, minimize_scalar

    log_due, end = 2 * math.log(due), told.loaf[-1] + told.ahead

    def over(log_ahead: float) -> float:
        away = told.loaf - end - math.exp(log_ahead)

        def deviance(log_slope: float) -> float:
            return told.deviance(np.exp(np.clip(log_due + math.exp(log_slope) * away, -50, 20)))

        found = minimize_scalar(deviance, bounds=(-12, 6), method="bounded")
        return float(found.fun) - least - 3.841458820694124

    middle = math.log(max(best, 1e-4))
    low = over(math.log(1e-4))
    lower = 0.0 if low <= 0 else math.exp(brentq(over, math.log(1e-4), middle, xtol=1e-3))
    high = over(math.log(FAR / 100))
    upper = (
        math.inf if high <= 0 else math.exp(brentq(over, middle, math.log(FAR / 100), xtol=1e-3))
    )
    return lower, upper
