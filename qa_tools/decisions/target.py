"""The lowest mean to fill to, so that each rule book is met at a stated risk."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from qa_tools.books.chance import chance_of_rejection
from qa_tools.books.limits import EXACT_G, Limits, limits
from qa_tools.books.plans import inspected, whole_number
from qa_tools.books.rulebook import Declared, RuleBook
from qa_tools.readings.quantities import GRAMS, unit_of
from qa_tools.statistics.lightest import gauss_points

# Of lot means, in their standard deviations: beyond it a normal tail counts for nothing. A mean so
# far above a limit meets it.
REACH = 8.0
# Points that stand for all lot means.
POINTS = 400


@dataclass(frozen=True, eq=False, repr=False)
class FillTarget:
    """
    How high to fill; prints as a short readable summary.

    Attributes
    ----------
    target : float
        Mean net weight to fill to, grams: the highest of what is required.
    giveaway : float
        How far that is above the declared quantity (the largest, where books test different ones).
    binding : str
        Which requirement of which book decides.
    requirements : DataFrame
        One row a requirement: book, requirement ("official test", "average", "beyond T", "beyond
        2T"), event (what happens to the next lot at most with the risk), mean_g (the lowest mean
        that keeps it so), clause.
    risk : float
    """

    target: float
    giveaway: float
    binding: str
    requirements: pd.DataFrame
    risk: float

    def __str__(self) -> str:
        shown = self.requirements[["book", "requirement", "mean_g", "event"]]
        table = shown.to_string(index=False, float_format="{:.2f}".format)
        return (
            f"fill to {self.target:.2f} g on average ({self.giveaway:+.2f} g against the label), "
            f"decided by {self.binding}; each event in at most {100 * self.risk:g} of 100 lots\n"
            f"{table}"
        )

    __repr__ = __str__


def fill_target(
    sd: float,
    declared: Declared,
    books: str | RuleBook | Sequence[str | RuleBook],
    *,
    lot_size: int,
    sd_between: float = 0.0,
    risk: float = 0.01,
    test: str = "non-destructive",
    unit: str = "g",
) -> FillTarget:
    """
    How high to fill, on average, so that lots meet every rule book?

    Parameters
    ----------
    sd : float
        Spread of packages within one lot, when the book judges them.
    declared : number of grams, or the label's words
    books : name, RuleBook, or several of them
    lot_size : int
        Packages in a lot.
    sd_between : float
        Spread of lot means.
    risk : float
        How likely each of the events may be, for the next lot.
    test : str
        Another test, which every book has: ``"destructive"``, ``"single"``, ``"category B"``.
    unit : str
        Of `sd` and `sd_between`; the declaration has its own.

    Returns
    -------
    FillTarget

    Raises
    ------
    ValueError
        A spread or risk that cannot be, an unknown book or test, a lot it has no plan for, no book;
        or packages that vary too much for a book that limits what is over as well.

    Notes
    -----
    Packages vary normally about the mean of their lot, lot means normally about the target. Each
    risk bounds one event, of the next lot. The official test rejects it: `chance_of_rejection`,
    with its errors. Or, what the packer owes, exact (normal; binomial, integrated over lot means):
    its packages average less than declared; its mean is such that a process there leaves more than
    a stated share short by more than T; more of its packages than the book bears are short by more
    than twice T. For large lots that are all alike these come to Q, Q - T + 1.96 sd at 2.5 %, and,
    in lots of 100, at 1 %, to Q - 2T + 3.72 sd: the usual rules for a target quantity (WELMEC 6.4,
    from memory).

    Examples
    --------
    >>> found = fill_target(2.0, "120 g", ["eu-76-211", "us-hb133"], lot_size=108, sd_between=1.0)
    >>> round(found.target, 1), found.binding
    (122.4, 'eu-76-211, average')
    >>> found.requirements.query("book == 'eu-76-211'")["mean_g"].round(1).tolist()
    [121.5, 122.4, 120.8, 117.5]
    """
    chosen = [books] if isinstance(books, str | RuleBook) else list(books)
    if not chosen:
        raise ValueError("name at least one rule book")
    grams = float(GRAMS[unit_of(unit)])
    sd, between, size = sd * grams, sd_between * grams, whole_number(lot_size)
    if not (math.isfinite(sd) and sd > 0):
        raise ValueError(f"sd is {sd:g} g; packages of one lot differ, so give more than zero")
    if not (math.isfinite(between) and between >= 0):
        raise ValueError(f"sd_between is {between:g} g; give zero or more")
    if not 0 < risk < 0.5:
        raise ValueError(f"risk={risk}: give a chance above 0 and below 0.5, such as 0.01")
    found = [limits(declared, book) for book in chosen]
    spread = _Spread(sd, between, size, risk)
    rows = [row for one in found for row in _required(one, declared, spread, test)]
    table = pd.DataFrame(rows, columns=["book", "requirement", "event", "mean_g", "clause"])
    book, requirement, _, target, _ = max(rows, key=lambda row: row[3])
    for one in found:
        _refuse_over(one, declared, spread, test, target)
    label = max(one.declared_g for one in found)
    return FillTarget(target, target - label, f"{book}, {requirement}", table, risk)


@dataclass(frozen=True)
class _Spread:
    """How packages and lots vary, and how likely each event may be."""

    sd: float
    between: float
    lot_size: int
    risk: float

    def lowest(self, chance: Callable[[float], float], low: float, high: float) -> float:
        """The mean between two, whose event is sure and never, at which its chance is the risk."""
        from scipy.optimize import brentq

        return float(brentq(lambda mean: chance(mean) - self.risk, low, high, xtol=1e-5))

    @property
    def all(self) -> float:
        """Of any package of any lot."""
        return math.hypot(self.sd, self.between)


def _required(
    found: Limits, declared: Declared, spread: _Spread, test: str
) -> list[tuple[str, str, str, float, str]]:
    """What one book requires: requirement, event, lowest mean, clause."""
    book, plan = found.book, inspected(found.book, spread.lot_size, test)
    clauses = [plan.mean_clause] if plan.factor is not None else []
    clauses += [plan.count_clause] if plan.count_stages else []
    clauses += [book.beyond_twice["clause"]] if plan.beyond_twice_reject is not None else []
    rows = [
        (
            "official test",
            "the official test rejects the lot",
            _by_test(found, declared, spread, test),
            "; ".join(dict.fromkeys(clauses)),
        )
    ]
    if plan.factor is not None:
        rows.append(
            (
                "average",
                "its packages average less than declared",
                _by_average(found, spread),
                plan.mean_clause,
            )
        )
    word, share, twice = book.words.get("short", "T"), book.short_share, book.beyond_twice
    if share:
        event = f"its mean leaves more than {share['percent']:g} % short by more than the {word}"
        rows.append(("beyond T", event, _by_share(found, share, spread), share["clause"]))
    if twice and math.isfinite(found.twice_g):
        most = twice.get("reject", 1) - 1
        many = "any of its packages is" if most == 0 else f"more than {most} of its packages are"
        event = f"{many} short by more than twice the {word}"
        rows.append((
            "beyond 2T", event, _by_count(found.twice_g, most, spread), twice["clause"],
        ))  # fmt: skip
    return [(book.name, *row) for row in rows]


def _by_test(found: Limits, declared: Declared, spread: _Spread, test: str) -> float:
    """The lowest mean at which the official test rejects the next lot no more often."""

    def chance(mean: float) -> float:
        return chance_of_rejection(
            mean, spread.sd, declared, found.book, lot_size=spread.lot_size,
            sd_between=spread.between, test=test,
        )  # fmt: skip

    low, high = found.target_g * 1e-3, found.target_g + 2 * REACH * spread.all
    if math.isfinite(found.over_g):
        high = (found.short_g + found.over_g) / 2
        if chance(high) > spread.risk:
            raise ValueError(
                f"under {found.book.name} no mean will do: filled midway between its limits, lots "
                f"are still rejected with a chance of {chance(high):.2g}; lower the spread first"
            )
    return spread.lowest(chance, low, high)


def _by_average(found: Limits, spread: _Spread) -> float:
    """The lowest mean at which the packages of a lot seldom average less than declared."""
    from scipy.special import ndtri

    of_average = math.hypot(spread.between, spread.sd / math.sqrt(spread.lot_size))
    return found.target_g - float(ndtri(spread.risk)) * of_average


def _by_share(found: Limits, share: Mapping[str, Any], spread: _Spread) -> float:
    """The lowest mean at which lots seldom have a mean that leaves too large a share short."""
    from scipy.special import ndtri

    within = float(ndtri(share["percent"] / 100)) * spread.sd
    return found.short_g - within - float(ndtri(spread.risk)) * spread.between


def _by_count(limit_g: float, most: int, spread: _Spread) -> float:
    """The lowest mean at which more than so many packages of a lot are seldom below a limit."""
    of_lots = spread.sd, spread.between, spread.lot_size
    return spread.lowest(
        lambda mean: chance_of_more(mean, limit_g, most, *of_lots),
        limit_g - 2 * REACH * spread.all,
        limit_g + 2 * REACH * spread.all,
    )


def chance_of_more(
    mean: float, limit_g: float, most: int, sd: float, between: float, lot_size: int
) -> float:
    """
    How likely more than so many packages of the next lot are below a limit.

    Examples
    --------
    >>> round(chance_of_more(120.0, 109.2, 0, 3.0, 0.0, 108), 4)
    0.017
    """
    from scipy.special import bdtrc, ndtr

    x, weight = gauss_points(POINTS)
    away, density = np.zeros(1), np.ones(1)
    if between:
        away = REACH * (2 * x - 1)
        density = weight * 2 * REACH * np.exp(-(away**2) / 2) / math.sqrt(2 * math.pi)
    share = ndtr((limit_g - EXACT_G - mean - away * between) / sd)
    return float(bdtrc(most, lot_size, share) @ density)


def _refuse_over(
    found: Limits, declared: Declared, spread: _Spread, test: str, target: float
) -> None:
    """Where a book limits what is over, the target of all books may be too high for it."""
    if not math.isfinite(found.over_g):
        return
    chance = chance_of_rejection(
        target, spread.sd, declared, found.book, lot_size=spread.lot_size,
        sd_between=spread.between, test=test,
    )  # fmt: skip
    if chance > spread.risk * 1.001:
        raise ValueError(
            f"filled to {target:.2f} g, as the other requirements ask, lots are rejected under "
            f"{found.book.name} for what is over, with a chance of {chance:.2g}: lower the spread, "
            "or judge by these books apart"
        )
