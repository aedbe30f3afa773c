"""Base periods: the points limits are set on, and how far they are held."""

from __future__ import annotations

import datetime
import difflib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from qa_tools.charts.chart import ControlChart, plural
from qa_tools.charts.factors import IntArray

Chosen: TypeAlias = "slice | IntArray"


@dataclass(frozen=True)
class Base:
    """
    A base period: limits are set on it, and hold until the next base begins.

    Attributes
    ----------
    first, last : label of a point, or its number where points have no labels
        The base period, both ends included.
    agreed : date, or text YYYY-MM-DD
        When the limits were agreed on; needed from the second base on.
    reason : str
        Why they were set anew; needed from the second base on.
    without : mapping of label to reason
        Points of the period that limits are not set on, since what was different about them is
        known: ``{"B07": "scale out of level"}``. They are charted and judged as all others; a
        moving range reaches across them. A point that is merely far out stays: it may be how the
        process is.

    Notes
    -----
    Points with a known cause are left out when limits are set: common practice, as in
    NIST/SEMATECH e-Handbook 6.3.1 and ISO 7870-2 (both from memory).

    Examples
    --------
    >>> Base("B31", "B50", agreed="2026-10-05", reason="new scoop").reason
    'new scoop'
    """

    first: object
    last: object
    agreed: datetime.date | str = ""
    reason: str = ""
    without: Mapping[Any, str] = field(default_factory=dict)


BaseLike: TypeAlias = "int | Base | Sequence[Base] | None"


class Phase(NamedTuple):
    """
    Points judged by the same limits.

    Attributes
    ----------
    points : slice
        Its points, counted from 0.
    base : slice
        Its base period, counted from 0 at its first point.
    agreed, reason : str
        When and why its limits were agreed on; "" where that was not said.
    without : dict of int to str
        Points of the base period that its limits are not set on, counted likewise, and why.
    """

    points: slice
    base: slice
    agreed: str = ""
    reason: str = ""
    without: Mapping[int, str] = {}

    @property
    def chosen(self) -> Chosen:
        """The points its limits are set on, counted from 0 at its first point."""
        if not self.without:
            return self.base
        period = np.arange(self.base.start, self.base.stop)
        return period[~np.isin(period, list(self.without))]


def in_phases(
    base: BaseLike,
    labels: list[str],
    each: str,
    charted: Callable[[slice, Chosen], ControlChart],
    *,
    estimated: bool = True,
) -> ControlChart:
    """
    One chart of all points, each phase of it with limits of its own.

    Parameters
    ----------
    base : int, Base, sequence of Base, or None
        As the charts take it: the first so many points, named base periods, or all points.
    labels, each : list of str, str
        What the points are called, and what a point is.
    charted : function of (points, base)
        The chart of one phase: its points, and those of them its limits are set on (``Phase``).
    estimated : bool
        Whether limits are set on the points at all, or were given.

    Raises
    ------
    ValueError
        A base that cannot be, with what would work.

    Examples
    --------
    >>> from qa_tools.charts import individuals
    >>> chart = individuals([5.0, 5.2, 4.9, 5.1, 9.0, 5.0], base=4)
    >>> chart.points["base"].tolist(), chart.signals["point"].tolist()
    ([True, True, True, True, False, False], [5])
    """
    found = _phases(base, labels)
    parts = [charted(phase.points, phase.chosen) for phase in found]
    chart = _joined(parts, [phase.points.start for phase in found])
    at_base = np.zeros(len(labels), dtype=bool)
    for phase in found:
        at_base[phase.points][phase.chosen] = estimated
    _mark(chart.points, at_base)
    if chart.spread is not None:
        _mark(chart.spread.points, at_base)
    if base is None:
        return chart
    words = [_words(phase, labels, each, again=place > 0) for place, phase in enumerate(found)]
    note = " ".join(filter(None, [*words, chart.note]))
    spread = None if chart.spread is None else replace(chart.spread, phases=tuple(found))
    return replace(chart, phases=tuple(found), spread=spread, note=note)


def _joined(parts: list[ControlChart], starts: list[int]) -> ControlChart:
    """The charts of the phases one after another; what they say in one figure is the last's."""
    last = parts[-1]
    if len(parts) == 1:
        return last
    for part, start in zip(parts, starts, strict=True):
        part.points["point"] += start
    spreads = [part.spread for part in parts if part.spread is not None]
    return replace(
        last,
        points=pd.concat([part.points for part in parts], ignore_index=True),
        behind=min((part.behind for part in parts if part.behind is not None), default=None),
        spread=_joined(spreads, starts) if spreads else None,
    )


