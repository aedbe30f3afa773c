"""The numbers a chart is set by, checked: text and missing ones are told apart from numbers."""

from __future__ import annotations

from numbers import Real
from typing import TypeGuard

import numpy as np


def is_number(value: object) -> TypeGuard[float]:
    """
    Whether a value is a finite number.

    Examples
    --------
    >>> is_number(0.2), is_number("0,2"), is_number(None), is_number(float("nan"))
    (True, False, False, False)
    """
    return isinstance(value, Real) and bool(np.isfinite(float(value)))


def is_whole(value: object) -> TypeGuard[int]:
    """
    Whether a value is a whole number.

    Examples
    --------
    >>> is_whole(25), is_whole(25.0), is_whole(2.5), is_whole("25")
    (True, True, False, False)
    """
    return is_number(value) and value == int(value)


def check_above_0(**numbers: object) -> None:
    """
    Refuse settings, by name, that are not numbers above 0.

    Raises
    ------
    ValueError
        One is not.

    Examples
    --------
    >>> check_above_0(width=3.0)
    """
    for name, value in numbers.items():
        if not (is_number(value) and value > 0):
            raise ValueError(f"{name} is a number above 0; got {value!r}")


def check_weight(weight: float) -> None:
    """
    Refuse a weight of the newest value that is none.

    Raises
    ------
    ValueError
        Not above 0 and at most 1.

    Examples
    --------
    >>> check_weight(0.2)
    """
    if not (is_number(weight) and 0 < weight <= 1):
        raise ValueError(f"the weight of the newest value is above 0 and at most 1; got {weight!r}")


def check_sums(k: float, h: float, head_start: float) -> None:
    """
    Refuse slack, limit and head start of cumulative sums that cannot go together.

    Raises
    ------
    ValueError
        h not above 0, k negative, head_start negative or not below h.

    Examples
    --------
    >>> check_sums(0.5, 5, 2.5)
    """
    check_above_0(h=h)
    if not (is_number(k) and is_number(head_start) and k >= 0 and 0 <= head_start < h):
        raise ValueError(
            f"k is 0 or more and head_start from 0 to below h; got k {k!r}, head_start "
            f"{head_start!r}, h {h!r}"
        )
