"""What is said once for many readings: in a block over the table, in the sheet's or file's name."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

from qa_tools.readings import headings
from qa_tools.readings.headings import folded, heading
from qa_tools.readings.tables import Sheet, cell_text

# What a header block, a sheet's name or a file's name may say once for all its rows.
SAID_ONCE: Final = (
    "batch", "product", "stage", "unit", "when", "weighed", "loaf", "cutter", "scale", "by",
    "picked", "fate", "tare", "note",
)  # fmt: skip
# What a block says of its packages; all else is of how they were weighed.
_OF_PACKAGES: Final = ("batch", "product", "loaf", "picked", "fate", "tare", "tare unit", "note")
_BATCH: Final = re.compile(
    r"(?:^|[\s_])(?:batch|lot)(?:[\s_]*(?:no|nr|#)\.?)?[\s_:]+([^\s_]*\d[^\s_]*)", re.IGNORECASE
)
_DATE: Final = re.compile(r"(?<!\d)(\d{4}-\d{2}-\d{2}|\d{1,2}[./]\d{1,2}[./]\d{4}|20\d{6})(?!\d)")
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


def pairs(row: Iterable[Any]) -> dict[str, Any]:
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
        if waiting and not said_name(text):
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
        waiting = said_name(text)
        unit = heading(text.rstrip(":= ")).unit
    return said


def said_name(text: str) -> str:
    """Which of `SAID_ONCE` a cell names; "" where none."""
    head = heading(text.rstrip(":= "))
    return head.column if head.column in SAID_ONCE else ""


def block_start(sheet: Sheet, after: int, top: int) -> int:
    """Where the header block over a later heading row begins: after the last row of data."""
    start = top
    while start > after:
        texts = [cell_text(cell) for cell in sheet.row(start - 1)]
        filled = [text for text in texts if text]
        # A lone text in the first column may be a title; a lone number is a reading.
        lone = len(filled) == 1 and bool(texts[0]) and not texts[0][:1].isdigit()
        if filled and not pairs(texts) and not lone:
            break
        start -= 1
    return start


def header_block(sheet: Sheet, start: int, stop: int) -> dict[str, Any]:
    """The name/value lines in rows ``start`` to ``stop``."""
    said: dict[str, Any] = {}
    for number in range(start, stop):
        said |= pairs(sheet.row(number))
    return said


def sheet_top(sheet: Sheet, stop: int) -> int:
    """Where what is said of the whole sheet ends: at the last empty line above the first batch."""
    rows = [sheet.row(number) for number in range(stop)]
    batch = next((number for number, row in enumerate(rows) if "batch" in pairs(row)), 0)
    empty = (number for number in range(batch) if not any(cell != "" for cell in rows[number]))
    return max(empty, default=0)


def said_on(
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


def said_for(sheet: Sheet, names: Names, block: dict[str, Any]) -> dict[str, Any]:
    """What holds for all rows: the header block before the sheet's name before the file's."""
    stem = re.sub(r"\.[^.]*$", "", sheet.file.rsplit("/", 1)[-1])
    return said_by_name(stem, names) | said_by_name(sheet.name, names) | block
