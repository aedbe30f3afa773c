"""Canada, C.R.C., c. 417, Schedule I Parts I and II (catch weight products) and XII (count)."""

from __future__ import annotations

from decimal import Decimal

import pytest

import qa_tools as qa
from qa_tools.books.plans import NoPlan

D = Decimal
BOOK = "ca-crc-417-catch-weight"
OUNCE = D("28.349523125")
PART_I = [(60, "10 %"), (600, "6"), (1000, "1 %"), (1500, "10"), (3000, "0.66 %"), (4000, "20"),
          (10_000, "0.5 %"), (15_000, "50"), (250_000, "0.33 %"), (500_000, "750"),
          (10**7, "0.15 %")]  # fmt: skip
PART_II = [("2 oz", "10 %"), ("20 oz", "0.2"), ("2.2 lb", "1 %"), ("3.3 lb", "0.35"),
           ("6.6 lb", "0.66 %"), ("8.8 lb", "0.71"), ("22 lb", "0.5 %"), ("33 lb", "1.76"),
           ("550 lb", "0.33 %"), ("1100 lb", "26.4"), ("9999 lb", "0.15 %")]  # fmt: skip


def share(rule: str, amount: Decimal) -> Decimal:
    number = D(rule.split()[0])
    return amount * number / 100 if "%" in rule else number


@pytest.mark.parametrize("row", range(len(PART_I)))
def test_part_i_up_to_and_past_every_bound(row: int) -> None:
    upper, rule = PART_I[row]
    past = D(PART_I[row - 1][0]) + D("0.1") if row else D(1)
    for grams in (D(upper), past):
        assert qa.rulebook(BOOK).tolerance(grams).grams == share(rule, grams)


@pytest.mark.parametrize("row", range(len(PART_II)))
def test_part_ii_up_to_and_past_every_bound(row: int) -> None:
    def ounces(text: str) -> Decimal:
        number, unit = text.split()
        return D(number) * (16 if unit == "lb" else 1)

    upper, rule = PART_II[row]
    past = ounces(PART_II[row - 1][0]) + D("0.01") if row else D("0.5")
    assert qa.rulebook(BOOK).tolerance(upper).grams == share(rule, ounces(upper)) * OUNCE
    assert qa.rulebook(BOOK).tolerance(f"{past} oz").grams == share(rule, past) * OUNCE


def test_it_has_no_lot_and_says_why() -> None:
    """s. 39(1): a lot is units that all claim the same quantity."""
    with pytest.raises(NoPlan):
        qa.rulebook(BOOK).plan(48)
    assert "39(1)" in qa.rulebook(BOOK).missing[0]
    assert qa.rulebook(BOOK).markets == ()


@pytest.mark.parametrize("pieces, allowed", [(1, 0), (49, 0), (50, 1), (100, 1), (101, 1),
                                             (200, 1), (201, 2), (1000, 5), (1001, 6)])  # fmt: skip
def test_part_xii_count_of_pieces_heavier_than_14_g(pieces: int, allowed: int) -> None:
    """Under 50 none, 50 to 100 one, over 100 0.5 % rounded up."""
    assert qa.rulebook("ca-crc-417").tolerable_pieces(pieces) == allowed
