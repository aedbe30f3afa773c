"""Which week a review is about, worked out from the data and never from the clock."""

from __future__ import annotations

import datetime as dt
import re
from typing import NamedTuple

import pandas as pd

from qa_tools.readings.dates import day_words, readings_of, weekdays


class Week(NamedTuple):
    """Seven days; prints as "26 October to 1 November 2026"."""

    start: pd.Timestamp
    end: pd.Timestamp

    def __str__(self) -> str:
        across = self.start.year != self.end.year
        return f"{day_words(self.start, year=across)} to {day_words(self.end)}"

    def holds(self, when: pd.Series[pd.Timestamp]) -> pd.Series[bool]:
        """Which dates fall in the week; a missing date does not."""
        return (when >= self.start) & (when < self.end + pd.Timedelta(days=1))


def week_of(day: pd.Timestamp, first_day: str = "Monday") -> Week:
    """
    The week that holds a day.

    Examples
    --------
    >>> print(week_of(pd.Timestamp("2026-10-28")))
    26 October to 1 November 2026
    """
    back = (day.weekday() - weekdays(first_day)[0]) % 7
    start = day.normalize() - pd.Timedelta(days=back)
    return Week(start, start + pd.Timedelta(days=6))


def last_complete(
    days: pd.Series[pd.Timestamp],
    as_of: pd.Timestamp,
    first_day: str = "Monday",
    working_days: str = "Monday to Friday",
) -> Week | None:
    """
    The last week whose working days are over by `as_of` and in which something was weighed.

    Where no such week has weighings, the last week that has; None where nothing is dated.

    Parameters
    ----------
    days : Series of datetime64
        The dates of the weighings; missing ones count for nothing.
    as_of : Timestamp
    first_day, working_days : str
        As settings.csv gives them.

    Examples
    --------
    >>> days = pd.Series(pd.to_datetime(["2026-10-29", "2026-10-30", "2026-11-03"]))
    >>> print(last_complete(days, pd.Timestamp("2026-11-03")))
    26 October to 1 November 2026
    """
    if pd.isna(as_of):
        return None
    dated = days[days.notna() & (days < as_of.normalize() + pd.Timedelta(days=1))]
    if dated.empty:
        return None
    weeks = [week_of(pd.Timestamp(day), first_day) for day in dated.dt.normalize().unique()]
    over = [week for week in weeks if _last_working_day(week, working_days) <= as_of.normalize()]
    return max(over or weeks)


def _last_working_day(week: Week, working_days: str) -> pd.Timestamp:
    days = [week.start + pd.Timedelta(days=i) for i in range(7)]
    return max(day for day in days if day.weekday() in weekdays(working_days))


def parse_week(
    week: str | dt.date | pd.Timestamp, first_day: str = "Monday", date_order: str = ""
) -> Week:  # fmt: skip
    """
    The week somebody asks for: a date in it, or the ISO week "2026-W44".

    Raises
    ------
    ValueError
        Neither a date nor an ISO week, or a date that can be read two ways and no `date_order`
        ("day first", "month first") says which.

    Examples
    --------
    >>> print(parse_week("2026-W44"))
    26 October to 1 November 2026
    >>> print(parse_week("28 Oct 2026"))
    26 October to 1 November 2026
    """
    if iso := isinstance(week, str) and re.fullmatch(r"\s*(\d{4})-?[Ww](\d{1,2})\s*", week):
        try:
            monday = dt.date.fromisocalendar(int(iso[1]), int(iso[2]), 1)
        except ValueError:
            raise ValueError(f"{week!r} is not a week: {iso[1]} has no week {iso[2]}; "
                             "a number is written 2026-W44") from None  # fmt: skip
        return week_of(pd.Timestamp(monday), first_day)
    return week_of(parse_day(week, date_order), first_day)


def parse_day(day: str | dt.date | pd.Timestamp, date_order: str = "") -> pd.Timestamp:
    """
    A day as people write it; one that can be read two ways needs the order.

    Raises
    ------
    ValueError
        No date, or one that can be read two ways and no `date_order` says which.

    Examples
    --------
    >>> parse_day("2 Nov 2026"), parse_day("02/11/2026", "day first")
    (Timestamp('2026-11-02 00:00:00'), Timestamp('2026-11-02 00:00:00'))
    """
    if not isinstance(day, str):
        if not isinstance(day, dt.date):
            raise ValueError(f"{day!r} is no date; write 2026-10-26, or a week as 2026-W44")
        return pd.Timestamp(day)
    possible = readings_of(day)
    found = {possible[date_order]} if date_order in possible else set(possible.values())
    if len(found) != 1:
        told = " or ".join(day_words(one) for one in sorted(found))
        raise ValueError(
            f"{day!r} is {told or 'no date'}; write it as 2026-10-26, or a week as 2026-W44"
        )
    return pd.Timestamp(found.pop())
