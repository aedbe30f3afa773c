"""The readings of a sheet: a weighing a row, a handful a row, a loaf a row, or a bare list."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from qa_tools.readings import headings
from qa_tools.readings.beside import FIELDS, fields_beside, says
from qa_tools.readings.blocks import (
    Names,
    block_start,
    header_block,
    said_for,
    said_on,
    sheet_top,
)
from qa_tools.readings.coded import Coded, Stamps
from qa_tools.readings.headings import Heading, squeezed
from qa_tools.readings.quantities import unit_of
from qa_tools.readings.tables import NotATable, Sheet, cell_text
from qa_tools.readings.tops import NUMBER, heading_rows

_MIX: Final = 0x9E3779B97F4A7C15  # an odd number without pattern: spreads what it multiplies


@dataclass(frozen=True)
class Section:
    """
    The readings under one heading row of one sheet, one an entry.

    Attributes
    ----------
    rows : array of int
        The row a spreadsheet shows, counted from 1.
    heads : Coded of Heading
        The heading the reading stands under.
    cells : Coded
        The weight as written.
    fields : dict of str to Coded
        What stands beside it, or was said once, as written; the names are `FIELDS`, and
        "tare unit": the unit of the tare, where its heading says one.
    again : list of (array of int, Coded, Heading)
        A column that says the same weights in another unit: which readings, its cells, its
        heading.
    line : array of uint64
        A fingerprint of the whole sheet row and of what was said once.
    summed : array of bool
        Whether the row says of itself that it sums up others ("Mean", "Total").
    overfull : array of bool
        Whether a row of a comma-separated file has numbers beyond its headings: what looks like
        two cells may be one number with a decimal comma.
    unheaded : array of bool
        Whether it is a number that stands under no heading.
    ignored : list of str
        Headings over cells that are not used: their words are none we know.
    """

    file: str
    sheet: str
    rows: NDArray[np.intp]
    heads: Coded
    cells: Coded
    fields: dict[str, Coded]
    again: list[tuple[NDArray[np.intp], Coded, Heading]]
    line: NDArray[np.uint64]
    summed: NDArray[np.bool_]
    overfull: NDArray[np.bool_]
    unheaded: NDArray[np.bool_]
    ignored: list[str]


def sections(sheet: Sheet, names: Names, lot_by_name: str = "") -> list[Section]:
    """
    The readings of one sheet.

    Parameters
    ----------
    sheet : Sheet
    names : Names
    lot_by_name : str, optional
        The batch of a bare list that says neither batch nor product anywhere.

    Raises
    ------
    NotATable
        There is no column of weights.
    """
    if not sheet.columns:
        raise NotATable("a table of weights", "an empty sheet", _what_to_do(sheet))
    tops = heading_rows(sheet)
    if not tops:
        return [_bare_list(sheet, names, lot_by_name)]
    found = []
    said: dict[str, Any] = {}
    of_sheet = header_block(sheet, 0, sheet_top(sheet, tops[0][0]))
    for number, (top, heads, first) in enumerate(tops):
        block_from = 0 if number == 0 else block_start(sheet, tops[number - 1][2], top)
        said = said_on(said, header_block(sheet, block_from, top), of_sheet)
        stop = (
            block_start(sheet, first, tops[number + 1][0]) if number + 1 < len(tops) else sheet.rows
        )
        found.append(_section(sheet, heads, first, stop, said, names, lot_by_name))
        if not len(found[-1].rows) and "batch" not in said:
            of_sheet = said  # nothing weighed yet, no batch named yet
    return found


def _section(
    sheet: Sheet,
    heads: list[Heading],
    first: int,
    stop: int,
    said: dict[str, Any],
    names: Names,
    lot_by_name: str,
) -> Section:
    weights = _weight_columns(heads, "loaf" in said)
    rows = slice(first, stop)
    filled = {place: column.take(rows).is_filled() for place, column in enumerate(sheet.columns)}
    again = _said_again(heads, weights)
    beside = {place: filled[place] & filled[main] for place, main in again.items()}
    for place in again:
        filled[place] = filled[place] & ~beside[place]
    overfull = _overfull(sheet, heads, rows)
    unheaded = _unheaded(sheet, heads, weights, rows)
    for place, numbers in unheaded.items():
        main = weights[max(other for other in weights if other < place)]
        weights[place] = replace(main, written=f"column {_letter(place)}")
        filled[place] = numbers & ~overfull
    series = any(head.place is not None for head in weights.values())
    readings = _series(weights, filled) if series else _long(weights, filled, len(filled[0]))
    at, under = readings
    order = list(weights)
    cells = Coded.joined([sheet.columns[place].take(rows).take(at[under == number])
                          for number, place in enumerate(order)])  # fmt: skip
    # `joined` puts one column after the other; back to the order of the sheet
    if len(order) > 1:
        back = np.empty(len(at), np.intp)
        back[np.argsort(under, kind="stable")] = np.arange(len(at))
        cells = cells.take(back)
    said = said_for(sheet, names, said)
    fields = fields_beside(sheet, heads, order, at, under, first, stop, said)
    if lot_by_name and not (says(fields, "batch") or says(fields, "product")):
        fields["batch"] = Coded.constant(lot_by_name, len(at))
    slots = [weights[place] for place in order]
    if any(head.column == "slot" for head in slots):
        fields["slot"] = Coded(under, [str(head.place) for head in slots])
    return Section(
        sheet.file,
        sheet.name,
        at + first + 1,
        Coded(under, _told_apart(slots, order)),
        cells,
        fields,
        [
            (
                which := np.flatnonzero((under == order.index(main)) & beside[place][at]),
                sheet.columns[place].take(rows).take(at[which]),
                replace(heads[place], unit=heads[place].unit or cell_text(said.get("unit", ""))),
            )
            for place, main in again.items()
        ],
        _line_marks(sheet, heads, rows, said)[at],
        _sums_up(sheet, heads, list(weights), rows)[at],
        overfull[at],
        np.isin(under, [order.index(place) for place in unheaded]),
        [
            head.written
            for place, head in enumerate(heads)
            if head.written and not head.column and filled[place].any()
        ],
    )


def _sums_up(
    sheet: Sheet, heads: list[Heading], weights: list[int], rows: slice
) -> NDArray[np.bool_]:  # fmt: skip
    sums = np.zeros(rows.stop - rows.start, np.bool_)
    for place, column in enumerate(sheet.columns):
        if place not in weights and heads[place].column not in ("note", "by"):
            sums |= column.take(rows).where(
                lambda cell: (
                    isinstance(cell, str)
                    and cell.casefold().rstrip(" .:=") in headings.SUMMARY_WORDS
                )
            )
    return sums


def _overfull(sheet: Sheet, heads: list[Heading], rows: slice) -> NDArray[np.bool_]:
    over = np.zeros(rows.stop - rows.start, np.bool_)
    if sheet.separator == ",":
        width = max(place for place, head in enumerate(heads) if head.written) + 1
        for column in sheet.columns[width:]:
            over |= column.take(rows).where(
                lambda cell: isinstance(cell, str) and re.fullmatch(r"\d+", cell) is not None
            )
    return over


def _unheaded(
    sheet: Sheet, heads: list[Heading], weights: dict[int, Heading], rows: slice
) -> dict[int, NDArray[np.bool_]]:
    """Columns without a heading on the right of weights, and where they hold numbers."""
    found = {}
    for place in range(min(weights) + 1, len(heads)):
        if not heads[place].written:
            column = sheet.columns[place].take(rows)
            numbers = column.where(lambda cell: bool(NUMBER.fullmatch(cell_text(cell))))
            if numbers.any():
                found[place] = numbers
    return found


def _weight_columns(heads: list[Heading], loaf_said: bool) -> dict[int, Heading]:
    """The columns that hold weights; bare numbers are slots where loaves are spoken of."""
    loaves = loaf_said or any(head.column == "loaf" for head in heads)
    known = [
        replace(head, column="slot" if loaves else "weight") if head.column == "number" else head
        for head in heads
    ]
    slots = sum(head.column == "slot" and head.place is not None for head in known)
    return {
        place: head
        for place, head in enumerate(known)
        if head.is_weight and (head.column != "slot" or slots > 1)
    }


def _said_again(heads: list[Heading], weights: dict[int, Heading]) -> dict[int, int]:
    """
    The columns that say the weights of another once more, in another unit; and which one.

    "Weight (g)" and "weight (oz)" are of the same package; with a loaf, a batch or the like of its
    own before each, they are tables side by side.
    """
    fields = [head.column for head in heads if head.column in FIELDS and head.place is None]
    if len(set(fields)) < len(fields):
        return {}
    again: dict[int, int] = {}
    first: dict[tuple[Any, ...], int] = {}
    for place, head in weights.items():
        main = first.setdefault((head.column, head.place, head.weighed), place)
        if _unit(head.unit) != _unit(weights[main].unit):
            again[place] = main
    return again


def _unit(word: str) -> str:
    """One spelling of a unit: "g" and "grams" are the same."""
    try:
        return unit_of(word)
    except ValueError:
        return word


def _series(
    weights: dict[int, Heading], filled: dict[int, NDArray[np.bool_]]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Wide form and loaf form: every filled cell is one reading, in the order of the sheet."""
    at, under = np.nonzero(np.column_stack([filled[place] for place in weights]))
    return at, under


