"""Charts that judge each point by itself: mean with range, mean with sd, single readings."""

from __future__ import annotations

import numpy as np

from qa_tools.charts.chart import ControlChart, table_of_points
from qa_tools.charts.factors import FloatArray, constants, range_moments, sd_mean
from qa_tools.charts.subgroups import (
    Subgroups,
    SubgroupsLike,
    ValuesLike,
    as_subgroups,
    as_values,
    differs,
)


def mean_range(subgroups: SubgroupsLike, *, unit: str = "g") -> ControlChart:
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
        Fewer than two subgroups of two or more readings, an empty subgroup, a reading missing or
        not a number, no difference within any subgroup (sd 0).

    Notes
    -----
    NIST/SEMATECH e-Handbook 6.3.2.1 (pmc321.htm); ISO 7870-2. With unequal sizes the centre is
    the mean of all readings, and sigma the mean of R/d2 weighted by (d2/d3)^2: of all weighted
    means without bias the one with the smallest variance (Burr 1969, Journal of Quality
    Technology 1, 163-167, from memory). With equal sizes it is the mean range over d2.

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
    groups = as_subgroups(subgroups)
    many = groups.sizes >= 2
    d2, d3 = range_moments(groups.sizes[many])
    return _means_and_spread(
        groups, groups.ranges()[many], d2, d3, what="range", basis="mean range over d2", unit=unit
    )


def mean_sd(subgroups: SubgroupsLike, *, unit: str = "g") -> ControlChart:
    """
    Chart of subgroup means with three-sigma limits from the subgroup sds, sds beneath.

    Does any subgroup differ from the others by more than the readings within a subgroup differ?

    Parameters
    ----------
    subgroups : mapping, sequence of 1-D arrays, 2-D array, DataFrame or Series
        A mapping: label -> readings. A 2-D array or DataFrame: a row is a subgroup. A Series:
        readings under the same index value form a subgroup (``table.set_index("batch")["net_g"]``),
        in order of first appearance. Sizes may differ. Keys and index values become labels.
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
        Fewer than two subgroups of two or more readings, an empty subgroup, a reading missing or
        not a number, no difference within any subgroup (sd 0).

    Notes
    -----
    NIST/SEMATECH e-Handbook 6.3.2.1 (pmc321.htm); ISO 7870-2. With unequal sizes the centre is
    the mean of all readings, and sigma the mean of s/c4 weighted by c4^2/(1 - c4^2): of all
    weighted means without bias the one with the smallest variance (Burr 1969, Journal of Quality
    Technology 1, 163-167, from memory). With equal sizes it is the mean sd over c4.

    Examples
    --------
    >>> chart = mean_sd([[120.1, 121.0, 119.4], [120.3, 119.9, 120.8], [120.0, 121.1, 120.6]])
    >>> round(chart.lower, 2), round(chart.upper, 2), len(chart.signals)
    (119.18, 121.53, 0)
    """
    groups = as_subgroups(subgroups)
    many = groups.sizes >= 2
    c4 = sd_mean(groups.sizes[many])
    return _means_and_spread(
        groups,
        groups.sds()[many],
        c4,
        np.sqrt(1 - c4 * c4),
        what="standard deviation",
        basis="mean sd over c4",
        unit=unit,
    )


def individuals(values: ValuesLike, *, unit: str = "g", what: str = "reading") -> ControlChart:
    """
    Chart of single readings in time order with limits from the moving range, which is beneath.

    Does any reading differ from the rest by more than neighbours in time differ?

    Parameters
    ----------
    values : 1-D array or Series
        Readings in time order. The index of a Series becomes the labels.
    unit : str
        Unit of the readings, for words and pictures.
    what : str
        What one value is, for words and pictures: "batch mean".

    Returns
    -------
    ControlChart
        Of the readings; ``.spread`` is the chart of the moving ranges, a range standing at the
        later of its two readings.

    Raises
    ------
    ValueError
        Fewer than two readings, one missing or not a number, all equal (sd 0).

    Notes
    -----
    NIST/SEMATECH e-Handbook 6.3.2.2 (pmc322.htm), which prints figures made with d2 = 1.128; here
    d2 is 2/sqrt(pi), which moves a limit by 0.03 % of its distance from the centre.

    Examples
    --------
    >>> chart = individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(chart.centre, 2), round(chart.lower, 4), round(chart.upper, 4)
    (50.81, 45.8176, 55.8024)
    """
    readings, labels, each = as_values(values)
    moving = np.abs(np.diff(readings))
    if not differs(moving, readings):
        raise ValueError(
            f"all {len(readings)} readings are equal (sd 0), so limits would have no width. "
            "Weigh on a finer scale"
        )
    pair = constants(2)
    mean_range = float(moving.mean())
    sigma = mean_range / pair.d2
    centre = float(readings.mean())
    point = np.arange(1, len(readings) + 1)
    each = each or what
    basis = f"how much one {each} differs from the next (mean moving range over d2)"
    difference = f"difference from the {each} before"
    high, low = _beyond(each)
    behind = len(readings)
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


def _means_and_spread(
    groups: Subgroups,
    spreads: FloatArray,
    expected: FloatArray,
    strays: FloatArray,
    *,
    what: str,
    basis: str,
    unit: str,
) -> ControlChart:
    """Both charts from the spreads of the subgroups of two or more, and their mean and sd/sigma."""
    weights = (expected / strays) ** 2
    sigma = float(np.average(spreads / expected, weights=weights))
    many = groups.sizes >= 2
    behind = int(many.sum())
    point = np.arange(1, len(groups.sizes) + 1)
    spread = table_of_points(
        what=what,
        unit=unit,
        point=point[many],
        label=[label for label, plotted in zip(groups.labels, many, strict=True) if plotted],
        n=groups.sizes[many],
        value=spreads,
        centre=expected * sigma,
        lower=np.maximum(0, expected - 3 * strays) * sigma,
        upper=(expected + 3 * strays) * sigma,
        high="its readings differ more among themselves than those of the others",
        low="its readings differ less among themselves than those of the others",
        behind=behind,
    )
    centre = float(groups.values.mean())
    width = 3 * sigma / np.sqrt(groups.sizes)
    high, low = _beyond(groups.each)
    basis = f"how much readings of one {groups.each or 'group'} differ among themselves ({basis})"
    points = table_of_points(
        what="mean",
        unit=unit,
        point=point,
        label=groups.labels,
        n=groups.sizes,
        value=groups.means(),
        centre=centre,
        lower=centre - width,
        upper=centre + width,
        high=high,
        low=low,
        behind=behind,
    )
    beneath = ControlChart(what, spread, sigma, unit, groups.each, basis, behind)
    return ControlChart("mean", points, sigma, unit, groups.each, basis, behind, beneath)


def _beyond(each: str) -> tuple[str, str]:
    """What a point above, or below, the limits is: out by itself, which is no drift."""
    look = "look what was different"
    one = f"one {each}" if each else "one"
    return f"{one} far above the others, {look}", f"{one} far below the others, {look}"
