"""Sampling plans: how many packages of a lot a rule book wants weighed, and what then decides."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, get_args

from qa_tools.books.figures import GRADES, Figure

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
        ``"non-destructive"``, ``"destructive"`` or ``"single"``.
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
        t / sqrt(n) at full precision, for comparison; 0 where the printed factor is 0.
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

    @property
    def n_all(self) -> int:
        """Packages to weigh when every stage is used."""
        return max(self.n, sum(stage.n for stage in self.count_stages))


def plan_for(book: RuleBook, lot_size: int, test: str, n: int | None) -> SamplingPlan:
    """The plan of `book` for a lot; see `RuleBook.plan`."""
    if lot_size < 1:
        raise ValueError(f"a lot of {lot_size} packages cannot be judged; give the number packed")
    sampling = book.data.get("sampling")
    if sampling is None:
        raise ValueError(f"{book.name} has no sampling plan")
    row = _row(book.name, sampling["plans"], lot_size, test)
    sample: Sample = row["sample"]
    first = _first(row, lot_size)
    by_size = sampling.get("by_size")
    weighed = max(first, n) if n is not None else first
    if n is not None and n > lot_size:
        raise ValueError(f"{n} weighed of {lot_size} packed: one of the two numbers is wrong")
    if by_size:
        # The tables end at `largest`. Up to there the sample itself is judged; a larger one by
        # draws of that size, but for the mean of a lot weighed whole, which keeps its factor 0.
        counted = min(weighed, int(sampling["largest"]))
        stages: tuple[CountStage, ...] = (_fails_at(by_size["fails_at"], counted),)
        if weighed < lot_size and weighed > counted:
            sample, weighed = "exactly", counted
        mean_n: int | None = weighed
        factor: float | None = 0.0 if weighed == lot_size else _by_size(by_size, weighed)
    else:
        stages = tuple(_stage(stage, first, lot_size) for stage in row.get("count", []))
        mean = row.get("mean")
        mean_n = None if mean is None else int(mean.get("n", lot_size))
        factor = None if mean is None else float(mean["factor"])
    exact = None if factor is None else 0.0
    if factor and mean_n is not None:
        from scipy.special import stdtrit

        exact = float(stdtrit(mean_n - 1, sampling["confidence"])) / math.sqrt(mean_n)
    return SamplingPlan(
        lot_size=lot_size,
        test=test,
        sample=sample,
        n=weighed if by_size else first,
        count_stages=stages,
        mean_n=mean_n,
        factor=factor,
        exact_factor=exact,
        beyond_twice_reject=book.beyond_twice.get("reject"),
        mean_form=sampling.get("mean_form", "contents"),
        mean_clause=sampling.get("mean_clause", sampling["clause"]),
        count_clause=sampling.get("count_clause", sampling["clause"]),
        figures=(_figure(book, sampling, row, first, stages, factor),),
    )


def _row(
    name: str, rows: Sequence[Mapping[str, Any]], lot_size: int, test: str
) -> Mapping[str, Any]:
    tests = {row.get("test", "non-destructive") for row in rows}
    if test not in tests:
        raise ValueError(f"{name} has no {test!r} test; it has {', '.join(sorted(tests))}")
    for row in rows:
        low, *high = row["lot"]
        if (
            row.get("test", "non-destructive") == test
            and low <= lot_size <= (high or [lot_size])[0]
        ):
            return row
    raise NoPlan(f"{name} has no {test} sampling plan for a lot of {lot_size}")


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


def _stage(stage: Mapping[str, Any], first: int, lot_size: int) -> CountStage:
    n = int(stage.get("n", first))
    if "accept_percent" in stage:
        accept = math.floor(lot_size * stage["accept_percent"] / 100)
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
    words = [f"weigh {'at least ' if row['sample'] == 'at least' else ''}{first}"]
    words += [f"with {total} weighed"] if total != first else []
    words += [
        f"fails at {stage.reject} beyond {book.words.get('short', 'T')}" for stage in stages[-1:]
    ]
    words += [f"factor {factor:g}"] if factor is not None else []
    return book.graded(
        Figure(
            f"{book.name} plan {band}",
            ", ".join(words),
            sampling["clause"],
            row.get("grade", sampling["grade"]),
            sampling.get("official", ""),
        )
    )


def check_sampling(file: str, sampling: Mapping[str, Any]) -> None:
    """Raise ValueError, naming the file and the key, where a sampling section cannot be used."""
    _needs(file, "'sampling'", sampling, ("clause", "grade", "confidence", "plans"))
    for key, choices in (("grade", GRADES), ("mean_form", get_args(MeanForm))):
        if key in sampling and sampling[key] not in choices:
            raise ValueError(f"{file}: {key} is {sampling[key]!r} in 'sampling'; use {choices}")
    if "by_size" in sampling:
        _needs(file, "'sampling'", sampling, ("largest",))
        _needs(
            file, "'sampling.by_size'", sampling["by_size"], ("interpolate", "factors", "fails_at")
        )
    for i, row in enumerate(sampling["plans"]):
        where = f"plan {i + 1} of 'sampling'"
        _needs(file, where, row, ("lot", "sample"))
        if row["sample"] not in get_args(Sample):
            raise ValueError(f"{file}: {row['sample']!r} is not a sample in {where}")
        if row["sample"] == "at least":
            _needs(file, where, row, ("least",))
        if row["sample"] == "exactly" and not ("count" in row or "mean" in row):
            raise ValueError(f"{file}: {where} needs 'count' or 'mean'")
        for stage in row.get("count", []):
            needs = () if "accept_percent" in stage else ("accept", "reject")
            size = ("n",) if row["sample"] == "exactly" else ()
            _needs(file, f"count of {where}", stage, (*needs, *size))
        if "mean" in row:
            _needs(file, f"mean of {where}", row["mean"], ("factor",))


def _needs(file: str, where: str, table: Mapping[str, Any], keys: Sequence[str]) -> None:
    for key in keys:
        if key not in table:
            raise ValueError(f"{file}: the key {key!r} is missing in {where}")
