"""The official test: what an inspector working by a rule book would find, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qa_tools.books.draws import Draws, share_of_draws
from qa_tools.books.figures import Figure
from qa_tools.books.limits import EXACT_G, Limits, above, below, in_grams, limits
from qa_tools.books.own import OwnCheck, grams, own_check, remembered
from qa_tools.books.plans import NoPlan, SamplingPlan, other_test, refuse_test, whole_number
from qa_tools.books.rulebook import Declared, RuleBook

if TYPE_CHECKING:
    import pandas as pd

Outcome = Literal["accept", "reject", "too few", "unsettled"]
SURE: Final = 0.95  # share of random draws from which a larger sample settles the matter

PLAIN: Final[dict[str, str]] = {
    "accept": "would pass inspection",
    "reject": "would fail inspection",
    "too few": "too few weighed for the official test",
    "unsettled": "the official test is not settled",
}


PASSES: Final = np.int8(1)
FAILS: Final = np.int8(-1)


class Passed(NamedTuple):
    """What each test of a plan says of lots: 1 passes, -1 fails, 0 needs the second stage."""

    short: NDArray[np.int8]
    mean: NDArray[np.int8]
    twice: NDArray[np.int8]


def decide(
    plan: SamplingPlan,
    mean_error: NDArray[np.float64],
    sd: NDArray[np.float64],
    short: NDArray[np.int64],
    twice: NDArray[np.int64],
) -> Passed:
    """
    Apply a plan's tests to lots weighed as it asks, any number of lots at once.

    Parameters
    ----------
    plan : SamplingPlan
        Whose first stage holds as many packages as its mean test.
    mean_error, sd : ndarray, shape (k,)
        Mean net weight less the declared quantity, and standard deviation (divisor n - 1), grams.
    short, twice : ndarray, shape (k,)
        Packages short by more than T, and by more than 2T.

    Examples
    --------
    >>> from qa_tools.books.rulebook import rulebook
    >>> plan = rulebook("eu-76-211").plan(200)
    >>> decide(plan, np.array([0.0]), np.array([1.0]), np.array([2]), np.array([0])).short
    array([0], dtype=int8)
    """
    count = np.ones(short.shape, np.int8)
    if plan.count_stages:
        stage = plan.count_stages[0]
        more = np.where(short >= stage.reject, FAILS, np.int8(0))
        count = np.where(short <= stage.accept, PASSES, more)
    mean = np.ones(short.shape, np.int8)
    if plan.factor is not None:
        enough = mean_error + plan.factor * _spread(plan, sd) >= -EXACT_G
        mean = np.where(enough, PASSES, FAILS)
    over = np.ones(short.shape, np.int8)
    if plan.beyond_twice_reject is not None:
        over = np.where(twice >= plan.beyond_twice_reject, FAILS, PASSES)
    return Passed(count, mean, over)


def _spread(plan: SamplingPlan, sd: NDArray[np.float64]) -> NDArray[np.float64]:
    # The sd of a single package is unknown; a factor of 0 never asks for it.
    return np.zeros_like(sd) if plan.factor == 0 else sd


OF_DRAWS: Final = "of draws pass"


class TestRow(NamedTuple):
    """
    One test of a verdict: numbers for machines, and the same in words.

    Attributes
    ----------
    test, outcome, clause : str
    measured, limit : float
        Grams that are enough from the limit up, packages that are allowed up to the limit, or a
        share of random draws that settles the matter from the limit up.
    unit : str
        ``"g"``, ``""`` for packages, or ``"of draws pass"``.

    Examples
    --------
    >>> row = TestRow("packages beyond the TNE", 2, 1, "", "second sample needed", "Annex II 2.2")
    >>> row.measured_words, row.limit_words
    ('2', 'at most 1')
    """

    test: str
    measured: float
    limit: float
    unit: str
    outcome: str
    clause: str

    @property
    def measured_words(self) -> str:
        """What was measured, as people say it."""
        if self.unit == OF_DRAWS:
            return f"{share_words(self.measured)} of random draws pass"
        if self.unit == "g":
            return f"{self._grams(self.measured)} g"
        return f"{self.measured:g}"

    def _grams(self, amount: float) -> str:
        """An amount in as many decimals as tell what was measured from the limit, two at least."""
        apart = abs(self.measured - self.limit)
        places = next((d for d in (2, 3, 4, 5) if round(apart, d)), 6) if apart else 2
        return f"{round(amount, places) + 0.0:.{places}f}".rstrip("0").rstrip(".")

    @property
    def limit_words(self) -> str:
        """The limit, as people say it."""
        if self.unit == OF_DRAWS:
            return f"{share_words(self.limit)} needed"
        if self.unit == "g":
            return f"at least {self._grams(self.limit)} g"
        return f"at most {self.limit:g}"


def already_failed(
    plan: SamplingPlan, short: NDArray[np.int64], twice: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Which samples already hold more light packages than the whole plan allows."""
    failed = np.zeros(short.shape, np.bool_)
    if plan.count_stages:
        failed |= short >= plan.count_stages[-1].reject
    if plan.beyond_twice_reject is not None:
        failed |= twice >= plan.beyond_twice_reject
    return failed


