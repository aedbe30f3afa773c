"""Pictures for paper: nothing lost, nothing beyond the edge, the same bytes."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from markupsafe import Markup

import qa_tools as qa
from qa_tools.pictures import paper

SVG = "{http://www.w3.org/2000/svg}"
WEIGHTS = st.lists(st.floats(1, 500).map(lambda grams: round(grams, 1)), min_size=1, max_size=450)


def drawn(net: list[float], spread: float = 1.0, title: str = "B1: holds") -> Markup:
    weights = np.asarray(net)
    return paper.strip(
        weights, declared=120, short=114.6, twice=109.2, mean=float(weights.mean()),
        lower=float(weights.mean()) - spread, upper=float(weights.mean()) + spread,
        light=weights < 114.6, title=title,
    )  # fmt: skip


def places(picture: Markup) -> list[tuple[float, float]]:
    """Where things begin: points of paths, middles of circles."""
    root = ElementTree.fromstring(picture)
    found = [(float(c.get("cx", "")), float(c.get("cy", ""))) for c in root.iter(f"{SVG}circle")]
    for path in root.iter(f"{SVG}path"):
        corners = re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path.get("d", ""))
        found += [(float(x), float(y)) for x, y in corners]
    return found


def words_fit(picture: Markup) -> bool:
    """Whether all words lie within the edges, at the width of a common font."""
    root = ElementTree.fromstring(picture)
    _, _, width, height = map(float, root.get("viewBox", "").split())
    for one in root.iter(f"{SVG}text"):
        wide = 5.6 * len(one.text or "")
        x, y = float(one.get("x", "")), float(one.get("y", ""))
        left = x - {"start": 0, "middle": wide / 2, "end": wide}[one.get("text-anchor", "")]
        if left < -1 or left + wide > width + 1 or not 0 < y <= height:
            return False
    return True


def crosses(picture: Markup) -> list[float]:
    """From left to right, where a cross has its middle."""
    return sorted(float(x) + 3.4 for x in re.findall(r"M(-?[\d.]+) -?[\d.]+l6.8 6.8", picture))


@given(WEIGHTS, st.floats(0, 50))
def test_every_weighing_is_drawn_within_the_edges(net: list[float], spread: float) -> None:
    picture = drawn(net, spread)
    root = ElementTree.fromstring(picture)
    _, _, width, height = map(float, root.get("viewBox", "").split())
    assert all(0 <= x <= width and 0 <= y <= height for x, y in places(picture))
    assert words_fit(picture)
    if len(net) > 400:
        heights = [float(bar.get("height", "")) for bar in root.iter(f"{SVG}rect")]
        assert max(heights) <= height
        return
    light = sum(weight < 114.6 for weight in net)
    assert len(re.findall("l4.4 4.4m0 -4.4l-4.4 4.4", picture)) == light
    assert len(re.findall("h0", picture)) == len(net) - light


def test_bars_stand_for_many_weighings_by_their_heights() -> None:
    net = [119.0] * 100 + [121.0] * 300 + [123.0] * 200
    root = ElementTree.fromstring(drawn(net))
    heights = [float(bar.get("height", "")) for bar in root.iter(f"{SVG}rect")]
    assert [round(one / max(heights), 2) for one in heights] == [0.33, 1.0, 0.67]


def test_a_batch_takes_few_bytes_and_always_the_same() -> None:
    net = np.round(np.random.default_rng(3).normal(121, 2, 108), 1).tolist()
    assert len(drawn(net)) < 4000
    assert drawn(net) == drawn(list(reversed(net)))  # the order of weighing does not matter


def test_names_stay_text() -> None:
    evil = "</title><script>alert(1)</script>"
    assert "<script" not in drawn([120.0], title=evil)
    batches = [evil] * 3 + ["B2"] * 3 + ["B3"] * 3
    points = qa.charts.batch_means([1, 2, 3, 2, 3, 4, 90, 91, 92], batches)
    picture = paper.chart(points, evil, [evil])
    assert "<script" not in picture
    assert ElementTree.fromstring(picture)[0].text == evil


def test_a_chart_has_all_points_and_its_crosses_where_it_signals() -> None:
    values = np.random.default_rng(4).normal(120, 1, (200, 4))
    values[120] += 9
    labels = [f"OH-{batch}" for batch in range(200) for _ in range(4)]
    chart = qa.charts.batch_means(values.ravel(), labels)
    assert chart.spread is not None
    picture = paper.chart(chart, "OH-120 outside the limits", ["OH-120"])
    signals = len(chart.signals) + len(chart.spread.signals)
    assert len(crosses(picture)) == signals >= 1
    assert picture.count('r="2.1"') == 400 - signals
    assert picture.count('r="4.6"') == 2
    assert ">OH-120<" in picture
    assert words_fit(picture)


def test_the_spread_lies_beneath_its_own_point_where_others_have_none() -> None:
    """The first of a moving range has no spread: all after it would slip one to the left."""
    readings = [50.0, 50.2, 49.9, 50.1, 50.0, 49.8, 50.1, 50.0, 50.2, 60.0]
    chart = qa.charts.individuals(readings)
    assert chart.spread is not None
    assert chart.signals["point"].tolist() == chart.spread.signals["point"].tolist() == [10]
    above, beneath = crosses(paper.chart(chart, "the last"))
    assert above == beneath


@pytest.mark.parametrize("many", [3, 8, 40])
def test_the_limits_are_written_where_they_end(many: int) -> None:
    values = np.random.default_rng(many).normal(1250, 1, (many, 4))
    chart = qa.charts.batch_means(values.ravel(), np.repeat(np.arange(many), 4))
    picture = paper.chart(chart, "within the limits")
    limits = [round(float(chart.points[side].iloc[-1]), 2) for side in ("lower", "centre", "upper")]
    assert all(f">{limit:g}<" in picture for limit in limits)
    assert words_fit(picture)


@pytest.mark.parametrize("watched", ["upper", "lower"])
def test_a_chart_watched_on_one_side_is_drawn(watched: str) -> None:
    chart = qa.charts.individuals([50, 51, 50.5, 49.5])
    other = {"upper": "lower", "lower": "upper"}[watched]
    chart.points[other] = float("nan")
    picture = paper.chart(chart, "one side")
    assert "nan" not in picture
    assert all(x == x and y == y for x, y in places(picture))


def test_checks_of_a_scale_on_one_day_and_over_years() -> None:
    day = pd.Timestamp("2026-08-10")
    one = paper.over_time([day], [0.1], band=0.0, what="shown less applied, g", title="S1")
    assert one.count("<circle") == 1 and ">10 August 2026<" in one
    twice = paper.over_time([day, day], [0.0, 0.3], band=0.1, what="g", title="S1")
    assert twice.count("<circle") == 1 and twice.count("l5.2 5.2") == 1  # beyond the band: a cross
    days = pd.date_range(day, periods=500).tolist()
    years = paper.over_time(days, [0.1] * 500, band=0.1, what="g", title="S1")
    assert years.count("<circle") == 500  # at the band is not beyond it
    assert words_fit(years)


def test_what_the_others_come_to_has_a_line() -> None:
    rows = pd.DataFrame(
        [
            {"name": f"wire {at}", "value": value, "lower": value - 0.05, "upper": value + 0.05,
             "marked": value > 0.3, "words": "retension" if value > 0.3 else ""}
            for at, value in enumerate([0.15, 0.16, 0.45], 1)
        ]
    )  # fmt: skip
    picture = paper.intervals(rows, what="wander, mm", title="t", zero=False, usual=0.155)
    assert "the others 0.15" in picture
    assert picture.count("h8v8h-8z") == 1 and picture.count("<circle") == 2
    assert words_fit(picture)


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e4), st.integers(2, 10))
def test_ticks_are_round_and_few(low: float, wide: float, most: int) -> None:
    ticks = paper._ticks(low, low + wide, most)
    assert len(ticks) <= most + 1
    assert all(low - 1e-6 <= tick <= low + wide + 1e-6 for tick in ticks)
    steps = np.diff(ticks)
    assert np.allclose(steps, steps[0] if len(steps) else 0)
