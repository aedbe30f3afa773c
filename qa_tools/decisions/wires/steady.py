"""What shifts all faces of a loaf steadily: told from single wires that stand off their places."""

from __future__ import annotations

from typing import Final

import numpy as np

from qa_tools.decisions.wires.common import ALPHA, Cause, bow
from qa_tools.decisions.wires.cutter import Cutter, FloatArray, IntArray
from qa_tools.decisions.wires.wander import Likelihood, Problem

STEADY: Final = {
    "tilted mould": "offsets bow smoothly across all wires: loaves are thicker at one end, so look "
    "how the mould stands before moving any wire",
    "stop off its place": "all wires stand off alike: the stop is off its place, or loaves never "
    "lie home on it; move that before any wire",
}


def steady(
    found: Likelihood, problem: Problem, faces: IntArray, loaves: IntArray, cutter: Cutter
) -> tuple[FloatArray, list[Cause]]:
    """
    Common causes in the offsets.

    Causes and single wires are taken in one by one, whatever explains most, as long as chance does
    not. A common cause must also stand out from how differently the wires stand besides: where each
    stands a little off in its own way, there is none.

    Parameters
    ----------
    found : Likelihood
        At the fitted variances.
    problem : Problem
    faces : array of shape (means,)
        The face each offset is of, those of remainders 0.
    loaves : array of shape (means,)
        How many loaves tell of each.

    Returns
    -------
    taken_out : array of shape (means, means)
        This times the offsets are those beside the common causes.
    causes : list of Cause
    """
    from scipy.special import stdtr

    longest = problem.kinds.bars == cutter.bars
    bent = bow(problem.kinds, cutter)[np.argmax(longest)][faces]
    alike = np.where(faces > 0, 1.0, 0.0)
    patterns = np.column_stack([bent, alike])
    names, wires = list(STEADY), np.flatnonzero(faces > 0)
    units = np.eye(len(faces))
    white = _white(found, problem.estimable)
    columns = white @ np.hstack([patterns, units[:, wires]])
    free = white @ units[:, faces == 0]
    shown = white @ found.means
    degrees = float(np.median(loaves[wires])) - 1
    chosen: list[int] = []
    chances, named = dict[int, float](), dict[int, float]()
    while len(chosen) < len(wires) - 1:
        taken = np.hstack([free, columns[:, chosen]])
        rest = shown - taken @ np.linalg.pinv(taken) @ shown
        beside = columns - taken @ np.linalg.pinv(taken) @ columns
        size = (beside**2).sum(axis=0)
        gain = (beside.T @ rest) ** 2 / np.maximum(size, 1e-300)
        gain[size < 1e-9 * (columns**2).sum(axis=0)] = 0.0
        spare = len(shown) - taken.shape[1] - 1
        for one in range(len(names)):
            unlike = max((rest @ rest - gain[one]) / max(spare, 1), 1.0)
            chances[one] = len(names) * 2 * float(stdtr(spare, -np.sqrt(gain[one] / unlike)))
            if chances[one] >= ALPHA or len(chosen) > len(wires) // 3:
                gain[one] = 0.0
        best = int(np.argmax(gain))
        if len(gain) * 2 * float(stdtr(degrees, -np.sqrt(gain[best]))) >= ALPHA:
            break
        chosen.append(best)
        if best < len(names):
            named[best] = chances[best]
    common = [one for one in chosen if one < len(names)]
    weights = np.linalg.pinv(np.hstack([free, columns[:, chosen]])) @ white
    of_common = weights[free.shape[1] :][[chosen.index(one) for one in common]]
    causes = [
        Cause(names[one], abs(float(row @ found.means)), named[one], STEADY[names[one]])
        for one, row in zip(common, of_common, strict=True)
    ]
    return units - patterns[:, common] @ of_common, causes


def _white(found: Likelihood, estimable: FloatArray) -> FloatArray:
    """What makes of the offsets, as far as weights tell them, independent values of sd 1."""
    root = np.linalg.cholesky(estimable.T @ found.means_covariance @ estimable)
    white: FloatArray = np.linalg.solve(root, estimable.T)
    return white
