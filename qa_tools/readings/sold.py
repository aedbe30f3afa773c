"""Which weighings are judged: those of packages sold, each by its last weighing."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from qa_tools.readings.answers import names_of_file
from qa_tools.readings.headings import squeezed
from qa_tools.readings.sift import Sift

_NOT_SOLD: Final = ("pulled", "rework", "retained")


def replaced(s: Sift) -> None:
    """A weighing that another replaces is charted and not judged."""
    found = s.found
    s.is_replaced = np.zeros(len(found), np.bool_)
    column = found.texts["replaces"]
    named = np.flatnonzero(column.where(lambda text: text != "") & s.open)
    if not len(named):
        return
    by_id: dict[str, list[int]] = {}
    ids = found.texts["id"]
    for number in np.flatnonzero(ids.where(lambda text: text != "")).tolist():
        by_id.setdefault(squeezed(ids[number]), []).append(number)
    replaces: dict[int, int] = {}
    for number in named.tolist():
        earlier = replaced_by(s, number, column[number], by_id)
        if earlier is None:
            s.remark.add(number, f'replaces what is not found: "{column[number]}"')
        else:
            replaces[number] = earlier
    circling = _in_a_circle(replaces)
    for number, earlier in replaces.items():
        if number not in circling:
            s.is_replaced[earlier] = True
            s.judged[earlier] = False
    for number in sorted(circling):
        circle = sorted(_circle_of(number, replaces))
        places = " and ".join(s.setting(one) for one in circle)
        s.doubt.add(
            number,
            f"{places} replace each other: which weighing holds? Correct the column replaces; or "
            f"in {s.how_to_answer(circle)}.",
        )


def _circle_of(number: int, replaces: Mapping[int, int]) -> list[int]:
    """What a weighing replaces, and what that replaces, until it ends or comes round."""
    chain = [number]
    while (earlier := replaces.get(chain[-1])) is not None and earlier not in chain:
        chain.append(earlier)
    return chain


def _in_a_circle(replaces: Mapping[int, int]) -> set[int]:
    """The weighings that, by way of others, replace themselves."""
    return {
        number for number in replaces if replaces.get(_circle_of(number, replaces)[-1]) == number
    }


def replaced_by(
    s: Sift, number: int, written: str, by_id: Mapping[str, Sequence[int]]
) -> int | None:
    """The weighing that is replaced: by its id, or by its row ("row 12", "oct.csv row 12")."""
    found = s.found
    same = [one for one in by_id.get(squeezed(written), [])
            if one != number and s.batch[one] == s.batch[number]]  # fmt: skip
    # a used one before a repeat that is not, one of the same file before others
    for candidates in (
        [one for one in same if s.open[one] and found.file[one] == found.file[number]],
        [one for one in same if s.open[one]],
        same,
    ):
        if candidates:
            before = [one for one in candidates if one < number]
            return before[-1] if before else candidates[0]
    match = re.fullmatch(
        r"(?:(?P<file>.+?)[,:]?\s+)?(?:row|line)\s*(?P<row>\d+)(?:\s+of\s+(?P<of>.+))?"
        r"|(?P<bare>\d+)",
        written.strip(),
        re.IGNORECASE,
    )
    if not match:
        return None
    said = match["file"] or match["of"]
    rows = np.flatnonzero(found.row == int(match["row"] or match["bare"])).tolist()
    fitting = [
        one
        for one in rows
        if one != number
        and (
            squeezed(said) in map(squeezed, names_of_file(found.file[one]))
            if said
            else (found.file[one], found.sheet[one]) == (found.file[number], found.sheet[number])
        )
    ]
    return fitting[0] if len(fitting) == 1 else None


def fates(s: Sift) -> None:
    """Only what is sold is judged: not what was pulled, reworked or kept back."""
    s.judged &= ~s.found.texts["fate"].where(lambda fate: fate in _NOT_SOLD)
