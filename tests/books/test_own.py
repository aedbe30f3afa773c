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
from qa_tools.books.own import grams, reading_step
from qa_tools.statistics.finite import effective_size, most_short

EU = "eu-76-211"  # 120 g: TNE 5.4 g, so 114.6 g and 109.2 g
NAMES = list(qa.rulebooks().index)


@given(
    st.lists(st.integers(1050, 1350), min_size=1, max_size=60),
    st.sampled_from(NAMES),
    st.integers(0, 100),
)
def test_counts_mean_and_lightest_against_exact_fractions(
    tenths: list[int], name: str, more: int
) -> None:
    found = qa.own_check([k / 10 for k in tenths], "120 g", name, lot_size=len(tenths) + more)
    grams = {"us-hb133": "9", "ca-crc-417-catch-weight": "6", "au-ordinary": "6",
             "jp-guideline": "4.8"}  # fmt: skip
    t = Fraction(grams.get(name, "5.4"))
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
    """One short of 45 that are worth only a few counts as one short of these few."""
    bars = [114.5, *[118.0] * 8, *[121.0] * 9, *[124.0] * 9, *[119.0] * 9, *[122.0] * 9]
    loaves = [loaf for loaf in "abcde" for _ in range(9)]
    worth = effective_size(bars, loaves)
    assert worth < 9
    found = qa.own_check(bars, "120 g", EU, lot_size=108, group=loaves)
    assert found.short == 1
    assert found.short_upper == most_short(1, worth, 108) > most_short(0, worth, 108)


def test_one_loaf_gives_counts_and_no_bounds() -> None:
    found = qa.own_check([121.0] * 9, "120 g", EU, lot_size=108, group=["a"] * 9)
    assert math.isnan(found.short_upper) and math.isnan(found.mean_lower)
    assert found.finding == "not shown"
    assert "From 1 loaf or tray: it speaks for this one." in str(found)


@pytest.mark.parametrize("loaves", [1, 2, 3, 4, 5])
def test_fewer_than_five_loaves_bound_no_share_and_say_so(loaves: int) -> None:
    bars = np.tile([119.0, 121.0, 123.0], loaves)
    group = np.repeat(np.arange(loaves), 3).tolist()
    found = qa.own_check(bars, "120 g", EU, lot_size=108, group=group)
    assert math.isnan(found.short_upper) == (loaves < 5)
    assert ("fewer than 5 loaves or trays do not bound it" in str(found)) == (loaves < 5)
    assert ("at most" in str(found)) == (loaves >= 5)


def test_a_bound_names_its_confidence() -> None:
    found = qa.own_check([121.0] * 30, "120 g", EU, confidence=0.9)
    assert "0 of 30; at most 7.4 % of the batch, with 90 % confidence." in str(found)


def test_every_loaf_sampled_alike_speaks_for_the_batch() -> None:
    """Three trays are all there are: only the spread within them is open."""
    bars = [119.0, 119.2, 121.0, 121.2, 123.0, 123.2]
    few = qa.own_check(bars, "120 g", EU, lot_size=60, group=list("aabbcc"))
    every = qa.own_check(bars, "120 g", EU, lot_size=60, group=list("aabbcc"), group_total=3)
    assert every.mean_upper - every.mean_lower < 0.1 * (few.mean_upper - few.mean_lower)
    assert "speaks for" in str(few) and "speaks for" not in str(every)
    assert (few.finding, every.finding) == ("not shown", "holds")


# What a mean tare adds.
JARS = [121.0, 120.4, 122.3, 120.9, 121.6, 120.2]


def test_the_error_of_a_mean_tare_is_in_the_interval() -> None:
    """By hand, whole lot: 2.28 g from 12 empties, t(0.975, 11) = 2.200985, 1/12 + 1/6."""
    found = qa.own_check(JARS, "120 g", EU, lot_size=6, tare_sd=2.28, tare_n=12)
    half = 2.200985 * 2.28 * math.sqrt(1 / 12 + 1 / 6)
    assert found.mean_upper - found.mean == pytest.approx(half, abs=1e-5)
    assert found.finding == "not shown"
    assert "which chance could explain" in found.headline
    assert "all weighed; for the packaging 118.6 to 123.6 g with 95 % confidence" in str(found)
    assert qa.own_check(JARS, "120 g", EU, lot_size=6).finding == "holds"
    short = qa.own_check([w - 2 for w in JARS], "120 g", EU, lot_size=6, tare_sd=2.28, tare_n=12)
    assert short.finding == "short" and "which chance could explain" in short.headline


