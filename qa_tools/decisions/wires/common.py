"""What makes all faces of a loaf stray together: found before one wire is blamed, taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from qa_tools.decisions.wires.cutter import Cutter, FloatArray
from qa_tools.decisions.wires.wander import Kinds, Likelihood, Problem, fitted

# Chance of naming a common cause of each sort where there is none.
ALPHA: Final = 0.01


@dataclass(frozen=True)
class Cause:
    """
    What moves many faces of a loaf together.

    Attributes
    ----------
    cause : str
        "slack end wire at the stop", "slack end wire at the far end", "loaf not home",
        "uneven loaf", "tilted mould", "stop off its place", "rough cuts on all wires".
    size_mm : float
        How far it moves the face it moves most: sd from loaf to loaf, or the steady shift.
    chance : float
        Of any common cause of its sort showing so clearly where there is none.
    words : str
        What it looks like and what to look at, one plain sentence.
    """

    cause: str
    size_mm: float
    chance: float
    words: str


VARYING: Final = {
    "slack end wire at the stop": "all wires stray together, less and less from the stop on: look "
    "at the wire that trims the end at the stop before any other",
    "slack end wire at the far end": "all wires stray together, less and less from the far end on: "
    "look at the wire that trims the far end before any other",
    "loaf not home": "the first bars stray one way when the last stray the other: loaves are not "
    "always home on the stop, or slide under the cut",
    "uneven loaf": "loaves are thicker now at one end, now at the other: look at the pouring and "
    "how the mould stands before any wire",
}


def bow(kinds: Kinds, cutter: Cutter) -> FloatArray:
    """How a section that grows evenly along the loaf seems to move its faces: 1 in the middle."""
    share = cutter.places / cutter.places[kinds.bars][:, None]
    bent: FloatArray = np.maximum(4 * share * (1 - share), 0.0)
    return bent


def moves(kinds: Kinds, cutter: Cutter) -> dict[str, FloatArray]:
    """How each cause moves the faces of each kind of loaf, shape (kinds, bars + 1)."""
    face, last = np.arange(cutter.bars + 1), kinds.bars[:, None]
    inside = np.where((face > 0) & (face < last), 1.0, 0.0)
    stop = np.where((face == 0) & (last > 0), 1.0, 0.0)
    found = {"loaf not home": stop if cutter.ends == "from a stop" else inside}
    if cutter.ends == "both trimmed":
        found["slack end wire at the stop"] = stop
        found["slack end wire at the far end"] = np.where(face == last, 1.0, 0.0)
    return found | {"uneven loaf": bow(kinds, cutter)}


def varying(
    problem: Problem, best: FloatArray, found: Likelihood, cutter: Cutter
) -> tuple[Problem, FloatArray, Likelihood, list[Cause]]:
    """
    Common causes that differ from loaf to loaf, added to the model one by one, the clearest first.

    Parameters
    ----------
    problem, best, found
        The model without them, fitted.

    Returns
    -------
    problem, best, found
        The model with those found, each a variance before that of the noise.
    causes : list of Cause

    Notes
    -----
    Each by restricted likelihood ratio; a variance that may be 0 is tested at half the chance of
    chi-square with one degree of freedom (Self and Liang 1987, Journal of the American Statistical
    Association 82, 605-610, from memory), times the number of causes looked for.
    """
    from scipy.special import ndtr

    causes: list[Cause] = []
    candidates = moves(problem.kinds, cutter)
    looked_for = len(candidates)
    while candidates:
        tried = {name: _with(problem, best, faces) for name, faces in candidates.items()}
        name = min(tried, key=lambda one: tried[one][2].deviance)
        rise = max(found.deviance - tried[name][2].deviance, 0.0)
        chance = min(1.0, looked_for * float(ndtr(-np.sqrt(rise))))
        if chance >= ALPHA:
            break
        problem, best, found = tried[name]
        del candidates[name]
        causes.append(Cause(name, 0.0, chance, VARYING[name]))
    first = len(best) - 1 - len(causes)
    sized = [
        replace(cause, size_mm=float(np.sqrt(best[first + one])))
        for one, cause in enumerate(causes)
    ]
    return problem, best, found, sized


def _with(
    problem: Problem, best: FloatArray, faces: FloatArray
) -> tuple[Problem, FloatArray, Likelihood]:
    """The model with one more source of spread, fitted."""
    kinds = problem.kinds.spread_also(faces)
    wider = replace(
        problem,
        kinds=kinds,
        made=np.eye(kinds.variances),
        free=np.insert(problem.free, -1, True),
        least=np.insert(problem.least, -1, 0.0),
    )
    return wider, *fitted(wider, np.insert(best, -1, 0.1 * float(np.median(best[:-1]))))