ALREADY: Final = "; those weighed already hold more light packages than the plan allows"


def share_words(share: float) -> str:
    """
    A share of draws in whole per cents, with more digits where these would hide what it decides.

    Examples
    --------
    >>> share_words(0.888), share_words(0.9497), share_words(0.99995), share_words(1)
    ('89 %', '94.97 %', '99.995 %', '100 %')
    """

    def decides(x: float) -> tuple[bool, ...]:
        return x >= SURE, x <= 1 - SURE, x <= 0, x >= 1

    texts = [f"{100 * share:.{digits}f}" for digits in range(5)]
    told = (text for text in texts if decides(float(text) / 100) == decides(share))
    return f"{next(told, texts[-1])} %"


@dataclass(frozen=True)
class Verdict:
    """
    The official test of one lot under one book; prints as a short readable summary.

    Attributes
    ----------
    outcome : {"accept", "reject", "too few", "unsettled"}
        Of the book's reference test, no more.
    reason : str
        Why, in plain words.
    own : OwnCheck
        Our own check of the same weights, never merged with the outcome.
    plan : SamplingPlan or None
        None where the book has none for such a lot.
    pull : tuple of int
        Positions (from 0) of the weights short by more than 2T, where the book forbids selling
        such packages.
    rows : tuple of TestRow
        The tests, each with its measured value, limit, outcome and clause.
    draws : Draws or None
        How random draws of the plan's size fare, where more were weighed than it asks.
    figures : tuple of Figure
        The published figures the verdict rests on.
    test : str
        Which of the book's tests; named in print where it is not the reference test.

    Examples
    --------
    >>> verdict = judge([119.9, 121.0, 120.4], "120 g", "eu-76-211", lot_size=3)
    >>> verdict.outcome, verdict.may_ship
    ('accept', True)
    >>> print(verdict)
    eu-76-211, 120 g, lot of 3: would pass inspection; averages 0.4 g over the 120 g declared.
      average contents: 120.43 g, at least 120 g: accept (Annex II 1.4, as SI 2006/659 Schedule 2 \
paragraph 4.7 carries it out)
      No count of packages short by more than allowed: the book has none for a lot of this size.
    Our own check, 3 of 3 weighed: averages 0.4 g over the 120 g declared.
      Mean 120.4 g (all weighed); lightest 119.9 g.
      Short by more than allowed (TNE, 5.4 g): 0 of 3.
      Short by more than twice allowed (twice TNE, 10.8 g): 0 of 3.
    """

    limits: Limits
    outcome: Outcome
    reason: str
    own: OwnCheck
    plan: SamplingPlan | None
    pull: tuple[int, ...]
    rows: tuple[TestRow, ...] = ()
    draws: Draws | None = None
    figures: tuple[Figure, ...] = ()
    test: str = "non-destructive"

    @property
    def may_ship(self) -> bool:
        """Whether the book's test is passed and no package has to be pulled first."""
        return self.outcome == "accept" and not self.pull

    @property
    def from_memory(self) -> tuple[Figure, ...]:
        """The figures that nobody has compared with the official table yet."""
        return tuple(figure for figure in self.figures if figure.grade == "from memory")

    @property
    def tests(self) -> pd.DataFrame:
        """One row a test: ``test, measured, limit, unit, outcome, clause``."""
        import pandas as pd

        return pd.DataFrame(self.rows, columns=TestRow._fields)

    @property
    def headline(self) -> str:
        """The outcome in plain words, never a pass without the plain mean beside it."""
        plain = PLAIN[self.outcome]
        if self.outcome != "accept":
            return f"{plain}: {self.reason}"
        if self.limits.moisture_g:
            allowed = self.limits.book.moisture_percent
            plain += f" if the authority accepts {allowed:g} % for moisture"
        pull = f"pull {len(self.pull)} first" if self.pull else ""
        if self.own.finding == "short":
            short = f"but averages {grams(-self.own.over)} short: raise the fill"
            short += f" and {pull}" if pull else ""
            if not self.own.mean_upper < self.limits.declared_g:
                short += " (chance could explain it: or weigh more)"
            return f"{plain}, {short}"
        return f"{plain}{f', but {pull}' if pull else ''}; {self.own.headline}"

    @property
    def uncounted(self) -> str:
        """A sentence where the book counts no short packages of such a lot; else empty."""
        if self.plan is None or self.plan.count_stages:
            return ""
        return (
            "No count of packages short by more than allowed: "
            "the book has none for a lot of this size."
        )

    @property
    def note(self) -> str:
        """What the book says of such an outcome; empty where it says nothing."""
        return self.limits.book.notes.get(self.outcome, "")

    def to_dict(self) -> dict[str, object]:
        """The same facts for machines; the tests as records."""
        return {
            "book": self.limits.book.name,
            "edition": self.limits.book.edition,
            "test": self.test,
            "tested": str(self.limits.tested),
            "outcome": self.outcome,
            "reason": self.reason,
            "may_ship": self.may_ship,
            "pull": list(self.pull),
            "tests": [row._asdict() for row in self.rows],
            "uncounted": self.uncounted,
            "note": self.note,
            "draws": None if self.draws is None else self.draws._asdict(),
            "figures": [asdict(figure) for figure in self.figures],
            "own_check": self.own.to_dict(),
        }

    def __str__(self) -> str:
        book = self.limits.book
        # where more were weighed than packed the headline names the size, and doubts it
        size = f", lot of {self.own.lot_size}" if self.own.lot_size else ""
        asked = f"{book.name}{other_test(self.test)}, {self.limits.tested}{size}"
        lines = [f"{asked}: {self.headline}."]
        if self.pull:
            lines.append(
                f"  Pull {len(self.pull)} first: short by more than twice the "
                f"{book.words.get('short', 'T')}, {book.beyond_twice['why']} "
                f"({book.beyond_twice['clause']})."
            )
        if self.limits.moisture_g:
            lines.append(
                f"  Moisture allowance {book.moisture_percent:g} %, "
                f"{self.limits.moisture_g:.2f} g ({book.data['moisture']['clause']})."
            )
        for row in self.rows:
            lines.append(
                f"  {row.test}: {row.measured_words}, {row.limit_words}: "
                f"{row.outcome} ({row.clause})"
            )
        lines += [f"  {line}" for line in (self.uncounted, self.note) if line]
        # our own check tells of the deficiency itself
        others = (figure for figure in self.from_memory if figure != self.limits.figure)
        lines += [f"  {remembered(figure)}" for figure in others]
        lines.append(str(self.own))
        return "\n".join(lines)

    __repr__ = __str__


