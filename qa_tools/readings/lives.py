"""From when to when a batch lives, and what is dated outside its life."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from qa_tools.readings.sift import Sift, day_of


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


def outside_life(s: Sift) -> None:
    """A date before the batch was made, or after its shelf life."""
    batches = s.lists["batches"]
    if not len(batches):
        return
    lives = batch_lives(batches, s.lists["products"])
    begins = np.array(
        [day_of(lives.get(name, (None, None))[0]) for name in s.batch.values], "datetime64[D]",
    )[s.batch.codes]  # fmt: skip
    ends = np.array(
        [day_of(lives.get(name, (None, None))[1]) for name in s.batch.values], "datetime64[D]",
    )[s.batch.codes]  # fmt: skip
    day = s.when.astype("datetime64[D]")
    for number in np.flatnonzero(s.open & (day < begins)).tolist():
        s.remark.add(
            number,
            f"dated {pd.Timestamp(day[number]):%d %B %Y}, before batch {s.batch[number]} "
            f"was made ({pd.Timestamp(begins[number]):%d %B %Y})",
        )
    for number in np.flatnonzero(s.open & (day > ends)).tolist():
        s.remark.add(
            number,
            f"dated {pd.Timestamp(day[number]):%d %B %Y}, after the shelf life of batch "
            f"{s.batch[number]} ended ({pd.Timestamp(ends[number]):%d %B %Y})",
        )
