"""Japan, council guideline for goods the Measurement Act does not list (Aichi, 1 April 2019)."""

from __future__ import annotations

from decimal import Decimal

import pytest

import qa_tools as qa

BOOK = "jp-guideline"
SHORT = [(50, "8 %"), (100, "4"), (500, "4 %"), (1000, "20"), (10**9, "2 %")]
OVER = [(50, "5"), (300, "10 %"), (1000, "30"), (10**9, "3 %")]


def expected(rows: list[tuple[int, str]], grams: Decimal) -> Decimal:
    rule = next(rule for upper, rule in rows if grams <= upper)
    number = Decimal(rule.split()[0])
    return grams * number / 100 if "%" in rule else number


def test_both_sides_at_and_beside_every_bound() -> None:
    book = qa.rulebook(BOOK)
    bounds = {Decimal(upper) for upper, _ in [*SHORT, *OVER]}
    for grams in [Decimal(5), *(b + Decimal(d) for b in bounds for d in ("-0.3", "0", "0.3"))]:
        if grams <= 10**9:
            assert book.tolerance(grams).grams == expected(SHORT, grams), grams
            assert book.tolerable_excess(grams) == float(expected(OVER, grams)), grams
    with pytest.raises(ValueError, match="outside jp-guideline, which covers 5 g and more"):
        book.tolerable_deficiency("4.9 g")


def test_the_last_rows_have_no_upper_end() -> None:
    """Above 1 000 g, 2 % short and 3 % over, whatever the size."""
    book = qa.rulebook(BOOK)
    assert book.tolerable_deficiency("1500 kg") == 30_000
    assert book.tolerable_excess("1500 kg") == 45_000


def test_each_package_is_judged_alone() -> None:
    """4 % of 120 g is 4.8 g; no rule on the average."""
    plan = qa.rulebook(BOOK).plan(108)
    assert (plan.n, plan.mean_n, plan.factor, plan.beyond_twice_reject) == (1, None, None, None)
    for n in (1, 12, 108):
        exact = [115.2] * n
        assert qa.judge(exact, "120 g", BOOK, lot_size=108).outcome == "accept"
        verdict = qa.judge([*exact[1:], 115.1], "120 g", BOOK, lot_size=108)
        assert verdict.outcome == "reject"
        assert [row.test for row in verdict.rows] == [
            "packages short by more than the tolerance",
            "packages over by more than allowed",
        ]


@pytest.mark.parametrize("declared, most", [("40 g", 45), ("120 g", 132), ("500 g", 530)])
def test_a_package_over_by_more_than_allowed_fails(declared: str, most: float) -> None:
    """5 g, 10 % and 30 g over; exactly that is allowed."""
    net = float(declared.split()[0])
    for heavy, outcome in ((most, "accept"), (most + 0.1, "reject")):
        verdict = qa.judge([net, heavy, net], declared, BOOK, lot_size=108)
        assert verdict.outcome == outcome
        row = verdict.rows[1]
        assert (row.measured, row.limit, row.outcome) == (heavy > most, 0, outcome)
        assert row.clause == "council guideline, over side"
        assert row.clause in {figure.clause for figure in verdict.figures}
    assert verdict.reason == "packages are over by more than allowed"
    both = qa.judge([net, most + 0.1, net * 0.5], declared, BOOK, lot_size=108)
    assert both.reason.count(" and ") == 1


def test_a_book_without_an_over_side_says_so() -> None:
    with pytest.raises(ValueError, match="sets no tolerable excess"):
        qa.rulebook("eu-76-211").tolerable_excess("120 g")