def test_packaging_that_varies_much_is_told() -> None:
    """FPackV (2020) Anlage 3 no. 5 b): a spread above a quarter of T; 5.4 g / 4 = 1.35 g."""
    for sd, told in ((1.35, False), (1.36, True)):
        found = qa.own_check(JARS, "120 g", EU, lot_size=60, tare_sd=sd, tare_n=12)
        assert ("weigh each empty package" in str(found)) == told
        assert bool(found.cautions) == told == bool(found.to_dict()["cautions"])


@pytest.mark.parametrize("lot_size", [6, 60])
def test_a_single_empty_leaves_the_spread_of_the_packaging_unknown(lot_size: int) -> None:
    found = qa.own_check(JARS, "120 g", EU, lot_size=lot_size, tare_sd=math.nan, tare_n=1)
    assert math.isnan(found.mean_lower) and found.finding == "not shown"
    assert "Spread of the packaging unknown: weigh more empties." in str(found)
    assert "no interval" in str(found) and "the packaging is too little known" in found.headline
    assert found.to_dict()["tare_sd_g"] is None


def test_no_mean_tare_changes_nothing() -> None:
    plain = qa.own_check(JARS, "120 g", EU, lot_size=60)
    assert qa.own_check(JARS, "120 g", EU, lot_size=60, tare_sd=math.nan, tare_n=0) == plain


def tare_coverage(lot: int, n: int, empties: int, spread: float, repeats: int, seed: int) -> float:
    """Jars filled to 121 g (sd 1.5 g), weighed gross, the mean of some empties taken off."""
    rng = np.random.default_rng(seed)
    hits = 0
    for _ in range(repeats):
        net, jars = rng.normal(121, 1.5, lot), rng.normal(250, spread, lot)
        empty = rng.normal(250, spread, empties)
        found = qa.own_check(
            (net + jars)[:n] - empty.mean(), "120 g", EU,
            lot_size=lot, tare_sd=float(np.std(empty, ddof=1)), tare_n=empties,
        )  # fmt: skip
        hits += found.mean_lower <= net.mean() <= found.mean_upper
    return hits / repeats


@pytest.mark.parametrize(
    "lot, n, empties, spread",
    [(60, 60, 12, 2.28), (60, 20, 12, 2.28), (12, 12, 5, 2.0), (100, 12, 3, 1.0)],
)
def test_the_interval_covers_with_a_mean_tare(
    lot: int, n: int, empties: int, spread: float
) -> None:
    """1 000 batches each: at least 95 % less four standard errors (0.0276)."""
    error = math.sqrt(0.95 * 0.05 / 1000)
    assert tare_coverage(lot, n, empties, spread, 1000, n) >= 0.95 - 4 * error


@pytest.mark.slow
@pytest.mark.parametrize("empties", [2, 5, 12])
@pytest.mark.parametrize("n", [12, 60])
def test_the_interval_covers_with_a_mean_tare_at_length(n: int, empties: int) -> None:
    """10 000 batches each, four standard errors 0.0087; a whole lot covers exactly as stated."""
    found = tare_coverage(60, n, empties, 2.28, 10_000, 3)
    error = math.sqrt(0.95 * 0.05 / 10_000)
    assert found >= 0.95 - 4 * error
    assert n < 60 or found <= 0.95 + 4 * error


# Words and signs.
def test_a_figure_from_memory_is_told() -> None:
    """T of Handbook 133 is from memory, of the Directive read."""
    us = qa.own_check([121.0] * 3, "120 g", "us-hb133", lot_size=100)
    assert "From memory, compare with NIST Handbook 133" in str(us)
    assert "9 g (us-hb133 MAV 117-154 g)" in str(us)
    assert us.to_dict()["figure"]["grade"] == "from memory"  # type: ignore[index]
    assert "From memory" not in str(qa.own_check([121.0] * 3, "120 g", EU, lot_size=100))


@pytest.mark.parametrize("size", [1, 3])
def test_a_mean_at_the_label_has_no_sign(size: int) -> None:
    """0.1 g steps whose binary mean misses 120 g by a hair, on either side."""
    for net in ([120.1, 119.9, 120.0], [120.2, 119.9, 119.9], [119.8, 120.1, 120.1]):
        found = qa.own_check(net * size, "120 g", EU, lot_size=3 * size)
        assert found.headline == "averages exactly the 120 g declared"
        assert "-" not in str(found) and "e-" not in str(found)


