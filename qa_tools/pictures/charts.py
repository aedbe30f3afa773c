"""Control charts drawn: points, limits, signals, and the spread beneath."""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Collection
from typing import TYPE_CHECKING, Any, Final

import plotly.graph_objects as go

from qa_tools.charts.chart import plural
from qa_tools.pictures import theme

if TYPE_CHECKING:
    import pandas as pd

    from qa_tools.charts import ControlChart
    from qa_tools.statistics.components import Components

_LABEL_ROOM: Final = 138  # pixels at the right edge, for the words beside the limits
_LINE: Final = 16  # pixels a line of text needs
_TICK_ROOM: Final = 640  # pixels the tick labels share at a width of 900
_LEVELS: Final = {"lower": "lower limit", "centre": "centre", "upper": "upper limit"}
_LONGEST_TICK: Final = 18  # characters; all of it is on hover
_CAPTION: Final = 90  # characters a line above a panel
_POINT: Final = ("circle", theme.BLUE)
_ABOVE: Final = ("triangle-up", theme.VERMILLION)
_BELOW: Final = ("triangle-down", theme.VERMILLION)
_COMPLETE: Final = ("diamond", theme.PURPLE)
_OF_READINGS: Final = ("mean", "batch mean", "range", "standard deviation")


def control_chart(
    chart: ControlChart, *, about: str = "", marked: Collection[str] = ()
) -> go.Figure:
    """
    A control chart with its spread beneath; the title states what it shows.

    Signals are marked by colour and by a shape that points to the side they fall out on; patterns
    of a chart with run rules by a thick line, and a diamond where they are complete. Limits are
    named at the right edge; hovering gives label, value and reason.

    Parameters
    ----------
    chart : ControlChart
        From any of the charts in ``qa_tools.charts``.
    about : str
        What is charted, on a line of its own above the finding.
    marked : collection of str
        Labels of the points to ring and name at the axis: those of the week under review.

    Examples
    --------
    >>> from qa_tools.charts import individuals
    >>> figure = control_chart(individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2] * 2))
    >>> figure.layout.title.text, figure.layout.yaxis.title.text
    ('All 12 readings lie within the limits', 'Reading (g)')
    """
    spread = chart.spread
    points = chart.points
    labels = [_tail(str(label)) for label in points["label"]]
    ringed = [row for row, label in enumerate(points["label"]) if label in marked]
    depths = _ticks(labels, ringed)
    below = _LINE * max(depths.values())
    title = f"{about}\n{_title(chart)}" if about else _title(chart)
    figure = theme.canvas(title, height=(440 if spread is None else 600) + below)
    caption = f"Limits from {chart.basis.partition(' (')[0]}"
    if chart.patterns is not None and not chart.patterns.empty:
        caption += ". Triangle: beyond a limit. Thick line: a pattern, complete at the diamond"
    above = _LINE * len(textwrap.wrap(caption, _CAPTION))
    figure.update_layout(margin_r=_LABEL_ROOM, margin_t=figure.layout.margin.t + above)
    figure.update_layout(height=figure.layout.height + above - _LINE)
    figure.update_layout(margin_b=figure.layout.margin.b + below)
    margin = figure.layout.margin
    height = figure.layout.height - margin.t - margin.b
    if spread is None:
        _panel(figure, chart, "y", (0.0, 1.0), height, marked)
    else:
        _panel(figure, chart, "y", (0.44, 1.0), height, marked)
        _panel(figure, spread, "y2", (0.0, 0.30), height, marked)
        few = f"{_upper_first(plural(spread.what))}, shown for orientation"
        _caption(figure, few if spread.few else spread.finding, 0.30)
    _caption(figure, caption, 1.0)
    _base_periods(figure, chart)
    figure.update_xaxes(
        anchor="y" if spread is None else "y2",
        range=[points["point"].iloc[0] - 0.7, points["point"].iloc[-1] + 0.7],
        tickvals=[int(points["point"].iloc[row]) for row in depths],
        ticktext=[
            "<br>" * depth
            + (f"<b>{theme.plain(labels[row])}</b>" if row in ringed else theme.plain(labels[row]))
            for row, depth in depths.items()
        ],
        tickangle=0,
        title_text=theme.plain(_upper_first(chart.each))
        + (" (ringed and in bold: this week)" if ringed else ""),
    )
    return figure


