"""From where on a wander or an offset matters: by a wire's fellows, or by what a book allows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from qa_tools.books.limits import limits
from qa_tools.books.rulebook import Declared, RuleBook
from qa_tools.decisions.wires.fit import Fit

# Without a rule book: a wander matters from this many times that of its fellows, an offset from
# that itself. Common sense, no published source.
TIMES: Final = 2.0
# With one: from this share of T on each bar beside the wire. A spread costs nothing while it is
# below T / 1.96 (then the average alone sets the fill target); a quarter of T uses up a quarter of
# that, for variances add up, and the scale, the loaf, curing and packing need the rest.
SHARE: Final = 0.25


@dataclass(frozen=True)
class Matters:
    """
    From where on a wire matters.

    Attributes
    ----------
    wander_mm, offset_mm : float
    grams_per_mm : float
        Of a packed bar.
    base_mm : float
        Wander of the wires that wander alike.
    allowed_g : float
        T of the strictest book; NaN without one.
    book : str
        Its name, or empty.
    """

    wander_mm: float
    offset_mm: float
    grams_per_mm: float
    base_mm: float
    allowed_g: float = math.nan
    book: str = ""

    def added_g(self, wander_mm: float) -> float:
        """What a wander above that of its fellows adds to the spread of each bar beside it, g."""
        return self.grams_per_mm * math.sqrt(max(wander_mm**2 - self.base_mm**2, 0.0))


def matters(
    fit: Fit,
    base_mm: float,
    declared: Declared | None = None,
    books: str | RuleBook | Sequence[str | RuleBook] = (),
    loss_percent: float = 0.0,
) -> Matters:
    """
    From where on a wander or an offset of this cutter matters.

    Parameters
    ----------
    base_mm : float
        Wander of the wires that wander alike.
    declared : number of grams, or the label's words, optional
    books : name, RuleBook, or several of them
        The smallest T counts.
    loss_percent : float
        What a bar loses from cutting until the book judges it.

    Raises
    ------
    ValueError
        A loss that is none, a book without a declared quantity or the other way round, or one the
        book does not cover.
    """
    per_mm = remaining(loss_percent) / fit.mm_per_gram
    chosen = [books] if isinstance(books, str | RuleBook) else list(books)
    if (declared is None) != (not chosen):
        raise ValueError("give the declared quantity and the rule books, or neither")
    found = [limits(declared, book) for book in chosen] if declared is not None else []
    allowed = [(one.tolerance_g, one.book.name) for one in found if one.tolerance_g]
    if not allowed:
        return Matters(TIMES * base_mm, base_mm, per_mm, base_mm)
    least, book = min(allowed, key=lambda one: one[0])
    of_book = SHARE * least / per_mm
    return Matters(math.hypot(base_mm, of_book), of_book, per_mm, base_mm, least, book)


def remaining(loss_percent: float) -> float:
    """The share of a bar's weight left when it is packed."""
    if not 0 <= loss_percent < 100:
        raise ValueError(f"loss_percent={loss_percent}: give per cent, 0 to below 100")
    return 1 - loss_percent / 100
