"""Council Directive 76/211/EEC, consolidated text of 26.07.2019: Annex I 1 and 2, Annex II 2."""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, Decimal

import pytest

import qa_tools as qa
from qa_tools.books.limits import limits
from qa_tools.books.plans import NoPlan

D = Decimal

# Annex I 2.4: upper bound in g, then a percentage or grams. Adjacent rows agree at every bound.
ROWS = [
    (50, "9 %"),
    (100, "4.5 g"),
    (200, "4.5 %"),
    (300, "9 g"),
    (500, "3 %"),
    (1000, "15 g"),
    (10000, "1.5 %"),
]
# The sheet's look-up values (2.2): declared, TNE, Q - TNE, Q - 2 TNE.
LOOKUP = """
5 0.5 4.5 4.0
25 2.3 22.7 20.4
30 2.7 27.3 24.6
50 4.5 45.5 41.0
85 4.5 80.5 76.0
100 4.5 95.5 91.0
110 5.0 105.0 100.0
125 5.7 119.3 113.6
150 6.8 143.2 136.4
200 9.0 191.0 182.0
250 9 241 232
340 10.2 329.8 319.6
500 15.0 485.0 470.0
1000 15 985 970
"""
# Annex II 2.2.1: lots from, to; n, accept, reject of both stages; 2.3.1: n and k of the mean.
DOUBLE = [
    (100, 500, (30, 1, 3), (30, 4, 5), 30, 0.503),
    (501, 3200, (50, 2, 5), (50, 6, 7), 50, 0.379),
    (3201, 10_000, (80, 3, 7), (80, 8, 9), 50, 0.379),
]
NAMES = ["eu-76-211", "uk-2006-659"]  # SI 2006/659 Schedules 2 and 3 have the same figures


def up_to_a_tenth(amount: Decimal) -> Decimal:
    return amount.quantize(D("0.1"), ROUND_CEILING)


def expected(grams: Decimal) -> Decimal:
    rule = next(rule for upper, rule in ROWS if grams <= upper)
    number, unit = rule.split()
    return D(number) if unit == "g" else up_to_a_tenth(grams * D(number) / 100)


@pytest.mark.parametrize("name", NAMES)
def test_look_up_values(name: str) -> None:
    for line in LOOKUP.split("\n")[1:-1]:
        declared, *figures = line.split()
        found = limits(f"{declared} g", name)
        assert [found.tolerance_g, found.short_g, found.twice_g] == [float(f) for f in figures]


@pytest.mark.parametrize("name", NAMES)
def test_every_row_at_and_beside_every_bound(name: str) -> None:
    book = qa.rulebook(name)
    bounds = [D(upper) for upper, _ in ROWS]
    sizes = [D(5), *(b + step for b in bounds for step in (D("-0.1"), D(0), D("0.1")))]
    for grams in sizes:
        if grams <= 10_000:
            assert book.tolerance(grams).grams == expected(grams), grams


@pytest.mark.parametrize("name", NAMES)
def test_percentages_are_rounded_up_to_the_next_tenth_exactly(name: str) -> None:
    """Every whole gram, and 62.5 g and other decimals; 1 250 g gives 18.8, not 19 (2.1)."""
    book = qa.rulebook(name)
    for grams in [*map(D, range(5, 1200)), *map(D, range(1200, 10_001, 37))]:
        assert book.tolerance(grams).grams == expected(grams), grams
    for text, tne in (("62.5", "4.5"), ("22.5", "2.1"), ("111.1", "5.0"), ("111.2", "5.1")):
        assert book.tolerance(f"{text} g").grams == D(tne)
    assert book.tolerable_deficiency("1250 g") == 18.8
    assert book.tolerable_deficiency("1.25 kg") == 18.8


def test_the_e_mark_covers_5_g_to_10_kg() -> None:
    book = qa.rulebook("eu-76-211")
    assert book.tolerable_deficiency("5 g") == 0.5
    assert book.tolerable_deficiency("10 kg") == 150
    for outside in ("4.9 g", "10.1 kg"):
        with pytest.raises(ValueError, match="outside eu-76-211"):
            book.tolerable_deficiency(outside)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("low, high, first, second, mean_n, factor", DOUBLE)
def test_double_plan_and_mean_rows(
    name: str,
    low: int,
    high: int,
    first: tuple[int, int, int],
    second: tuple[int, int, int],
    mean_n: int,
    factor: float,
) -> None:
    for size in (low, high):
        plan = qa.rulebook(name).plan(size)
        assert [tuple(stage) for stage in plan.count_stages] == [first, second]
        assert (plan.n, plan.mean_n, plan.factor) == (first[0], mean_n, factor)
        assert plan.sample == "exactly"
        assert plan.n_all == first[0] + second[0]


@pytest.mark.parametrize("name", NAMES)
def test_destructive_plan(name: str) -> None:
    """Annex II 2.2.2 and 2.3: n = 20, accept 1, reject 2, k = 0.640, from 100 packages up."""
    for size in (100, 10_000):
        plan = qa.rulebook(name).plan(size, test="destructive")
        assert [tuple(stage) for stage in plan.count_stages] == [(20, 1, 2)]
        assert (plan.n, plan.mean_n, plan.factor) == (20, 20, 0.640)
    with pytest.raises(NoPlan):
        qa.rulebook(name).plan(99, test="destructive")


@pytest.mark.parametrize("name", NAMES)
def test_printed_factors_are_t_at_0_995_over_root_n(name: str) -> None:
    """The sheet's section 6: exact 0.63972, 0.50324, 0.37900; printed within 0.0005."""
    book = qa.rulebook(name)
    exact = {20: 0.63972, 30: 0.50324, 50: 0.37900}
    for plan in (book.plan(100, test="destructive"), book.plan(100), book.plan(501)):
        assert plan.exact_factor == pytest.approx(exact[plan.mean_n or 0], abs=5e-6)
        assert abs((plan.factor or 0) - (plan.exact_factor or 0)) < 0.0005


