"""From when to when a batch lives, and what is dated outside its life."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools.readings.dates import day_words
from qa_tools.readings.sift import Sift

_DAY: Final = 86_400 * 10**9
_NONE: Final = np.iinfo(np.int64).min


def batch_lives(batches: pd.DataFrame, products: pd.DataFrame) -> dict[str, tuple[Any, Any]]:
    """From the day a batch was made to the end of its shelf life; NaT where not known."""
    shelf = products.drop_duplicates("product").set_index("product")["shelf_days"]
    runs = batches.groupby("batch", sort=False).agg(
        product=("product", "first"),
        made_on=("made_on", "min"),
        packed_on=("packed_on", "max"),
        sell_from=("sell_from", "max"),
    )
    last = runs[["made_on", "packed_on", "sell_from"]].max(axis=1)
    days = pd.to_timedelta(runs["product"].map(shelf), unit="D")
    return dict(
        zip(map(str, runs.index), zip(runs["made_on"], last + days, strict=True), strict=True)
    )


def not_believed(s: Sift) -> None:
    """A day past its batch's life and more than a year after every other: a mistyped year."""
    s.when = s.found.when
    columns = ["made_on", "packed_on", "sell_from"]
    listed = s.lists["batches"][columns].to_numpy("datetime64[ns]").ravel().view(np.int64)
    times = s.when.view(np.int64)  # where there is no date, the least of all numbers
    last = times.max(initial=_NONE)
    if last == _NONE:
        return
    last = last // _DAY * _DAY
    late = times >= last
    other = max(times.max(initial=_NONE, where=~late), listed.max(initial=_NONE))
    if other == _NONE or last - other <= 366 * _DAY:
        return
    lives = batch_lives(s.lists["batches"], s.lists["products"])
    late &= ~(times < s.by_batch({name: ends for name, (_, ends) in lives.items()})
              .astype("datetime64[ns]").view(np.int64) + _DAY)  # fmt: skip
    day = day_words(pd.Timestamp(last))
    s.when = np.where(late, np.datetime64("NaT", "ns"), s.when)
    for number in np.flatnonzero(late).tolist():
        s.remark.add(
            number,
            f"date not believed: {day} is more than a year after every other date in the works, "
            "and is taken as not said (correct it, or enter the batch with its dates in "
            "batches.csv)",
        )


def outside_life(s: Sift) -> None:
    """A date before the batch was made, or after its shelf life."""
    batches = s.lists["batches"]
    if not len(batches):
        return
    lives = batch_lives(batches, s.lists["products"])
    made = s.by_batch({name: begins for name, (begins, _) in lives.items()})
    ends = s.by_batch({name: ends for name, (_, ends) in lives.items()})
    day = s.when.astype("datetime64[D]")
    for number in np.flatnonzero(s.open & (day < made)).tolist():
        s.remark.add(
            number,
            f"weighed before its batch was made: {_words(day[number])}, {s.batch[number]} made on "
            f"{_words(made[number])}",
        )
    # before it was packed a batch may well be weighed, but at the cutter or while it cures
    early = ~s.stage.where(lambda stage: stage in ("cut", "cured")) & ~(day < made)
    for number in np.flatnonzero(s.open & early & (day < s.packed)).tolist():
        s.remark.add(
            number,
            f"weighed before packing: {_words(day[number])}, {s.batch[number]} packed on "
            f"{_words(s.packed[number])}",
        )
    for number in np.flatnonzero(s.open & (day > ends)).tolist():
        s.remark.add(
            number,
            f"weighed after its shelf life: {_words(day[number])}, that of {s.batch[number]} ended "
            f"on {_words(ends[number])}",
        )


def _words(day: np.datetime64) -> str:
    return day_words(pd.Timestamp(day))
