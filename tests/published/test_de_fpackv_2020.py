"""Fertigpackungsverordnung of 18 November 2020: Anlage 3 no. 3, paragraphs 6(2) and 9(3)."""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, Decimal

import numpy as np
import pytest
from scipy.stats import binom, t

import qa_tools as qa
from qa_tools.books.plans import NoPlan

BOOK = "de-fpackv-2020"
# Anlage 3 no. 3: test, lots from and to, n, accept, reject, factor.
PLANS = [
    ("non-destructive", 100, 500, 50, 3, 4, 0.379),
    ("non-destructive", 501, 3200, 80, 5, 6, 0.295),
    ("non-destructive", 3201, 10_000, 125, 7, 8, 0.234),
    ("non-destructive", 10_001, 90_000, 160, 8, 9, 0.207),
    ("destructive", 10, 99, 5, 0, 1, 2.058),
    ("destructive", 100, 500, 8, 0, 1, 1.237),
    ("destructive", 501, 3200, 13, 1, 2, 0.847),
    ("destructive", 3201, 10_000, 20, 1, 2, 0.640),
    ("destructive", 10_001, 90_000, 30, 2, 3, 0.503),
    ("destructive e-marked", 100, 90_000, 20, 1, 2, 0.640),
]
# Section 6 of the sheet: n, t(0.995), exact factor.
EXACT = {5: (4.6041, 2.05901), 8: (3.4995, 1.23725), 13: (3.0545, 0.84718), 20: (2.8609, 0.63972),
         30: (2.7564, 0.50324), 50: (2.6800, 0.37900), 80: (2.6395, 0.29511),
         125: (2.6161, 0.23399), 160: (2.6071, 0.20611)}  # fmt: skip
# Section 7: acceptance against the true share beyond T, endless lot.
SHARES = [0.01, 0.02, 0.025, 0.03, 0.05, 0.07, 0.09, 0.10, 0.15]
ACCEPTANCE = {
    (160, 8): [1.0000, 0.9948, 0.9801, 0.9470, 0.5926, 0.2050, 0.0435, 0.0174, 0.0001],
    (5, 0): [0.9510, 0.9039, 0.8811, 0.8587, 0.7738, 0.6957, 0.6240, 0.5905, 0.4437],
    (8, 0): [0.9227, 0.8508, 0.8167, 0.7837, 0.6634, 0.5596, 0.4703, 0.4305, 0.2725],
    (13, 1): [0.9928, 0.9730, 0.9594, 0.9436, 0.8646, 0.7702, 0.6707, 0.6213, 0.3983],
}


@pytest.mark.parametrize("test, low, high, n, accept, reject, factor", PLANS)
def test_plan_rows(
    test: str, low: int, high: int, n: int, accept: int, reject: int, factor: float
) -> None:
    for size in (low, high):
        plan = qa.rulebook(BOOK).plan(size, test=test)
        assert [tuple(stage) for stage in plan.count_stages] == [(n, accept, reject)]
        assert (plan.sample, plan.n, plan.mean_n, plan.factor) == ("exactly", n, n, factor)
        assert plan.beyond_twice_reject is None
        assert plan.figures[0].grade == "read"


@pytest.mark.parametrize("test, low, high, n, accept, reject, factor", PLANS)
def test_printed_factors_against_students_t(
    test: str, low: int, high: int, n: int, accept: int, reject: int, factor: float
) -> None:
    """k = t(0.995, n-1)/sqrt(n); the sheet: 5 is printed 0.001 low and 160 is 0.001 high."""
    value, exact = EXACT[n]
    assert t.ppf(0.995, n - 1) == pytest.approx(value, abs=5.1e-5)
    plan = qa.rulebook(BOOK).plan(low, test=test)
    assert plan.exact_factor == pytest.approx(exact, abs=5.1e-6)
    assert (plan.exact_factor or 0) == pytest.approx(t.ppf(0.995, n - 1) / math.sqrt(n))
    assert (round(exact, 3) == factor) == (n not in (5, 160))
    assert abs(exact - factor) < 0.00102


@pytest.mark.parametrize("n, accept", ACCEPTANCE)
def test_operating_characteristics(n: int, accept: int) -> None:
    test, low = next((row[0], row[1]) for row in PLANS if (row[3], row[4]) == (n, accept))
    stage = qa.rulebook(BOOK).plan(low, test=test).count_stages[0]
    found = [binom.cdf(stage.accept, stage.n, share) for share in SHARES]
    assert found == pytest.approx(ACCEPTANCE[n, accept], abs=5.1e-5)


