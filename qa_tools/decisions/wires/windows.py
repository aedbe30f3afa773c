"""Wander over time: each wire's over its last loaves, and how far that goes by chance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from qa_tools.decisions.wires.cutter import FloatArray
from qa_tools.decisions.wires.fit import displacements, seen
from qa_tools.decisions.wires.study import WireStudy
from qa_tools.decisions.wires.watch import WireWatch
from qa_tools.decisions.wires.words import row_of

# Loaves in a window: fewer scatter too much to see a wire double its wander, more hide since when.
WINDOW: Final = 20
# Chance that any wire of a cutter in order lies above the limit, at any one loaf.
ABOVE: Final = 0.01
# Loaves tell of a wire's wander where the error of its place is at most this share of its variance.
CLEAR: Final = 0.5


@dataclass(frozen=True, eq=False)
class Windows:
    """
    Wander of each wire over its last loaves.

    Attributes
    ----------
    wander_mm : DataFrame
        One row a loaf, one column a wire: the wander over the last 20 loaves that tell of it since
        it was serviced or moved; NaN where there are fewer.
    base_mm, limit_mm : float
        Wander of the wires that wander alike, and where a window of such a wire ends by chance in
        one loaf in 100, on any wire of the cutter.
    """

    wander_mm: pd.DataFrame
    base_mm: float
    limit_mm: float


def windows(study: WireStudy, watch: WireWatch) -> Windows:
    """
    How did the wander of each wire go, loaf by loaf?

    Parameters
    ----------
    study : WireStudy
    watch : WireWatch
        Of the study: no window reaches over the loaves a wire may have moved with.

    Notes
    -----
    A loaf's displacement of a wire is known but for an error of known variance, so the variance of
    the last displacements less that of the error is an unbiased estimate of the wander's. The limit
    is that of chi-square with one degree of freedom less than loaves, Bonferroni over wires.

    Examples
    --------
    >>> from qa_tools.decisions.wires import study, watch
    >>> random = np.random.default_rng(2)
    >>> sds = np.full((80, 5), 0.15)
    >>> sds[40:, 3] = 0.6
    >>> widths = 25 + np.diff(np.pad(random.normal(0, sds), ((0, 0), (1, 1))))
    >>> grams = (5.8 * widths + random.normal(0, 0.1, widths.shape)).round(1)
    >>> loaf, slot = np.indices(grams.shape) + 1
    >>> table = pd.DataFrame({"loaf": loaf.ravel(), "slot": slot.ravel(), "net": grams.ravel()})
    >>> bars = study(table, spacing_mm=25)
    >>> found = windows(bars, watch(bars))
    >>> (found.wander_mm.iloc[[39, 79]] > found.limit_mm)[4].tolist()
    [False, True]
    """
    from scipy.stats import chi2

    # Where the wander of all wires rose at once, the windows run on to show it.
    fit = study.unsplit if study.rough_mm.any() else study.fit
    _, scores, known = displacements(fit)
    moved = watch.signals[(watch.signals["what"] == "moved") & watch.signals["still"]]
    moved = moved[~moved["wire"].isin(study.knocks["wire"])]
    wander, errors = np.full(scores.shape, np.nan), []
    for one, (face, _, _) in enumerate(fit.sources.spells):
        rows, place, error = seen(fit, one, scores, known)
        clear = error <= CLEAR * study.base_mm**2
        rows, place, error = rows[clear], place[clear], error[clear]
        errors.append(error)
        mine = moved.loc[moved["wire"] == fit.cutter.number(face), ["since_from", "since_to"]]
        knocked = study.knocks.loc[study.knocks["wire"] == fit.cutter.number(face), "loaf"]
        ends = [row_of(study, label) for label in [*mine.to_numpy().ravel(), *knocked]]
        for part in np.split(
            np.arange(len(rows)), np.sort(np.searchsorted(rows, ends)).astype(int)
        ):
            if len(part) >= WINDOW:
                square = _last(place[part] ** 2) - _last(place[part]) ** 2
                mean = square * WINDOW / (WINDOW - 1) - _last(error[part])
                full = rows[part[WINDOW - 1 :]]
                loaves = np.arange(full[0], full[-1] + 1)
                last = np.searchsorted(full, loaves, side="right") - 1
                wander[loaves, face - 1] = np.sqrt(np.maximum(mean, 0.0))[last]
    every = np.concatenate(errors)
    usual = float(np.median(every)) if len(every) else 0.0
    high = chi2.isf(ABOVE / scores.shape[1], WINDOW - 1) / (WINDOW - 1)
    return Windows(
        pd.DataFrame(wander, study.displacements.index, study.displacements.columns),
        study.base_mm,
        float(np.sqrt((study.base_mm**2 + usual) * high - usual)),
    )


def _last(values: FloatArray) -> FloatArray:
    """Means of the last so many values, from the first full window on."""
    mean: FloatArray = np.convolve(values, np.full(WINDOW, 1 / WINDOW), mode="valid")
    return mean
