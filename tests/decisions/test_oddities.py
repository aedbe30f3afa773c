"""A bar crumbled, slots swapped, a loaf in reverse: found where visible, else no harm."""

from __future__ import annotations

import numpy as np
import pytest
from wire_cuts import FloatArray, cut, table

import qa_tools as qa

OFFSET = np.array([0.5, -0.3, 0.0, 0.6, 0.0, -0.5, 0.3, 0.0, 0.4])


def loaves(seed: int) -> FloatArray:
    return cut(np.random.default_rng(seed), 40, 0.15 * np.ones(9), offset=OFFSET)


@pytest.mark.parametrize("ends", ["both trimmed", "from a stop"])
def test_a_crumbled_bar_is_set_aside_with_its_grams(ends: str) -> None:
    weights = loaves(1)
    clean = qa.wires.study(table(weights), spacing_mm=25, ends=ends)
    assert clean.set_aside.empty
    weights[12, 4] -= 9
    found = qa.wires.study(table(weights), spacing_mm=25, ends=ends)
    assert found.set_aside[["loaf", "slot"]].values.tolist() == [[13, 5]]
    assert found.set_aside["net"].tolist() == [weights[12, 4]]
    words = found.set_aside["words"].item()
    assert "too light for any wire" in words
    assert float(words.split()[0]) == pytest.approx(9, abs=2.5)
    assert found.wires["wander_mm"].to_numpy() == pytest.approx(
        clean.wires["wander_mm"].to_numpy(), abs=0.02
    )


def test_swapped_slots_and_a_loaf_in_reverse_are_seen_by_the_offsets() -> None:
    weights = loaves(2)
    weights[20, [0, 1]] = weights[20, [1, 0]]
    found = qa.wires.study(table(weights), spacing_mm=25).set_aside
    assert found[["loaf", "slot", "words"]].values.tolist() == [
        [21, 1, "fit only when swapped: both set aside"],
        [21, 2, "fit only when swapped: both set aside"],
    ]
    weights = loaves(3)
    weights[7] = weights[7, ::-1]
    found = qa.wires.study(table(weights), spacing_mm=25).set_aside
    assert found["loaf"].tolist() == [8] * 10
    assert found["words"].str.startswith("fits only when read from the other end").all()


def test_without_offsets_reversal_is_harmless_to_the_wander() -> None:
    weights = cut(np.random.default_rng(4), 40, 0.15 * np.ones(9))
    before = qa.wires.study(table(weights), spacing_mm=25).wires["wander_mm"]
    weights[7] = weights[7, ::-1]
    after = qa.wires.study(table(weights), spacing_mm=25)
    assert after.set_aside.empty
    assert after.wires["wander_mm"].to_numpy() == pytest.approx(before.to_numpy(), rel=0.1)


def test_a_slack_wire_is_evidence_not_an_oddity() -> None:
    random = np.random.default_rng(5)
    wander = np.full((40, 9), 0.15)
    wander[34:, 3] = 1.0
    found = qa.wires.study(table(cut(random, 40, wander)), spacing_mm=25)
    assert found.set_aside.empty
    assert found.wires.loc[found.wires["advice"] == "retension", "wire"].tolist() == [4]


def test_heavy_tails_blame_no_wire() -> None:
    random = np.random.default_rng(6)
    weights = cut(random, 80, 0.15 * np.ones(9)) + 0.2 * random.standard_t(3, (80, 10))
    found = qa.wires.study(table(weights), spacing_mm=25)
    assert (found.wires["chance"] > 0.01).all()
    assert found.base_mm == pytest.approx(0.15, rel=0.1)


@pytest.mark.slow
def test_nothing_is_set_aside_where_nothing_is_odd() -> None:
    random = np.random.default_rng(7)
    odd = []
    for _ in range(500):
        weights = cut(random, 30, 0.15 * np.ones(9), offset=OFFSET, missing=0.03)
        odd.append(len(qa.wires.study(table(weights), spacing_mm=25).set_aside) > 0)
    assert np.mean(odd) < 0.03
