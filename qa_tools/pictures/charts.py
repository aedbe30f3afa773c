"""Control charts drawn: points, limits, signals, and the spread beneath."""

from __future__ import annotations

import textwrap
from collections.abc import Collection
from typing import TYPE_CHECKING, Any, Final

import plotly.graph_objects as go

from qa_tools.charts.chart import plural
from qa_tools.pictures import theme

if TYPE_CHECKING:
    import pandas as pd

    from qa_tools.charts import ControlChart

_LABEL_ROOM: Final = 138  # pixels at the right edge, for the words beside the limits
_LINE: Final = 16  # pixels a line of text needs
_TICK_ROOM: Final = 640  # pixels the tick labels share at a width of 900
_LEVELS: Final = {"lower": "lower limit", "centre": "centre", "upper": "upper limit"}
_LONGEST_TICK: Final = 18  # characters; all of it is on hover
_CAPTION: Final = 90  # characters a line above a panel
_OF_READINGS: Final = ("mean", "batch mean", "range", "standard deviation")


def control_chart(
    chart: ControlChart, *, about: str = "", marked: Collection[str] = ()
) -> go.Figure:
    """
    A control chart with its spread beneath; the title states what it shows.

    Signals are marked by colour and by a shape that points to the side they fall out on; limits
    are named at the right edge; hovering gives label, value and reason.

    Parameters
    ----------
    chart : ControlChart
        From ``charts.mean_range``, ``charts.mean_sd``, ``charts.individuals``.
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
    figure.update_layout(margin_r=_LABEL_ROOM, margin_t=figure.layout.margin.t + _LINE)
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
    _caption(figure, f"Limits from {chart.basis.partition(' (')[0]}", 1.0)
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


def _title(chart: ControlChart) -> str:
    spread = chart.spread
    if spread is not None and chart.signals.empty and not spread.signals.empty:
        return f"{chart.finding}, but not every {spread.what} does"
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
    low = float(points[["value", "lower"]].to_numpy().min())
    high = float(points[["value", "upper"]].to_numpy().max())
    pad = 0.09 * (high - low)
    bottom, top = (0.0 if low >= 0 and low - pad < 0 else low - pad), high + pad
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
    signals = points["reason"] != ""
    above = points["value"] > points["upper"]
    hover = _hover(chart)
    figure.add_scatter(
        x=points["point"].tolist(),
        y=theme.rounded(points["value"], decimals),
        yaxis=yaxis,
        mode="lines+markers",
        line={"color": theme.SKY, "width": 1},
        marker={
            "color": [theme.VERMILLION if signal else theme.BLUE for signal in signals],
            "symbol": [
                ("triangle-up" if up else "triangle-down") if signal else "circle"
                for signal, up in zip(signals, above, strict=True)
            ],
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
    if chart.points["upper"].nunique() > 1:
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
    """The lines to draw: a lower limit of nothing but zeros says nothing of a spread."""
    return [level for level in _LEVELS if level != "lower" or chart.points["lower"].any()]


def _hover(chart: ControlChart) -> list[str]:
    def words(row: pd.Series[Any]) -> str:
        decimals = chart.decimals
        name = theme.plain(_upper_first(f"{chart.each} {row['label']}".strip()))
        of = f" of {row['n']} readings" if row["n"] > 1 and chart.what in _OF_READINGS else ""
        value = f"{chart.what}{of}: {row['value']:z.{decimals}f} {chart.unit}"
        within = f"{row['lower']:z.{decimals}f} to {row['upper']:z.{decimals}f} {chart.unit}"
        reason = row["reason"] or f"{'limits' if chart.few else 'within'} {within}"
        lines = [value, *textwrap.wrap(reason, 56)]
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