def judge(
    net: ArrayLike,
    declared: Declared,
    book: str | RuleBook,
    *,
    lot_size: int,
    group: Sequence[object] | None = None,
    test: str = "non-destructive",
    unit: str = "g",
    in_order: bool = True,
    group_total: int | None = None,
    tare_sd: float = 0.0,
    tare_n: int = 0,
    handled: int = 0,
) -> Verdict:
    """
    What an inspector working by one rule book would find, with our own check beside it.

    The official test runs only where the sample meets the book's plan; with fewer weighings the
    outcome is ``"too few"``. With more than an exact plan asks, all random draws of the plan's
    size are considered: ``"accept"`` when at least 95 % of them would pass, ``"reject"`` when at
    least 95 % would fail, else ``"unsettled"`` (``"too few"`` where more than 5 % would go on to a
    second sample that is not there). A first sample that leaves a double plan open, followed by the
    second one, is judged in that order: there the order of the weights matters.

    Parameters
    ----------
    net : array_like, shape (n,)
        Net weights of packages sold, picked at random from the lot.
    declared : number of grams, or the label's words
    book : str or RuleBook
    lot_size : int
        Packages in the inspection lot.
    group : sequence, shape (n,), optional
        The loaf or tray of each package, for our own check.
    test : str
        Another of the book's tests: ``"destructive"``, ``"single"``, ``"category B"``.
    unit : str
        Of the weights; the declaration has its own.
    in_order : bool
        Whether the weights stand in the order they were drawn. If not, a completed double sample
        is judged by random draws as any other larger sample, and order decides nothing.
    group_total, tare_sd, tare_n
        For our own check, see `own_check`.

    Returns
    -------
    Verdict

    Raises
    ------
    ValueError
        A weight that is not a positive number, an unknown book or test, a declaration the book
        does not cover, a lot size that is not a whole number above zero, and what `own_check`
        refuses.

    Notes
    -----
    Weights are compared with net limits. Where the net weights are gross weights less one average
    tare, that is the comparison of gross with nominal gross weight that Handbook 133 (2026)
    2.3.6.2 makes: both sides move by the same tare.

    Examples
    --------
    The worked example of Schedule II, C.R.C., c. 417, made up for 100 g bars, a lot of 48:

    >>> bars = [99.6, 101.2, 100.4, 98.9, 102.1, 99.3, 100.8, 97.8, 101.5, 99.9, 95.2, 100.6]
    >>> verdict = judge(bars, "100 g", "ca-crc-417", lot_size=48)
    >>> verdict.outcome, verdict.may_ship
    ('accept', True)
    >>> print(verdict.headline)  # doctest: +ELLIPSIS
    would pass inspection, but averages 0.2 g short: raise the fill (chance could explain it...
    """
    weights = in_grams(net, unit)
    lot_size = whole_number(lot_size)
    found = limits(declared, book)
    refuse_test(found.book, test)
    n = weights.size
    over = n > lot_size
    # Our own check speaks of the label, whatever may have dried away since.
    own = own_check(
        weights,
        declared,
        found.book.with_moisture(0),
        lot_size=None if over else lot_size,
        group=group,
        group_total=group_total,
        tare_sd=tare_sd,
        tare_n=tare_n,
        handled=handled,
    )
    forbidden = found.book.beyond_twice.get("sale") == "forbidden"
    pull = tuple(np.flatnonzero(below(weights, found.twice_g)).tolist()) if forbidden else ()

    def verdict(
        outcome: Outcome,
        reason: str,
        plan: SamplingPlan | None = None,
        rows: tuple[TestRow, ...] = (),
        draws: Draws | None = None,
    ) -> Verdict:
        figures = found.figures + (plan.figures if plan else ())
        return Verdict(found, outcome, reason, own, plan, pull, rows, draws, figures, test)

    if over:
        return verdict("unsettled", f"{n} weighed of {lot_size} packed: one of the two is wrong")
    try:
        plan = found.book.plan(lot_size, test=test, n=n)
    except NoPlan as missing:
        return verdict("unsettled", str(missing))
    if n < plan.n:
        counts = (np.array([below(weights, at).sum()]) for at in (found.short_g, found.twice_g))
        more = ALREADY if already_failed(plan, *counts)[0] else ""
        return verdict("too few", too_few(plan, n) + more, plan)
    sample = Sample(weights, below(weights, found.short_g), below(weights, found.twice_g))
    over_rows = _over_rows(found, weights)
    heavy = -1 if any(row.measured for row in over_rows) else 1
    if is_direct(plan, n) or (in_order and _is_completed(plan, sample)):
        each = _tests_in_order(plan, found, sample)
        outcome, reason = conclude(plan, *each, heavy)
        return verdict(outcome, reason, plan, _rows(plan, found, sample, each) + over_rows)
    draws = share_of_draws(weights - found.target_g, sample.short, sample.twice, plan)
    outcome, reason = ("reject", _OVER) if heavy < 0 else _by_draws(plan, draws, n)
    return verdict(outcome, reason, plan, _draw_rows(plan, found, draws) + over_rows, draws)


