"""
NIST Handbook 133 (2026), Category A, as the works' reference sheet of US facts restates it.

Chapter 2 was read in full; the tables of Appendix A are from memory there, so what is compared
here is the sheet's memory, row by row, with the formulas that the sheet checks it against.
"""

from __future__ import annotations

import math
from decimal import ROUND_DOWN, Decimal

import pytest

import qa_tools as qa
from qa_tools.books.limits import limits
from qa_tools.readings.quantities import Quantity

POUND = Decimal("453.59237")  # Handbook 44 (2014) Appendix C, exact
D = Decimal

# Appendix A Table 2-5: upper bound in g, upper bound in lb, MAV in g, MAV in lb.
TABLE_2_5 = [
    ("54", "0.12", "3.6", "0.008"),
    ("81", "0.18", "5.4", "0.012"),
    ("117", "0.26", "7.2", "0.016"),
    ("154", "0.34", "9.0", "0.020"),
    ("208", "0.46", "10.8", "0.024"),
    ("263", "0.58", "12.7", "0.028"),
    ("317", "0.70", "14.5", "0.032"),
    ("381", "0.84", "16.3", "0.036"),
    ("426", "0.94", "18.1", "0.040"),
    ("489", "1.08", "19.9", "0.044"),
    ("571", "1.26", "21.7", "0.048"),
    ("635", "1.40", "23.5", "0.052"),
    ("698", "1.54", "25.4", "0.056"),
    ("771", "1.70", "27.2", "0.060"),
    ("852", "1.88", "29.0", "0.064"),
    ("970", "2.14", "31.7", "0.070"),
    ("1120", "2.48", "35.3", "0.078"),
    ("1250", "2.76", "39.0", "0.086"),
    ("1450", "3.20", "42.6", "0.094"),
    ("1760", "3.90", "49", "0.11"),
    ("2130", "4.70", "54", "0.12"),
    ("2630", "5.80", "63", "0.14"),
    ("3080", "6.80", "68", "0.15"),
    ("3580", "7.90", "77", "0.17"),
    ("4260", "9.40", "86", "0.19"),
    ("5300", "11.70", "99", "0.22"),
    ("6480", "14.30", "113", "0.25"),
    ("8020", "17.70", "127", "0.28"),
    ("10520", "23.20", "140", "0.31"),
    ("14330", "31.60", "167", "0.37"),
    ("19230", "42.40", "199", "0.44"),
    ("24670", "54.40", "226", "0.50"),
]
# Appendix A Table 2-1: lots from, to, sample, factor, allowed beyond the MAV.
TABLE_2_1 = [
    (2, 2, 2, 8.985, 0),
    (3, 3, 3, 2.484, 0),
    (4, 4, 4, 1.591, 0),
    (5, 5, 5, 1.241, 0),
    (6, 6, 6, 1.050, 0),
    (7, 7, 7, 0.925, 0),
    (8, 8, 8, 0.836, 0),
    (9, 9, 9, 0.769, 0),
    (10, 10, 10, 0.715, 0),
    (11, 11, 11, 0.672, 0),
    (12, 250, 12, 0.635, 0),
    (251, 3200, 24, 0.422, 0),
    (3201, 50_000, 48, 0.290, 1),
]
# t(0.975, n - 1) / sqrt(n), computed in the sheet (2.2 and 9.1).
EXACT = {
    2: 8.98464, 3: 2.48414, 4: 1.59122, 5: 1.24166, 6: 1.04944, 7: 0.92485, 8: 0.83602,
    9: 0.76867, 10: 0.71536, 11: 0.67181, 12: 0.63537, 24: 0.42226, 48: 0.29037,
}  # fmt: skip


@pytest.fixture(scope="module")
def book() -> qa.RuleBook:
    return qa.rulebook("us-hb133")


def mav(book: qa.RuleBook, declared: str) -> Decimal:
    number, unit = declared.split()  # "2.481" alone could be read two ways, so give the number
    return book.tolerance(Quantity(D(number), unit)).grams


@pytest.mark.parametrize("row", range(len(TABLE_2_5)))
def test_mav_table_in_both_columns_up_to_and_past_every_bound(book: qa.RuleBook, row: int) -> None:
    """Table 2-5: a label exactly at an upper bound stays in its row, anything above leaves it."""
    grams, pounds, mav_g, mav_lb = TABLE_2_5[row]
    below = (TABLE_2_5[row - 1][0], TABLE_2_5[row - 1][1]) if row else ("36", "0.08")
    assert mav(book, f"{grams} g") == D(mav_g)
    assert mav(book, f"{D(below[0]) + D('0.01')} g") == D(mav_g)
    assert mav(book, f"{pounds} lb") == D(mav_lb) * POUND
    assert mav(book, f"{D(below[1]) + D('0.001')} lb") == D(mav_lb) * POUND
    ounces = D(pounds) * 16  # the ounce bounds are the pound bounds times 16
    assert mav(book, f"{ounces} oz") == D(mav_lb) * POUND
    assert mav(book, f"{D(below[1]) * 16 + D('0.01')} oz") == D(mav_lb) * POUND


