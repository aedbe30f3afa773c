"""Control charts as pictures: the finding in the title, signals marked twice, stable text."""

import json
import re

import numpy as np
import pandas as pd
import plotly.io as pio
import pytest

from qa_tools.charts import (
    Base,
    ControlChart,
    batch_means,
    cusum,
    ewma,
    individuals,
    mean_range,
    mean_sd,
)
from qa_tools.pictures import theme
from qa_tools.pictures.charts import control_chart

rng = np.random.default_rng(8)
ROWS = rng.normal(120, 1.5, (20, 5))


def light_batch() -> ControlChart:
    batches = {f"B{place}": row for place, row in enumerate(ROWS, start=1)}
    return mean_range(batches | {"B13": ROWS[12] - 6})


def texts(figure) -> list[str]:
    return [annotation.text for annotation in figure.layout.annotations]


def test_title_states_the_finding_and_axes_their_units() -> None:
    chart = light_batch()
    figure = chart.figure()
    assert figure.layout.title.text == chart.finding
    assert "B13 stands below the limit" in chart.finding
    assert figure.layout.yaxis.title.text == "Mean (g)"
    assert figure.layout.yaxis2.title.text == "Range (g)"
    assert (
        mean_sd(ROWS, unit="oz").figure().layout.yaxis2.title.text == "Standard<br>deviation (oz)"
    )


def test_a_signal_differs_in_shape_and_in_colour() -> None:
    figure = light_batch().figure()
    points = [trace for trace in figure.data if trace.mode == "lines+markers"]
    assert len(points) == 2
    marker = points[0].marker
    assert marker.symbol[12] == "triangle-down"
    assert set(marker.symbol[:12]) == {"circle"}
    assert marker.color[12] == theme.VERMILLION != marker.color[0]


def test_hover_gives_label_value_and_reason() -> None:
    chart = light_batch()
    hover = next(t for t in chart.figure().data if t.mode == "lines+markers").hovertext
    assert hover[12].startswith("<b>B13</b><br>mean of 5 readings: ")
    assert hover[12].partition("g<br>")[2].replace("<br>", " ") == chart.signals["reason"].iloc[0]
    assert "<br>within " in hover[0]


def test_a_pattern_is_a_thick_line_to_a_diamond_and_says_so_in_words() -> None:
    rows = np.tile([1.0, -1.0, 0.5, -0.5], (30, 1)) + rng.normal(0, 0.01, (30, 4))
    rows[:, 0] += np.where(np.arange(30) < 20, np.tile([0.8, -0.8], 15), 0.8)
    rows[24] += 9
    chart = mean_range(rows, base=20).with_rules("8 on a side")
    assert chart.signals["point"].tolist() == [25, 28, 29, 30]
    figure = chart.figure()
    marks = next(trace for trace in figure.data if trace.mode == "lines+markers")
    symbols = [marks.marker.symbol[point - 1] for point in (24, 25, 28)]
    assert symbols == ["circle", "triangle-up", "diamond"]
    assert len({marks.marker.color[point - 1] for point in (24, 25, 28)}) == 3
    assert "8 points in a row" in marks.hovertext[27].replace("<br>", " ")
    run = next(trace for trace in figure.data if trace.name == "pattern")
    assert run.x[:9] == (21, 22, 23, 24, 25, 26, 27, 28, None)
    assert run.y[:8] == marks.y[20:28]
    assert "complete at the diamond" in " ".join(texts(figure)).replace("<br>", " ")
    quiet = mean_range(rows[:20]).with_rules("8 on a side").figure()
    assert "diamond" not in quiet.to_json()


def test_limits_are_named_at_the_edge_and_never_overlap() -> None:
    squashed = individuals([*rng.normal(250, 1, 100), 25.0])
    figure = squashed.figure()
    words = [a for a in figure.layout.annotations if a.yref == "y" and a.xref == "paper"]
    assert all(a.text.endswith(" g") for a in words)
    assert [a.text.rsplit(" ", 2)[0] for a in words] == ["lower limit", "centre", "upper limit"]
    low, high = figure.layout.yaxis.range
    margin, domain = figure.layout.margin, figure.layout.yaxis.domain
    panel = (figure.layout.height - margin.t - margin.b) * (domain[1] - domain[0])
    heights = [a.y * panel / (high - low) + a.yshift for a in words]
    assert np.diff(heights).min() >= 15


def test_a_spread_without_a_lower_limit_shows_none() -> None:
    words = [a.text for a in mean_range(ROWS).figure().layout.annotations if a.yref == "y2"]
    assert len(words) == 2
    assert not any("lower" in text for text in words)


def test_all_points_lie_inside_the_panels() -> None:
    figure = light_batch().figure()
    for trace in figure.data:
        axis = figure.layout["yaxis" + (trace.yaxis or "y")[1:]]
        assert all(axis.range[0] <= y <= axis.range[1] for y in trace.y if y is not None)


