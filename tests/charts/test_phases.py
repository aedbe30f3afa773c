"""Base periods: limits set on some points and held, new limits on record, what cannot be a base."""

import datetime
import re

import numpy as np
import pandas as pd
import pytest

from qa_tools.charts import Base, batch_means, individuals, mean_range, mean_sd

random = np.random.default_rng(17)
NAMES = [f"B{place:02d}" for place in range(1, 41)]
ROWS = dict(zip(NAMES, random.normal(120, 1.5, (40, 4)), strict=True))
SHIFTED = {name: row - 6 * (place >= 30) for place, (name, row) in enumerate(ROWS.items())}
READINGS = pd.Series([row[0] for row in SHIFTED.values()], index=pd.Index(NAMES, name="batch"))
NEW = Base("B31", "B40", agreed="2026-10-05", reason="new scoop")


def of_batches(rows, **more):
    labels = np.repeat(list(rows), 4)
    return batch_means(np.concatenate(list(rows.values())), labels, **more)


def single(rows, **more):
    first = pd.Series({name: row[0] for name, row in rows.items()}).rename_axis("batch")
    return individuals(first, **more)


every = pytest.mark.parametrize("chart", [mean_range, mean_sd, of_batches, single])
LEVELS = ["centre", "lower", "upper"]


@every
def test_limits_of_the_base_are_held_for_what_comes_after(chart) -> None:
    held = chart(SHIFTED, base=20)
    alone = chart({name: SHIFTED[name] for name in NAMES[:20]})
    assert (held.centre, held.lower, held.upper) == (alone.centre, alone.lower, alone.upper)
    assert held.spread.upper == alone.spread.upper
    assert held.sigma == alone.sigma
    assert held.points["base"].tolist() == [True] * 20 + [False] * 20
    assert held.behind == 20
    assert held.signals["label"].isin(NAMES[30:]).sum() >= 6
    assert held.note.startswith("Limits were set on B01 to B20 (20 ")
    assert "and held from B21 on." in held.note
    assert held.note in repr(held)


@every
def test_new_limits_hold_from_their_first_point_and_are_on_record(chart) -> None:
    both = chart(SHIFTED, base=[Base("B01", "B20"), NEW])
    before = chart({name: SHIFTED[name] for name in NAMES[:20]})
    after = chart({name: SHIFTED[name] for name in NAMES[30:]})
    expected = [[one.points[level].iloc[0] for level in LEVELS] for one in (before, after)]
    assert both.points.loc[[0, 29], LEVELS].to_numpy().tolist() == [expected[0]] * 2
    assert both.points.loc[[30, 39], LEVELS].to_numpy().tolist() == [expected[1]] * 2
    assert both.sigma == after.sigma
    assert both.points["point"].tolist() == list(range(1, 41))
    assert both.spread.points["point"].is_monotonic_increasing
    assert both.behind == 10
    assert re.search(r"[Ll]imits from only 10 \w+: too few to trust them", both.finding)
    assert both.phases[1].reason == "new scoop"
    assert "New limits from B31 on, set on B31 to B40 (10 " in both.note
    assert "agreed on 2026-10-05: new scoop." in both.note


@every
def test_a_point_of_known_cause_is_left_out_of_the_limits_and_still_judged(chart) -> None:
    light = {**ROWS, "B07": ROWS["B07"] - 9}
    why = {"B07": "scooped light, a new hand", "B12": "tared twice"}
    held = chart(light, base=Base("B01", "B20", without=why))
    alone = chart({name: ROWS[name] for name in NAMES[:20] if name not in why})
    assert (held.centre, held.lower, held.upper) == (alone.centre, alone.lower, alone.upper)
    assert (held.sigma, held.behind) == (alone.sigma, 18)
    left_out = held.points.loc[~held.points["base"], "label"].tolist()
    assert left_out == ["B07", "B12", *NAMES[20:]]
    assert "B07" in held.signals["label"].tolist()
    assert "B01 to B20 (18 " in held.note
    assert "B07 left out: scooped light, a new hand. B12 left out: tared twice." in held.note


def test_a_point_is_left_out_of_the_base_it_belongs_to() -> None:
    new = Base("B31", "B40", agreed="2026-10-05", reason="new scoop", without={"B33": "spilt"})
    both = mean_sd(SHIFTED, base=[Base("B02", "B20", without={"B02": "first of the day"}), new])
    rows = {name: SHIFTED[name] for name in NAMES[30:] if name != "B33"}
    assert both.points["upper"].iloc[-1] == mean_sd(rows).upper
    rows = {name: SHIFTED[name] for name in NAMES[2:20]}
    assert both.points["upper"].iloc[0] == mean_sd(rows).upper
    assert both.points.loc[both.points["base"], "label"].tolist() == [
        name for name in [*NAMES[2:20], *NAMES[30:]] if name != "B33"
    ]
    assert both.note.index("B02 left out") < both.note.index("New limits") < both.note.index("B33")


