"""Diagnostics: each trouble is found and priced, sound readings are let be, bad input."""

import re

import numpy as np
import pytest

from qa_tools.charts import diagnostics, individuals

random = np.random.default_rng(31)
SOUND = np.round(random.normal(120, 1.5, 120), 1)


def wandering(n: int, r: float) -> np.ndarray:
    values = random.normal(0, 1, n)
    for place in range(1, n):
        values[place] = r * values[place - 1] + np.sqrt(1 - r * r) * values[place]
    return 120 + values


def test_sound_readings_are_let_be() -> None:
    found = diagnostics(SOUND)
    assert found.index.tolist() == ["neighbours", "step", "skewness"]
    assert not found["concern"].any()
    assert found.loc["step", "words"].startswith("The scale's step of 0.1 g is fine enough")


def test_neighbours_alike_and_what_they_cost() -> None:
    values = wandering(20_000, 0.5)
    row = diagnostics(values).loc["neighbours"]
    assert row["figure"] == pytest.approx(0.5, abs=0.03)
    assert row["concern"]
    said = int(re.search(r"one point in (\d+)", row["words"]).group(1))
    seen = len(values) / len(individuals(values).signals)
    assert seen == pytest.approx(said, rel=0.2)


def test_a_setting_corrected_after_each_reading_is_told_by_its_sign() -> None:
    row = diagnostics(wandering(200, -0.6)).loc["neighbours"]
    assert row["concern"]
    assert "leave the setting alone" in row["words"]


def test_skewness_and_what_it_costs() -> None:
    values = 100 + random.gamma(2.0, 1.0, 60_000)
    row = diagnostics(values, step=0.001).loc["skewness"]
    assert row["figure"] == pytest.approx(np.sqrt(2), abs=0.06)
    said = int(re.search(r"about one in (\d+)", row["words"]).group(1))
    assert len(values) / (individuals(values).signals["value"] > 102).sum() == pytest.approx(
        said, rel=0.35  # limits from the moving range are a little narrower than three sd
    )  # fmt: skip
    light = diagnostics(220 - values, step=0.001).loc["skewness"]
    assert light["words"].startswith("Light readings stray farther")
    assert light["figure"] == pytest.approx(-row["figure"])


def test_a_coarse_scale_is_told_from_the_readings_or_by_what_is_said() -> None:
    coarse = np.round(random.normal(120, 0.5, 60))
    assert diagnostics(coarse).loc["step", "concern"]
    assert diagnostics(coarse).loc["step", "figure"] == pytest.approx(1 / coarse.std(ddof=1))
    assert not diagnostics(np.round(coarse * 0.1 + SOUND[:60], 1)).loc["step", "concern"]
    assert diagnostics(SOUND, step=5).loc["step", "concern"]


def test_with_batches_means_follow_in_time_and_readings_stand_against_their_own() -> None:
    batch = np.repeat(np.arange(30), 5)
    values = np.repeat(wandering(30, 0.9) * 5, 5) + np.random.default_rng(8).normal(0, 1, 150)
    found = diagnostics(values, batch=batch)
    assert found.loc["neighbours", "concern"]
    assert "Neighbouring batch means" in found.loc["neighbours", "words"]
    assert not found.loc["skewness", "concern"]
    assert found.loc["neighbours", "limit"] == pytest.approx(2 / np.sqrt(30))
    within = np.sqrt(np.mean([values[batch == b].var(ddof=1) for b in range(30)]))
    assert found.loc["step", "figure"] == pytest.approx(
        np.diff(np.unique(values)).min() / within, rel=1e-3
    )


@pytest.mark.parametrize(
    ("values", "more", "says"),
    [
        ([120.0], {}, "two or more"),
        ([120.0, 121.0, 120.0], {}, "four or more readings, better twenty; got 3"),
        ([np.nan] * 5, {}, "all 5 are missing"),
        ([120.0] * 12, {}, r"equal \(sd 0\): weigh on a finer scale"),
        (SOUND, {"step": 0}, "above 0; got 0"),
        (SOUND, {"step": "0.1"}, "step is a number above 0; got '0.1'"),
        (SOUND, {"step": np.inf}, "above 0; got inf"),
        (SOUND, {"batch": ["a"]}, "120 readings and 1 batches"),
        (SOUND, {"batch": np.repeat(list("abc"), 40)}, "four or more batch means"),
        (SOUND, {"batch": np.arange(120)}, "two readings"),
        ([1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 4.0], {"batch": list("aabbccdd")}, "finer scale"),
    ],
)
def test_bad_input_says_what_would_work(values, more, says) -> None:
    with pytest.raises(ValueError, match=says):
        diagnostics(values, **more)


def test_a_step_just_above_the_sd_is_not_said_to_be_more_than_itself() -> None:
    words = diagnostics([*[119.0, 121.0] * 20, 120.0, 120.0], step=1).loc["step", "words"]
    assert "steps of 1 g, more than the sd of 0.99 g" in words