def test_under_100_every_package_and_the_plain_mean() -> None:
    """Annex II 1.4 and 2.3: whole lot, no allowance, and the Directive has no count there."""
    for size in (1, 99):
        plan = qa.rulebook("eu-76-211").plan(size)
        assert (plan.sample, plan.n, plan.factor, plan.count_stages) == ("whole lot", size, 0, ())
    bars = [114.0] * 9 + [121.0] * 90  # nine of 99 beyond the TNE of 5.4 g, mean above 120
    assert qa.judge(bars, "120 g", "eu-76-211", lot_size=99).outcome == "accept"
    assert qa.judge([120.0] * 98, "120 g", "eu-76-211", lot_size=99).outcome == "too few"
    assert qa.judge([120.0] * 98 + [119.9], "120 g", "eu-76-211", lot_size=99).outcome == "reject"
    assert qa.judge([120.0] * 99, "120 g", "eu-76-211", lot_size=99).outcome == "accept"


def test_under_100_the_plain_mean_is_second_hand() -> None:
    """Read in SI 2006/659 Schedule 2 paragraph 4.7 and the French order, not in the Directive."""
    book = qa.rulebook("eu-76-211")
    assert {figure.grade for figure in book.plan(99).figures} == {"second-hand"}
    assert {figure.grade for figure in book.plan(100).figures} == {"read"}
    assert {figure.grade for figure in qa.rulebook("uk-2006-659").plan(99).figures} == {"read"}


def judged(light: int, light_g: float, rest_g: float, n: int = 30, lot: int = 200) -> qa.Verdict:
    return qa.judge([light_g] * light + [rest_g] * (n - light), "120 g", "eu-76-211", lot_size=lot)


@pytest.mark.parametrize("light, outcome", [(0, "accept"), (1, "accept"), (2, "too few"),
                                            (3, "reject"), (4, "reject")])  # fmt: skip
def test_the_first_stage_accepts_asks_or_rejects(light: int, outcome: str) -> None:
    """30 of 100 to 500: accept at 1, second sample at 2, reject at 3; TNE of 120 g is 5.4 g."""
    assert judged(light, 114.5, 122.0).outcome == outcome


def test_exactly_the_tne_is_not_defective() -> None:
    """Defective is strictly less than Q - TNE: 114.6 g is not."""
    assert judged(10, 114.6, 125.0).outcome == "accept"
    assert judged(10, 114.5, 125.0).outcome == "reject"


def test_beyond_twice_the_tne_is_counted_as_defective_too() -> None:
    """Q - 2 TNE is 109.2 g: such packages are defective as well, and strictly beyond is pulled."""
    verdict = judged(3, 109.0, 125.0)
    assert verdict.outcome == "reject"
    assert verdict.pull == (0, 1, 2)
    assert judged(1, 109.2, 122.0).pull == ()


def test_one_beyond_twice_the_tne_passes_the_test_and_must_be_pulled() -> None:
    """Annex I 1.3 is no part of the reference test (Annex II): accept, but not to ship yet."""
    verdict = judged(1, 109.1, 122.0)
    assert (verdict.outcome, verdict.pull, verdict.may_ship) == ("accept", (0,), False)
    assert judged(0, 0, 122.0).may_ship


def test_mean_at_least_q_less_k_s() -> None:
    """Annex II 2.3.1, by hand: 15 at m + 2 and 15 at m - 2 g, s = sqrt(120/29), k s = 1.0232 g."""
    allowance = 0.503 * math.sqrt(30 * 4 / 29)
    assert allowance == pytest.approx(1.0232, abs=5e-5)
    for shift, outcome in ((-1.02, "accept"), (-1.03, "reject"), (0.0, "accept")):
        bars = [120 + shift + 2] * 15 + [120 + shift - 2] * 15
        assert qa.judge(bars, "120 g", "eu-76-211", lot_size=200).outcome == outcome
    exact = [120 - allowance + 2] * 15 + [120 - allowance - 2] * 15
    assert qa.judge(exact, "120 g", "eu-76-211", lot_size=200).outcome == "accept"  # >= accepts


def test_a_pass_below_the_label_is_never_said_alone() -> None:
    bars = [119.5 + 2] * 15 + [119.5 - 2] * 15
    verdict = qa.judge(bars, "120 g", "eu-76-211", lot_size=200)
    assert verdict.outcome == "accept"
    assert "averages 0.5 g short" in verdict.headline
    assert "averages 0.5 g short" in str(verdict)


def test_goods_are_judged_when_packed() -> None:
    assert qa.rulebook("eu-76-211").judged_at == "packing"


def test_under_100_the_mean_rests_on_what_carries_the_directive_out() -> None:
    """Annex II 1.4 has each package measured; 2.3, with its factors, is for samples."""
    verdict = qa.judge([121.0] * 50, "120 g", "eu-76-211", lot_size=50)
    assert [row.clause for row in verdict.rows] == [
        "Annex II 1.4, as SI 2006/659 Schedule 2 paragraph 4.7 carries it out"
    ]
    assert verdict.plan is not None and verdict.plan.figures[0].grade == "second-hand"
    assert verdict.plan.figures[0].clause == verdict.rows[0].clause
    larger = qa.judge([121.0] * 30, "120 g", "eu-76-211", lot_size=100)
    assert [row.clause for row in larger.rows] == ["Annex II 2.3", "Annex II 2.2"]
