"""The chance that a book's official test rejects the next lot from a process."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from qa_tools.books.limits import EXACT_G, Limits, limits
from qa_tools.books.plans import CountStage, NoPlan, SamplingPlan, inspected
from qa_tools.books.rulebook import Declared, RuleBook, rulebook
from qa_tools.readings.quantities import GRAMS, unit_of
from qa_tools.statistics.counting import acceptance
from qa_tools.statistics.lightest import gauss_points, mean_below, together

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

SHELF: Final = 12  # packages on a shop shelf
_SURE: Final = 8.0  # standard deviations beyond which a normal tail counts for nothing
_SETTLED: Final = 1e-13  # a test whose chance is this near 0 or 1 leaves nothing to go together
_SWEEPS: Final = 30


@dataclass(frozen=True)
class RejectionByTest:
    """
    Chances that the next lot fails: by any test of the book, and by each of them.

    A lot may fail several at once, so the three together may exceed `any`. `twice` is the count of
    packages beyond 2T where the reference test has one (not under the EU and UK rules), `over` of
    packages over by more than allowed, where the book limits what is over.
    """

    any: float = 0.0
    mean: float = 0.0
    count: float = 0.0
    twice: float = 0.0
    over: float = 0.0


def chance_of_rejection(
    mean: float,
    sd: float,
    declared: Declared,
    book: str | RuleBook,
    *,
    lot_size: int,
    sd_between: float = 0.0,
    test: str = "non-destructive",
    unit: str = "g",
) -> float:
    """
    How likely a book's official test is to reject the next lot of a process.

    The lot is one yet to be made: its mean varies around `mean` by `sd_between`, its packages
    around the lot's own mean by `sd`, both normally, so packages drawn from it are as good as drawn
    from the process. Batches mostly differ by more than the bars within one; adding the two spreads
    up, as if every package varied by itself, understates the risk many times.

    Parameters
    ----------
    mean, sd : float
        Mean net weight of the process, and the spread of packages within one lot.
    declared : number of grams, or the label's words
    book : str or RuleBook
    lot_size : int
        Packages in the lot; it decides the plan. Books that ask for "at least" so many are taken
        at the fewest.
    sd_between : float
        Spread of lot means.
    test : str
        Another of the book's tests: ``"destructive"``, ``"single"``, ``"category B"``.
    unit : str
        Of `mean`, `sd` and `sd_between`; the declaration has its own.

    Returns
    -------
    float
        Between 0 and 1.

    Raises
    ------
    ValueError
        A mean or spread that cannot be, an unknown book or test, a declaration or lot it has no
        plan for.

    See Also
    --------
    rejection_by_test : how often each test rejects.

    Notes
    -----
    It is the one test, no more: under the EU and UK rules none of them asks for packages short by
    more than 2T, which may not be sold all the same. The printed factor decides.

    Each test by itself is exact: counts binomial through both stages, the mean by the non-central t
    distribution, lot means integrated numerically. The tests share the same weights; how they go
    together comes from a million seeded samples, scaled to the exact chances of each (iterative
    proportional fitting: Deming and Stephan, Annals of Mathematical Statistics 11, 1940, from
    memory). That leaves at most 0.0005, and at most 2 % of the smaller of the chance and its
    complement where that is above 1 in 1000. Weights that a scale rounds coarsely are not covered.
    The first call for a size of sample takes a second or two, further ones a few hundredths.

    Examples
    --------
    Bars of 120 g, filled to 121 g, with 2 g within batches and 2 g between them; and the same
    spreads added up as if all bars varied by themselves:

    >>> round(chance_of_rejection(121, 2, "120 g", "eu-76-211", lot_size=200, sd_between=2), 2)
    0.16
    >>> round(chance_of_rejection(121, 8**0.5, "120 g", "eu-76-211", lot_size=200), 4)
    0.0055

    A mean exactly at the label fails every second time where the average has no allowance:

    >>> round(chance_of_rejection(120, 2, "120 g", "us-hb133", lot_size=108, test="category B"), 2)
    0.5
    """
    return rejection_by_test(
        mean, sd, declared, book, lot_size=lot_size, sd_between=sd_between, test=test, unit=unit
    ).any


def rejection_by_test(
    mean: float,
    sd: float,
    declared: Declared,
    book: str | RuleBook,
    *,
    lot_size: int,
    sd_between: float = 0.0,
    test: str = "non-destructive",
    unit: str = "g",
) -> RejectionByTest:
    """
    As `chance_of_rejection`, with how often each test of the book rejects.

    Examples
    --------
    >>> found = rejection_by_test(121, 4, "120 g", "us-hb133", lot_size=108)
    >>> print(f"{found.any:.3f}: mean {found.mean:.4f}, count {found.count:.3f}")
    0.074: mean 0.0029, count 0.072
    """
    grams = float(GRAMS[unit_of(unit)])
    mean, sd, sd_between = (
        _finite(name, value) * grams
        for name, value in (("mean", mean), ("sd", sd), ("sd_between", sd_between))
    )
    if mean <= 0:
        raise ValueError(f"the mean is {mean:g} g; a mean weight is above zero")
    if sd <= 0:
        raise ValueError(f"sd is {sd:g} g; packages of one lot differ, so give more than zero")
    if sd_between < 0:
        raise ValueError(f"sd_between is {sd_between:g} g; give zero or more")
    found = limits(declared, book)
    plan = inspected(found.book, lot_size, test)
    if plan.count_stages and (plan.mean_n or 0) > plan.count_stages[0].n:
        raise ValueError(
            f"{found.book.name} takes more packages for the mean than for the first count; "
            "no chance is worked out for such a plan"
        )
    single = len(plan.count_stages) == 1 and plan.count_stages[0].accept == 0
    if math.isfinite(found.over_g) and not (single and plan.mean_n is None):
        raise ValueError(
            f"{found.book.name} limits what is over beside an average or allowed light packages; "
            "no chance is worked out for such a plan (rejection_outlook judges a batch under it)"
        )
    fine = sd / math.sqrt(plan.n)
    tests = _tests(plan, found, sd)
    return RejectionByTest(
        **{name: _over_lots(test, mean, sd_between, fine) for name, test in tests.items()}
    )


def chance_by_setting(
    mean: float,
    sd: float,
    declared: Declared,
    book: str | RuleBook,
    *,
    lot_size: int,
    sd_between: float = 0.0,
    batches: int = 4,
    test: str = "non-destructive",
    unit: str = "g",
) -> pd.DataFrame:
    """
    As `chance_of_rejection`, where an inspector may find the goods: a lot is what is found there.

    Parameters
    ----------
    batches : int
        Batches mixed evenly in the customer's store. The spread between them then lies mostly
        within the lot, which is taken as normal again, with the same spread in all.
    test : str
        As in `chance_of_rejection`.

    Returns
    -------
    DataFrame
        Index ``setting``; columns ``lot_size, weighed, chance, note``. Where the book has no plan
        for such a lot the note says so, and the chance is NaN; it also says where a figure is from
        memory.

    Examples
    --------
    >>> found = chance_by_setting(121, 2, "120 g", "uk-2006-659", lot_size=108, sd_between=2)
    >>> found["chance"].round(2).tolist()
    [0.16, 0.03, 0.32]
    """
    import pandas as pd

    if not batches >= 2 or batches % 1:
        raise ValueError(f"{batches} batches are not mixed; give a whole number of two or more")
    rules = rulebook(book)
    mixed = math.hypot(sd, sd_between * math.sqrt(1 - 1 / batches))
    rows = []
    for setting, size, within, between in (
        ("at our door, one batch", lot_size, sd, sd_between),
        (f"in a store, {batches} batches mixed", lot_size, mixed, sd_between / math.sqrt(batches)),
        (f"on a shop shelf, {SHELF} of one batch", SHELF, sd, sd_between),
    ):
        try:
            plan = inspected(rules, size, test)
        except NoPlan as missing:
            rows.append((setting, size, 0, math.nan, str(missing)))
            continue
        chance = chance_of_rejection(
            mean, within, declared, rules, lot_size=size, sd_between=between, test=test, unit=unit
        )
        figures = (*limits(declared, rules).figures, *plan.figures)
        memory = any(figure.grade == "from memory" for figure in figures)
        rows.append((setting, size, plan.n, chance, "figures from memory" if memory else ""))
    columns = ["setting", "lot_size", "weighed", "chance", "note"]
    return pd.DataFrame(rows, columns=columns).set_index("setting")


def _finite(name: str, value: float) -> float:
    try:
        known = math.isfinite(value)
    except TypeError:
        known = False
    if not known:
        shown = repr(value) if isinstance(value, str) else value
        raise ValueError(f"{name} is {shown}; give a number")
    return float(value)


class _Test(NamedTuple):
    """How often a test fails lots of given means; always below `low`, never above `high`."""

    fails: Callable[[Array], Array]
    low: float
    high: float


def _tests(plan: SamplingPlan, found: Limits, sd: float) -> dict[str, _Test]:
    """The tests that a plan has, each by itself, and any of them."""
    tests = {}
    n, factor, twice = plan.mean_n, plan.factor, plan.beyond_twice_reject
    if n is not None and factor is not None:
        reach = _SURE / math.sqrt(n)
        widest = 1 + 1.5 * _SURE / math.sqrt(2 * max(n - 1, 1))  # sd of a sample, over the true one
        tests["mean"] = _Test(
            lambda means: mean_below(n, factor, _scaled(found.target_g, means, sd)),
            found.target_g - (factor * widest + reach) * sd,
            found.target_g + reach * sd,
        )
    if plan.count_stages:
        tests["count"] = _count_test(plan.count_stages, found.short_g, sd)
    if twice is not None:
        tests["twice"] = _count_test([CountStage(plan.n, twice - 1, twice)], found.twice_g, sd)
    if math.isfinite(found.over_g):
        tests["over"] = _over_test(plan.n, found, sd)
    if tests:
        tests["any"] = _Test(
            lambda means: _any_fails(plan, found, sd, means),
            max(test.low for test in tests.values()),
            max(test.high for test in tests.values()),
        )
    return tests


def _scaled(limit_g: float, means: Array, sd: float) -> Array:
    return (limit_g - EXACT_G - means) / sd


def _count_test(stages: Sequence[CountStage], limit_g: float, sd: float) -> _Test:
    from scipy.special import ndtr

    return _Test(
        lambda means: 1 - acceptance(stages, [ndtr(_scaled(limit_g, means, sd))])[0, 0],
        limit_g - _SURE * sd,
        limit_g + _SURE * sd,
    )


def _over_test(n: int, found: Limits, sd: float) -> _Test:
    from scipy.special import ndtr

    edge = found.over_g + 2 * EXACT_G  # over by more than a microgram, as `below` has it below
    return _Test(
        lambda means: 1 - (1 - ndtr(-_scaled(edge, means, sd))) ** n,
        -math.inf,
        math.inf,
    )


def _any_fails(plan: SamplingPlan, found: Limits, sd: float, means: Array) -> Array:
    """How often lots of given means fail any test, the tests sharing their packages."""
    from scipy.special import ndtr

    if math.isfinite(found.over_g):  # every package by itself, between its two limits
        edge = found.over_g + 2 * EXACT_G
        inside = ndtr(_scaled(edge, means, sd)) - ndtr(_scaled(found.short_g, means, sd))
        return np.asarray(1 - inside**plan.n)
    rule = _counting(plan, found)
    n, factor = plan.mean_n, plan.factor
    edges = [_scaled(limit, means, sd) for limit in rule.limits_g]
    light = np.zeros_like(means)
    if rule.stages:
        light = 1 - acceptance(rule.stages, [ndtr(edge) for edge in edges], rule.twice_reject)[0, 0]
    if n is None or factor is None:
        return light
    declared = _scaled(found.target_g, means, sd)
    low = mean_below(n, factor, declared)
    fails = np.maximum(low, light)  # right where one of the two is settled
    open_ = np.minimum(np.minimum(low, light), 1 - fails) > _SETTLED
    if open_.any():
        edges = [edge[open_] for edge in edges]
        given = acceptance(
            rule.stages, [ndtr(edge) for edge in edges], rule.twice_reject, weighed=n
        )
        table = _table(n, factor, declared[open_], edges, given)
        fails[open_] = _scale(table, low[open_], light[open_])
    return fails


class _Counting(NamedTuple):
    """All that is counted: stages, the limits in grams, and the number beyond the second of two."""

    stages: Sequence[CountStage]
    limits_g: Sequence[float]
    twice_reject: int | None


def _counting(plan: SamplingPlan, found: Limits) -> _Counting:
    twice = plan.beyond_twice_reject
    if twice is None:
        return _Counting(plan.count_stages, [found.short_g], None)
    if not plan.count_stages:
        return _Counting([CountStage(plan.n, twice - 1, twice)], [found.twice_g], None)
    if twice >= max(stage.reject for stage in plan.count_stages):
        # so many beyond 2T are so many beyond T, which has failed the lot already
        return _Counting(plan.count_stages, [found.short_g], None)
    return _Counting(plan.count_stages, [found.short_g, found.twice_g], twice)


def _table(n: int, factor: float, declared: Array, edges: list[Array], given: Array) -> Array:
    """
    Roughly how often the mean passes or fails (rows) while the counts pass or fail (columns).

    `given` is the chance that the counts pass by what they show in the n packages of the mean; it
    is taken apart into steps, each a chance that at most so many packages lie beyond a limit.
    """
    padded = np.pad(given, ((0, 1), (0, 1), (0, 0)))
    step = padded[:-1, :-1] - padded[1:, :-1] - padded[:-1, 1:] + padded[1:, 1:]
    passes, both = np.zeros_like(declared), np.zeros_like(declared)
    for j, k in np.argwhere(np.abs(step).max(axis=2) > _SETTLED):
        # at most j short are at most k of them short by more than 2T, where k is j or more
        places = (int(j), int(k)) if len(edges) > 1 and k < j else (int(j),)
        at = together(n, factor, declared, edges[: len(places)], places)
        passes += step[j, k] * at.lowest
        both += step[j, k] * at.both
    mean = at.mean
    return np.array([[both, mean - both], [passes - both, 1 - mean - passes + both]])


def _scale(table: Array, low: Array, light: Array) -> Array:
    """The chance to fail either test, the table scaled to the exact chances of each."""
    cells = np.maximum(table, 1e-30)
    rows, columns = np.array([1 - low, low]), np.array([1 - light, light])
    for _ in range(_SWEEPS):
        cells *= (rows / cells.sum(axis=1))[:, None]
        cells *= (columns / cells.sum(axis=0))[None, :]
    return np.asarray(cells[0, 1] + cells[1, 0] + cells[1, 1])


def _over_lots(test: _Test, mean: float, between: float, fine: float) -> float:
    """
    The chance over lots whose means vary: exact to six digits.

    Outside `low` to `high` the test is settled; inside, 20 Gauss-Legendre points stand for every
    ten widths of the narrower of the spread of lot means and that of a sample's mean (`fine`).
    """
    if between < 1e-9 * fine:
        return _share(test.fails(np.array([mean]))[0])
    from scipy.special import ndtr

    low, high = np.clip([test.low, test.high], mean - _SURE * between, mean + _SURE * between)
    always = float(ndtr((low - mean) / between)) if low == test.low else float(mean < test.low)
    if low >= high:
        return always
    width = 1 / math.hypot(1 / fine, 1 / between)
    panels = math.ceil((high - low) / (10 * width))
    x, weight = gauss_points(20)
    means = low + (high - low) / panels * (np.arange(panels)[:, None] + x).ravel()
    density = np.exp(-(((means - mean) / between) ** 2) / 2) / (math.sqrt(2 * math.pi) * between)
    inside = float(test.fails(means) * density @ np.tile(weight, panels)) * (high - low) / panels
    return _share(always + inside)


def _share(chance: float) -> float:
    """Without what rounding leaves below 0 or above 1."""
    return float(min(1.0, max(0.0, chance)))
