"""Loaves and signals in plain words: which wire, since about which loaf, and until when."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd

from qa_tools.decisions.wires.loaves import loaf_words
from qa_tools.decisions.wires.study import WireStudy
from qa_tools.decisions.wires.watch import WireWatch
from qa_tools.readings.dates import day_words


def day_of(study: WireStudy, label: Any) -> str:
    """The day a loaf was cut; "" where the bars had none."""
    loaves = study.fit.loaves
    if loaves.when is None:
        return ""
    return day_words(loaves.when.iloc[row_of(study, label)])


def row_of(study: WireStudy, label: Any) -> int:
    """Which loaf of the study is called so, counted from 0."""
    row: Any = study.fit.loaves.labels.get_loc(label)
    return int(row)


def rows_of(table: pd.DataFrame) -> Iterator[Any]:
    """The rows of a table as named tuples."""
    return table.itertuples(index=False)


def since_words(study: WireStudy, signal: Any) -> str:
    """
    Since when a signal of the watch most likely holds.

    Parameters
    ----------
    signal : named tuple
        A row of ``WireWatch.signals``.
    """
    day = day_of(study, signal.since)
    first, last = loaf_words(signal.since_from), loaf_words(signal.since_to)
    if first == last:
        return f"since {loaf_words(signal.since)}" + (f" ({day})" if day else "")
    if isinstance(signal.since, tuple) and signal.since_from[0] == signal.since_to[0]:
        sure = f"between loaf {signal.since_from[1]} and {signal.since_to[1]}"
    else:
        sure = f"between {first} and {last}"
    return f"since about {loaf_words(signal.since)} ({', '.join(filter(None, (day, sure)))})"


def services_of(study: WireStudy) -> list[tuple[int, int]]:
    """Wires and the first loaf, as a row, cut after each of their services between loaves."""
    history = study.history[(study.history["after"] != "") & study.history["wire"].duplicated()]
    return [(int(one.wire), row_of(study, one.since)) for one in rows_of(history)]


def served_since(study: WireStudy, signal: Any) -> bool:
    """Whether the wire of a signal was serviced after it."""
    loaves = study.wires.set_index("wire")["loaves"][signal.wire]
    told = row_of(study, signal.loaf)
    return loaves == 0 or any(
        wire == signal.wire and row > told for wire, row in services_of(study)
    )


def lasting(study: WireStudy, watch: WireWatch) -> list[Any]:
    """The signals that last: of wires not serviced since."""
    return [
        signal
        for signal in rows_of(watch.signals)
        if signal.still and not served_since(study, signal)
    ]


def signal_words(study: WireStudy, signal: Any) -> str:
    """
    One signal of the watch as a sentence without a full stop.

    Parameters
    ----------
    signal : named tuple
        A row of ``WireWatch.signals``.
    """
    name = study.cutter.name(study.cutter.face(signal.wire))
    what = "wandered more than its fellows" if signal.what == "wanders" else "stood off its place"
    if not signal.still:
        ending = "; that faded, so it may have been chance"
    elif served_since(study, signal):
        ending = " until its service"
    else:
        ending = " and still does" if signal.what == "wanders" else " and still stands so"
    told = f"the watch told at {loaf_words(signal.loaf)}"
    return f"{name} {what} {since_words(study, signal)}{ending}; {told}"


def upper_first(text: str) -> str:
    """A text beginning with a capital."""
    return text[:1].upper() + text[1:]
