"""Readings against their label and against their own batch."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa_tools.readings import repeats
from qa_tools.readings.labels import grams_of
from qa_tools.readings.sift import Sift, by_whom
from qa_tools.readings.slips import looks_like

# A weight far from its own batch: pointed out, never left out. Our own figures: six times the
# spread of the middle half (made comparable to a standard deviation) and five steps of the scale.
_FAR: Final = 6.0
_FAR_STEPS: Final = 5
_ENOUGH: Final = 5


def declared(s: Sift) -> None:
    """The smallest and largest quantity the labels of the day declare, in grams."""
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
    days = np.where(depends, s.day, np.datetime64("NaT", "D"))
    first = repeats.first_of_each([s.product.codes, days.astype(np.int64)])
    leads, inverse = np.unique(first, return_inverse=True)
    ranges = [s.label_range(s.product[n], days[n]) for n in leads.tolist()]
    grams = np.array([[float(grams_of(one)) if one else np.nan for one in both] for both in ranges])
    s.low, s.high = grams[inverse, 0], grams[inverse, 1]


def label_words(s: Sift, number: int, which: int) -> str:
    """The smallest (0) or largest (1) declaration of a reading, as its label writes it."""
    label = s.label_range(s.product[number], s.day[number])[which]
    if label is None:
        return ""
    unit = s.found.unit[number]
    return str(next((part for part in label.parts if part.unit == unit), label.parts[0]))


def above_double(s: Sift) -> None:
    """More than double of what is declared cannot be."""
    for number in np.flatnonzero(s.open & (s.net_g > 2 * s.high)).tolist():
        s.refuse(
            number,
            f"{s.as_net(number)} is more than double the {label_words(s, number, 1)} declared",
            looks_like(s, number, s.low[number]),
        )


def below_half(s: Sift) -> None:
    """Less than half of what is declared: asked, never decided here."""
    # what a later weighing replaces need not be asked about
    light = s.open & ~s.is_replaced & (s.net_g < s.low / 2)
    for number in np.flatnonzero(light).tolist():
        meant, who, when = s.answer(number)
        if meant == "slip":
            s.refuse(
                number, f"answered slip{by_whom(who, when)}", looks_like(s, number, s.low[number])
            )
        elif meant == "real":
            s.remark.add(
                number,
                f"{s.as_net(number)} is less than half of what is declared; answered "
                f"real{by_whom(who, when)}",
            )
        else:
            hint = looks_like(s, number, s.low[number])
            s.doubt.add(
                number,
                f"{s.as_net(number)} in {s.found.where(number)} is less than half of the "
                f"{label_words(s, number, 0)} declared: a slip or real?"
                + (f" It {hint}." if hint else ""),
            )


def far_from_batch(s: Sift) -> None:
    """A weight far from the others of its batch and stage."""
    used = np.flatnonzero(s.open)
    chosen = slice(None) if len(used) == len(s.open) else used
    net, step = s.net_g[chosen], s.found.step[chosen]
    keys = [names.codes[chosen] for names in (s.batch, s.product, s.stage)]
    group = repeats.groups_of(keys)
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
            f"{s.as_net(number)} is far from the others of its batch "
            f"(middle {middle[place]:.1f} g)" + (f": {hint}" if hint else ""),
        )


def _medians(values: NDArray[np.float64], group: NDArray[np.intp]) -> NDArray[np.float64]:
    """The median of its group, for each value."""
    middle = np.full(group.max(initial=-1) + 1, np.nan)
    found = pd.Series(values).groupby(group, sort=False).median()
    middle[found.index.to_numpy()] = found.to_numpy()
    return middle[group]
