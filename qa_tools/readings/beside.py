"""What stands beside a weighing: its batch, loaf, date and the like, or what was said once."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from qa_tools.readings.blocks import SAID_ONCE
from qa_tools.readings.coded import Coded
from qa_tools.readings.headings import Heading, squeezed
from qa_tools.readings.tables import Sheet
from qa_tools.readings.tops import CARRIED

FIELDS: Final = (*SAID_ONCE, "time", "slot", "replaces", "id")
_DITTO: Final = {'"', "''", "″", "〃", "do", "do.", "ditto", "idem", '" "', "-''-", '-"-'}


def fields_beside(
    sheet: Sheet,
    heads: list[Heading],
    order: list[int],
    at: NDArray[np.intp],
    under: NDArray[np.intp],
    first: int,
    stop: int,
    said: dict[str, Any],
) -> dict[str, Coded]:
    """
    What stands beside each reading of a section, or was said once; as `Section.fields`.

    Parameters
    ----------
    sheet, heads
    order : list of int
        The columns of weights.
    at, under : arrays of int
        The row of each reading, counted from `first`, and which of `order` it stands in.
    first, stop : int
        The rows of the section.
    said : dict
        What was said once.
    """
    fields = {"tare unit": Coded.constant(said.get("tare unit", ""), len(at))}
    for name in FIELDS:
        places = [
            place for place, head in enumerate(heads) if head.column == name and head.place is None
        ]
        exact = [place for place in places if squeezed(heads[place].written) == squeezed(name)]
        if len({squeezed(heads[place].written) for place in places}) > 1 and exact:
            places = exact
        once = Coded.constant(said.get(name, ""), len(at))
        if name in ("unit", "weighed") and any(getattr(heads[place], name) for place in order):
            # what the heading over a weight says holds before what was said once
            once = Coded(under, [getattr(heads[p], name) or said.get(name, "") for p in order])
        if not places:
            fields[name] = once
            continue
        # tables side by side: a weighing belongs to the nearest column on its left
        chosen = [max((p for p in places if p < place), default=places[0]) for place in order]
        merged = _merged_into(sheet, first, stop)
        parts = {place: sheet.columns[place].take(slice(first, stop)) for place in set(chosen)}
        for place, column in parts.items():
            if name in CARRIED or place in merged:
                parts[place] = _carried_down(column, merged.get(place, []), name in CARRIED)
        if len(parts) == 1:
            here = next(iter(parts.values())).take(at)
        else:
            picked = Coded.joined([parts[place] for place in dict.fromkeys(chosen)])
            offset = {place: n * (stop - first) for n, place in enumerate(dict.fromkeys(chosen))}
            here = picked.take(np.array([offset[place] for place in chosen])[under] + at)
        fields[name] = here.filled(once)
        if name == "tare":
            units = [*(heads[place].unit for place in chosen), said.get("tare unit", "")]
            fields["tare unit"] = Coded(np.where(here.is_filled(), under, len(chosen)), units)
    return fields


def says(fields: dict[str, Coded], name: str) -> bool:
    """Whether a field says anything of any reading."""
    return any(value != "" for value in fields[name].values)


def _merged_into(sheet: Sheet, first: int, stop: int) -> dict[int, list[tuple[int, int]]]:
    ranges: dict[int, list[tuple[int, int]]] = {}
    for top, bottom, place in sheet.merged:
        if first <= top and bottom < stop:
            ranges.setdefault(place, []).append((top - first, bottom - first))
    return ranges


def _carried_down(column: Coded, merged: list[tuple[int, int]], carry: bool) -> Coded:
    """
    Fill cells merged downwards, ditto marks, and a name written once over its rows.

    Written once means just that: the first row has it, no name comes back further down, and not
    most of the rows have one of their own. Else a blank is a blank.
    """
    filled = column.is_filled()
    if not merged and filled.all():
        ditto = column.where(_is_ditto)
        if not ditto.any():
            return column
    source = np.arange(len(column))
    for top, bottom in merged:
        source[top : bottom + 1] = top
    if carry and len(column):
        ditto = column.where(_is_ditto)
        written = filled & ~ditto
        names = column.codes[written]
        once = (
            written[0]
            and len(names) <= len(column) - len(names)
            and len(np.unique(names)) == len(names)
        )
        carried = ditto | ~filled if once else ditto
        latest = np.maximum.accumulate(np.where(written, np.arange(len(column)), -1))
        source = np.where(carried & (latest >= 0), latest, source)
    return column.take(source)


def _is_ditto(cell: Any) -> bool:
    return isinstance(cell, str) and cell.casefold() in _DITTO
