"""Chart of batch means where batches differ among themselves, as those of hand-made goods do."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from qa_tools.charts.chart import ControlChart, table_of_points
from qa_tools.charts.phases import BaseLike, Chosen, in_phases
from qa_tools.charts.settings import is_whole
from qa_tools.charts.shewhart import individuals, one_phase
from qa_tools.charts.subgroups import Subgroups, ValuesLike, by_batch, differs
from qa_tools.statistics.components import Components, components

_WIDTH: Final = 3.0  # limits, in standard deviations of a batch mean
_HARDLY: Final = 5e-4  # chance below which limits do not show the batches they are set on


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
        between and within batches are in ``.components``. ``.note`` says the share of each, when
        the ordinary mean chart would alarm on most batches, and how many batches in order fall
        outside by chance (``chance_outside``). Where readings tell of no spread within batches
        (single ones, or all equal) it is the chart of ``individuals`` of the batch means, without
        components, and says so.

    Raises
    ------
    ValueError
        Lengths differ, a reading missing or not a number or without a batch; fewer than two batches
        or all of them equal; in a base, fewer than two batches of two or more readings, or no
        difference within any; a base that cannot be.

    Notes
    -----
    Limits are three standard deviations of a batch mean, the root of between variance + within
    variance / readings, around the mean of batches. Components by restricted maximum likelihood
    (``statistics.components``). Three-way charts with limits from between batches: common practice,
    as in Wheeler (1995), Advanced Topics in Statistical Process Control (from memory).

    Whether batches differ at all is not tested first, since these limits do better either way.
    Simulated (20,000 works each; limits from 12 batches of 17, or of 5 to 30, readings; sd between
    batches 0, 0.5, 1, 2 and 4 times that of a mean of 17): of new batches in order 0.3, 0.6, 1.2,
    1.5 and 1.5 % fall outside; of the ordinary mean chart 0.4, 1.1, 4.5, 20 and 47 %; with a test
    first (F at the level 0.25, after Bancroft 1964, Biometrics 20, 427-442, from memory) and the
    ordinary chart where it finds nothing, as many or up to an eighth more than here. From 20
    batches likewise: 0.3, 0.5, 0.8, 0.9, 0.9 %. The price, where batches are alike (0): of means 3
    of their sds off, 43 in 100 fall outside instead of 51.

    Examples
    --------
    >>> weights = [120.1, 121.0, 119.6, 123.2, 122.4, 123.9, 118.0, 117.4, 118.5]
    >>> chart = batch_means(weights, ["A"] * 3 + ["B"] * 3 + ["C"] * 3)
    >>> round(chart.components.between, 2), round(chart.components.within, 2), len(chart.signals)
    (2.58, 0.68, 0)
    >>> print(chart.note)
    Batches differ with sd 2.58 g, readings of one batch with sd 0.7 g: 94 % of the variance lies
    between batches. The ordinary mean chart would alarm on 2 of 3 batches, since batches differ by
    more than their readings explain; here limits come from how batches differ. Limits set on 3
    batches hardly show one of these out of order, as each widens them itself: name a base period
    to judge new ones, of which by chance at most about 1 in 8 in order falls outside.
    """
    groups = by_batch(values, batch)
    if why := _nothing_within(groups):
        means = pd.Series(groups.means(), index=pd.Index(groups.labels, name="batch"))
        chart = individuals(means, base=base, unit=unit, what="batch mean")
        chart.points["n"] = groups.sizes
        return replace(chart, note=" ".join(filter(None, [chart.note, why])))

    def charted(points: slice, base: Chosen) -> ControlChart:
        return _of_phase(groups.part(points), base, unit)

    return in_phases(base, groups.labels, groups.each, charted)