def between_and_within(chart: ControlChart) -> go.Figure:
    """
    How much batches differ, and how much readings of one batch do; the title gives the shares.

    Each batch is its mean, with a line one of its own standard deviations to either side; the band
    is one standard deviation between batches to either side of their mean. Beside it the share of
    each in the variance of a single reading.

    Parameters
    ----------
    chart : ControlChart
        From ``charts.batch_means``.

    Raises
    ------
    ValueError
        A chart of something else.

    Examples
    --------
    >>> from qa_tools.charts import batch_means
    >>> weights = [120.1, 121.0, 119.6, 123.2, 122.4, 123.9, 118.0, 117.4, 118.5]
    >>> figure = between_and_within(batch_means(weights, list("AAABBBCCC")))
    >>> print(figure.layout.title.text.replace("<br>", " "))
    Batches differ more than their readings: 94 % of the variance lies between batches
    """
    found = chart.components
    if found is None or chart.spread is None:
        raise ValueError(
            "between and within is drawn of charts.batch_means where readings of one batch differ; "
            f"this is a chart of each {chart.what} by itself"
        )
    points, decimals = chart.points, chart.decimals + 2
    share = found.share_between
    more = "more" if found.between > found.within else "less"
    title = (
        f"Batches differ {more} than their readings: {100 * share:.0f} % of the variance lies "
        "between batches"
    )
    figure = theme.canvas(title, height=460)
    sds = dict(zip(chart.spread.points["point"], chart.spread.points["value"], strict=True))
    labels = [_tail(str(label)) for label in points["label"]]
    centre = float(points["centre"].iloc[-1])
    band = theme.rounded([centre - found.between, centre + found.between], decimals)
    figure.add_hrect(y0=band[0], y1=band[1], fillcolor=theme.SKY, opacity=0.25, line_width=0)
    figure.add_scatter(
        x=points["point"].tolist(),
        y=theme.rounded(points["value"], decimals),
        mode="markers",
        marker={"color": theme.BLUE, "size": 8},
        error_y={
            "type": "data",
            "array": theme.rounded([sds.get(point, 0.0) for point in points["point"]], decimals),
            "color": theme.ORANGE,
            "thickness": 2,
            "width": 0,
        },
        hovertext=[
            f"<b>{theme.plain(f'{chart.each} {row.label}'.strip())}</b><br>mean of {row.n}: "
            f"{row.value:z.{chart.decimals}f} {theme.plain(chart.unit)}"
            + (
                f"<br>sd {sds[row.point]:.{chart.decimals + 1}f} {theme.plain(chart.unit)}"
                if row.point in sds
                else ""
            )
            for row in points.itertuples()
        ],
        hoverinfo="text",
        name="batch means",
    )
    _share_bar(figure, found, f"{{:.{chart.decimals + 1}f}} {theme.plain(chart.unit)}")
    depths = _ticks(labels, [])
    figure.update_layout(
        margin_r=_LABEL_ROOM,
        margin_t=figure.layout.margin.t + _LINE,
        xaxis={
            "domain": [0, 0.86],
            "tickvals": [int(points["point"].iloc[row]) for row in depths],
            "ticktext": [theme.plain(labels[row]) for row in depths],
            "tickangle": 0,
            "title": {"text": theme.plain(_upper_first(chart.each))},
        },
        yaxis={"title": {"text": _axis_title(chart)}},
        xaxis2={"domain": [0.93, 1.0], "anchor": "y2", "showticklabels": False, "ticks": ""},
        yaxis2={"range": [0, 100], "anchor": "x2", "visible": False},
        barmode="overlay",
    )
    _caption(
        figure,
        "Dot: a batch's mean. Line: one sd of its readings each way. Band: one sd between batches",
        1.0,
    )
    return figure


