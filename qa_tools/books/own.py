"""Our own check: what all the weighings there are say about a batch, at any number of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from decimal import Decimal
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qa_tools.books.figures import Figure
from qa_tools.books.limits import EXACT_G, Limits, below, in_grams, limits
from qa_tools.books.plans import whole_number
from qa_tools.books.rulebook import Declared, RuleBook
from qa_tools.readings.quantities import GRAMS, unit_of
from qa_tools.statistics.finite import (
    Interval,
    effective_size,
    group_numbers,
    mean_interval,
    most_short,
)

# A sample from fewer loaves or trays speaks for these, not for the batch: how much loaves differ is
# too little known from them to bound a share.
FEW_GROUPS: Final = 5
# Spread of the packaging above which a mean tare will not do, as a share of T: FPackV (2020),
# Anlage 3 no. 5 b), which has each empty package weighed then.
MUCH_TARE: Final = 0.25


@dataclass(frozen=True)
class OwnCheck:
    """
    What the weighings say of a batch; prints as a short readable summary.

    Attributes
    ----------
    limits : Limits
        Declared quantity and T under the book.
    n : int
        Weighings.
    lot_size, groups, group_total : int or None
        Packages in the batch; loaves or trays they came from, of how many in the batch.
    confidence : float
        Of the interval and the bounds.
    mean, mean_lower, mean_upper : float
        Mean net weight with its two-sided interval, grams; NaN bounds where there is none.
    short, short_twice : int
        Weighed packages short by more than T, and by more than 2T (these are among the first).
    short_upper, short_twice_upper : float
        The largest share of the batch that may be so; NaN from fewer than five loaves or trays,
        from a sample that was handled, and of a whole batch with a mean tare.
    lightest : float
        Grams.
    tare_sd : float
        Spread of the empties whose mean was taken off, grams; NaN where one was weighed.
    tare_n : int
        How many empties; 0 where no mean tare was taken off.
    handled : int
        Packages of the sample topped up or taken out for their weight.

    Examples
    --------
    >>> found = own_check([121.0, 119.4, 122.3, 120.9], "120 g", "eu-76-211", lot_size=50)
    >>> found.finding, found.headline
    ('not shown', 'averages 0.9 g over the 120 g declared, which chance could explain')
    >>> round(found.mean_lower, 1), round(found.mean_upper, 1), found.short
    (119.1, 122.7, 0)
    """

    limits: Limits
    n: int
    lot_size: int | None
    groups: int | None
    group_total: int | None
    confidence: float
    mean: float
    mean_lower: float
    mean_upper: float
    short: int
    short_twice: int
    short_upper: float
    short_twice_upper: float
    lightest: float
    tare_sd: float = 0.0
    tare_n: int = 0
    handled: int = 0

    @property
    def over(self) -> float:
        """Mean above (below, when negative) the declared quantity, grams."""
        return self.mean - self.limits.declared_g

    @property
    def finding(self) -> str:
        """``"short"``, ``"holds"`` or ``"not shown"``: the mean against the label."""
        if self.over < -EXACT_G:
            return "short"
        if self.short_twice or not self.mean_lower >= self.limits.declared_g - EXACT_G:
            return "not shown"
        return "holds"

    @property
    def headline(self) -> str:
        """The mean against the label in one plain sentence."""
        declared = f"the {self.limits.tested} declared"
        if self.finding == "short":
            doubt = "" if self.mean_upper < self.limits.declared_g else self._doubt
            return f"averages {grams(-self.over)} short of {declared}{doubt}"
        over = f"averages {grams(self.over)} over {declared}"
        if self.over <= EXACT_G:
            over = f"averages exactly {declared}"
        if self.finding == "holds":
            return over
        if self.short_twice:
            return f"{over}, though not every package holds it"
        return over + self._doubt

    @property
    def _doubt(self) -> str:
        if not math.isnan(self.mean_lower):
            return ", which chance could explain"
        if self.handled:
            return ", of those weighed"
        if math.isnan(self.tare_sd):
            return ", but the weight of the packaging is too little known to say so of the batch"
        return ", too little to speak for the batch"

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to know before relying on it, in sentences; empty where there is nothing."""
        found = []
        partly = self.n != self.lot_size
        if partly and self.groups is not None and self.groups != self.group_total:
            if self.groups == 1:
                found.append("From 1 loaf or tray: it speaks for this one.")
            elif self.groups < FEW_GROUPS:
                found.append(f"From {self.groups} loaves or trays: it speaks for these.")
        if partly and self.handled:
            one = self.handled == 1
            found.append(
                f"{self.handled} of the sample {'was' if one else 'were'} topped up or taken out "
                "for the weight: it speaks for those weighed, the others may be lighter."
            )
        if math.isnan(self.tare_sd):
            found.append("Spread of the packaging unknown: weigh more empties.")
        elif self.tare_sd > MUCH_TARE * (self.limits.tolerance_g or math.inf):
            found.append(
                f"The packaging varies (sd {grams(self.tare_sd)}) by more than a quarter of what a "
                "package may be short: weigh each empty package with its own; the counts of short "
                "ones are rough."
            )
        figure = self.limits.figure
        if figure is not None and figure.grade == "from memory":
            found.append(remembered(figure))
        return tuple(found)

    def to_dict(self) -> dict[str, object]:
        """The same facts for machines: grams, shares and counts; null where there is none."""
        numbers = {
            "mean_g": self.mean,
            "mean_lower_g": self.mean_lower,
            "mean_upper_g": self.mean_upper,
            "over_g": self.over,
            "short_share_upper": self.short_upper,
            "short_twice_share_upper": self.short_twice_upper,
            "lightest_g": self.lightest,
            "tare_sd_g": self.tare_sd,
        }
        return {
            "finding": self.finding,
            "headline": self.headline,
            "declared": str(self.limits.tested),
            "tolerable_deficiency_g": self.limits.tolerance_g,
            "figure": None if self.limits.figure is None else asdict(self.limits.figure),
            "confidence": self.confidence,
            "weighed": self.n,
            "lot_size": self.lot_size,
            "groups": self.groups,
            "group_total": self.group_total,
            "tare_n": self.tare_n,
            "handled": self.handled,
            "cautions": list(self.cautions),
            "short": self.short,
            "short_twice": self.short_twice,
            **{name: None if math.isnan(x) else round(x, 4) for name, x in numbers.items()},
        }

    def __str__(self) -> str:
        word = self.limits.book.words.get("short", "T")
        of = f" of {self.lot_size}" if self.lot_size else ""
        lines = [f"Our own check, {self.n}{of} weighed: {self.headline}."]
        if math.isnan(self.mean_lower):
            spread = "no interval" if not self.handled else "of those weighed"
        elif self.n == self.lot_size and self.mean_lower == self.mean_upper:
            spread = "all weighed"
        else:
            spread = (
                f"{self.mean_lower:z.1f} to {self.mean_upper:.1f} g with "
                f"{percent(self.confidence)} confidence"
            )
            if self.n == self.lot_size:
                spread = f"all weighed; for the packaging {spread}"
        lines.append(f"  Mean {self.mean:.1f} g ({spread}); lightest {self.lightest:.1f} g.")
        if self.limits.tolerance_g is not None:
            t = self.limits.tolerance_g
            for count, upper, times in (
                (self.short, self.short_upper, ""),
                (self.short_twice, self.short_twice_upper, "twice "),
            ):
                if times and math.isinf(self.limits.twice_g):
                    continue
                size = t if not times else 2 * t
                lines.append(
                    f"  Short by more than {times}allowed ({times}{word}, {size:.1f} g): "
                    f"{count} of {self.n}{self._at_most(upper)}."
                )
        return "\n".join([*lines, *(f"  {caution}" for caution in self.cautions)])

    __repr__ = __str__

    def _at_most(self, upper: float) -> str:
        """What the number of short ones says of the batch, with how sure it is."""
        if self.n == self.lot_size:
            return ""
        if self.handled:
            return ""
        if math.isnan(upper):
            return f"; fewer than {FEW_GROUPS} loaves or trays do not bound it for the batch"
        sure = percent(self.confidence)
        if upper == 0 and self.lot_size:
            return f"; most likely none of the {self.lot_size - self.n} not weighed"
        # a bound is never rounded down
        most = f"{math.ceil(1000 * upper - 1e-9) / 10:g} %"
        return f"; at most {most} of the batch, with {sure} confidence"


