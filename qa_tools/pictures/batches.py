"""Every weighing of a week against its label, a line a batch."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import plotly.graph_objects as go

from qa_tools.pictures import theme

_ROW: Final = 62  # pixels a batch
_LONGEST: Final = 30  # characters of a name beside its line; all of it is on hover
_GOLDEN: Final = 0.6180339887  # spreads points of equal weight evenly, the same on every machine


class BatchLine(NamedTuple):
    """
    One batch as it is drawn.

    Attributes
    ----------
    batch, about : str
        Its name, and the line under it: "Oat-and-honey bar, 120 g".
    net_g : sequence of float
        Net weights, grams.
    places : sequence of str
        Where each was weighed, for the hover: "loaf 3 slot 5".
    light : sequence of bool
        Which of them are short by more than allowed.
    declared_g : float
        What the label says.
    short_g, twice_g : float or None
        Below this a package is short by more than allowed, by more than twice that; None where
        there is no such limit.
    mean, lower, upper : float
        Mean and its interval, grams; NaN bounds where there is none.
    short : bool
        Whether the mean is below the label.
    headline : str
        The mean against the label, in words.
    """

    batch: str
    about: str
    net_g: Sequence[float]
    places: Sequence[str]
    light: Sequence[bool]
    declared_g: float
    short_g: float | None
    twice_g: float | None
    mean: float
    lower: float
    upper: float
    short: bool
    headline: str


def against_label(batches: Sequence[BatchLine]) -> go.Figure:
    """
    Each batch's weighings, in per cent over or under its label, with the mean and its interval.

    Strokes mark where a package is short by more than allowed, and by more than twice that.

    Parameters
    ----------
    batches : sequence of BatchLine
        Drawn from the top.

    Examples
    --------
    >>> balm = BatchLine("CB-1", "Balm, 60 g", [60.4, 59.8], ["row 2", "row 3"], [False, False],
    ...                  60.0, 55.5, 51.0, 60.1, 59.2, 61.0, False, "averages 0.1 g over")
    >>> against_label([balm]).layout.title.text
    'CB-1 averages at least what its label says'
    """
    figure = theme.canvas(_title(batches), height=205 + _ROW * max(1, len(batches)))
    for place, batch in enumerate(batches):
        _line(figure, batch, -place)
    figure.add_vline(x=0, line={"color": theme.INK, "width": 1.5})
    drawn = [x for trace in figure.data for x in trace.x]
    figure.update_layout(margin_l=230, margin_b=115)
    figure.update_xaxes(
        range=[min(drawn, default=-1) - 1, max(drawn, default=1) + 1],
        title_text=(
            "Net weight over (+) or under (−) the label, %<br>"
            "dot: one package; upright dark stroke: the mean, dark bar: where it lies, 95 % sure"
            "<br>left of the dotted line (triangle): short by more than allowed<br>"
            "left of the solid line: by more than twice that"
        ),
        zeroline=False,
        showgrid=True,
    )
    figure.update_yaxes(
        tickvals=[-place for place in range(len(batches))],
        ticktext=[
            f"{theme.plain(_start(batch.batch))}<br>{theme.plain(_start(batch.about))}"
            for batch in batches
        ],
        range=[0.4 - max(1, len(batches)), 0.6],
        showgrid=False,
    )
    return figure


def _title(batches: Sequence[BatchLine]) -> str:
    short = [batch.batch for batch in batches if batch.short]
    total = len(batches)
    if not batches:
        return "No batch was judged"
    if total == 1:
        how = "short of its label" if short else "at least what its label says"
        return f"{batches[0].batch} averages {how}"
    if not short:
        return f"All {total} batches average at least what their label says"
    listed = ", ".join(short)
    which = listed if len(listed) <= 60 else f"the first is {short[0]}"
    verb = "averages" if len(short) == 1 else "average"
    return f"{len(short)} of {total} batches {verb} short of the label: {which}"


def _line(figure: go.Figure, batch: BatchLine, row: int) -> None:
    def percent(grams: float) -> float:
        return round(100 * (grams / batch.declared_g - 1), 3) + 0.0

    light = "short by more than allowed"
    if batch.short_g is not None:
        light += f": below {_grams(batch.short_g)}"
    figure.add_scatter(
        x=[percent(weight) for weight in batch.net_g],
        y=[round(row + 0.3 * ((i * _GOLDEN) % 1 - 0.5) - 0.12, 3) for i in range(len(batch.net_g))],
        mode="markers",
        marker={
            "color": [theme.VERMILLION if flag else theme.SKY for flag in batch.light],
            "symbol": ["triangle-left" if flag else "circle" for flag in batch.light],
            "size": [11 if flag else 6 for flag in batch.light],
            "opacity": 0.75,
        },
        hovertext=[
            f"{theme.plain(batch.batch)}, {theme.plain(place)}: {_grams(weight)}"
            + (f"<br>{light}" if flag else "")
            for place, weight, flag in zip(batch.places, batch.net_g, batch.light, strict=True)
        ],
        hoverinfo="text",
    )
    for limit, dash in ((batch.short_g, "dot"), (batch.twice_g, "solid")):
        if limit is not None:
            figure.add_scatter(
                x=[percent(limit)] * 2,
                y=[row - 0.32, row + 0.3],
                mode="lines",
                line={"color": theme.GREY, "width": 1.5, "dash": dash},
                hoverinfo="skip",
            )
    known = batch.lower == batch.lower  # not NaN
    figure.add_scatter(
        x=[percent(batch.lower), percent(batch.upper)] if known else [percent(batch.mean)] * 2,
        y=[row + 0.24] * 2,
        mode="lines",
        line={"color": theme.BLUE, "width": 4},
        hoverinfo="skip",
    )
    figure.add_scatter(
        x=[percent(batch.mean)],
        y=[row + 0.24],
        mode="markers",
        marker={
            "color": theme.BLUE,
            "symbol": "line-ns",
            "size": 15,
            "line": {"width": 3, "color": theme.BLUE},
        },
        hovertext=[
            f"{theme.plain(batch.batch)}, {theme.plain(batch.about)}<br>"
            f"mean {batch.mean:.1f} g: {theme.plain(batch.headline)}"
        ],
        hoverinfo="text",
    )


def _grams(weight: float) -> str:
    """A weight as the scale showed it, so that none looks like a limit that it misses."""
    return f"{round(weight, 4):.10g} g"


def _start(name: str) -> str:
    return name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1]}…"
