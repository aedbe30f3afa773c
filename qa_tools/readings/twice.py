"""Readings that stand twice: which are repeats, and which contradict each other."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa_tools.readings.answers import SETTINGS
from qa_tools.readings.grouping import first_of_each
from qa_tools.readings.pasted import pasted_blocks
from qa_tools.readings.sift import Sift, joint

Which = Callable[[Sift], tuple[NDArray[np.intp], list[NDArray[Any]]]]


def copied_files(s: Sift) -> None:
    """Files that are byte for byte another one."""
    for file, original in s.copies.items():
        copied = s.found.file.where(partial(str.__eq__, file))
        for number in np.flatnonzero(copied).tolist():
            s.refuse(
                number,
                f"{file} is the same, byte for byte, as {original}",
                f"take {file} away if it was copied by mistake",
            )


def pasted(s: Sift) -> None:
    """A block of rows that stands further up as well."""
    found = s.found
    sheet = joint(found.file, found.sheet)
    new = np.ones(len(found), np.bool_)
    new[1:] = (found.row[1:] != found.row[:-1]) | (sheet[1:] != sheet[:-1])
    edges = np.append(np.flatnonzero(new), len(found))
    starts, ends = edges[:-1], edges[1:]
    if s.copies:
        # a copied file is out already, and its original must not fall for it
        kept = ~found.file.where(s.copies.__contains__)[starts]
        starts, ends = starts[kept], ends[kept]
    part = np.cumsum(np.diff(sheet[starts], prepend=sheet[0] if len(sheet) else 0) != 0)
    for first, length, earlier in pasted_blocks(found.line[starts], part):
        for line in range(first, first + length):
            twin = int(starts[line - first + earlier])
            for number in range(starts[line], ends[line]):
                s.refuse(
                    number,
                    f"pasted twice: in a block of {length} rows, this is {found.where(twin)} again",
                )


def identified(s: Sift) -> tuple[NDArray[np.intp], list[NDArray[Any]]]:
    """The readings with an id, and what tells one id from another."""
    ids = s.found.texts["id"]
    given = np.flatnonzero(ids.where(lambda text: text != "") & s.open)
    if not len(given):
        return given, []
    scope = id_scope(s, given)
    return given, [ids.codes[given], scope, s.batch.codes[given], s.stage.codes[given]]


def id_scope(s: Sift, given: NDArray[np.intp]) -> NDArray[np.intp]:
    """
    Within what an id is unique: the works; a plain row number only within its own sheet.

    Sheets that count their rows 1, 2, 3 all have a 1: those ids name a row, not a weighing.
    """
    found = s.found
    sheet = joint(found.file, found.sheet)[given]
    numbers = found.texts["id"].numbers(lambda text: float(text) if text.isdigit() else np.inf)
    table = pd.DataFrame({"sheet": sheet, "number": numbers[given]})
    groups = table.groupby("sheet")["number"]
    counts = (groups.transform("max") <= 2 * groups.transform("size")).to_numpy()
    return np.where(counts, sheet + 1, 0)


def placed_slots(s: Sift) -> tuple[NDArray[np.intp], list[NDArray[Any]]]:
    """The readings with loaf and slot, and what tells one slot from another."""
    found = s.found
    has = found.texts["loaf"].where(lambda text: text != "") & ~np.isnan(found.slot)
    placed = np.flatnonzero(has & s.open)
    # on the shelf the same bar is weighed again on other days: that is what the stage is for
    shelf = s.stage.where(lambda stage: stage == "shelf")[placed]
    day = np.where(shelf, found.when[placed].astype("datetime64[D]").astype(np.int64), 0)
    keys = [
        s.batch.codes[placed],
        s.product.codes[placed],
        s.stage.codes[placed],
        found.texts["loaf"].codes[placed],
        found.slot[placed],
        day,
    ]
    return placed, keys


def by_id(s: Sift, number: int) -> str:
    """A reading as its id names it."""
    return f'id "{s.found.texts["id"][number]}"'


def by_slot(s: Sift, number: int) -> str:
    """A reading as its place names it."""
    return f"slot {s.found.slot[number]:.0f} of loaf {s.found.texts['loaf'][number]}"


# What stands in one place only: which readings have such a place, and how it is called.
_PLACES: Final[tuple[tuple[Which, Callable[[Sift, int], str]], ...]] = (
    (identified, by_id),
    (placed_slots, by_slot),
)


def again(s: Sift) -> None:
    """An id, or a slot, that stands twice with the same weight."""
    for which, naming in _PLACES:
        given, keys = which(s)
        if not len(given):
            continue
        first = given[first_of_each([*keys, s.found.grams[given]])]
        for place in np.flatnonzero(first != given).tolist():
            number, earlier = int(given[place]), int(first[place])
            s.refuse(
                number,
                f"{naming(s, number)} with the same weight already stands in {s.setting(earlier)}",
            )


def two_weights(s: Sift) -> None:
    """The same slot, or the same id, with two weights and no word which of them holds."""
    for which, naming in reversed(_PLACES):
        for number, earlier in contradicting(s, which):
            where = s.setting(earlier), s.setting(number)
            for one in (earlier, number):
                meant, by = s.answer(one)
                if meant == "real":
                    s.remark.add(
                        one,
                        f"answered real{by}: {naming(s, one)} stands in {where[0]} and in "
                        f"{where[1]}, each a package of its own",
                    )
                    continue
                s.doubt.add(
                    one,
                    f"{naming(s, number)} of batch {s.batch[number]} was weighed twice, "
                    f"{s.as_net(earlier)} ({where[0]}) and {s.as_net(number)} ({where[1]}), and "
                    "neither replaces the other. Name the row that no longer holds in the column "
                    f'replaces of the other; or in {SETTINGS}: name "{where[0]}" or '
                    f'"{where[1]}", value "slip"; or both with value "real", if they are two '
                    "packages.",
                )


def contradicting(s: Sift, which: Which) -> list[tuple[int, int]]:
    """Pairs of readings, not replaced, that stand in the same place: the later and the first."""
    placed, keys = which(s)
    standing = ~s.is_replaced[placed]
    placed, keys = placed[standing], [key[standing] for key in keys]
    if not len(placed):
        return []
    first = placed[first_of_each(keys)]
    return [(int(n), int(f)) for n, f in zip(placed, first, strict=True) if n != f]