class Sample(NamedTuple):
    """The weights of a lot in grams, and which are short by more than T, and by more than 2T."""

    weights: NDArray[np.float64]
    short: NDArray[np.bool_]
    twice: NDArray[np.bool_]


_WORDS: Final = {1: "accept", -1: "reject", 0: "second sample needed"}


def is_direct(plan: SamplingPlan, n: int) -> bool:
    """Whether n weighings are the sample the plan asks for, so that no draw has to be made."""
    return n == plan.n and plan.mean_n in (None, n) and {s.n for s in plan.count_stages[:1]} <= {n}


def holds_both(plan: SamplingPlan, n: int) -> bool:
    """Whether n weighings are both samples of a double plan."""
    both = len(plan.count_stages) == 2 and n == plan.n_all
    return both and plan.count_stages[0].n == plan.n


def _is_completed(plan: SamplingPlan, sample: Sample) -> bool:
    """Whether these are a first sample that left the count open, and then the second one."""
    if not holds_both(plan, sample.weights.size):
        return False
    first = plan.count_stages[0]
    return bool(first.accept < sample.short[: first.n].sum() < first.reject)


def _tests_in_order(plan: SamplingPlan, found: Limits, sample: Sample) -> tuple[int, int, int]:
    """The tests of a sample taken as the plan says, the second stage decided where it is there."""
    first = sample.weights[: plan.mean_n or plan.n]
    short, mean, twice = (
        int(test[0])
        for test in decide(
            plan,
            np.array([np.mean(first) - found.target_g]),
            np.array([np.std(first, ddof=1) if first.size > 1 else np.nan]),
            np.array([sample.short[: plan.n].sum()]),
            np.array([sample.twice.sum()]),
        )
    )
    if short == 0 and sample.weights.size == plan.n_all:
        short = 1 if sample.short.sum() <= plan.count_stages[1].accept else -1
    return short, mean, twice


