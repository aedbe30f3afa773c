"""A wire knocked off its place between two cuts: from there on it has a history of its own."""

from __future__ import annotations

from typing import Final

import numpy as np

from qa_tools.decisions.wires.cutter import FloatArray
from qa_tools.decisions.wires.fit import Fit, displacements, seen

# Chance, for the whole study, of splitting a history where nothing was knocked.
ALPHA: Final = 0.001
# Loaves on either side, at the least.
FEWEST: Final = 5


def knocks(fit: Fit) -> dict[int, list[int]]:
    """
    The first loaf cut after each wire was knocked, by the face the wire makes: rows of loaves.

    Notes
    -----
    In each history the largest, over loaves, of the normal scores of a shift of the offset from
    there on (likelihood score test); Bonferroni over loaves and wires, which is conservative.
    """
    from scipy.special import ndtr

    scores, known = displacements(fit)[1:]
    found: dict[int, list[int]] = {}
    for spell, (face, _, _) in enumerate(fit.sources.spells):
        rows, _, _ = seen(fit, spell, scores, known)
        if len(rows) < 2 * FEWEST:
            continue
        at, score = _largest(scores[rows, face - 1], known[rows, face - 1])
        if 2 * ndtr(-score) * len(rows) * len(fit.sources.spells) < ALPHA:
            found[face] = [int(rows[at])]
    return found


def _largest(scores: FloatArray, known: FloatArray) -> tuple[int, float]:
    """The loaf from which on a shift is clearest, and its normal score."""
    slope = np.cumsum((scores * np.sqrt(known))[::-1])[::-1]
    after = np.cumsum(known[::-1])[::-1]
    left = after * (1 - after / after[0])
    # The offset makes all slopes sum to nought, but for what other wires tell of it.
    slope = slope - slope[0] * after / after[0]
    clear = np.zeros(len(scores))
    inner = slice(FEWEST, len(scores) - FEWEST + 1)
    clear[inner] = np.abs(slope[inner]) / np.sqrt(left[inner])
    best = int(clear.argmax())
    return best, float(clear[best])
