"""The one slip that plainly explains a reading that cannot be, or hardly can."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from qa_tools.readings.quantities import GRAMS
from qa_tools.readings.sift import Sift
from qa_tools.readings.tare import Tare

# How near to what was expected a reading must come for a suggestion to be called plain.
PLAIN: Final = 0.15
_OUNCE, _POUND = float(GRAMS["oz"]), float(GRAMS["lb"])


def answered(s: Sift) -> None:
    """What settings.csv calls a slip is not used."""
    for number in s.answered:
        meant, by = s.answer(number)
        if meant == "slip":
            s.refuse(number, f"answered slip{by}", looks_like(s, number, s.low[number]))


def looks_like(s: Sift, number: int, expected: float) -> str:
    """The one slip that plainly explains a reading; "" where none does, or several do."""
    found = s.found
    as_read = found.grams[number] - s.tare[number]
    if not expected > 0 or abs(as_read - expected) <= PLAIN * expected:
        return ""  # nothing known to compare with, or no slip would bring it nearer
    value, unit, tare = found.weight[number], found.unit[number], s.tare[number]
    read, written = found.grams[number], found.written[number]

    def fits(grams: float) -> bool:
        return abs(grams - expected) <= PLAIN * expected

    plain = []
    if unit != "oz" and fits(value * _OUNCE - tare):
        plain.append(f"looks like ounces in a {_column(unit)} column: {value * _OUNCE:.1f} g")
    if unit != "g" and fits(value - tare):
        plain.append(f"looks like grams in a{'n' if unit == 'oz' else ''} {unit} column")
    if unit != "kg" and fits(value * 1000 - tare):
        plain.append(f"looks like kilograms in a {_column(unit)} column")
    if unit != "lb" and fits(value * _POUND - tare):
        plain.append(f"looks like pounds in a {_column(unit)} column")
    for factor in (10, 100):
        if fits(read / factor - tare):
            looks = "missing" if not any(mark in written for mark in ".,") else "misplaced"
            plain.append(
                f"looks like a {looks} decimal point: {value:.12g} -> {value / factor:.12g}"
            )
        if fits(read * factor - tare):
            plain.append(
                f"looks like a misplaced decimal point: {value:.12g} -> {value * factor:.12g}"
            )
    if tare > 0 and fits(read):
        plain.append("gross and net may be swapped")
    elif tare == 0 and (empty := empty_packaging(s, number)) and fits(read - empty):
        plain.append(
            f"gross and net may be swapped: less {empty:.4g} g tare it is {read - empty:.4g} g"
        )
    return plain[0] if len(plain) == 1 else ""


def empty_packaging(s: Sift, number: int) -> float:
    """The mean empty packaging of the product; 0 where none is known."""
    day = s.day[number]
    tare = s.tares.of(s.product[number], "gross", None if np.isnat(day) else pd.Timestamp(day))
    return tare.grams if isinstance(tare, Tare) else 0.0


def _column(unit: str) -> str:
    return {"g": "gram", "kg": "kilogram", "mg": "milligram", "lb": "pound"}.get(unit, unit)
