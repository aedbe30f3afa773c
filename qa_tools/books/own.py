"""Our own check: what all the weighings there are say about a batch, at any number of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from qa_tools.books.limits import Limits, below, in_grams, limits
from qa_tools.books.rulebook import Declared, RuleBook
from qa_tools.statistics.finite import effective_size, group_numbers, mean_interval, most_short

FEWEST_GROUPS: Final = 3  # below, the spread between groups is too little known to bound a share
FEW_GROUPS: Final = 5  # a sample from fewer loaves or trays speaks for these, not for the batch


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
    lot_size, groups : int or None
        Packages in the batch; loaves or trays they came from.
    confidence : float
        Of the interval and the bounds.
    mean, mean_lower, mean_upper : float
        Mean net weight with its two-sided interval, grams; NaN bounds where there is none.
    short, short_twice : int
        Weighed packages short by more than T, and by more than 2T (these are among the first).
    short_upper, short_twice_upper : float
        The largest share of the batch that may be so; NaN from fewer than three loaves or trays.
    lightest : float
        Grams.
    """

    limits: Limits
    n: int
    lot_size: int | None
    groups: int | None
    confidence: float
    mean: float
    mean_lower: float
    mean_upper: float
    short: int
    short_twice: int
    short_upper: float
    short_twice_upper: float
    lightest: float

    @property
    def over(self) -> float:
        """Mean above (below, when negative) the declared quantity, grams."""
        return self.mean - self.limits.declared_g

    @property
    def finding(self) -> str:
        """``"short"``, ``"holds"`` or ``"not shown"``: the mean against the label."""
        if self.over < -1e-6:
            return "short"
        if self.short_twice or not self.mean_lower >= self.limits.declared_g - 1e-6:
            return "not shown"
        return "holds"

    @property
    def headline(self) -> str:
        """The mean against the label in one plain sentence."""
        declared = f"the {self.limits.tested} declared"
        if self.finding == "short":
            certain = self.mean_upper < self.limits.declared_g
            doubt = "" if certain or self.n == self.lot_size else ", which chance could explain"
            return f"averages {grams(-self.over)} short of {declared}{doubt}"
        if self.finding == "holds":
            return f"averages {grams(self.over)} over {declared}"
        if self.short_twice:
            return f"averages {grams(self.over)} over {declared}, but not every package holds it"
        if math.isnan(self.mean_lower):
            return f"averages {grams(self.over)} over {declared}, too little to speak for the batch"
        return f"averages {grams(self.over)} over {declared}, which chance could explain"

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
        }
        return {
            "finding": self.finding,
            "headline": self.headline,
            "declared": str(self.limits.tested),
            "tolerable_deficiency_g": self.limits.tolerance_g,
            "confidence": self.confidence,
            "weighed": self.n,
            "lot_size": self.lot_size,
            "groups": self.groups,
            "short": self.short,
            "short_twice": self.short_twice,
            **{name: None if math.isnan(x) else round(x, 4) for name, x in numbers.items()},
        }

    def __str__(self) -> str:
        word = self.limits.book.words.get("short", "T")
        of = f" of {self.lot_size}" if self.lot_size else ""
        lines = [f"Our own check, {self.n}{of} weighed: {self.headline}."]
        if self.groups is not None and self.groups < FEW_GROUPS and self.n != self.lot_size:
            lines.append(f"  From {self.groups} loaves or trays: it speaks for these.")
        if self.n == self.lot_size:
            spread = "all weighed"
        elif math.isnan(self.mean_lower):
            spread = "no interval"
        else:
            spread = (
                f"{self.mean_lower:.1f} to {self.mean_upper:.1f} g with "
                f"{percent(self.confidence)} confidence"
            )
        lines.append(f"  Mean {self.mean:.1f} g ({spread}); lightest {self.lightest:.1f} g.")
        if self.limits.tolerance_g is not None:
            t = self.limits.tolerance_g
            for count, upper, times in (
                (self.short, self.short_upper, ""),
                (self.short_twice, self.short_twice_upper, "twice "),
            ):
                size = t if not times else 2 * t
                known = math.isnan(upper) or self.n == self.lot_size
                at_most = "" if known else f"; at most {percent(upper)} of the batch"
                lines.append(
                    f"  Short by more than {times}allowed ({times}{word}, {size:.1f} g): "
                    f"{count} of {self.n}{at_most}."
                )
        return "\n".join(lines)


def grams(amount: float) -> str:
    """
    An amount in grams for a sentence, never rounded away to nothing.

    Examples
    --------
    >>> grams(0.64), grams(0.037)
    ('0.6 g', '0.04 g')
    """
    return f"{amount:.1f} g" if abs(amount) >= 0.05 else f"{amount:.1g} g"


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

    Returns
    -------
    OwnCheck

    Raises
    ------
    ValueError
        A weight that is not a positive number, more weighings than packages, a weight without its
        group, a confidence that is not between 0 and 1, an unknown book, or a declaration it does
        not cover.

    Notes
    -----
    Mean: `qa_tools.statistics.finite.mean_interval` (Cochran 1977). Shares:
    `most_short` (hypergeometric). With groups the bound on a share is approximate: n shrinks to
    `effective_size` and the short ones in proportion, rounded up (Korn and Graubard, Survey
    Methodology 24, 1998, from memory); from one or two groups there is none. Simulated in the
    tests.

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
    mean = mean_interval(weights, lot_size, group, confidence)
    groups = None if group is None else int(group_numbers(group, n).max()) + 1
    short = int(below(weights, found.short_g).sum())
    twice = int(below(weights, found.twice_g).sum())
    if groups is None or n == lot_size:
        uppers = [most_short(k, n, lot_size, confidence) for k in (short, twice)]
    elif groups < FEWEST_GROUPS or group is None:
        uppers = [math.nan, math.nan]
    else:
        size = effective_size(weights, group)
        uppers = [
            most_short(math.ceil(k * size / n), size, lot_size, confidence) for k in (short, twice)
        ]
    return OwnCheck(
        limits=found,
        n=n,
        lot_size=lot_size,
        groups=groups,
        confidence=confidence,
        mean=mean.estimate,
        mean_lower=mean.lower,
        mean_upper=mean.upper,
        short=short,
        short_twice=twice,
        short_upper=uppers[0],
        short_twice_upper=uppers[1],
        lightest=float(np.min(weights)),
    )
