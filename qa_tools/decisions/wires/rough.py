"""Loaves in which all wires wander together: the loaf or the handling, before any wire."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import Final

import numpy as np
import pandas as pd

from qa_tools.decisions.wires.common import Cause
from qa_tools.decisions.wires.cutter import BoolArray, FloatArray, IntArray
from qa_tools.decisions.wires.fit import Fit, displacements
from qa_tools.decisions.wires.loaves import loaf_words

# Chance of naming such loaves where there are none. Less than that of other causes: where many bars
# are missing, a slack wire's swings reach the scores of its fellows too.
ALPHA: Final = 0.001
# Loaves that are cut roughly, and others, at the least.
FEWEST: Final = 5
# So many wires may make a rise by themselves without its being called common.
SINGLE: Final = 2
# A smaller rise is not worth looking for its cause.
MATTERS: Final = 1.25

NAME: Final = "rough cuts on all wires"
LOOK_AT: Final = (
    "look at the loaf (too soft or too hard, oats or petals that drag) and the handling (a skewed "
    "arm) before any wire"
)


@dataclass(frozen=True, eq=False)
class Rough:
    """
    Loaves that all wires cut roughly.

    Attributes
    ----------
    rows : array of shape (loaves,)
        Which.
    lasts : bool
        Whether they are all from one loaf on; else those of one batch.
    wander_mm : float
        Of a wire in them, the middle one of all.
    cause : Cause
    """

    rows: BoolArray
    lasts: bool
    wander_mm: float
    cause: Cause


def rough(fit: Fit) -> Rough | None:
    """
    The loaves, all from one on or those of one batch, in which all wires wander more; None if none.

    Notes
    -----
    Squared scores of the wires in those loaves against the others, by the signed root of the
    likelihood ratio of two variances (normal; Bartlett 1937, Proceedings of the Royal Society A
    160, 268-282, from memory), each time without the two wires that make it clearest. So where one
    or two wires make the rise, the ratio is at most that of their fellows, which make none. It is
    divided by how much the sums of loaves scatter beyond chi-square (heavy tails, wires that stray
    together), and the chance taken times the number of such sets of loaves (Bonferroni): a bound
    where whole loaves are weighed.
    """
    from scipy.special import ndtr

    _, scores, known = displacements(fit)
    told = np.flatnonzero(np.isfinite(scores).any(axis=1))
    there = np.isfinite(scores[told]).astype(float)
    squares = np.nan_to_num(scores[told]) ** 2
    windows, batches = _windows(fit, told)
    wires = range(scores.shape[1])
    if not len(windows) or len(wires) < 2 * SINGLE:
        return None
    kept = np.array([~np.isin(wires, pair) for pair in combinations(wires, SINGLE)], dtype=float)
    roots = _roots(squares @ kept.T, there @ kept.T, windows)
    best = int(roots.min(axis=1).argmax())
    others = kept[int(roots[best].argmin())]
    first, end = windows[best]
    inside = np.zeros(len(told), dtype=bool)
    inside[first:end] = True
    scatter = _scatter(squares @ others, there @ others, inside)
    chance = min(1.0, len(windows) * float(ndtr(-roots[best].min() / np.sqrt(scatter))))
    usual, now = (_wander(fit, scores, known, told[part]) for part in (~inside, inside))
    if chance >= ALPHA or now < MATTERS * usual:
        return None
    rows = np.zeros(len(fit.kind), dtype=bool)
    rows[told[inside]] = True
    lasts, label = best >= batches, fit.loaves.labels[told[first]]
    where = f"since about {loaf_words(label)}" if lasts else f"in batch {label[0]} alone"
    words = f"all wires wander together, {now:.2f} mm {where}, else {usual:.2f} mm: {LOOK_AT}"
    if not lasts:
        words += "; wires are judged without it"
    return Rough(rows, lasts, now, Cause(NAME, float(np.sqrt(now**2 - usual**2)), chance, words))


def _windows(fit: Fit, told: IntArray) -> tuple[IntArray, int]:
    """First and end of each set of loaves looked at, as columns; how many are of one batch."""
    loaves, labels = len(told), fit.loaves.labels[told]
    found = []
    if isinstance(labels, pd.MultiIndex):
        batch = labels.codes[0]
        edges = np.flatnonzero(np.diff(batch)) + 1
        found = list(pairwise([0, *edges.tolist(), loaves]))
        found = [(a, b) for a, b in found if b - a >= FEWEST and loaves - (b - a) >= FEWEST]
    since = {(a, loaves) for a in range(FEWEST, loaves - FEWEST + 1)} - set(found)
    windows = np.array([*found, *sorted(since)], dtype=np.int64).reshape(-1, 2)
    return windows, len(found)


def _roots(squares: FloatArray, there: FloatArray, windows: IntArray) -> FloatArray:
    """Signed roots of the likelihood ratio for more variance in each window, windows down."""
    (inside, all_in), (count, all_count) = (_sums(values, windows) for values in (squares, there))
    outside, others = all_in - inside, all_count - count

    def fitted(sum_: FloatArray, many: FloatArray) -> FloatArray:
        mean = np.maximum(sum_, 1e-12) / np.maximum(many, 1.0)
        logs: FloatArray = many * np.log(mean)
        return logs

    rise = fitted(all_in, all_count) - fitted(inside, count) - fitted(outside, others)
    signed: FloatArray = np.sign(inside * others - outside * count) * np.sqrt(np.maximum(rise, 0.0))
    return signed


def _sums(values: FloatArray, windows: IntArray) -> tuple[FloatArray, FloatArray]:
    """Sums in each window, and over all."""
    so_far = np.vstack([np.zeros(values.shape[1]), np.cumsum(values, axis=0)])
    return so_far[windows[:, 1]] - so_far[windows[:, 0]], so_far[-1]


def _scatter(squares: FloatArray, there: FloatArray, inside: BoolArray) -> float:
    """Variance of the sums of loaves over that of chi-square, 1 at the least."""
    level = np.where(
        inside,
        squares[inside].sum() / there[inside].sum(),
        squares[~inside].sum() / there[~inside].sum(),
    )
    return max(1.0, float(((squares / level - there) ** 2).sum() / (2 * there.sum())))


def _wander(fit: Fit, scores: FloatArray, known: FloatArray, rows: IntArray) -> float:
    """Wander in some of the loaves, of the wire in the middle of all, mm."""
    wander = np.append(fit.variances[:-1], np.nan)[fit.sources.variance[rows, 1 : fit.cutter.bars]]
    with np.errstate(invalid="ignore", divide="ignore"):
        square = (scores[rows] ** 2 - 1) / known[rows] + wander
    told = np.isfinite(square)
    mean = np.where(told, square, 0.0).sum(axis=0) / np.maximum(told.sum(axis=0), 1)
    return float(np.sqrt(max(float(np.median(mean[told.any(axis=0)])), 0.0)))
