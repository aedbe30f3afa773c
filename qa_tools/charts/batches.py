"""Chart of batch means where batches differ among themselves, as those of hand-made goods do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from qa_tools.charts.chart import ControlChart, table_of_points
from qa_tools.charts.phases import BaseLike, in_phases
from qa_tools.charts.shewhart import one_phase
from qa_tools.charts.subgroups import Subgroups, ValuesLike, as_subgroups
from qa_tools.statistics.components import components


def batch_means(
    values: ValuesLike, batch: npt.ArrayLike, *, base: BaseLike = None, unit: str = "g"
) -> ControlChart:
    """
    Chart of batch means against how batches differ, the spread within each batch beneath.

    Does a batch differ from the others by more than batches do here? The ordinary mean chart asks
    whether batches differ by more than readings within a batch explain; in hand-made work they
    always do, and it would alarm on batch after batch.

    Parameters
    ----------
    values : 1-D array or Series
        Readings, batches in time order of their first reading.
    batch : array of the same length
        The batch of each reading.
    base : int, Base or sequence of Base, optional
        Set limits on these batches and hold them: the first so many, or base periods by label
        (``charts.Base("B01", "B20")``), each held until the next begins. Without it limits are
        set on all batches.
    unit : str
        Unit of the readings, for words and pictures.

    Returns
    -------
    ControlChart
        Of the batch means; ``.spread`` is the chart of the standard deviations within. The sds
        between and within batches are in ``.components``; ``.note`` says the share of each, and
        when the ordinary mean chart would alarm on most batches.

    Raises
    ------
    ValueError
        Lengths differ, a reading missing or not a number or without a batch; in a base, fewer than
        two batches of two or more readings, or no difference within any; a base that cannot be.

    Notes
    -----
    Limits are three standard deviations of a batch mean, the root of between variance + within
    variance / readings, around the mean of batches. Components by restricted maximum likelihood
    (``statistics.components``). Three-way charts with limits from between batches: common practice,
    as in Wheeler (1995), Advanced Topics in Statistical Process Control (from memory).

    Examples
    --------
    >>> weights = [120.1, 121.0, 119.6, 123.2, 122.4, 123.9, 118.0, 117.4, 118.5]
    >>> chart = batch_means(weights, ["A"] * 3 + ["B"] * 3 + ["C"] * 3)
    >>> round(chart.components.between, 2), round(chart.components.within, 2), len(chart.signals)
    (2.58, 0.68, 0)
    >>> print(chart.note)
    Batches differ with sd 2.58 g, readings of one batch with sd 0.68 g: 94 % of the variance lies
    between batches. The ordinary mean chart would alarm on 2 of 3 batches, since batches differ by
    more than their readings explain; here limits come from how batches differ.
    """
    labels = pd.Index(cast("Any", batch), name="batch", tupleize_cols=False)
    flat = values if isinstance(values, pd.Series) else pd.Series(np.asarray(values))
    if len(flat) != len(labels):
        raise ValueError(
            f"every reading needs its batch: got {len(flat)} readings and {len(labels)} batches"
        )
    groups = as_subgroups(flat.set_axis(labels))

    def charted(points: slice, base: slice) -> ControlChart:
        return _of_phase(groups.part(points), base, unit)

    return in_phases(base, groups.labels, groups.each, charted)


def _of_phase(groups: Subgroups, base: slice, unit: str) -> ControlChart:
    """Batches judged by how those of the base differ."""
    ordinary = one_phase(groups, base, unit=unit)
    of_base = groups.part(base)
    means = ordinary.points["value"].to_numpy()
    within = float((of_base.sds() ** 2 * (of_base.sizes - 1)).sum())
    found = components(of_base.sizes, means[base], within)
    width = 3 * np.sqrt(found.between**2 + found.within**2 / groups.sizes)
    points = table_of_points(
        what="batch mean",
        unit=unit,
        point=ordinary.points["point"].to_numpy(),
        label=groups.labels,
        n=groups.sizes,
        value=means,
        centre=found.mean,
        lower=found.mean - width,
        upper=found.mean + width,
        high="one batch far above the others, look what was different",
        low="one batch far below the others, look what was different",
        behind=len(of_base.sizes),
    )
    alarms, total = len(ordinary.signals), len(means)
    decimals = ordinary.decimals + 1
    note = (
        f"Batches differ with sd {found.between:.{decimals}f} {unit}, readings of one batch with "
        f"sd {found.within:.{decimals}f} {unit}: {100 * found.share_between:.0f} % of the variance "
        "lies between batches."
    )
    if 2 * alarms >= total:
        every = "every batch" if alarms == total else f"{alarms} of {total} batches"
        note += (
            f" The ordinary mean chart would alarm on {every}, since batches differ by more than "
            "their readings explain; here limits come from how batches differ."
        )
    return replace(
        ordinary,
        what="batch mean",
        points=points,
        sigma=found.within,
        basis="how much batches differ (variance components by restricted likelihood)",
        behind=len(of_base.sizes),
        components=found,
        note=note,
    )