@given(st.floats(-100, 100))
def test_grams_for_people_have_no_exponent_and_no_negative_zero(amount: float) -> None:
    text = grams(amount)
    assert "e" not in text and text != "-0.0 g"
    assert abs(amount) <= 1e-6 or float(text[:-2]) != 0


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
        ({"lot_size": 98.7}, "lot size is 98.7; give the number of packages"),
        ({"lot_size": 0}, "lot size is 0; give"),
        ({"lot_size": -5}, "lot size is -5; give"),
        ({"lot_size": "98"}, "lot size is '98'; give"),
        ({"lot_size": float("inf")}, "lot size is inf; give"),
        ({"group": ["a", "b"], "group_total": 1}, "2 loaves or trays sampled of 1"),
        ({"tare_sd": -1.0, "tare_n": 5}, "below zero"),
        ({"handled": 3}, "handled is 3 of 2 weighed"),
        ({"handled": -1}, "handled is -1 of 2 weighed"),
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
    each), five loaves weighed, a tenth of bars short by more than the TNE: 95 % within four
    standard errors (0.0436).
    """
    rng = np.random.default_rng(12)
    mean = 114.6 - ndtri(0.1) * math.sqrt(8)
    covered = np.zeros((400, 2))
    for i in range(400):
        batch = mean + rng.normal(0, 2, (12, 1)) + rng.normal(0, 2, (12, 9))
        found = qa.own_check(
            batch[:5].ravel(), "120 g", EU, lot_size=108, group=np.repeat(range(5), 9).tolist()
        )
        covered[i] = (
            found.mean_lower <= batch.mean() <= found.mean_upper,
            found.short_upper >= (batch < 114.6).mean(),
        )
    interval, bound = covered.mean(axis=0)
    assert abs(interval - 0.95) <= 4 * math.sqrt(0.95 * 0.05 / 400)
    assert bound >= 0.95 - 4 * math.sqrt(0.95 * 0.05 / 400)


def test_equal_readings_of_a_coarse_scale_do_not_settle_the_mean() -> None:
    three = qa.own_check([121, 121, 121], "120 g", "eu-76-211", lot_size=300)
    # t of 2 degrees of freedom, 1 g over the root of 12, and the root of 1/3 - 1/300
    half = 4.302653 * 12**-0.5 * (1 / 3 - 1 / 300) ** 0.5
    assert three.mean_lower == pytest.approx(121 - half, abs=1e-5)
    assert "all weighed" not in str(three)
    fine = qa.own_check([121.25, 121.25, 121.25], "120 g", "eu-76-211", lot_size=300)
    assert fine.mean_upper - fine.mean_lower < 0.03


def test_a_sample_that_was_handled_bounds_nothing_of_the_rest() -> None:
    weights = [121.0 + i % 5 / 10 for i in range(30)]
    own = qa.own_check(weights, "120 g", "eu-76-211", lot_size=200, handled=4)
    assert math.isnan(own.mean_lower) and math.isnan(own.short_upper)
    assert own.finding == "not shown" and "of those weighed" in own.headline
    assert "of the batch" not in str(own)
    whole = qa.own_check(weights, "120 g", "eu-76-211", lot_size=30, handled=4)
    assert whole.finding == "holds"  # every package was weighed: nothing is left to speak for


def test_a_bound_is_never_rounded_down_nor_said_to_be_nothing() -> None:
    nearly = qa.own_check([121.0] * 104, "120 g", "eu-76-211", lot_size=108)
    assert "most likely none of the 4 not weighed" in str(nearly)
    own = qa.own_check([121.0, 121.3] * 15, "120 g", "eu-76-211")
    assert own.short_upper == pytest.approx(0.09503, abs=1e-5) and "at most 9.6 %" in str(own)


def test_a_whole_batch_with_a_mean_tare_bounds_no_share() -> None:
    weights = [121.0 + i % 5 / 10 for i in range(30)]
    own = qa.own_check(weights, "120 g", "eu-76-211", lot_size=30, tare_sd=1.0, tare_n=5)
    assert math.isnan(own.short_upper) and own.to_dict()["short_share_upper"] is None


@pytest.mark.parametrize(
    ("readings", "step"),
    [
        ([120.1, 120.0], 0.1),
        ([120, 121], 1),
        ([250, 255, 260, 245, 250, 255], 5),
        ([250, 255, 260, 245], 1),  # four readings may be multiples of five by chance
        ([60, 70, 60, 60], 10),
        ([250.0] * 40, 1),  # equal ones tell no step
        ([4.25, 4.3, 4.35, 4.4, 4.2, 4.25], 0.05),
        ([120], 1),
    ],
)
def test_the_step_of_the_scale_is_read_from_what_readings_have_in_common(
    readings: list[float], step: float
) -> None:
    assert reading_step(np.array(readings, dtype=float), "g") == pytest.approx(step)
