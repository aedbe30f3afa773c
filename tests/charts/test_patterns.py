"""Run rules on points: each by its definition, the reason and the price; bad input."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa_tools.charts import (
    Base,
    batch_means,
    cusum,
    ewma,
    individuals,
    mean_range,
    mean_sd,
    run_length,
)
from qa_tools.charts.patterns import patterns

tenths = st.lists(st.integers(-35, 35).map(lambda tenth: tenth / 10), min_size=2, max_size=40)


COLUMNS = ["point", "label", "rule", "since", "since_label", "what", "chance_in", "reason"]
LEVEL = [0.3, -0.9, 0.6, -0.5, 0.4, -0.3, 0.8, -0.2, 0.5, -0.4, 0.7, -0.6, 0.2, 0.1]


def points(values: list[float]) -> pd.DataFrame:
    """Points of a chart with centre 0 and limits at 3 sd, sd 1."""
    table = pd.DataFrame({"value": values, "centre": 0.0, "lower": -3.0, "upper": 3.0})
    table.insert(0, "point", range(1, len(values) + 1))
    return table.assign(label=[f"B{point}" for point in table["point"]])


def found(values: list[float], rule: str) -> list[int]:
    return sorted(set(patterns(points(values), rule)["point"]))


@given(values=tenths)
def test_every_rule_is_what_its_name_says(values: list[float]) -> None:
    z = np.array(values)
    steps = np.sign(np.diff(z, prepend=z[0]))

    def runs(test, length: int) -> list[int]:
        ends = range(length, len(z) + 1)
        return [end for end in ends if test(slice(end - length, end))]

    def most(test, many: int, window: int) -> list[int]:
        ends = range(1, len(z) + 1)
        inside = test(z)
        return [
            end for end in ends
            if inside[end - 1] and inside[max(0, end - window) : end].sum() >= many
        ]  # fmt: skip

    def steps_in(part: slice) -> np.ndarray:
        return steps[part.start + 1 : part.stop]

    assert found(values, "beyond 2.5") == runs(lambda p: abs(z[p][0]) > 2.5, 1)
    assert found(values, "4 on a side") == runs(lambda p: (z[p] > 0).all() or (z[p] < 0).all(), 4)
    assert found(values, "2 of 3 beyond 1") == sorted(
        most(lambda x: x > 1, 2, 3) + most(lambda x: x < -1, 2, 3)
    )
    assert found(values, "3 of 5 beyond 1") == sorted(
        most(lambda x: x > 1, 3, 5) + most(lambda x: x < -1, 3, 5)
    )
    assert found(values, "4 rising or falling") == runs(
        lambda p: (steps_in(p) > 0).all() or (steps_in(p) < 0).all(), 4
    )
    assert found(values, "5 up and down") == runs(
        lambda p: steps_in(p).all() and (np.diff(steps_in(p)) != 0).all(), 5
    )
    assert found(values, "3 within 1") == runs(lambda p: (abs(z[p]) < 1).all(), 3)
    assert found(values, "3 outside 1") == runs(lambda p: (abs(z[p]) > 1).all(), 3)


def test_the_reason_says_what_where_and_how_often_by_chance() -> None:
    table = patterns(points([0.5, *[-0.4] * 8, 2.2, 0.1, 2.4]), ["8 on a side", "2 of 3 beyond 2"])
    assert table["point"].tolist() == [9, 12]
    assert table["label"].tolist() == ["B9", "B12"]
    assert table["since"].tolist() == [2, 10]
    assert table["chance_in"].tolist() == [
        pytest.approx(run_length("shewhart", width=np.inf, rules=rule)) for rule in table["rule"]
    ]
    assert table["reason"][0] == (
        "8 points in a row on one side of the centre, here below, since point B2: the level "
        "may have moved (by chance about once in 255 points)"
    )
    assert table["reason"][1].startswith(
        "2 of 3 points more than 2 sd from the centre, on the same side, here above, "
        "since point B10:"
    )


def test_the_pattern_begins_at_its_first_point() -> None:
    starts = {
        "beyond 3": ([0, 0, 3.1], 3),
        "2 of 3 beyond 2": ([2.1, 2.2], 1),
        "4 of 5 beyond 1": ([0, 1.1, 1.2, 0, 1.3, 1.4], 2),
        "3 rising or falling": ([0.3, 0.1, 0.2, 0.4], 2),
        "4 up and down": ([0, 0.1, 0.2, 0.1, 0.2], 2),
    }
    for rule, (values, since) in starts.items():
        assert patterns(points(values), rule)["since"].tolist() == [since], rule


def test_limits_of_unequal_subgroups_are_each_points_own() -> None:
    same = points([1.5, 1.5, 1.5, 1.5])
    assert patterns(same, "2 of 3 beyond 2").empty
    wide = [3.0, 2.1, 2.1, 3.0]
    own = same.assign(upper=wide, lower=[-limit for limit in wide])
    assert patterns(own, "2 of 3 beyond 2")["point"].tolist() == [3]
    groups = {
        f"B{i}": [120 + (i > 9), 121 + (i > 9), *[120.5 + (i > 9)] * (i % 3)] for i in range(20)
    }
    table = mean_range(groups).with_rules("8 on a side").patterns
    assert table is not None
    assert table["label"].tolist() == ["B7", "B8", "B9", "B17", "B18", "B19"]


def test_equal_means_neither_rise_nor_lie_on_a_side() -> None:
    sums = [0.1 + 0.2 + 0.3, 0.3 + 0.2 + 0.1, 0.1 + 0.2 + 0.3]
    assert sums[0] != sums[1]
    level = points(sums).assign(centre=0.6, lower=-2.4, upper=3.6)
    assert patterns(level, ["3 rising or falling", "3 on a side", "2 on a side"]).empty
    turns = points([*sums[:2], sums[0], sums[1]]).assign(centre=0.6, lower=-2.4, upper=3.6)
    assert patterns(turns, "4 up and down").empty


def test_nothing_to_find_is_an_empty_table() -> None:
    table = patterns(points([0.1, -0.1, 0.2]), ["8 on a side", "beyond 3"])
    assert table.empty
    assert list(table.columns) == COLUMNS


def batches(values: list[float]) -> pd.Series:
    return pd.Series(
        values, index=pd.Index([f"B{i}" for i in range(1, len(values) + 1)], name="batch")
    )


def test_a_chart_with_rules_signals_at_each_complete_pattern_and_says_the_price() -> None:
    rules = ["8 on a side", "2 of 3 beyond 2"]
    plain = individuals(batches([*LEVEL, *[-0.3] * 9]), base=14)
    chart = plain.with_rules(rules)
    assert plain.signals.empty and plain.patterns is None
    assert chart.signals["label"].tolist() == ["B22", "B23"]
    assert chart.patterns is not None
    assert chart.patterns.columns.tolist() == COLUMNS
    assert chart.signals["reason"].tolist() == chart.patterns["reason"].tolist()
    assert chart.finding == (
        "All 23 readings lie within the limits, but 2 points complete a pattern, the first from "
        "batch B15 to B22: 8 points in a row on one side of the centre, here below"
    )
    assert f"one signal in {run_length('shewhart', rules=rules):.0f} points" in chart.note
    assert chart.note.startswith(plain.note)
    assert repr(chart).endswith(chart.note)


def test_a_point_out_and_a_pattern_are_both_told() -> None:
    chart = individuals(batches([*LEVEL, 9.0, *[-0.3] * 8]), base=14).with_rules("8 on a side")
    assert chart.beyond.sum() == 1
    assert chart.finding == (
        "Batch B15 stands above the limit: reading 9.0 g against 2.6 g; and there is a pattern "
        "from batch B16 to B23: 8 points in a row on one side of the centre, here below"
    )
    both = individuals(batches([*LEVEL, 2.4, 9.0]), base=14).with_rules("2 of 3 beyond 2")
    assert both.signals["label"].tolist() == ["B16"]
    limit, pattern = both.signals["reason"].item().split("; ")
    assert limit.startswith("reading 9.0 g is above the upper limit")
    assert pattern.startswith("2 of 3 points more than 2 sd")
    assert "pattern" not in both.finding
    single = individuals(batches([*LEVEL, 2.4]), base=14).with_rules("beyond 2.5")
    assert single.finding.endswith(
        "there is a pattern at batch B15: a point more than 2.5 sd from the centre, here above"
    )


def test_a_pattern_does_not_run_across_new_limits_and_knows_its_own() -> None:
    level = [*LEVEL, *[-0.3] * 7]
    values = batches([*level, *[value - 5 for value in level]])
    new = Base("B22", "B35", agreed="2026-10-05", reason="new scoop")
    one = individuals(values, base=[Base("B1", "B14")]).with_rules("8 on a side")
    assert one.signals["label"].iloc[0] == "B22"
    again = individuals(values, base=[Base("B1", "B14"), new]).with_rules("8 on a side")
    assert again.signals.empty
    assert again.finding == "All 42 readings lie within the limits and make no pattern"
    late = individuals(
        pd.concat([values, batches([-5.3])]).set_axis(batches([*values, 0]).index),
        base=[Base("B1", "B14"), new],
    ).with_rules("8 on a side")
    assert late.signals["label"].tolist() == ["B43"]
    assert late.patterns is not None
    assert late.patterns[["since", "since_label"]].iloc[0].tolist() == [36, "B36"]


def test_charts_of_means_and_batch_means_take_rules_too() -> None:
    level = np.where(np.arange(30) < 20, np.tile([0.4, -0.4], 15), 0.5)
    rows = 120 + level[:, np.newaxis] + np.array([-1.0, -0.5, 0.5, 1.0])
    for chart in (mean_range(rows, base=20), mean_sd(rows, base=20)):
        ruled = chart.with_rules("8 on a side")
        assert ruled.signals["point"].tolist() == [28, 29, 30]
        assert ruled.spread is chart.spread
    by_batch = batch_means(rows.ravel(), np.repeat(np.arange(30), 4), base=20)
    assert by_batch.with_rules("8 on a side").signals["point"].tolist() == [28, 29, 30]


def test_a_reason_from_few_points_owns_up_to_it() -> None:
    reason = (
        individuals([*LEVEL[:6], *[-0.8] * 8], base=6).with_rules("8 on a side").signals["reason"]
    )
    assert reason.iloc[-1].endswith("; limits from only 6 are uncertain")


def test_points_that_carry_over_or_lie_unevenly_are_refused() -> None:
    values = [1.0, 2.0, 1.5]
    for chart in (ewma(values, target=1, sd=1), cusum(values, target=1, sd=1)):
        with pytest.raises(ValueError, match="have their own limit instead"):
            chart.with_rules("8 on a side")
    rows = np.random.default_rng(1).normal(size=(20, 9))  # a range of nine has limits either way
    for spread in (individuals(values).spread, mean_range(rows).spread):
        assert spread is not None
        with pytest.raises(ValueError, match="lie unevenly about the centre"):
            spread.with_rules("8 on a side")
    with pytest.raises(ValueError, match='"8 on a side"'):
        individuals(values).with_rules("a run of 8")
    with pytest.raises(ValueError, match="all of them in one call"):
        individuals(values).with_rules("8 on a side").with_rules("2 of 3 beyond 2")
    with pytest.raises(ValueError, match="one run rule or more"):
        individuals(values).with_rules([])
