"""Loaves no wire explains: a bar crumbled or mistyped, slots swapped, a loaf read in reverse."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from qa_tools.decisions.wires.cutter import FloatArray, IntArray
from qa_tools.decisions.wires.fit import Fit
from qa_tools.decisions.wires.loaves import Loaves
from qa_tools.decisions.wires.wander import Kinds, without_scale

# Chance, for the whole study, of setting anything aside where nothing is odd.
ALPHA: Final = 0.01
# A bar is odd only when that is so many times as likely as a wire that strayed wide.
SURER: Final = 30.0
# Where a larger share of the loaves looks odd, it is the wires that changed.
FEW: Final = 0.02


@dataclass(frozen=True)
class Oddity:
    """
    Bars set aside from a study of wires; nothing else leaves them out.

    Attributes
    ----------
    row : int
        Of the loaf.
    slots : tuple of int
        The bars, counted from 1 at the stop.
    words : str
        What they look like.
    """

    row: int
    slots: tuple[int, ...]
    words: str


def oddities(fit: Fit) -> list[Oddity]:
    """
    Bars and loaves that the wires as fitted do not explain, but a slip does.

    Notes
    -----
    Each slip against none by its likelihood ratio, with the fitted wires. The error of a single bar
    is fitted, hence a normal test over all bars; in swaps and reversals nothing is, so a ratio of
    so many to one comes about by chance in one loaf of so many at most.
    """
    from scipy.special import ndtri

    rows = np.flatnonzero(fit.kind >= 0)
    kinds, kind = fit.problem.kinds, fit.kind[rows]
    inverse = without_scale(kinds, fit.variances)[0]
    offset = np.append(fit.found.means, 0.0)[kinds.mean]
    away = fit.widths[rows] - (kinds.moved @ offset[:, :, None])[kind, :, 0]
    felt = (inverse[kind] @ away[:, :, None])[:, :, 0]
    loaves, bars = away.shape
    alone, wires = _alone(kinds, kind, inverse, felt)
    swaps = _swaps(fit, rows, inverse[kind], felt)
    backwards = _backwards(fit, rows, inverse[kind], away, felt)
    worst = alone.max(axis=1)
    wide = wires + 2 * np.log(SURER)
    single = ndtri(ALPHA / (2 * loaves * bars)) ** 2
    pairs = loaves * bars * (bars - 1) / 2
    swapped = swaps.max(axis=(1, 2))
    is_backwards = backwards > np.maximum(2 * np.log(loaves / ALPHA), np.maximum(worst, swapped))
    is_swapped = (swapped > np.maximum(2 * np.log(pairs / ALPHA), worst)) & ~is_backwards
    is_single = (worst > np.maximum(single, wide)) & ~is_backwards & ~is_swapped
    odd = np.flatnonzero(is_backwards | is_single | is_swapped)
    if len(odd) > max(1.0, FEW * loaves):
        return []
    found = []
    for one in odd:
        row = int(rows[one])
        if is_backwards[one]:
            slots = np.arange(fit.loaves.bars[row])
            words = "fits only when read from the other end: set aside"
        elif is_single[one]:
            slots = alone[[one]].argmax(axis=1)
            scale = np.nanmean(fit.loaves.weights[row] / (fit.widths[row] + fit.cutter.spacing))
            grams = float(felt[one, slots[0]] / inverse[kind[one], slots[0], slots[0]] * scale)
            side = "light" if grams < 0 else "heavy"
            words = f"{abs(grams):.1f} g too {side} for any wire: crumbled or mistyped?"
        else:
            slots = np.sort(np.unravel_index(swaps[one].argmax(), (bars, bars)))
            words = "fit only when swapped: both set aside"
        found.append(Oddity(row, tuple(int(slot) + 1 for slot in slots), words))
    return found


def without(loaves: Loaves, odd: list[Oddity]) -> Loaves:
    """The loaves with odd bars as if not weighed."""
    weights = loaves.weights.copy()
    for one in odd:
        weights[one.row, [slot - 1 for slot in one.slots]] = np.nan
    return replace(loaves, weights=weights)


def _alone(
    kinds: Kinds, kind: IntArray, inverse: FloatArray, felt: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Squared normal score of each bar's own error, and the largest of any source's in its loaf."""
    own = np.einsum("kii->ki", inverse)[kind]
    alone = np.where(own > 1e-9, felt**2 / np.maximum(own, 1e-300), 0.0)
    strays = (kinds.moved.transpose(0, 2, 1)[kind] @ felt[:, :, None])[:, :, 0]
    known = np.einsum("kif,kij,kjf->kf", kinds.moved, inverse, kinds.moved)
    varies = (kinds.variance >= 0) & (known > 1e-9)
    wires = np.where(varies[kind], strays**2 / np.where(varies, known, 1.0)[kind], 0.0)
    return alone, wires.max(axis=1)


def _swaps(fit: Fit, rows: IntArray, inverse: FloatArray, felt: FloatArray) -> FloatArray:
    """Twice the log of how much likelier each loaf is with two of its bars swapped."""
    widths = fit.widths[rows] + fit.cutter.spacing
    apart = widths[:, None, :] - widths[:, :, None]
    slope = felt[:, :, None] - felt[:, None, :]
    own = np.einsum("lii->li", inverse)
    curve = own[:, :, None] + own[:, None, :] - 2 * inverse
    weighed = fit.loaves.weighed[rows]
    gain = -(2 * apart * slope + apart**2 * curve)
    likelier: FloatArray = np.where(weighed[:, :, None] & weighed[:, None, :], gain, 0.0)
    return likelier


def _backwards(
    fit: Fit, rows: IntArray, inverse: FloatArray, away: FloatArray, felt: FloatArray
) -> FloatArray:
    """Twice the log of how much likelier each whole loaf is when read from the other end."""
    bars = fit.loaves.bars[rows]
    place = np.arange(away.shape[1])
    other = np.where(place < bars[:, None], bars[:, None] - 1 - place, place)
    widths = np.take_along_axis(fit.widths[rows] + fit.cutter.spacing, other, axis=1)
    turned = away + widths - (fit.widths[rows] + fit.cutter.spacing)
    now = (away * felt).sum(axis=1)
    then = (turned * (inverse @ turned[:, :, None])[:, :, 0]).sum(axis=1)
    whole = fit.loaves.weighed[rows].sum(axis=1) == bars
    likelier: FloatArray = np.where(whole, now - then, 0.0)
    return likelier
