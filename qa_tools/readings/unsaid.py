"""Gross or net where nothing says it: told from the label where that is plain, else asked."""

from __future__ import annotations

from functools import cache, partial
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa_tools.readings.answers import SETTINGS, shown_words
from qa_tools.readings.coded import Coded
from qa_tools.readings.grouping import first_of_each
from qa_tools.readings.sift import Sift
from qa_tools.readings.tare import Tare

# Our own figures. Packaging lighter than a tenth of the contents cannot be told from a fuller
# fill; a middle within a third of the packaging of one weight is far from the other.
_HEAVY: Final = 0.1
_NEAR: Final = 1 / 3


def ways(s: Sift) -> None:
    """How a weight was weighed that does not say it: as answered, as is plain, or in doubt."""
    answered = any(name.startswith("weighed") for name in s.answers.given)
    if not answered and not any(map(s.tares.packaged, s.product.values)):
        return
    silent = s.open & s.weighed.where(lambda way: way == "")
    silent &= ~s.found.weighed_as.where(lambda kind: kind == "net")
    if answered:
        silent &= ~_answered(s, silent)
    # what is weighed at the cutter or while it cures has no packaging yet
    silent &= ~s.stage.where(lambda stage: stage in ("cut", "cured"))
    silent &= s.product.where(s.tares.packaged)
    at = np.flatnonzero(silent & ~np.isnan(s.low))
    if not len(at):
        return
    keys = [s.found.file.codes, s.product.codes, s.batch.codes, s.stage.codes]
    first = first_of_each([key[at] for key in keys])
    order = np.argsort(first, kind="stable")
    groups = np.split(at[order], np.flatnonzero(np.diff(first[order])) + 1)
    dated = {name: s.tares.dated(name) for name in s.product.values}
    tare_on = cache(partial(s.tares.of, weighed="gross"))
    of: dict[str, dict[tuple[str, str], list[int]]] = {"net": {}, "gross": {}, "asked": {}}
    for group in groups:
        lead = int(group[0])
        product, day = s.product[lead], s.day[lead]
        known = dated[product] and not np.isnat(day)
        tare = tare_on(product, day=pd.Timestamp(day) if known else None)
        if way := _way(s.found.grams[group], s.low[lead], s.high[lead], tare):
            place = s.found.file[lead], product
            of[way].setdefault(place, []).extend(group.tolist())
    for way in ("net", "gross"):
        for (file, product), numbers in of[way].items():
            s.remark.add(
                numbers[0],
                f"taken as {way}: {_weights(s, file, product, numbers)} do not say it, but are "
                f"near what is declared {'with' if way == 'gross' else 'without'} the packaging",
            )
    _weigh_as(s, [number for numbers in of["gross"].values() for number in numbers], "gross")
    for (file, product), numbers in of["asked"].items():
        sentence = (
            f"Nothing says whether {_weights(s, file, product, numbers)} are gross or net: say how "
            f"they were weighed in a column weighed, or once over the table; or in {SETTINGS}: "
            f'name "weighed of {s.found.short[file]}", or "weighed of {product}" for all its '
            f"files, value {shown_words('weighed')}."
        )
        for number in numbers:
            s.doubt.add(number, sentence)


def _answered(s: Sift, silent: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """What settings.csv says of a file, of a product, or of the works."""
    done = np.zeros(len(silent), np.bool_)
    at = np.flatnonzero(silent)
    first = at[first_of_each([s.found.file.codes[at], s.product.codes[at]])]
    for lead in np.unique(first).tolist():
        said = (
            s.answers.of_file("weighed", s.found.file[lead])
            or s.answers.general(f"weighed of {s.product[lead]}")
            or s.answers.general("weighed")
        )
        if way := s.answers.word("weighed", said):
            group = at[first == lead]
            _weigh_as(s, group, way)
            done[group] = True
    return done


def _weigh_as(s: Sift, numbers: NDArray[np.intp] | list[int], way: str) -> None:
    codes = np.array(s.weighed.codes)
    codes[numbers] = len(s.weighed.values)
    s.weighed = Coded(codes, [*s.weighed.values, way]).distinct()


def _way(grams: NDArray[np.float64], low: float, high: float, tare: Tare | str) -> str:
    """Net, gross or to be asked; "" where there are no such weights at all."""
    off = tare.grams if isinstance(tare, Tare) else 0.0
    # slips and other units are asked about by other rules
    grams = grams[(grams >= low / 2) & (grams <= 2 * high + off)]
    if not len(grams):
        return ""
    quarter, middle, three = np.quantile(grams, [0.25, 0.5, 0.75])
    near = {
        way: low + more - _NEAR * off <= middle <= high + more + _NEAR * off
        and low + more - off / 2 < quarter
        and three < high + more + off / 2
        for way, more in (("net", 0.0), ("gross", off))
    }
    plain = [way for way, fits in near.items() if fits]
    return plain[0] if off >= _HEAVY * low and len(plain) == 1 else "asked"


def _weights(s: Sift, file: str, product: str, numbers: list[int]) -> str:
    many = f"the {len(numbers)} weights" if len(numbers) > 1 else "the weight"
    return f"{many} of {product} in {s.found.short[file]}"
