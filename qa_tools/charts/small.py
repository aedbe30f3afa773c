"""Charts that add up what single points cannot show: small shifts that last."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, NamedTuple, TypeAlias, get_args

import numpy as np

from qa_tools.charts.chart import ControlChart, table_of_points
from qa_tools.charts.factors import FloatArray, IntArray
from qa_tools.charts.phases import BaseLike, Chosen, in_phases
from qa_tools.charts.settings import check_above_0, check_sums, check_weight, is_number
from qa_tools.charts.shewhart import moving_sigma
from qa_tools.charts.subgroups import ValuesLike, as_values

Side: TypeAlias = Literal["both", "low", "high"]


def ewma(
    values: ValuesLike,
    *,
    target: float | None = None,
    sd: float | None = None,
    weight: float = 0.2,
    width: float = 3.0,
    side: Side = "both",
    base: BaseLike = None,
    unit: str = "g",
) -> ControlChart:
    """
    Chart of the exponentially weighted mean: has the level moved by a little, and stayed there?

    Parameters
    ----------
    values : 1-D array or Series
        Readings, or batch means, in time order. The index of a Series becomes the labels.
    target : float, optional
        Where the level should be; the weighted mean starts here. Without it the mean of the base.
    sd : float, optional
        Standard deviation of one value. Without it from how much neighbours in the base differ.
    weight : float
        Weight of the newest value, above 0 and at most 1.
    width : float
        Limits, in standard deviations of the weighted mean.
    side : "both", "low" or "high"
        Watch one side alone, as for light fill: the weighted mean then never runs away to the
        other side (it starts again from the target), and that side has no limit.
    base : int, Base or sequence of Base, optional
        What target or sd are estimated from, where one is not given: the first so many values, or
        base periods by label (``charts.Base("B01", "B20")``); the chart starts afresh at each
        base from the second on. Without it from all values.
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
        its range; target not a number; a base beside given target and sd, or one that cannot be.

    Notes
    -----
    NIST/SEMATECH e-Handbook 6.3.2.4 (pmc324.htm). Limits are the steady ones, target ± width sd
    sqrt(weight / (2 - weight)), from the first point on. On one side alone the weighted mean has a
    barrier at the target, as in Gan (1993), Journal of Statistical Computation and Simulation 49
    (from memory). At weight 0.2 and width 3 it cries wolf once in 731 points; two sides without
    barriers do so once in 560 (``run_length``).

    Examples
    --------
    >>> chart = ewma([52.0, 47.0, 53.0, 49.3], target=50, sd=2.0539, weight=0.3)
    >>> chart.points["value"].round(2).tolist(), round(chart.upper, 4)
    ([50.6, 49.52, 50.56, 50.18], 52.5884)
    """
    _check(target=target, sd=sd, side=side, width=width)
    check_weight(weight)
    shrink = float(np.sqrt(weight / (2 - weight)))

    def drawn(part: _Part) -> ControlChart:
        smooth = np.empty(len(part.readings))
        level = part.target
        for place, reading in enumerate(part.readings.tolist()):
            level += weight * (reading - level)
            if side != "both":
                level = min(level, part.target) if side == "low" else max(level, part.target)
            smooth[place] = level
        reach = width * part.sd * shrink
        points = table_of_points(
            what="weighted mean",
            unit=unit,
            point=np.arange(1, len(part.readings) + 1),
            label=part.labels,
            n=np.ones(len(part.readings), dtype=np.int64),
            value=smooth,
            centre=part.target,
            lower=part.target - reach if side != "high" else np.nan,
            upper=part.target + reach if side != "low" else np.nan,
            high="the level has moved up",
            low="the level has moved down",
            behind=part.behind,
        )
        points.insert(4, "reading", part.readings)
        basis = f"{part.basis} (weight {weight:g})"
        return ControlChart("weighted mean", points, part.sd, unit, part.each, basis, part.behind)

    return _in_phases(values, target, sd, base, drawn)


def cusum(
    values: ValuesLike,
    *,
    target: float | None = None,
    sd: float | None = None,
    k: float = 0.5,
    h: float = 5.0,
    head_start: float = 0.0,
    side: Side = "both",
    base: BaseLike = None,
    unit: str = "g",
) -> ControlChart:
    """
    Cumulative sums in tabular form: has the level moved, and since when?

    Parameters
    ----------
    values : 1-D array or Series
        Readings, or batch means, in time order. The index of a Series becomes the labels.
    target : float, optional
        Where the level should be. Without it the mean of the base.
    sd : float, optional
        Standard deviation of one value. Without it from how much neighbours in the base differ.
    k, h : float
        Slack and limit, in sd: half the shift to be found, and how much may add up.
    head_start : float
        Where both sums start, in sd; half of h finds a start off target sooner.
    side : "both", "low" or "high"
        Watch one side alone, as for light fill: one sum and one limit.
    base : int, Base or sequence of Base, optional
        What target or sd are estimated from, where one is not given: the first so many values, or
        base periods by label (``charts.Base("B01", "B20")``); the chart starts afresh at each
        base from the second on. Without it from all values.
    unit : str
        Unit of the values, for words and pictures.

    Returns
    -------
    ControlChart
        Of the larger sum, downward ones negative, around 0. Its points have the columns
        ``reading``, ``high`` and ``low`` (both sums, never negative), ``since_high`` and
        ``since_low`` (the point at which the sum left 0; the level moved about there; 0 where the
        sum is 0), those of the watched sides.

    Raises
    ------
    ValueError
        Fewer than two values, one missing or not a number; sd or h not above 0; k negative;
        head_start negative or not below h; target not a number; a base beside given target and
        sd, or one that cannot be.

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
    _check(target=target, sd=sd, side=side)
    check_sums(k, h, head_start)

    def drawn(part: _Part) -> ControlChart:
        away, slack, start = part.readings - part.target, k * part.sd, head_start * part.sd
        columns: dict[str, FloatArray | IntArray] = {"reading": part.readings}
        sums: dict[str, tuple[FloatArray, IntArray]] = {}
        for name, sign in (("high", 1), ("low", -1)):
            if side in ("both", name):
                sums[name] = _sums(sign * away - slack, start)
                columns[name] = sums[name][0]
        columns |= {f"since_{name}": since for name, (_, since) in sums.items()}
        none = (np.full(len(away), -1.0), np.zeros(len(away), dtype=np.int64))
        (high, since_high), (low, since_low) = sums.get("high", none), sums.get("low", none)
        up = high >= low
        points = table_of_points(
            what="sum",
            unit=unit,
            point=np.arange(1, len(away) + 1),
            label=part.labels,
            n=np.ones(len(away), dtype=np.int64),
            value=np.where(up, high, -low),
            centre=0.0,
            lower=-h * part.sd if side != "high" else np.nan,
            upper=h * part.sd if side != "low" else np.nan,
            high="the level has moved up",
            low="the level has moved down",
            behind=part.behind,
        )
        since = since_low.copy()
        since[up] = since_high[up]
        points["reason"] = [
            f"{reason}, about from {f'{part.each} {part.labels[first - 1]}'.strip()} on"
            if reason
            else ""
            for reason, first in zip(points["reason"], since.tolist(), strict=True)
        ]
        for place, (column, numbers) in enumerate(columns.items()):
            points.insert(4 + place, column, numbers)
        basis = f"{part.basis} (k {k:g}, h {h:g})"
        return ControlChart("sum", points, part.sd, unit, part.each, basis, part.behind)

    return _in_phases(values, target, sd, base, drawn)


