"""Charts that judge each point by itself: mean with range, mean with sd, single readings."""

from __future__ import annotations

from collections.abc import Callable
from itertools import compress
from typing import Final, NamedTuple

import numpy as np

from qa_tools.charts.chart import ControlChart, table_of_points
from qa_tools.charts.factors import (
    FloatArray,
    IntArray,
    constants,
    range_median,
    range_moments,
    sd_mean,
    sd_median,
)
from qa_tools.charts.phases import BaseLike, Chosen, in_phases
from qa_tools.charts.subgroups import (
    Subgroups,
    SubgroupsLike,
    ValuesLike,
    as_subgroups,
    as_values,
    check_base,
    differs,
)


def mean_range(
    subgroups: SubgroupsLike, *, base: BaseLike = None, robust: bool = False, unit: str = "g"
) -> ControlChart:
    """
    Chart of subgroup means with three-sigma limits from the subgroup ranges, ranges beneath.

    Does any subgroup differ from the others by more than the readings within a subgroup differ?
    The range is for subgroups of up to about ten; above that ``mean_sd`` uses the readings better.

    Parameters
    ----------
    subgroups : mapping, sequence of 1-D arrays, 2-D array, DataFrame or Series
        A mapping: label -> readings. A 2-D array or DataFrame: a row is a subgroup. A Series:
        readings under the same index value form a subgroup (``table.set_index("batch")["net_g"]``),
        in order of first appearance. Sizes may differ. Keys and index values become labels.
    base : int, Base or sequence of Base, optional
        Set limits on these points and hold them: the first so many, or base periods by label
        (``charts.Base("B01", "B20")``), each held until the next begins. Without it limits are
        set on all points.
    robust : bool
        Limits from medians, which a few points out of order hardly move: for a base period that
        may hold some. They are less sure than means where none is.
    unit : str
        Unit of the readings, for words and pictures.

    Returns
    -------
    ControlChart
        Of the means; ``.spread`` is the chart of the ranges. A subgroup of one reading is judged
        by its mean and has no point on the range chart.

    Raises
    ------
    ValueError
        Fewer than two subgroups of two or more readings in a base, no difference within any of
        them (sd 0); an empty subgroup, a reading missing or not a number; a base that cannot be.

    Notes
    -----
    NIST/SEMATECH e-Handbook 6.3.2.1 (pmc321.htm); ISO 7870-2. With unequal sizes the centre is
    the mean of all readings, and sigma the mean of R/d2 weighted by (d2/d3)^2: of all weighted
    means without bias the one with the smallest variance (Burr 1969, Journal of Quality
    Technology 1, 163-167, from memory). With equal sizes it is the mean range over d2. Robust:
    the median of the means, and the median of each range over the median of such a range.

    Examples
    --------
    >>> chart = mean_range({"Mon": [118.9, 121.6, 120.3], "Tue": [121.8, 120.4, 119.0],
    ...                     "Wed": [125.6, 124.2, 124.9]})
    >>> measured, then = chart.signals["reason"].iloc[0].split(": ")
    >>> measured
    'mean 124.9 g is above the upper limit 124.2 g'
    >>> then
    'one far above the others, look what was different; limits from only 3 are uncertain'
    """
    return _means_and_spread(as_subgroups(subgroups), _RANGE, base, robust, unit)


def mean_sd(
    subgroups: SubgroupsLike, *, base: BaseLike = None, robust: bool = False, unit: str = "g"
) -> ControlChart:
    """
    Chart of subgroup means with three-sigma limits from the subgroup sds, sds beneath.

    Does any subgroup differ from the others by more than the readings within a subgroup differ?

    Parameters
    ----------
    subgroups : mapping, sequence of 1-D arrays, 2-D array, DataFrame or Series
        A mapping: label -> readings. A 2-D array or DataFrame: a row is a subgroup. A Series:
        readings under the same index value form a subgroup (``table.set_index("batch")["net_g"]``),
        in order of first appearance. Sizes may differ. Keys and index values become labels.
    base : int, Base or sequence of Base, optional
        Set limits on these points and hold them: the first so many, or base periods by label
        (``charts.Base("B01", "B20")``), each held until the next begins. Without it limits are
        set on all points.
    robust : bool
        Limits from medians, which a few points out of order hardly move: for a base period that
        may hold some. They are less sure than means where none is.
    unit : str
        Unit of the readings, for words and pictures.

    Returns
    -------
    ControlChart
        Of the means; ``.spread`` is the chart of the standard deviations. A subgroup of one
        reading is judged by its mean and has no point on the sd chart.

    Raises
    ------
    ValueError
        Fewer than two subgroups of two or more readings in a base, no difference within any of
        them (sd 0); an empty subgroup, a reading missing or not a number; a base that cannot be.

    Notes
    -----
    NIST/SEMATECH e-Handbook 6.3.2.1 (pmc321.htm); ISO 7870-2. With unequal sizes the centre is
    the mean of all readings, and sigma the mean of s/c4 weighted by c4^2/(1 - c4^2): of all
    weighted means without bias the one with the smallest variance (Burr 1969, Journal of Quality
    Technology 1, 163-167, from memory). With equal sizes it is the mean sd over c4. Robust: the
    median of the means, and the median of each sd over the median of such an sd.

    Examples
    --------
    >>> chart = mean_sd([[120.1, 121.0, 119.4], [120.3, 119.9, 120.8], [120.0, 121.1, 120.6]])
    >>> round(chart.lower, 2), round(chart.upper, 2), len(chart.signals)
    (119.18, 121.53, 0)
    """
    return _means_and_spread(as_subgroups(subgroups), _SD, base, robust, unit)


