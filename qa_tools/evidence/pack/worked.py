"""Published figures and worked examples, rerun on this machine: what its answers can be held to."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping
from functools import cache
from importlib.resources import files
from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools import charts, wires
from qa_tools.books.official import judge
from qa_tools.books.rulebook import rulebook
from qa_tools.decisions.wires.tension import Wire, string_newtons
from qa_tools.readings.quantities import parse_quantity

COLUMNS: Final = ["what", "expected", "found", "agrees", "source", "grade"]
_NEWTONS_A_POUND: Final = 0.45359237 * 9.80665
_MM_AN_INCH: Final = 25.4


def worked_examples() -> pd.DataFrame:
    """
    Every example, worked out now.

    Returns
    -------
    DataFrame
        what, expected (as its source prints it), found, agrees (to the printed digits), source,
        grade. One that cannot be worked out has the reason as found, and does not agree.

    Examples
    --------
    >>> found = worked_examples()
    >>> bool(found["agrees"].all())
    True
    """
    return pd.DataFrame([_worked(case) for case in cases()], columns=COLUMNS)


def summary(found: pd.DataFrame) -> str:
    """How many agree, in a line."""
    agree = int(found["agrees"].sum())
    return f"{agree} of {len(found)} published examples rerun here agree to the printed digits"


@cache
def cases() -> tuple[Mapping[str, Any], ...]:
    """The examples as worked.toml has them."""
    text = files("qa_tools.evidence.pack").joinpath("worked.toml").read_text(encoding="utf-8")
    return tuple(tomllib.loads(text)["case"])


def _worked(case: Mapping[str, Any]) -> dict[str, Any]:
    expected = str(case["expect"])
    try:
        found = CALLS[case["call"]](*case["give"])
        agrees = agreeing(found, expected)
        shown = found if isinstance(found, str) else f"{found:.6g}"
    except Exception as reason:  # whatever fails on this machine is what is to be shown
        agrees, shown = False, f"{type(reason).__name__}: {reason}"
    told = {name: case[name] for name in ("what", "source", "grade")}
    return told | {"expected": expected, "found": shown, "agrees": agrees}


def agreeing(found: float | str, expected: str) -> bool:
    """
    Whether what was found rounds to what is printed, or lies in the printed range.

    Examples
    --------
    >>> agreeing(0.50279, "0.503"), agreeing(0.504, "0.503"), agreeing("accept", "accept")
    (True, False, True)
    """
    if isinstance(found, str):
        return found == expected
    if " to " in expected:
        low, high = map(float, expected.split(" to "))
        return low <= found <= high
    places = len(expected.partition(".")[2])
    return abs(found - float(expected)) <= 0.5 * 10.0**-places * (1 + 1e-9)


# ---------------------------------------------------------------- the calls, by name


def _tolerance(book: str, declared: str) -> float:
    return rulebook(book).tolerable_deficiency(declared)


def _plan_n(book: str, lot: str) -> float:
    return float(rulebook(book).plan(int(lot)).n)


def _plan_exact(book: str, lot: str) -> float:
    return float(rulebook(book).plan(int(lot)).exact_factor or math.nan)


def _verdict(book: str, declared: str, lot: str, weights: str) -> str:
    return judge(_numbers(weights), declared, book, lot_size=int(lot)).outcome


def _butter(book: str) -> str:
    """125 packages that average 501 g, two of them between T and 2T short."""
    weights = np.full(125, 501.0)
    weights[:2] = 484.0
    weights[2:] += 2 * 17.0 / 123
    return judge(weights, "500 g", book, lot_size=3500).outcome


def _grams(declared: str) -> float:
    return float(parse_quantity(declared).grams)


def _constant(n: str, name: str) -> float:
    return float(getattr(charts.constants(int(n)), name))


def _individuals_upper(values: str) -> float:
    return float(np.max(charts.individuals(_numbers(values)).upper))


def _ewma_last(values: str) -> float:
    chart = charts.ewma(_numbers(values), target=50, sd=2.0539, weight=0.3)
    return float(chart.points["value"].iloc[-1])


def _cusum_last(values: str) -> float:
    """In data units: k 0.3175 and h 4.1959 of a standard deviation of 1."""
    chart = charts.cusum(_numbers(values), target=325, sd=1, k=0.3175, h=4.1959)
    return float(chart.points["high"].iloc[-1])


def _run_length(chart: str, shift: str, *design: str) -> float:
    names = {"cusum": ("h",), "ewma": ("weight", "width"), "shewhart": ()}[chart]
    given: dict[str, Any] = dict(zip(names, map(float, design), strict=True))
    return float(charts.run_length(chart, float(shift), **given))


@cache
def _studied() -> pd.DataFrame:
    """A simulated cutter: 20 loaves of 10 bars of 25 mm, the scale's noise known."""
    place = files("qa_tools.evidence.pack").joinpath("wire_example.csv")
    with place.open("r", encoding="utf-8") as file:
        loaves = pd.read_csv(file, index_col="loaf")
    bars = loaves.set_axis(range(1, loaves.shape[1] + 1), axis=1).rename_axis(columns="slot")
    table = pd.DataFrame({"net": bars.stack()}).reset_index()
    noise = math.sqrt(0.15**2 + 0.1**2 / 12)
    return wires.study(table, spacing_mm=25, noise_g=noise).wires.set_index("wire")


def _wander(wire: str) -> float:
    return float(_studied()["wander_mm"][int(wire)])


def _offset(wire: str) -> float:
    return float(_studied()["offset_mm"][int(wire)])


def _string_pounds(lb_per_in: str, length_in: str, hz: str) -> float:
    grams_a_metre = float(lb_per_in) * 453.59237 / (_MM_AN_INCH / 1000)
    newtons = string_newtons(float(hz), grams_a_metre, float(length_in) * _MM_AN_INCH)
    return newtons / _NEWTONS_A_POUND


def _wire_pounds(diameter_mm: str, length_mm: str, hz: str) -> float:
    wire = Wire("music wire", float(diameter_mm), float(length_mm))
    return string_newtons(float(hz), wire.g_per_m, wire.length_mm) / _NEWTONS_A_POUND


def _numbers(text: str) -> list[float]:
    return [float(one) for one in text.split()]


CALLS: Final[Mapping[str, Callable[..., float | str]]] = {
    "tolerance": _tolerance,
    "plan_n": _plan_n,
    "plan_exact": _plan_exact,
    "verdict": _verdict,
    "butter": _butter,
    "grams": _grams,
    "constant": _constant,
    "individuals_upper": _individuals_upper,
    "ewma_last": _ewma_last,
    "cusum_last": _cusum_last,
    "run_length": _run_length,
    "wander": _wander,
    "offset": _offset,
    "string_pounds": _string_pounds,
    "wire_pounds": _wire_pounds,
}
