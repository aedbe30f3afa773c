"""Where on a sheet the weighings stand: header block, heading row, long, wide or a loaf a row."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from qa_tools.readings import headings
from qa_tools.readings.coded import Coded, Stamps
from qa_tools.readings.headings import Heading, folded, heading, squeezed
from qa_tools.readings.tables import NotATable, Sheet, cell_text

# What a header block, a sheet's name or a file's name may say once for all its rows.
SAID_ONCE: Final = (
    "batch", "product", "stage", "unit", "when", "weighed", "loaf", "cutter", "scale", "by",
    "picked", "fate", "tare", "note",
)  # fmt: skip
FIELDS: Final = (*SAID_ONCE, "time", "slot", "replaces", "id")
# What a block says of its packages; all else is of how they were weighed.
_OF_PACKAGES: Final = ("batch", "product", "loaf", "picked", "fate", "tare", "tare unit", "note")
_CARRIED: Final = ("batch", "product", "loaf", "when", "stage")
_DITTO: Final = {'"', "''", "″", "〃", "do", "do.", "ditto", "idem", '" "', "-''-", '-"-'}
_BATCH: Final = re.compile(
    r"(?:^|[\s_])(?:batch|lot)(?:[\s_]*(?:no|nr|#)\.?)?[\s_:]+([^\s_]*\d[^\s_]*)", re.IGNORECASE
)
_TITLE: Final = re.compile(r"batch|lot", re.IGNORECASE)
_SEARCHED: Final = 200
_MIX: Final = 0x9E3779B97F4A7C15  # an odd number without pattern: spreads what it multiplies
_LONE: Final = re.compile(r"(net|gross|w(eigh)?t)", re.IGNORECASE)
_NUMBER: Final = re.compile(r"[-+]?\d[\d.,' ]*\s*(g|oz|kg|lb|mg)?\.?", re.IGNORECASE)
_DATE: Final = re.compile(r"(?<!\d)(\d{4}-\d{2}-\d{2}|\d{1,2}[./]\d{1,2}[./]\d{4}|20\d{6})(?!\d)")


@dataclass(frozen=True)
class Names:
    """The batches and products the works knows, so that a sheet's name can be recognised."""

    batches: tuple[str, ...] = ()
    products: tuple[str, ...] = ()
    called: tuple[tuple[str, str], ...] = ()  # what else a product is called, and its key

    @cached_property
    def spelt(self) -> list[tuple[str, str, str]]:
        """What stands for which batch or product, folded, between spaces, the longest first."""
        known = [
            *(("batch", batch, batch) for batch in self.batches),
            *(("product", product, product) for product in self.products),
            *(("product", called, product) for called, product in self.called),
        ]
        spelt = [(column, f" {folded(called)} ", key) for column, called, key in known]
        # a single letter is no name to be found in others
        return sorted((one for one in spelt if len(one[1]) > 3), key=lambda one: -len(one[1]))


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


def heading_score(row: Sequence[Any]) -> int:
    """How much a row looks like the headings of a table: how many of its cells are known ones."""
    words = [cell for cell in row if isinstance(cell, str) and cell and not cell[0].isdigit()]
    spelt = [squeezed(word) for word in words]
    return max(_known_headings(row) if words else 0, headings.known_in_a_list(spelt))


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
        raise NotATable("a table of weights", "an empty sheet", "fill it, or take it away")
    tops = _heading_rows(sheet)
    if not tops:
        return [_bare_list(sheet, names, lot_by_name)]
    found = []
    said: dict[str, Any] = {}
    of_sheet = _header_block(sheet, 0, _sheet_top(sheet, tops[0][0]))
    for number, (top, heads, first) in enumerate(tops):
        block_from = 0 if number == 0 else _block_start(sheet, tops[number - 1][2], top)
        said = _said_on(said, _header_block(sheet, block_from, top), of_sheet)
        stop = (
            _block_start(sheet, first, tops[number + 1][0])
            if number + 1 < len(tops)
            else sheet.rows
        )
        found.append(_section(sheet, heads, first, stop, said, names, lot_by_name))
    return found


# ---------------------------------------------------------------- headings and header block


def _known_headings(row: Sequence[Any]) -> int:
    heads = [heading(cell) for cell in row if isinstance(cell, str) and cell]
    known = {head.column for head in heads if head.column not in ("", "number")}
    series = sum(head.place is not None and head.column != "number" for head in heads)
    if not any(head.is_weight for head in heads) or any(str(cell).endswith(":") for cell in row):
        return 0
    return len(known) + max(0, series - 1)


