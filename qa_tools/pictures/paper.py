"""Pictures for paper: plain SVG, small, the same bytes every time, to be read in print and grey."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
from markupsafe import Markup, escape
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from qa_tools.charts import ControlChart

INK, QUIET, BAD, GOOD = "#222", "#767676", "#A44700", "#0B5A8A"
_DOTS: Final = 400  # weighings drawn one by one; more are counted into bars
_SIDE: Final = 26.0  # room to the left and right of a strip
_LABELLED: Final = 14  # points of a chart named beneath it


class _Scale:
    """From a value to its place in a picture."""

    def __init__(self, low: float, high: float, start: float, end: float) -> None:
        if not high > low:
            low, high = low - 0.5, high + 0.5
        self.low, self.high = low, high
        self._slope = (end - start) / (high - low)
        self._start = start

    def __call__(self, value: float) -> float:
        return self._start + (value - self.low) * self._slope


def strip(
    net: ArrayLike,
    *,
    declared: float,
    short: float | None,
    twice: float | None,
    mean: float,
    lower: float,
    upper: float,
    light: Sequence[bool] | NDArray[np.bool_],
    title: str,
) -> Markup:
    """
    Every weighing of one batch on a line, against its label and what may be missing from it.

    Parameters
    ----------
    net : array_like
        Grams.
    declared : float
        Grams; drawn as a full line.
    short, twice : float or None
        Below which a package is short by more than allowed, by more than twice allowed.
    mean, lower, upper : float
        The mean with its interval; NaN ends where there is none.
    light : sequence of bool
        Which are short by more than allowed: drawn as crosses.
    title : str
        What the picture says, for who cannot see it.

    Examples
    --------
    >>> drawn = strip([118.2, 120.5, 121.0], declared=120, short=114.6, twice=109.2, mean=119.9,
    ...               lower=117, upper=123, light=[False] * 3, title="OH-12: averages short")
    >>> drawn[:4], "OH-12" in drawn
    (Markup('<svg'), True)
    """
    weights = np.asarray(net, float)
    width, height, base = 640.0, 96.0, 66.0
    marks = [declared, mean, *(one for one in (short,) if one is not None)]
    low, high = min([*marks, float(weights.min())]), max([*marks, float(weights.max())])
    room = 0.04 * (high - low)
    at = _Scale(low - room, high + room, _SIDE, width - _SIDE)
    parts = [_line(at(at.low), base, at(at.high), base, QUIET)]
    parts += [
        _line(at(tick), base, at(tick), base + 3, QUIET) + _text(at(tick), base + 12, _short(tick))
        for tick in _ticks(at.low, at.high, 8)
    ]
    taken = [-math.inf] * 3  # how far to the right each row of words is full
    for value, words, dash in (
        (twice, "label − 2T", "2 3"),
        (short, "label − T", "5 3"),
        (declared, "label", ""),
    ):
        if value is not None and at.low <= value <= at.high:
            told = f"{words} {_short(value)} g"
            half = 2.3 * len(told)
            row = next(i for i, end in enumerate(taken) if at(value) - half > end or i == 2)
            taken[row] = at(value) + half
            parts.append(_line(at(value), 10 + 9 * row, at(value), base, INK, dash))
            parts.append(_text(at(value), 8 + 9 * row, told))
    if len(weights) <= _DOTS:
        parts.append(_dots(weights, np.asarray(light, bool), at, base))
    else:
        parts.append(_bars(weights, at, base))
    parts.append(_mean(at, mean, lower, upper, base + 21))
    return _svg(width, height, title, parts)


def _dots(
    weights: NDArray[np.float64], light: NDArray[np.bool_], at: _Scale, base: float
) -> str:  # fmt: skip
    """A dot a weighing, those of nearly one weight above one another; light ones as crosses."""
    most = 1
    step = 4.2
    columns: dict[int, int] = {}
    places = []
    for value, is_light in sorted(zip(weights.tolist(), light.tolist(), strict=True)):
        column = round(at(value) / step)
        columns[column] = columns.get(column, 0) + 1
        most = max(most, columns[column])
        places.append((column * step, columns[column], is_light))
    up = min(4.2, (base - 16) / most)
    dots = "".join(f"M{_n(x)} {_n(base - up * (row - 0.4))}h0" for x, row, out in places if not out)
    crosses = "".join(
        f"M{_n(x - 2.2)} {_n(base - up * (row - 0.4) - 2.2)}l4.4 4.4m0 -4.4l-4.4 4.4"
        for x, row, out in places
        if out
    )
    drawn = f'<path d="{dots}" stroke="{GOOD}" stroke-width="3.4" stroke-linecap="round"/>'
    if crosses:
        drawn += f'<path d="{crosses}" stroke="{BAD}" stroke-width="1.6" fill="none"/>'
    return drawn


def _bars(weights: NDArray[np.float64], at: _Scale, base: float) -> str:
    counts, edges = np.histogram(weights, bins=60, range=(at.low, at.high))
    up = (base - 18) / counts.max()
    return "".join(
        f'<rect x="{_n(at(left))}" y="{_n(base - up * count)}" width="{_n(at(right) - at(left))}" '
        f'height="{_n(up * count)}" fill="{GOOD}"/>'
        for count, left, right in zip(
            counts.tolist(), edges[:-1].tolist(), edges[1:].tolist(), strict=True
        )
        if count
    )


def _mean(at: _Scale, mean: float, lower: float, upper: float, y: float) -> str:
    """The mean as a diamond, its interval as a bar through it."""
    drawn = ""
    if not (math.isnan(lower) or math.isnan(upper)):
        ends = max(lower, at.low), min(upper, at.high)
        drawn = _line(at(ends[0]), y, at(ends[1]), y, INK, width=2)
    x = at(mean)
    drawn += f'<path d="M{_n(x)} {_n(y - 4)}l4 4l-4 4l-4 -4z" fill="{INK}"/>'
    left = x > (at(at.low) + at(at.high)) / 2
    far = at(max(lower, at.low)) if left and not math.isnan(lower) else x
    far = at(min(upper, at.high)) if not left and not math.isnan(upper) else far
    return drawn + _text(far + (-7 if left else 7), y + 3, f"mean {_short(mean)} g",
                         "end" if left else "start")  # fmt: skip


def chart(drawn: ControlChart, title: str, marked: Iterable[str] = ()) -> Markup:
    """
    A control chart for paper: points, centre and limits; what is outside as crosses, by name.

    Parameters
    ----------
    drawn : ControlChart
        The spread beneath it is drawn too, where it has one.
    title : str
    marked : iterable of str
        Labels of points that are ringed: those the pack speaks of.
    """
    panels = [drawn] + ([drawn.spread] if drawn.spread is not None else [])
    width, each = 640.0, 150.0
    rings = set(marked)
    parts = []
    for number, one in enumerate(panels):
        last = number == len(panels) - 1
        parts.append(_panel(one, number * each, each, width, rings, last))
    return _svg(width, each * len(panels) + 20, title, parts)


def _panel(
    one: ControlChart, top: float, each: float, width: float, rings: set[str], last: bool
) -> str:
    points = one.points
    values = points[["value", "lower", "centre", "upper"]].to_numpy(float)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    room = 0.06 * (high - low or 1)
    y = _Scale(low - room, high + room, top + each - 8, top + 18)
    x = _Scale(1, max(len(points), 2), 68, width - 20)
    parts = [_text(2, top + 10, f"{one.what}, {one.unit}" if one.unit else one.what, "start")]
    for tick in _ticks(y.low, y.high, 4):
        parts.append(
            _line(48, y(tick), 52, y(tick), QUIET) + _text(46, y(tick) + 3, _short(tick), "end")
        )
    for name, dash in (("lower", "5 3"), ("centre", ""), ("upper", "5 3")):
        parts.append(_steps(points[name].to_numpy(float), x, y, dash))
    value = points["value"].to_numpy(float)
    path = "".join(
        f"{'M' if at == 0 else 'L'}{_n(x(at + 1))} {_n(y(one_))}" for at, one_ in enumerate(value)
    )
    parts.append(f'<path d="{path}" stroke="{GOOD}" stroke-width="1" fill="none"/>')
    out = set(one.signals["point"].tolist())
    labels = points["label"].astype(str).tolist()
    every = max(1, math.ceil(len(points) / _LABELLED))
    for at, (one_, label) in enumerate(zip(value.tolist(), labels, strict=True), 1):
        px, py = x(at), y(one_)
        if at in out:
            parts.append(f'<path d="M{_n(px - 3.4)} {_n(py - 3.4)}l6.8 6.8m0 -6.8l-6.8 6.8" '
                         f'stroke="{BAD}" stroke-width="2.2" fill="none"/>')  # fmt: skip
            parts.append(_text(px, py - 6 if py > top + 30 else py + 13, label))
        else:
            parts.append(f'<circle cx="{_n(px)}" cy="{_n(py)}" r="2.1" fill="{GOOD}"/>')
        if label in rings and len(rings) < len(points):
            parts.append(f'<circle cx="{_n(px)}" cy="{_n(py)}" r="4.6" fill="none" stroke="{INK}" '
                         'stroke-width=".9"/>')  # fmt: skip
        if last and (at - 1) % every == 0:
            side = "end" if px > width - 30 else "middle"
            parts.append(_text(px + (12 if side == "end" else 0), top + each + 10, label, side))
    return "".join(parts)


def _steps(levels: NDArray[np.float64], x: _Scale, y: _Scale, dash: str) -> str:
    """A limit, which may differ from point to point, as a stair."""
    path, before = "", math.nan
    for at, level in enumerate(levels.tolist(), 1):
        if math.isnan(level):
            before = math.nan
            continue
        left, right = x(at - 0.5), x(at + 0.5)
        if math.isnan(before):
            path += f"M{_n(left)} {_n(y(level))}"
        elif level != before:
            path += f"V{_n(y(level))}"
        path += f"H{_n(right)}"
        before = level
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path d="{path}" stroke="{INK}" stroke-width=".9" fill="none"{dashed}/>' if path else ""
    )


def intervals(rows: pd.DataFrame, *, what: str, title: str, zero: bool) -> Markup:
    """
    One line a thing with its interval: wires and their wander or their offset.

    Parameters
    ----------
    rows : DataFrame
        Columns name, value, lower, upper, marked (bool), words.
    what : str
        The quantity with its unit.
    title : str
    zero : bool
        Whether nought has a line of its own.
    """
    width, step, left = 640.0, 17.0, 190.0
    values = rows[["value", "lower", "upper"]].to_numpy(float)
    low = min(0.0, float(np.nanmin(values)))
    high = max(0.0, float(np.nanmax(values)))
    room = 0.05 * (high - low or 1)
    x = _Scale(low - (room if zero else 0), high + room, left, width - 130)
    bottom = 14 + step * len(rows)
    parts = []
    for tick in _ticks(x.low, x.high, 6):
        parts.append(_line(x(tick), 10, x(tick), bottom, "#ddd"))
        parts.append(_text(x(tick), bottom + 11, _short(tick)))
    parts.append(_text(x(x.high) + 6, bottom + 11, what, "start"))
    if zero:
        parts.append(_line(x(0), 10, x(0), bottom, INK))
    for at, row in enumerate(rows.to_dict("records")):
        y = 20 + step * at
        colour = BAD if row["marked"] else GOOD
        parts.append(_text(left - 6, y + 3, str(row["name"]), "end"))
        if not (math.isnan(row["lower"]) or math.isnan(row["upper"])):
            parts.append(_line(x(row["lower"]), y, x(row["upper"]), y, colour, width=2))
        shape = (
            f'<path d="M{_n(x(row["value"]) - 4)} {_n(y - 4)}h8v8h-8z" fill="{colour}"/>'
            if row["marked"]
            else f'<circle cx="{_n(x(row["value"]))}" cy="{_n(y)}" r="3" fill="{colour}"/>'
        )
        parts.append(shape + _text(width - 120, y + 3, str(row["words"]), "start"))
    return _svg(width, bottom + 18, title, parts)


def over_time(
    when: Sequence[pd.Timestamp], values: Sequence[float], *, band: float, what: str, title: str
) -> Markup:
    """
    Single values over time about nought, with a band they should keep to.

    Parameters
    ----------
    when, values : sequences of one length
    band : float
        Half its width; 0 for none.
    what : str
        The quantity with its unit.
    title : str
    """
    width, height = 640.0, 120.0
    days = [stamp.value for stamp in when]
    most = max([band, *(abs(one) for one in values)]) * 1.15 or 1.0
    x = _Scale(min(days), max(days), 52, width - 14)
    y = _Scale(-most, most, height - 26, 16)
    parts = [_text(2, 10, what, "start")]
    if band:
        parts.append(f'<rect x="52" y="{_n(y(band))}" width="{_n(width - 66)}" '
                     f'height="{_n(y(-band) - y(band))}" fill="#e9eef2"/>')  # fmt: skip
        parts.append(_text(width - 14, y(band) - 2, f"± {_short(band)}", "end"))
    for tick in _ticks(y.low, y.high, 4):
        parts.append(
            _line(48, y(tick), 52, y(tick), QUIET) + _text(46, y(tick) + 3, _short(tick), "end")
        )
    parts.append(_line(52, y(0), width - 14, y(0), INK))
    for day, value in zip(days, values, strict=True):
        out = band and abs(value) > band + 1e-9
        parts.append(
            f'<path d="M{_n(x(day) - 2.6)} {_n(y(value) - 2.6)}l5.2 5.2m0 -5.2l-5.2 5.2" '
            f'stroke="{BAD}" stroke-width="1.8" fill="none"/>'
            if out
            else f'<circle cx="{_n(x(day))}" cy="{_n(y(value))}" r="2" fill="{GOOD}"/>'
        )
    for stamp, anchor in ((min(when), "start"), (max(when), "end")):
        parts.append(_text(x(stamp.value), height - 10, f"{stamp:%Y-%m-%d}", anchor))
    return _svg(width, height, title, parts)


# ---------------------------------------------------------------- small parts


def _svg(width: float, height: float, title: str, parts: Iterable[str]) -> Markup:
    return Markup(
        f'<svg viewBox="0 0 {_n(width)} {_n(height)}" width="{_n(width)}" role="img" '
        'font-family="system-ui, sans-serif" font-size="8.5" '
        f'xmlns="http://www.w3.org/2000/svg"><title>{escape(title)}</title>'
        f"{''.join(parts)}</svg>"
    )


def _n(value: float) -> str:
    return f"{round(value, 1) + 0.0:g}"


def _text(x: float, y: float, text: str, anchor: str = "middle") -> str:
    return (
        f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}" fill="{INK}">{escape(text)}</text>'
    )


def _line(
    x1: float, y1: float, x2: float, y2: float, colour: str, dash: str = "", width: float = 0.9
) -> str:  # fmt: skip
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path d="M{_n(x1)} {_n(y1)}L{_n(x2)} {_n(y2)}" stroke="{colour}" '
        f'stroke-width="{_n(width)}"{dashed}/>'
    )


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Round values between two, at most so many."""
    rough = (high - low) / most
    scale = 10.0 ** math.floor(math.log10(rough))
    step = next(scale * one for one in (1, 2, 5, 10) if scale * one >= rough * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [round(step * at, 10) for at in range(first, math.floor(high / step + 1e-9) + 1)]


def _short(value: float) -> str:
    return f"{round(value, 2) + 0.0:g}"