def _long(
    weights: dict[int, Heading], filled: dict[int, NDArray[np.bool_]], rows: int
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Long form: every row with anything in it is one reading; side by side, one for each."""
    anything = np.zeros(rows, np.bool_)
    for column in filled.values():
        anything |= column
    order = list(weights)
    kinds = [weights[place].column for place in order]
    best = min(kinds, key=("net", "weight", "gross").index)
    main = [number for number, kind in enumerate(kinds) if kind == best]
    spare = [number for number, kind in enumerate(kinds) if kind != best]
    has = np.column_stack([filled[place] for place in order])
    if not spare and len(main) == 1:
        at = np.flatnonzero(anything)
        return at, np.full(len(at), main[0], np.intp)
    wanted = np.zeros_like(has)
    wanted[:, main] = has[:, main]
    none = ~wanted.any(axis=1)
    for number in spare:
        wanted[none, number] = has[none, number]
        none = ~wanted.any(axis=1)
    wanted[anything & none, main[0]] = True
    at, under = np.nonzero(wanted)
    return at, under


def _told_apart(heads: list[Heading], places: list[int]) -> list[Heading]:
    """Headings that stand twice are told apart by the letter of their column."""
    written = [head.written for head in heads]
    return [
        replace(head, written=f"{head.written} (column {_letter(place)})")
        if written.count(head.written) > 1
        else head
        for head, place in zip(heads, places, strict=True)
    ]


def _letter(place: int) -> str:
    """The letter a spreadsheet shows over a column: A, B, ..., Z, AA."""
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def _line_marks(
    sheet: Sheet, heads: list[Heading], rows: slice, said: dict[str, Any]
) -> NDArray[np.uint64]:
    """A fingerprint of each row: equal where all cells, and what was said once, are equal."""
    start = hash(tuple(sorted((name, cell_text(value)) for name, value in said.items())))
    marks = np.full(rows.stop - rows.start, start & 0xFFFFFFFFFFFFFFFF, np.uint64)
    for column, head in zip(sheet.columns, heads, strict=True):
        if isinstance(column, Stamps):
            marks += column.stamps[column.codes[rows]].view(np.uint64) * np.uint64(_MIX)
            continue
        salt = (head.column or squeezed(head.written), head.place, head.unit, head.weighed)
        of = np.fromiter(
            (hash((*salt, cell)) & 0xFFFFFFFFFFFFFFFF for cell in column.values),
            np.uint64,
            len(column.values),
        )
        # a sum alone would let two columns swap their cells unseen; the salt prevents it
        marks += of[column.codes[rows]] * np.uint64(_MIX)
    return marks


def _bare_list(sheet: Sheet, names: Names, lot_by_name: str) -> Section:
    """A sheet whose only filled column holds only numbers is a list of weights."""
    filled = [place for place, column in enumerate(sheet.columns) if column.is_filled().any()]
    if len(filled) == 1:
        column = sheet.columns[filled[0]]
        weights = [cell for cell in column.values if cell != ""]
        if all(isinstance(c, float) or NUMBER.fullmatch(cell_text(c)) for c in weights):
            heads = [Heading("", "")] * len(sheet.columns)
            heads[filled[0]] = Heading("weight", f"column {_letter(filled[0])}")
            return _section(sheet, heads, 0, sheet.rows, {}, names, lot_by_name)
    raise NotATable(
        'a column headed "weight" (or net, gross, w1, w2, ..., slot1, slot2, ...)',
        _what_is_there(sheet),
        _what_to_do(sheet),
    )


def _first_words(sheet: Sheet) -> list[str]:
    """The row that looks most like headings: the first with the most words in it."""
    rows = [
        [cell for cell in sheet.row(n) if isinstance(cell, str) and cell
         and not NUMBER.fullmatch(cell)]
        for n in range(min(sheet.rows, 30))
    ]  # fmt: skip
    return max(rows, key=len, default=[])


def _what_is_there(sheet: Sheet) -> str:
    words = _first_words(sheet)
    shown = ", ".join(f'"{word[:30]}"' for word in words[:8])
    return f"no column of weights; the headings read {shown}" if words else "no headings"


def _what_to_do(sheet: Sheet) -> str:
    for word in _first_words(sheet):
        likely = headings.likely_column(word)
        if likely in ("weight", "net", "gross"):
            return f'Head the column "{likely}" (is "{word}" meant for it?)'
    if sheet.name:
        return 'Head the column of weights "weight", if there is one; else leave the sheet as it is'
    return 'Head the column of weights "weight", or take the file away'
