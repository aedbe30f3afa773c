"""Dates as people write them, under each order of day, month and year they can be read in."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from functools import lru_cache
from typing import Any, Final

ORDERS: Final = ("year first", "day first", "month first")

DAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip

_MONTHS: Final = {
    name: number
    for number, month in enumerate(map(str.casefold, MONTHS), start=1)
    for name in (month, month[:3])
} | {"sept": 9}
_WEEKDAY: Final = re.compile(
    r"^(mon|tue|tues|wed|wednes|thu|thur|thurs|fri|sat|satur|sun)(day)?\.?,?\s+", re.IGNORECASE
)
_NUMBERS: Final = re.compile(r"(\d{1,4})\s?([./\-\s])\s?(\d{1,2})\s?\2\s?(\d{1,4})\.?")
_COMPACT: Final = re.compile(r"(\d{4})(\d{2})(\d{2})")
_DAY_NAME: Final = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[.\s\-/]*([a-z]+)[.,\s\-/]*(\d{2,4})")
_NAME_DAY: Final = re.compile(r"([a-z]+)[.\s\-/]*(\d{1,2})(?:st|nd|rd|th)?[,.\s\-/]+(\d{2,4})")
_TIME: Final = re.compile(
    r"(\d{1,2})[:h.](\d{2})(?:[:.](\d{2})(?:[.,]\d+)?)?\s*([ap])?\.?m?\.?(?:\s?(?:z|[+-]\d\d:?\d\d|"
    r"uhr|hrs?|h))?",
    re.IGNORECASE,
)
_HOUR: Final = re.compile(r"(\d{1,2})\s*([ap])\.?m\.?", re.IGNORECASE)
_SPLIT: Final = re.compile(r"(.*?\d)(?:[tT,]\s*|\s+(?:at\s+)?)(\d{1,2}(?:[:h]\d{2}.*|\s*[ap]m))$")


def readings_of(written: str) -> dict[str, dt.datetime]:
    """
    What a date says under each order it can be read in; empty where it is no date.

    Parameters
    ----------
    written : str
        ``"2026-10-12"``, ``"12.10.2026 14:05"``, ``"Mon 12 Oct 2026"``; with or without a time.

    Examples
    --------
    >>> sorted(readings_of("12/10/26")), sorted(readings_of("31/12/2026"))
    (['day first', 'month first', 'year first'], ['day first'])
    """
    text = _WEEKDAY.sub("", written.strip())
    day_text, time = text, dt.time(0)
    if split := _SPLIT.fullmatch(text):
        clock = time_of(split[2])
        if clock is None:
            return {}
        day_text, time = split[1], clock
    return {
        order: dt.datetime.combine(day, time) for order, day in _days(day_text.strip(" ,")).items()
    }


@lru_cache(maxsize=20_000)
def _days(text: str) -> dict[str, dt.date]:
    lower = text.casefold()
    if compact := _COMPACT.fullmatch(lower):
        return _under_all(_day(*map(int, compact.groups())))
    if named := _DAY_NAME.fullmatch(lower):
        day, month, year = named[1], named[2], named[3]
    elif named := _NAME_DAY.fullmatch(lower):
        month, day, year = named[1], named[2], named[3]
    elif numbers := _NUMBERS.fullmatch(lower):
        return _by_order(numbers[1], numbers[3], numbers[4])
    else:
        return {}
    return _under_all(_day(_year(year), _MONTHS[month], int(day))) if month in _MONTHS else {}


def _by_order(first: str, second: str, third: str) -> dict[str, dt.date]:
    if len(first) >= 3:
        # four digits first: nobody writes year, day, month
        return _under_all(_day(int(first), int(second), int(third)) if len(third) < 3 else None)
    candidates = {
        "day first": _day(_year(third), int(second), int(first)),
        "month first": _day(_year(third), int(first), int(second)),
    }
    if len(third) <= 2:
        candidates["year first"] = _day(_year(first), int(second), int(third))
    return {order: day for order, day in candidates.items() if day is not None}


def _under_all(day: dt.date | None) -> dict[str, dt.date]:
    return dict.fromkeys(ORDERS, day) if day else {}


def _year(text: str) -> int:
    # two digits are this century: no works keeps weighings of the last one here
    return 2000 + int(text) if len(text) <= 2 else int(text)


def _day(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day) if 1900 <= year <= 2200 else None
    except ValueError:
        return None


@lru_cache(maxsize=100_000)
def time_of(written: str) -> dt.time | None:
    """
    A time of day, or None.

    Examples
    --------
    >>> time_of("2:05 pm"), time_of("14.05"), time_of("noonish")
    (datetime.time(14, 5), datetime.time(14, 5), None)
    """
    text = written.strip()
    if found := _TIME.fullmatch(text):
        hour, minute, second, half = (
            int(found[1]),
            int(found[2]),
            int(found[3] or 0),
            (found[4] or "").casefold(),
        )
    elif found := _HOUR.fullmatch(text):
        hour, minute, second, half = int(found[1]), 0, 0, found[2].casefold()
    else:
        return None
    if half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "p" else 0)
    return dt.time(hour, minute, second) if hour < 24 and minute < 60 and second < 60 else None


def orders_that_fit(texts: Iterable[Any]) -> set[str]:
    """The orders under which every text that is a date at all can be read."""
    fitting = set(ORDERS)
    for text in texts:
        if isinstance(text, str) and text and (possible := readings_of(text)):
            fitting &= possible.keys()
    return fitting


def day_words(day: dt.date, *, year: bool = True) -> str:
    """
    A date in words, the same in every locale.

    Examples
    --------
    >>> day_words(dt.date(2026, 11, 1))
    '1 November 2026'
    """
    return f"{day.day} {MONTHS[day.month - 1]}" + (f" {day.year}" if year else "")


def weekdays(written: str) -> tuple[int, ...]:
    """
    The days of the week that are named, in the order they are named; 0 is Monday.

    Raises
    ------
    ValueError
        A word in it is no day of the week, or none is named.

    Examples
    --------
    >>> weekdays("Mon-Sat"), weekdays("Sunday to Tuesday"), weekdays("Mon, Wed and Fri")
    ((0, 1, 2, 3, 4, 5), (6, 0, 1), (0, 2, 4))
    """
    found: list[int] = []
    for piece in re.split(r"\s*(?:[,;/+&]|\band\b)\s*", written.strip()):
        ends = [_weekday(word) for word in re.split(r"\s*(?:[-\u2013\u2014]|\bto\b)\s*", piece)]
        if len(ends) > 2:
            raise ValueError(f"{piece!r} names more than two ends")
        found += [(ends[0] + i) % 7 for i in range((ends[-1] - ends[0]) % 7 + 1)]
    return tuple(dict.fromkeys(found))


def _weekday(word: str) -> int:
    start = word.strip(" .").casefold()
    named = [number for number, day in enumerate(DAYS) if day.casefold().startswith(start)]
    if len(start) < 2 or not named:
        raise ValueError(f"{word!r} is no day of the week; write Monday or Mon")
    return named[0]