@pytest.mark.parametrize("size, allowed", [(10, 0), (49, 0), (50, 1), (99, 1)])
def test_from_10_to_99_all_are_weighed_and_more_than_2_percent_fails(
    size: int, allowed: int
) -> None:
    """3 b); the sheet: none of fewer than 50, one of 50 to 99. T of 120 g is 5.4 g."""
    plan = qa.rulebook(BOOK).plan(size)
    assert (plan.sample, plan.n, plan.mean_n, plan.factor) == ("whole lot", size, size, 0)
    for light in (allowed, allowed + 1):
        bars = [114.5] * light + [122.0] * (size - light)
        outcome = qa.judge(bars, "120 g", BOOK, lot_size=size).outcome
        assert outcome == ("accept" if light == allowed else "reject")
    assert qa.judge([119.9] * size, "120 g", BOOK, lot_size=size).outcome == "reject"
    assert qa.judge([120.0] * size, "120 g", BOOK, lot_size=size).outcome == "accept"


def test_fewer_than_10_are_held_to_twice_t_alone() -> None:
    plan = qa.rulebook(BOOK).plan(9)
    assert (plan.count_stages, plan.factor, plan.beyond_twice_reject) == ((), None, 1)
    light = [109.2] * 9  # exactly Q - 2T, and the average far short
    assert qa.judge(light, "120 g", BOOK, lot_size=9).outcome == "accept"
    verdict = qa.judge([*light[:8], 109.1], "120 g", BOOK, lot_size=9)
    assert (verdict.outcome, verdict.pull) == ("reject", (8,))
    assert [row.outcome for row in verdict.rows] == ["reject"]
    assert qa.judge(light[:8], "120 g", BOOK, lot_size=9).outcome == "too few"


def test_destructive_tests_start_at_10() -> None:
    with pytest.raises(NoPlan):
        qa.rulebook(BOOK).plan(9, test="destructive")


def test_mean_plus_factor_times_sd_reaches_the_label() -> None:
    """By hand: 25 at m + 2 and 25 at m - 2 g, s = sqrt(200/49), 0.379 s = 0.7657 g."""
    assert 0.379 * math.sqrt(200 / 49) == pytest.approx(0.7657, abs=5e-5)
    for shift, outcome in ((-0.76, "accept"), (-0.77, "reject")):
        bars = [120 + shift + 2] * 25 + [120 + shift - 2] * 25
        verdict = qa.judge(bars, "120 g", BOOK, lot_size=200)
        assert verdict.outcome == outcome
        row = verdict.rows[0]
        assert row.measured == pytest.approx(np.mean(bars) + 0.7657, abs=1e-3)
        assert row.limit == 120


def test_tolerable_deficiency_is_rounded_up_to_a_tenth() -> None:
    """The EU's rows; 9(3): rounding. 18 % for 5 to 50 g is twice the 9 % there."""
    book = qa.rulebook(BOOK)
    rows = [(50, "9"), (100, 4.5), (200, "4.5"), (300, 9), (500, "3"), (1000, 15), (10_000, "1.5")]
    sizes = [Decimal(5), *(Decimal(b) + Decimal(d) for b, _ in rows for d in ("-0.3", "0", "0.3"))]
    for grams in sizes:
        if grams > 10_000:
            continue
        rule = next(rule for upper, rule in rows if grams <= upper)
        share = grams * Decimal(rule) / 100 if isinstance(rule, str) else Decimal(str(rule))
        assert book.tolerance(grams).grams == share.quantize(Decimal("0.1"), ROUND_CEILING), grams
    assert 2 * book.tolerable_deficiency("50 g") == 0.18 * 50


def test_beyond_twice_is_not_fit_for_sale() -> None:
    verdict = qa.judge([109.1] + [123.0] * 49, "120 g", BOOK, lot_size=200)
    assert (verdict.outcome, verdict.pull, verdict.may_ship) == ("accept", (0,), False)


def test_soap_is_judged_after_shaping_and_the_book_says_what_that_leaves_open() -> None:
    assert "one hour after shaping" in qa.rulebook(BOOK).drying
