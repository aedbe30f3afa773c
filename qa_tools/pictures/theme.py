"""How every picture looks, and what keeps a picture the same on every machine."""

from __future__ import annotations

import html
import os
import textwrap
from collections.abc import Iterable
from typing import Final

import plotly.graph_objects as go
import plotly.io as pio

# Okabe and Ito's palette for all kinds of colour vision (Color Universal Design, 2008; the codes
# from memory). A colour never speaks alone: shape or words say the same.
BLUE: Final = "#0072B2"
VERMILLION: Final = "#D55E00"
GREEN: Final = "#009E73"
ORANGE: Final = "#E69F00"
SKY: Final = "#56B4E9"
PURPLE: Final = "#CC79A7"
INK: Final = "#222222"
GREY: Final = "#6B6B6B"
GRID: Final = "#ECECEC"

TITLE_SIZE: Final = 18
TEXT_SIZE: Final = 13
_TITLE_CHARACTERS: Final = 72  # a line at 900 pixels, clear of the buttons in the corner
_NOT_NEEDED: Final = [
    *("select2d", "lasso2d", "zoomIn2d", "zoomOut2d", "autoScale2d"),
    "sendChartToCloud",  # a works's weights leave the machine only when its people send them
]
_FONT: Final = "system-ui, 'Segoe UI', 'Helvetica Neue', Arial, sans-serif"


def canvas(title: str, *, height: int = 520) -> go.Figure:
    """
    An empty figure in the house style, its title stating the finding.

    As wide as the place it is shown in; made to read well from 900 pixels up.

    Parameters
    ----------
    title : str
        What the picture shows, as a sentence; long ones are wrapped, and a new line begins one.
    height : int
        Pixels.

    Examples
    --------
    >>> canvas("All 20 means lie within the limits").layout.title.text
    'All 20 means lie within the limits'
    """
    _keep_notebooks_plain()
    lines = [
        line
        for part in title.splitlines() or [""]
        for line in textwrap.wrap(part, _TITLE_CHARACTERS) or [""]
    ]
    axis = {
        "gridcolor": GRID,
        "linecolor": GREY,
        "ticks": "outside",
        "tickcolor": GREY,
        "ticklen": 4,
        "zeroline": False,
        "title": {"font": {"size": TEXT_SIZE}, "standoff": 10},
    }
    template = go.layout.Template(
        layout={
            "font": {"family": _FONT, "size": TEXT_SIZE, "color": INK},
            "paper_bgcolor": "white",
            "plot_bgcolor": "white",
            "colorway": [BLUE, ORANGE, GREEN, PURPLE, SKY, VERMILLION],
            "title": {"font": {"size": TITLE_SIZE}, "x": 0.0, "xanchor": "left", "yanchor": "top"},
            "hoverlabel": {"align": "left", "bgcolor": "white", "font": {"color": INK}},
            "hovermode": "closest",
            "modebar": {"remove": _NOT_NEEDED, "color": GREY},
            "xaxis": {**axis, "showgrid": False, "showline": True},
            "yaxis": axis,
            "showlegend": False,
        }
    )
    return go.Figure(
        layout={
            "template": template,
            "height": height,
            "title": {
                "text": "<br>".join(plain(line) for line in lines),
                "y": 1 - 16 / height,
                "pad": {"l": 16},
            },
            "margin": {"l": 76, "r": 24, "t": 42 + 22 * len(lines), "b": 60},
        }
    )


def plain(text: str) -> str:
    """
    Text that a figure shows letter by letter, marks such as ``<b>`` included.

    Examples
    --------
    >>> plain("loaf <4>")
    'loaf &lt;4&gt;'
    """
    return html.escape(text, quote=False)


def rounded(values: Iterable[float], decimals: int) -> list[float]:
    """
    Numbers as a plain list, rounded: a committed picture is the same text on every machine.

    Examples
    --------
    >>> rounded([23.7260000001, 22.5435], 2)
    [23.73, 22.54]
    """
    return [round(float(value), decimals) + 0.0 for value in values]


def _keep_notebooks_plain() -> None:
    # In a notebook, older plotly sends each figure twice, the second time as a page with random
    # ids, which makes a committed notebook change on every run. Anything chosen by hand stays.
    chosen = os.environ.get("PLOTLY_RENDERER")
    if not chosen and pio.renderers.default == "plotly_mimetype+notebook":
        pio.renderers.default = "plotly_mimetype"