def test_limits_that_vary_are_steps_with_no_step_where_a_point_is_missing() -> None:
    figure = mean_range([[1.0, 2.0], [1.5, 2.5, 2.2], [2.0], [1.0, 2.5]]).figure()
    upper = [trace for trace in figure.data if trace.name == "upper limit"]
    assert upper[0].x == (0.5, 1.5, 1.5, 2.5, 2.5, 3.5, 3.5, 4.5)
    assert upper[1].x == (0.5, 1.5, 1.5, 2.5, None, 3.5, 4.5)
    assert "at the last point:" in texts(figure)


def test_the_title_says_so_when_only_the_spread_is_out() -> None:
    rows = ROWS.copy()
    rows[7] += [9, -9, 0, 0, 0]
    chart = mean_range(rows)
    assert chart.signals.empty
    figure = chart.figure()
    assert figure.layout.title.text.endswith("but not every range does")
    few = mean_range(rows[:10])
    assert few.signals.empty
    words = few.figure().layout.title.text.replace("<br>", " ")
    assert words.endswith("shown for orientation, but not every range lies within its limits")
    assert chart.spread is not None
    assert chart.spread.finding in texts(figure)


def test_labels_are_text_and_never_markup() -> None:
    chart = mean_range({"<script>a</script>": [1.0, 2.0], "b": [30.0, 31.0], "c": [1.5, 2.0]})
    text = chart.figure().to_json()
    assert "<script>" not in json.loads(text)["layout"]["title"]["text"]
    assert "<script>" not in text.encode().decode("unicode_escape")


def test_long_labels_and_many_points_leave_room_at_the_axis() -> None:
    long = {f"second packing run of the foot scrub {i}": row for i, row in enumerate(ROWS)}
    ticks = mean_range(long).figure().layout.xaxis.ticktext
    assert 1 < len(ticks) <= 5
    assert ticks[0].startswith("…")
    assert len(individuals(rng.normal(0, 1, 1000)).figure().layout.xaxis.ticktext) <= 20


def test_the_spread_chart_can_stand_alone() -> None:
    chart = mean_range(ROWS)
    assert chart.spread is not None
    figure = chart.spread.figure()
    assert figure.layout.title.text == chart.spread.finding
    assert figure.layout.yaxis.title.text == "Range (g)"


def test_the_same_chart_is_the_same_text_with_plain_rounded_numbers() -> None:
    first, again = light_batch().figure().to_json(), light_batch().figure().to_json()
    assert first == again
    assert "bdata" not in first
    assert "uid" not in first
    numbers = [y for trace in light_batch().figure().data for y in trace.y]
    assert all(round(y, 4) == y for y in numbers)


@pytest.mark.parametrize(
    ("chosen", "before", "after"),
    [
        (None, "plotly_mimetype+notebook", "plotly_mimetype"),
        (None, "browser", "browser"),
        ("plotly_mimetype+notebook", "plotly_mimetype+notebook", "plotly_mimetype+notebook"),
    ],
)
def test_notebooks_keep_one_plain_copy_unless_chosen_otherwise(
    monkeypatch, chosen, before, after
) -> None:
    monkeypatch.delenv("PLOTLY_RENDERER", raising=False)
    if chosen:
        monkeypatch.setenv("PLOTLY_RENDERER", chosen)
    kept = pio.renderers.default
    try:
        pio.renderers.default = before
        theme.canvas("nothing yet")
        assert pio.renderers.default == after
    finally:
        pio.renderers.default = kept


def batches(count: int, name: str = "OH-{:04d}") -> ControlChart:
    means = pd.Series(rng.normal(120, 1, count), index=[name.format(i) for i in range(count)])
    return individuals(means.rename_axis("batch"), what="batch mean")


def test_ringed_points_keep_their_label_however_many_there_are() -> None:
    chart = batches(60)
    marked = ["OH-0041", "OH-0058", "OH-0059"]
    axis = control_chart(chart, marked=marked).layout.xaxis
    bold = [re.sub("<[^>]*>", "", text) for text in axis.ticktext if "<b>" in text]
    assert bold == marked
    assert axis.title.text == "Batch (ringed and in bold: this week)"
    # Labels that would run into each other stand on lines of their own.
    assert axis.ticktext[-2] == "<b>OH-0058</b>"
    assert axis.ticktext[-1] == "<br><b>OH-0059</b>"
    shown = [
        place for place, text in zip(axis.tickvals, axis.ticktext, strict=True) if "<b>" not in text
    ]
    assert all(abs(place - 42) * 640 / 60 > 60 for place in shown)


def test_room_is_made_under_the_axis_for_every_line_of_labels() -> None:
    chart = batches(60)
    few = control_chart(chart, marked=["OH-0059"]).layout
    many = control_chart(chart, marked=[f"OH-{i:04d}" for i in range(50, 60)]).layout
    deepest = max(text.count("<br>") for text in many.xaxis.ticktext)
    assert deepest > 2
    assert many.margin.b - few.margin.b == many.height - few.height == 16 * deepest


