"""Operating characteristics: what a book's tests let pass, for every process."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qa_tools.books.plans import SamplingPlan, inspected, other_test
from qa_tools.books.rulebook import RuleBook, each_rulebook
from qa_tools.statistics.counting import acceptance
from qa_tools.statistics.lightest import mean_below

if TYPE_CHECKING:
    import pandas as pd
    import plotly.graph_objects as go


@dataclass(frozen=True)
class OCCurve:
    """
    Chances of acceptance under one or more books, for a lot of one size; prints what it holds.

    Attributes
    ----------
    lot_size : int
    by_mean : DataFrame
        Index ``sd_short``, how many standard deviations (within the lot) the lot's mean lies below
        the declared quantity; a column a book: how often its mean test passes.
    by_share : DataFrame
        Index ``share``, of packages short by more than the book's T; a column a book: how often its
        count test passes.
    plans : dict
        The plan of each book.
    """

    lot_size: int
    by_mean: pd.DataFrame
    by_share: pd.DataFrame
    plans: dict[str, SamplingPlan]

    @property
    def notes(self) -> tuple[str, ...]:
        """What to know of the curves: figures from memory, tests that have none."""
        found = []
        for book, plan in self.plans.items():
            drawn = (book in self.by_mean.columns, book in self.by_share.columns)
            if not any(drawn):
                found.append(f"{book}: neither test for a lot of {self.lot_size}, so no curve")
            if plan.beyond_twice_reject is not None:
                found.append(f"{book}: also counts packages beyond twice what is allowed")
            if any(figure.grade == "from memory" for figure in plan.figures):
                found.append(f"{book}: figures from memory")
        return tuple(found)

    def __str__(self) -> str:
        tests = "".join(dict.fromkeys(other_test(plan.test) for plan in self.plans.values()))
        lines = [
            f"How often lots of {self.lot_size} pass under {', '.join(self.plans)}{tests}: tables "
            "by_mean and by_share, picture .figure()",
            *self.notes,
        ]
        return "\n  ".join(lines)

    __repr__ = __str__

    def figure(self) -> go.Figure:
        """The two curves side by side, a line a book."""
        from qa_tools.pictures.curves import oc_curves

        return oc_curves(self)


def oc_curve(
    books: str | RuleBook | Sequence[str | RuleBook],
    lot_size: int,
    *,
    test: str = "non-destructive",
) -> OCCurve:
    """
    How often each test of a book accepts a lot, against how bad the lot is.

    Each test by itself, exact: the mean test by the non-central t distribution, the count test
    binomial through all its stages. Packages count as drawn from a process; drawn from a finite
    lot with that share, counts differ a little. A book without the one test has no column for it.
    What both together do to a given product: `chance_of_rejection`.

    Parameters
    ----------
    books : name, RuleBook, or several of them
    lot_size : int
    test : str
        Another test, which every book has: ``"destructive"``, ``"single"``, ``"category B"``.

    Raises
    ------
    ValueError
        No book, an unknown one or one named twice, or one without a plan for such a lot or test.

    Examples
    --------
    >>> curve = oc_curve(["eu-76-211", "us-hb133"], 200)
    >>> curve.by_share.loc[[0.025, 0.05], "eu-76-211"].round(4).tolist()
    [0.9565, 0.7636]
    >>> curve.by_mean.loc[0.5].round(4).tolist()
    [0.4969, 0.647]
    """
    import pandas as pd

    plans = {book.name: inspected(book, lot_size, test) for book in each_rulebook(books)}
    short, share = np.linspace(-0.5, 1.5, 201).round(2), np.linspace(0, 0.2, 201).round(3)
    by_mean = {
        name: 1 - mean_below(plan.mean_n, plan.factor, short)
        for name, plan in plans.items()
        if plan.mean_n is not None and plan.factor is not None
    }
    by_share = {
        name: acceptance(plan.count_stages, [share])[0, 0]
        for name, plan in plans.items()
        if plan.count_stages
    }
    return OCCurve(
        lot_size,
        pd.DataFrame(by_mean, index=pd.Index(short, name="sd_short")),
        pd.DataFrame(by_share, index=pd.Index(share, name="share")),
        plans,
    )
