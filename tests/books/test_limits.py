"""Limits and comparisons: exactly T is not more than T, in grams, ounces and pounds."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import qa_tools as qa
from qa_tools.books.limits import below, in_grams, limits
from qa_tools.readings.quantities import Quantity

NAMES = list(qa.rulebooks().index)
# NIST Handbook 44 (2014) Appendix C, exact.
GRAMS = {
    "g": Fraction(1),
    "kg": Fraction(1000),
    "oz": Fraction("453.59237") / 16,
    "lb": Fraction("453.59237"),
}
STEPS = {"g": ["0.01", "0.1", "1"], "kg": ["0.0001", "0.001"], "oz": ["0.005", "0.01", "0.1"],
         "lb": ["0.0005", "0.001", "0.01"]}  # fmt: skip


@given(
    st.sampled_from(NAMES),
    st.sampled_from([1, 2]),
    st.data(),
    st.integers(-4, 4),
)
def test_a_reading_at_the_limit_is_not_below_it(
    name: str, times: int, data: st.DataObject, offset: int
) -> None:
    """
    Readings within four scale steps of Q - T and Q - 2T against exact fractions: label and scale
    in metric units, or both in ounces and pounds.
    """
    book = qa.rulebook(name)
    family = data.draw(st.sampled_from([("g", "kg"), ("oz", "lb")]))
    label_unit, unit = data.draw(st.sampled_from(family)), data.draw(st.sampled_from(family))
    step = Decimal(data.draw(st.sampled_from(STEPS[unit])))
    hundredths = data.draw(st.integers(500, 200_000))  # 5 g to 2 kg
    grams = Fraction(hundredths, 100)
    value = Decimal(round(grams / GRAMS[label_unit] * 1000)) / 1000
    if value <= 0 or Fraction(value) * GRAMS[label_unit] < 6:
        return
    declared = Quantity(value, label_unit)
    q = Fraction(value) * GRAMS[label_unit]
    limit = q - times * Fraction(book.tolerance(declared).grams)
    steps = limit / GRAMS[unit] / Fraction(step)
    reading = (Decimal(round(steps)) + offset) * step
    if reading <= 0:
        return
    exact = Fraction(reading) * GRAMS[unit]
    found = limits(declared, book)
    cut = found.short_g if times == 1 else found.twice_g
    gap = abs(exact - limit)
    # metric and avoirdupois meet only in books whose table is in grams: there a limit that is no
    # multiple of the step may lie within a microgram; everywhere else the answer is exact.
    if gap == 0 or gap > Fraction(1, 10**6):
        assert bool(below(in_grams([float(reading)], unit), cut)[0]) == (exact < limit)


@pytest.mark.parametrize(
    "name, declared, unit, at, under",
    [
        ("us-hb133", "120 g", "g", 111.0, 110.9),  # MAV 9.0 g
        ("us-hb133", "4 oz", "lb", 0.234, 0.2335),  # MAV 0.016 lb
        ("us-hb133", "4 oz", "oz", 3.744, 3.743),  # 0.016 lb = 0.256 oz
        ("us-hb133", "1 lb", "lb", 0.956, 0.955),  # 0.044 lb
        ("ca-crc-417", "4 oz", "oz", 3.82, 3.819),  # 4.5 % = 0.18 oz
        ("ca-crc-417", "3.5 oz", "oz", 3.34, 3.33),  # 0.16 oz
        ("ca-crc-417", "113 g", "g", 107.915, 107.914),  # 4.5 %, not rounded
        ("eu-76-211", "62.5 g", "g", 58.0, 57.9),  # TNE 4.5 g
        ("uk-2006-659", "125 g", "g", 119.3, 119.2),  # 5.625 up to 5.7 g
        ("uk-2006-659", "0.34 kg", "kg", 0.3298, 0.3297),  # 10.2 g
    ],
)
def test_boundary_readings_by_hand(
    name: str, declared: str, unit: str, at: float, under: float
) -> None:
    cut = limits(declared, name).short_g
    assert below(in_grams([at, under], unit), cut).tolist() == [False, True]


def test_limits_are_one_and_two_deficiencies_below() -> None:
    for name in NAMES:
        found = limits("4.2 oz / 120 g", name)
        assert found.declared_g == 120
        t = found.tolerance_g or 0
        assert (found.short_g, found.twice_g) == pytest.approx((120 - t, 120 - 2 * t))
        assert found.figure is not None


@pytest.mark.parametrize(
    "net, at",
    [([120.0, float("nan")], 2), ([float("inf")], 1), ([1.0, 2.0, -3.0], 3), ([0], 1),
     ([-0.0], 1), ([None, 120], 1), (pd.Series([1.0, None]), 2)],
)  # fmt: skip
def test_a_weight_that_is_none_is_named_by_its_place(net: object, at: int) -> None:
    with pytest.raises(ValueError, match=f"weight {at} of"):
        in_grams(net)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "net, says",
    [(["4.2 oz", "120 g"], "weight 1 of 2 is '4.2 oz'"), ([120, "120,5"], "2 of 2 is '120,5'"),
     (pd.Series(["121", "abc", "x"]), "weight 2 of 3 is 'abc'"), ("120,5", "1 of 1 is '120,5'"),
     ([True, True], "the weights are no list of numbers"),
     ([120, pd.NA], "weight 2 of 2 is <NA>"), ([[120.0], [120.0, 121.0]], "weight 1 of 2 is")],
)  # fmt: skip
def test_words_among_the_weights_are_named_by_their_place(net: Any, says: str) -> None:
    with pytest.raises(ValueError, match=f"{says}.*; give the weights as numbers in one unit"):
        in_grams(net)


@pytest.mark.parametrize("net", [[], np.zeros((0,)), [[120.0], [121.0]], np.ones((2, 2))])
def test_empty_and_two_dimensional_input_is_refused(net: object) -> None:
    with pytest.raises(ValueError, match="single list"):
        in_grams(net)  # type: ignore[arg-type]


@pytest.mark.parametrize("unit", ["ml", "fl oz", "L", "stone", ""])
def test_units_that_are_no_weights_are_refused(unit: str) -> None:
    with pytest.raises(ValueError):
        in_grams([120.0], unit)


def test_anything_numpy_takes_is_taken() -> None:
    for net in ([120, 121], (120.0, 121.0), np.array([120, 121], np.int16), pd.Series([120, 121])):
        assert in_grams(net).tolist() == [120.0, 121.0]
    assert in_grams([0.25], "lb")[0] == pytest.approx(113.3980925, abs=1e-9)
    assert in_grams([120_000], "mg")[0] == pytest.approx(120)
