"""After the work: what is said of a service, how often wrongly, and in which words."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from wire_cuts import cut, table

import qa_tools as qa


def served(
    before: float,
    after: float,
    loaves: tuple[int, int] = (40, 30),
    *,
    seed: int = 1,
    what: str | None = "tightened",
    missing: float = 0.0,
) -> pd.DataFrame:
    sds = np.full((sum(loaves), 8), 0.15)
    sds[: loaves[0], 3], sds[loaves[0] :, 3] = before, after
    work = pd.DataFrame({"wire": [4], "loaf": [loaves[0] + 1]})
    if what is not None:
        work["what"] = what
    weights = cut(np.random.default_rng(seed), sum(loaves), sds, missing=missing)
    return qa.wires.after_work(qa.wires.study(table(weights), spacing_mm=25, services=work))


@pytest.mark.parametrize("missing", [0.0, 0.15])
def test_a_wire_well_tightened(missing: float) -> None:
    found = served(0.6, 0.15, missing=missing, seed=2)
    row = found.iloc[0]
    assert row[["wire", "between", "what", "loaf"]].tolist() == [4, "bars 4 and 5", "tightened", 41]
    if not missing:
        assert row[["loaves_before", "loaves_after"]].tolist() == [40, 30]
    assert row["before_lower"] < 0.6 < row["before_upper"]
    assert row["after_lower"] < 0.15 < row["after_upper"]
    assert row["chance"] < 1e-6
    assert row["better"]
    assert row["words"].startswith(f"tightened: wander fell from {row['before_mm']:.2f} to ")
    assert row["words"].endswith("), no reason to look further")


def test_a_wire_hardly_helped_is_looked_at_again() -> None:
    row = served(0.6, 0.6).iloc[0]
    assert not row["better"]
    assert "wander hardly changed, from 0." in row["words"]
    assert row["words"].endswith("still more than its fellows (0.14 mm): look again")


def test_a_wire_helped_in_part_is_looked_at_again() -> None:
    row = served(0.8, 0.35).iloc[0]
    assert not row["better"]
    assert "wander fell from 0." in row["words"]
    assert row["words"].endswith("look again")


def test_a_wire_made_worse() -> None:
    row = served(0.15, 0.6).iloc[0]
    assert not row["better"]
    assert "wander rose from 0." in row["words"]
    assert row["words"].endswith("look again")


def test_a_wire_that_was_well_before() -> None:
    row = served(0.15, 0.15, what="moved").iloc[0]
    assert row["better"]
    assert row["words"].startswith("moved: wander from 0.1")
    assert row["words"].endswith("as its fellows' before and after, no reason to look further")


def test_few_loaves_after_leave_it_open() -> None:
    row = served(0.35, 0.3, (40, 4)).iloc[0]
    assert row["better"] is pd.NA
    assert row["words"].endswith("but 4 loaves do not show that it fell yet")
    one = served(0.6, 0.15, (40, 1)).iloc[0]
    assert one["better"] is pd.NA
    assert one["words"] == "tightened: too few loaves since to compare (1)"


def test_the_chance_is_about_that_of_the_f_test_of_the_faces() -> None:
    """Sheet 3.4: before against after by F, for whole loaves and hardly any noise."""
    from scipy.stats import f as ratio

    sds = np.full((40, 8), 0.15)
    sds[20:, 3] = 0.11
    weights = cut(np.random.default_rng(5), 40, sds, noise_g=0.01, step=0.001)
    work = pd.DataFrame({"wire": [4], "loaf": [21]})
    study = qa.wires.study(table(weights), spacing_mm=25, services=work)
    row = qa.wires.after_work(study).iloc[0]
    faces = 25 * 9 * np.cumsum(weights, axis=1) / weights.sum(axis=1, keepdims=True)
    before, after = np.var(faces[:20, 3], ddof=1), np.var(faces[20:, 3], ddof=1)
    exact = ratio.sf(before / after, 19, 19)
    assert row["chance"] == pytest.approx(min(exact, 1 - exact), abs=0.02)


def test_without_services_there_is_nothing_to_compare() -> None:
    bars = table(cut(np.random.default_rng(1), 20, 0.15 * np.ones(5)))
    assert qa.wires.after_work(qa.wires.study(bars, spacing_mm=25)).empty


@pytest.mark.parametrize("unsaid", [None, "", " "])
@pytest.mark.parametrize("inspected", ["inspected", "Inspected "])
def test_a_service_without_a_word_and_one_before_the_first_loaf(
    unsaid: str | None, inspected: str
) -> None:
    assert served(0.6, 0.15, what=unsaid)["words"].item().startswith("serviced: wander fell")
    work = pd.DataFrame({"wire": [2, 3], "loaf": [1, 21], "what": ["fitted", inspected]})
    bars = table(cut(np.random.default_rng(1), 40, 0.15 * np.ones(5)))
    study = qa.wires.study(bars, spacing_mm=25, services=work)
    assert qa.wires.after_work(study).empty
    assert study.history.set_index("wire")["after"].to_dict() == {
        1: "", 2: "fitted", 3: "", 4: "", 5: "",
    }  # fmt: skip


@pytest.mark.slow
def test_nothing_changed_is_seldom_taken_for_a_change() -> None:
    rows = pd.concat([served(0.15, 0.15, (10, 10), seed=seed) for seed in range(600)])
    fell = (rows["chance"] < 0.05) & (rows["after_mm"] < rows["before_mm"])
    rose = (rows["chance"] < 0.05) & (rows["after_mm"] > rows["before_mm"])
    assert fell.mean() == pytest.approx(0.05, abs=0.027)
    assert rose.mean() == pytest.approx(0.05, abs=0.027)
    covered = rows["after_lower"].le(0.15) & rows["after_upper"].ge(0.15)
    assert covered.mean() == pytest.approx(0.95, abs=0.027)
