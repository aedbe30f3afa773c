"""Loaves as they come: heavy tails, crumbs, slips, gaps, odd widths; still the right wire."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from wire_cuts import FloatArray, cut, table

import qa_tools as qa

STEADY = 0.15 * np.ones(10)
OFFSET = np.array([0.5, -0.3, 0.0, 0.6, 0.0, -0.5, 0.3, 0.0, 0.4, 0.0])


def slackened(random: np.random.Generator, **how: object) -> FloatArray:
    """80 loaves of 11; wire 5 wanders three times as much from loaf 51 on."""
    sds = np.tile(STEADY, (80, 1))
    sds[50:, 4] = 0.45
    return cut(random, 80, sds, **how)  # type: ignore[arg-type]


def lasting(bars: pd.DataFrame, **ask: object) -> pd.DataFrame:
    """Signals that last to the last loaf."""
    study = qa.wires.study(bars, **{"spacing_mm": 25, **ask})  # type: ignore[arg-type]
    signals = qa.wires.watch(study).signals
    return signals[signals["still"]]


def assert_wire_5(signals: pd.DataFrame) -> None:
    assert signals[["wire", "what"]].values.tolist() == [[5, "wanders"]]
    assert 51 <= signals["loaf"].item() <= 70
    assert signals["since_from"].item() <= 51 <= signals["since_to"].item()


def test_heavy_tailed_noise_hides_no_slack_wire_and_makes_few_signals() -> None:
    random = np.random.default_rng(21)
    for _ in range(5):
        weights = slackened(random) + 0.2 * random.standard_t(3, (80, 11))
        signals = lasting(table(weights))
        assert [5, "wanders"] in signals[["wire", "what"]].values.tolist()
    alarmed = 0
    for _ in range(10):
        weights = cut(random, 100, STEADY) + 0.2 * random.standard_t(3, (100, 11))
        study = qa.wires.study(table(weights), spacing_mm=25)
        assert not study.wires["advice"].isin(["retension", "move"]).any()
        alarmed += len(qa.wires.watch(study).signals) > 0
    assert alarmed <= 6  # 900 loaves watched: three by design


def test_a_crumbled_bar() -> None:
    weights = slackened(np.random.default_rng(22))
    weights[30, 7] -= 12
    assert_wire_5(lasting(table(weights)))
    steady = cut(np.random.default_rng(23), 60, STEADY)
    steady[40, 7] -= 12
    assert lasting(table(steady)).empty


def test_two_neighbouring_slack_wires() -> None:
    sds = np.tile(STEADY, (80, 1))
    sds[50:, 4:6] = 0.45
    signals = lasting(table(cut(np.random.default_rng(24), 80, sds)))
    assert sorted(signals["wire"]) == [5, 6]
    assert signals["what"].tolist() == ["wanders", "wanders"]
    assert signals["loaf"].between(51, 70).all()


@pytest.mark.parametrize("order", [[1, 0, *range(2, 11)], [*range(10, -1, -1)]])
def test_slots_swapped_or_a_loaf_entered_in_reverse(order: list[int]) -> None:
    seen = slackened(np.random.default_rng(25), offset=OFFSET)
    seen[20] = seen[20, order]
    study = qa.wires.study(table(seen), spacing_mm=25)
    assert study.set_aside["loaf"].unique().tolist() == [21]
    out_of_place = [slot for slot, there in enumerate(order, start=1) if there != slot - 1]
    assert set(out_of_place) <= set(study.set_aside["slot"])
    assert_wire_5(lasting(table(seen)))
    unseen = slackened(np.random.default_rng(26))
    before = qa.wires.study(table(unseen), spacing_mm=25).wires["wander_mm"]
    unseen[20] = unseen[20, order]
    after = qa.wires.study(table(unseen), spacing_mm=25).wires["wander_mm"]
    assert after.to_numpy() == pytest.approx(before.to_numpy(), abs=0.02)
    assert_wire_5(lasting(table(unseen)))


def test_mixed_spacings() -> None:
    widths = np.array([20.0, 30.0, 25.0, 25.0, 40.0, 25.0, 20.0, 30.0, 25.0, 25.0, 22.0])
    weights = slackened(np.random.default_rng(27), spacing=widths)
    assert_wire_5(lasting(table(weights), spacing_mm=widths))


@pytest.mark.parametrize("ends", ["both trimmed", "from a stop"])
def test_missing_slots(ends: str) -> None:
    weights = slackened(np.random.default_rng(28), missing=0.2, ends=ends)
    assert_wire_5(lasting(table(weights), ends=ends))


def test_loaves_of_different_counts() -> None:
    random = np.random.default_rng(29)
    long = slackened(random)
    sds = np.tile(STEADY[:6], (80, 1))
    sds[50:, 4] = 0.45
    short = cut(random, 80, sds)
    odd = np.arange(80) % 2 == 1
    bars = pd.concat([
        table(np.where(odd[:, None], np.nan, long)).assign(bars=11),
        table(np.where(odd[:, None], short, np.nan)).assign(bars=7),
    ]).sort_values(["loaf", "slot"])  # fmt: skip
    assert_wire_5(lasting(bars))


def test_one_loaf_cut_wide_throughout_is_only_a_heavier_loaf() -> None:
    weights = slackened(np.random.default_rng(30))
    before = lasting(table(weights))
    weights[60] *= 1.15
    after = lasting(table(weights))
    assert_wire_5(after)
    assert after["loaf"].item() == before["loaf"].item()


def test_one_cut_that_swings_wide_is_the_wire_and_no_oddity() -> None:
    swing = np.zeros((60, 12))
    swing[40, 5] = -2.75
    weights = cut(np.random.default_rng(31), 60, STEADY, strays=swing)
    study = qa.wires.study(table(weights), spacing_mm=25)
    assert study.set_aside.empty
    assert study.wires.loc[study.wires["chance"] < 0.01, "wire"].tolist() == [5]
    first = qa.wires.watch(study).signals.iloc[0]
    assert first[["wire", "what", "loaf"]].tolist() == [5, "wanders", 41]
    assert first["since_to"] == 41
