"""A wire knocked off its place between two cuts has a new history, and is not called slack."""

from __future__ import annotations

import numpy as np
import pytest
from wire_cuts import cut, table

import qa_tools as qa

STEADY = 0.15 * np.ones(9)


@pytest.mark.parametrize("ends", ["both trimmed", "from a stop"])
@pytest.mark.parametrize("missing", [0.0, 0.1])
def test_a_knocked_wire_is_to_be_moved_not_retensioned(ends: str, missing: float) -> None:
    offset = np.zeros((100, 9))
    offset[60:, 1] = 0.7
    weights = cut(np.random.default_rng(1), 100, STEADY, offset=offset, ends=ends, missing=missing)
    found = qa.wires.study(table(weights), spacing_mm=25, ends=ends)
    assert found.knocks[["wire", "between"]].values.tolist() == [[2, "bars 2 and 3"]]
    assert found.knocks["loaf"].item() == pytest.approx(61, abs=1)
    assert found.knocks["by_mm"].item() == pytest.approx(0.7, abs=0.12)
    advice = found.wires.set_index("wire")["advice"]
    assert advice[2] == "move"
    assert (advice.drop(2) == "leave").all()
    assert found.wires.loc[1, "since"] == found.knocks["loaf"].item()
    signals = qa.wires.watch(found).signals
    of_wire = signals[signals["still"] & (signals["wire"] == 2)]
    assert of_wire["what"].tolist() == ["moved"]


def test_a_slack_wire_was_not_knocked() -> None:
    random = np.random.default_rng(2)
    for _ in range(10):
        wander = np.full((80, 9), 0.15)
        wander[50:, 4] = 0.6
        found = qa.wires.study(table(cut(random, 80, wander)), spacing_mm=25)
        assert found.knocks.empty
        assert found.wires.loc[4, "advice"] == "retension"


@pytest.mark.slow
def test_steady_wires_were_not_knocked() -> None:
    random = np.random.default_rng(3)
    knocked = [
        len(qa.wires.study(table(cut(random, 60, STEADY, missing=0.1)), spacing_mm=25).knocks)
        for _ in range(400)
    ]
    assert np.mean(np.array(knocked) > 0) < 0.01