def individuals(
    values: ValuesLike,
    *,
    base: BaseLike = None,
    robust: bool = False,
    unit: str = "g",
    what: str = "reading",
) -> ControlChart:
    """
    Chart of single readings in time order with limits from the moving range, which is beneath.

    Does any reading differ from the rest by more than neighbours in time differ?

    Parameters
    ----------
    values : 1-D array or Series
        Readings in time order. The index of a Series becomes the labels.
    base : int, Base or sequence of Base, optional
        Set limits on these points and hold them: the first so many, or base periods by label
        (``charts.Base("B01", "B20")``), each held until the next begins. Without it limits are
        set on all points.
    robust : bool
        Limits from medians, which a few points out of order hardly move: for a base period that
        may hold some. They are less sure than means where none is.
    unit : str
        Unit of the readings, for words and pictures.
    what : str
        What one value is, for words and pictures: "batch mean".

    Returns
    -------
    ControlChart
        Of the readings; ``.spread`` is the chart of the moving ranges, a range standing at the
        later of its two readings, none across the start of new limits.

    Raises
    ------
    ValueError
        Fewer than two readings, one missing or not a number; all of a base equal (sd 0); a base
        that cannot be.

    Notes
    -----
    NIST/SEMATECH e-Handbook 6.3.2.2 (pmc322.htm), which prints figures made with d2 = 1.128; here
    d2 is 2/sqrt(pi), which moves a limit by 0.03 % of its distance from the centre. Robust: the
    median reading, and the median moving range over 0.9539.

    Examples
    --------
    >>> chart = individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(chart.centre, 2), round(chart.lower, 4), round(chart.upper, 4)
    (50.81, 45.8176, 55.8024)
    """
    readings, labels, each = as_values(values)
    each = each or what

    def charted(points: slice, base: Chosen) -> ControlChart:
        return _one_by_one(readings[points], labels[points], each, what, base, robust, unit)

    return in_phases(base, labels, each, charted)


def moving_sigma(readings: FloatArray, *, robust: bool = False) -> float:
    """
    Standard deviation of single readings, from how much neighbours differ.

    Examples
    --------
    >>> round(moving_sigma(np.array([49.6, 47.6, 49.9, 51.3])), 4)
    1.6838
    """
    moving = np.abs(np.diff(readings))
    if not differs(moving, readings):
        raise ValueError(
            f"all {len(readings)} readings are equal (sd 0), so limits would have no width. "
            "Weigh on a finer scale"
        )
    two = np.array([2])
    if robust:
        return _median(moving / range_median(two), "differences from one reading to the next")
    return float(moving.mean() / range_moments(two)[0].item())


def _one_by_one(
    readings: FloatArray,
    labels: list[str],
    each: str,
    what: str,
    base: Chosen,
    robust: bool,
    unit: str,
) -> ControlChart:
    """Single readings and their moving ranges, limits from some of them."""
    pair = constants(2)
    moving = np.abs(np.diff(readings))
    of_base = readings[base]
    sigma = moving_sigma(of_base, robust=robust)
    mean_range = sigma * pair.d2
    centre = float(np.median(of_base) if robust else of_base.mean())
    point = np.arange(1, len(readings) + 1)
    by = "median moving range over its median" if robust else "mean moving range over d2"
    basis = f"how much one {each} differs from the next ({by})"
    difference = f"difference from the {each} before"
    high, low = _beyond(each)
    behind = len(of_base)
    spread = table_of_points(
        what=difference,
        unit=unit,
        point=point[1:],
        label=labels[1:],
        n=np.full(len(moving), 2),
        value=moving,
        centre=mean_range,
        lower=pair.D3 * mean_range,
        upper=pair.D4 * mean_range,
        high="a bigger step than the others",
        low="a smaller step than the others",
        behind=behind,
    )
    points = table_of_points(
        what=what,
        unit=unit,
        point=point,
        label=labels,
        n=np.ones(len(readings), dtype=np.int64),
        value=readings,
        centre=centre,
        lower=centre - 3 * sigma,
        upper=centre + 3 * sigma,
        high=high,
        low=low,
        behind=behind,
    )
    beneath = ControlChart(difference, spread, sigma, unit, each, basis, behind)
    return ControlChart(what, points, sigma, unit, each, basis, behind, beneath)


