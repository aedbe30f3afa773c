from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa_tools.readings.quantities import (
    GRAMS,
    Declaration,
    Quantity,
    number_of,
    parse_quantity,
)


@pytest.mark.parametrize("mark", [".", ","])
def test_a_leading_zero_is_no_group_of_thousands(mark: str) -> None:
    """ "0,118" is a hundred and eighteen thousandths or nothing; never 118."""
    other = "," if mark == "." else "."
    assert number_of(f"0{mark}118", mark) == Decimal("0.118")
    with pytest.raises(ValueError, match="not a number with decimal mark"):
        number_of(f"0{other}118", mark)


@pytest.mark.parametrize("text", ["1'2", "1 2", "12'", "118.4 120", "1 2345", "1'234'5"])
@pytest.mark.parametrize("mark", [".", ",", None])
def test_a_gap_that_parts_no_thousands_makes_no_number(text: str, mark: str | None) -> None:
    with pytest.raises(ValueError, match="is not a number"):
        number_of(text, mark)


@pytest.mark.parametrize("text", ["1'234.5", "1 234,5", "+1\u202f234.5"])
def test_thousands_may_be_parted_by_a_gap(text: str) -> None:
    assert abs(number_of(text)) == Decimal("1234.5")


@given(st.decimals("0.001", 9999, places=3), st.sampled_from(sorted(GRAMS)))
def test_a_quantity_is_written_so_that_a_label_reads_it_one_way_only(
    value: Decimal, unit: str
) -> None:
    """ "1.250 g" may be a thousand and more: it is written "1.25 g"."""
    quantity = Quantity(value, unit)
    assert Declaration.parse(str(quantity)).parts == (quantity,)


@pytest.mark.parametrize(
    ("text", "grams"),
    [("4.2 oz", "119.067997125"), ("1 lb", "453.59237"), ("0,12 kg", "120"), ("62500 mg", "62.5")],
)
def test_units_are_exact(text: str, grams: str) -> None:
    assert parse_quantity(text).grams == Decimal(grams)


@pytest.mark.parametrize("text", ["", "heavy", "120", "120 mL", "3 stone", "120 g 4 oz"])
def test_what_is_no_weight_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"weight|unit"):
        parse_quantity(text)


def test_a_declaration_is_one_quantity_or_the_same_in_two_units() -> None:
    assert str(Declaration.parse("NET WT 4.2 OZ (120 g)")) == "4.2 oz / 120 g"
    assert Declaration.parse("1.250 kg", ",") == Declaration.parse("1250 kg")
    for words in ("4.2 oz / 120 g / 0.12 kg", "0 g", "net wt", "1.250 g"):
        with pytest.raises(ValueError, match=r"declar|two ways"):
            Declaration.parse(words)


@pytest.mark.parametrize(
    ("words", "grams"),
    [
        ("113.398 g", "113.398"), ("113,398 g", "113.398"), ("4.233 oz", "120.003531388125"),
        ("1.250 kg", "1250"), ("60.000 g", "60"), ("0.265 lb", "120.20197805"),
    ],
)  # fmt: skip
def test_a_declaration_is_no_hundred_kilograms(words: str, grams: str) -> None:
    """Read as thousands it would be more than any package, so the mark parts decimals."""
    assert Declaration.parse(words).parts[0].grams == Decimal(grams)


def test_a_declaration_that_could_be_both_is_still_asked() -> None:
    """1.25 g or 1.25 kg, 50 g or 50 kg; the mark, where it is known, says which."""
    for words in ("1.250 g", "1,250 g", "50.000 g", "1.234 oz"):
        with pytest.raises(ValueError, match="two ways"):
            Declaration.parse(words)
    assert Declaration.parse("1.250 g", ",") == Declaration.parse("1250 g")
    assert Declaration.parse("113.398 g", ",") == Declaration.parse("113398 g")


@pytest.mark.parametrize("number", [120.0, np.float64(120), Decimal("120.00"), 120, 1.2e2])
def test_a_number_of_grams_shows_no_figures_of_its_own(number: float) -> None:
    assert str(Declaration.parse(number)) == "120 g"


@pytest.mark.parametrize("text", ["1,200 g", "1.200 g"])
def test_a_declaration_that_can_be_read_two_ways_is_answered_with_both(text: str) -> None:
    with pytest.raises(ValueError, match=r"two ways; write 1\.2 g or 1200 g"):
        Declaration.parse(text)