def too_few(plan: SamplingPlan, n: int) -> str:
    """What is missing from a sample smaller than the plan's."""
    whole = "every package" if plan.n == plan.lot_size else f"{plan.n}"
    return f"the plan weighs {whole} of {plan.lot_size}, {n} weighed: {plan.n - n} more needed"


_OVER: Final = "packages are over by more than allowed"


def conclude(
    plan: SamplingPlan, short: int, mean: int, twice: int, over: int = 1
) -> tuple[Outcome, str]:
    """The outcome of a lot from its tests (1 passes, -1 fails, 0 needs the second stage)."""
    failed = [
        reason
        for passed, reason in (
            (mean, "the average is too low"),
            (short, "too many packages are short by more than allowed"),
            (twice, "too many packages are short by more than twice allowed"),
            (over, _OVER),
        )
        if passed < 0
    ]
    if failed:
        return "reject", " and ".join(failed)
    if short == 0:
        more = plan.count_stages[1].n
        return "too few", f"the first {plan.n} do not settle it: the plan weighs {more} more"
    if not plan.count_stages and plan.factor is None:
        return (
            "accept",
            "passes the only test of the book for a lot of this size, which is no average",
        )
    if not plan.count_stages and plan.beyond_twice_reject is None:
        return "accept", "passes the average, the only test of the book for a lot of this size"
    return "accept", "passes every test of the book"


