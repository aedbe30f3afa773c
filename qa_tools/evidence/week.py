"""Which week a review is about, worked out from the data and never from the clock."""

from __future__ import annotations

import datetime as dt
import re
from typing import Final, NamedTuple

import pandas as pd

DAYS: Final = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
MONTHS: Final = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


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


def day_words(day: pd.Timestamp, *, year: bool = True) -> str:
    """
    A date in words, the same in every locale.

    Examples
    --------
    >>> day_words(pd.Timestamp("2026-11-01"))
    '1 November 2026'
    """
    return f"{day.day} {MONTHS[day.month - 1]}" + (f" {day.year}" if year else "")


def week_of(day: pd.Timestamp, first_day: str = "Monday") -> Week:
    """
    The week that holds a day.

    Examples
    --------
    >>> print(week_of(pd.Timestamp("2026-10-28")))
    26 October to 1 November 2026
    """
    back = (day.weekday() - DAYS.index(first_day.casefold())) % 7
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
    named = [
        DAYS.index(name)
        for name in re.findall(r"[a-z]+day", working_days.casefold())
        if name in DAYS
    ]
    if " to " in working_days.casefold() and len(named) == 2:
        named = [(named[0] + i) % 7 for i in range((named[1] - named[0]) % 7 + 1)]
    days = [week.start + pd.Timedelta(days=i) for i in range(7)]
    return max((day for day in days if day.weekday() in (named or range(5))), default=week.end)


def parse_week(week: str | dt.date | pd.Timestamp, first_day: str = "Monday") -> Week:
    """
    The week somebody asks for: a date in it, or the ISO week "2026-W44".

    Raises
    ------
    ValueError
        Neither a date nor an ISO week.

    Examples
    --------
    >>> print(parse_week("2026-W44"))
    26 October to 1 November 2026
    """
    if isinstance(week, str):
        iso = re.fullmatch(r"\s*(\d{4})-?[Ww](\d{1,2})\s*", week)
        try:
            if iso:
                monday = dt.date.fromisocalendar(int(iso[1]), int(iso[2]), 1)
                return week_of(pd.Timestamp(monday), first_day)
            week = dt.date.fromisoformat(week.strip())
        except ValueError:
            raise ValueError(
                f"{week!r} is not a week; give a date in it (2026-10-26) or its number (2026-W44)"
            ) from None
    return week_of(pd.Timestamp(week), first_day)
