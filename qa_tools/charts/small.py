"""Charts that add up what single points cannot show: small shifts that last."""

from __future__ import annotations

import numpy as np

from qa_tools.charts.chart import ControlChart, table_of_points
from qa_tools.charts.factors import FloatArray, IntArray
from qa_tools.charts.subgroups import ValuesLike, as_values


def ewma(
    values: ValuesLike,
    *,
    target: float,
    sd: float,
    weight: float = 0.2,
    width: float = 3.0,
    unit: str = "g",
) -> ControlChart:
    """
    Chart of the exponentially weighted mean: has the level moved by a little, and stayed there?

    Parameters
    ----------
    values : 1-D array or Series
        Readings, or batch means, in time order. The index of a Series becomes the labels.
    target : float
        Where the level should be; the weighted mean starts here.
    sd : float
        Standard deviation of one value.
    weight : float
        Weight of the newest value, above 0 and at most 1.
    width : float
        Limits, in standard deviations of the weighted mean.
    unit : str
        Unit of the values, for words and pictures.

    Returns
    -------
    ControlChart
        Of the weighted mean; its points have a column ``reading``, the value itself.

    Raises
    ------
    ValueError
        Fewer than two values, one missing or not a number; sd or width not above 0; weight outside
        its range; target not a number.

    Notes
    -----
    NIST/SEMATECH e-Handbook 6.3.2.4 (pmc324.htm). Limits are the steady ones, target ± width sd
    sqrt(weight / (2 - weight)), from the first point on.

    Examples
    --------
    >>> chart = ewma([52.0, 47.0, 53.0, 49.3], target=50, sd=2.0539, weight=0.3)
    >>> chart.points["value"].round(2).tolist(), round(chart.upper, 4)
    ([50.6, 49.52, 50.56, 50.18], 52.5884)
    """
    readings, labels, each = as_values(values)
    _check(target=target, sd=sd, width=width)
    if not 0 < weight <= 1:
        raise ValueError(f"the weight of the newest value is above 0 and at most 1; got {weight}")
    smooth = np.empty(len(readings))
    level = float(target)
    for place, reading in enumerate(readings):
        level += weight * (reading - level)
        smooth[place] = level
    reach = width * sd * float(np.sqrt(weight / (2 - weight)))
    points = table_of_points(
        what="weighted mean",
        unit=unit,
        point=np.arange(1, len(readings) + 1),
        label=labels,
        n=np.ones(len(readings), dtype=np.int64),
        value=smooth,
        centre=target,
        lower=target - reach,
        upper=target + reach,
        high="the level has moved up",
        low="the level has moved down",
    )
    points.insert(4, "reading", readings)
    return ControlChart(
        "weighted mean", points, sd, unit, each, f"the target and sd given (weight {weight:g})"
    )


def cusum(
    values: ValuesLike,
    *,
    target: float,
    sd: float,
    k: float = 0.5,
    h: float = 5.0,
    head_start: float = 0.0,
    unit: str = "g",
) -> ControlChart:
    """
    Two-sided cumulative sum in tabular form: has the level moved, and since when?

    Parameters
    ----------
    values : 1-D array or Series
        Readings, or batch means, in time order. The index of a Series becomes the labels.
    target : float
        Where the level should be.
    sd : float
        Standard deviation of one value.
    k, h : float
        Slack and limit, in sd: half the shift to be found, and how much may add up.
    head_start : float
        Where both sums start, in sd; half of h finds a start off target sooner.
    unit : str
        Unit of the values, for words and pictures.

    Returns
    -------
    ControlChart
        Of the larger sum, downward ones negative, around 0. Its points have the columns
        ``reading``, ``high`` and ``low`` (both sums, never negative), ``since_high`` and
        ``since_low`` (the point at which the sum left 0; the level moved about there; 0 where the
        sum is 0).

    Raises
    ------
    ValueError
        Fewer than two values, one missing or not a number; sd or h not above 0; k negative;
        head_start negative or not below h; target not a number.

    Notes
    -----
    NIST/SEMATECH e-Handbook 6.3.2.3 (pmc323.htm); head start: Lucas and Crosier (1982),
    Technometrics 24, 199-205 (from memory).

    Examples
    --------
    >>> chart = cusum([50.2, 49.7, 51.6, 52.1, 51.9, 52.4], target=50, sd=1)
    >>> chart.points["high"].round(1).tolist(), chart.signals["point"].tolist()
    ([0.0, 0.0, 1.1, 2.7, 4.1, 6.0], [6])
    >>> chart.signals["reason"].item()
    'sum 6.0 g is above the upper limit 5.0 g: the level has moved up, about from point 3 on'
    """
    readings, labels, each = as_values(values)
    _check(target=target, sd=sd, h=h)
    if not (np.isfinite(k) and k >= 0 and 0 <= head_start < h):
        raise ValueError(
            f"k is 0 or more and head_start from 0 to below h; got k {k:g}, head_start "
            f"{head_start:g}, h {h:g}"
        )
    away = readings - target
    high, since_high = _sums(away - k * sd, head_start * sd)
    low, since_low = _sums(-away - k * sd, head_start * sd)
    up = high >= low
    points = table_of_points(
        what="sum",
        unit=unit,
        point=np.arange(1, len(readings) + 1),
        label=labels,
        n=np.ones(len(readings), dtype=np.int64),
        value=np.where(up, high, -low),
        centre=0.0,
        lower=-h * sd,
        upper=h * sd,
        high="the level has moved up",
        low="the level has moved down",
    )
    since = np.where(up, since_high, since_low)
    points["reason"] = [
        f"{reason}, about from {f'{each} {labels[first - 1]}'.strip()} on" if reason else ""
        for reason, first in zip(points["reason"], since.tolist(), strict=True)
    ]
    for place, (column, numbers) in enumerate(
        {
            "reading": readings,
            "high": high,
            "low": low,
            "since_high": since_high,
            "since_low": since_low,
        }.items()
    ):
        points.insert(4 + place, column, numbers)
    return ControlChart(
        "sum", points, sd, unit, each, f"the target and sd given (k {k:g}, h {h:g})"
    )


def _sums(steps: FloatArray, start: float) -> tuple[FloatArray, IntArray]:
    """The sum after each step, never below 0, and the point at which it last left 0."""
    sums, since = np.empty(len(steps)), np.zeros(len(steps), dtype=np.int64)
    total, first = start, 1
    for place, step in enumerate(steps):
        if total == 0:
            first = place + 1
        total = max(0.0, total + step)
        sums[place] = total
        since[place] = first if total > 0 else 0
    return sums, since


def _check(*, target: float, **positive: float) -> None:
    if not np.isfinite(target):
        raise ValueError(f"the target is a number; got {target}")
    for name, value in positive.items():
        if not (np.isfinite(value) and value > 0):
            raise ValueError(f"{name} is a number above 0; got {value}")