@pytest.mark.parametrize("row", range(len(TABLE_2_5)))
def test_the_two_columns_of_table_2_5_agree_by_truncation(book: qa.RuleBook, row: int) -> None:
    """3.1: the SI bound and MAV equal the pound values converted and truncated, in every row."""
    grams, pounds, _, _ = TABLE_2_5[row]
    step = D("10") if D(grams) >= 1000 else D("1")
    bound = D(pounds) * POUND
    assert (bound / step).quantize(D(1), ROUND_DOWN) * step == D(grams)
    in_pounds, in_grams = mav(book, f"{pounds} lb"), mav(book, f"{grams} g")
    digit = D("1") if in_grams >= 49 else D("0.1")
    assert in_pounds.quantize(digit, ROUND_DOWN) == in_grams


@pytest.mark.parametrize(
    "declared, expected",
    [
        ("10 g", D("1.0")),
        ("35.9 g", D("3.59")),
        ("36 g", D("3.6")),  # 3.6 g either way, 3.1
        ("0.05 lb", D("0.005") * POUND),
        ("0.08 lb", D("0.008") * POUND),
        ("24671 g", D("493.42")),  # above the last bound 2 % of the label
        ("30000 g", D("600")),
        ("60 lb", D("1.2") * POUND),
    ],
)
def test_percentages_at_both_ends(book: qa.RuleBook, declared: str, expected: Decimal) -> None:
    assert mav(book, declared) == expected


def test_mav_of_the_113_gram_label_and_a_sixth_of_it(book: qa.RuleBook) -> None:
    """Worked example, 2.2.1 (read): 113 g and 0.25 lb, MAV 7.2 g and 0.016 lb, a sixth of it."""
    assert book.tolerable_deficiency("113 g") == 7.2
    assert book.tolerable_deficiency("113 g") / 6 == pytest.approx(1.2)
    assert mav(book, "0.25 lb") == mav(book, "4 oz") == D("0.016") * POUND
    assert float(mav(book, "0.25 lb") / POUND) / 6 == pytest.approx(0.002667, abs=5e-7)


def test_figures_that_were_read_and_figures_from_memory(book: qa.RuleBook) -> None:
    """Read: the 113 g / 0.25 lb row (2.2.1) and the 907 g / 2 lb row (2.3.8.2); no other."""
    assert book.tolerable_deficiency("907 g") == 31.7
    for declared in ("113 g", "0.25 lb", "4 oz", "907 g", "2 lb", "32 oz"):
        assert book.tolerance(declared).figure.grade == "read", declared
    for declared in ("112 g", "120 g", "908 g", "250 g", "4.2 oz", "20 g", "60 lb"):
        assert book.tolerance(declared).figure.grade == "from memory", declared
        assert "Table 2-5" in book.tolerance(declared).figure.official


def test_the_larger_of_two_declarations_is_tested(book: qa.RuleBook) -> None:
    """2.3.3.1 and 7.1: a 4 oz bar labelled 113 g is checked at 4 oz = 113.398 g."""
    found = limits("4 oz / 113 g", book)
    assert str(found.tested) == "4 oz"
    assert found.declared_g == pytest.approx(113.398, abs=5e-4)
    assert str(limits("4.2 oz / 120 g", book).tested) == "120 g"  # 4.2 oz is 119.07 g
    assert limits("4.2 oz / 120 g", book).tolerance_g == 9.0


def test_the_column_of_the_tested_unit_applies(book: qa.RuleBook) -> None:
    """3.1: 117.5 g is above 117 g, but 0.259 lb: rows disagree, the declaration's unit decides."""
    assert book.tolerable_deficiency("117.5 g") == 9.0
    assert mav(book, "0.259 lb") == D("0.016") * POUND


@pytest.mark.parametrize("low, high, n, factor, allowed", TABLE_2_1)
def test_sampling_plan_rows(
    book: qa.RuleBook, low: int, high: int, n: int, factor: float, allowed: int
) -> None:
    """Table 2-1 at both ends of each row."""
    for size in (low, high):
        plan = book.plan(size)
        assert (plan.n, plan.mean_n, plan.factor) == (n, n, factor)
        assert [tuple(stage) for stage in plan.count_stages] == [(n, allowed, allowed + 1)]
        assert plan.sample == ("whole lot" if size <= 11 else "exactly")
        assert plan.beyond_twice_reject is None  # the handbook knows no 2 MAV
        assert plan.exact_factor == pytest.approx(EXACT[n], abs=5e-6)
        # 9.1: the remembered figures fit to three decimals, one unit in the last place for 5 and 6
        assert abs(plan.factor - plan.exact_factor) < (0.001 if n in (5, 6) else 0.0005)
        assert all(figure.grade == "from memory" for figure in plan.figures)


