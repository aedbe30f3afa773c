"""Where on a sheet the heading rows stand, and what they say."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any, Final

import numpy as np

from qa_tools.readings import headings
from qa_tools.readings.blocks import pairs, said_name
from qa_tools.readings.headings import Heading, heading, squeezed
from qa_tools.readings.tables import Sheet, cell_text

CARRIED: Final = ("batch", "product", "loaf", "when", "stage")
NUMBER: Final = re.compile(r"[-+]?\d[\d.,' ]*\s*(g|oz|kg|lb|mg)?\.?", re.IGNORECASE)
_TITLE: Final = re.compile(r"batch|lot", re.IGNORECASE)
_SEARCHED: Final = 200
_LONE: Final = re.compile(r"(net|gross|w(eigh)?t)", re.IGNORECASE)


def heading_score(row: Sequence[Any]) -> int:
    """How much a row looks like the headings of a table: how many of its cells are known ones."""
    words = [cell for cell in row if isinstance(cell, str) and cell and not cell[0].isdigit()]
    spelt = [squeezed(word) for word in words]
    return max(_known_headings(row) if words else 0, headings.known_in_a_list(spelt))


def _known_headings(row: Sequence[Any]) -> int:
    heads = [heading(cell) for cell in row if isinstance(cell, str) and cell]
    known = {head.column for head in heads if head.column not in ("", "number")}
    series = sum(head.place is not None and head.column != "number" for head in heads)
    if not any(head.is_weight for head in heads) or any(str(cell).endswith(":") for cell in row):
        return 0
    return len(known) + max(0, series - 1)


def heading_rows(sheet: Sheet) -> list[tuple[int, list[Heading], int]]:
    """Each heading row: its number, its headings, and the first row under it."""
    tops: list[tuple[int, list[Heading], int]] = []
    for number in range(min(sheet.rows, _SEARCHED)):
        if heads := _as_headings(sheet, number):
            tops.append((number, *_with_second_row(sheet, number, heads)))
            break
    if not tops:
        return []
    _, heads, first = tops[0]
    leading = next(place for place, head in enumerate(heads) if head.is_weight)
    repeats = sheet.columns[leading].where(
        lambda cell: (
            isinstance(cell, str)
            and cell != ""
            and not NUMBER.fullmatch(cell)
            and heading(cell).is_weight
        )
    )
    for place, head in enumerate(heads):
        if head.column in CARRIED:
            repeats = repeats | sheet.columns[place].where(partial(_reads, head.written.casefold()))
    titles = sheet.columns[0].where(lambda cell: bool(_TITLE.match(str(cell))))
    for number in np.flatnonzero(repeats | titles).tolist():
        if number < first:
            continue
        if titles[number] and heads[0].column != "batch" and _names_a_batch(sheet.row(number)):
            # the same headings go on under it
            tops.append((number + 1, tops[-1][1], number + 1))
        elif again := _as_headings(sheet, number):
            tops.append((number, *_with_second_row(sheet, number, again)))
    return tops


def _reads(wanted: str, cell: Any) -> bool:
    return isinstance(cell, str) and cell.casefold() == wanted


def _names_a_batch(row: list[Any]) -> bool:
    """Whether a row says a batch, as a line of a header block does, and holds no number."""
    filled = [cell_text(cell) for cell in row if cell != ""]
    said = pairs(row)
    return (
        "batch" in said
        and len(filled) <= 2 * len(said)
        and not any(NUMBER.fullmatch(cell) for cell in filled)
    )


def _as_headings(sheet: Sheet, number: int) -> list[Heading]:
    """The headings of a row, if it is a heading row."""
    row = [cell_text(cell) for cell in sheet.row(number)]
    filled = [cell for cell in row if cell]
    heads = [heading(cell) if cell else Heading("", "") for cell in row]
    weights = [head for head in heads if head.is_weight]
    if len(weights) == 1 and weights[0].place is not None and not _LONE.match(weights[0].written):
        return []  # "Scale, S1" is a line of a header block, not the beginning of a series
    numbered = [head for head in weights if head.column == "number"]
    known = {head.column for head in heads} - {"", "number", "weight", "net", "gross"}
    if numbered and [head.place for head in numbered] != list(range(1, len(numbered) + 1)):
        return []
    if numbered and len(numbered) == len(weights) and (len(numbered) < 2 or not known):
        return []
    if not weights or any(cell.endswith((":", "=")) for cell in filled):
        return []
    if len(filled) == 2 and _is_pair(*filled):
        return []  # "Unit, oz" and "Weighed, gross" name what holds for all; they head nothing
    words = [cell for cell in filled if not NUMBER.fullmatch(cell)]
    if len(words) + len(numbered) < len(filled):
        return []  # a row with numbers of its own is a row of data
    if len(filled) == 1 and number + 1 < sheet.rows:
        below = _as_headings(sheet, number + 1)
        if any(head.is_weight and head.place is None for head in below):
            return []  # "Weights in oz" over the headings is a title
    if len(filled) == 1 or len(weights) + len(known) >= 2 or _number_under(sheet, number, heads):
        return heads
    return []


def _is_pair(name: str, value: str) -> bool:
    column = said_name(name)
    if column == "unit":
        return headings.is_unit(value)
    return column in headings.TABLES["words"] and bool(headings.word_for(column, value))


def _number_under(sheet: Sheet, number: int, heads: list[Heading]) -> bool:
    """Whether the next row with anything in it has a number under a heading of weights."""
    for below in range(number + 1, min(number + 4, sheet.rows)):
        row = sheet.row(below)
        if any(cell != "" for cell in row):
            return any(
                head.is_weight and NUMBER.fullmatch(cell_text(cell)) is not None
                for head, cell in zip(heads, row, strict=True)
            )
    return False


def _with_second_row(
    sheet: Sheet, number: int, heads: list[Heading]
) -> tuple[list[Heading], int]:  # fmt: skip
    """Take in a second heading row: a unit under each, or "Weights (g)" over 1, 2, 3, ..."""
    if number + 1 >= sheet.rows:
        return heads, number + 1
    below = [cell_text(cell) for cell in sheet.row(number + 1)]
    units = [cell.strip("()[] ") for cell in below]
    if any(units) and all(headings.is_unit(unit) for unit in units if unit):
        return [
            replace(head, unit=head.unit or unit) for head, unit in zip(heads, units, strict=True)
        ], number + 2
    series = {place: heading(cell) for place, cell in enumerate(below) if cell}
    above = [place for place, head in enumerate(heads) if head.is_weight]
    is_second = (
        len(series) >= 2
        and len(above) == 1
        and all(head.place is not None for head in series.values())
        and [head.place for head in series.values()] == list(range(1, len(series) + 1))
        and min(series) == above[0]
        and not any(heads[place].written for place in series if place != above[0])
    )
    if not is_second:
        return heads, number + 1
    both = list(heads)
    parent = heads[above[0]]
    for place, head in series.items():
        both[place] = replace(
            head,
            column=parent.column if head.column == "number" else head.column,
            unit=head.unit or parent.unit,
            weighed=head.weighed or parent.weighed,
        )
    return both, number + 2
