"""Every weighing of a week against its label, a line a batch."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import plotly.graph_objects as go

from qa_tools.pictures import theme

if TYPE_CHECKING:
    from qa_tools.evidence.batches import Batch

_ROW: Final = 62  # pixels a batch
_GOLDEN: Final = 0.6180339887  # spreads points of equal weight evenly, the same on every machine


def against_label(batches: Sequence[Batch]) -> go.Figure:
    """
    Each batch's weighings, in per cent over or under its label, with the mean and its interval.

    Strokes mark where a package is short by more than allowed, and by more than twice that.

    Parameters
    ----------
    batches : sequence of Batch
        With an own check each, drawn from the top.
    """
    figure = theme.canvas(_title(batches), height=185 + _ROW * max(1, len(batches)))
    rows = {batch.batch: -i for i, batch in enumerate(batches)}
    for batch in batches:
        if batch.own is not None:
            _line(figure, batch, rows[batch.batch])
    figure.add_vline(x=0, line={"color": theme.INK, "width": 1.5})
    drawn = [x for trace in figure.data for x in trace.x]
    figure.update_layout(margin_l=210, margin_b=95)
    figure.update_xaxes(
        range=[min(drawn, default=-1) - 1, max(drawn, default=1) + 1],
        title_text=(
            "Net weight over (+) or under (−) the label, %<br>dark bar: the mean, 95 % sure<br>"
            "dotted: short by more than allowed; solid: by more than twice that"
        ),
        zeroline=False,
        showgrid=True,
    )
    figure.update_yaxes(
        tickvals=list(rows.values()),
        ticktext=[
            "<br>".join(map(theme.plain, (batch.batch, f"{batch.name}, {batch.declared}")))
            for batch in batches
        ],
        range=[min(rows.values(), default=0) - 0.6, 0.6],
        showgrid=False,
    )
    return figure


def _title(batches: Sequence[Batch]) -> str:
    short = [batch.batch for batch in batches if batch.own and batch.own.finding == "short"]
    if not batches:
        return "No batch was judged"
    if not short:
        return f"All {len(batches)} batches average at least what their label says"
    verb = "averages" if len(short) == 1 else "average"
    return f"{len(short)} of {len(batches)} batches {verb} short of the label: {', '.join(short)}"


def _line(figure: go.Figure, batch: Batch, row: int) -> None:
    own = batch.own
    assert own is not None
    declared, found = own.limits.declared_g, own.limits

    def percent(grams: float) -> float:
        return round(100 * (grams / declared - 1), 3)

    net = batch.sold["net_g"].tolist()
    light = [weight < found.short_g - 1e-6 for weight in net]
    places = [
        f"loaf {loaf} slot {slot}" if loaf else f"row {at} of {file}"
        for loaf, slot, at, file in batch.sold[["loaf", "slot", "row", "file"]].itertuples(
            index=False
        )
    ]
    figure.add_scatter(
        x=[percent(weight) for weight in net],
        y=[round(row + 0.3 * ((i * _GOLDEN) % 1 - 0.5) - 0.12, 3) for i in range(len(net))],
        mode="markers",
        marker={
            "color": [theme.VERMILLION if flag else theme.SKY for flag in light],
            "symbol": ["triangle-left" if flag else "circle" for flag in light],
            "size": [11 if flag else 6 for flag in light],
            "opacity": 0.75,
        },
        hovertext=[
            f"{theme.plain(place)}: {weight:.1f} g"
            for place, weight in zip(places, net, strict=True)
        ],
        hoverinfo="text",
    )
    if found.tolerance_g is not None:
        for limit, dash in ((found.short_g, "dot"), (found.twice_g, "solid")):
            figure.add_scatter(
                x=[percent(limit)] * 2,
                y=[row - 0.32, row + 0.3],
                mode="lines",
                line={"color": theme.GREY, "width": 1.5, "dash": dash},
                hoverinfo="skip",
            )
    known = own.mean_lower == own.mean_lower  # not NaN
    reach = [percent(own.mean_lower), percent(own.mean_upper)] if known else [percent(own.mean)] * 2
    figure.add_scatter(
        x=reach,
        y=[row + 0.24] * 2,
        mode="lines",
        line={"color": theme.BLUE, "width": 4},
        hoverinfo="skip",
    )
    figure.add_scatter(
        x=[percent(own.mean)],
        y=[row + 0.24],
        mode="markers",
        marker={
            "color": theme.BLUE,
            "symbol": "line-ns",
            "size": 15,
            "line": {"width": 3, "color": theme.BLUE},
        },
        hovertext=[f"mean {own.mean:.1f} g: {theme.plain(own.headline)}"],
        hoverinfo="text",
    )
