"""The study of a cutter: what it reads, whom it names, what it refuses."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from wire_cuts import cut, table

import qa_tools as qa

STEADY = 0.15 * np.ones(8)


def slack(wire: int, wander: float = 0.5) -> np.ndarray:
    sds = STEADY.copy()
    sds[wire - 1] = wander
    return sds


def test_a_slack_wire_is_named_and_no_other() -> None:
    found = qa.wires.study(table(cut(np.random.default_rng(1), 40, slack(5))), spacing_mm=25)
    worse = found.wires[found.wires["chance"] < 0.01]
    assert worse[["wire", "between"]].values.tolist() == [[5, "bars 5 and 6"]]
    row = worse.iloc[0]
    assert row["wander_lower"] < 0.5 < row["wander_upper"]
    assert found.base_mm == pytest.approx(0.15, rel=0.1)
    assert "bars 5 and 6" in repr(found)


def test_two_slack_neighbours_do_not_hide_each_other() -> None:
    sds = slack(4)
    sds[4] = 0.5
    found = qa.wires.study(table(cut(np.random.default_rng(2), 40, sds)), spacing_mm=25)
    assert found.wires.loc[found.wires["chance"] < 0.01, "wire"].tolist() == [4, 5]
    assert found.base_mm == pytest.approx(0.15, rel=0.12)


@pytest.mark.slow
@pytest.mark.parametrize("missing", [0.0, 0.15])
def test_one_cutter_in_a_hundred_is_blamed_wrongly(missing: float) -> None:
    random = np.random.default_rng(3)
    chances = []
    for _ in range(1500):
        weights = cut(random, 15, STEADY, missing=missing)
        rows = qa.wires.study(table(weights), spacing_mm=25).wires
        chances.append([rows["chance"].min(), rows["offset_chance"].min()])
    assert (np.array(chances) < 0.01).mean(axis=0) == pytest.approx([0.01, 0.01], abs=0.007)


def test_a_service_begins_the_history_of_its_wire_anew() -> None:
    random = np.random.default_rng(4)
    weights = np.vstack([cut(random, 40, slack(3, 0.6)), cut(random, 30, STEADY)])
    services = pd.DataFrame({
        "wire": [3, 6], "loaf": [41, 20], "what": ["tightened", "inspected"],
    })  # fmt: skip
    found = qa.wires.study(table(weights), spacing_mm=25, services=services)
    third = found.history[found.history["wire"] == 3]
    assert third[["since", "until", "loaves"]].values.tolist() == [[1, 40, 40], [41, 70, 30]]
    assert third["wander_mm"].tolist() == pytest.approx([0.6, 0.15], rel=0.3)
    assert (found.history["wire"] == 6).sum() == 1
    assert (found.wires["chance"] > 0.01).all()
    without = qa.wires.study(table(weights), spacing_mm=25)
    assert without.wires.loc[without.wires["chance"] < 0.01, "wire"].tolist() == [3]


def test_services_by_day_and_by_clock() -> None:
    bars = table(cut(np.random.default_rng(5), 20, STEADY))
    days = pd.Timestamp("2026-10-01 10:00") + pd.to_timedelta(bars["loaf"], unit="D")
    bars = bars.assign(when=days)
    services = pd.DataFrame({"when": ["2026-10-11", "2026-10-16 11:00"], "wire": [2, 5]})
    found = qa.wires.study(bars, spacing_mm=25, services=services).wires
    assert found["since"].tolist() == [1, 10, 1, 1, 16, 1, 1, 1]


def test_a_wire_serviced_after_the_last_loaf_has_nothing_to_tell_yet() -> None:
    bars = table(cut(np.random.default_rng(5), 20, STEADY)).assign(when="2026-10-01")
    services = pd.DataFrame({"when": ["2026-10-02"], "wire": [2]})
    row = qa.wires.study(bars, spacing_mm=25, services=services).wires.iloc[1]
    assert row["loaves"] == 0
    assert np.isnan(row["wander_mm"]) and np.isnan(row["chance"]) and np.isnan(row["offset_mm"])


def test_a_wire_with_one_loaf_since_its_service_has_no_wander_yet() -> None:
    bars = table(cut(np.random.default_rng(5), 20, STEADY))
    services = pd.DataFrame({"loaf": [20], "wire": [2]})
    found = qa.wires.study(bars, spacing_mm=25, services=services)
    row = found.wires.iloc[1]
    assert row["loaves"] == 1 and np.isnan(row["wander_mm"]) and not np.isnan(row["offset_mm"])
    assert found.wires.drop(index=1)["wander_upper"].notna().all()


def test_wires_are_numbered_as_on_the_cutter() -> None:
    bars = table(cut(np.random.default_rng(1), 40, slack(5)))
    services = pd.DataFrame({"loaf": [2], "wire": [6]})
    found = qa.wires.study(bars, spacing_mm=25, end_wires_counted=True, services=services)
    worse = found.wires[found.wires["chance"] < 0.01]
    assert worse[["wire", "between", "since"]].values.tolist() == [[6, "bars 5 and 6", 2]]
    assert found.cutter.name(5) == "wire 6 from the stop (between bars 5 and 6)"
    assert found.displacements.columns.tolist() == list(range(2, 10))


def test_the_order_of_rows_and_the_scale_of_loaves_change_nothing() -> None:
    weights = cut(np.random.default_rng(7), 30, slack(2), missing=0.05, step=1e-6)
    bars = table(weights)
    found = qa.wires.study(bars, spacing_mm=25, noise_g=0.15).wires
    mixed = bars.sample(frac=1, random_state=1).assign(when=lambda rows: rows["loaf"])
    again = qa.wires.study(mixed, spacing_mm=25, noise_g=0.15).wires
    numbers = found.select_dtypes("number").columns
    assert_allclose(found[numbers], again[numbers], rtol=2e-3, atol=1e-6)
    twice = bars.assign(net=bars["net"] * 2)
    doubled = qa.wires.study(twice, spacing_mm=25, noise_g=0.30).wires
    assert_allclose(found[numbers], doubled[numbers], rtol=2e-3, atol=1e-6)


def test_from_the_other_end_the_same_wires_are_found() -> None:
    weights = cut(np.random.default_rng(8), 30, slack(2), offset=[0, 0, 0.2, 0, 0, 0, 0, 0])
    found = qa.wires.study(table(weights), spacing_mm=25).wires
    other = qa.wires.study(table(weights[:, ::-1]), spacing_mm=25).wires.iloc[::-1]
    assert_allclose(found["wander_mm"], other["wander_mm"], rtol=1e-3)
    assert_allclose(found["offset_mm"], -other["offset_mm"], atol=1e-5)


def test_bars_of_different_widths() -> None:
    widths = np.array([20.0, 30.0, 25.0, 25.0, 40.0, 25.0, 20.0, 30.0, 25.0])
    weights = cut(np.random.default_rng(9), 60, slack(4), spacing=widths)
    found = qa.wires.study(table(weights), spacing_mm=widths).wires
    assert found.loc[found["chance"] < 0.01, "wire"].tolist() == [4]
    assert (found["offset_chance"] > 0.01).all()


@pytest.mark.parametrize("ends", ["both trimmed", "from a stop"])
def test_loaves_of_different_counts(ends: str) -> None:
    random = np.random.default_rng(10)
    long, short = cut(random, 40, slack(3), ends=ends), cut(random, 40, slack(3)[:5], ends=ends)
    few = table(short).assign(bars=6)
    bars = pd.concat([table(long).assign(bars=9), few.assign(loaf=few["loaf"] + 40)])
    found = qa.wires.study(bars, spacing_mm=25, ends=ends).wires
    assert found["loaves"].tolist() == [80] * 5 + [40] * 3
    assert found.loc[found["chance"] < 0.01, "wire"].tolist() == [3]
    assert (found["offset_chance"] > 0.01).all()


def test_loaves_counted_anew_in_each_batch() -> None:
    bars = table(cut(np.random.default_rng(1), 40, slack(5)))
    batch = np.where(bars["loaf"] <= 20, "OH-1", "OH-2")
    bars = bars.assign(batch=batch, loaf=(bars["loaf"] - 1) % 20 + 1)
    found = qa.wires.study(bars, spacing_mm=25)
    assert found.wires["loaves"].tolist() == [40] * 8
    assert found.history.loc[0, "until"] == ("OH-2", 20)


GOOD = table(cut(np.random.default_rng(11), 8, STEADY))


@pytest.mark.parametrize(
    ("bars", "ask", "words"),
    [
        (GOOD.drop(columns="slot"), {}, "lacks the column 'slot'"),
        (GOOD.assign(slot=1).drop_duplicates("loaf"), {}, "two bars weighed.*weigh whole loaves"),
        (GOOD[GOOD["loaf"] < 4], {}, "3 loaves with two or more bars weighed"),
        (GOOD.replace({"slot": {3: 2}}), {}, "row 2: slot 2 of loaf 1: .*earlier row"),
        (GOOD.assign(net=GOOD["net"].where(GOOD.index != 4, -1)), {}, "row 4: net -1.0 of loaf 1"),
        (GOOD.assign(when="soon"), {}, "row 0: when soon of loaf 1: give a date"),
        (GOOD.assign(cutter=GOOD["loaf"] % 2), {}, "several cutters"),
        (GOOD.assign(bars=5), {}, "row 5: bars 5 of loaf 1: .*slot beyond"),
        (GOOD[GOOD["slot"] <= 2], {}, "from the noise of weighing: give noise_g"),
        (
            GOOD[GOOD["slot"] <= 2],
            {"ends": "from a stop", "noise_g": 0.1},
            "tell apart the wander of wire 1 from the stop.*and the loaf's length",
        ),
        (GOOD, {"ends": "free"}, "say 'both trimmed' or 'from a stop'"),
        (GOOD, {"spacing_mm": -1}, "give millimetres above 0"),
        (GOOD, {"spacing_mm": "25 mm"}, "give millimetres above 0, as numbers"),
        (GOOD.assign(net=np.nan), {}, "leave out the row of a bar not weighed"),
        (GOOD, {"spacing_mm": [25, 25]}, "2 widths, but loaves have up to 9 bars"),
        (GOOD, {"noise_g": 0.0}, "give grams above 0"),
        (GOOD, {"confidence": 95}, "between 0.5 and 1"),
        (GOOD, {"services": pd.DataFrame({"wire": [9.5], "loaf": [1]})}, "no wire 9.5"),
        (GOOD, {"services": pd.DataFrame({"wire": [2], "loaf": [99]})}, "no loaf 99"),
        (GOOD, {"services": pd.DataFrame({"wire": [2], "when": ["2026-01-01"]})}, "give the bars"),
        (GOOD, {"services": pd.DataFrame({"wire": [2]})}, "need the columns wire and when"),
    ],
)
def test_refused_with_what_to_do(bars: pd.DataFrame, ask: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        qa.wires.study(bars, **{"spacing_mm": 25, **ask})  # type: ignore[arg-type]


@example(seed=3, bars=3, loaves=36, missing=0.6, noise=0.6, step=1.0, ends="from a stop")
@example(seed=3, bars=3, loaves=8, missing=0.3, noise=0.02, step=0.01, ends="from a stop")
@given(
    seed=st.integers(0, 10**6),
    bars=st.integers(3, 13),
    loaves=st.integers(8, 100),
    missing=st.sampled_from([0.0, 0.1, 0.3, 0.6]),
    noise=st.sampled_from([0.02, 0.15, 0.6]),
    step=st.sampled_from([0.01, 0.1, 1.0]),
    ends=st.sampled_from(["both trimmed", "from a stop"]),
)
@settings(max_examples=40)
def test_any_cutter_is_studied_or_refused_in_words(
    seed: int, bars: int, loaves: int, missing: float, noise: float, step: float, ends: str
) -> None:
    """Wires that do not wander at all, or far; coarse scales; most bars missing."""
    random = np.random.default_rng(seed)
    wander = random.choice([0.0, 0.05, 0.15, 0.3, 1.5], bars - 1)
    offset = random.normal(0, 0.3, bars - 1)
    weights = cut(
        random, loaves, wander, offset=offset, missing=missing, noise_g=noise, step=step, ends=ends
    )
    try:
        found = qa.wires.study(table(weights), spacing_mm=25, ends=ends)
    except ValueError as refused:
        assert any(word in str(refused) for word in ("weigh", "give"))
        return
    qa.wires.watch(found)
    rows = found.wires[found.wires["wander_mm"].notna()]
    assert (rows["wander_lower"] <= rows["wander_mm"] + 1e-9).all()
    assert (rows["wander_mm"] <= rows["wander_upper"] + 1e-9).all()


def test_two_bars_with_the_noise_known() -> None:
    weights = cut(np.random.default_rng(12), 200, [0.3])
    found = qa.wires.study(table(weights), spacing_mm=25, noise_g=0.153).wires
    assert found["wander_mm"].tolist() == pytest.approx([0.3], rel=0.12)
    assert np.isnan(found["chance"]).all()


def test_advice_and_reason_of_each_wire() -> None:
    offset = np.zeros(8)
    offset[1], offset[6] = -0.4, 0.08
    found = qa.wires.study(
        table(cut(np.random.default_rng(13), 60, slack(5), offset=offset)), spacing_mm=25
    )
    advice = found.wires.set_index("wire")
    assert advice.loc[5, "advice"] == "retension"
    assert "wanders 0.5" in advice.loc[5, "reason"]
    assert advice.loc[5, "reason"].endswith("tie a tag on it before you start")
    assert advice.loc[2, "advice"] == "move"
    assert "mm off its place, towards the stop" in advice.loc[2, "reason"]
    assert advice.loc[7, "advice"] == "watch"
    assert "less than wires wander here anyway" in advice.loc[7, "reason"]
    assert advice.loc[1, "advice"] == "leave"
    assert "pluck the wire" in advice.loc[1, "reason"]
    assert found.finding.startswith("retension: wire 5 from the stop (between bars 5 and 6)")


def test_a_wander_sure_but_small_is_watched() -> None:
    weights = cut(np.random.default_rng(14), 400, slack(5, 0.21))
    row = qa.wires.study(table(weights), spacing_mm=25).wires.iloc[4]
    assert row["chance"] < 0.01
    assert row["advice"] == "watch"