def _phases(base: BaseLike, labels: list[str]) -> list[Phase]:
    total = len(labels)
    if base is None:
        return [Phase(slice(0, total), slice(0, total))]
    if isinstance(base, int | np.integer) and not isinstance(base, bool):
        if not 2 <= base <= total:
            raise ValueError(
                f"base is how many of the first points limits are set on, 2 to {total} here, "
                f"better twenty; got {base}"
            )
        return [Phase(slice(0, total), slice(0, int(base)))]
    named = [base] if isinstance(base, Base) else list(base) if isinstance(base, Sequence) else []
    if not named or not all(isinstance(one, Base) for one in named):
        raise ValueError(
            "base is a number of points, or base periods by label, as in "
            f'charts.Base("B01", "B20"); got {base!r}'
        )
    ends = [_ends(one, labels) for one in named]
    for (_, before), (first, _), one in zip(ends, ends[1:], named[1:], strict=False):
        if first <= before:
            raise ValueError(
                f"the base from {one.first} on begins before the one ahead of it ends; "
                "give base periods in order of time, none within another"
            )
        if not (isinstance(one.reason, str) and one.reason.strip() and one.agreed):
            raise ValueError(
                f"new limits from {one.first} on need the day they were agreed on and the reason: "
                f'charts.Base({one.first!r}, {one.last!r}, agreed="2026-10-05", reason="new scoop")'
            )
    starts = [0, *(first for first, _ in ends[1:]), total]
    return [
        Phase(
            slice(start, stop),
            slice(first - start, last + 1 - start),
            _day(one.agreed),
            one.reason,
            {place - start: why for place, why in _left_out(one, labels, first, last).items()},
        )
        for one, (first, last), start, stop in zip(named, ends, starts, starts[1:], strict=False)
    ]


def _ends(base: Base, labels: list[str]) -> tuple[int, int]:
    for label in (str(base.first), str(base.last)):
        if label not in labels:
            near = difflib.get_close_matches(label, labels, n=1)
            hint = f"is {near[0]} meant" if near else f"they run from {labels[0]} to {labels[-1]}"
            raise ValueError(f"no point is called {label}, as the base says; {hint}")
    first = labels.index(str(base.first))
    last = len(labels) - 1 - labels[::-1].index(str(base.last))
    if last <= first:
        raise ValueError(
            f"limits need two or more points, better twenty; the base runs from {base.first} "
            f"to {base.last}"
        )
    return first, last


def _left_out(base: Base, labels: list[str], first: int, last: int) -> dict[int, str]:
    """Points of a base period that limits are not set on, counted from 0 at the first of all."""
    if not isinstance(base.without, Mapping):
        raise ValueError(
            "a point is left out of a base for a known reason, as in "
            f'charts.Base({base.first!r}, {base.last!r}, without={{"B07": "scale out of level"}}); '
            f"got without={base.without!r}"
        )
    found: dict[int, str] = {}
    for label, reason in base.without.items():
        places = [at for at in range(first, last + 1) if labels[at] == str(label)]
        if not places:
            near = difflib.get_close_matches(str(label), labels[first : last + 1], n=1)
            hint = f"is {near[0]} meant" if near else "leave it out of without"
            raise ValueError(
                f"the base runs from {base.first} to {base.last}, and no point of it is called "
                f"{label}; {hint}"
            )
        if not isinstance(reason, str) or not reason.strip():
            raise ValueError(
                f"say why {label} is left out of the base: only a point whose cause is known is; "
                f"got {reason!r}"
            )
        found |= dict.fromkeys(places, reason)
    if last + 1 - first - len(found) < 2:
        raise ValueError(
            f"limits need two or more points, better twenty; the base from {base.first} to "
            f"{base.last} has {last + 1 - first - len(found)} without those left out"
        )
    return found


def _day(agreed: datetime.date | str) -> str:
    if not agreed:
        return ""
    try:
        return datetime.date.fromisoformat(str(agreed)[:10]).isoformat()
    except ValueError:
        raise ValueError(
            f'the day a base was agreed on is a date, as in "2026-10-05"; got {agreed!r}'
        ) from None


def _mark(points: pd.DataFrame, at_base: npt.NDArray[np.bool_]) -> None:
    points.insert(len(points.columns) - 1, "base", at_base[points["point"].to_numpy() - 1])


def _words(phase: Phase, labels: list[str], each: str, *, again: bool) -> str:
    start = phase.points.start
    first, last = start + phase.base.start, start + phase.base.stop - 1
    number = last - first + 1 - len(phase.without)
    words = (
        f"New limits from {labels[start]} on, set on {labels[first]} to {labels[last]}"
        if again
        else f"Limits were set on {labels[first]} to {labels[last]}"
    )
    words += f" ({number} {plural(each or 'point')})"
    if last + 1 < phase.points.stop:
        words += f" and held from {labels[last + 1]} on"
    if phase.agreed:
        words += f", agreed on {phase.agreed}"
    words += f": {phase.reason}." if phase.reason else "."
    left_out = [f"{labels[start + at]} left out: {why}." for at, why in phase.without.items()]
    return " ".join([words, *left_out])
