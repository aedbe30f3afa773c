"""What to know of readings before a chart of them is believed."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pandas as pd

from qa_tools.charts.factors import FloatArray
from qa_tools.charts.settings import check_above_0
from qa_tools.charts.subgroups import ValuesLike, as_values, by_batch, differs

_PROMISED = 370  # three sigma either way: one false alarm in so many points
_SKEWED = 0.5  # below this a normal curve does, whatever a large sample can prove


def diagnostics(
    values: ValuesLike,
    *,
    batch: npt.ArrayLike | None = None,
    step: float | None = None,
    unit: str = "g",
) -> pd.DataFrame:
    """
    Neighbours that are alike, a scale too coarse, a lopsided spread: may the chart be believed?

    Parameters
    ----------
    values : 1-D array or Series
        Readings in time order.
    batch : array of the same length, optional
        The batch of each reading: then batch means are held against each other in time, and
        readings against their own batch.
    step : float, optional
        Smallest step the scale shows; without it the finest seen in the readings.
    unit : str
        Unit of the readings.

    Returns
    -------
    DataFrame
        One row a question, index "neighbours", "step" and "skewness": figure (autocorrelation at
        lag 1; step over sd; skewness), limit (beyond which it matters), concern (whether it does),
        words (what follows, in plain words; ``print(*found["words"], sep="\\n")`` shows all of
        them where a table is cut off).

    Raises
    ------
    ValueError
        Fewer than four readings (or batches), one missing or not a number, all equal; no batch for
        a reading, or no two readings of one batch; a step that is not above 0.

    Notes
    -----
    Autocorrelation as in NIST/SEMATECH e-Handbook 1.3.5.12 (eda35c.htm), limit 2 / sqrt(n). Its
    price is that of limits from the moving range, whose mean falls or rises with the root of 1 - r.
    A step up to the sd does little harm: common practice (Wheeler and Lyday, Evaluating the
    Measurement Process, from memory). Skewness with its exact standard error (Fisher's G1), limit
    two of them, 0.5 at least; its price by Pearson's type III curve of that skewness.

    Examples
    --------
    >>> found = diagnostics([120, 121, 120, 119, 120, 121, 121, 120, 119, 120, 121, 120], step=1)
    >>> found["concern"].tolist()
    [False, True, False]
    >>> print(found.loc["step", "words"])
    The scale shows steps of 1 g, more than the sd of 0.7 g: readings fall on a few values, ranges
    of 0 are common, and limits are rough. Weigh in steps of 0.4 g or finer.
    """
    readings, _, _ = as_values(values)
    if batch is None:
        in_time, away, name, lost = readings, readings - readings.mean(), "reading", 1
    else:
        in_time, away = _by_batch(readings, batch)
        name, lost = "batch mean", len(in_time)
    if len(in_time) < 4:
        raise ValueError(
            f"what neighbours have in common takes four or more {name}s, better twenty; got "
            f"{len(in_time)}"
        )
    if not (differs(np.abs(away), readings) and np.ptp(in_time) > 0):
        raise ValueError(
            f"all {len(in_time)} {name}s, or all readings of each, are equal (sd 0): weigh on a "
            "finer scale"
        )
    if step is not None:
        check_above_0(step=step)
    sd = math.sqrt(float(away @ away) / (len(away) - lost))
    rows = {
        "neighbours": _neighbours(in_time, name),
        "step": _step(readings, sd, step, unit),
        "skewness": _skewness(away),
    }
    columns = ["figure", "limit", "concern", "words"]
    return pd.DataFrame.from_dict(rows, orient="index", columns=columns)


def _by_batch(readings: FloatArray, batch: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Batch means in time, and readings less their own batch mean."""
    groups = by_batch(readings, batch)
    if (groups.sizes < 2).all():
        raise ValueError("no batch has two readings; chart their means, and leave batch out")
    means = groups.means()
    return means, groups.values - np.repeat(means, groups.sizes)


def _neighbours(values: FloatArray, name: str) -> tuple[float, float, bool, str]:
    from scipy.special import ndtr

    away = values - values.mean()
    r = float(away[:-1] @ away[1:] / (away @ away))
    limit = 2 / math.sqrt(len(values))
    if abs(r) <= limit:
        return r, limit, False, f"One {name} says nothing of the next: good."
    if r < 0:
        words = (
            f"A high {name} tends to be followed by a low one (correlation {r:.2f}), as where a "
            "setting is corrected after each. Limits from neighbours come out too wide; leave the "
            "setting alone between signals."
        )
        return r, limit, True, words
    often = 1 / (2 * float(ndtr(-3 * math.sqrt(1 - r))))
    words = (
        f"Neighbouring {name}s are alike (correlation {r:.2f}): the level wanders. Limits from "
        f"neighbours come out too narrow: about one point in {often:.0f} would signal by chance, "
        f"not one in {_PROMISED}. Find what wanders, or chart the means of longer stretches."
    )
    return r, limit, True, words


def _step(
    readings: FloatArray, sd: float, step: float | None, unit: str
) -> tuple[float, float, bool, str]:
    seen = _finest(readings) if step is None else step
    figure = seen / sd
    if figure <= 1:
        words = f"The scale's step of {seen:g} {unit} is fine enough for an sd of {sd:.2g} {unit}."
        return figure, 1.0, False, words
    digits = next(digits for digits in range(1, 18) if float(f"{sd:.{digits}g}") < seen)
    words = (
        f"The scale shows steps of {seen:g} {unit}, more than the sd of {sd:.{digits}g} {unit}: "
        "readings fall on a few values, ranges of 0 are common, and limits are rough. Weigh in "
        f"steps of {sd / 2:.1g} {unit} or finer."
    )
    return figure, 1.0, True, words


def _finest(readings: FloatArray) -> float:
    """The smallest difference between two readings that is more than binary fractions leave."""
    steps = np.diff(np.unique(readings))
    return float(f"{steps[steps > 1e-9 * np.abs(readings).max()].min():.6g}")


def _skewness(away: FloatArray) -> tuple[float, float, bool, str]:
    from scipy.special import gammainc, gammaincc

    n = len(away)
    variance = float((away**2).mean())
    skewness = float((away**3).mean()) / variance**1.5 * math.sqrt(n * (n - 1)) / (n - 2)
    error = math.sqrt(6 * n * (n - 1) / ((n - 2) * (n + 1) * (n + 3)))
    limit = max(2 * error, _SKEWED)
    if abs(skewness) <= limit:
        return skewness, limit, False, "Light and heavy readings spread alike: good."
    shape = 4 / skewness**2
    root = math.sqrt(shape)
    long = float(gammaincc(shape, shape + 3 * root))
    short = float(gammainc(shape, max(0.0, shape - 3 * root)))
    heavy = skewness > 0
    words = (
        f"{'Heavy' if heavy else 'Light'} readings stray farther than "
        f"{'light' if heavy else 'heavy'} ones (skewness {skewness:.1f}): on a chart of single "
        f"readings about one in {1 / long:.0f} would fall {'above' if heavy else 'below'} the "
        f"{'upper' if heavy else 'lower'} limit by chance, where one in {2 * _PROMISED} is promised"
    )
    words += (
        ", and as good as none on the other side. "
        if short < 0.1 / _PROMISED
        else f", and one in {1 / short:.0f} on the other side. "
    )
    return skewness, limit, True, words + "Chart means of several readings, which even it out."
