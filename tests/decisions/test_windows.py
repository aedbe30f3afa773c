"""Wander over the last loaves: right on average, its limit passed as seldom as said."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from wire_cuts import cut, table

import qa_tools as qa
from qa_tools.decisions.wires.windows import ABOVE, WINDOW, Windows, windows

STEADY = 0.15 * np.ones(8)


def seen(weights: object, services: pd.DataFrame | None = None) -> Windows:
    study = qa.wires.study(table(weights), spacing_mm=25, services=services)  # type: ignore[arg-type]
    return windows(study, qa.wires.watch(study))


@pytest.mark.parametrize("missing", [0.0, 0.15])
def test_wander_is_right_on_average_and_seldom_above_its_limit(missing: float) -> None:
    """30 cutters of 60 loaves: the mean square to about 2 %, its own scatter."""
    random = np.random.default_rng(8)
    found = [seen(cut(random, 60, STEADY, missing=missing)) for _ in range(30)]
    squares = [one.wander_mm.to_numpy()[WINDOW - 1 :] ** 2 for one in found]
    assert np.nanmean(squares) == pytest.approx(0.15**2, rel=0.05)
    above = [(one.wander_mm > one.limit_mm).any(axis=1)[WINDOW - 1 :].mean() for one in found]
    assert np.mean(above) < 2 * ABOVE


def test_a_window_begins_anew_at_a_service_and_at_a_move() -> None:
    offset = np.zeros((100, 8))
    offset[60:, 1] = 0.8
    weights = cut(np.random.default_rng(9), 100, STEADY, offset=offset)
    found = seen(weights, pd.DataFrame({"wire": [6], "loaf": [41]}))
    known = found.wander_mm.notna()
    assert known[6].tolist() == [False] * 19 + [True] * 21 + [False] * 19 + [True] * 41
    assert not known[2].iloc[62:75].any() and known[2].iloc[85:].all()
    assert (found.wander_mm[2].dropna() < found.limit_mm).all()


def test_few_loaves_show_no_window() -> None:
    assert seen(cut(np.random.default_rng(1), WINDOW - 1, STEADY)).wander_mm.isna().all(axis=None)
