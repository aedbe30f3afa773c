"""Wear: which wire slackens as it cuts, when it is due, and how often that is said wrongly."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from wire_cuts import FloatArray, cut, table

import qa_tools as qa

BOOK = {"declared": "140 g", "books": "eu-76-211"}


def wearing(end: float, loaves: int = 90, wires: int = 8) -> FloatArray:
    """Wire 4 goes from 0.15 mm to `end` by the same share each loaf."""
    sds = np.full((loaves, wires), 0.15)
    sds[:, 3] = 0.15 * np.exp(np.linspace(0, math.log(end / 0.15), loaves))
    return sds


def worn(sds: FloatArray, seed: int, *, due: bool = True, **how: object) -> pd.DataFrame:
    weights = cut(np.random.default_rng(seed), len(sds), sds, **how)  # type: ignore[arg-type]
    ends = {"ends": how["ends"]} if "ends" in how else {}
    study = qa.wires.study(table(weights), spacing_mm=25, **ends)  # type: ignore[arg-type]
    return qa.wires.wear(study, **(BOOK if due else {}))  # type: ignore[arg-type]


@pytest.mark.parametrize("ends", ["both trimmed", "from a stop"])
@pytest.mark.parametrize("missing", [0.0, 0.1])
def test_a_wire_that_slackens_is_named_and_when_it_is_due(ends: str, missing: float) -> None:
    found = worn(wearing(0.27, 200), 3, ends=ends, missing=missing).set_index("wire")
    assert found["chance"].idxmin() == 4
    row = found.loc[4]
    assert row["chance"] < 0.05
    assert row["growth"] == pytest.approx(1.8 ** (100 / 199) - 1, abs=0.3)
    assert row["now_mm"] == pytest.approx(0.27, rel=0.2)
    assert row["due_lower"] <= row["due_in"] <= row["due_upper"]
    assert row["due_lower"] <= math.log(row["due_mm"] / 0.27) / (math.log(1.8) / 199)
    assert math.log(row["due_mm"] / 0.27) / (math.log(1.8) / 199) <= row["due_upper"]
    assert " % in 100 loaves and is 0." in row["words"]
    assert "at this rate due in about" in row["words"]
    others = found.drop(4)[found["chance"].drop(4) >= 0.05]
    assert len(others) >= 6
    assert others["words"].str.endswith("no sign that it slackens").all()
    assert others["due_in"].isna().all()


def test_a_wire_over_its_limit_is_due() -> None:
    row = worn(wearing(0.8), 3).iloc[3]
    assert (row["due_in"], row["due_upper"]) == (0, 0)
    assert row["words"].endswith(f"mm now: due ({row['due_mm']:.2f} mm)")


def test_without_a_book_twice_its_fellows_is_due() -> None:
    found = worn(wearing(0.15), 4, due=False)
    assert found["due_mm"].iloc[0] == pytest.approx(0.3, rel=0.1)
    assert (found["words"].str.endswith("no sign that it slackens")).all()


def test_a_wire_slack_all_along_does_not_slacken() -> None:
    sds = wearing(0.15, 60)
    sds[:, 3] = 0.5
    row = worn(sds, 5).iloc[3]
    assert row["words"].endswith("no sign that it slackens")
    assert row["now_mm"] == pytest.approx(0.5, rel=0.2)


def test_a_service_begins_the_count_anew() -> None:
    sds = wearing(0.6)
    sds[60:] = 0.15
    work = pd.DataFrame({"wire": [4], "loaf": [61]})
    weights = cut(np.random.default_rng(6), len(sds), sds)
    study = qa.wires.study(table(weights), spacing_mm=25, services=work)
    row = qa.wires.wear(study).iloc[3]
    assert row["loaves"] == 30
    assert row["words"].endswith("no sign that it slackens")
    few = pd.DataFrame({"wire": [4], "loaf": [81]})
    study = qa.wires.study(table(weights), spacing_mm=25, services=few)
    words = qa.wires.wear(study)["words"].iloc[3]
    assert words.endswith("too few loaves since its service to see a trend (10)")


@pytest.mark.slow
def test_one_cutter_in_twenty_seems_to_wear_when_none_does() -> None:
    chances = [worn(wearing(0.15, 40), seed, due=False)["chance"].min() for seed in range(400)]
    assert np.mean(np.array(chances) < 0.05) == pytest.approx(0.05, abs=0.033)


@pytest.mark.slow
def test_intervals_of_when_it_is_due_cover_the_truth() -> None:
    covered = []
    for seed in range(200):
        weights = cut(np.random.default_rng(seed), 120, wearing(0.4, 120))
        study = qa.wires.study(table(weights), spacing_mm=25)
        row = qa.wires.wear(study, "500 g", "eu-76-211").iloc[3]
        if row["due_in"] > 0:
            due = math.log(row["due_mm"] / 0.4) / (math.log(0.4 / 0.15) / 119)
            covered.append(row["due_lower"] <= due <= row["due_upper"])
    assert len(covered) > 150
    assert np.mean(covered) == pytest.approx(0.95, abs=0.045)