class _Spread(NamedTuple):
    """A measure of the spread of a subgroup, and what it is for sigma 1, by number of readings."""

    what: str
    by_mean: str
    by_median: str
    of: Callable[[Subgroups], FloatArray]
    moments: Callable[[IntArray], tuple[FloatArray, FloatArray]]
    median: Callable[[IntArray], FloatArray]


def _sd_moments(sizes: IntArray) -> tuple[FloatArray, FloatArray]:
    c4 = sd_mean(sizes)
    return c4, np.sqrt(1 - c4 * c4)


_RANGE: Final = _Spread(
    "range",
    "mean range over d2",
    "median range over its median",
    Subgroups.ranges,
    range_moments,
    range_median,
)
_SD: Final = _Spread(
    "standard deviation",
    "mean sd over c4",
    "median sd over its median",
    Subgroups.sds,
    _sd_moments,
    sd_median,
)


def _means_and_spread(
    groups: Subgroups, measure: _Spread, base: BaseLike, robust: bool, unit: str
) -> ControlChart:
    def charted(points: slice, base: Chosen) -> ControlChart:
        return one_phase(groups.part(points), base, measure, robust=robust, unit=unit)

    return in_phases(base, groups.labels, groups.each, charted)


def one_phase(
    groups: Subgroups, base: Chosen, measure: _Spread = _SD, *, robust: bool = False, unit: str
) -> ControlChart:
    """
    Means and their spread, limits from some of the subgroups.

    Examples
    --------
    >>> one_phase(as_subgroups([[1.0, 2.0], [2.0, 4.0]]), slice(0, 2), unit="g").centre
    2.25
    """
    of_base, means, spreads = groups.part(base), groups.means(), measure.of(groups)
    check_base(of_base, spreads[base])
    many, told = groups.sizes >= 2, of_base.sizes >= 2
    expected, strays = measure.moments(groups.sizes[many])
    spreads, spreads_of_base = spreads[many], spreads[base][told]
    if robust:
        medians = measure.median(of_base.sizes[told])
        sigma = _median(spreads_of_base / medians, f"{measure.what}s")
        centre = float(np.median(means[base]))
        by = measure.by_median
    else:
        usual, stray = measure.moments(of_base.sizes[told])
        sigma = float(np.average(spreads_of_base / usual, weights=(usual / stray) ** 2))
        centre = float(of_base.values.mean())
        by = measure.by_mean
    behind = int(told.sum())
    point = np.arange(1, len(groups.sizes) + 1)
    spread = table_of_points(
        what=measure.what,
        unit=unit,
        point=point[many],
        label=list(compress(groups.labels, many.tolist())),
        n=groups.sizes[many],
        value=spreads,
        centre=expected * sigma,
        lower=np.maximum(0, expected - 3 * strays) * sigma,
        upper=(expected + 3 * strays) * sigma,
        high="its readings differ more among themselves than those of the others",
        low="its readings differ less among themselves than those of the others",
        behind=behind,
    )
    width = 3 * sigma / np.sqrt(groups.sizes)
    high, low = _beyond(groups.each)
    basis = f"how much readings of one {groups.each or 'group'} differ among themselves ({by})"
    points = table_of_points(
        what="mean",
        unit=unit,
        point=point,
        label=groups.labels,
        n=groups.sizes,
        value=means,
        centre=centre,
        lower=centre - width,
        upper=centre + width,
        high=high,
        low=low,
        behind=behind,
    )
    beneath = ControlChart(measure.what, spread, sigma, unit, groups.each, basis, behind)
    return ControlChart("mean", points, sigma, unit, groups.each, basis, behind, beneath)


def _median(spreads: FloatArray, what: str) -> float:
    sigma = float(np.median(spreads))
    if not sigma > 0:
        raise ValueError(
            f"half of the {what} or more are 0, so limits from medians would have no width. "
            "Weigh on a finer scale, or leave robust out"
        )
    return sigma


def _beyond(each: str) -> tuple[str, str]:
    """What a point above, or below, the limits is: out by itself, which is no drift."""
    look = "look what was different"
    one = f"one {each}" if each else "one"
    return f"{one} far above the others, {look}", f"{one} far below the others, {look}"
