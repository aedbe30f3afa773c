"""The model fitted to the loaves of one cutter: variances, offsets, and each face of each loaf."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from qa_tools.decisions.wires.common import Cause, varying
from qa_tools.decisions.wires.cutter import Cutter, FloatArray, IntArray
from qa_tools.decisions.wires.kinds import Sources, kinds_of, scale_of, sources
from qa_tools.decisions.wires.loaves import Loaves
from qa_tools.decisions.wires.offsets import Offsets, offsets
from qa_tools.decisions.wires.steady import steady
from qa_tools.decisions.wires.wander import (
    Likelihood,
    Problem,
    estimable_means,
    fitted,
    without_scale,
)

# From fewer loaves no wire shows its wander.
FEWEST: Final = 5


@dataclass(frozen=True, eq=False)
class Fit:
    """
    The model of one cutter, fitted.

    Attributes
    ----------
    cutter : Cutter
    loaves : Loaves
    sources : Sources
        What each fitted variance is of.
    spell_loaves : array of shape (spells,)
        Loaves that tell of each wire between services.
    problem : Problem
    variances : array
        Fitted: wires between services, remainders, common causes, last the noise; mm².
    found : Likelihood
        At these.
    offsets : Offsets
        Beside the common causes.
    causes : list of Cause
        What moves all faces of a loaf together; the first of them, those that vary from loaf to
        loaf, have a variance each before that of the noise.
    mm_per_gram : float
        Of a bar's width, root mean square over the loaves.
    kind : array of shape (loaves,)
        The kind of each loaf, -1 for loaves that tell nothing.
    widths : array of shape (loaves, bars)
        Width of each bar above its spacing by the loaf's own scale, mm; 0 for bars not weighed.
    """

    cutter: Cutter
    loaves: Loaves
    sources: Sources
    spell_loaves: IntArray
    problem: Problem
    variances: FloatArray
    found: Likelihood
    offsets: Offsets
    causes: list[Cause]
    mm_per_gram: float
    kind: IntArray
    widths: FloatArray

    @property
    def noise_g(self) -> float:
        """Sd of the noise of one bar, grams."""
        return float(np.sqrt(self.variances[-1])) / self.mm_per_gram


def fit(
    loaves: Loaves,
    cutter: Cutter,
    services: dict[int, list[int]],
    noise_g: float | None = None,
) -> Fit:
    """
    Fit the model by restricted likelihood.

    Parameters
    ----------
    services : dict of int to list of int
        From ``first_loaves``.
    noise_g : float, optional
        Noise of one bar where known; else it is estimated, at the least the rounding of the scale.

    Raises
    ------
    ValueError
        Fewer than five loaves with two bars weighed, or variances the weights cannot tell apart.
    """
    of_faces = sources(loaves, cutter, services)
    kinds, kind, widths = kinds_of(loaves, cutter, of_faces)
    telling = kind >= 0
    if telling.sum() < FEWEST:
        raise ValueError(
            f"{telling.sum()} loaves with two or more bars weighed: a wire's wander shows from "
            f"{FEWEST} loaves on, and well from 20"
        )
    mm_per_gram = float(np.sqrt(np.mean(1 / scale_of(loaves, cutter)[telling] ** 2)))
    rounding = loaves.step / np.sqrt(12)
    estimable, hidden = estimable_means(kinds)
    index = of_faces.variance[telling]
    count = np.bincount(index[index >= 0], minlength=kinds.variances - 1)
    least = np.zeros(kinds.variances)
    least[-1] = ((rounding if noise_g is None else noise_g) * mm_per_gram) ** 2
    problem = Problem(
        kinds, estimable, np.eye(len(least)), np.append(count >= 2, noise_g is None), least
    )
    start = _alike(problem, len(of_faces.spells))
    _refuse_untold(problem, start, of_faces, cutter)
    problem, variances, found, causes = varying(problem, *fitted(problem, start), cutter)
    faces = np.array([face for face, _, _ in of_faces.spells] + [0] * len(of_faces.remainders))
    taken_out, shifts = steady(found, problem, faces, count, cutter)
    return Fit(
        cutter,
        loaves,
        of_faces,
        count[: len(of_faces.spells)],
        problem,
        variances,
        found,
        offsets(problem, variances, found, hidden, taken_out, of_faces, count, cutter),
        [*causes, *shifts],
        mm_per_gram,
        kind,
        widths,
    )


def _alike(problem: Problem, wires: int) -> FloatArray:
    """Variances with all wires wandering alike, to start from."""
    kinds = problem.kinds
    together = np.maximum(np.arange(kinds.variances) - wires + 1, 0)
    spread = float(np.einsum("kii->", kinds.cross) / (kinds.loaves @ kinds.weighed).sum())
    start = np.full(together[-1] + 1, spread / 2)
    start[-1] = max(problem.least[-1], spread / 20) if problem.free[-1] else problem.least[-1]
    tied = problem.tied(together)
    tied.free[:-1] = True
    return tied.made @ fitted(tied, start)[0]


def _refuse_untold(
    problem: Problem, variances: FloatArray, of_faces: Sources, cutter: Cutter
) -> None:
    """Refuse variances of which another mixture would give the same spread of weights."""
    free = np.flatnonzero(problem.free)
    curvature = problem.at(variances).curvature[np.ix_(free, free)]
    scale = np.sqrt(curvature.diagonal())
    values, vectors = np.linalg.eigh(curvature / np.outer(scale, scale))
    mixed = free[(np.abs(vectors[:, values < 1e-8]) > 1e-3).any(axis=1)]
    if len(mixed) == 0:
        return
    if mixed[-1] == len(variances) - 1:
        raise ValueError(
            "these weights cannot tell the wires' wander from the noise of weighing: give noise_g, "
            "the sd of one bar weighed again and again, or weigh more bars of each loaf"
        )
    names = [
        cutter.name(of_faces.spells[one][0]) if one < len(of_faces.spells) else "the loaf's length"
        for one in mixed
    ]
    raise ValueError(
        f"these weights cannot tell apart the wander of {' and '.join(names)}: the bars on their "
        "sides must be weighed together with others of the loaf; weigh whole loaves"
    )


def displacements(fit: Fit) -> tuple[FloatArray, FloatArray, FloatArray]:
    """
    Where each wire's face most likely lay in each loaf, and how far that is out of the ordinary.

    Returns
    -------
    displacements : array of shape (loaves, wires)
        Best linear unbiased prediction, mm; the offset where the loaf tells nothing of the wire,
        NaN where there is none.
    scores : array of shape (loaves, wires)
        The slope of the log likelihood by the displacement, standardised: mean 0 and sd 1 as long
        as the wire does what the fit says; NaN where the loaf tells nothing of the wire.
    known : array of shape (loaves, wires)
        What the loaf tells of the displacement: information, mm⁻².
    """
    kinds, wires = fit.problem.kinds, slice(1, fit.cutter.bars)
    inverse, _ = without_scale(kinds, fit.variances)
    felt = inverse @ kinds.moved
    between = np.einsum("kif,kif->kf", kinds.moved, felt)
    middle = np.append(fit.found.means, 0.0)[kinds.mean]
    away = fit.widths - (kinds.moved @ middle[:, :, None])[fit.kind, :, 0]
    slope = (felt.transpose(0, 2, 1)[fit.kind] @ away[:, :, None])[:, wires, 0]
    information = between[fit.kind][:, wires]
    variance = np.append(fit.variances[:-1], np.nan)[fit.sources.variance[:, wires]]
    there = (fit.kind >= 0)[:, None] & (fit.sources.variance[:, wires] >= 0)
    offset = np.full(len(fit.variances), np.nan)
    offset[: len(fit.offsets.value)] = fit.offsets.value
    place = offset[fit.sources.mean[:, wires]] + variance * slope
    with np.errstate(invalid="ignore", divide="ignore"):
        scores = slope / np.sqrt(information)
    told = there & (information > 0)
    return np.where(there, place, np.nan), np.where(told, scores, np.nan), information


def seen(
    fit: Fit, spell: int, scores: FloatArray, known: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """
    What each loaf by itself tells of one wire between services.

    Parameters
    ----------
    spell : int
        Which of ``fit.sources.spells``.
    scores, known
        From ``displacements``.

    Returns
    -------
    rows : array of int
        The loaves that tell of it.
    place : array
        Its displacement from its offset as each shows it, mm.
    error : array
        Variance of the error of that, mm²; the wire's own wander comes on top.
    """
    wire = fit.sources.spells[spell][0] - 1
    of_spell = fit.sources.variance[:, wire + 1] == spell
    rows = np.flatnonzero(of_spell & np.isfinite(scores[:, wire]))
    information = known[rows, wire]
    error: FloatArray = np.maximum(1 / information - fit.variances[spell], 0.0)
    return rows, scores[rows, wire] / np.sqrt(information), error
