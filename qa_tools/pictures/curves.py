"""Operating characteristics drawn: how often lots pass, against how bad they are."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import plotly.graph_objects as go

from qa_tools.pictures import theme

if TYPE_CHECKING:
    import pandas as pd

    from qa_tools.books.curve import OCCurve

_COLOURS: Final = (
    *(theme.BLUE, theme.VERMILLION, theme.GREEN, theme.PURPLE, theme.ORANGE, theme.SKY),
    theme.INK,
)
_DASHES: Final = ("solid", "dash", "dot", "dashdot", "longdash")
_HALF: Final = 0.5  # sd below the label, at which the title compares the books
_LEFT, _RIGHT = (0.0, 0.46), (0.54, 1.0)


def oc_curves(curve: OCCurve) -> go.Figure:
    """
    Two panels, a line a book: how often its mean test and its count test pass a lot.

    Parameters
    ----------
    curve : OCCurve
        From ``oc_curve``.

    Examples
    --------
    >>> from qa_tools.books.curve import oc_curve
    >>> print(oc_curves(oc_curve("eu-76-211", 200)).layout.title.text.replace("<br>", " "))
    Of lots of 200 made half a standard deviation short, the mean test passes 50 % (eu-76-211)
    """
    figure = theme.canvas(_title(curve), height=540)
    books = list(curve.plans)
    for table, axes, scale in ((curve.by_mean, "", 1), (curve.by_share, "2", 100)):
        for book in table.columns:
            _line(figure, table[book], books.index(book), axes, scale)
    chance = {
        "range": [-2, 102],
        "tickvals": [0, 25, 50, 75, 100],
        "ticktext": ["0 %", "25 %", "50 %", "75 %", "100 %"],
    }
    if curve.notes:
        figure.add_annotation(
            text="<br>".join(map(theme.plain, curve.notes)),
            xref="paper", yref="paper", x=0, y=0, yshift=-66, showarrow=False,
            xanchor="left", yanchor="top", align="left", font={"size": 12},
        )  # fmt: skip
    figure.update_layout(
        height=540 + 18 * len(curve.notes),
        margin_t=figure.layout.margin.t + 52,
        margin_b=72 + 18 * len(curve.notes),
        xaxis={
            "domain": _LEFT,
            "title": {"text": "Mean below the label,<br>in standard deviations of packages"},
        },
        xaxis2={
            "domain": _RIGHT,
            "anchor": "y2",
            "title": {"text": "Packages short by more than<br>the book allows one to be"},
            "ticksuffix": " %",
        },
        yaxis=chance | {"title": {"text": "Lots that pass"}},
        yaxis2=chance | {"anchor": "x2"},
        showlegend=True,
        legend={
            "orientation": "h",
            "x": 0,
            "xanchor": "left",
            "y": 1.09,
            "yanchor": "bottom",
        },
    )
    for domain, words in ((_LEFT, "The mean test alone"), (_RIGHT, "The count test alone")):
        figure.add_annotation(
            text=words,
            xref="paper",
            yref="paper",
            x=domain[0],
            y=1.0,
            xanchor="left",
            yanchor="bottom",
            yshift=6,
            showarrow=False,
            font_size=theme.TEXT_SIZE + 1,
        )
    return figure


def _line(figure: go.Figure, passes: pd.Series[float], book: int, axes: str, scale: int) -> None:
    x = theme.rounded(scale * passes.index.to_numpy(float), 2)
    y = theme.rounded(100 * passes.to_numpy(float), 2)
    unit = " % short" if axes else " sd short"
    figure.add_scatter(
        x=x,
        y=y,
        xaxis=f"x{axes}",
        yaxis=f"y{axes}",
        mode="lines",
        line={
            "color": _COLOURS[book % len(_COLOURS)],
            "dash": _DASHES[book % len(_DASHES)],
            "width": 2.5,
        },
        name=theme.plain(str(passes.name)),
        legendgroup=str(book),
        # one entry a book, though it may have a line in each panel
        showlegend=not any(trace.legendgroup == str(book) for trace in figure.data),
        hovertemplate=f"%{{x}}{unit}: %{{y:.1f}} % pass",
    )


def _title(curve: OCCurve) -> str:
    (test,) = {plan.test for plan in curve.plans.values()}
    asked = "" if test == "non-destructive" else f" ({test})"
    if curve.by_mean.empty:
        return f"How often lots of {curve.lot_size} pass the count test{asked}"
    passing = curve.by_mean.loc[_HALF].to_numpy(float)
    at = dict(zip(curve.by_mean.columns, 100 * passing, strict=True))
    ends = dict.fromkeys((min(at, key=at.__getitem__), max(at, key=at.__getitem__)))
    words = " to ".join(f"{at[book]:.0f} % ({book})" for book in ends)
    return (
        f"Of lots of {curve.lot_size} made half a standard deviation short, the mean test{asked} "
        f"passes {words}"
    )
