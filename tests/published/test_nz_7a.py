"""New Zealand, Weights and Measures Regulations 1999, regulation 84B and Schedule 7A."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from scipy.stats import t

import qa_tools as qa
from qa_tools.books.plans import NoPlan

BOOK = "nz-7a"
# Schedule 7A Table 1: lots from and to, least sample, factor, non-standard packs permitted; and
# what the sheet computes the factor from: the top of the lot band.
TABLE_1 = [
    (13, 39, 12, 0.746, 0, 39),
    (40, 79, 12, 0.826, 1, 79),
    (80, 149, 12, 0.860, 2, 149),
    (150, 399, 32, 0.465, 3, 399),
    (400, 4000, 32, 0.483, 4, 4000),
    (4001, 90_000, 80, 0.295, 6, None),
]
TABLE_2 = [(50, "9 %"), (100, "4.5"), (200, "4.5 %"), (300, "9"), (500, "3 %"), (1000, "15"),
           (10_000, "1.5 %"), (15_000, "150"), (10**8, "1 %")]  # fmt: skip


@pytest.mark.parametrize("low, high, n, factor, permitted, top", TABLE_1)
def test_table_1(
    low: int, high: int, n: int, factor: float, permitted: int, top: int | None
) -> None:
    exact = t.ppf(0.995, n - 1) / math.sqrt(n) * (math.sqrt(1 - n / top) if top else 1)
    assert round(exact, 3) == factor
    for size in (low, high):
        plan = qa.rulebook(BOOK).plan(size)
        assert (plan.sample, plan.n, plan.mean_n, plan.factor) == ("at least", n, n, factor)
        assert [tuple(stage) for stage in plan.count_stages] == [(n, permitted, permitted + 1)]
        assert plan.exact_factor == pytest.approx(exact)
        assert plan.beyond_twice_reject == 1
        assert plan.figures[0].grade == ("from memory" if plan.factor else "read")


@pytest.mark.parametrize("printed, n, top", [(0.7460, 12, 39), (0.8257, 12, 79), (0.8597, 12, 149),
                                             (0.4652, 32, 399), (0.4831, 32, 4000)])  # fmt: skip
def test_the_sheet_s_own_computation(printed: float, n: int, top: int) -> None:
    assert qa.rulebook(BOOK).plan(top).exact_factor == pytest.approx(printed, abs=5.1e-5)
    # the other correction, sqrt((N - n)/(N - 1)), does not fit: 0.7557 for 39, 0.8309 for 79
    other = t.ppf(0.995, n - 1) / math.sqrt(n) * math.sqrt((top - n) / (top - 1))
    assert top > 79 or round(other, 4) == {39: 0.7557, 79: 0.8309}[top]


def test_lots_of_2_to_12_are_weighed_whole() -> None:
    for size in (2, 7, 12):
        plan = qa.rulebook(BOOK).plan(size)
        assert (plan.sample, plan.n, plan.factor) == ("whole lot", size, 0)
        assert [tuple(stage) for stage in plan.count_stages] == [(size, 0, 1)]
    with pytest.raises(NoPlan, match="starts at 2"):
        qa.rulebook(BOOK).plan(1)


def test_a_larger_sample_takes_the_same_formula_at_its_own_size() -> None:
    plan = qa.rulebook(BOOK).plan(130, n=40)
    assert plan.factor == pytest.approx(t.ppf(0.995, 39) / math.sqrt(40) * math.sqrt(1 - 40 / 149))
    assert [tuple(stage) for stage in plan.count_stages] == [(40, 2, 3)]
    assert plan.figures[0].grade == "from memory"
    assert qa.rulebook(BOOK).plan(130, n=130).factor == 0


def test_table_2_without_rounding() -> None:
    book = qa.rulebook(BOOK)
    for grams in [Decimal(b) + Decimal(d) for b, _ in TABLE_2 for d in ("-0.3", "0", "0.3")]:
        rule = next((rule for upper, rule in TABLE_2 if grams <= upper), "1 %")
        number = Decimal(rule.split()[0])
        share = grams * number / 100 if "%" in rule else number
        assert book.tolerance(grams).grams == share, grams


def judged(errors: list[float], size: int = 100) -> qa.Verdict:
    return qa.judge([120 + error for error in errors], "120 g", BOOK, lot_size=size)


def test_weighted_average() -> None:
    """By hand: six at m + 3 and six at m - 3 g, s = sqrt(12 * 9 / 11), 0.860 s = 2.6947 g."""
    spread = [3.0] * 6 + [-3.0] * 6
    assert 0.860 * math.sqrt(12 * 9 / 11) == pytest.approx(2.6947, abs=5e-5)
    # 4.5 % of 120 g is 5.4 g: at 5.69 g short six are non-standard; so judge by the mean row
    for shift, outcome in ((-2.69, "accept"), (-2.70, "reject")):
        verdict = judged([error + shift for error in spread])
        assert verdict.rows[0].outcome == outcome


@pytest.mark.parametrize("light, outcome", [(2, "accept"), (3, "reject")])
def test_non_standard_packs_permitted(light: int, outcome: str) -> None:
    """Lots of 80 to 149: two of twelve; exactly T short is not non-standard."""
    assert judged([-5.41] * light + [9.0] * (12 - light)).outcome == outcome
    assert judged([-5.4] * light + [9.0] * (12 - light)).outcome == "accept"


def test_no_inadequate_pack() -> None:
    """Short by more than 2T: one fails the lot, exactly 2T is non-standard only."""
    assert judged([-10.8] + [9.0] * 11).outcome == "accept"
    verdict = judged([-10.9] + [9.0] * 11)
    assert [row.outcome for row in verdict.rows] == ["accept", "accept", "reject"]


def test_drying_defences_are_named() -> None:
    drying = qa.rulebook(BOOK).drying
    assert "16A(4)" in drying and "16A(5)" in drying and "7 days" in drying
