"""Loaves summed by kind: the same bars weighed, and no wire serviced in between."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from qa_tools.decisions.wires.cutter import Cutter, FloatArray, IntArray, faces_to_bars
from qa_tools.decisions.wires.loaves import Loaves
from qa_tools.decisions.wires.wander import Kinds


@dataclass(frozen=True, eq=False)
class Sources:
    """
    What spreads the faces of each loaf, and how many parameters that takes.

    Attributes
    ----------
    variance, mean : array of shape (loaves, bars + 1)
        Which variance and offset the displacement of each face has in each loaf; -1 for none: the
        face lies where it should, or the loaf has none there.
    spells : list of (face, first, last)
        Of the wires' variances, in order: which wire, and the first and last loaf between services
        that tell of it (as row numbers).
    remainders : list of int
        Of the variances after those: loaves of how many bars have their last face there.
    """

    variance: IntArray
    mean: IntArray
    spells: list[tuple[int, int, int]]
    remainders: list[int]


def sources(loaves: Loaves, cutter: Cutter, services: dict[int, list[int]]) -> Sources:
    """
    Parameters of each face in each loaf.

    Parameters
    ----------
    services : dict of int to list of int
        Of each face's wire: the rows of the first loaves cut after it was serviced.
    """
    rows = np.arange(len(loaves.bars))
    index = np.full((len(rows), cutter.bars + 1), -1, dtype=np.int64)
    spells: list[tuple[int, int, int]] = []
    felt = _felt(loaves)
    for face in range(1, cutter.bars):
        begins = [0, *sorted(set(services.get(face, []))), len(rows)]
        for begin, end in pairwise(begins):
            telling = begin + np.flatnonzero(felt[begin:end, face - 1])
            if len(telling):
                index[telling, face] = len(spells)
                spells.append((face, int(telling[0]), int(telling[-1])))
    remainders: list[int] = []
    if cutter.ends == "from a stop":
        for bars in np.unique(loaves.bars):
            last = rows[(loaves.bars == bars) & loaves.weighed[:, bars - 1]]
            if len(last):
                index[last, bars] = len(spells) + len(remainders)
                remainders.append(int(bars))
    return Sources(index, index, spells, remainders)


def _felt(loaves: Loaves) -> FloatArray:
    """Which faces between bars each loaf tells of: a bar beside it was weighed, and another."""
    weighed = loaves.weighed & (loaves.weighed.sum(axis=1) >= 2)[:, None]
    inside = np.arange(1, loaves.weights.shape[1]) < loaves.bars[:, None]
    felt: FloatArray = (weighed[:, :-1] | weighed[:, 1:]) & inside
    return felt


def scale_of(loaves: Loaves, cutter: Cutter) -> FloatArray:
    """
    Grams a millimetre of each loaf; the remainder tells nothing of it where others are weighed.
    """
    weights = loaves.weights.copy()
    if cutter.ends == "from a stop":
        last = loaves.bars - 1
        rows = np.flatnonzero(loaves.weighed.sum(axis=1) > loaves.weighed[range(len(last)), last])
        weights[rows, last[rows]] = np.nan
    return grams_per_mm(weights, cutter.spacing)


def kinds_of(loaves: Loaves, cutter: Cutter, found: Sources) -> tuple[Kinds, IntArray, FloatArray]:
    """
    Loaves summed by kind, the kind of each loaf, and each loaf's widths above spacing (mm).

    Loaves with fewer than two bars weighed are in no kind (-1).
    """
    weighed = loaves.weighed & (np.arange(cutter.bars) < loaves.bars[:, None])
    telling = weighed.sum(axis=1) >= 2
    scale = scale_of(loaves, cutter)
    widths = np.where(weighed, loaves.weights / scale[:, None] - cutter.spacing, 0.0)
    traits = np.hstack([weighed, loaves.bars[:, None], found.variance])[telling]
    firsts, kind = np.unique(traits, axis=0, return_index=True, return_inverse=True)[1:]
    kind = kind.reshape(-1)
    order = np.argsort(kind, kind="stable")
    starts = np.searchsorted(kind[order], np.arange(len(firsts)))
    of_kind = widths[telling][order]
    noise = (1 / scale[telling] ** 2)[order]
    noise = noise / noise.mean()
    count = np.diff(np.append(starts, len(order)))
    there = weighed[telling][firsts]
    kind_of_loaf = np.full(len(telling), -1, dtype=np.int64)
    kind_of_loaf[telling] = kind
    kinds = Kinds(
        moved=there[:, :, None] * faces_to_bars(cutter.bars),
        spacing=there * cutter.spacing,
        weighed=there,
        bars=loaves.bars[telling][firsts],
        loaves=count.astype(float),
        total=np.add.reduceat(of_kind, starts),
        cross=np.add.reduceat(of_kind[:, :, None] * of_kind[:, None, :], starts),
        noise=np.add.reduceat(noise, starts) / count,
        variance=found.variance[telling][firsts],
        mean=found.mean[telling][firsts],
    )
    return kinds, kind_of_loaf, widths


def grams_per_mm(weights: FloatArray, widths: FloatArray) -> FloatArray:
    """Weight of a millimetre of each loaf, by the bars weighed; NaN where none was."""
    weighed = ~np.isnan(weights)
    length = np.where(weighed, widths, 0.0).sum(axis=1)
    per_mm = np.full(len(weights), np.nan)
    np.divide(np.nansum(weights, axis=1), length, out=per_mm, where=length > 0)
    return per_mm
