"""Which weighings and batches a period is about: a week of a review, months of an audit pack."""

from __future__ import annotations

from typing import cast

import pandas as pd

from qa_tools.evidence.week import Week
from qa_tools.readings.works import Works


def last_date(works: Works) -> pd.Timestamp:
    """The last day on which anything is recorded as done, else packed; NaT where none is."""
    done = (works.weighings.table, works.dispatch, works.actions, works.cure, works.scale_checks)
    last = [day for day in (table["when"].max() for table in done) if pd.notna(day)]
    last = last or [day for day in [works.batches["packed_on"].max()] if pd.notna(day)]
    return max(last) if last else cast(pd.Timestamp, pd.NaT)


def days_of(works: Works, table: pd.DataFrame) -> pd.Series[pd.Timestamp]:
    """The day of each weighing; one without a date is of the day its batch was packed or made."""
    days = works.batches.groupby("batch")[["packed_on", "made_on"]].min()
    packed = pd.to_datetime(table["batch"].map(days["packed_on"].to_dict()))
    made = pd.to_datetime(table["batch"].map(days["made_on"].to_dict()))
    return table["when"].fillna(packed.where(table["stage"] != "cut", made))


def of_period(
    works: Works, table: pd.DataFrame, week: Week | None
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """
    The weighings up to the end of the week, the batches to judge, and those packed but not weighed.

    Judged is what was weighed in the week, and what was packed in it and weighed before.
    """
    batches = works.batches
    if week is None:
        so_far, touched, packed = table, table, batches[batches["packed_on"].notna()]
    else:
        so_far = table[table["day"].isna() | (table["day"] < week.end + pd.Timedelta(days=1))]
        touched, packed = table[week.holds(table["day"])], batches[week.holds(batches["packed_on"])]
    made = so_far[so_far["stage"] != "cut"]
    before = made[made["batch"].isin(packed["batch"]) & (made["batch"] != "")]
    keys = pd.concat([touched, before])[["product", "batch", "stage"]]
    keys = keys.assign(fresh=keys["stage"] == "cut")[["product", "batch", "fresh"]]
    unweighed = packed[~packed["batch"].isin(made["batch"])]
    return so_far, keys.drop_duplicates(), unweighed


def lost_in(
    lost: pd.DataFrame, week: Week | None, touched: pd.DataFrame
) -> pd.Series[bool]:  # fmt: skip
    """Which readings not used are of the week: by date, else by batch, else by sheet."""
    if week is None:
        return pd.Series(True, index=lost.index)
    sheets = set(zip(touched["file"], touched["sheet"], strict=True))
    same_sheet = [place in sheets for place in zip(lost["file"], lost["sheet"], strict=True)]
    by_batch = lost["batch"].isin(touched["batch"])
    undated = lost["when"].isna()
    return week.holds(lost["when"]) | (undated & (by_batch | pd.Series(same_sheet, lost.index)))