def remembered(figure: Figure) -> str:
    """That a figure is from memory, in a sentence with the table to compare it with."""
    return f"From memory, compare with {figure.official}: {figure.value} ({figure.name})."


def grams(amount: float) -> str:
    """
    An amount in grams for a sentence, never rounded away to nothing.

    Examples
    --------
    >>> grams(0.64), grams(0.037), grams(0.00002)
    ('0.6 g', '0.04 g', '0.00002 g')
    """
    if abs(amount) >= 0.05 or abs(amount) <= EXACT_G:
        return f"{amount:z.1f} g"
    return f"{float(f'{amount:.1g}'):f}".rstrip("0") + " g"


def percent(share: float) -> str:
    """
    A share in per cent, to three figures at most.

    Examples
    --------
    >>> percent(0.95), percent(0.0813)
    ('95 %', '8.1 %')
    """
    return f"{round(100 * share, 1):g} %"


def own_check(
    net: ArrayLike,
    declared: Declared,
    book: str | RuleBook,
    *,
    lot_size: int | None = None,
    group: Sequence[object] | None = None,
    confidence: float = 0.95,
    unit: str = "g",
    group_total: int | None = None,
    tare_sd: float = 0.0,
    tare_n: int = 0,
    handled: int = 0,
) -> OwnCheck:
    """
    Does the batch hold what its label says? From any number of weighings, one upward.

    Speaks to what the packer owes: an average at least the label, few packages short by more than
    the tolerable deficiency T, none by more than 2T. It is not the official test (`judge`).

    Parameters
    ----------
    net : array_like, shape (n,)
        Net weights.
    declared : number of grams, or the label's words
        ``120``, ``"120 g"``, ``"4.2 oz / 120 g"``.
    book : str or RuleBook
        Whose declared quantity and T apply.
    lot_size : int, optional
        Packages in the batch; without it the batch counts as very large.
    group : sequence, shape (n,), optional
        The loaf or tray of each package: packages of one loaf are alike, so a few loaves say less
        about a batch than as many bars picked all over it.
    confidence : float
        Of the two-sided interval and of the one-sided bounds.
    unit : str
        Of the weights.
    group_total : int, optional
        Loaves or trays in the batch, of about the same size: a sample that took the same number
        from every one says more than one from a few of them.
    tare_sd, tare_n : float and int, optional
        Where the net weights are gross weights less one mean tare: the spread of the empties it
        is the mean of, grams (NaN for a single one: unknown), and how many were weighed. 0 where
        the weights need no mean tare.
    handled : int, optional
        Packages of the sample that were topped up or taken out for their weight. Those not
        weighed were not, so the sample then bounds nothing of them.

    Returns
    -------
    OwnCheck

    Raises
    ------
    ValueError
        A weight that is not a positive number, a lot size that is not a whole number above zero,
        more weighings than packages or more groups than there are, a weight without its group, a
        confidence that is not between 0 and 1, a negative spread or number of empties, more handled
        than weighed, an unknown book, or a declaration it does not cover.

    Notes
    -----
    Mean: `qa_tools.statistics.finite.mean_interval` (Cochran 1977). A mean tare is wrong by the
    same amount for every package: ``tare_sd**2 * (1/tare_n + 1/lot_size)`` joins the variance of
    the mean, and is all of it where the whole batch was weighed; of a single empty there is no
    interval. Shares: `most_short` (hypergeometric). With groups the bound on a share is
    approximate: n shrinks to `effective_size` and the short ones in proportion, rounded up (Korn
    and Graubard, Survey Methodology 24, 1998, from memory); from fewer than five groups there is
    none. Equal readings of a coarse scale do not spread by nothing: the standard deviation counts
    as at least the step over the root of twelve. The bound speaks of loaves that differ by chance
    alike: a single loaf gone wrong may be among those not sampled. The counts short and their
    bounds leave out how packaging varies, so they too are approximate with a mean tare. Simulated
    in the tests.

    Examples
    --------
    >>> print(own_check([121.0, 119.4, 122.3, 120.9], "120 g", "eu-76-211", lot_size=4))
    Our own check, 4 of 4 weighed: averages 0.9 g over the 120 g declared.
      Mean 120.9 g (all weighed); lightest 119.4 g.
      Short by more than allowed (TNE, 5.4 g): 0 of 4.
      Short by more than twice allowed (twice TNE, 10.8 g): 0 of 4.
    """
    weights = in_grams(net, unit)
    n = weights.size
    found = limits(declared, book)
    size = None if lot_size is None else whole_number(lot_size)
    if tare_sd < 0 or tare_n < 0:
        raise ValueError(f"tare_sd is {tare_sd} and tare_n {tare_n}; neither can be below zero")
    if not 0 <= handled <= n:
        raise ValueError(f"handled is {handled} of {n} weighed; give how many of these were")
    tare_sd = 0.0 if tare_n == 0 else math.nan if tare_n == 1 else float(tare_sd)
    shared = (0.0, 1.0)
    if tare_n:
        shared = tare_sd**2 * (1 / tare_n + (1 / size if size else 0)), max(tare_n - 1.0, 1.0)
    mean = mean_interval(
        weights,
        size,
        group,
        confidence,
        group_total=group_total,
        shared=shared,
        least_sd=reading_step(np.atleast_1d(np.asarray(net, dtype=float)), unit) / math.sqrt(12),
    )
    groups = None if group is None else int(group_numbers(group, n).max()) + 1
    short = int(below(weights, found.short_g).sum())
    twice = int(below(weights, found.twice_g).sum())
    if n != size and handled:
        mean = Interval(mean.estimate, math.nan, math.nan)
        uppers = [math.nan, math.nan]
    elif n == size and tare_n:
        uppers = [math.nan, math.nan]  # which are short depends on each package's own tare
    elif group is None or groups is None or n == size:
        uppers = [most_short(k, n, size, confidence) for k in (short, twice)]
    elif groups < FEW_GROUPS:
        uppers = [math.nan, math.nan]
    else:
        worth = effective_size(weights, group)
        uppers = [
            most_short(math.ceil(k * worth / n), worth, size, confidence) for k in (short, twice)
        ]
    return OwnCheck(
        limits=found,
        n=n,
        lot_size=size,
        groups=groups,
        group_total=group_total,
        confidence=confidence,
        mean=mean.estimate,
        mean_lower=mean.lower,
        mean_upper=mean.upper,
        short=short,
        short_twice=twice,
        short_upper=uppers[0],
        short_twice_upper=uppers[1],
        lightest=float(np.min(weights)),
        tare_sd=tare_sd,
        tare_n=tare_n,
        handled=handled,
    )


def reading_step(values: NDArray[np.float64], unit: str) -> float:
    """
    The step of the scale as the readings show it, grams: 0.1 where any has one decimal.

    A step of 2, 5, 10, 20 or 50 in the last place counts where readings differ, and on a finer
    scale so many would not all be multiples of it once in a thousand times.
    """
    exact = [Decimal(repr(value)) for value in values.tolist()]
    place = max(0, *(-int(value.normalize().as_tuple().exponent) for value in exact))
    counts = [int(value.scaleb(place)) for value in exact]
    common = math.gcd(*counts) if len(set(counts)) > 1 else 1
    steps = [step for step in (2, 5, 10, 20, 50) if common % step == 0]
    coarse = max((step for step in steps if step ** (len(counts) - 1) >= 1000), default=1)
    return float(GRAMS[unit_of(unit)]) * coarse * 10.0**-place