def test_a_lot_of_one_is_held_to_the_mav_alone(book: qa.RuleBook) -> None:
    plan = book.plan(1)
    assert (plan.n, plan.mean_n, plan.factor) == (1, None, None)
    assert qa.judge([111.0], "120 g", book, lot_size=1).outcome == "accept"  # 9.0 g short, MAV 9.0
    assert qa.judge([110.9], "120 g", book, lot_size=1).outcome == "reject"


# Decision logic, 2.3.7 as the sheet's 4.2 lays it out. 120 g label, MAV 9.0 g, lot of 100: n = 12.
def judged(errors: list[float], lot_size: int = 100) -> qa.Verdict:
    return qa.judge([120 + e for e in errors], "120 g", "us-hb133", lot_size=lot_size)


def outcomes(verdict: qa.Verdict) -> list[str]:
    return [row.outcome for row in verdict.rows]


def test_exactly_the_mav_is_not_an_unreasonable_error() -> None:
    """Step 1: greater than the MAV counts, equal does not."""
    assert judged([-9.0] + [2.0] * 11).outcome == "accept"
    assert judged([-9.1] + [2.0] * 11).outcome == "reject"


def test_one_beyond_the_mav_fails_whatever_the_average() -> None:
    """Step 2, lot of 12 to 250: none allowed."""
    verdict = judged([-9.1] + [30.0] * 11)
    assert verdict.outcome == "reject"
    assert sorted(outcomes(verdict)) == ["accept", "reject"]


def test_of_48_packages_one_may_be_beyond_the_mav() -> None:
    """Table 2-1: more than 3 200 packages, 48 weighed, one allowed."""
    assert judged([-9.1] + [2.0] * 47, 4000).outcome == "accept"
    assert judged([-9.1] * 2 + [2.0] * 46, 4000).outcome == "reject"


def test_average_error_zero_or_plus_passes_without_a_spread() -> None:
    """Step 3, and the gap "exactly 0" settled as a pass."""
    assert judged([0.0] * 12).outcome == "accept"
    assert judged([-5.0] * 6 + [5.0] * 6).outcome == "accept"
    assert judged([0.1] * 12).outcome == "accept"


def test_no_spread_and_a_minus_average_fails() -> None:
    """Gap s = 0 with a negative average: SEL is 0, so it fails."""
    assert judged([-0.1] * 12).outcome == "reject"


def test_smaller_than_the_sample_error_limit_passes_larger_fails() -> None:
    """
    Steps 5 to 7, made by hand: six at a + 3 and six at a - 3 g have s = sqrt(12 * 9 / 11) = 3.1334,
    so SEL = 0.635 * 3.1334 = 1.9897 g.
    """
    spread = [3.0] * 6 + [-3.0] * 6
    assert 0.635 * math.sqrt(12 * 9 / 11) == pytest.approx(1.9897, abs=5e-5)
    assert judged([e - 1.98 for e in spread]).outcome == "accept"
    assert judged([e - 1.99 for e in spread]).outcome == "reject"


def test_an_average_exactly_at_the_sample_error_limit_passes() -> None:
    """
    The gap "exactly equal" settled as a pass. Two packages, factor 8.985: errors m - d and m + d
    have s = d sqrt(2), so m = -8.985 d sqrt(2) is the limit to the last binary digit.
    """
    d = 0.1
    limit = 8.985 * d * math.sqrt(2)
    assert judged([-limit - d, -limit + d], 2).outcome == "accept"
    assert judged([-limit - d - 0.001, -limit + d - 0.001], 2).outcome == "reject"


def test_a_lot_measured_whole_still_has_its_error_limit() -> None:
    """4.2 and 9.1: nothing exempts n = N; lot of 5, s = 1 g, SEL = 1.241 g."""
    wide = [math.sqrt(2), 0, 0, 0, -math.sqrt(2)]  # s = 1
    assert judged([e - 1.24 for e in wide], 5).outcome == "accept"
    assert judged([e - 1.25 for e in wide], 5).outcome == "reject"


def test_both_failures_are_named() -> None:
    verdict = judged([-9.5] * 12)
    assert verdict.outcome == "reject"
    assert outcomes(verdict) == ["reject", "reject"]


def test_packages_beyond_twice_the_mav_are_not_named_for_pulling() -> None:
    assert judged([-19.0] + [5.0] * 11).pull == ()


def test_soap_has_no_allowance_set_in_advance(book: qa.RuleBook) -> None:
    """Table 2-3 of Chapter 2 has no soap, and judging is where the goods are sold."""
    assert book.judged_at == "sale"
    assert "soap" in book.drying.lower()