def chance_outside(batches: int, *, among: bool = False) -> float:
    """
    Chance that the mean of a batch in order falls outside limits set on so many batches.

    Over all that the base may have turned out to be: of many works that each set their limits so,
    the share of batches called out for nothing. Known limits would call 0.27 %, one in 370.

    Parameters
    ----------
    batches : int
        Batches the limits of ``batch_means`` are set on.
    among : bool
        For a batch that is itself one of them, rather than a new one. From ten batches or fewer
        none can fall outside, since each widens the limits.

    Raises
    ------
    ValueError
        Fewer than two batches.

    Notes
    -----
    Exact for batches of equal size that differ by more than their readings explain: the mean of a
    new batch less that of m batches, over their standard deviation, is t with m - 1 degrees of
    freedom times sqrt(1 + 1/m); one among them as in Thompson (1935, Annals of Mathematical
    Statistics 6, 214-219, from memory). Where they hardly differ the within spread keeps limits
    wider and fewer fall outside, a fifth as many where 12 batches are alike (figures in
    ``batch_means``). Of unequal sizes, 5 to 30 readings (1 to 30), simulated for 8, 12 and 20
    batches: new ones at most 1.04 (1.08) times as often as stated; those among them by up to
    0.02 (0.04) of a percent more often, as a small batch widens limits less.

    Examples
    --------
    >>> [round(1 / chance_outside(batches)) for batches in (6, 12, 20, 1000)]
    [26, 67, 116, 360]
    >>> chance_outside(10, among=True), round(1 / chance_outside(20, among=True))
    (0.0, 1990)
    """
    from scipy.stats import t

    if not is_whole(batches) or batches < 2:
        raise ValueError(f"limits are set on two batches or more, better twenty; got {batches!r}")
    if not among:
        return float(2 * t.sf(_WIDTH / np.sqrt(1 + 1 / batches), batches - 1))
    # The farthest a batch can be is (m - 1) / sqrt(m) of the standard deviations it widens itself.
    room = (batches - 1) ** 2 / batches - _WIDTH**2
    if room <= 0:
        return 0.0
    return float(2 * t.sf(_WIDTH * np.sqrt((batches - 2) / room), batches - 2))


def _nothing_within(groups: Subgroups) -> str:
    """Why readings tell of no spread within batches, in words; "" where they do."""
    many = int((groups.sizes >= 2).sum())
    if many and not differs(groups.sds(), groups.values):
        found = "Within every batch all readings are equal"
    elif many < 2 and len(groups.sizes) > 1:
        found = f"{'Only one batch' if many else 'No batch'} has more than a single reading"
    else:
        return ""
    return f"{found}, so limits come from how much one batch differs from the next."


def _of_phase(groups: Subgroups, base: Chosen, unit: str) -> ControlChart:
    """Batches judged by how those of the base differ."""
    ordinary = one_phase(groups, base, unit=unit)
    of_base = groups.part(base)
    means = ordinary.points["value"].to_numpy()
    within = float((of_base.sds() ** 2 * (of_base.sizes - 1)).sum())
    found = components(of_base.sizes, means[base], within)
    width = _WIDTH * np.sqrt(found.between**2 + found.within**2 / groups.sizes)
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
    chart = replace(
        ordinary,
        what="batch mean",
        points=points,
        sigma=found.within,
        basis="how much batches differ (variance components by restricted likelihood)",
        behind=len(of_base.sizes),
        components=found,
    )
    shares = _shares(found, chart, alarms=len(ordinary.signals))
    return replace(chart, note=f"{shares} {_by_chance(len(of_base.sizes), len(means))}")


def _shares(found: Components, chart: ControlChart, *, alarms: int) -> str:
    """How much lies between batches, and what the ordinary mean chart would make of it."""
    total, unit = len(chart.points), chart.unit
    decimals = (chart if chart.spread is None else chart.spread).decimals
    within = f"sd {found.within:.{decimals}f} {unit}"
    if not found.between:
        return (
            "Batches differ no more than their readings explain: readings of one batch have "
            f"{within}, and limits are about those of the ordinary mean chart."
        )
    words = (
        f"Batches differ with sd {found.between:.{chart.decimals + 1}f} {unit}, readings of one "
        f"batch with {within}: {100 * found.share_between:.0f} % of the variance lies between "
        "batches."
    )
    if 2 * alarms < total:
        return words
    every = "every batch" if alarms == total else f"{alarms} of {total} batches"
    return (
        f"{words} The ordinary mean chart would alarm on {every}, since batches differ by more "
        "than their readings explain; here limits come from how batches differ."
    )


def _by_chance(batches: int, charted: int) -> str:
    """How often the chart cries wolf."""
    new = f"1 in {1 / chance_outside(batches):,.0f}"
    if charted > batches:
        return (
            f"By chance at most about {new} new batches in order falls outside limits set on "
            f"{batches}."
        )
    among = chance_outside(batches, among=True)
    if among < _HARDLY:
        return (
            f"Limits set on {batches} batches hardly show one of these out of order, as each "
            "widens them itself: name a base period to judge new ones, of which by chance at most "
            f"about {new} in order falls outside."
        )
    return (
        f"By chance at most about 1 in {1 / among:,.0f} of these batches falls outside limits it "
        f"helped to set; of new ones in order, judged by a base of {batches}, {new}."
    )
