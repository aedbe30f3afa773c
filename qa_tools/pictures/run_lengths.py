"""How soon charts find a shift, and how often they cry wolf: run-length curves."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

import plotly.graph_objects as go

from qa_tools.pictures import theme

_DASHES: Final = ("solid", "dash", "dot", "dashdot", "longdash")


def run_length_curves(
    shifts: Iterable[float],
    curves: Mapping[str, Iterable[float]],
    title: str,
    *,
    shift: float,
    within: float,
    every: float,
) -> go.Figure:
    """
    Average run length of charts over the shift, with the task they are to meet.

    Parameters
    ----------
    shifts : sequence of float
        In standard deviations of the plotted point, ascending.
    curves : mapping of str to sequence of float
        For each chart, in words, its average run lengths at those shifts.
    title : str
        What the picture shows, as a sentence.
    shift, within, every : float
        The task: a shift, points to find it in, points to a false alarm.

    Examples
    --------
    >>> figure = run_length_curves([0, 1], {"each point": [370.4, 43.9]}, "Found in 44 points",
    ...                            shift=1, within=50, every=370)
    >>> figure.data[0].name, figure.layout.yaxis.type
    ('each point', 'log')
    """
    at = [round(float(value), 4) for value in shifts]
    figure = theme.canvas(title, height=540)
    colours = (theme.BLUE, theme.VERMILLION, theme.GREEN, theme.PURPLE, theme.INK)
    for place, (name, lengths) in enumerate(curves.items()):
        points = [float(f"{length:.4g}") for length in lengths]
        figure.add_scatter(
            x=at,
            y=points,
            mode="lines",
            name=theme.plain(name),
            line={
                "color": colours[place % len(colours)],
                "dash": _DASHES[place % len(_DASHES)],
                "width": 2.5,
            },
            hovertext=[
                f"<b>{theme.plain(name)}</b><br>shift {x:.3g} sd: a signal in {y:,.3g} points"
                for x, y in zip(at, points, strict=True)
            ],
            hoverinfo="text",
        )
    for x, y, words, symbol in (
        (0.0, every, f"no more than one false alarm in {every:,.4g} points", "triangle-up"),
        (shift, within, f"found in {within:,.4g} points", "triangle-down"),
    ):
        figure.add_scatter(
            x=[round(x, 4)],
            y=[y],
            mode="markers+text",
            text=[words],
            textposition="top right",
            marker={"symbol": symbol, "size": 12, "color": theme.INK},
            hovertext=[f"asked for: {words}"],
            hoverinfo="text",
            showlegend=False,
        )
    figure.update_layout(showlegend=True, legend={"x": 0.98, "xanchor": "right", "y": 0.98})
    figure.update_xaxes(title_text="Shift of the level, sd of the plotted point")
    figure.update_yaxes(
        type="log", title_text="Points until a signal, on average", dtick=1, showgrid=True
    )
    return figure