def _share_bar(figure: go.Figure, found: Components, shown: str) -> None:
    """The shares of between and within in the variance of a reading, on axes of their own."""
    share = found.share_between
    for part, base, colour, name, sd in (
        (share, 0.0, theme.SKY, "between batches", found.between),
        (1 - share, share, theme.ORANGE, "within a batch", found.within),
    ):
        figure.add_bar(
            x=[""],
            y=[round(100 * part, 1)],
            base=[round(100 * base, 1)],
            xaxis="x2",
            yaxis="y2",
            marker={"color": colour, "opacity": 0.7},
            hoverinfo="skip",
            name=name,
        )
        figure.add_annotation(
            text=f"{name}<br>{100 * part:.0f} %<br>sd {shown.format(sd)}",
            xref="x2 domain",
            yref="y2",
            x=1,
            y=round(min(max(100 * (base + part / 2), 8.0), 92.0), 1),
            xanchor="left",
            xshift=6,
            align="left",
            showarrow=False,
        )


def _caption(figure: go.Figure, words: str, top: float) -> None:
    """A line of words above a panel that ends at this height."""
    lines = textwrap.wrap(words, _CAPTION) or [""]
    figure.add_annotation(
        text="<br>".join(map(theme.plain, lines)),
        xref="paper",
        yref="paper",
        x=0,
        y=top,
        xanchor="left",
        yanchor="bottom",
        yshift=8,
        showarrow=False,
        align="left",
        font_size=theme.TEXT_SIZE + 1,
    )


def _base_periods(figure: go.Figure, chart: ControlChart) -> None:
    """The points limits were set on shaded, and a line where new limits begin."""
    for place, phase in enumerate(chart.phases):
        start = phase.points.start
        edges = [phase.base.start - 1, *sorted(phase.without), phase.base.stop]
        for before, after in itertools.pairwise(edges):  # a point left out is a gap in the shade
            if after == before + 1:
                continue
            figure.add_shape(
                type="rect",
                layer="below",
                line_width=0,
                fillcolor=theme.GRID,
                opacity=0.6,
                xref="x",
                yref="paper",
                x0=start + before + 1.5,
                x1=start + after + 0.5,
                y0=0,
                y1=1,
            )
        words = "base period"
        if place:
            figure.add_shape(
                type="line",
                line={"color": theme.INK, "width": 1.5, "dash": "dot"},
                xref="x",
                yref="paper",
                x0=start + 0.5,
                x1=start + 0.5,
                y0=0,
                y1=1,
            )
            words = f"new limits, {phase.agreed}: {phase.reason}"
        room = _TICK_ROOM * (phase.points.stop - start) / len(chart.points)
        lines = textwrap.wrap(words, max(10, int(room / 7)))
        figure.add_annotation(
            text="<br>".join(map(theme.plain, lines)),
            xref="x",
            yref="paper",
            x=start + phase.base.start + 0.5,
            y=1,
            xanchor="left",
            yanchor="top",
            xshift=4,
            align="left",
            showarrow=False,
            font={"color": theme.GREY, "size": theme.TEXT_SIZE - 1},
        )


def _title(chart: ControlChart) -> str:
    spread = chart.spread
    if spread is not None and chart.signals.empty and not spread.signals.empty:
        does = "lies within its limits" if chart.few else "does"
        return f"{chart.finding}, but not every {spread.what} {does}"
    return chart.finding