def test_days_name_points_left_out_too() -> None:
    days = pd.date_range("2026-03-02", periods=20, name="made_on")
    left_out = Base(days[0].date(), days[14].date(), without={days[3].date(): "power cut"})
    by_day = pd.Series(READINGS.to_numpy()[:20], index=days)
    assert individuals(by_day, base=left_out).points["base"].sum() == 14


def test_a_moving_range_never_spans_the_start_of_new_limits() -> None:
    chart = individuals(READINGS, base=[Base("B01", "B20"), NEW])
    assert chart.spread.points["label"].tolist() == NAMES[1:30] + NAMES[31:]


def test_a_base_need_not_begin_at_the_first_point() -> None:
    chart = mean_sd(ROWS, base=Base("B11", "B25"))
    assert chart.centre == mean_sd({name: ROWS[name] for name in NAMES[10:25]}).centre
    assert chart.points["base"].sum() == 15
    assert not chart.points["base"].iloc[:10].any()


def test_days_and_numbers_name_a_base_too() -> None:
    days = pd.date_range("2026-03-02", periods=20, name="made_on")
    by_day = pd.Series(READINGS.to_numpy()[:20], index=days)
    chart = individuals(by_day, base=Base(days[0].date(), days[14].date()))
    assert chart.points["base"].sum() == 15
    assert mean_range(list(ROWS.values()), base=Base(1, 15)).points["base"].sum() == 15
    assert mean_range(ROWS, base=np.int64(15)).points["base"].sum() == 15


def test_new_points_may_be_single_readings_or_alike() -> None:
    rows = {**dict(list(ROWS.items())[:12]), "single": [119.0], "equal": [120.0, 120.0]}
    chart = mean_sd(rows, base=12)
    assert chart.points["label"].tolist()[-2:] == ["single", "equal"]
    assert chart.spread.points["label"].tolist()[-1] == "equal"


def test_the_day_may_be_a_date() -> None:
    new = Base("B31", "B40", agreed=datetime.date(2026, 10, 5), reason="new scoop")
    assert mean_sd(ROWS, base=[Base("B01", "B20"), new]).phases[1].agreed == "2026-10-05"


@every
@pytest.mark.parametrize(
    ("base", "says"),
    [
        (1, r"2 to 40 here, better twenty; got 1"),
        (0, r"got 0"),
        (41, r"got 41"),
        (True, r"a number of points, or base periods by label"),
        ("B20", r"as in charts\.Base"),
        ([], r"as in charts\.Base"),
        (Base("B1", "B20"), r"no point is called B1, as the base says; is B.* meant"),
        (Base("x", "B20"), r"they run from B01 to B40"),
        (Base("B07", "B07"), r"two or more points"),
        (Base("B20", "B07"), r"two or more points"),
        ([Base("B01", "B20"), Base("B21", "B40")], r"the day they were agreed on and the reason"),
        ([Base("B01", "B20"), Base("B21", "B40", "2026-10-05", None)], r"and the reason"),
        ([Base("B01", "B20"), Base("B21", "B40", reason="x")], r"the day they were agreed on"),
        (Base("B01", "B20", without={"B21": "x"}), r"from B01 to B20, and no point of it is .*B21"),
        (Base("B01", "B20", without={"B7": "x"}), r"called B7; is B.* meant"),
        (Base("B01", "B20", without={"B07": " "}), r"say why B07 is left out"),
        (Base("B01", "B20", without={"B07": None}), r"say why B07 is left out"),
        (Base("B01", "B20", without=("B07",)), r"for a known reason, as in charts\.Base"),
        (Base("B01", "B03", without={"B01": "x", "B03": "y"}), r"B01 to B03 has 1 without those"),
        ([Base("B01", "B31"), NEW], r"begins before the one ahead of it ends"),
        ([NEW, Base("B01", "B20", "2026-11-01", "x")], r"in order of time"),
        ([Base("B01", "B20"), Base("B31", "B40", "October", "x")], r'as in "2026-10-05"'),
    ],
)
def test_what_cannot_be_a_base_says_what_would_work(chart, base, says) -> None:
    with pytest.raises(ValueError, match=says):
        chart(ROWS, base=base)


@pytest.mark.parametrize("chart", [mean_range, mean_sd, of_batches])
def test_a_base_that_carries_no_limits_is_refused_however_many_follow(chart) -> None:
    with pytest.raises(ValueError, match="sd 0"):
        chart({"a": [120.0] * 4, "b": [121.0] * 4, **ROWS}, base=2)
    with pytest.raises(ValueError, match="two or more subgroups"):
        mean_range({"a": [120.0], "b": [121.0, 122.0], **ROWS}, base=2)
    with pytest.raises(ValueError, match=r"all 2 readings are equal"):
        individuals([120.0, 120.0, 121.0], base=2)
