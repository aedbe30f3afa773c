"""
Australia's ordinary average system, as the official guide to pre-packaged goods states it.

Mean of twelve or more not below the marked quantity, no allowance; no pack short by more than 5 %.
"""

from __future__ import annotations

import pytest

import qa_tools as qa

BOOK = "au-ordinary"


@pytest.mark.parametrize("size, n", [(12, 12), (13, 12), (100, 12), (5000, 12)])
def test_twelve_or_more_without_allowance(size: int, n: int) -> None:
    plan = qa.rulebook(BOOK).plan(size)
    assert (plan.n, plan.mean_n, plan.factor, plan.exact_factor) == (n, n, 0, 0)
    assert [tuple(stage) for stage in plan.count_stages] == [(n, 0, 1)]
    assert (plan.sample, plan.beyond_twice_reject) == ("at least", None)
    assert plan.figures[0].grade == "read"


@pytest.mark.parametrize("declared, allowed", [("5 g", 0.25), ("60 g", 3), ("120 g", 6),
                                               ("250 g", 12.5), ("2 kg", 100)])  # fmt: skip
def test_five_percent_at_any_size(declared: str, allowed: float) -> None:
    assert qa.rulebook(BOOK).tolerable_deficiency(declared) == allowed


@pytest.mark.parametrize("n", [12, 13, 40, 108])
def test_the_plain_mean_decides_at_any_number_weighed(n: int) -> None:
    just = [119.0, 121.0] * (n // 2) + [120.0] * (n % 2)
    assert qa.judge(just, "120 g", BOOK, lot_size=108).outcome == "accept"
    short = [*just[:-1], just[-1] - 0.1]
    verdict = qa.judge(short, "120 g", BOOK, lot_size=108)
    assert [row.outcome for row in verdict.rows] == ["reject", "accept"]
    assert verdict.draws is None


@pytest.mark.parametrize("n", [12, 30, 108])
def test_one_pack_short_by_more_than_five_percent_fails_the_lot(n: int) -> None:
    bars = [123.0] * (n - 1)
    assert qa.judge([*bars, 114.0], "120 g", BOOK, lot_size=108).outcome == "accept"
    verdict = qa.judge([*bars, 113.9], "120 g", BOOK, lot_size=108)
    assert [row.outcome for row in verdict.rows] == ["accept", "reject"]


def test_fewer_than_twelve_weighed_are_too_few() -> None:
    assert qa.judge([121.0] * 11, "120 g", BOOK, lot_size=108).outcome == "too few"


def test_a_lot_under_twelve_is_held_to_the_single_pack_test() -> None:
    plan = qa.rulebook(BOOK).plan(9)
    assert (plan.sample, plan.n, plan.mean_n) == ("whole lot", 9, None)
    assert plan.figures[0].grade == "computed"
    assert qa.judge([114.0] * 9, "120 g", BOOK, lot_size=9).outcome == "accept"
    assert qa.judge([113.9] + [125.0] * 8, "120 g", BOOK, lot_size=9).outcome == "reject"


def test_soap_s_own_percentages_are_said_to_be_missing() -> None:
    book = qa.rulebook(BOOK)
    assert "soap" in book.missing[0] and "legislation.gov.au" in book.missing[0]
    assert "not in this book" in book.drying
