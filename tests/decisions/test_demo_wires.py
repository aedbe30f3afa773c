"""The invented works: both planted faults of wires, with wire and week, and no other."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import pandas as pd
import pytest

import qa_tools as qa
from qa_tools.evidence.cutter import CutterStudy

DEMO = Path(__file__).parents[2] / "data_demo"


@lru_cache
def works() -> qa.Works:
    return qa.read_works(DEMO)


@lru_cache
def known_on(day: str) -> CutterStudy:
    """All loaves cut and all services up to a day."""
    return qa.cutters(works(), "C1", until=pd.Timestamp(day))["C1"]


def told(day: str) -> list[list[object]]:
    return known_on(day).watch.signals[["wire", "what"]].values.tolist()


def week_of(loaf: tuple[str, str]) -> str:
    """The Monday of the week a loaf was cut in."""
    bars = works().weighings.table
    cut = bars.loc[(bars["stage"] == "cut") & (bars["batch"] == loaf[0]), "when"].iloc[0]
    return str((cut - pd.Timedelta(days=cut.weekday())).date())


def place(loaf: tuple[str, str]) -> tuple[str, int]:
    """A loaf in the order of cutting."""
    return loaf[0], int(loaf[1])


def test_the_watch_names_both_wires_with_their_weeks_and_no_other() -> None:
    signals = known_on("2026-11-01").watch.signals.set_index("wire")
    assert signals["what"].to_dict() == {5: "wanders", 2: "moved"}
    assert signals["still"].all()
    assert signals["loaf"].map(week_of).to_dict() == {5: "2026-09-07", 2: "2026-09-28"}
    for wire, first in ((5, ("OH-0908", 1)), (2, ("OH-0929", 1))):
        row = signals.loc[wire]
        assert place(row["since_from"]) <= first <= place(row["since_to"])
        assert week_of(row["since"]) == week_of(row["loaf"])


def test_each_is_told_in_the_week_it_began() -> None:
    """By Sunday night."""
    assert told("2026-09-06") == []
    assert told("2026-09-13") == told("2026-09-27") == [[5, "wanders"]]
    assert told("2026-10-04") == [[5, "wanders"], [2, "moved"]]


def test_the_study_puts_figures_to_both() -> None:
    found = known_on("2026-11-01").watched
    row = found.wires.set_index("wire").loc[2]
    assert row["offset_lower"] <= 0.7 <= row["offset_upper"]
    assert found.knocks["wire"].tolist() == [2]
    assert found.knocks["by_mm"].item() == pytest.approx(0.7, abs=0.06)
    history = found.history[found.history["wire"] == 5]
    assert history["wander_mm"].iloc[0] > 2 * found.base_mm
    assert history["wander_lower"].iloc[-1] < 0.15 < history["wander_upper"].iloc[-1]
    assert found.base_mm == pytest.approx(0.15, rel=0.05)
    assert found.set_aside.empty
    assert found.causes.empty


def test_the_one_wide_swing_is_the_wire_and_no_slip() -> None:
    placed = known_on("2026-09-27").watched.displacements
    assert placed[5].idxmin() == ("OH-0922", "9")
    assert placed[5].min() == pytest.approx(-2.75, abs=0.2)
