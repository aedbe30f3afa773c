"""Our own check: what the weighings say of the batch, in numbers and in plain words."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtri

import qa_tools as qa
from qa_tools.statistics.finite import effective_size, most_short

EU = "eu-76-211"  # 120 g: TNE 5.4 g, so 114.6 g and 109.2 g
NAMES = ["ca-crc-417", "eu-76-211", "uk-2006-659", "us-hb133"]


@given(
    st.lists(st.integers(1050, 1350), min_size=1, max_size=60),
    st.sampled_from(NAMES),
    st.integers(0, 100),
)
def test_counts_mean_and_lightest_against_exact_fractions(
    tenths: list[int], name: str, more: int
) -> None:
    found = qa.own_check([k / 10 for k in tenths], "120 g", name, lot_size=len(tenths) + more)
    t = Fraction({"us-hb133": "9"}.get(name, "5.4"))
    exact = [Fraction(k, 10) for k in tenths]
    assert found.short == sum(w < 120 - t for w in exact)
    assert found.short_twice == sum(w < 120 - 2 * t for w in exact) <= found.short
    assert found.mean == pytest.approx(float(sum(exact) / len(exact)))
    assert found.lightest == float(min(exact))
    assert found.n == len(tenths)
    assert found.over == pytest.approx(found.mean - 120)
    assert (found.short / (found.n + more)) <= found.short_upper <= 1
    assert found.short_twice_upper <= found.short_upper
    assert str(found)


def test_the_whole_batch_weighed_and_none_short_leaves_no_doubt() -> None:
    found = qa.own_check([120.0, 121.0, 119.5], "120 g", EU, lot_size=3)
    assert (found.short_upper, found.short_twice_upper) == (0.0, 0.0)
    assert found.mean_lower == found.mean_upper == found.mean
    assert found.finding == "holds"
    assert "all weighed" in str(found)


def test_one_weighing_is_judged_but_shows_nothing() -> None:
    found = qa.own_check([121.0], "120 g", EU, lot_size=50)
    assert found.finding == "not shown"
    assert math.isnan(found.mean_lower)
    assert found.short_upper == pytest.approx(0.94)  # 1 - 0.05 = 0.95 of 50, at most 47 short
    assert "too little to speak for the batch" in found.headline


@pytest.mark.parametrize(
    "net, finding, says",
    [
        ([119.0, 119.4, 119.2, 118.8], "short", "averages 0.9 g short"),
        ([121.0, 121.4, 121.2, 120.8], "holds", "averages 1.1 g over"),
        ([118.0, 124.0, 119.0, 121.0], "not shown", "which chance could explain"),
        ([117.0, 123.0, 119.0, 119.0], "short", "which chance could explain"),
        ([109.1, 135.0, 135.0, 135.0, 135.0], "not shown", "not every package holds it"),
    ],
)
def test_findings_in_plain_words(net: list[float], finding: str, says: str) -> None:
    found = qa.own_check(net, "120 g", EU, lot_size=100)
    assert found.finding == finding
    assert says in found.headline


def test_exactly_the_label_is_not_short() -> None:
    found = qa.own_check([120.1, 119.9, 120.2, 119.8], "120 g", EU, lot_size=4)
    assert found.finding == "holds"


def test_bars_of_few_loaves_speak_for_these() -> None:
    bars = [121.0, 121.2, 121.1, 119.0, 119.2, 119.1]
    found = qa.own_check(bars, "120 g", EU, lot_size=108, group=list("aaabbb"))
    assert found.groups == 2
    assert "it speaks for these" in str(found)
    alone = qa.own_check(bars, "120 g", EU, lot_size=108)
    assert found.mean_upper - found.mean_lower > alone.mean_upper - alone.mean_lower
    assert math.isnan(found.short_upper), "two loaves cannot bound a share of the batch"


def test_short_bars_of_a_few_loaves_are_never_rounded_away() -> None:
    """One short of 27 that are worth only a few counts as one short of these few."""
    bars = [114.5, *[118.0] * 8, *[121.0] * 9, *[124.0] * 9]
    loaves = ["a"] * 9 + ["b"] * 9 + ["c"] * 9
    worth = effective_size(bars, loaves)
    assert worth < 9
    found = qa.own_check(bars, "120 g", EU, lot_size=108, group=loaves)
    assert found.short == 1
    assert found.short_upper == most_short(1, worth, 108) > most_short(0, worth, 108)


def test_one_loaf_gives_counts_and_no_bounds() -> None:
    found = qa.own_check([121.0] * 9, "120 g", EU, lot_size=108, group=["a"] * 9)
    assert math.isnan(found.short_upper) and math.isnan(found.mean_lower)
    assert found.finding == "not shown"
    assert "speaks for these" in str(found)


def test_a_book_s_own_deficiency_and_word_apply() -> None:
    us = qa.own_check([112.0] * 3, "120 g", "us-hb133", lot_size=100)
    eu = qa.own_check([112.0] * 3, "120 g", EU, lot_size=100)
    assert (us.short, eu.short) == (0, 3)
    assert "MAV" in str(us) and "TNE" in str(eu)


def test_weights_in_ounces_against_a_label_in_grams() -> None:
    found = qa.own_check([4.2, 4.3], "120 g", EU, unit="oz")
    assert found.mean == pytest.approx(4.25 * 28.349523125)
    assert found.lightest == pytest.approx(4.2 * 28.349523125)


@pytest.mark.parametrize(
    "given_, says",
    [
        ({"net": []}, "single list"),
        ({"net": [[120.0]]}, "single list"),
        ({"net": [float("nan")]}, "weight 1 of 1"),
        ({"lot_size": 1}, "2 weighed of 1 packed"),
        ({"group": ["a"]}, "2 weights but 1 groups"),
        ({"book": "eu-76-212"}, "did you mean 'eu-76-211'"),
        ({"declared": "120 ml"}, "volume"),
        ({"declared": "11 kg"}, "outside"),
        ({"unit": "fl oz"}, "volume"),
    ],
)
def test_bad_input_says_what_is_wrong(given_: dict[str, object], says: str) -> None:
    arguments = {"net": [120.0, 121.0], "declared": "120 g", "book": EU, "lot_size": 10} | given_
    with pytest.raises(ValueError, match=says):
        qa.own_check(
            arguments.pop("net"), arguments.pop("declared"), arguments.pop("book"), **arguments
        )  # type: ignore[arg-type]


@pytest.mark.parametrize("wrong", [{"lot_size": float("nan")}, {"confidence": 95.0}])
def test_a_lot_size_or_confidence_that_is_none_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError):
        qa.own_check([120.0, 121.0], "120 g", EU, **wrong)  # type: ignore[arg-type]


def test_coverage_of_interval_and_bounds_through_the_front_door() -> None:
    """
    400 seeded batches of 12 loaves of 9 bars (spread between loaves equal to that within, 2 g
    each), three loaves weighed, a tenth of bars short by more than the TNE: 95 % within four
    standard errors (0.0436).
    """
    rng = np.random.default_rng(12)
    mean = 114.6 - ndtri(0.1) * math.sqrt(8)
    covered = np.zeros((400, 2))
    for i in range(400):
        batch = mean + rng.normal(0, 2, (12, 1)) + rng.normal(0, 2, (12, 9))
        found = qa.own_check(
            batch[:3].ravel(), "120 g", EU, lot_size=108, group=np.repeat([1, 2, 3], 9).tolist()
        )
        covered[i] = (
            found.mean_lower <= batch.mean() <= found.mean_upper,
            found.short_upper >= (batch < 114.6).mean(),
        )
    interval, bound = covered.mean(axis=0)
    assert abs(interval - 0.95) <= 4 * math.sqrt(0.95 * 0.05 / 400)
    assert bound >= 0.95 - 4 * math.sqrt(0.95 * 0.05 / 400)