def _heading_rows(sheet: Sheet) -> list[tuple[int, list[Heading], int]]:
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
            and not _NUMBER.fullmatch(cell)
            and heading(cell).is_weight
        )
    )
    for place, head in enumerate(heads):
        if head.column in _CARRIED:
            repeats = repeats | sheet.columns[place].where(partial(_reads, head.written.casefold()))
    titles = sheet.columns[0].where(lambda cell: bool(_TITLE.match(str(cell))))
    for number in np.flatnonzero(repeats | titles).tolist():
        if number < first:
            continue
        if titles[number] and _names_a_batch(sheet.row(number)):
            # the same headings go on under it
            tops.append((number + 1, tops[-1][1], number + 1))
        elif heads := _as_headings(sheet, number):
            tops.append((number, *_with_second_row(sheet, number, heads)))
    return tops


def _names_a_batch(row: list[Any]) -> bool:
    """Whether a row says a batch and nothing else."""
    return sum(cell != "" for cell in row) == 1 and list(_pairs(row)) == ["batch"]


def _reads(wanted: str, cell: Any) -> bool:
    return isinstance(cell, str) and cell.casefold() == wanted


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
    words = [cell for cell in filled if not _NUMBER.fullmatch(cell)]
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
    column = _said_name(name)
    if column == "unit":
        return headings.is_unit(value)
    return column in headings.TABLES["words"] and bool(headings.word_for(column, value))


