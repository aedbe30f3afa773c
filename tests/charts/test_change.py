"""Since when: planted shifts and odd points, scale and side, coverage by simulation, bad input."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import qa_tools as qa
from qa_tools.charts import Base, Change, batch_means, cusum, ewma, individuals, mean_sd, since

BASE = [50.2, 49.1, 50.9, 49.6, 50.4, 49.8, 50.7, 49.3, 50.1, 49.9, 50.6, 49.4]
tails = st.lists(st.integers(-40, 40).map(lambda tenths: 50 + tenths / 10), min_size=1, max_size=8)


def after(*tail: float) -> Change:
    return since(individuals([*BASE, *tail], base=12))


def test_a_shift_that_lasts_is_dated_with_its_size() -> None:
    change = after(50.3, 49.7, 47.1, 46.2, 47.0)
    assert (change.verdict, change.first) == ("lasting", "15")
    assert change.lower < change.size < change.upper < 0
    assert change.level == pytest.approx(np.mean([47.1, 46.2, 47.0]))
    # The level before: the base and the two points ahead of the shift, alike in weight.
    assert change.size == pytest.approx(change.level - np.mean([*BASE, 50.3, 49.7]))


def test_a_slight_shift_is_dated_less_surely() -> None:
    change = since(ewma([0.1, -0.4, 0.6, -0.2, 1.7, 1.1, 2.2, 1.2, 1.8], target=0, sd=1))
    assert change.verdict == "lasting"
    assert int(change.earliest) < int(change.first) == 5 < int(change.latest)
    assert f"about point 5, between {change.earliest} and {change.latest}" in change.finding


def test_a_target_given_is_a_level_known() -> None:
    tail = [46.1, 45.8, 46.3]
    given = since(ewma([*BASE, *tail], target=49.0, base=12))
    assert given.size == pytest.approx(np.mean(tail) - 49.0)
    estimated = since(ewma([*BASE, *tail], base=12))
    assert estimated.size == pytest.approx(np.mean(tail) - np.mean(BASE))


def test_one_odd_point_is_no_shift() -> None:
    change = after(50.3, 45.1, 49.9, 50.4)
    assert (change.verdict, change.first, change.earliest, change.latest) == ("single", *["14"] * 3)
    assert change.size == pytest.approx(45.1 - np.mean(BASE))
    assert "no lasting shift" in change.finding


def test_of_the_last_point_nobody_knows_yet() -> None:
    change = after(50.3, 45.1)
    assert change.verdict == "open"
    assert change.finding.endswith("a single odd one or a shift that lasts, the next will tell")


def test_points_in_order_make_no_shift() -> None:
    change = after(50.3, 49.7)
    assert change.verdict == "none"
    assert repr(change).startswith("No shift is shown: the 2 points after the base")


def test_what_was_put_right_is_looked_at_up_to_then() -> None:
    tail = [46.9, 47.2, 46.8, 47.3, 50.1, 49.8, 50.2, 49.9]
    chart = individuals([*BASE, *tail], base=12)
    change = since(chart, until=16)
    assert (change.verdict, change.first, change.until) == ("lasting", "13", "16")


def test_each_phase_answers_by_its_own_base() -> None:
    values = pd.Series([*BASE, *[x + 5 for x in BASE], 52.0, 51.8, 52.1])
    bases = [Base(1, 12), Base(13, 24, agreed="2026-10-05", reason="new scoop")]
    labels = pd.Index(range(1, len(values) + 1), name="day")
    change = since(individuals(values.set_axis(labels), base=bases))
    assert (change.verdict, change.first, change.points) == ("lasting", "25", 3)
    assert change.size == pytest.approx(np.mean([52.0, 51.8, 52.1]) - np.mean(BASE) - 5)


def test_a_point_left_out_of_the_base_is_not_after_it() -> None:
    values = pd.Series([*BASE, 44.0, 50.3, 47.1, 46.9, 47.3])
    chart = individuals(values, base=Base(1, 13, without={13: "scale out of level"}))
    change = since(chart)
    assert (change.points, change.verdict, change.first) == (4, "lasting", "15")


def test_the_light_jar_batch_is_found_on_its_day_and_alone(demo_works: qa.Works) -> None:
    jars = demo_works.weighings.table.query("product == 'rosemary-scrub' and stage == 'filled'")
    chart = batch_means(jars["net_g"], jars["batch"], base=12)
    assert chart.signals["label"].tolist() == ["RS-1028"]
    then, now = since(chart, until="RS-1028"), since(chart)
    assert (then.verdict, then.first) == ("open", "RS-1028")
    assert (now.verdict, now.first) == ("single", "RS-1028")
    assert now.lower < 247.5 - 253.2 < now.upper
    assert since(chart, until="RS-1021").verdict == "none"


def test_the_heavier_tins_of_the_demo_are_dated_by_their_first_batch(demo_works: qa.Works) -> None:
    # The new tins came on 9 October and were weighed empty only on the 19th.
    tins = demo_works.weighings.table.query("product == 'calendula-balm'")
    change = since(batch_means(tins["net_g"], tins["batch"], base=8), until="CB-1016")
    assert (change.verdict, change.earliest, change.latest) == ("lasting", "CB-1009", "CB-1009")
    assert change.lower < 1.8 < change.upper


@settings(max_examples=25)
@given(tail=tails, scale=st.sampled_from([0.5, 4.0]), shift=st.integers(-64, 64))
def test_shift_scale_and_side_carry_over(tail: list[float], scale: float, shift: int) -> None:
    values = np.array([*BASE, *tail])
    before = since(individuals(values, base=12))
    moved = since(individuals(-scale * values + shift, base=12))
    same = ("verdict", "first", "earliest", "latest")
    if before.starts["chance"].sub(0.05).abs().min() > 1e-6:
        assert [getattr(moved, name) for name in same] == [getattr(before, name) for name in same]
    assert moved.size == pytest.approx(-scale * before.size, abs=1e-9)
    assert moved.chance == pytest.approx(before.chance, abs=1e-9)


@settings(max_examples=25)
@given(tail=tails)
def test_the_first_lies_within_its_interval(tail: list[float]) -> None:
    change = after(*tail)
    assert int(change.earliest) <= int(change.first) <= int(change.latest)
    assert change.lower <= change.size <= change.upper


class Design(NamedTuple):
    """A base (0: level and sd known), points after it, where a shift begins, how large, in sd."""

    base: int
    points: int
    start: int
    shift: float


def coverage(design: Design, runs: int) -> tuple[float, float]:
    """How often the intervals of the start, and of the size, hold the truth."""
    rng = np.random.default_rng(20261129)
    start = size = 0
    for _ in range(runs):
        values = rng.normal(size=design.base + design.points)
        values[design.base + design.start :] += design.shift
        chart = (
            individuals(values, base=design.base)
            if design.base
            else ewma(values, target=0.0, sd=1.0)
        )
        change = since(chart)
        start += bool(change.starts["within"].iloc[design.start])
        size += change.verdict == "single" or change.lower <= design.shift <= change.upper
    return start / runs, size / runs


def test_intervals_of_known_level_and_sd_hold_as_often_as_they_say() -> None:
    runs = 300
    start, size = coverage(Design(0, 8, 4, 1.5), runs)
    error = np.sqrt(0.95 * 0.05 / runs)
    assert abs(start - 0.95) <= 4 * error
    assert size >= 0.95 - 4 * error


@pytest.mark.slow
@pytest.mark.parametrize(
    "design",
    [
        Design(0, 10, 5, 1.0),
        Design(0, 10, 2, 2.0),
        Design(0, 20, 15, 1.5),
        Design(0, 6, 5, 2.0),
        Design(20, 10, 5, 2.0),
        Design(12, 10, 2, 1.0),
        Design(12, 6, 3, 3.0),
        Design(8, 8, 4, 2.0),
    ],
    ids=str,
)
def test_intervals_hold_as_often_as_they_say(design: Design) -> None:
    runs = 600
    start, size = coverage(design, runs)
    error = np.sqrt(0.95 * 0.05 / runs)
    assert start >= 0.95 - 4 * error
    assert size >= 0.95 - 4 * error
    if not design.base:  # exact; with an estimated sd it errs to the wide side
        assert start <= 0.95 + 4 * error


@pytest.mark.slow
@pytest.mark.parametrize("base", [0, 12, 20])
def test_verdicts_are_seldom_wrong(base: int) -> None:
    runs = 600
    rng = np.random.default_rng(42)

    def share(wrong: tuple[str, ...], points: int, shift: slice | int, by: float) -> float:
        found = 0
        for _ in range(runs):
            values = rng.normal(size=base + points)
            values[base:][shift] += by
            chart = individuals(values, base=base) if base else ewma(values, target=0, sd=1.0)
            found += since(chart).verdict in wrong
        return found / runs

    error = 4 * np.sqrt(0.05 * 0.95 / runs)
    assert share(("lasting", "single", "open"), 6, slice(0), 0.0) <= 0.05 + error
    assert share(("single",), 6, slice(3, None), 3.0) <= 0.05
    assert share(("lasting",), 6, 2, 4.0) <= 0.05


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        (lambda: since(individuals(BASE)), "no point lies after the base, which ends at 12"),
        (
            lambda: since(individuals(BASE, base=8), until="20"),
            "no point is called 20",
        ),
        (lambda: since(individuals(BASE, base=8), until=8), "no point lies after the base"),
        (lambda: since(cusum(BASE, target=50, sd=1)), "a cumulative sum carries over"),
        (
            lambda: since(mean_sd(np.reshape(BASE, (4, 3)), base=3).spread),
            "a chart of the standard deviation",
        ),
    ],
)
def test_what_cannot_be_dated_is_refused(asked, message) -> None:
    with pytest.raises(ValueError, match=message):
        asked()


def test_means_of_a_base_and_of_batches_are_dated_too() -> None:
    rng = np.random.default_rng(11)
    rows = rng.normal(120, 2, size=(20, 5))
    rows[15:] += 4
    assert since(mean_sd(rows, base=12)).first == "16"
    values = pd.Series(rows.ravel())
    chart = batch_means(values, np.repeat([f"B{i:02}" for i in range(20)], 5), base=12)
    assert since(chart).first == "B15"
