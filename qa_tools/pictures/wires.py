"""Pictures of a cutter: its map, the wander of its wires over time, its latest loaves."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from qa_tools.decisions.wires.loaves import loaf_words
from qa_tools.decisions.wires.windows import WINDOW, Windows
from qa_tools.decisions.wires.words import (
    lasting,
    row_of,
    rows_of,
    served_since,
    services_of,
    since_words,
    upper_first,
)
from qa_tools.pictures import theme

if TYPE_CHECKING:
    from qa_tools.decisions.wires.study import WireStudy
    from qa_tools.decisions.wires.watch import WireWatch

LATEST: Final = 12  # loaves drawn one by one: a batch or so
_TICKS: Final = 16  # loaves named at an axis
# Signals of the watch; a wire "moved" might be taken for a service.
_WHAT: Final = {"wanders": "wanders", "moved": "off its place"}
# Towards the stop blue, away from it vermillion, in place white: told apart by all kinds of colour
# vision, for one is the colder and both darken outwards.
_SIDES: Final = [
    (0.0, theme.BLUE),
    (0.25, "#7FB8D8"),
    (0.5, "#FFFFFF"),
    (0.75, "#EAAE7F"),
    (1.0, theme.VERMILLION),
]
_LINES: Final = (theme.VERMILLION, theme.BLUE, theme.GREEN, theme.PURPLE, theme.ORANGE)
_DASHES: Final = ("solid", "dash", "dot", "dashdot", "longdash")


def cutter_map(study: WireStudy, watch: WireWatch) -> go.Figure:
    """
    The map of a cutter: wires across, loaves down, where each face lay as colour.

    A ring marks the loaf a signal began with, a filled dot the loaf at which the watch told; a bar
    across a wire's column is its service. The title states what stands, then what is past.

    Parameters
    ----------
    study : WireStudy
    watch : WireWatch
        Of the study.
    """
    names = _names(study)
    placed = study.displacements.to_numpy()
    end = _colour_end(study)
    title = "\n".join(_findings(study, watch))
    loaves = len(placed)
    figure = theme.canvas(title, height=max(480, min(760, 200 + 9 * loaves)))
    texts = [_loaf(study, row) for row in range(loaves)]
    for at, (name, column) in enumerate(zip(names, placed.T, strict=True)):
        figure.add_heatmap(
            x=[at],
            y=list(range(loaves)),
            z=[[value] for value in _some(column)],
            xgap=3,
            coloraxis="coloraxis",
            text=[[text] for text in texts],
            hovertemplate=f"<b>{upper_first(name)}</b><br>%{{text}}<br>%{{z:+.2f}} mm"
            "<extra></extra>",
        )
    figure.update_layout(
        coloraxis={
            "cmin": -end,
            "cmax": end,
            "colorscale": _SIDES,
            "colorbar": {
                "tickvals": [-end, 0, end],
                "ticktext": [f"{end:g} mm<br>or more,<br>towards<br>the stop", "in place",
                             f"{end:g} mm<br>or more,<br>away from<br>the stop"],
                "len": 0.75,
                "thickness": 16,
                "outlinewidth": 0,
            },
        }
    )  # fmt: skip
    _mark_map(figure, study, watch)
    figure.update_xaxes(
        side="top",
        tickvals=list(range(len(names))),
        ticktext=_short(study),
        title_text="Wires, from the stop on (bars on their sides)",
        range=[-0.5, len(names) - 0.5],
        showgrid=False,
    )
    figure.update_yaxes(
        **_loaf_ticks(study),
        range=[loaves - 0.5, -0.5],
        title_text="Loaves, in the order they were cut",
        showgrid=False,
    )
    figure.update_layout(margin_t=figure.layout.margin.t + 44, margin_l=110, margin_b=24)
    return figure


def wander_over_time(study: WireStudy, watch: WireWatch, found: Windows) -> go.Figure:
    """
    The wander of each wire over its last loaves; those that rose above the limit stand out.

    Parameters
    ----------
    study : WireStudy
    watch : WireWatch
    found : Windows
        Both of the study.
    """
    wander = found.wander_mm
    above = [wire for wire in wander if (wander[wire] > found.limit_mm).any()]
    above.sort(key=lambda wire: -wander[wire].max())
    figure = theme.canvas(_wander_title(study, found, above), height=500)
    rows = list(range(len(wander)))
    texts = [_loaf(study, row) for row in rows]
    for wire in [*(wire for wire in wander if wire not in above), *above[::-1]]:
        rank = above.index(wire) % len(_LINES) if wire in above else None
        figure.add_scatter(
            x=rows,
            y=_some(wander[wire].to_numpy()),
            mode="lines",
            line={"color": "#B5B5B5", "width": 1.2} if rank is None
            else {"color": _LINES[rank], "width": 3, "dash": _DASHES[rank]},
            text=texts,
            hovertemplate=f"<b>{upper_first(_name(study, wire))}</b><br>%{{text}}<br>%{{y:.2f}} mm"
            "<extra></extra>",
            name=f"wire {wire}",
        )  # fmt: skip
        if rank is not None:
            top = int(np.nanargmax(wander[wire]))
            left = top > 0.1 * len(rows)
            figure.add_annotation(
                text=f"wire {wire}", x=top, y=round(float(wander[wire].iloc[top]), 2),
                xanchor="right" if left else "left", yanchor="bottom", yshift=4, showarrow=False,
                font={"color": _LINES[rank], "size": theme.TEXT_SIZE + 1},
            )  # fmt: skip
    _mark_levels(figure, found)
    _mark_events(figure, study, watch)
    figure.update_xaxes(
        **_loaf_ticks(study),
        range=[-0.5, len(rows) - 0.5],
        title={"text": "Loaves, in the order they were cut", "standoff": 12},
    )
    highest = np.nanmax(np.append(wander.to_numpy(), found.limit_mm))
    figure.update_yaxes(
        title_text=f"Wander over the last {WINDOW} loaves (mm)",
        range=[0, round(1.35 * float(highest), 2)],
    )
    figure.update_layout(margin_r=120, margin_b=90)
    return figure


def latest_loaves(study: WireStudy) -> go.Figure:
    """
    The latest loaves from the side, faces where the model puts them, displacements exaggerated.

    Parameters
    ----------
    study : WireStudy
    """
    loaves = study.fit.loaves
    rows = np.flatnonzero(study.displacements.notna().any(axis=1).to_numpy())[-LATEST:]
    placed = study.displacements.to_numpy()[rows]
    times = _exaggerated(study, placed)
    means = np.array([
        np.mean(column[~np.isnan(column)]) if (~np.isnan(column)).any() else 0.0
        for column in placed.T
    ])  # fmt: skip
    far = int(np.abs(means).argmax())
    side = "away from" if means[far] > 0 else "towards"
    name = study.cutter.name(far + 1)
    there = np.arange(study.cutter.bars) < loaves.bars[rows][:, None]
    white = "; white bars were not weighed" if (there & ~loaves.weighed[rows]).any() else ""
    figure = theme.canvas(
        f"The last {len(rows)} loaves: furthest from its place is {name}, {abs(means[far]):.2f} mm "
        f"{side} the stop on average\nDrawn with displacements {times} times as large{white}",
        height=190 + 30 * len(rows),
    )
    places = study.cutter.places
    for level, row in enumerate(rows):
        bars = int(loaves.bars[row])
        shift = np.nan_to_num(placed[level, : bars - 1])
        faces = places[: bars + 1] + np.concatenate([[0.0], times * shift, [0.0]])
        weighed = loaves.weighed[row]
        figure.add_bar(
            y=[level] * bars,
            x=theme.rounded(np.diff(faces), 2),
            base=theme.rounded(faces[:-1], 2),
            orientation="h",
            width=0.74,
            marker={
                "color": ["#F3E3C3" if weighed[bar] else "white" for bar in range(bars)],
                "line": {"color": theme.INK, "width": 1.4},
            },
            hovertext=[
                f"<b>Bar {bar + 1}, {_loaf(study, int(row))}</b><br>"
                + (f"{loaves.weights[row, bar]:.1f} g" if weighed[bar] else "not weighed")
                for bar in range(bars)
            ],
            hoverinfo="text",
        )
    for face in range(1, study.cutter.bars):
        off = abs(means[face - 1]) == abs(means).max()
        figure.add_vline(
            x=round(float(places[face]), 2), layer="above",
            line={"color": theme.VERMILLION if off else theme.BLUE, "width": 1.5, "dash": "dot"},
        )  # fmt: skip
    figure.update_layout(barmode="overlay", margin_l=150, margin_t=figure.layout.margin.t + 44)
    figure.update_yaxes(
        tickvals=list(range(len(rows))),
        ticktext=[theme.plain(loaf_words(loaves.labels[row])) for row in rows],
        range=[len(rows) - 0.4, -0.6],
        showgrid=False,
    )
    figure.update_xaxes(
        side="top",
        tickvals=theme.rounded(places[1:-1], 2),
        ticktext=_short(study),
        range=[-0.01 * places[-1], 1.01 * places[-1]],
        title_text="Wires, at the dotted lines where their places are; the stop is at the left",
    )
    figure.update_layout(margin_b=24)
    return figure


def _mark_map(figure: go.Figure, study: WireStudy, watch: WireWatch) -> None:
    """Services and signals, on the columns of their wires."""
    for wire, row in services_of(study):
        at = study.cutter.face(wire) - 1
        figure.add_shape(
            type="line", x0=at - 0.48, x1=at + 0.48, y0=row - 0.5, y1=row - 0.5,
            line={"color": theme.INK, "width": 4},
        )  # fmt: skip
        _word(figure, at, row - 0.5, "serviced", 0)
    for signal in rows_of(watch.signals):
        at = study.cutter.face(signal.wire) - 1
        rows = [row_of(study, signal.since), row_of(study, signal.loaf)]
        figure.add_scatter(
            x=[at, at],
            y=rows,
            mode="lines+markers",
            line={"color": theme.INK, "width": 2},
            marker={"symbol": ["circle-open", "circle"], "size": 11, "color": theme.INK,
                    "line": {"width": 2.5, "color": theme.INK}},
            hovertext=[theme.plain(since_words(study, signal)),
                       f"the watch told at {theme.plain(loaf_words(signal.loaf))}"],
            hoverinfo="text",
        )  # fmt: skip
        faded = "" if signal.still else ", faded"
        _word(figure, at, rows[0], f"{_WHAT[signal.what]}{faded}", -14)


def _mark_levels(figure: go.Figure, found: Windows) -> None:
    """Where wires in order wander, and how far that goes by chance."""
    for level, words, dash, side in (
        (found.limit_mm, "limit", "dash", "bottom"),
        (found.base_mm, "wires in order", "dot", "top"),
    ):
        figure.add_hline(y=round(level, 3), line={"color": theme.INK, "width": 1.2, "dash": dash})
        figure.add_annotation(
            text=f"{words}<br>{level:.2f} mm", xref="paper", x=1, y=round(level, 3), xshift=6,
            xanchor="left", yanchor=side, align="left", showarrow=False,
            font={"color": theme.GREY},
        )  # fmt: skip


def _mark_events(figure: go.Figure, study: WireStudy, watch: WireWatch) -> None:
    """Services and signals, at their loaves."""
    events = [(row, wire, "serviced") for wire, row in services_of(study)]
    events += [
        (row_of(study, signal.since), int(signal.wire), _WHAT[signal.what])
        for signal in rows_of(watch.signals)
    ]
    for place, (row, wire, what) in enumerate(sorted(events)):
        face = study.cutter.face(wire)
        late = row > 0.75 * len(study.displacements)
        figure.add_vline(x=row - 0.5, line={"color": theme.GREY, "width": 1.5, "dash": "dot"})
        figure.add_annotation(
            text=f"wire {wire} (bars {face} | {face + 1}) {what}", x=row - 0.5, yref="paper",
            y=1 - 0.06 * (place % 3), xanchor="right" if late else "left", yanchor="top",
            xshift=-4 if late else 4, showarrow=False, bgcolor="rgba(255,255,255,0.8)",
        )  # fmt: skip


def _findings(study: WireStudy, watch: WireWatch) -> Iterator[str]:
    """What stands now, and what is past, a line each; all is in the texts beside the picture."""
    signals = list(rows_of(watch.signals))
    now = lasting(study, watch)
    told = {one.wire for one in now}
    lines = [f"{upper_first(cause.cause)}: look at that first" for cause in rows_of(study.causes)]
    for one in now:
        does = "wanders" if one.what == "wanders" else "stands off its place"
        lines.append(f"{_name(study, one.wire)} {does} since about {loaf_words(one.since)}")
    for row in rows_of(study.wires):
        if row.advice in ("retension", "move") and row.wire not in told:
            does = "wanders" if row.advice == "retension" else "stands off its place"
            lines.append(f"{_name(study, row.wire)} {does}")
    yield from (upper_first(line) for line in lines or ["No wire stands out now"])
    for one in signals:
        if one.still and served_since(study, one):
            did = "wandered" if one.what == "wanders" else "stood off its place"
            name = _name(study, one.wire)
            yield f"Past: {name} {did} from about {loaf_words(one.since)} until its service"


def _wander_title(study: WireStudy, found: Windows, above: list[Any]) -> str:
    """Which wires rose above the limit, and which are there still."""
    if found.wander_mm.isna().all(axis=None):
        few = f"Fewer than {WINDOW} loaves since any service"
        return f"{few}: too few to show the wander over time"
    lines = []
    if study.rough_mm.any():
        first = loaf_words(study.fit.loaves.labels[int(np.argmax(study.rough_mm > 0))])
        lines.append(
            f"All wires wander more since about {first}: look at the loaf and the handling first"
        )
    elif not above:
        return f"All wires wander about alike, {found.base_mm:.2f} mm from cut to cut"
    for wire in above[:3]:
        still = found.wander_mm[wire].iloc[-1] > found.limit_mm
        does = "wanders, up to" if still else "wandered, up to"
        lines.append(
            f"{upper_first(_name(study, wire))} {does} {found.wander_mm[wire].max():.2f} mm"
        )
    return "\n".join([*lines, f"Wires in order wander {found.base_mm:.2f} mm from cut to cut"])


def _word(figure: go.Figure, x: float, y: float, words: str, up: int) -> None:
    figure.add_annotation(
        text=words, x=x, y=y, yshift=-up, showarrow=False, bgcolor="rgba(255,255,255,0.85)",
        font={"size": theme.TEXT_SIZE - 1}, yanchor="bottom" if up < 0 else "middle",
    )  # fmt: skip


def _name(study: WireStudy, wire: Any) -> str:
    return study.cutter.name(study.cutter.face(int(wire)))


def _names(study: WireStudy) -> list[str]:
    return [_name(study, wire) for wire in study.displacements.columns]


def _short(study: WireStudy) -> list[str]:
    """Wires at an axis: their number, and beneath it the bars on their sides."""
    cutter = study.cutter
    return [
        f"<b>{cutter.number(face)}</b><br>{face} | {face + 1}" for face in range(1, cutter.bars)
    ]


def _loaf(study: WireStudy, row: int) -> str:
    return theme.plain(loaf_words(study.fit.loaves.labels[row]))


def _loaf_ticks(study: WireStudy) -> dict[str, Any]:
    """The first loaf of each batch named, or loaves evenly; no more than there is room for."""
    labels = study.fit.loaves.labels
    if isinstance(labels, pd.MultiIndex):
        names = labels.get_level_values(0)
        rows = np.flatnonzero(np.append(True, names[1:] != names[:-1]))
    else:
        names, rows = labels, np.arange(len(labels))
    shown = rows[:: -(-len(rows) // _TICKS)].tolist()
    return {
        "tickvals": shown,
        "ticktext": [theme.plain(str(names[row])) for row in shown],
    }


def _colour_end(study: WireStudy) -> float:
    """Where the colours end: four times the base, or so that one displacement in 50 lies beyond."""
    far = float(np.nanquantile(np.abs(study.displacements.to_numpy()), 0.98))
    return round(max(4 * study.base_mm, far), 1)


def _exaggerated(study: WireStudy, placed: Any) -> int:
    """How many times displacements can be drawn without a face reaching the next."""
    most = float(np.nanmax(np.abs(placed)))
    room = 0.75 * float(study.cutter.spacing.min())
    return max([1, *(times for times in (2, 5, 10, 20, 50) if times * most <= room)])


def _some(values: Any) -> list[float | None]:
    """Rounded, with nothing where there is nothing."""
    return [None if np.isnan(value) else round(float(value), 2) + 0.0 for value in values]
