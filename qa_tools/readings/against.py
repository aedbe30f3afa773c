"""Readings against their label and against their own batch."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa_tools.readings.answers import SETTINGS
from qa_tools.readings.grouping import first_of_each, groups_of
from qa_tools.readings.labels import grams_of
from qa_tools.readings.sift import Sift
from qa_tools.readings.slips import looks_like

# A weight far from its own batch: pointed out, never left out. Our own figures: six times the
# spread of the middle half (made comparable to a standard deviation) and five steps of the scale.
_FAR: Final = 6.0
_FAR_STEPS: Final = 5
_ENOUGH: Final = 5
# So many weights of one sheet that may all be the same slip are asked about in one question.
_MANY: Final = 4
_UNITS: Final = {"ounces": "oz", "grams": "g", "kilograms": "kg", "pounds": "lb"}


def declared(s: Sift) -> None:
    """The smallest and largest quantity its labels declare, in grams."""
    labels = s.lists["labels"]
    count = len(s.found)
    s.low, s.high = np.full(count, np.nan), np.full(count, np.nan)
    if not len(labels):
        return
    products = s.product.values
    dated = {
        str(name)
        for name, rows in labels.groupby("product")
        if rows["from"].notna().any() or rows["to"].notna().any()
    }
    depends = np.array([name in dated for name in products], np.bool_)[s.product.codes]
    days = np.where(depends, s.label_day, np.datetime64("NaT", "D"))
    first = first_of_each([s.product.codes, days.astype(np.int64)])
    leads, inverse = np.unique(first, return_inverse=True)
    ranges = [s.label_range(s.product[n], days[n]) for n in leads.tolist()]
    grams = np.array([[float(grams_of(one)) if one else np.nan for one in both] for both in ranges])
    s.low, s.high = grams[inverse, 0], grams[inverse, 1]


def label_words(s: Sift, number: int, which: int) -> str:
    """The smallest (0) or largest (1) declaration of a reading, as its label writes it."""
    label = s.label_range(s.product[number], s.label_day[number])[which]
    if label is None:
        return ""
    unit = s.found.unit[number]
    return str(next((part for part in label.parts if part.unit == unit), label.parts[0]))


def above_double(s: Sift) -> None:
    """More than double of what is declared cannot be."""
    above = np.flatnonzero(s.open & (s.net_g > 2 * s.high)).tolist()
    hints = [looks_like(s, number, s.low[number]) for number in above]
    for many in _by_kind(s, above, hints):
        how = _whole_file(s, many, hints[above.index(many[0])])
        if how:
            told = _told(s, many, hints[above.index(many[0])], "more than double", 1)
            s.questions.append((s.found.file[many[0]], told, how))
    for number, hint in zip(above, hints, strict=True):
        s.refuse(
            number,
            f"{s.as_net(number)} is more than double the {label_words(s, number, 1)} declared",
            hint,
        )


def below_half(s: Sift) -> None:
    """Less than half of what is declared: asked, never decided here."""
    # what a later weighing replaces need not be asked about
    light = s.open & ~s.is_replaced & (s.net_g < s.low / 2)
    asked = []
    for number in np.flatnonzero(light).tolist():
        meant, by = s.answer(number)
        if meant == "real":
            s.remark.add(
                number,
                f"answered real{by}: {s.as_net(number)}, less than half of what is declared",
            )
        else:
            asked.append(number)
    hints = [looks_like(s, number, s.low[number]) for number in asked]
    shared: dict[int, str] = {}
    for many in _by_kind(s, asked, hints):
        hint = hints[asked.index(many[0])]
        how = _whole_file(s, many, hint)
        sentence = f"{_told(s, many, hint, 'less than half of', 0)} Slips or real? " + (
            f"{how}. Or row by row in {s.how_to_answer(many, 2)}."
            if how
            else f"In {s.how_to_answer(many, 2)}."
        )
        shared |= dict.fromkeys(many, sentence)
    for number, hint in zip(asked, hints, strict=True):
        s.doubt.add(
            number,
            shared.get(number)
            or f"{s.as_net(number)} in {s.setting(number)} is less than half of the "
            f"{label_words(s, number, 0)} declared: a slip or real? "
            + (f"It {hint}. " if hint else "")
            + f"Answer in {s.how_to_answer([number])}.",
        )


def _by_kind(s: Sift, numbers: Sequence[int], hints: Sequence[str]) -> list[list[int]]:
    """The readings of one sheet that may all be the same slip, where they are many."""
    kinds: dict[tuple[str, str, str], list[int]] = {}
    for number, hint in zip(numbers, hints, strict=True):
        place = s.found.file[number], s.found.sheet[number], hint.split(":")[0]
        kinds.setdefault(place, []).append(number)
    return [many for many in kinds.values() if len(many) >= _MANY]


def _told(s: Sift, many: Sequence[int], hint: str, how_much: str, which: int) -> str:
    """What many readings of one sheet have in common."""
    found = s.found
    first = many[0]
    where = found.where(first).split(" of ", 1)[1]
    columns = list(dict.fromkeys(found.column[number] for number in many))
    column = f"column {columns[0]}" if len(columns) == 1 else f"columns {', '.join(columns)}"
    beside = (found.file.codes == found.file.codes[first]) & (
        found.sheet.codes == found.sheet.codes[first]
    )
    count = "All" if (beside & s.open).sum() == len(many) else "In all"
    labels = {label_words(s, number, which) for number in many}
    label = f"the {labels.pop()} declared" if len(labels) == 1 else "what is declared"
    looks = hint.split(":")[0].replace("looks like", "they look like")
    return f"{count} {len(many)} weights in {column} of {where} are {how_much} {label}" + (
        f"; {looks}." if looks else "."
    )


def _whole_file(s: Sift, many: Sequence[int], hint: str) -> str:
    """How one answer settles a file whose weights all look to be in another unit; "" where none."""
    found = s.found
    unit = re.match(r"looks like (\w+) in an? ", hint)
    file = found.file[many[0]]
    if not unit or (s.open & (found.file.codes == found.file.codes[many[0]])).sum() != len(many):
        return ""
    if file not in s.unitless:
        return f"If so, correct the unit written in {file}"
    base = found.where(many[0]).split(" of ", 1)[1].split(", sheet ")[0]
    return f'If so, in {SETTINGS}: name "unit of {base}", value "{_UNITS[unit[1]]}"'


def far_from_batch(s: Sift) -> None:
    """A weight far from the others of its batch and stage."""
    used = np.flatnonzero(s.open)
    chosen = slice(None) if len(used) == len(s.open) else used
    net, step = s.net_g[chosen], s.found.step[chosen]
    keys = [names.codes[chosen] for names in (s.batch, s.product, s.stage)]
    group = groups_of(keys)
    middle = _medians(net, group)
    away = np.abs(net - middle)
    far = (away >= _FAR_STEPS * step - 1e-9) & (away > _FAR * 1.4826 * _medians(away, group))
    if not far.any():
        return
    far &= np.bincount(group)[group] >= _ENOUGH
    for place in np.flatnonzero(far).tolist():
        number = int(used[place])
        if number in s.doubt.of:
            continue
        hint = looks_like(s, number, float(middle[place]))
        s.remark.add(
            number,
            f"far from the others of its batch: {s.as_net(number)} against a middle of "
            f"{middle[place]:.1f} g" + (f", {hint}" if hint else ""),
        )


def _medians(values: NDArray[np.float64], group: NDArray[np.intp]) -> NDArray[np.float64]:
    """The median of its group, for each value."""
    middle = np.full(group.max(initial=-1) + 1, np.nan)
    found = pd.Series(values).groupby(group, sort=False).median()
    middle[found.index.to_numpy()] = found.to_numpy()
    return middle[group]
