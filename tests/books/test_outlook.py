"""The outlook of one batch: known cases, words, and calibration on batches from its prior."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

import qa_tools as qa
from qa_tools.books import outlook
from qa_tools.books.chance import chance_of_rejection
from qa_tools.books.limits import in_grams, limits
from qa_tools.books.outlook import Outlook, rejection_outlook

EU, UK, US, CA = "eu-76-211", "uk-2006-659", "us-hb133", "ca-crc-417"
Array = NDArray[np.float64]


def sample(seed: int, n: int, mean: float = 121.0, sd: float = 3.0) -> Array:
    return np.random.default_rng(seed).normal(mean, sd, n).round(1)


@pytest.mark.parametrize("mean", [119.0, 121.5])
def test_a_whole_lot_weighed_is_judged(mean: float) -> None:
    bars = sample(1, 60, mean)
    found = rejection_outlook(bars, "120 g", UK, lot_size=60)
    outcome = qa.judge(bars, "120 g", UK, lot_size=60).outcome
    assert found.method == "all"
    assert found.chance == found.lower == found.upper == (outcome == "reject")


def test_all_weighed_leaves_the_inspectors_draw() -> None:
    """One bar of 30 beyond the MAV: 12 drawn of 30 hold it in 12 of 30."""
    bars = [121.0] * 29 + [105.0]
    found = rejection_outlook(bars, "120 g", US, lot_size=30)
    assert found.chance == pytest.approx(0.4, abs=0.01)
    assert found.lower == found.upper == found.chance


def test_known_packages_are_drawn_from_a_finite_batch() -> None:
    """60 weighed of 61, one of them beyond the MAV: 12 drawn of 61 hold it in 12 of 61."""
    rng = np.random.default_rng(2)
    bars = np.append(rng.normal(125, 0.5, 59), 110.0)
    found = rejection_outlook(np.append(bars, []), "120 g", US, lot_size=61)
    assert found.chance == pytest.approx(12 / 61, abs=0.02)


def test_a_large_sample_of_a_larger_lot_is_the_chance_of_the_process() -> None:
    bars = np.random.default_rng(3).normal(121.2, 4, 400)
    found = rejection_outlook(bars, "120 g", US, lot_size=3000)
    process = chance_of_rejection(
        float(bars.mean()), float(bars.std(ddof=1)), "120 g", US, lot_size=3000
    )
    assert found.chance == pytest.approx(process, abs=0.03)
    assert found.lower < process < found.upper


def test_more_weighed_narrows_it() -> None:
    bars = sample(4, 100)
    few, many = (rejection_outlook(bars[:n], "120 g", EU, lot_size=108) for n in (12, 100))
    assert many.upper - many.lower < few.upper - few.lower


def test_few_loaves_widen_it() -> None:
    rng = np.random.default_rng(3)
    loaves = [f"L{i}" for i in range(4) for _ in range(9)]
    bars = np.repeat(rng.normal(120.8, 2, 4), 9) + rng.normal(0, 1.5, 36)
    plain = rejection_outlook(bars, "120 g", EU, lot_size=108)
    grouped = rejection_outlook(bars, "120 g", EU, lot_size=108, group=loaves)
    assert grouped.method == "groups"
    assert grouped.lower < plain.lower < plain.upper < grouped.upper - 0.1


def test_sorted_fills_are_not_given_a_light_tail() -> None:
    rng = np.random.default_rng(6)
    bars = rng.normal(121, 3, 400)
    bars = bars[bars > 119.5][:80]
    found = rejection_outlook(bars, "120 g", US, lot_size=2000)
    assert found.method == "weighed"
    assert found.chance < 0.001
    assert "sorted or topped up" in str(found)


def test_the_same_weights_get_the_same_answer() -> None:
    one, other = (rejection_outlook(sample(5, 30), "120 g", EU, lot_size=200) for _ in range(2))
    assert (one.chance, one.lower, one.upper) == (other.chance, other.lower, other.upper)


def test_ounces_are_grams() -> None:
    ounces = np.array([4.31, 4.25, 4.28, 4.22, 4.3, 4.27, 4.24, 4.33, 4.26, 4.29])
    one = rejection_outlook(ounces, "4.2 oz", US, lot_size=48, unit="oz")
    other = rejection_outlook(in_grams(ounces, "oz"), "4.2 oz", US, lot_size=48)
    assert one.chance == other.chance


def test_it_says_how_and_stands_beside_the_plain_mean() -> None:
    found = rejection_outlook(sample(1, 40, 119.5), "120 g", EU, lot_size=108)
    first, second, third, fourth = str(found).splitlines()
    assert first.startswith("eu-76-211: an inspector who weighs 30 of these 108 rejects the batch")
    assert "95 % sure" in first
    assert "predicted in each shape the weighings allow, as often as it is probable" in second
    assert "(normal 94 %, a longer light side 6 %)" in second
    assert found.own.headline in third
    assert "short of the 120 g declared" in third
    assert "beyond twice what is allowed are not counted in it: 0 of those weighed" in fourth


def test_fewer_than_twenty_show_no_shape_and_it_says_so() -> None:
    text = str(rejection_outlook(sample(1, 19, 119.5), "120 g", EU, lot_size=108))
    assert "predicted as normal fills (19 weighings show no other shape)" in text
    assert "so few cannot rule out a tail of light ones" in text


def test_no_chance_is_never_said_where_there_is_some() -> None:
    made = rejection_outlook(sample(1, 40), "120 g", EU, lot_size=108)
    words = [
        str(Outlook(c, c, c, "normal", "", made.limits, made.plan, made.own)).splitlines()[0]
        for c in (0.0, 0.001, 0.27, 0.999, 1.0)
    ]
    said = [line.partition("chance of ")[2].partition(" (")[0] for line in words]
    assert said == ["0 %", "under 1 %", "27 %", "over 99 %", "100 %"]


@pytest.mark.parametrize(
    "asked, words",
    [
        ({"net": [120.0, -1.0]}, "weight 2 of 2 is -1;"),
        ({"net": [120.0]}, "at least two packages"),
        ({"net": []}, "one or more weights"),
        ({"net": [120.0] * 104, "lot_size": 96}, "104 weighed of 96 packed"),
        ({"group": ["A", "A", "A"]}, "one loaf or tray"),
        ({"group": ["A", "B"]}, "3 weights but 2 groups"),
        ({"book": "eu"}, "no rule book"),
        ({"declared": "3 g"}, "outside eu-76-211"),
    ],
)
def test_bad_input_is_refused_in_plain_words(asked: dict[str, Any], words: str) -> None:
    good = {"net": [119.0, 121.0, 122.0], "declared": "120 g", "book": EU, "lot_size": 108}
    with pytest.raises(ValueError, match=words):
        rejection_outlook(**good | asked)


# Calibration: batches drawn from the stated prior, flat in mean and log sd over a wide range.
BANDS = [0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.000001]


def trials(count: int, groups: bool, seed: int) -> tuple[Array, Array]:
    """What was said of each batch, and how often five inspectors' draws rejected it."""
    rng = np.random.default_rng(seed)
    book, size = qa.rulebook(EU), 108
    plan, found = book.plan(size), limits("120 g", book)
    said, were = np.zeros(count), np.zeros(count)
    for i in range(count):
        mean, sd = rng.uniform(112, 132), math.exp(rng.uniform(0, math.log(6)))
        batch, group = rng.normal(mean, sd, size), None
        if groups:  # the mean square of loaf means, times 9, no smaller than that within
            square = math.exp(rng.uniform(math.log(sd**2), math.log(9 * 10.0**2)))
            batch += np.repeat(rng.normal(0, math.sqrt((square - sd**2) / 9), 12), 9)
            group = [at // 9 for at in range(36)]
        weighed = batch[:36] if groups else batch[:20]
        said[i] = rejection_outlook(weighed, "120 g", book, lot_size=size, group=group).chance
        draws = np.stack([rng.permutation(batch)[: plan.n_all] for _ in range(5)])
        were[i] = outlook._rejects(plan, found, draws).mean()
    return said, were


LIGHT = ((-1, 2.0),)  # a longer light side, of skewness 1.6
SHAPES = ((0, 1.0),) * 4 + tuple((side, x) for side in (-1, 1) for x in (2.0, 4.0))


def shaped_trials(
    count: int, shapes: Sequence[tuple[int, float]], means: tuple[float, float], seed: int
) -> tuple[Array, Array]:
    """
    As `trials`, 30 of 400 weighed, spreads of 2.7 to 6 g. Shapes take turns: side, and standard
    deviations from the mean to the threshold of a log-normal.
    """
    rng = np.random.default_rng(seed)
    book, size = qa.rulebook(US), 400
    plan, found = book.plan(size), limits("120 g", book)
    said, were = np.zeros(count), np.zeros(count)
    for i in range(count):
        mean, sd = rng.uniform(*means), math.exp(rng.uniform(1.0, math.log(6)))
        side, times = shapes[i % len(shapes)]
        log_sd, z = math.sqrt(math.log1p(1 / times**2)), rng.standard_normal(size)
        far = side * times * np.expm1(log_sd * z - log_sd**2 / 2) if side else z
        batch = mean + sd * far
        said[i] = rejection_outlook(batch[:30], "120 g", book, lot_size=size).chance
        draws = np.stack([rng.permutation(batch)[: plan.n_all] for _ in range(20)])
        were[i] = outlook._rejects(plan, found, draws).mean()
    return said, were


def uncalibrated(said: Array, were: Array) -> dict[float, tuple[float, float]]:
    """Bands of chances whose batches were rejected more or less often, by four standard errors."""
    off = {}
    for low, high in itertools.pairwise(BANDS):
        here = (said >= low) & (said < high)
        if here.sum() < 10:
            continue
        expected, seen = said[here].mean(), were[here].mean()
        # draws of one batch are alike: at most as uncertain as one draw each
        error = math.sqrt(max(expected * (1 - expected), 1e-3) / here.sum())
        if abs(seen - expected) > 4 * error + 0.005:
            off[low] = (expected, seen)
    return off


@pytest.mark.parametrize("groups", [False, True])
def test_of_batches_given_a_chance_about_as_many_are_rejected(
    monkeypatch: pytest.MonkeyPatch, groups: bool
) -> None:
    monkeypatch.setattr(outlook, "STATES", 100)
    monkeypatch.setattr(outlook, "DRAWS", 40)
    said, were = trials(250, groups, 11)
    assert not uncalibrated(said, were)


def test_batches_with_a_light_tail_are_rejected_about_as_often_as_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """
    Half of them look normal at 30 weighings; of those then said to be rejected once in a hundred,
    ten in a hundred were. Shapes averaged, about as many as said, though the prior is for others
    too: in 1,600 batches, 6 in a hundred of those said to be 2.
    """
    monkeypatch.setattr(outlook, "STATES", 100)
    monkeypatch.setattr(outlook, "DRAWS", 40)
    said, were = shaped_trials(300, LIGHT, (120, 136), 14)
    assert not uncalibrated(said, were)
    low = said < 0.2
    error = math.sqrt(np.sum(said[low] * (1 - said[low])))
    assert were[low].sum() == pytest.approx(said[low].sum(), abs=2.5 * error)


@pytest.mark.slow
def test_calibration_of_shapes_at_length(monkeypatch: pytest.MonkeyPatch) -> None:
    """The stated prior: half of the batches normal, the others lopsided to either side."""
    monkeypatch.setattr(outlook, "STATES", 200)
    monkeypatch.setattr(outlook, "DRAWS", 50)
    said, were = shaped_trials(1600, SHAPES, (105, 140), 15)
    assert not uncalibrated(said, were)


@pytest.mark.slow
@pytest.mark.parametrize("groups", [False, True])
def test_calibration_at_length(monkeypatch: pytest.MonkeyPatch, groups: bool) -> None:
    monkeypatch.setattr(outlook, "STATES", 200)
    monkeypatch.setattr(outlook, "DRAWS", 50)
    said, were = trials(1000, groups, 12)
    assert not uncalibrated(said, were)


@pytest.mark.slow
def test_the_interval_holds_the_true_chance_95_times_in_100(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """
    Lots so large that what is left unknown is the process, whose chance is known exactly; of those
    whose interval says anything. Counting 200 draws widens it a little.
    """
    monkeypatch.setattr(outlook, "STATES", 200)
    rng, held = np.random.default_rng(13), []
    while len(held) < 250:
        mean, sd = rng.uniform(112, 132), math.exp(rng.uniform(0, math.log(6)))
        found = rejection_outlook(rng.normal(mean, sd, 20), "120 g", US, lot_size=3000)
        if found.upper - found.lower > 0.05:
            true = chance_of_rejection(mean, sd, "120 g", US, lot_size=3000)
            held.append(found.lower <= true <= found.upper)
    assert 0.93 <= np.mean(held) <= 0.99


def test_what_is_over_counts_where_the_book_limits_it() -> None:
    heavy = [140 + i % 7 / 10 for i in range(24)]
    whole = rejection_outlook(heavy, "120 g", "jp-guideline", lot_size=24)
    assert whole.chance == 1
    assert rejection_outlook(heavy, "120 g", "jp-guideline", lot_size=100).chance == 1


BOTH_SIDES = """format = 1
name = "both-sides"
judged_at = "packing"
[[deficiency]]
unit = "g"
clause = "1"
grade = "read"
bands = [{ percent = 5 }]
[[excess]]
unit = "g"
clause = "2"
grade = "read"
bands = [{ percent = 10 }]
[sampling]
clause = "3"
grade = "read"
confidence = 0.995
[[sampling.plans]]
lot = [12]
sample = "exactly"
count = [{ n = 12, accept = 1, reject = 2 }]
mean = { n = 12, factor = 0.5 }
"""


def test_a_book_with_an_average_and_an_over_side(tmp_path: Path) -> None:
    """One heavy, two light of 24: 12 drawn pass without the heavy and without both light ones."""
    file = tmp_path / "both-sides.toml"
    file.write_text(BOTH_SIDES)
    book = qa.rulebook(file)
    bars = [122 + i % 3 / 10 for i in range(21)]
    found = rejection_outlook([*bars, 133.0, 113.0, 113.5], "120 g", book, lot_size=24)
    passes = (math.comb(21, 12) + 2 * math.comb(21, 11)) / math.comb(24, 12)
    assert found.chance == pytest.approx(1 - passes, abs=0.01)
    # and of a process: as often as its lots of 2,000 are, judged one by one
    rng = np.random.default_rng(3)
    weighed = rng.normal(121, 4.2, 1500)
    said = rejection_outlook(weighed, "120 g", book, lot_size=10_000).chance
    lots = rng.normal(weighed.mean(), weighed.std(), (20_000, 12))
    table = pd.DataFrame({"batch": np.repeat(np.arange(20_000), 12), "net_g": lots.ravel()})
    outcomes = qa.judge_lots(table, book, declared="120 g", lot_size=10_000)["outcome"]
    assert said == pytest.approx((outcomes == "reject").mean(), abs=0.02)
    assert 0.1 < said < 0.4
    with pytest.raises(ValueError, match="rejection_outlook judges a batch under it"):
        qa.chance_of_rejection(121, 3, "120 g", book, lot_size=48)


@pytest.mark.parametrize(
    "book, size, test", [(EU, 2000, "destructive"), (US, 2000, "category B"), (UK, 2000, "single")]
)
def test_another_test_is_the_chance_of_the_process(book: str, size: int, test: str) -> None:
    bars = np.random.default_rng(3).normal(120.4, 3.5, 400)
    found = rejection_outlook(bars, "120 g", book, lot_size=size, test=test)
    process = chance_of_rejection(
        float(bars.mean()), float(bars.std(ddof=1)), "120 g", book, lot_size=size, test=test
    )
    assert found.chance == pytest.approx(process, abs=0.03)
    assert str(found).startswith(f"{book}, {test} test: an inspector who weighs {found.plan.n} of")
    with pytest.raises(ValueError, match="no 'quick' test; it has"):
        rejection_outlook(bars, "120 g", book, lot_size=size, test="quick")


def test_a_package_under_a_least_weight_fails_the_batch(tmp_path: Path) -> None:
    book = tmp_path / "corner-shop.toml"
    book.write_text('format = 1\nname = "corner-shop"\njudged_at = "sale"\nleast = "118 g"\n')
    weights = [120 + i % 9 / 5 for i in range(20)]
    assert rejection_outlook([*weights, 117.0], "120 g", qa.rulebook(book), lot_size=50).chance == 1
    # none of 50 under 118 g, where one falls under with a chance of 0.0912: 1 - 0.9088 ** 50
    chance = qa.chance_of_rejection(120, 1.5, "120 g", qa.rulebook(book), lot_size=50)
    assert chance == pytest.approx(0.9916, abs=2e-4)


def test_what_it_rests_on_is_said() -> None:
    weights = sample(2, 12, 118.8)
    text = str(rejection_outlook(weights, "120 g", "us-hb133", lot_size=108))
    assert "From memory, compare with NIST Handbook 133" in text
    moist = qa.rulebook("us-hb133").with_moisture(3)
    text = str(rejection_outlook(weights, "120 g", moist, lot_size=108))
    assert "if 3 % for moisture is accepted" in text
    notes = qa.oc_curve(["us-hb133", "eu-76-211"], 200).notes
    assert notes == ("us-hb133: figures from memory",)
    table = qa.chance_by_setting(121, 2, "120 g", "us-hb133", lot_size=108)
    assert set(table["note"]) == {"figures from memory"}


@pytest.mark.parametrize("weights", [[121.0, 121.0], [120.0] * 29 + [121.0]])
def test_a_scale_too_coarse_for_the_spread_is_refused(weights: list[float]) -> None:
    with pytest.raises(ValueError, match="too coarse to tell how the packages spread"):
        rejection_outlook(weights, "120 g", EU, lot_size=200)


@pytest.mark.parametrize("size", [48.5, float("nan"), True, "48"])
def test_a_lot_size_that_is_none_is_refused_plainly(size: object) -> None:
    with pytest.raises(ValueError, match="give the number of packages packed"):
        rejection_outlook(sample(1, 12), "120 g", EU, lot_size=size)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="give the number of packages packed"):
        qa.chance_of_rejection(121, 2, "120 g", EU, lot_size=size)  # type: ignore[arg-type]
