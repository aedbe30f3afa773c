"""NIST Handbook 133 (2026) 2.3.8: moisture allowance known in advance or claimed afterwards."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import qa_tools as qa
from qa_tools.books.limits import limits

MAV, FACTOR, LABEL = 9.0, 0.635, 120.0  # Table 2-5 for 120 g, Table 2-1 for 12 to 250 packages


def in_advance(bars: list[float], allowance: float) -> bool:
    """2.3.8.1: errors from the label less the allowance; MAV unchanged."""
    errors = np.array(bars) - (LABEL - allowance)
    limit = FACTOR * np.std(errors, ddof=1)
    return bool((errors >= -MAV - 1e-6).all() and errors.mean() >= -limit - 1e-6)


def afterwards(bars: list[float], allowance: float) -> bool:
    """2.3.8.2: errors from the label; sample error limit and MAV each raised by the allowance."""
    errors = np.array(bars) - LABEL
    limit = FACTOR * np.std(errors, ddof=1) + allowance
    return bool((errors >= -MAV - allowance - 1e-6).all() and errors.mean() >= -limit - 1e-6)


@settings(deadline=None)
@given(
    st.lists(st.integers(1080, 1260).map(lambda tenths: tenths / 10), min_size=12, max_size=12),
    st.sampled_from([0, 1, 2.5, 3, 5]),
)
def test_both_routes_and_judge_agree(bars: list[float], percent: float) -> None:
    allowance = LABEL * percent / 100
    book = qa.rulebook("us-hb133").with_moisture(percent)
    verdict = qa.judge(bars, "120 g", book, lot_size=100)
    assert in_advance(bars, allowance) == afterwards(bars, allowance)
    assert (verdict.outcome == "accept") == in_advance(bars, allowance)
    table = pd.DataFrame({"batch": "A", "net_g": bars})
    lots = qa.judge_lots(table, book, declared="120 g", lot_size=100)
    assert lots["outcome"].tolist() == [verdict.outcome]


def test_limits_by_hand() -> None:
    """3 % of 120 g is 3.6 g: mean against 116.4 g, a package against 116.4 - 9.0 = 107.4 g."""
    found = limits("120 g", qa.rulebook("us-hb133").with_moisture(3))
    assert (found.declared_g, found.tolerance_g) == (120, 9.0)
    assert found.moisture_g == pytest.approx(3.6)
    assert (found.target_g, found.short_g) == (pytest.approx(116.4), pytest.approx(107.4))


def test_the_allowance_is_shown_and_our_own_check_stays_with_the_label() -> None:
    bars = [117.0] * 6 + [118.0] * 6
    book = qa.rulebook("us-hb133").with_moisture(3)
    verdict = qa.judge(bars, "120 g", book, lot_size=100)
    assert verdict.outcome == "accept"
    assert "Moisture allowance 3 %, 3.60 g (2.3.8.1 and 2.3.8.2)" in str(verdict)
    assert "averages 2.5 g short" in verdict.headline
    assert verdict.own.limits.short_g == 111


def test_more_weighed_than_the_plan() -> None:
    bars = [117.0] * 20 + [118.0] * 20
    book = qa.rulebook("us-hb133")
    assert qa.judge(bars, "120 g", book, lot_size=100).outcome == "reject"
    assert qa.judge(bars, "120 g", book.with_moisture(3), lot_size=100).outcome == "accept"


def test_books_without_an_allowance_refuse_one() -> None:
    with pytest.raises(ValueError, match="knows no allowance for moisture"):
        qa.rulebook("ca-crc-417").with_moisture(3)
    for percent in (-1, 100, math.nan, "3"):
        with pytest.raises(ValueError, match="is none"):
            qa.rulebook("us-hb133").with_moisture(percent)  # type: ignore[arg-type]
