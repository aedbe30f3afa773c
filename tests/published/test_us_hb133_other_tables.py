"""NIST Handbook 133 (2026): Category B (App. A Table 2-2) and labels by count (Table 2-7)."""

from __future__ import annotations

import pytest

import qa_tools as qa

BOOK = "us-hb133"
# Table 2-7, from memory: to not more than so many pieces, pieces short that are allowed.
TABLE_2_7 = [
    (50, 0), (83, 1), (116, 2), (150, 3), (200, 4), (240, 5), (290, 6), (345, 7), (400, 8),
    (465, 9), (540, 10), (625, 11), (725, 12), (815, 13), (900, 14), (990, 15), (1075, 16),
    (1165, 17), (1250, 18), (1333, 19),
]  # fmt: skip


@pytest.mark.parametrize("low, high, n", [(1, 9, None), (10, 250, 10), (251, 90_000, 30)])
def test_category_b(low: int, high: int, n: int | None) -> None:
    """No factor, none beyond the MAV."""
    for size in (low, high):
        plan = qa.rulebook(BOOK).plan(size, test="category B")
        assert (plan.n, plan.mean_n) == (n or size, n or size)
        assert (plan.factor, plan.exact_factor) == (0, 0)
        assert [tuple(stage) for stage in plan.count_stages] == [(n or size, 0, 1)]
        assert plan.figures[0].grade == "from memory"
        assert plan.figures[0].official == "NIST Handbook 133 (2026) Appendix A, Table 2-2"
        assert {plan.mean_clause, plan.count_clause} == {"2.3.7; Appendix A Table 2-2"}


def test_a_minus_average_fails_category_b_outright() -> None:
    """2.3.7.2; the same ten pass Category A's mean test by their spread."""
    bars = [118.0] * 5 + [121.9] * 5
    assert sum(bars) / 10 == pytest.approx(119.95)
    b = qa.judge(bars, "120 g", BOOK, lot_size=100, test="category B")
    assert [row.outcome for row in b.rows] == ["reject", "accept"]
    assert qa.judge(bars, "120 g", BOOK, lot_size=10).outcome == "accept"


def test_table_2_7_at_and_past_every_bound() -> None:
    book = qa.rulebook(BOOK)
    last = 0
    for upper, allowed in TABLE_2_7:
        assert book.tolerable_pieces(upper) == book.tolerable_pieces(last + 1) == allowed
        last = upper


@pytest.mark.parametrize("pieces, allowed", [(1334, 20), (1366, 20), (1367, 21), (1400, 21),
                                             (2000, 30), (1500, 23)])  # fmt: skip
def test_above_the_table_one_and_a_half_percent_to_the_nearest_piece(
    pieces: int, allowed: int
) -> None:
    """1 367 pieces: 20.505; 1 500: 22.5, a half taken up (the sheet does not say which way)."""
    assert qa.rulebook(BOOK).tolerable_pieces(pieces) == allowed


@pytest.mark.parametrize("pieces", [0, -5, 2.5])
def test_what_is_not_a_number_of_pieces(pieces: float) -> None:
    with pytest.raises(ValueError, match="whole number"):
        qa.rulebook(BOOK).tolerable_pieces(pieces)  # type: ignore[arg-type]
