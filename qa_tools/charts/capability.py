"""Capability against a rule book's limits: what share of packages would be short, how surely."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from qa_tools.charts.settings import is_number
from qa_tools.charts.subgroups import Subgroups, ValuesLike, as_values, by_batch, differs
from qa_tools.statistics.finite import Interval, effective_size, most_short
from qa_tools.statistics.tolerance import (
    Normal,
    of_batches,
    of_sample,
    sds_above,
    share_below,
    tolerance_limit,
)


@dataclass(frozen=True, eq=False, repr=False)
class Capability:
    """
    What the process as it runs would do against the lower limits of a rule book.

    Attributes
    ----------
    n : int
        Weighings.
    normal : Normal
        Their distribution as far as they tell.
    shares : DataFrame
        One row a limit (index "lower" and, where given, "twice"): limit; weighed_below (how many of
        the weighings); share, at_least, at_most (of all packages below it, weights taken as normal,
        each bound one-sided); at_most_any (upper bound from the count alone, whatever the
        distribution).
    index : Interval
        (mean - lower limit) / (3 sd), the usual figure against one limit, two-sided interval.
    confidence : float
        Of all bounds.
    unit : str
        Unit of the readings.

    Examples
    --------
    >>> capability([120.5, 119.2, 121.3, 120.1, 118.8, 120.9], lower=114.6)
    Mean 120.1 g, sd of one package 1.0 g, from 6 weighings
    Below 114.6 g: 0 of 6 weighed; of all packages under 0.001 %, at most 0.42 % (95 %
    confidence, weights taken as normal; from the count alone at most 39 %)
    Capability index against the lower limit: 1.90 (95 % interval 0.74 to 3.06)
    """

    n: int
    normal: Normal
    shares: pd.DataFrame
    index: Interval
    confidence: float
    unit: str

    @property
    def mean(self) -> float:
        """Mean of all packages, as estimated."""
        return self.normal.mean

    @property
    def sd(self) -> float:
        """Standard deviation of a single package, batches included, as estimated."""
        return self.normal.sd

    def tolerance_limit(self, coverage: float = 0.975) -> float:
        """
        Weight that at least this share of packages exceeds, with the confidence of the bounds.

        Weights taken as normal (``statistics.tolerance``).

        Examples
        --------
        >>> round(capability([120.5, 119.2, 121.3, 120.1, 118.8], lower=114.6).tolerance_limit(), 2)
        115.05
        """
        return tolerance_limit(self.normal, coverage, self.confidence)

    def __repr__(self) -> str:
        decimals = max(0, int(np.ceil(-np.log10(self.sd / 5))))
        sure = f"{100 * self.confidence:g} %"
        lines = [
            f"Mean {self.mean:.{decimals}f} {self.unit}, sd of one package "
            f"{self.sd:.{decimals}f} {self.unit}, from {self.n} weighings"
        ]
        for _, row in self.shares.iterrows():
            share, most, any_most = map(_percent, row[["share", "at_most", "at_most_any"]])
            lines.append(
                f"Below {row['limit']:g} {self.unit}: {row['weighed_below']:g} of {self.n} "
                f"weighed; of all packages {share}, at most {most} ({sure} confidence, weights "
                f"taken as normal; from the count alone at most {any_most})"
            )
        figure, low, high = self.index
        lines.append(
            f"Capability index against the lower limit: {figure:.2f} ({sure} interval {low:.2f} to "
            f"{high:.2f})"
        )
        return "\n".join(lines)


def capability(
    values: ValuesLike,
    *,
    lower: float,
    twice: float | None = None,
    batch: npt.ArrayLike | None = None,
    confidence: float = 0.95,
    unit: str = "g",
) -> Capability:
    """
    Share of packages short by more than allowed if the process runs on as it did.

    A package has no upper limit by law, so nothing here needs a tolerance on both sides. Believe it
    only where a chart shows no signals.

    Parameters
    ----------
    values : 1-D array or Series
        Net weights.
    lower : float
        Below this a package is short by more than allowed: declared less
        ``rulebook(...).tolerable_deficiency(declared)``.
    twice : float, optional
        Below this it is short by more than twice that.
    batch : array of the same length, optional
        The batch of each weight. Say it where batches differ: weights of one batch are then alike,
        and tell less than as many weights of as many batches.
    confidence : float
        Of the bounds.
    unit : str
        Unit of the weights, for words.

    Returns
    -------
    Capability
        Shares below each limit with bounds, the index, the tolerance limit.

    Raises
    ------
    ValueError
        Fewer than two weights, one missing or not a number, all equal; a limit that is not a
        number, or `twice` not below `lower`; a confidence not between 0 and 1; with batches, what
        ``statistics.tolerance`` refuses.

    Notes
    -----
    Without batches exact for independent normal weights (noncentral t), with them by generalized
    pivotal quantities, for batch means and weights that are normal: `at_most` errs to the safe
    side, `at_least` is a little bold (figures in ``statistics.tolerance.of_batches``). From the
    count alone: Clopper-Pearson; with batches at the effective size, as in ``qa.own_check``.

    Examples
    --------
    >>> found = capability([250.9, 249.8, 252.2, 251.4, 250.1, 251.0], lower=241.0, twice=232.0)
    >>> found.shares["weighed_below"].tolist(), round(found.index.estimate, 2)
    ([0, 0], 3.79)
    """
    weights, _, _ = as_values(values)
    limits = {"lower": lower} if twice is None else {"lower": lower, "twice": twice}
    if not all(map(is_number, limits.values())) or (twice is not None and twice >= lower):
        raise ValueError(
            "lower is the weight below which a package is short by more than allowed, twice a "
            f"smaller one; got lower {lower!r}, twice {twice!r}"
        )
    n = len(weights)
    if not differs(np.abs(np.diff(weights)), weights):
        raise ValueError(f"all {n} weights are equal (sd 0): weigh on a finer scale")
    normal = (
        of_sample(float(weights.mean()), float(weights.std(ddof=1)), n)
        if batch is None
        else _of_batches(by_batch(values, batch))
    )
    size = n if batch is None else effective_size(weights, np.asarray(batch, dtype=object))
    rows = []
    for limit in limits.values():
        below = int((weights < limit - 1e-9 * abs(limit)).sum())  # exactly at it is not below it
        share = share_below(normal, limit, confidence)
        by_count = most_short(math.ceil(below * size / n), size, confidence=confidence)
        rows.append([limit, below, share.estimate, share.lower, share.upper, by_count])
    columns = ["limit", "weighed_below", "share", "at_least", "at_most", "at_most_any"]
    return Capability(
        n=n,
        normal=normal,
        shares=pd.DataFrame(rows, columns=columns, index=pd.Index(limits, name="beyond")),
        index=Interval(*(sds / 3 for sds in sds_above(normal, lower, confidence))),
        confidence=confidence,
        unit=unit,
    )


def _of_batches(groups: Subgroups) -> Normal:
    squares = float((groups.sds() ** 2 * (groups.sizes - 1)).sum())
    return of_batches(groups.sizes, groups.means(), squares)


def _percent(share: float) -> str:
    """Two digits, as far as anyone can tell them."""
    percent = 100 * share
    if percent < 0.001:
        return "under 0.001 %"
    return f"{percent:.{max(0, 1 - math.floor(math.log10(percent)))}f} %"
