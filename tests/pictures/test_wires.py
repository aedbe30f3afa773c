"""Pictures of a cutter: findings in titles, wires named in full, marks where they belong."""

from __future__ import annotations

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import plotly.io as pio
import pytest
from wire_cuts import cut, table

import qa_tools as qa

NAME = "between bars 3 and 4"


def title(figure: go.Figure) -> str:
    return figure.layout.title.text.replace("<br>", " ")


def words(figure: go.Figure) -> list[str]:
    return [annotation.text for annotation in figure.layout.annotations]


@pytest.fixture(scope="module")
def slack() -> qa.wires.WireStudy:
    """Wire 3 slackens with loaf 41; wire 5 was tightened before loaf 31."""
    wander = np.full((70, 6), 0.15)
    wander[40:, 2] = 0.6
    weights = cut(np.random.default_rng(3), 70, wander, missing=0.02)
    services = pd.DataFrame({"wire": [5], "loaf": [31]})
    return qa.wires.study(table(weights), spacing_mm=25, services=services)


@pytest.fixture(scope="module")
def steady() -> qa.wires.WireStudy:
    return qa.wires.study(
        table(cut(np.random.default_rng(4), 12, 0.15 * np.ones(6), ends="from a stop")),
        spacing_mm=25,
        ends="from a stop",
    )


def test_the_map_has_a_column_a_wire_and_colours_even_to_both_sides(
    slack: qa.wires.WireStudy,
) -> None:
    figure = slack.figure()
    heat = [trace for trace in figure.data if trace.type == "heatmap"]
    assert len(heat) == 6
    np.testing.assert_allclose(
        [row[0] for row in heat[2].z], slack.displacements[3].round(2), atol=1e-9
    )
    axis = figure.layout.coloraxis
    assert axis.cmin == -axis.cmax and axis.colorscale[2] == (0.5, "#FFFFFF")
    assert figure.layout.yaxis.range[0] > figure.layout.yaxis.range[1]
    assert f"Wire 3 from the stop ({NAME})" in heat[2].hovertemplate


def test_the_map_states_the_finding_and_marks_signal_and_service(
    slack: qa.wires.WireStudy,
) -> None:
    figure = slack.figure()
    signal = qa.wires.watch(slack).signals.iloc[0]
    assert f"Wire 3 from the stop ({NAME}) wanders since about loaf" in title(figure)
    assert {"serviced", "wanders"} <= set(words(figure))
    marks = [trace for trace in figure.data if trace.type == "scatter"]
    assert [list(marks[0].x), list(marks[0].y)] == [
        [2, 2],
        [signal["since"] - 1, signal["loaf"] - 1],
    ]
    assert marks[0].marker.symbol == ("circle-open", "circle")
    (service,) = figure.layout.shapes
    assert (service.x0 + service.x1) / 2 == 4 and service.y0 == 29.5


def test_wander_over_time_names_what_rose_above_the_limit(slack: qa.wires.WireStudy) -> None:
    figure = slack.wander_figure()
    assert f"Wire 3 from the stop ({NAME}) wanders, up to" in title(figure)
    assert {
        "wire 3", "wire 5 (bars 5 | 6) serviced", "wire 3 (bars 3 | 4) wanders",
    } <= set(words(figure))  # fmt: skip
    assert "(mm)" in figure.layout.yaxis.title.text
    assert len(figure.data) == 6


def test_steady_wires_say_so_and_few_loaves_too(steady: qa.wires.WireStudy) -> None:
    assert title(steady.figure()) == "No wire stands out now"
    assert "Fewer than 20 loaves" in title(steady.wander_figure())


def test_loaves_are_drawn_where_the_faces_lie_and_say_how_much_larger(
    slack: qa.wires.WireStudy,
) -> None:
    figure = slack.loaf_figure()
    times = int(title(figure).split("displacements ")[1].split(" times")[0])
    assert times >= 2 and len(figure.data) == 12
    last = figure.data[-1]
    faces = np.array(last.base[1:])
    drawn = 25.0 * np.arange(1, 7) + times * slack.displacements.iloc[-1].to_numpy()
    np.testing.assert_allclose(faces, drawn, atol=0.01)
    assert last.base[0] == 0 and last.base[-1] + last.x[-1] == pytest.approx(175)
    assert "furthest from its place is wire" in title(figure) and "of the stop" not in words(figure)


def test_bars_not_weighed_are_white_and_the_title_says_so() -> None:
    weights = cut(np.random.default_rng(5), 30, 0.15 * np.ones(6))
    weights[28, 2] = np.nan
    figure = qa.wires.study(table(weights), spacing_mm=25).loaf_figure()
    assert figure.data[10].marker.color[2] == "white"
    assert "white bars were not weighed" in title(figure)
    assert figure.data[10].hovertext[2].endswith("not weighed")


def test_pictures_are_the_same_text_every_time(slack: qa.wires.WireStudy) -> None:
    for draw in (slack.figure, slack.wander_figure, slack.loaf_figure):
        assert pio.to_json(draw()) == pio.to_json(draw())
        assert "NaN" not in pio.to_json(draw())


def test_names_from_files_stay_text() -> None:
    weights = table(cut(np.random.default_rng(6), 20, 0.15 * np.ones(4))).assign(batch="<b>x</b>")
    found = qa.wires.study(weights, spacing_mm=25)
    for figure in (found.figure(), found.loaf_figure()):
        assert "<b>x</b>" not in pio.to_json(figure).replace("\\u003c", "<").replace("\\u003e", ">")


def test_a_wire_off_its_place_is_not_said_to_be_moved_as_by_a_service(
    demo_works: qa.Works,
) -> None:
    one = qa.cutters(demo_works)["C1"]
    assert "off its place" in words(one.figure())
    assert "wire 2 (bars 2 | 3) off its place" in words(one.wander_figure())
    assert "Past: wire 5 from the stop (between bars 5 and 6) wandered" in title(one.figure())
