"""Run rules on points: each by its definition, the reason and the price; bad input."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa_tools.charts import cusum, ewma, individuals, mean_range, patterns, run_length

tenths = st.lists(st.integers(-35, 35).map(lambda tenth: tenth / 10), min_size=2, max_size=40)


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
        "8 points in a row on one side of the centre, here below, since point 2: the level may "
        "have moved (by chance about once in 255 points)"
    )
    assert table["reason"][1].startswith(
        "2 of 3 points more than 2 sd from the centre, on the same side, here above, since point 10"
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
    assert patterns(same, "2 of 3 beyond 1", width=2)["point"].tolist() == []
    groups = {
        f"B{i}": [120 + (i > 9), 121 + (i > 9), *[120.5 + (i > 9)] * (i % 3)] for i in range(20)
    }
    table = patterns(mean_range(groups).points, "8 on a side")
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
    assert list(table.columns) == ["point", "label", "rule", "since", "chance_in", "reason"]


def test_points_that_carry_over_or_lie_unevenly_are_refused() -> None:
    values = [1.0, 2.0, 1.5]
    for chart in (ewma(values, target=1, sd=1), cusum(values, target=1, sd=1)):
        with pytest.raises(ValueError, match="has its own limit"):
            patterns(chart.points, "8 on a side")
    spread = individuals(values).spread
    assert spread is not None
    with pytest.raises(ValueError, match="a chart of spreads has not"):
        patterns(spread.points, "8 on a side")
    with pytest.raises(ValueError, match='"8 on a side"'):
        patterns(points(values), "a run of 8")