def _by_draws(plan: SamplingPlan, draws: Draws, n: int) -> tuple[Outcome, str]:
    """The outcome of a larger sample from how the random draws of the plan's size fare."""
    size = plan.count_stages[0].n if plan.count_stages else plan.n
    of = f"of random draws of {size} from the {n} weighed"
    share = f"{share_words(draws.accept)} {of} would pass"
    if draws.accept >= SURE:
        return "accept", share
    if draws.reject >= SURE:
        return "reject", share
    unfinished = round(1 - draws.accept - draws.reject, 6)
    if unfinished > 1 - SURE:
        missing = f"weigh {plan.n_all - n} more"
        if unfinished > 0.5:
            return "too few", f"most draws need the second sample: {missing}"
        failing = f"{share_words(draws.reject)} would fail"
        needing = f"{share_words(unfinished)} need the second sample"
        return "too few", f"{share}, {failing} and {needing}: {missing}"
    return "unsettled", share


def _rows(
    plan: SamplingPlan, found: Limits, sample: Sample, passed: Sequence[int]
) -> tuple[TestRow, ...]:
    """The tests that the plan has, in the book's own words."""
    short, mean, twice = (_WORDS[test] for test in passed)
    names = _names(found.book)
    rows = []
    if plan.factor is not None:
        first = sample.weights[: plan.mean_n or plan.n]
        allowance = plan.factor * float(np.std(first, ddof=1)) if plan.factor else 0.0
        average, declared = float(np.mean(first)), found.target_g
        measured, limit = {
            "contents": (average, declared - allowance),
            "weighted": (average + allowance, declared),
            "error": (average - declared, -allowance),
        }[plan.mean_form]
        name = names[0] + (" after moisture allowance" if found.moisture_g else "")
        rows.append(TestRow(name, _rounded(measured), _rounded(limit), "g", mean, plan.mean_clause))
    if plan.count_stages:
        both = sample.weights.size > plan.n
        stage = plan.count_stages[1 if both else 0]
        measured = int(sample.short.sum())
        rows.append(TestRow(names[1], measured, stage.accept, "", short, plan.count_clause))
    if plan.beyond_twice_reject is not None:
        allowed, clause = plan.beyond_twice_reject - 1, found.book.beyond_twice["clause"]
        rows.append(TestRow(names[2], int(sample.twice.sum()), allowed, "", twice, clause))
    return tuple(rows)


def _over_rows(found: Limits, weights: NDArray[np.float64]) -> tuple[TestRow, ...]:
    """The test of a book that limits what is over: each package alone, whatever the plan."""
    if found.over_figure is None:
        return ()
    count = int(above(weights, found.over_g).sum())
    outcome = _WORDS[-1 if count else 1]
    name = "packages over by more than allowed"
    return (TestRow(name, count, 0, "", outcome, found.over_figure.clause),)


def _rounded(grams: float) -> float:
    return round(grams, 6) + 0.0  # never minus zero


def _draw_rows(plan: SamplingPlan, found: Limits, draws: Draws) -> tuple[TestRow, ...]:
    """The share of draws that pass each test the plan has, against the share that settles it."""
    kept = (plan.factor is not None, bool(plan.count_stages), plan.beyond_twice_reject is not None)
    clauses = (plan.mean_clause, plan.count_clause, found.book.beyond_twice.get("clause", ""))
    shares = (draws.mean, draws.short, draws.twice)
    unfinished = 1 - draws.accept - draws.reject  # draws that need the second sample
    rows = []
    for name, share, clause, has in zip(_names(found.book), shares, clauses, kept, strict=True):
        if has:
            sure = "accept" if share >= SURE else "reject" if share <= 1 - SURE else "unsettled"
            if clause == plan.count_clause and share < SURE and unfinished > 1 - SURE:
                sure = _WORDS[0]
            rows.append(TestRow(name, round(share, 6), SURE, OF_DRAWS, sure, clause))
    return tuple(rows)


def _names(book: RuleBook) -> tuple[str, str, str]:
    """The mean test, the count test and the count beyond 2T in the book's own words."""
    return (
        book.words.get("mean", "average"),
        book.words.get("count", "packages short by more than allowed"),
        f"short by more than twice the {book.words.get('short', 'T')}",
    )
