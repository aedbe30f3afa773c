"""Wander up on all wires at once is the loaf or the handling; up on one or two, it is not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pytest
from wire_cuts import FloatArray, cut, table

import qa_tools as qa
from qa_tools.decisions.wires.rough import NAME

ENDS = ["both trimmed", "from a stop"]
ALL = range(10)


def rising(wires: Sequence[int], times: float, first: int = 70, end: int = 100) -> FloatArray:
    """Wander of 10 wires in 100 loaves, so many times 0.15 mm on some of them."""
    sds = np.full((100, 10), 0.15)
    sds[first:end, list(wires)] *= times
    return sds


def named(bars: pd.DataFrame, ends: str = "both trimmed") -> bool:
    return NAME in set(qa.wires.study(bars, spacing_mm=25, ends=ends).causes["cause"])


@pytest.mark.parametrize("ends", ENDS)
@pytest.mark.parametrize("missing", [0.0, 0.2])
def test_all_wires_at_once_are_one_cause_and_none_is_blamed(ends: str, missing: float) -> None:
    weights = cut(np.random.default_rng(1), 100, rising(ALL, 2), ends=ends, missing=missing)
    found = qa.wires.study(table(weights), spacing_mm=25, ends=ends)
    assert found.causes["cause"].tolist() == [NAME]
    assert found.causes["size_mm"].item() == pytest.approx(0.15 * np.sqrt(3), rel=0.15)
    assert found.finding.startswith(f"{NAME}: all wires wander together, 0.")
    assert set(found.wires["advice"]) <= {"leave", "watch"}
    shown = found.wander_figure()
    assert shown.layout.title.text.startswith("All wires wander more since about loaf 7")
    assert abs(int(found.wires["since"].mode().item()) - 71) <= 3
    assert found.wires["wander_mm"].mean() == pytest.approx(0.3, rel=0.1)
    assert (qa.wires.watch(found).signals["loaf"] >= 71).sum() <= 1  # else one of each wire


@pytest.mark.parametrize("ends", ENDS)
def test_a_wire_serviced_in_between_is_not_blamed_for_it(ends: str) -> None:
    weights = cut(np.random.default_rng(2), 100, rising(ALL, 2), ends=ends)
    tightened = pd.DataFrame({"wire": [4], "loaf": [65], "what": ["tightened"]})
    found = qa.wires.study(table(weights), spacing_mm=25, ends=ends, services=tightened)
    assert found.causes["cause"].tolist() == [NAME]
    assert not found.wires["advice"].isin(["retension", "move"]).any()


def test_a_wire_slack_beside_it_is_still_found() -> None:
    sds = rising(ALL, 2)
    sds[70:, 4] *= 3
    found = qa.wires.study(table(cut(np.random.default_rng(3), 100, sds)), spacing_mm=25)
    assert found.causes["cause"].tolist() == [NAME]
    assert found.wires.loc[found.wires["advice"] == "retension", "wire"].tolist() == [5]
    signals = qa.wires.watch(found).signals
    assert signals.loc[signals["still"], "wire"].tolist() == [5]


def test_a_single_rough_batch_tells_nothing_of_wires() -> None:
    weights = cut(np.random.default_rng(4), 100, rising(ALL, 2.5, 40, 48))
    bars = table(weights)
    bars["batch"] = "B" + ((bars["loaf"] - 1) // 8).astype(str)
    found = qa.wires.study(bars, spacing_mm=25)
    assert found.causes["cause"].tolist() == [NAME]
    assert "in batch B5 alone" in found.finding
    assert set(found.wires["loaves"]) == {92}
    without = qa.wires.study(bars[bars["batch"] != "B5"], spacing_mm=25)
    np.testing.assert_allclose(found.wires["wander_mm"], without.wires["wander_mm"], rtol=1e-6)
    assert qa.wires.watch(found).signals.empty


@pytest.mark.parametrize("ends", ENDS)
@pytest.mark.parametrize("wires", [[4], [0], [3, 7], [4, 5]])
def test_one_wire_or_two_are_not_all(ends: str, wires: list[int]) -> None:
    for seed in range(6):
        random = np.random.default_rng([5, seed])
        assert not named(table(cut(random, 100, rising(wires, 3), ends=ends)), ends)


def test_nothing_is_named_where_nothing_rose() -> None:
    random = np.random.default_rng(6)
    assert not any(named(table(cut(random, 100, rising(ALL, 1)))) for _ in range(30))


@pytest.mark.slow
@pytest.mark.parametrize("ends", ENDS)
@pytest.mark.parametrize("missing", [0.0, 0.25])
@pytest.mark.parametrize("wires", [[], [4], [3, 7]])
def test_one_in_a_hundred_at_most_is_named_wrongly(
    ends: str, missing: float, wires: list[int]
) -> None:
    random = np.random.default_rng([7, ends == "from a stop", int(100 * missing), len(wires)])
    found = [
        named(table(cut(random, 100, rising(wires, 3), ends=ends, missing=missing)), ends)
        for _ in range(300)
    ]
    assert np.mean(found) <= 0.01 + 2 * np.sqrt(0.01 * 0.99 / 300)
