"""The chance of rejection: the plain case, exact parts, properties, and lots simulated."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import binom, multinomial, nct, norm

import qa_tools as qa
from qa_tools.books.chance import chance_by_setting, chance_of_rejection, rejection_by_test
from qa_tools.books.limits import Limits, limits
from qa_tools.books.plans import SamplingPlan, inspected

EU, UK, US, CA = "eu-76-211", "uk-2006-659", "us-hb133", "ca-crc-417"
STATED = 5e-4  # the error the docstring states


# The plain case.
def test_spread_between_batches_is_not_spread_between_bars() -> None:
    """120 g, mean 121, 2 g within and 2 g between: 16 %, not the 0.5 % of independent bars."""
    batches = chance_of_rejection(121, 2, "120 g", EU, lot_size=200, sd_between=2)
    independent = chance_of_rejection(121, math.hypot(2, 2), "120 g", EU, lot_size=200)
    assert batches == pytest.approx(0.16, abs=0.005)
    assert independent == pytest.approx(0.0055, abs=5e-5)
    assert batches > 20 * independent


# Exact parts.
def test_the_mean_alone_is_exact() -> None:
    """A spread far below T leaves the mean alone: non-central t."""
    found = chance_of_rejection(119.8, 0.5, "120 g", EU, lot_size=1000)
    root = math.sqrt(50)
    assert found == pytest.approx(nct.cdf(-0.379 * root, 49, -0.4 * root), rel=1e-4)


def test_counts_alone_are_exact_through_both_stages() -> None:
    """A mean far above the label leaves the counts alone: binomial, two stages."""
    found = rejection_by_test(135, 10, "120 g", UK, lot_size=300)
    p = norm.cdf((120 - 5.4 - 135) / 10)
    accepted = binom.cdf(1, 30, p) + binom.pmf(2, 30, p) * binom.cdf(2, 30, p)
    assert found.count == pytest.approx(1 - accepted, rel=1e-4)
    assert found.any == pytest.approx(found.count, rel=1e-4)


def test_lot_means_are_integrated_over() -> None:
    """With the same T everywhere far away the mean of 12 decides: one more normal spread."""
    between, within = 1.5, 1.0
    steps = norm.ppf((np.arange(4000) + 0.5) / 4000) * between
    each = [chance_of_rejection(121 + x, within, "120 g", CA, lot_size=40) for x in steps[::40]]
    found = chance_of_rejection(121, within, "120 g", CA, lot_size=40, sd_between=between)
    assert found == pytest.approx(np.mean(each), abs=5e-3)


def test_canada_counts_two_beyond_twice_the_tolerance() -> None:
    """Three beyond T fail a sample of 32, two beyond 2T do as well; the EU has no such count."""
    found = rejection_by_test(121, 5, "120 g", CA, lot_size=3000)
    p = norm.cdf((120 - 10.8 - 121) / 5)
    assert found.twice == pytest.approx(1 - binom.cdf(1, 32, p), rel=1e-4)
    assert found.count < found.any < found.count + found.twice + found.mean
    assert rejection_by_test(121, 5, "120 g", EU, lot_size=3000).twice == 0


def test_what_canada_counts_together_is_exact() -> None:
    """A mean far above the label leaves the two counts: at most two beyond T, one of them 2T."""
    p, q = (norm.cdf((120 - k * 5.4 - 145) / 16) for k in (1, 2))
    accepted = sum(
        multinomial.pmf([twice, short - twice, 32 - short], 32, [q, p - q, 1 - p])
        for short in range(3)
        for twice in range(min(short, 1) + 1)
    )
    found = chance_of_rejection(145, 16, "120 g", CA, lot_size=3000)
    assert found == pytest.approx(1 - accepted, rel=1e-5)


def test_a_single_package_under_handbook_133_has_no_mean_test() -> None:
    found = rejection_by_test(121, 5, "120 g", US, lot_size=1)
    assert found.mean == 0
    assert found.any == found.count == pytest.approx(norm.cdf((120 - 9 - 121) / 5), rel=1e-5)


def test_the_directive_has_no_count_under_100() -> None:
    found = rejection_by_test(121, 5, "120 g", EU, lot_size=60)
    assert found.count == 0
    assert found.any == found.mean == pytest.approx(norm.cdf(-math.sqrt(60) / 5), rel=1e-5)


def test_the_same_question_gets_the_same_answer() -> None:
    asked = {"mean": 121, "sd": 3, "declared": "120 g", "book": EU, "lot_size": 200}
    assert chance_of_rejection(**asked) == chance_of_rejection(**asked)  # type: ignore[arg-type]


# Properties.
books = st.sampled_from([EU, UK, US, CA])
sizes = st.sampled_from([5, 48, 108, 200])
means = st.floats(112, 130)
spreads = st.floats(0.05, 12)
betweens = st.one_of(st.just(0.0), st.floats(0.01, 8))


@settings(max_examples=60, deadline=None)
@given(means, spreads, books, sizes, betweens)
def test_it_is_a_probability_and_no_smaller_than_any_test_of_it(
    mean: float, sd: float, book: str, size: int, between: float
) -> None:
    found = rejection_by_test(mean, sd, "120 g", book, lot_size=size, sd_between=between)
    most = max(found.mean, found.count, found.twice)
    assert min(found.mean, found.count, found.twice) >= 0
    assert most - 1e-5 <= found.any <= min(1, found.mean + found.count + found.twice + 1e-5)


@settings(max_examples=40, deadline=None)
@given(means, st.floats(0.01, 3), spreads, books, sizes, betweens)
def test_a_higher_mean_is_rejected_less_often(
    mean: float, more: float, sd: float, book: str, size: int, between: float
) -> None:
    low, high = (
        chance_of_rejection(m, sd, "120 g", book, lot_size=size, sd_between=between)
        for m in (mean, mean + more)
    )
    assert high <= low + STATED


@settings(max_examples=30, deadline=None)
@given(means, spreads, books, sizes)
def test_no_spread_between_lots_is_the_limit_of_a_small_one(
    mean: float, sd: float, book: str, size: int
) -> None:
    none = chance_of_rejection(mean, sd, "120 g", book, lot_size=size)
    little = chance_of_rejection(mean, sd, "120 g", book, lot_size=size, sd_between=sd / 1000)
    assert little == pytest.approx(none, abs=1e-4)


@pytest.mark.parametrize("between", [1e-9, 1e-15, 1e-193])
def test_a_spread_between_lots_too_small_for_any_weight_is_none(between: float) -> None:
    found = chance_of_rejection(119.95, 1, "120 g", EU, lot_size=108, sd_between=between)
    assert found == pytest.approx(
        chance_of_rejection(119.95, 1, "120 g", EU, lot_size=108), rel=1e-5
    )


@settings(max_examples=20, deadline=None)
@given(st.floats(3.9, 4.6), st.floats(0.05, 0.4), books, sizes)
def test_ounces_are_grams(mean: float, sd: float, book: str, size: int) -> None:
    ounce = 28.349523125
    one = chance_of_rejection(mean, sd, "4.2 oz", book, lot_size=size, unit="oz", sd_between=sd / 2)
    other = chance_of_rejection(
        mean * ounce, sd * ounce, "4.2 oz", book, lot_size=size, sd_between=sd * ounce / 2
    )
    assert one == pytest.approx(other, abs=1e-9)


# Bad input.
@pytest.mark.parametrize(
    "asked, words",
    [
        ({"mean": math.nan}, "mean is nan"),
        ({"mean": "121"}, "mean is '121'; give a number"),
        ({"sd": None}, "sd is None; give a number"),
        ({"mean": 0}, "above zero"),
        ({"sd": 0}, "packages of one lot differ"),
        ({"sd": -1}, "packages of one lot differ"),
        ({"sd": math.inf}, "sd is inf"),
        ({"sd_between": -0.1}, "zero or more"),
        ({"lot_size": 0}, "the lot size is 0"),
        ({"lot_size": 100.5}, "whole number"),
        ({"declared": "120"}, None),
        ({"declared": "3 g"}, "outside eu-76-211"),
        ({"book": "eu-76-112"}, "did you mean 'eu-76-211'"),
        ({"unit": "stone"}, "stone"),
        ({"test": "quick"}, "no 'quick' test; it has destructive, non-destructive"),
        ({"test": "single"}, "no 'single' test"),
        ({"test": "destructive", "lot_size": 50}, "no destructive sampling plan for a lot of 50"),
    ],
)
def test_bad_input_is_refused_in_plain_words(asked: dict[str, object], words: str | None) -> None:
    good = {"mean": 121, "sd": 2, "declared": "120 g", "book": EU, "lot_size": 200}
    if words is None:  # a number in quotes is a number of grams
        chance_of_rejection(**good | asked)  # type: ignore[arg-type]
        return
    with pytest.raises(ValueError, match=words):
        chance_of_rejection(**good | asked)  # type: ignore[arg-type]


# Where the goods are found.
def test_three_settings() -> None:
    found = chance_by_setting(121, 2, "120 g", US, lot_size=108, sd_between=1, batches=4)
    assert found["lot_size"].tolist() == [108, 108, 12]
    assert found["weighed"].tolist() == [12, 12, 12]
    door, store, shelf = found["chance"]
    assert door == shelf == chance_of_rejection(121, 2, "120 g", US, lot_size=108, sd_between=1)
    mixed = chance_of_rejection(121, math.sqrt(4 + 0.75), "120 g", US, lot_size=108, sd_between=0.5)
    assert store == pytest.approx(mixed)


def test_another_test_in_every_setting() -> None:
    """Destructive: 20 of 100 or more; a shop shelf of 12 has no plan, and the note says so."""
    asked = {"lot_size": 108, "test": "destructive"}
    found = chance_by_setting(121, 3, "120 g", EU, sd_between=1, **asked)
    assert found["weighed"].tolist() == [20, 20, 0]
    door = chance_of_rejection(121, 3, "120 g", EU, sd_between=1, **asked)
    assert found["chance"].iloc[0] == door
    assert math.isnan(found["chance"].iloc[2])
    assert "no destructive sampling plan for a lot of 12" in found["note"].iloc[2]
    with pytest.raises(ValueError, match="no 'single' test"):
        chance_by_setting(121, 3, "120 g", EU, lot_size=108, test="single")


def test_mixing_all_batches_leaves_no_spread_between_lots() -> None:
    found = chance_by_setting(121, 2, "120 g", EU, lot_size=200, sd_between=2, batches=100_000)
    alike = chance_of_rejection(121, math.sqrt(8), "120 g", EU, lot_size=200)
    assert found["chance"].iloc[1] == pytest.approx(alike, rel=0.01)


@pytest.mark.parametrize("batches", [1, 0, 2.5, math.nan])
def test_what_is_not_several_batches_is_not_mixed(batches: int) -> None:
    with pytest.raises(ValueError, match="two or more"):
        chance_by_setting(121, 2, "120 g", EU, lot_size=200, batches=batches)


# Lots simulated and judged.
CASES = [
    *((EU, size) for size in (60, 200, 1000, 5000)),
    *((UK, size) for size in (60, 200, 1000, 5000)),
    *((US, size) for size in (2, 8, 108, 1000, 5000)),
    *((CA, size) for size in (8, 48, 100, 3000, 20_000)),
]


def plannable(book: str, size: int) -> bool:
    try:
        return qa.rulebook(book).plan(size).n > 0
    except ValueError:
        return False


CASES += [
    (book, size)
    for book in qa.rulebooks().index
    for size in (12, 60, 200, 1000)
    if book not in (EU, UK, US, CA) and plannable(book, size)
]
# The books' other tests: straight samples, and those whose mean is of fewer than are counted.
DE = "de-fpackv-2020"
OTHERS = [
    *((book, size, "destructive") for book in (EU, UK) for size in (200, 5000)),
    *((US, size, "category B") for size in (5, 108, 1000)),
    *((DE, size, "destructive") for size in (60, 200, 1000, 5000)),
    (DE, 200, "destructive e-marked"),
]
SINGLE = [(UK, size, "single") for size in (60, 200, 1000, 5000)]
GRID = [
    (mean, sd, between)
    for mean, sd in ((119.6, 2.0), (121.0, 3.0), (122.0, 5.0), (124.0, 4.0))
    for between in (0.0, 1.5)
]


def lots(
    plan: SamplingPlan, count: int, mean: float, sd: float, between: float
) -> NDArray[np.float64]:
    """Packages in the order they are drawn, one lot a row."""
    rng = np.random.default_rng(round(1e4 * mean + 1e3 * sd + 1e2 * between) + plan.lot_size)
    centre = rng.normal(mean, between, (count, 1)) if between else mean
    return rng.normal(centre, sd, (count, plan.n_all))


def rejected(plan: SamplingPlan, found: Limits, drawn: NDArray[np.float64]) -> NDArray[np.bool_]:
    """The plan read aloud, lot by lot."""
    fails = np.zeros(len(drawn), bool)
    if plan.mean_n is not None and plan.factor is not None:
        own = drawn[:, : plan.mean_n]
        spread = own.std(axis=1, ddof=1) if plan.factor else 0.0
        fails |= own.mean(axis=1) + plan.factor * spread < found.declared_g
    open_, end = ~fails & bool(plan.count_stages), 0
    for stage in plan.count_stages:
        end += stage.n
        short = (drawn[:, :end] < found.short_g).sum(axis=1)
        fails |= open_ & (short >= stage.reject)
        open_ &= (short > stage.accept) & (short < stage.reject)
    if plan.beyond_twice_reject is not None:
        fails |= (drawn[:, : plan.n] < found.twice_g).sum(axis=1) >= plan.beyond_twice_reject
    return fails | (drawn[:, : plan.n] > found.over_g).any(axis=1)


def judged(book: str, plan: SamplingPlan, drawn: NDArray[np.float64]) -> NDArray[np.bool_]:
    """By `judge_lots`; a first sample that leaves the count open goes on to the second."""
    said = {"declared": "120 g", "lot_size": plan.lot_size, "test": plan.test}
    found = limits("120 g", book)
    first = drawn[:, : plan.n]
    table = pd.DataFrame(
        {"batch": np.repeat(np.arange(len(first)), plan.n), "net_g": first.ravel()}
    )
    outcome = qa.judge_lots(table, book, **said)["outcome"]
    fails = (outcome == "reject").to_numpy(copy=True)
    more = (outcome == "too few").to_numpy()
    assert not more.any() or len(plan.count_stages) == 2
    assert set(outcome) <= {"accept", "reject", "too few"}
    if more.any():
        short = (drawn[more] < found.short_g).sum(axis=1)
        fails[more] = short >= plan.count_stages[1].reject
    return fails


def near(found: float, expected: float, count: int) -> bool:
    error = math.sqrt(max(expected * (1 - expected), 1 / count) / count)
    return abs(found - expected) <= 4 * error + STATED


@pytest.mark.parametrize(
    "book, size, test", [*((*case, "non-destructive") for case in CASES), *OTHERS, *SINGLE]
)
def test_simulated_lots_are_rejected_as_often(book: str, size: int, test: str) -> None:
    """4,000 seeded lots at each point of the grid, the plan applied lot by lot."""
    plan, found, count = inspected(qa.rulebook(book), size, test), limits("120 g", book), 4000
    off = {}
    for mean, sd, between in GRID:
        share = rejected(plan, found, lots(plan, count, mean, sd, between)).mean()
        expected = chance_of_rejection(
            mean, sd, "120 g", book, lot_size=size, sd_between=between, test=test
        )
        if not near(share, expected, count):
            off[mean, sd, between] = (share, expected)
    assert not off


@pytest.mark.parametrize("size", [200, 1000])
def test_the_single_plan_judged_lot_by_lot(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """
    The mean is of 30 (50) drawn at random from the 50 (80) counted, so `judge` takes the share of
    such draws; over 400 seeded lots it averages the chance.
    """
    monkeypatch.setattr("qa_tools.books.draws.DRAWS", 200)
    plan, asked = qa.rulebook(UK).plan(size, test="single"), {"lot_size": size, "test": "single"}
    for mean, sd in ((119.2, 3.0), (121.0, 4.0)):
        shares = []
        for net in lots(plan, 400, mean, sd, 0.0):
            draws = qa.judge(net, "120 g", UK, **asked).draws
            assert draws is not None
            shares.append(draws.reject)
        expected = chance_of_rejection(mean, sd, "120 g", UK, **asked)
        assert 0.1 < expected < 0.9
        error = np.std(shares) / math.sqrt(400)
        assert np.mean(shares) == pytest.approx(expected, abs=4 * error + STATED)


@pytest.mark.parametrize(
    "book, size, mean, sd", [(UK, 5000, 119.0, 2.5), (EU, 200, 119.4, 3.4), (CA, 3000, 119.2, 3.0)]
)
def test_tests_that_share_their_packages(book: str, size: int, mean: float, sd: float) -> None:
    """Where mean and counts both decide; 300,000 lots, a mean of 50 of the 80 counted (UK)."""
    plan, found = qa.rulebook(book).plan(size), limits("120 g", book)
    rng, shares = np.random.default_rng(5), []
    for _ in range(10):
        shares.append(rejected(plan, found, rng.normal(mean, sd, (30_000, plan.n_all))).mean())
    expected = rejection_by_test(mean, sd, "120 g", book, lot_size=size)
    assert near(float(np.mean(shares)), expected.any, 300_000)
    apart = expected.mean + expected.count - expected.mean * expected.count
    assert abs(expected.any - apart) > 0.01  # as if each test had packages of its own


@pytest.mark.parametrize(
    "book, size, test",
    [
        *((book, size, "non-destructive") for book, size in ((EU, 200), (UK, 60), (CA, 3000))),
        (US, 108, "non-destructive"),
        *OTHERS,
        (UK, 60, "single"),
    ],
)
def test_the_simulated_plan_is_the_one_judge_lots_applies(book: str, size: int, test: str) -> None:
    plan = qa.rulebook(book).plan(size, test=test)
    drawn = lots(plan, 500, 121.0, 4.0, 1.5)
    assert (judged(book, plan, drawn) == rejected(plan, limits("120 g", book), drawn)).all()


AT_LENGTH = [
    *[(EU, 200), (UK, 200), (UK, 60), (US, 108), (CA, 3000)],
    *[(DE, 200), ("oiml-r87-2004", 200), ("au-aqs", 150), ("au-ordinary", 50)],
    *[("nz-7a", 30), ("nz-7a", 200), ("jp-guideline", 96)],
]


@pytest.mark.slow
@pytest.mark.parametrize(
    "book, size, test", [*((*case, "non-destructive") for case in AT_LENGTH), *OTHERS]
)
def test_200_000_lots_a_book_judged_by_judge_lots(book: str, size: int, test: str) -> None:
    plan, count = inspected(qa.rulebook(book), size, test), 25_000
    off = {}
    for mean, sd, between in GRID:
        share = judged(book, plan, lots(plan, count, mean, sd, between)).mean()
        expected = chance_of_rejection(
            mean, sd, "120 g", book, lot_size=size, sd_between=between, test=test
        )
        if not near(share, expected, count):
            off[mean, sd, between] = (share, expected)
    assert not off


def test_it_imports_neither_pandas_nor_scipy_stats() -> None:
    code = (
        "import sys; from qa_tools.books.chance import chance_of_rejection as c;"
        "c(121, 2, '120 g', 'us-hb133', lot_size=108, sd_between=1);"
        "print([m for m in ('pandas', 'scipy.stats') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
