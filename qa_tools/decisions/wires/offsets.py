"""Offsets: how far each wire stands off its place, as far as weights without a density can tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from qa_tools.decisions.wires.cutter import Cutter, FloatArray, IntArray
from qa_tools.decisions.wires.doubt import doubt
from qa_tools.decisions.wires.kinds import Sources
from qa_tools.decisions.wires.wander import Kinds, Likelihood, Problem


@dataclass(frozen=True, eq=False)
class Offsets:
    """
    Offset of each wire between services and its standard error, mm; NaN where untold.

    ``freedom`` has the degrees of freedom of the error.
    """

    value: FloatArray
    error: FloatArray
    freedom: FloatArray


def offsets(
    problem: Problem,
    best: FloatArray,
    found: Likelihood,
    hidden: FloatArray,
    taken_out: FloatArray,
    sources: Sources,
    loaves: IntArray,
    cutter: Cutter,
) -> Offsets:
    """
    Offsets from generalised least squares.

    Cut from a stop, an even stretch of all wires looks like a lighter loaf. Offsets are then told
    from the even spacing that most wires keep to: deviations count by their size, not their square,
    so that one wire far off does not shift its fellows.

    Parameters
    ----------
    problem, best, found
        From ``fitted``.
    hidden : array of shape (means, directions)
        What the weights cannot tell, from ``estimable_means``.
    taken_out : array of shape (means, means)
        From ``steady``.
    loaves : array of shape (means,)
        How many loaves tell of each.
    """
    wires = len(sources.spells)
    value, combined = taken_out @ found.means, taken_out
    stretch = _stretches(problem.kinds, sources, cutter)
    beyond: FloatArray = hidden - stretch @ np.linalg.lstsq(stretch, hidden, rcond=None)[0]
    untold = np.abs(beyond).max(axis=1, initial=0.0) > 1e-6
    told = np.flatnonzero(~untold[:wires])
    if stretch.shape[1] and len(told):
        weight = np.zeros(len(value))
        weight[told] = 1.0
        for _ in range(30):
            fit = np.linalg.pinv(stretch.T @ (weight[:, None] * stretch)) @ (stretch.T * weight)
            kept = np.eye(len(value)) - stretch @ fit
            away = np.abs(kept @ value)[told]
            weight[told] = 1 / np.maximum(away, max(float(np.median(away)), 1e-9))
        value, combined = kept @ value, kept @ taken_out
    variance, freedom = doubt(problem, best, found, combined)
    less_one = (loaves - 1) * np.fmin(freedom / np.maximum(loaves, 1), 1.0)
    told_of = (value, np.sqrt(np.maximum(variance, 0.0)), less_one)
    return Offsets(*(np.where(untold, np.nan, one)[:wires] for one in told_of))


def _stretches(kinds: Kinds, sources: Sources, cutter: Cutter) -> FloatArray:
    """Even stretches the weights cannot tell: one for each set of faces that loaves connect."""
    means = kinds.means
    if not sources.remainders:
        return np.zeros((means, 0))
    place = np.zeros(means)
    joined = np.arange(means)
    for row in kinds.mean:
        faces = np.flatnonzero(row >= 0)
        place[row[faces]] = cutter.places[faces]
        same = np.isin(joined, joined[row[faces]])
        joined[same] = joined[row[faces[0]]]
    sets: FloatArray = (joined[:, None] == np.unique(joined)) * place[:, None]
    return sets
