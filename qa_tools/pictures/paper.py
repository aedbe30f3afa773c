"""Pictures for paper: plain SVG, small, the same bytes every time, to be read in print and grey."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
from markupsafe import Markup, escape
from numpy.typing import ArrayLike, NDArray

from qa_tools.readings.dates import day_words

if TYPE_CHECKING:
    from qa_tools.charts import ControlChart

INK, QUIET, BAD, GOOD = "#222", "#767676", "#A44700", "#0B5A8A"
_WIDTH: Final = 640.0
_DOTS: Final = 400  # weighings drawn one by one; more are counted into bars
_SIDE: Final = 26.0  # room to the left and right of a strip
_SIZE: Final = 9.5  # of letters: 7 pt in print, where a picture is 640 wide
_CHARACTER: Final = 5.6  # how wide one is, about


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
    height, base = 104.0, 66.0
    marks = [declared, mean, *(one for one in (short,) if one is not None)]
    low, high = min([*marks, float(weights.min())]), max([*marks, float(weights.max())])
    room = 0.04 * (high - low)
    at = _Scale(low - room, high + room, _SIDE, _WIDTH - _SIDE)
    parts = [_line(at(at.low), base, at(at.high), base, QUIET)]
    parts += [
        _line(at(tick), base, at(tick), base + 3, QUIET) + _text(at(tick), base + 12, _short(tick))
        for tick in _ticks(at.low, at.high, 8)
    ]
    taken = [-math.inf] * 3  # how far to the right each row of words is full
    over = []
    for value, words, dash in (
        (twice, "label − 2T", "2 3"),
        (short, "label − T", "5 3"),
        (declared, "label", ""),
    ):
        if value is not None and at.low <= value <= at.high:
            told = f"{words} {_short(value)} g"
            half = _CHARACTER * len(told) / 2
            middle = _inward(at(value), half)
            row = next(i for i, end in enumerate(taken) if middle - half > end or i == 2)
            taken[row] = middle + half
            over.append(_line(at(value), 10 + 9 * row, at(value), base, INK, dash))
            over.append(_text(middle, 8 + 9 * row, told))
    if len(weights) <= _DOTS:
        parts.append(_dots(weights, np.asarray(light, bool), at, base))
    else:
        parts.append(_bars(weights, at, base))
    parts.append(_mean(at, mean, lower, upper, base + 21))
    return _svg(_WIDTH, height, title, parts + over)


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
    told = f"mean {_short(mean)} g"
    left = x if math.isnan(lower) else at(max(lower, at.low))
    right = x if math.isnan(upper) else at(min(upper, at.high))
    if right + 7 + _CHARACTER * len(told) < _WIDTH:
        return drawn + _text(right + 7, y + 3, told, "start")
    if left - 7 - _CHARACTER * len(told) > 0:
        return drawn + _text(left - 7, y + 3, told, "end")
    return drawn + _text(_inward(x, _CHARACTER * len(told) / 2), y + 14, told)


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
    each = 150.0
    # both by the number of the point: one without a spread has no row beneath
    x = _Scale(0.5, len(drawn.points) + 0.5, 56, _WIDTH - 44)
    rings = set(marked)
    parts = [_panel(one, number * each, each, x, rings) for number, one in enumerate(panels)]
    parts.append(_names(drawn.points, x, each * len(panels) + 10))
    return _svg(_WIDTH, each * len(panels) + 20, title, parts)


def _panel(one: ControlChart, top: float, each: float, x: _Scale, rings: set[str]) -> str:
    points = one.points
    values = points[["value", "lower", "centre", "upper"]].to_numpy(float)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    room = 0.06 * (high - low or 1)
    y = _Scale(low - room, high + room, top + each - 8, top + 18)
    parts = [_text(2, top + 10, f"{one.what}, {one.unit}" if one.unit else one.what, "start")]
    for tick in _ticks(y.low, y.high, 4):
        parts.append(
            _line(48, y(tick), 52, y(tick), QUIET) + _text(46, y(tick) + 3, _short(tick), "end")
        )
    at = points["point"].tolist()
    for name, dash in (("lower", "5 3"), ("centre", ""), ("upper", "5 3")):
        levels = points[name].to_numpy(float)
        parts.append(_steps(at, levels, x, y, dash))
        if not math.isnan(levels[-1]):
            parts.append(_text(x(x.high) + 3, y(levels[-1]) + 3, _short(levels[-1]), "start"))
    value = points["value"].tolist()
    path = "L".join(f"{_n(x(point))} {_n(y(one_))}" for point, one_ in zip(at, value, strict=True))
    parts.append(f'<path d="M{path}" stroke="{GOOD}" stroke-width="1" fill="none"/>')
    out = set(one.signals["point"].tolist())
    taken = -math.inf  # how far to the right names are written
    for point, one_, label in zip(at, value, points["label"].astype(str), strict=True):
        px, py = x(point), y(one_)
        if point not in out:
            parts.append(f'<circle cx="{_n(px)}" cy="{_n(py)}" r="2.1" fill="{GOOD}"/>')
        else:
            parts.append(f'<path d="M{_n(px - 3.4)} {_n(py - 3.4)}l6.8 6.8m0 -6.8l-6.8 6.8" '
                         f'stroke="{BAD}" stroke-width="2.2" fill="none"/>')  # fmt: skip
            half = _CHARACTER * len(label) / 2
            if px - half > taken:  # those left out are told beneath the chart, in words
                parts.append(_text(px, py - 6 if py > top + 30 else py + 13, label))
                taken = px + half
        if label in rings and len(rings) < len(points):
            parts.append(f'<circle cx="{_n(px)}" cy="{_n(py)}" r="4.6" fill="none" stroke="{INK}" '
                         'stroke-width=".9"/>')  # fmt: skip
    return "".join(parts)


def _names(points: pd.DataFrame, x: _Scale, y: float) -> str:
    """Names of points beneath a chart, as many as have room."""
    labels = points["label"].astype(str).tolist()
    wide = max(_CHARACTER * max(map(len, labels)), 30.0) + 6
    every = max(1, math.ceil(len(points) * wide / (x(x.high) - x(x.low))))
    named = list(zip(points["point"].tolist(), labels, strict=True))[::every]
    return "".join(_text(x(point), y, label) for point, label in named)


def _steps(
    points: list[int], levels: NDArray[np.float64], x: _Scale, y: _Scale, dash: str
) -> str:  # fmt: skip
    """A limit, which may differ from point to point, as a stair."""
    path, before = "", math.nan
    for at, level in zip(points, levels.tolist(), strict=True):
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


def intervals(
    rows: pd.DataFrame, *, what: str, title: str, zero: bool, usual: float | None = None
) -> Markup:
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
    usual : float, optional
        What all but the odd ones come to; a dashed line.
    """
    step, left = 17.0, 190.0
    values = rows[["value", "lower", "upper"]].to_numpy(float)
    low = min(0.0, float(np.nanmin(values)))
    high = max(0.0, float(np.nanmax(values)))
    room = 0.05 * (high - low or 1)
    x = _Scale(low - (room if zero else 0), high + room, left, _WIDTH - 130)
    bottom = 14 + step * len(rows)
    parts = []
    for tick in _ticks(x.low, x.high, 6):
        parts.append(_line(x(tick), 10, x(tick), bottom, "#ddd"))
        parts.append(_text(x(tick), bottom + 11, _short(tick)))
    parts.append(_text(x(x.high) + 6, bottom + 11, what, "start"))
    if zero:
        parts.append(_line(x(0), 10, x(0), bottom, INK))
    if usual is not None and x.low <= usual <= x.high:
        parts.append(_line(x(usual), 10, x(usual), bottom, INK, "5 3"))
        parts.append(_text(x(usual), 8, f"the others {_short(usual)}"))
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
        parts.append(shape + _text(_WIDTH - 120, y + 3, str(row["words"]), "start"))
    return _svg(_WIDTH, bottom + 18, title, parts)


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
    height = 120.0
    first = min(when)
    days = [(stamp - first) / pd.Timedelta(days=1) for stamp in when]
    most = max([band, *(abs(one) for one in values)]) * 1.15 or 1.0
    x = _Scale(min(days), max(days), 52, _WIDTH - 14)
    y = _Scale(-most, most, height - 26, 16)
    parts = [_text(2, 10, what, "start")]
    if band:
        parts.append(f'<rect x="52" y="{_n(y(band))}" width="{_n(_WIDTH - 66)}" '
                     f'height="{_n(y(-band) - y(band))}" fill="#e9eef2"/>')  # fmt: skip
        parts.append(_text(_WIDTH - 14, y(band) - 2, f"± {_short(band)}", "end"))
    for tick in _ticks(y.low, y.high, 4):
        parts.append(
            _line(48, y(tick), 52, y(tick), QUIET) + _text(46, y(tick) + 3, _short(tick), "end")
        )
    parts.append(_line(52, y(0), _WIDTH - 14, y(0), INK))
    for day, value in zip(days, values, strict=True):
        out = band and abs(value) > band + 1e-9
        parts.append(
            f'<path d="M{_n(x(day) - 2.6)} {_n(y(value) - 2.6)}l5.2 5.2m0 -5.2l-5.2 5.2" '
            f'stroke="{BAD}" stroke-width="1.8" fill="none"/>'
            if out
            else f'<circle cx="{_n(x(day))}" cy="{_n(y(value))}" r="2" fill="{GOOD}"/>'
        )
    ends = [(first, "start"), (max(when), "end")] if max(days) >= 1 else [(first, "middle")]
    for stamp, anchor in ends:
        place = x((stamp - first) / pd.Timedelta(days=1))
        parts.append(_text(place, height - 10, day_words(stamp), anchor))
    return _svg(_WIDTH, height, title, parts)


# ---------------------------------------------------------------- small parts


def _svg(width: float, height: float, title: str, parts: Iterable[str]) -> Markup:
    return Markup(
        f'<svg viewBox="0 0 {_n(width)} {_n(height)}" width="{_n(width)}" role="img" '
        f'font-family="system-ui, sans-serif" font-size="{_SIZE}" '
        f'xmlns="http://www.w3.org/2000/svg"><title>{escape(title)}</title>'
        f"{''.join(parts)}</svg>"
    )


def _n(value: float) -> str:
    return f"{round(value, 1) + 0.0:g}"


def _text(x: float, y: float, text: str, anchor: str = "middle") -> str:
    return f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}">{escape(text)}</text>'


def _inward(middle: float, half: float) -> float:
    """Where words as wide as this have their middle, to end at the edge at most."""
    return min(max(middle, half), _WIDTH - half)


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
