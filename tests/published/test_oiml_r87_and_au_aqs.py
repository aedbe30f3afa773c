"""
OIML R 87:2004 and Australia's Average Quantity System, which implements it.

National Trade Measurement Regulations 2009 (Cth) regs 4.34 and 4.36; Codex CCMAS REP17/MAS
Appendix VII; the official guide's examples of AQS testing, Table 3.
"""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, Decimal

import pytest
from scipy.stats import t

import qa_tools as qa
from qa_tools.books.limits import limits

D = Decimal
NAMES = ["oiml-r87-2004", "au-aqs"]
# Lots from and to, n, correction factor, T1 errors allowed (4.1; regulation 4.34).
PLANS = [(100, 500, 50, 0.379, 3), (501, 3200, 80, 0.295, 5), (3201, 90_000, 125, 0.234, 7)]
ROWS = [(50, "9 %"), (100, "4.5"), (200, "4.5 %"), (300, "9"), (500, "3 %"), (1000, "15"),
        (10_000, "1.5 %"), (15_000, "150"), (50_000, "1 %")]  # fmt: skip
# The sheet's look-up values, 2.2: declared, T, Q - T, Q - 2T.
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


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("low, high, n, factor, allowed", PLANS)
def test_plan_rows(name: str, low: int, high: int, n: int, factor: float, allowed: int) -> None:
    for size in (low, high):
        plan = qa.rulebook(name).plan(size)
        assert [tuple(stage) for stage in plan.count_stages] == [(n, allowed, allowed + 1)]
        assert (plan.sample, plan.n, plan.mean_n, plan.factor) == ("exactly", n, n, factor)
        assert plan.beyond_twice_reject == 1
        assert plan.exact_factor == pytest.approx(t.ppf(0.995, n - 1) / math.sqrt(n))
        assert round(plan.exact_factor or 0, 3) == factor


def test_grades_say_how_the_plans_are_known() -> None:
    """The upper bounds of the second and third row of regulation 4.34 are from memory."""
    for size, grade in ((100, "second-hand"), (501, "from memory"), (3201, "from memory")):
        assert qa.rulebook("au-aqs").plan(size).figures[0].grade == grade
        assert qa.rulebook("oiml-r87-2004").plan(size).figures[0].grade == "second-hand"
    assert qa.rulebook("au-aqs").tolerance("120 g").figure.grade == "read"
    assert qa.rulebook("oiml-r87-2004").tolerance("120 g").figure.grade == "second-hand"


@pytest.mark.parametrize("name", NAMES)
def test_look_up_values(name: str) -> None:
    for line in LOOKUP.split("\n")[1:-1]:
        declared, *figures = line.split()
        found = limits(f"{declared} g", name)
        assert [found.tolerance_g, found.short_g, found.twice_g] == [float(f) for f in figures]


@pytest.mark.parametrize("name", NAMES)
def test_rows_and_rounding_at_and_beside_every_bound(name: str) -> None:
    """Up to the next 0.1 g up to 1 000 g, to the next whole gram above (2.1; regulation 4.36)."""
    book = qa.rulebook(name)
    for grams in [D(b) + D(d) for b, _ in ROWS for d in ("-0.3", "0", "0.3")]:
        if grams > 50_000:
            continue
        rule = next(rule for upper, rule in ROWS if grams <= upper)
        number = D(rule.split()[0])
        step = D("0.1") if grams <= 1000 else D(1)
        share = (grams * number / 100 / step).to_integral_value(ROUND_CEILING) * step
        assert book.tolerance(grams).grams == (share if "%" in rule else number), grams
    assert book.tolerable_deficiency("1250 g") == 19  # 18.8 in the EU
    with pytest.raises(ValueError, match="outside"):
        book.tolerable_deficiency("50.1 kg")


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("pieces, allowed", [(1, 0), (50, 0), (51, 1), (100, 1), (101, 2),
                                             (200, 2), (201, 3)])  # fmt: skip
def test_count(name: str, pieces: int, allowed: int) -> None:
    """2.3: up to 50 items none, above 1 % rounded up to a whole item."""
    assert qa.rulebook(name).tolerable_pieces(pieces) == allowed


def butter(t1: int, t2: int, mean: float = 501.0) -> list[float]:
    """125 packs of 500 g with so many T1 and T2 errors and the average asked for."""
    light = [480.0] * t1 + [469.9] * t2
    rest = (125 * mean - sum(light)) / (125 - len(light))
    return [*light, *[rest] * (125 - len(light))]


def test_official_example_of_aqs_testing() -> None:
    """AU2 Table 3, first row: butter 500 g, lot of 3 500, mean 501 g, two T1 errors, no T2."""
    for name in NAMES:
        verdict = qa.judge(butter(2, 0), "500 g", name, lot_size=3500)
        assert (verdict.own.n, verdict.own.short, verdict.own.short_twice) == (125, 2, 0)
        assert verdict.own.mean == pytest.approx(501)
        assert [row.outcome for row in verdict.rows] == ["accept"] * 3
        assert verdict.outcome == "accept"


@pytest.mark.parametrize("t1, t2, outcome", [(7, 0, "accept"), (8, 0, "reject"), (0, 1, "reject")])
def test_t1_errors_up_to_seven_and_no_t2_error(t1: int, t2: int, outcome: str) -> None:
    assert qa.judge(butter(t1, t2), "500 g", "au-aqs", lot_size=3500).outcome == outcome


def test_negative_average_error_within_factor_times_sd() -> None:
    """Codex: 25 at m + 2 and 25 at m - 2 g, SCF s = 0.379 sqrt(200/49) = 0.7657 g."""
    for shift, outcome in ((-0.76, "accept"), (-0.77, "reject"), (0.0, "accept")):
        bars = [120 + shift + 2] * 25 + [120 + shift - 2] * 25
        verdict = qa.judge(bars, "120 g", "oiml-r87-2004", lot_size=150)
        assert verdict.outcome == outcome
        assert (verdict.rows[0].measured, verdict.rows[0].limit) == (
            pytest.approx(shift, abs=1e-3), pytest.approx(-0.766, abs=1e-3),
        )  # fmt: skip
