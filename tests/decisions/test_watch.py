"""Watching loaf by loaf: what signals, when, since when, and how often by chance."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from wire_cuts import FloatArray, cut, table

import qa_tools as qa
from qa_tools.decisions.wires.innovations import innovations
from qa_tools.decisions.wires.sums import limits, move_gain, rising, wander_gain, wander_run_length


def watched(weights: FloatArray, **study: object) -> qa.wires.WireWatch:
    return qa.wires.watch(qa.wires.study(table(weights), spacing_mm=25, **study))  # type: ignore[arg-type]


def slack_from(loaf: int, loaves: int, wire: int, wander: float) -> FloatArray:
    sds = np.full((loaves, 9), 0.15)
    sds[loaf - 1 :, wire - 1] = wander
    return sds


@pytest.mark.parametrize("ends", ["both trimmed", "from a stop"])
@pytest.mark.parametrize("missing", [0.0, 0.1])
def test_a_wire_that_slackens_is_named_with_its_loaf(ends: str, missing: float) -> None:
    random = np.random.default_rng(3)
    weights = cut(random, 90, slack_from(61, 90, 4, 0.45), ends=ends, missing=missing)
    signals = watched(weights, ends=ends).signals
    first = signals[signals["still"] & (signals["wire"] == 4)]
    assert first[["between", "what"]].values.tolist() == [["bars 4 and 5", "wanders"]]
    assert 61 <= first["loaf"].item() <= 80
    assert first["since_from"].item() <= 61 <= first["since_to"].item()


@pytest.mark.parametrize("moved", [0.4, -0.4])
def test_a_wire_that_moved_is_told_from_one_that_wanders(moved: float) -> None:
    offset = np.zeros((90, 9))
    offset[60:, 6] = moved
    signals = watched(cut(np.random.default_rng(2), 90, 0.15 * np.ones(9), offset=offset)).signals
    first = signals[signals["still"]]
    assert first[["wire", "what"]].values.tolist() == [[7, "moved"]]
    assert abs(first["since"].item() - 61) <= 2


def test_a_service_ends_the_signal_and_its_history() -> None:
    random = np.random.default_rng(3)
    sds = slack_from(41, 120, 2, 0.5)
    sds[60:] = 0.15
    services = pd.DataFrame({"wire": [2], "loaf": [61]})
    signals = watched(cut(random, 120, sds), services=services).signals
    assert signals.loc[signals["wire"] == 2, "loaf"].between(41, 60).tolist() == [True]


def test_scores_are_those_of_the_study_once_all_offsets_are_known() -> None:
    """With many loaves before, what one more loaf says does not depend on how it is reached."""
    study = qa.wires.study(
        table(cut(np.random.default_rng(4), 600, 0.15 * np.ones(6), offset=0.1)), spacing_mm=25
    )
    rows = np.arange(600)
    new = innovations(study.fit, rows[:500], rows[500:], [])
    assert np.corrcoef(new.score.ravel(), study.scores.to_numpy()[500:].ravel())[0, 1] > 0.99
    assert new.score.std() == pytest.approx(1.0, abs=0.08)
    assert new.base[0] == pytest.approx(0.15, rel=0.03)


def test_scores_after_few_loaves_are_standard_all_the_same() -> None:
    random, scores = np.random.default_rng(5), []
    for _ in range(60):
        weights = cut(random, 16, 0.15 * np.ones(6), offset=random.normal(0, 0.3, 6), missing=0.1)
        fit = qa.wires.study(table(weights), spacing_mm=25, noise_g=0.153).fit
        rows = np.flatnonzero(fit.kind >= 0)
        scores.append(innovations(fit, rows[:8], rows[8:14], []).score)
    found = np.array(scores)
    assert np.nanmean(found) == pytest.approx(0, abs=0.1)
    assert np.nanstd(found) == pytest.approx(1, abs=0.1)
    ahead, after = found[:, :-1].ravel(), found[:, 1:].ravel()
    both = ~np.isnan(ahead) & ~np.isnan(after)
    assert np.corrcoef(ahead[both], after[both])[0, 1] == pytest.approx(0, abs=0.08)


@given(st.lists(st.floats(-3, 3), min_size=1, max_size=40))
def test_sums_are_restarted_at_nought(gains: list[float]) -> None:
    held, wanted = 0.0, []
    for gain in gains:
        held = max(0.0, held + gain)
        wanted.append(held)
    assert rising(np.array(gains)) == pytest.approx(np.array(wanted), abs=1e-9)


@given(st.floats(-4, 4), st.floats(1.0, 200.0), st.floats(1.1, 4.0), st.floats(-1.0, 1.0))
def test_gains_are_log_likelihood_ratios(
    score: float, known: float, ratio: float, shift: float
) -> None:
    """Of displacement seen with variance 1 / known: spread by more wander, or moved."""
    seen, variance, base = score / np.sqrt(known), 1 / known, 0.4 / known
    wider = variance + (ratio**2 - 1) * base
    wander = (seen**2 / variance - seen**2 / wider - np.log(wider / variance)) / 2
    one = np.array([score]), np.array([known])
    assert wander_gain(*one, base, ratio)[0] == pytest.approx(wander, abs=1e-9)
    move = (seen**2 - (seen - shift) ** 2) / (2 * variance)
    assert move_gain(*one, shift)[0] == pytest.approx(move, abs=1e-7)


def test_limits_share_the_false_alarms() -> None:
    wander, move = limits(300, 10)
    assert 1 / wander_run_length(wander) * 10 == pytest.approx(0.8 / (300 * 1.1265), rel=0.01)
    each = qa.charts.run_length("cusum", k=0.5, h=move)
    assert 1 / each * 10 == pytest.approx(0.2 / (300 * 1.1265), rel=0.01)


def test_too_few_loaves_for_a_base_give_no_signal() -> None:
    found = watched(cut(np.random.default_rng(6), 9, 0.15 * np.ones(5)))
    assert found.signals.empty
    assert found.wander_sums.isna().all(axis=None)
    assert repr(found) == "no wire gave a signal"


def test_refused_false_alarms() -> None:
    study = qa.wires.study(
        table(cut(np.random.default_rng(6), 12, 0.15 * np.ones(5))), spacing_mm=25
    )
    with pytest.raises(ValueError, match="give 50 to 100,000 loaves"):
        qa.wires.watch(study, false_alarm=10)


@pytest.mark.slow
@pytest.mark.parametrize("wires", [5, 9, 14])
def test_false_alarms_come_as_often_as_said(wires: int) -> None:
    random = np.random.default_rng(7)
    loaves, alarms = 0, 0
    for _ in range(400):
        offset = random.normal(0, 0.2, wires)
        signals = watched(cut(random, 310, 0.15 * np.ones(wires), offset=offset)).signals
        loaves += int(signals["loaf"].min()) - 10 if len(signals) else 300
        alarms += len(signals) > 0
    assert loaves / alarms == pytest.approx(300, rel=0.15)


@pytest.mark.slow
@pytest.mark.parametrize(("times_base", "moved"), [(1.5, 0.0), (3.0, 0.0), (1.0, 0.25)])
def test_the_loaf_it_began_with_is_between_those_told(times_base: float, moved: float) -> None:
    """95 of 100 times or more: a wander is dated by the loaves up to its signal alone."""
    random, inside, right = np.random.default_rng(8), [], []
    wander, offset = np.full((120, 10), 0.15), np.zeros((120, 10))
    wander[60:, 4] *= times_base
    offset[60:, 4] = moved
    for _ in range(150):
        signals = watched(cut(random, 120, wander, offset=offset)).signals
        for signal in signals[(signals["wire"] == 5) & (signals["loaf"] > 60)][:1].itertuples():
            inside.append(signal.since_from <= 61 <= signal.since_to)
            right.append(signal.what == ("moved" if moved else "wanders"))
    assert np.mean(inside) > 0.91  # 2.3 standard errors below 0.95
    assert np.mean(right) > 0.9
