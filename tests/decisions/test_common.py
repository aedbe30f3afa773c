"""Causes common to all wires are named, and not where single wires are at fault."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from wire_cuts import FloatArray, cut, table

import qa_tools as qa

STEADY = 0.15 * np.ones(9)
SHARE = np.arange(11) / 10
ENDS = ["both trimmed", "from a stop"]


def together(random: np.random.Generator, shape: FloatArray, sd: float) -> FloatArray:
    """Strays of all faces of 40 loaves, in proportion to a shape."""
    return random.normal(0, sd, (40, 1)) * shape


@pytest.mark.parametrize(
    ("ends", "shape", "sd", "cause"),
    [
        ("both trimmed", np.eye(11)[0], 0.4, "slack end wire at the stop"),
        ("both trimmed", np.eye(11)[10], 0.4, "slack end wire at the far end"),
        ("both trimmed", np.r_[0, np.ones(9), 0], 0.3, "loaf not home"),
        ("from a stop", np.eye(11)[0], 0.4, "loaf not home"),
        ("both trimmed", 4 * SHARE * (1 - SHARE), 0.4, "uneven loaf"),
        ("from a stop", 4 * SHARE * (1 - SHARE), 0.5, "uneven loaf"),
    ],
)
def test_what_strays_together_is_one_cause_and_no_wire_is_blamed(
    ends: str, shape: FloatArray, sd: float, cause: str
) -> None:
    random = np.random.default_rng(1)
    weights = cut(random, 40, STEADY, ends=ends, strays=together(random, shape, sd))
    found = qa.wires.study(table(weights), spacing_mm=25, ends=ends)
    assert found.causes["cause"].tolist() == [cause]
    assert found.causes["size_mm"].tolist() == pytest.approx([sd], rel=0.35)
    assert set(found.wires["advice"]) == {"leave"}
    assert found.wires["wander_mm"].mean() == pytest.approx(0.15, rel=0.1)
    assert found.finding.startswith(cause)


@pytest.mark.parametrize("ends", ENDS)
@pytest.mark.parametrize(
    ("offset", "cause", "size"),
    [
        (0.3 * 4 * SHARE[1:10] * (1 - SHARE[1:10]), ["tilted mould"], [0.3]),
        (np.full(9, -0.3), ["stop off its place"], [0.3]),
        (0.5 * np.eye(9)[4], [], []),
        (0.5 * np.eye(9)[4] + 0.5 * np.eye(9)[5], [], []),
        (np.array([0.0, 0.3, 0, 0, -0.5, 0, 0, 0.2, 0]), [], []),
    ],
)
def test_what_is_off_steadily(
    ends: str, offset: FloatArray, cause: list[str], size: list[float]
) -> None:
    weights = cut(np.random.default_rng(2), 40, STEADY, ends=ends, offset=offset)
    found = qa.wires.study(table(weights), spacing_mm=25, ends=ends)
    assert found.causes["cause"].tolist() == cause
    assert found.causes["size_mm"].tolist() == pytest.approx(size, abs=0.08)
    moved = found.wires.loc[found.wires["advice"] == "move", "wire"].tolist()
    assert moved == ([] if cause else (np.flatnonzero(offset) + 1).tolist())


@pytest.mark.parametrize("ends", ENDS)
def test_a_wire_off_its_place_shows_beside_a_tilted_mould(ends: str) -> None:
    offset = 0.4 * 4 * SHARE[1:10] * (1 - SHARE[1:10]) + 0.5 * np.eye(9)[2]
    weights = cut(np.random.default_rng(3), 60, STEADY, ends=ends, offset=offset)
    found = qa.wires.study(table(weights), spacing_mm=25, ends=ends)
    assert found.causes["cause"].tolist() == ["tilted mould"]
    assert found.wires["offset_mm"].to_numpy() == pytest.approx(0.5 * np.eye(9)[2], abs=0.12)
    assert found.wires.loc[found.wires["advice"] == "move", "wire"].tolist() == [3]


@pytest.mark.slow
@pytest.mark.parametrize("ends", ENDS)
def test_nothing_common_is_named_where_wires_stand_each_a_little_off(ends: str) -> None:
    random = np.random.default_rng(4)
    named: list[Any] = []
    for _ in range(400):
        weights = cut(random, 40, STEADY, ends=ends, offset=random.normal(0, 0.08, 9))
        named.append(len(qa.wires.study(table(weights), spacing_mm=25, ends=ends).causes) > 0)
    assert np.mean(named) < 0.05


@pytest.mark.parametrize("ends", ENDS)
def test_a_slack_wire_is_no_common_cause(ends: str) -> None:
    random = np.random.default_rng(5)
    for wire in (1, 5, 9):
        wander = STEADY + 0.4 * np.eye(9)[wire - 1]
        found = qa.wires.study(table(cut(random, 40, wander, ends=ends)), spacing_mm=25, ends=ends)
        assert found.causes.empty
        assert found.wires.loc[found.wires["advice"] == "retension", "wire"].tolist() == [wire]
