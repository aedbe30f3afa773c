"""Each loaf against what the loaves before it lead to expect: independent scores, wire by wire."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from qa_tools.decisions.wires.cutter import FloatArray, IntArray
from qa_tools.decisions.wires.fit import Fit, displacements
from qa_tools.decisions.wires.wander import (
    Kinds,
    estimable_means,
    fitted,
    without_scale,
)

# Of an offset no loaf has told of yet: as good as nothing is known (sd 1 m), yet a number.
UNKNOWN = 1e-6


@dataclass(frozen=True, eq=False)
class Innovations:
    """
    Attributes
    ----------
    score : array of shape (loaves, wires)
        Slope of the log likelihood by each wire's displacement in this loaf, standardised: normal,
        mean 0, sd 1, independent from loaf to loaf, as long as wires keep their offsets and wander
        as the base. NaN where the loaf tells nothing of the wire.
    known : array of shape (loaves, wires)
        What the loaf tells of the displacement (information, mm⁻²), offsets estimated; 0 for none.
    base : array of shape (loaves,)
        Wander of all wires, from the loaves before, mm.
    """

    score: FloatArray
    known: FloatArray
    base: FloatArray


def innovations(fit: Fit, before: IntArray, rows: IntArray, apart: list[int]) -> Innovations:
    """
    Scores of loaves, one by one, the base from those before them all.

    Parameters
    ----------
    before, rows : array of int
        Loaves that make the base, and those that follow.
    apart : list of int
        Variances of wires that signal: left out of the base, and with their own while others are
        scored, so that what they do is not laid to their neighbours.
    """
    kinds = _of(fit, before)
    own = _variances(fit, kinds, apart)
    wires = np.arange(len(fit.sources.spells))
    base = float(own[np.setdiff1d(wires, apart)[0]]) if len(apart) < len(wires) else float(own[0])
    alike = own.copy()
    alike[wires] = base
    score, known = _scored(fit, kinds, rows, own)
    if apart:
        both = _scored(fit, kinds, rows, alike)
        of_apart = np.isin(fit.sources.mean[rows, 1 : fit.cutter.bars], apart)
        score, known = np.where(of_apart, both[0], score), np.where(of_apart, both[1], known)
    return Innovations(score, known, np.full(len(rows), np.sqrt(base)))


def _scored(
    fit: Fit, kinds: Kinds, rows: IntArray, variances: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Scores of loaves one by one and what each tells, offsets from all loaves before it."""
    inverse, _ = without_scale(kinds, variances)
    felt = inverse @ kinds.moved
    means = kinds.means
    units = np.vstack([np.eye(means), np.zeros(means)])[kinds.mean]
    between = units.transpose(0, 2, 1) @ kinds.moved.transpose(0, 2, 1) @ felt @ units
    pulls = units.transpose(0, 2, 1) @ felt.transpose(0, 2, 1)
    precision = np.einsum("k,kab->ab", kinds.loaves, between) + UNKNOWN * np.eye(means)
    towards = np.einsum("kab,kb->a", pulls, kinds.total)
    faces = fit.sources.mean[:, 1 : fit.cutter.bars]
    score = np.full((len(rows), fit.cutter.bars - 1), np.nan)
    known = np.zeros_like(score)
    for place, row in enumerate(rows):
        here, pull = between[fit.kind[row]], pulls[fit.kind[row]] @ fit.widths[row]
        surprise = pull - here @ np.linalg.solve(precision, towards)
        precision = precision + here
        towards = towards + pull
        gained = np.linalg.solve(precision, np.column_stack([surprise, here]))
        slope = surprise - here @ gained[:, 0]
        information = np.diag(here) - np.einsum("ab,ba->a", here, gained[:, 1:])
        at = faces[row]
        told = (at >= 0) & (information[at] > 10 * UNKNOWN)
        known[place, told] = information[at[told]]
        score[place, told] = slope[at[told]] / np.sqrt(known[place, told])
    return score, known


def places(fit: Fit) -> tuple[FloatArray, FloatArray]:
    """
    Where each wire's face lay, by what its loaf alone shows.

    Returns
    -------
    place : array of shape (loaves, wires)
        Its displacement, mm, as if any were as likely beforehand; NaN where the loaf tells nothing.
    doubt : array of shape (loaves, wires)
        Variance of that, given the displacement, mm².
    """
    scores, known = displacements(fit)[1:]
    inside = slice(1, fit.cutter.bars)
    middle = np.append(fit.found.means, np.nan)[fit.sources.mean[:, inside]]
    wander = np.append(fit.variances[:-1], np.nan)[fit.sources.variance[:, inside]]
    with np.errstate(invalid="ignore", divide="ignore"):
        return middle + scores / np.sqrt(known), np.maximum(1 / known - wander, 0.0)


def _of(fit: Fit, rows: IntArray) -> Kinds:
    """The kinds summed over some of the loaves."""
    kinds, kind, widths = fit.problem.kinds, fit.kind[rows], fit.widths[rows]
    loaves = np.bincount(kind, minlength=len(kinds.loaves)).astype(float)
    total, cross = np.zeros_like(kinds.total), np.zeros_like(kinds.cross)
    np.add.at(total, kind, widths)
    np.add.at(cross, kind, widths[:, :, None] * widths[:, None, :])
    return replace(kinds, loaves=loaves, total=total, cross=cross)


def _variances(fit: Fit, kinds: Kinds, apart: list[int]) -> FloatArray:
    """Variances with all wires alike but those apart, fitted to some of the loaves."""
    wires = len(fit.sources.spells)
    names = np.arange(kinds.variances)
    names[[one for one in range(wires) if one not in apart]] = -1
    together = np.unique(names, return_inverse=True)[1]
    first = np.unique(together, return_index=True)[1]
    problem = replace(fit.problem, kinds=kinds, estimable=estimable_means(kinds)[0])
    tied = problem.tied(together)
    tied.free[0] = True
    parameters, _ = fitted(tied, fit.variances[first])
    found: FloatArray = tied.made @ parameters
    return found
