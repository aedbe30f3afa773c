"""The chance that an inspector, drawing from this very batch, would reject it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qa_tools.books.draws import count_test, mean_test
from qa_tools.books.limits import Limits, above, below, in_grams, limits
from qa_tools.books.own import OwnCheck, own_check, percent, reading_step, remembered
from qa_tools.books.plans import SamplingPlan, inspected, other_test, whole_number
from qa_tools.books.rulebook import Declared, RuleBook
from qa_tools.statistics.predicted import prediction

Array = NDArray[np.float64]

STATES: Final = 500  # states of what the sample leaves unknown
DRAWS: Final = 200  # inspector's draws in each
SEED: Final = 133_659  # fixed, so that the same weights always get the same answer
_CELLS: Final = 4_000_000  # weights held at once

_METHODS: Final = {
    "all": "all packages are weighed, only the draw is left to chance",
    "normal": "the others are predicted as normal fills ({why})",
    "groups": "the others are predicted with the spread between loaves or trays as well ({why})",
    "weighed": "the others are predicted as more of the same ({why})",
    "averaged": "the others are predicted in each shape the weighings allow, as often as it is "
    "probable ({why})",
}


@dataclass(frozen=True)
class Outlook:
    """
    The chance that a batch would be rejected; prints as a short readable summary.

    Attributes
    ----------
    chance, lower, upper : float
        Of rejection; with 95 % probability it would come to lie between the two, were mean, spread
        and shape of the fills known. Weighing more packages draws them together.
    method : {"all", "normal", "groups", "weighed", "averaged"}
        How the packages not weighed are predicted.
    why : str
        What in the weighings led to it.
    limits : Limits
    plan : SamplingPlan
    own : OwnCheck
        Of the same weights: a likely pass is not yet a batch that holds its label.
    """

    chance: float
    lower: float
    upper: float
    method: str
    why: str
    limits: Limits
    plan: SamplingPlan
    own: OwnCheck

    def __str__(self) -> str:
        plan, name = self.plan, self.limits.book.name
        size = "all" if plan.n == plan.lot_size else str(plan.n)
        between = f"{_whole(self.lower)} to {_whole(max(self.upper, self.chance))}"
        sure = "" if self.method == "all" else f" ({between}, 95 % sure)"
        how = _METHODS[self.method].format(why=self.why)
        moist = self.limits.book.moisture_percent if self.limits.moisture_g else 0
        allowed = f" if {moist:g} % for moisture is accepted" if moist else ""
        lines = [
            f"{name}{other_test(plan.test)}: an inspector who weighs {size} of these "
            f"{plan.lot_size} rejects the batch with a chance of "
            f"{_whole(self.chance)}{sure}{allowed}.",
            f"  {self.own.n} weighed; {how}{self._hidden}.",
            f"  The weighed ones: {self.own.headline}.",
        ]
        if self.limits.book.beyond_twice.get("sale") and self.plan.beyond_twice_reject is None:
            twice = self.own.short_twice
            lines.append(
                f"  Packages beyond twice what is allowed are not counted in it: {twice} of those "
                f"weighed{', pull them' if twice else ''}."
            )
        figures = (*self.limits.figures, *self.plan.figures)
        lines += [f"  {remembered(one)}" for one in figures if one.grade == "from memory"]
        return "\n".join(lines)

    __repr__ = __str__

    @property
    def _hidden(self) -> str:
        """What so few weighings cannot show of the shape of the fills."""
        if self.method != "normal":
            return ""
        return "; so few cannot rule out a tail of light ones, which would raise the chance"


def _whole(chance: float) -> str:
    """In whole per cents, and neither never nor always where it may be otherwise."""
    if 0 < chance < 0.005:
        return "under 1 %"
    return "over 99 %" if 0.995 < chance < 1 else percent(round(chance, 2))


def rejection_outlook(
    net: ArrayLike,
    declared: Declared,
    book: str | RuleBook,
    *,
    lot_size: int,
    group: Sequence[object] | None = None,
    test: str = "non-destructive",
    unit: str = "g",
) -> Outlook:
    """
    How likely an inspector is to reject this batch, some of whose packages were weighed.

    The weighed packages are known, the others predicted with what the weighings leave unknown;
    the inspector draws at random from all of them, as many as the book's plan asks.

    Parameters
    ----------
    net : array_like, shape (n,)
        Net weights of packages sold, picked at random from the batch.
    declared : number of grams, or the label's words
    book : str or RuleBook
    lot_size : int
        Packages in the batch.
    group : sequence, shape (n,), optional
        The loaf or tray of each package. Those not weighed are taken to come from others, as large
        as the largest seen.
    test : str
        Another of the book's tests: ``"destructive"``, ``"single"``, ``"category B"``.
    unit : str
        Of the weights; the declaration has its own.

    Returns
    -------
    Outlook

    Raises
    ------
    ValueError
        A weight that is not a positive number, fewer than two weighings, all of them from one loaf
        or tray, more of them than packages, an unknown book or test, a declaration or lot it has
        no plan for.

    Notes
    -----
    How the others are predicted, with prior and sources: `statistics.predicted.prediction`. About
    30 weighings show a light tail only in part: where fills have a long one (skewness -1.6), of
    batches said to be rejected 2 times in a hundred about 6 are (simulated). For
    each of 500 states of what is unknown, 200 draws are judged by the book's test:
    `chance` is their mean, good to about 0.005, and `lower` and `upper` hold 95 % of the 500,
    widened a little by the scatter of counting 200 draws each.

    Examples
    --------
    >>> jars = [250.4, 251.9, 249.2, 252.3, 250.8, 248.9, 251.1, 250.2, 249.7, 252.8, 250.6, 251.4]
    >>> found = rejection_outlook(jars, "250 g", "ca-crc-417", lot_size=48)
    >>> found.method, found.chance < 0.01
    ('normal', True)
    >>> short = rejection_outlook([w - 1.5 for w in jars], "250 g", "eu-76-211", lot_size=48)
    >>> short.lower < 0.9 < short.chance
    True
    """
    weights = in_grams(net, unit)
    found = limits(declared, book)
    lot_size = whole_number(lot_size)
    n = len(weights)
    if n > lot_size:
        raise ValueError(f"{n} weighed of {lot_size} packed: one of the two is wrong")
    plan = inspected(found.book, lot_size, test)
    if n < lot_size:
        _refuse_coarse(weights, np.atleast_1d(np.asarray(net, dtype=float)), unit)
    rng = np.random.default_rng(SEED)
    if n == lot_size:
        rejected = _rejects(plan, found, _known(rng, weights, STATES * DRAWS, plan.n_all))
        method, why, shares = "all", "", np.array([rejected.mean()])
    else:
        predicted = prediction(weights, lot_size - n, STATES, rng, group)
        method, why = predicted.method, predicted.why
        at_once = max(1, _CELLS // (STATES * max(n, plan.n_all)))
        total, left = np.zeros(STATES), DRAWS
        while left:
            k = min(left, at_once)
            drawn = predicted.draw(k, plan.n_all).reshape(STATES * k, plan.n_all)
            among = rng.hypergeometric(n, lot_size - n, plan.n_all, STATES * k)
            known = _known(rng, weights, STATES * k, min(n, plan.n_all))
            drawn = _placed(rng, drawn, known, among)
            total += _rejects(plan, found, drawn).reshape(STATES, k).sum(axis=1)
            left -= k
        shares = total / DRAWS
    lower, upper = np.quantile(shares, [0.025, 0.975])
    own = own_check(weights, declared, found.book, lot_size=lot_size, group=group)
    return Outlook(float(shares.mean()), float(lower), float(upper), method, why, found, plan, own)


def _known(rng: np.random.Generator, weights: Array, draws: int, size: int) -> Array:
    """Weighed packages without replacement, in random order."""
    order = np.argsort(rng.random((draws, len(weights)), dtype=np.float32), axis=1)
    return weights[order[:, :size]]


def _placed(
    rng: np.random.Generator, drawn: Array, known: Array, among: NDArray[np.int64]
) -> Array:
    """The predicted packages with `among` of them, anywhere in the row, replaced by known ones."""
    rank = np.argsort(rng.random(drawn.shape, dtype=np.float32), axis=1)
    taken = np.pad(known, ((0, 0), (0, drawn.shape[1] - known.shape[1])))
    return np.where(rank < among[:, None], np.take_along_axis(taken, rank, axis=1), drawn)


def _rejects(plan: SamplingPlan, found: Limits, drawn: Array) -> NDArray[np.bool_]:
    """Which draws, one a row, fail any test of the plan."""
    count = count_test(below(drawn, found.short_g), plan, plan.n_all)
    fails = np.minimum(count, mean_test(drawn - found.target_g, plan)) < 0
    if plan.beyond_twice_reject is not None:
        fails |= below(drawn, found.twice_g).sum(axis=1) >= plan.beyond_twice_reject
    return np.asarray(fails | above(drawn, found.over_g).any(axis=1))


def _refuse_coarse(weights: Array, shown: Array, unit: str) -> None:
    """Where a scale's steps hide how packages spread, nothing can be said of the others."""
    step = reading_step(shown, unit)
    if len(weights) > 1 and np.std(weights, ddof=1) < step / 2:
        raise ValueError(
            f"the {len(weights)} weights hardly differ at a step of {step:g} g: the scale is too "
            "coarse to tell how the packages spread; weigh on a finer one"
        )