def _panel(
    figure: go.Figure,
    chart: ControlChart,
    yaxis: str,
    domain: tuple[float, float],
    height: float,
    marked: Collection[str],
) -> None:
    points = chart.points
    decimals = chart.decimals + 2
    low = float(points[["value", "lower", "centre"]].min().min())
    high = float(points[["value", "upper", "centre"]].max().max())
    pad = 0.09 * (high - low)
    bottom, top = (0.0 if low >= 0 and low - pad < 0 else low - pad), high + pad
    if chart.phases and yaxis == "y":  # room for the words of a base period
        top += pad
    key = "yaxis" + yaxis[1:]
    figure.update_layout(
        {
            key: {
                "domain": domain,
                "range": theme.rounded([bottom, top], decimals),
                "title": {"text": _axis_title(chart)},
                "nticks": 7 if yaxis == "y" else 4,
            }
        }
    )
    _limit_lines(figure, chart, yaxis)
    _limit_words(figure, chart, yaxis, height * (domain[1] - domain[0]) / (top - bottom))
    _pattern_lines(figure, chart)
    signals = points["reason"] != ""
    above = points["value"] > points["centre"]
    shapes = [
        _POINT if not signal else _COMPLETE if not out else _ABOVE if up else _BELOW
        for signal, out, up in zip(signals, chart.beyond, above, strict=True)
    ]
    hover = _hover(chart)
    figure.add_scatter(
        x=points["point"].tolist(),
        y=theme.rounded(points["value"], decimals),
        yaxis=yaxis,
        mode="lines+markers",
        line={"color": theme.SKY, "width": 1},
        marker={
            "color": [colour for _, colour in shapes],
            "symbol": [symbol for symbol, _ in shapes],
            "size": [
                13 if signal else 11 if label in marked else (7 if len(points) <= 100 else 4)
                for signal, label in zip(signals, points["label"], strict=True)
            ],
            "line": {
                "width": [2 if label in marked else 0 for label in points["label"]],
                "color": theme.INK,
            },
            "opacity": 1,
        },
        cliponaxis=False,  # a ring at the foot of a panel stays whole
        hovertext=hover,
        hoverinfo="text",
        name=theme.plain(chart.what),
    )


def _limit_lines(figure: go.Figure, chart: ControlChart, yaxis: str) -> None:
    """Centre and limits as lines, in steps where they differ from point to point."""
    for level in _levels(chart):
        heights = theme.rounded(chart.points[level], chart.decimals + 2)
        x: list[float | None] = []
        y: list[float | None] = []
        for point, height in zip(chart.points["point"].tolist(), heights, strict=True):
            if y and y[-1] == height:
                x[-1] = point + 0.5
                continue
            if x and x[-1] != point - 0.5:  # a point without a spread: no step across its place
                x.append(None)
                y.append(None)
            x += [point - 0.5, point + 0.5]
            y += [height, height]
        figure.add_scatter(
            x=x,
            y=y,
            yaxis=yaxis,
            mode="lines",
            line={
                "color": theme.GREY,
                "width": 1 if level == "centre" else 1.5,
                # short steps broken into dashes are hard to follow
                "dash": "solid" if level == "centre" or len(set(heights)) > 1 else "dash",
            },
            hoverinfo="skip",
            name=_LEVELS[level],
        )


def _pattern_lines(figure: go.Figure, chart: ControlChart) -> None:
    """The points of every pattern joined by a thick line."""
    if chart.patterns is None or chart.patterns.empty:
        return
    heights = theme.rounded(chart.points["value"], chart.decimals + 2)
    x: list[int | None] = []
    y: list[float | None] = []
    for since, point in zip(chart.patterns["since"], chart.patterns["point"], strict=True):
        x += [*range(since, point + 1), None]
        y += [*heights[since - 1 : point], None]
    figure.add_scatter(
        x=x,
        y=y,
        mode="lines",
        line={"color": theme.PURPLE, "width": 5},
        opacity=0.5,
        hoverinfo="skip",
        name="pattern",
    )