def _number_under(sheet: Sheet, number: int, heads: list[Heading]) -> bool:
    """Whether the next row with anything in it has a number under a heading of weights."""
    for below in range(number + 1, min(number + 4, sheet.rows)):
        row = sheet.row(below)
        if any(cell != "" for cell in row):
            return any(
                head.is_weight and _NUMBER.fullmatch(cell_text(cell)) is not None
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


def _block_start(sheet: Sheet, after: int, top: int) -> int:
    """Where the header block over a later heading row begins: after the last row of data."""
    start = top
    while start > after:
        texts = [cell_text(cell) for cell in sheet.row(start - 1)]
        filled = [text for text in texts if text]
        # A lone text in the first column may be a title; a lone number is a reading.
        lone = len(filled) == 1 and bool(texts[0]) and not texts[0][:1].isdigit()
        if filled and not _pairs(texts) and not lone:
            break
        start -= 1
    return start


def _header_block(sheet: Sheet, start: int, stop: int) -> dict[str, Any]:
    """The name/value lines in rows ``start`` to ``stop``."""
    said: dict[str, Any] = {}
    for number in range(start, stop):
        said |= _pairs(sheet.row(number))
    return said


def _sheet_top(sheet: Sheet, stop: int) -> int:
    """Where what is said of the whole sheet ends: at the last empty line above the first batch."""
    rows = [sheet.row(number) for number in range(stop)]
    batch = next((number for number, row in enumerate(rows) if "batch" in _pairs(row)), 0)
    empty = (number for number in range(batch) if not any(cell != "" for cell in rows[number]))
    return max(empty, default=0)


def _said_on(
    said: dict[str, Any], block: dict[str, Any], of_sheet: dict[str, Any]
) -> dict[str, Any]:  # fmt: skip
    """
    What holds under a header block, after what held under the one before.

    A block that names a batch or a product begins other packages: what was said of the ones
    before (product, loaf, picked, fate, tare, note) ends there, unless it stood at the top of the
    sheet, above the first batch and an empty line. How they were weighed (unit, weighed, stage,
    when, scale, cutter, by) holds until a block says otherwise.
    """
    if "batch" not in block and "product" not in block:
        return said | block
    kept = {name: value for name, value in said.items() if name not in _OF_PACKAGES}
    if "tare" in said:
        # what was weighed with a tare beside it was gross, and must not pass for net
        kept.setdefault("weighed", "gross")
    if "product" in said and block.get("batch") == said.get("batch"):
        kept["product"] = said["product"]
    return kept | of_sheet | block


_LINE_NAME: Final = re.compile(
    r"(?:^|(?<=\s))({})\s*[:=]\s*".format(
        "|".join(
            sorted(
                {
                    r"[\s\-_]?".join(map(re.escape, folded(name).split()))
                    for column in SAID_ONCE
                    for name in (column, *headings.TABLES["weights"]["columns"][column]["also"])
                },
                key=len,
                reverse=True,
            )
        )
    ),
    re.IGNORECASE,
)


def _pairs(row: Iterable[Any]) -> dict[str, Any]:
    """The name/value pairs of one row: in neighbouring cells, or as "Batch: Q-0412" in one."""
    row = [cell for cell in row if cell != ""]
    if len(row) == 1:
        title = cell_text(row[0])
        if named := _BATCH.fullmatch(title):
            return {"batch": named[1]}
        weights = heading(re.sub(r"^all\s+", "", title, flags=re.IGNORECASE))
        if weights.column == "weight" and weights.unit:
            return {"unit": weights.unit}
    said: dict[str, Any] = {}
    waiting = unit = ""
    for cell in row:
        text = cell_text(cell)
        if waiting and not _said_name(text):
            said[waiting] = cell
            if waiting == "tare":
                said["tare unit"] = unit
            waiting = ""
            continue
        if pieces := list(_LINE_NAME.finditer(text)):
            for piece, following in zip(pieces, [*pieces[1:], None], strict=True):
                value = text[piece.end() : following.start() if following else None].strip(" ,;")
                column = heading(piece[1]).column
                if value:
                    said[column] = value
                else:
                    waiting = column
            continue
        waiting = _said_name(text)
        unit = heading(text.rstrip(":= ")).unit
    return said


def _said_name(text: str) -> str:
    head = heading(text.rstrip(":= "))
    return head.column if head.column in SAID_ONCE else ""


# ---------------------------------------------------------------- what a name says


def said_by_name(name: str, names: Names) -> dict[str, str]:
    """
    What a file's or a sheet's name plainly says: batch, product, stage, date.

    Examples
    --------
    >>> said_by_name("oat-honey packed 2026-10-12", Names(products=("oat-honey",)))
    {'when': '2026-10-12', 'product': 'oat-honey', 'stage': 'packed'}
    """
    said: dict[str, str] = {}
    rest = f" {folded(name)} "
    if date := _DATE.search(name):
        said["when"] = date[1]
        rest = rest.replace(f" {folded(date[1])} ", " ")
    for column, spelt, key in names.spelt:
        if column not in said and spelt in rest:
            said[column] = key
            rest = rest.replace(spelt, " ")
    if "batch" not in said and (after := _BATCH.search(name)) and not _DATE.fullmatch(after[1]):
        said["batch"] = after[1]
    stages = {headings.word_for("stage", word) for word in rest.split()} - {""}
    if len(stages) == 1:
        said["stage"] = stages.pop()
    return said


# ---------------------------------------------------------------- readings of a section


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
    said = _said_for(sheet, names, said)
    fields = _fields(sheet, heads, order, at, under, first, stop, said)
    if lot_by_name and not (_says(fields, "batch") or _says(fields, "product")):
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
            numbers = (
                sheet.columns[place]
                .take(rows)
                .where(
                    lambda cell: isinstance(cell, float) or bool(_NUMBER.fullmatch(cell_text(cell)))
                )
            )
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
        if squeezed(head.unit) != squeezed(weights[main].unit):
            again[place] = main
    return again


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


def _said_for(sheet: Sheet, names: Names, block: dict[str, Any]) -> dict[str, Any]:
    """What holds for all rows: the header block before the sheet's name before the file's."""
    stem = re.sub(r"\.[^.]*$", "", sheet.file.rsplit("/", 1)[-1])
    return said_by_name(stem, names) | said_by_name(sheet.name, names) | block


def _fields(
    sheet: Sheet,
    heads: list[Heading],
    order: list[int],
    at: NDArray[np.intp],
    under: NDArray[np.intp],
    first: int,
    stop: int,
    said: dict[str, Any],
) -> dict[str, Coded]:
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
            if name in _CARRIED or place in merged:
                parts[place] = _carried_down(column, merged.get(place, []), name in _CARRIED)
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


def _says(fields: dict[str, Coded], name: str) -> bool:
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


# ---------------------------------------------------------------- a list without headings


def _bare_list(sheet: Sheet, names: Names, lot_by_name: str) -> Section:
    """A sheet whose only filled column holds only numbers is a list of weights."""
    filled = [place for place, column in enumerate(sheet.columns) if column.is_filled().any()]
    if len(filled) == 1:
        column = sheet.columns[filled[0]]
        weights = [cell for cell in column.values if cell != ""]
        if all(isinstance(c, float) or _NUMBER.fullmatch(cell_text(c)) for c in weights):
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
         and not _NUMBER.fullmatch(cell)]
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
            return f'head the column "{likely}" (is "{word}" meant for it?)'
    return 'head the column of weights "weight", or take the file away'
