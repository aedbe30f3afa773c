"""Gross to net: what is taken off each reading."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa_tools.readings.coded import Coded
from qa_tools.readings.grouping import first_of_each
from qa_tools.readings.labels import grams_of
from qa_tools.readings.sift import Sift
from qa_tools.readings.slips import PLAIN
from qa_tools.readings.tare import Tare


def said(s: Sift) -> None:
    """How each was weighed, as far as it is said."""
    found = s.found
    own = ~np.isnan(found.own_tare)
    net = found.weighed_as.where(lambda kind: kind == "net")
    gross = found.weighed_as.where(lambda kind: kind == "gross")
    said = found.texts["weighed"]
    silent = said.where(lambda way: way == "")
    # a gross column is gross; a weight with a tare beside it is gross; any other is net
    way = np.where(silent, np.where(gross, 1, np.where(own & ~net, 1, 0)), said.codes + 2)
    s.weighed = Coded(way, ["", "gross", *said.values]).distinct()


def net(s: Sift) -> None:
    """Gross to net, by how each was weighed."""
    found = s.found
    count = len(found)
    s.tare, s.tare_sd = np.zeros(count), np.zeros(count)
    s.tare_n = np.zeros(count, np.int64)
    s.net_g = found.grams
    own = ~np.isnan(found.own_tare)
    net = found.weighed_as.where(lambda kind: kind == "net")
    unknown = s.weighed.where(
        lambda one: one not in ("", "bare", "wrapped", "gross", "tared on the scale")
    )
    for number in np.flatnonzero(unknown & s.open & ~net).tolist():
        s.refuse(
            number,
            f'how it was weighed is not known: "{s.weighed[number]}"',
            "write bare, wrapped, gross or tared on the scale",
        )
    packed = s.weighed.where(lambda one: one in ("wrapped", "gross")) & ~net & s.open
    if not packed.any():
        return
    s.net_g = found.grams.copy()
    s.tare[packed & own] = found.own_tare[packed & own]
    mean_tares(s, np.flatnonzero(packed & ~own))
    packed &= s.open
    # nine decimals of a gram are far below any scale: they only clear what floats leave behind
    s.net_g[packed] = np.round(found.grams[packed] - s.tare[packed], 9)
    for number in np.flatnonzero(packed & ~(s.net_g > 0)).tolist():
        declared, _ = s.label_range(s.product[number], s.label_day[number])
        low = float(grams_of(declared)) if declared else np.nan
        swapped = abs(found.grams[number] - low) <= PLAIN * low
        s.refuse(
            number,
            f"gross below tare: {s.as_read(number)} gross, {s.tare[number]:.4g} g tare",
            "gross and net may be swapped" if swapped else "",
        )


def mean_tares(s: Sift, at: NDArray[np.intp]) -> None:
    """Take the mean of the empty parts off."""
    if not len(at):
        return
    tares = s.tares
    dated = np.array([tares.dated(name) for name in s.product.values], np.bool_)
    days = np.where(dated[s.product.codes[at]], s.day[at], np.datetime64("NaT", "D"))
    keys = [s.product.codes[at], s.weighed.codes[at], days.astype(np.int64)]
    first = first_of_each(keys)
    for lead in np.unique(first).tolist():
        number = int(at[lead])
        day = None if np.isnat(days[lead]) else pd.Timestamp(days[lead])
        tare = tares.of(s.product[number], s.weighed[number], day)
        group = at[first == lead]
        if isinstance(tare, Tare):
            s.tare[group], s.tare_sd[group] = tare.grams, tare.sd
            s.tare_n[group] = tare.n
            if tare.remark:
                for each in group.tolist():
                    s.remark.add(each, tare.remark)
            continue
        for each in group.tolist():
            s.refuse(
                each,
                f"weighed {s.weighed[each]}, and {tare}",
                "give a tare beside the weight, or weigh the empty part and enter it in tare.csv",
            )