class _Part(NamedTuple):
    """The values of one phase, and where their level should be."""

    readings: FloatArray
    labels: list[str]
    each: str
    target: float
    sd: float
    basis: str
    behind: int | None


def _in_phases(
    values: ValuesLike,
    target: float | None,
    sd: float | None,
    base: BaseLike,
    drawn: Callable[[_Part], ControlChart],
) -> ControlChart:
    """The chart of all phases, target and sd estimated from the base where they were not given."""
    readings, labels, each = as_values(values)
    given = target is not None and sd is not None
    if given and base is not None:
        raise ValueError(
            "base is what target or sd are estimated from, and both were given; leave out base, "
            "or the one to be estimated"
        )
    told = " and ".join([name for name, value in (("target", target), ("sd", sd)) if value is None])
    kept = "the target given" if target is not None else "the sd given"
    basis = (
        "the target and sd given"
        if given
        else f"{told} of the base"
        if told == "target and sd"
        else f"{kept} and the {told} of the base"
    )

    def charted(points: slice, base: Chosen) -> ControlChart:
        of_base = readings[points][base]
        return drawn(
            _Part(
                readings[points],
                labels[points],
                each,
                float(of_base.mean()) if target is None else float(target),
                moving_sigma(of_base) if sd is None else float(sd),
                basis,
                None if given else len(of_base),
            )
        )

    return in_phases(base, labels, each, charted, estimated=not given)


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


def _check(*, target: float | None, sd: float | None, side: str, **positive: float) -> None:
    if target is not None and not is_number(target):
        raise ValueError(f"the target is a number; got {target!r}")
    if side not in get_args(Side):
        raise ValueError(f'side is "both", "low" or "high"; got {side!r}')
    check_above_0(**positive if sd is None else positive | {"sd": sd})
