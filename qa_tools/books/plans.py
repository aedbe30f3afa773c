"""Sampling plans: how many packages of a lot a rule book wants weighed, and what then decides."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np

from qa_tools.books.figures import Figure

if TYPE_CHECKING:
    from qa_tools.books.rulebook import RuleBook

Sample = Literal["exactly", "at least", "whole lot"]
MeanForm = Literal["contents", "weighted", "error"]


class NoPlan(ValueError):
    """The book has no sampling plan for a lot of this size."""


class CountStage(NamedTuple):
    """One stage of a count test: draw `n` more, then compare all found so far."""

    n: int
    accept: int
    reject: int


@dataclass(frozen=True)
class SamplingPlan:
    """
    What one rule book asks of one lot.

    Attributes
    ----------
    lot_size : int
        Packages in the lot.
    test : str
        ``"non-destructive"``, ``"destructive"`` or another that the book offers.
    sample : {"exactly", "at least", "whole lot"}
        How the number weighed may stand to the plan.
    n : int
        Packages to weigh first.
    count_stages : tuple of CountStage
        The test on packages short by more than T: accept and reject numbers, cumulative.
        Empty where the book has none.
    mean_n : int or None
        Packages of the mean test; None where the book has none.
    factor : float or None
        The printed factor on the standard deviation that decides the mean test.
    exact_factor : float or None
        t / sqrt(n) at full precision (with the book's finite-lot correction), for comparison; 0
        where the printed factor is 0.
    beyond_twice_reject : int or None
        Packages short by more than 2T that fail the lot; None where the test has no such count.
    mean_form : {"contents", "weighted", "error"}
        How the book words its mean test, all three the same comparison: the mean against the
        declared quantity less the allowance; the mean plus the allowance against the declared
        quantity; or the mean error against the allowance.
    mean_clause, count_clause : str
        Where the two tests stand.
    figures : tuple of Figure
        What the plan rests on, with grades.

    Examples
    --------
    >>> from qa_tools.books.rulebook import rulebook
    >>> print(rulebook("uk-2006-659").plan(108, test="destructive"))
    weigh 20 of 108; of 20 weighed, 1 short by more than allowed pass, 2 fail \
(Schedule 2 paragraph 3); mean of 20, factor 0.64, exactly 0.63972 (Schedule 2 paragraph 4)
    """

    lot_size: int
    test: str
    sample: Sample
    n: int
    count_stages: tuple[CountStage, ...]
    mean_n: int | None
    factor: float | None
    exact_factor: float | None
    beyond_twice_reject: int | None
    mean_form: MeanForm
    mean_clause: str
    count_clause: str
    figures: tuple[Figure, ...]

    def __str__(self) -> str:
        how = {"exactly": "", "at least": "at least ", "whole lot": "all "}[self.sample]
        said = [f"weigh {how}{self.n} of {self.lot_size}"]
        found = 0
        for stage in self.count_stages:
            found += stage.n
            said.append(
                f"of {found} weighed, {stage.accept} short by more than allowed pass, "
                f"{stage.reject} fail ({self.count_clause})"
            )
        if self.factor is not None:
            exact = f", exactly {self.exact_factor:.5f}" if self.factor else ""
            by = f"factor {self.factor:g}{exact}"
            said.append(f"mean of {self.mean_n}, {by} ({self.mean_clause})")
        if self.beyond_twice_reject is not None:
            said.append(f"{self.beyond_twice_reject} short by more than twice allowed fail")
        return "; ".join(said)

    __repr__ = __str__

    @property
    def n_all(self) -> int:
        """Packages to weigh when every stage is used."""
        return max(self.n, sum(stage.n for stage in self.count_stages))


def whole_number(lot_size: float) -> int:
    """
    The packages of a lot, refused where that is no whole number above zero.

    Examples
    --------
    >>> whole_number(48.0)
    48
    """
    known = isinstance(lot_size, int | float | np.number) and not isinstance(lot_size, bool)
    number = lot_size if known else math.nan
    if not number >= 1 or number % 1 != 0:
        shown = repr(lot_size) if isinstance(lot_size, str) else lot_size
        raise ValueError(
            f"the lot size is {shown}; give the number of packages packed, a whole number"
        )
    return int(number)


def inspected(book: RuleBook, lot_size: int, test: str = "non-destructive") -> SamplingPlan:
    """
    The sample an inspector is taken to weigh in one of a book's tests: the fewest it asks for.

    A book that judges each package by itself, from one upward, asks of the whole lot that none
    fails; there every package counts as weighed.

    Examples
    --------
    >>> from qa_tools.books.rulebook import rulebook
    >>> inspected(rulebook("jp-guideline"), 96).n, inspected(rulebook("au-ordinary"), 96).n
    (96, 12)
    """
    plan = plan_for(book, lot_size, test, None)
    if plan.sample == "at least" and plan.n == 1:
        return plan_for(book, lot_size, test, plan.lot_size)
    return plan


def other_test(test: str) -> str:
    """
    The name of a test behind that of its book; nothing for the reference test.

    Examples
    --------
    >>> other_test("destructive"), other_test("non-destructive")
    (', destructive test', '')
    """
    return "" if test == "non-destructive" else f", {test} test"


def refuse_test(book: RuleBook, test: str) -> None:
    """
    Refuse a test that a book does not have, naming those it has.

    Examples
    --------
    >>> from qa_tools.books.rulebook import rulebook
    >>> refuse_test(rulebook("us-hb133"), "destructive")
    Traceback (most recent call last):
    ValueError: us-hb133 has no 'destructive' test; it has category B, non-destructive
    """
    rows: Sequence[Mapping[str, Any]] = book.data.get("sampling", {}).get("plans", [])
    tests = {row.get("test", "non-destructive") for row in rows}
    if tests and test not in tests:
        raise ValueError(f"{book.name} has no {test!r} test; it has {', '.join(sorted(tests))}")


def plan_for(book: RuleBook, lot_size: int, test: str, n: int | None) -> SamplingPlan:
    """The plan of `book` for a lot; see `RuleBook.plan`."""
    lot_size = whole_number(lot_size)
    sampling = book.data.get("sampling")
    if sampling is None:
        raise NoPlan(f"{book.name} has no sampling plan")
    refuse_test(book, test)
    row = _row(book.name, sampling, lot_size, test)
    sample: Sample = row["sample"]
    first = _first(row, lot_size)
    if n is not None and n > lot_size:
        raise ValueError(f"{n} weighed of {lot_size} packed: one of the two is wrong")
    weighed = max(first, n or 0) if sample == "at least" else first
    # Tables end at `largest`. Up to there the sample itself is judged; a larger one by draws of
    # that size, but for the mean of a lot weighed whole, which keeps its factor 0.
    counted = min(weighed, int(sampling.get("largest", weighed)))
    if counted < weighed < lot_size:
        sample, weighed = "exactly", counted
    by_size = sampling.get("by_size")
    if by_size:
        stages: tuple[CountStage, ...] = (_fails_at(by_size["fails_at"], counted),)
    else:
        stages = tuple(_stage(stage, weighed) for stage in row.get("count", []))
    mean = {} if by_size else row.get("mean")
    mean_n: int | None = None
    factor: float | None = None
    exact: float | None = None
    if mean is not None:
        mean_n = int(mean.get("n", weighed))
        whole = mean_n == lot_size and bool(by_size or sample == "at least")
        factor, exact = _factors(sampling, mean, mean_n, whole, weighed > first)
    return SamplingPlan(
        lot_size=lot_size,
        test=test,
        sample=sample,
        n=weighed,
        count_stages=stages,
        mean_n=mean_n,
        factor=factor,
        exact_factor=exact,
        beyond_twice_reject=row.get("beyond_twice", book.beyond_twice.get("reject")),
        mean_form=sampling.get("mean_form", "contents"),
        mean_clause=row.get("clause", sampling.get("mean_clause", sampling["clause"])),
        count_clause=row.get("clause", sampling.get("count_clause", sampling["clause"])),
        figures=(_figure(book, sampling, row, first, stages, factor),),
    )


def _row(name: str, sampling: Mapping[str, Any], lot_size: int, test: str) -> Mapping[str, Any]:
    rows: Sequence[Mapping[str, Any]] = sampling["plans"]
    for row in rows:
        low, *high = row["lot"]
        if (
            row.get("test", "non-destructive") == test
            and low <= lot_size <= (high or [lot_size])[0]
        ):
            return row
    why = f": {sampling['uncovered']}" if "uncovered" in sampling else ""
    raise NoPlan(f"{name} has no {test} sampling plan for a lot of {lot_size}{why}")


def _first(row: Mapping[str, Any], lot_size: int) -> int:
    """Packages to weigh first."""
    if row["sample"] == "whole lot":
        return lot_size
    if "least" in row:
        least = row["least"]
        if "n" in least:
            return int(least["n"])
        return max(math.ceil(lot_size * int(least["percent"]) / 100), int(least["at_least"]))
    sizes = [stage["n"] for stage in row.get("count", [])[:1]] + [row.get("mean", {}).get("n", 0)]
    return int(max(sizes))


def _stage(stage: Mapping[str, Any], weighed: int) -> CountStage:
    n = int(stage.get("n", weighed))
    if "accept_percent" in stage:
        accept = math.floor(n * stage["accept_percent"] / 100)
        return CountStage(n, accept, accept + 1)
    return CountStage(n, int(stage["accept"]), int(stage["reject"]))


def _fails_at(table: Sequence[Sequence[int]], n: int) -> CountStage:
    reject = next(fails for low, high, fails in table if low <= n <= high)
    return CountStage(n, reject - 1, reject)


def _by_size(table: Mapping[str, Any], n: int) -> float:
    """The printed factor for n, or t interpolated linearly in 120 / n, over the root of n."""
    rows = table["factors"]
    for size, _, printed in rows:
        if size == n:
            return float(printed)
    (low, t_low, _), (high, t_high, _) = next(
        (a, b) for a, b in itertools.pairwise(rows) if a[0] < n < b[0]
    )
    c, d, e = (table["interpolate"] / size for size in (low, high, n))
    return float((t_low - (t_low - t_high) * (c - e) / (c - d)) / math.sqrt(n))


def _factors(
    sampling: Mapping[str, Any], mean: Mapping[str, Any], n: int, whole: bool, larger: bool
) -> tuple[float, float]:
    """The factor that decides, as printed for this sample size, and the exact t / sqrt(n)."""
    by_size = sampling.get("by_size")
    printed = 0.0 if whole else _by_size(by_size, n) if by_size else float(mean["factor"])
    if not printed:
        return 0.0, 0.0
    from scipy.special import stdtrit

    finite = math.sqrt(1 - n / mean["finite"]) if "finite" in mean else 1.0
    exact = float(stdtrit(n - 1, sampling["confidence"])) / math.sqrt(n) * finite
    # A larger sample than a single printed factor is for takes the exact one of its own size.
    return (exact if larger and not by_size else printed), exact


def _figure(
    book: RuleBook,
    sampling: Mapping[str, Any],
    row: Mapping[str, Any],
    first: int,
    stages: tuple[CountStage, ...],
    factor: float | None,
) -> Figure:
    low, *high = row["lot"]
    band = f"{low}" if high == [low] else f"{low}-{high[0]}" if high else f"over {low - 1}"
    total = sum(stage.n for stage in stages) or first
    short = book.words.get("short", "T")
    words = [f"weigh {'at least ' if row['sample'] == 'at least' else ''}{first}"]
    words += [f"with {total} weighed"] if total != first else []
    words += [f"fails at {stage.reject} beyond {short}" for stage in stages[-1:]]
    words += [f"fails at {row['beyond_twice']} beyond 2 {short}"] if "beyond_twice" in row else []
    words += [f"factor {factor:.4g}"] if factor is not None else []
    printed = row.get("mean", {}).get("factor")
    grade = row.get("grade", sampling["grade"])
    return book.graded(
        Figure(
            " ".join([book.name, *([row["test"]] if "test" in row else []), f"plan {band}"]),
            ", ".join(words),
            row.get("clause", sampling["clause"]),
            "computed" if printed not in (None, factor) and grade != "from memory" else grade,
            row.get("official", sampling.get("official", "")),
        )
    )
