"""The limits of one package under one book, and how a weight is compared with them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qa_tools.books.figures import Figure
from qa_tools.books.rulebook import Declared, RuleBook, rulebook
from qa_tools.readings.quantities import GRAMS, Quantity, unit_of

# Scales in this trade step by 1 mg or more, so in one system of units a weight either meets a limit
# exactly or misses it by far more than a microgram; binary floats miss by less. A weight is below a
# limit only when it is below it by more than this: exactly T is never "more than T", on any table
# engine; likewise above.
EXACT_G: Final = 1e-6


@dataclass(frozen=True)
class Limits:
    """
    What one package may weigh under one book, in grams.

    Attributes
    ----------
    book : RuleBook
    tested : Quantity
        The declared quantity that the book tests.
    declared_g, short_g, twice_g : float
        The declared quantity Q, and the limits Q - T and Q - 2T; -inf where the book has none, or
        where T is only what the label is above a least weight.
    tolerance_g : float or None
        T; None where the book has none.
    figure, over_figure : Figure or None
        Where T and the limit of what is over come from.
    moisture_g : float
        What may be lost of the declared quantity since packing; the limits hold it already.
    over_g : float
        The most a package may weigh; inf in a book that does not limit that side.
    """

    book: RuleBook
    tested: Quantity
    declared_g: float
    tolerance_g: float | None
    short_g: float
    twice_g: float
    figure: Figure | None
    moisture_g: float = 0.0
    over_g: float = math.inf
    over_figure: Figure | None = None

    @property
    def figures(self) -> tuple[Figure, ...]:
        """The published figures of the limits."""
        return tuple(figure for figure in (self.figure, self.over_figure) if figure is not None)

    @property
    def target_g(self) -> float:
        """What the mean is held against: the declared quantity less what may be lost."""
        return self.declared_g - self.moisture_g


def limits(declared: Declared, book: str | RuleBook) -> Limits:
    """
    The limits of one package: declared quantity, T, Q - T, Q - 2T, and what is too much.

    Raises
    ------
    ValueError
        No such book, not a declaration, or a quantity outside the book's scope.

    Examples
    --------
    >>> found = limits("120 g", "eu-76-211")
    >>> found.tolerance_g, found.short_g, found.twice_g
    (5.4, 114.6, 109.2)
    """
    rules = rulebook(book)
    tested = rules.resolve(declared)
    lost = rules.moisture_allowance(declared)
    target = tested.grams - lost
    short = rules.tolerance(declared) if rules.data.get("deficiency") else None
    over = rules.excess(declared) if rules.data.get("excess") else None
    return Limits(
        rules,
        tested,
        float(tested.grams),
        float(short.grams) if short else None,
        float(target - short.grams) if short else -math.inf,
        # what the label is above a least weight is no deficiency that could be doubled
        float(target - 2 * short.grams) if short and "least" not in rules.data else -math.inf,
        short.figure if short else None,
        float(lost),
        float(tested.grams + over.grams) if over else math.inf,
        over.figure if over else None,
    )


def in_grams(net: ArrayLike | Sequence[float], unit: str = "g") -> NDArray[np.float64]:
    """
    Weights as grams, refused where one is not a positive number.

    Raises
    ------
    ValueError
        Names the position and the value of the first weight that cannot be judged.

    Examples
    --------
    >>> in_grams([4.2], "oz")
    array([119.06799713])
    """
    try:
        if np.asarray(net).dtype == bool:
            raise TypeError
        weights = np.atleast_1d(np.asarray(net, dtype=float))
    except (TypeError, ValueError):
        raise ValueError(
            f"{_no_number(net)}; give the weights as numbers in one unit, named by unit= "
            "(qa.read_weights reads files with decimal commas and units)"
        ) from None
    if weights.ndim != 1 or weights.size == 0:
        raise ValueError("give one or more weights in a single list or column")
    usable = np.isfinite(weights) & (weights > 0)
    if not usable.all():
        at = int(np.argmin(usable))
        raise ValueError(
            f"weight {at + 1} of {weights.size} is {weights[at]:g}; a weight is a number above "
            "zero: correct it, or take it out and say so"
        )
    factor = GRAMS[unit_of(unit)]
    return weights if factor == Decimal(1) else weights * float(factor)


def _no_number(net: Any) -> str:
    """The first of the weights that is no number."""
    values = [net] if isinstance(net, str) or not isinstance(net, Iterable) else list(net)
    for at, value in enumerate(values, 1):
        try:
            float(value)
        except (TypeError, ValueError):
            return f"weight {at} of {len(values)} is {value!r}"
    return "the weights are no list of numbers"


def below(net_g: NDArray[np.float64], limit_g: float) -> NDArray[np.bool_]:
    """Which weights are strictly below a limit, boundary cases decided exactly."""
    return net_g < limit_g - EXACT_G


def above(net_g: NDArray[np.float64], limit_g: float) -> NDArray[np.bool_]:
    """Which weights are strictly above a limit, boundary cases decided exactly."""
    return net_g > limit_g + EXACT_G