def test_the_picture_says_what_its_limits_come_from() -> None:
    figure = batches(14).figure()
    assert "Limits from how much one batch differs from the next" in texts(figure)
    assert "moving range" not in figure.to_json()
    readings = "Limits from how much readings of one subgroup differ among themselves"
    assert readings in texts(mean_range(ROWS).figure())


def test_what_is_charted_has_a_line_of_its_own() -> None:
    title = control_chart(batches(14), about="Balm, <filled>").layout.title.text
    assert title.startswith("Balm, &lt;filled&gt;<br>")


def test_few_batches_are_never_said_to_lie_within_the_limits() -> None:
    figure = batches(6).figure()
    assert figure.layout.title.text == (
        "6 batches so far: too few to trust the limits, shown for orientation"
    )
    assert "Differences from the batch before, shown for orientation" in texts(figure)
    assert "within" not in figure.to_json()


def test_no_minus_zero_in_words() -> None:
    figure = individuals([*[0.5, -0.4] * 8, -0.802]).figure()
    hover = [text for trace in figure.data for text in trace.hovertext or ()]
    near = individuals([*[5.0, -4.0] * 8, -0.02, -7.0]).figure()
    hover += [text for trace in near.data for text in trace.hovertext or ()]
    assert not [text for text in [*texts(figure), *texts(near), *hover] if "-0.0 " in text]


def test_base_periods_are_shaded_and_new_limits_have_a_line_and_their_reason() -> None:
    new = Base("11", "20", agreed="2026-10-05", reason="new <scoop>")
    figure = mean_sd(ROWS, base=[Base("1", "8"), new]).figure()
    shaded = [(shape.x0, shape.x1) for shape in figure.layout.shapes if shape.type == "rect"]
    assert shaded == [(0.5, 8.5), (10.5, 20.5)]
    assert [shape.x0 for shape in figure.layout.shapes if shape.type == "line"] == [10.5]
    said = " ".join(texts(figure)).replace("<br>", " ")
    assert "base period" in said
    assert "new limits, 2026-10-05: new &lt;scoop&gt;" in said
    assert not mean_sd(ROWS).figure().layout.shapes


def test_a_point_left_out_of_the_base_is_a_gap_in_the_shade_and_says_why() -> None:
    left_out = Base("1", "8", without={"1": "first of a new <scoop>", "5": "tared twice"})
    figure = mean_sd(ROWS, base=left_out).figure()
    shaded = [(shape.x0, shape.x1) for shape in figure.layout.shapes if shape.type == "rect"]
    assert shaded == [(1.5, 4.5), (5.5, 8.5)]
    hover = next(t for t in figure.data if t.mode == "lines+markers").hovertext
    assert "left out of the base: first of a new &lt;scoop&gt;" in hover[0]
    assert hover[4].endswith("left out of the base: tared twice")
    assert sum("left out" in words for words in hover) == 2


@pytest.mark.parametrize("chart", [ewma, cusum])
def test_a_side_unwatched_has_no_line_and_no_words(chart) -> None:
    figure = chart(ROWS[:, 0], target=120, sd=1.5, side="low").figure()
    assert "upper limit" not in [trace.name for trace in figure.data]
    assert not any("upper limit" in text for text in texts(figure))
    assert any("lower limit" in text for text in texts(figure))
    assert "NaN" not in figure.to_json() and "nan" not in figure.to_json()
    hover = next(t for t in figure.data if t.mode == "lines+markers").hovertext
    assert "<br>limit " in hover[0]


def test_between_and_within_states_the_shares_and_draws_each_batch() -> None:
    batch = [*np.repeat(np.arange(20), 5), 20]
    values = [*(ROWS + np.arange(20)[:, np.newaxis]).ravel(), 130.0]
    chart = batch_means(values, batch)
    figure = chart.shares_figure()
    share = chart.components.share_between
    assert f"{100 * share:.0f} % of the variance lies" in figure.layout.title.text
    dots, *bars = figure.data
    assert dots.y[3] == pytest.approx(chart.points["value"][3], abs=0.01)
    assert dots.error_y.array[3] == pytest.approx(chart.spread.points["value"][3], abs=0.01)
    assert dots.error_y.array[20] == 0
    assert "sd" not in dots.hovertext[20]
    assert [bar.y[0] for bar in bars] == pytest.approx([100 * share, 100 - 100 * share], abs=0.11)
    (band,) = figure.layout.shapes
    assert band.y1 - band.y0 == pytest.approx(2 * chart.components.between, abs=0.02)
    assert any("Band: one sd between batches" in note.text for note in figure.layout.annotations)
    single = batch_means([1.0, 2.0, 4.0], list("ABC"))  # no readings of one batch to differ
    for chart in (mean_sd(ROWS), single):
        with pytest.raises(ValueError, match=r"batch_means where readings of one batch differ"):
            chart.shares_figure()