def _limit_words(figure: go.Figure, chart: ControlChart, yaxis: str, pixels: float) -> None:
    """The levels of the last point named at the right edge; limits make way for the centre."""
    last = chart.points.iloc[-1]
    font = {"color": theme.GREY, "size": theme.TEXT_SIZE - 1}
    for level in _levels(chart):
        away = float(last[level] - last["centre"]) * pixels
        room = {"lower": min(0, -_LINE - away), "centre": 0, "upper": max(0, _LINE - away)}
        figure.add_annotation(
            text=f"{_LEVELS[level]} {last[level]:z.{chart.decimals}f} {theme.plain(chart.unit)}",
            xref="paper",
            yref=yaxis,
            x=1,
            y=theme.rounded([last[level]], chart.decimals + 2)[0],
            xanchor="left",
            xshift=6,
            yshift=round(room[level]),
            showarrow=False,
            font=font,
        )
    if chart.points[["lower", "upper"]].nunique().max() > 1:
        figure.add_annotation(
            text="at the last point:",
            xref="paper",
            yref=f"{yaxis} domain",
            x=1,
            y=1,
            xanchor="left",
            yanchor="bottom",
            xshift=6,
            showarrow=False,
            font=font,
        )


def _levels(chart: ControlChart) -> list[str]:
    """The lines to draw: not a side unwatched, nor a lower limit of zeros, which says nothing."""
    drawn = [level for level in _LEVELS if chart.points[level].notna().all()]
    return [level for level in drawn if level != "lower" or chart.points["lower"].any()]


def _hover(chart: ControlChart) -> list[str]:
    left_out = {
        phase.points.start + place + 1: why
        for phase in chart.phases
        for place, why in phase.without.items()
    }

    def words(row: pd.Series[Any]) -> str:
        decimals = chart.decimals
        name = theme.plain(_upper_first(f"{chart.each} {row['label']}".strip()))
        of = f" of {row['n']} readings" if row["n"] > 1 and chart.what in _OF_READINGS else ""
        value = f"{chart.what}{of}: {row['value']:z.{decimals}f} {chart.unit}"
        ends = [f"{row[end]:z.{decimals}f}" for end in ("lower", "upper") if row[end] == row[end]]
        within = f"{' to '.join(ends)} {chart.unit}"
        one = "limit" if len(ends) == 1 else "limits" if chart.few else "within"
        reason = row["reason"] or f"{one} {within}"
        lines = [value, *textwrap.wrap(reason, 56)]
        if why := left_out.get(row["point"]):
            lines += textwrap.wrap(f"left out of the base: {why}", 56)
        return "<br>".join([f"<b>{name}</b>", *map(theme.plain, lines)])

    return [words(row) for _, row in chart.points.iterrows()]


def _ticks(labels: list[str], ringed: list[int]) -> dict[int, int]:
    """
    Which points get a label at the axis, and on which line under it.

    Every ringed point has one; the others where there is room on the first line, evenly.
    """
    apart = _TICK_ROOM / len(labels)  # pixels from point to point
    half = [(7.5 * len(label) + 12) / 2 for label in labels]
    lines: list[float] = []  # where each line is taken up to
    shown: dict[int, int] = {}
    for row in ringed:
        depth = next((i for i, end in enumerate(lines) if row * apart - half[row] >= end), None)
        if depth is None:
            depth = len(lines)
            lines.append(0)
        lines[depth] = row * apart + half[row]
        shown[row] = depth
    step = -(-2 * max(half) // apart)
    for row in range(0, len(labels), int(step)):
        if all(abs(row - other) * apart >= half[row] + half[other] for other in ringed):
            shown[row] = 0
    return dict(sorted(shown.items()))


def _tail(label: str) -> str:
    """The end of a long label, where batches and runs of one name differ."""
    return label if len(label) <= _LONGEST_TICK else f"…{label[1 - _LONGEST_TICK :]}"


def _axis_title(chart: ControlChart) -> str:
    words = f"{_upper_first(chart.what)} ({chart.unit})"
    return "<br>".join(theme.plain(line) for line in textwrap.wrap(words, 16))


def _upper_first(text: str) -> str:
    return text[:1].upper() + text[1:]
