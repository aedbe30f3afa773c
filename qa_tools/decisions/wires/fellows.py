"""Is one wire worse than its fellows: its own wander against one that all of them share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from qa_tools.decisions.wires.cutter import BoolArray, FloatArray, IntArray
from qa_tools.decisions.wires.wander import Problem, fitted

# Chance, for the whole cutter, of blaming a wire when all wander alike.
ALPHA: Final = 0.01


@dataclass(frozen=True, eq=False)
class Fellows:
    """
    Each wire against its fellows.

    Attributes
    ----------
    base : float
        Wander variance of the wires that wander alike, mm².
    chance : array of shape (wires,)
        Chance that any wire of the cutter stands out so far above its fellows when all wander
        alike; 1 for wires that wander no more than they do.
    worse : array of shape (wires,)
        Whether the chance is below one in a hundred.
    """

    base: float
    chance: FloatArray
    worse: BoolArray


def against_fellows(problem: Problem, best: FloatArray, wires: IntArray) -> Fellows:
    """
    Compare each wire with those of the others that wander alike.

    Parameters
    ----------
    problem : Problem
        With a parameter for each variance.
    best : array
        Its fitted variances.
    wires : array of int
        The variances of the wires compared.

    Notes
    -----
    Signed root of the restricted likelihood ratio, one-sided, times the number of wires
    (Bonferroni). Wires are taken out one by one, the worst first, so that two slack ones do not
    hide each other. The idea is that of Cochran's test (largest variance over the sum), which is
    bound to whole loaves and as many of each wire.
    """
    candidates = [int(wire) for wire in wires]
    alike = list(candidates)
    while True:
        base, chance = _against(problem, best, candidates, alike)
        worst = min(alike, key=lambda wire: (chance[wire], -best[wire]))
        if not chance[worst] < ALPHA or len(alike) < 2:
            break
        alike.remove(worst)
    found = np.array([chance[wire] for wire in candidates])
    return Fellows(base, found, found < ALPHA)


def _against(
    problem: Problem, best: FloatArray, wires: list[int], alike: list[int]
) -> tuple[float, dict[int, float]]:
    """Wander variance of those alike, and the chance of each wire if it were one of them."""
    from scipy.special import ndtr

    chance: dict[int, float] = {}
    common, base = tied(problem, best, alike)
    for wire in wires:
        fellows = [other for other in alike if other != wire]
        if not fellows or best[wire] <= base:
            chance[wire] = 1.0 if len(wires) > 1 else np.nan
            continue
        if wire in alike:
            rise = common - tied(problem, best, fellows)[0]
        else:
            rise = tied(problem, best, [*alike, wire])[0] - common
        chance[wire] = min(1.0, len(wires) * float(ndtr(-np.sqrt(max(rise, 0.0)))))
    return base, chance


def tied(problem: Problem, best: FloatArray, alike: list[int]) -> tuple[float, float]:
    """Deviance with some variances one and the same, and that variance."""
    shared = alike[0]
    names = np.arange(len(best))
    names[alike] = shared
    kept, together = np.unique(names, return_inverse=True)
    start = best[kept].copy()
    start[np.searchsorted(kept, shared)] = best[alike].mean()
    parameters, found = fitted(problem.tied(together), start)
    return found.deviance, float(parameters[np.searchsorted(kept, shared)])
