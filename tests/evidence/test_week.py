"""Which week a review is about."""

from __future__ import annotations

import pandas as pd
import pytest

from qa_tools.evidence.week import last_complete, parse_week, week_of


def days(*texts: str) -> pd.Series[pd.Timestamp]:
    return pd.Series(pd.to_datetime(list(texts)))


@pytest.mark.parametrize(
    ("day", "first_day", "start", "end"),
    [
        ("2026-10-26", "Monday", "2026-10-26", "2026-11-01"),
        ("2026-11-01 23:59", "Monday", "2026-10-26", "2026-11-01"),
        ("2026-11-01", "Sunday", "2026-11-01", "2026-11-07"),
        ("2026-11-01", "Sun", "2026-11-01", "2026-11-07"),
        ("2026-10-31", "saturday", "2026-10-31", "2026-11-06"),
    ],
)
def test_a_week_starts_on_the_day_the_works_says(
    day: str, first_day: str, start: str, end: str
) -> None:
    week = week_of(pd.Timestamp(day), first_day)
    assert week == (pd.Timestamp(start), pd.Timestamp(end))


def test_iso_weeks_are_those_of_the_calendar() -> None:
    # ISO 8601: 2026 begins on a Thursday, so its first week holds 1 January
    assert parse_week("2026-W01").start == pd.Timestamp("2025-12-29")
    assert parse_week("2026w53").start == pd.Timestamp("2026-12-28")


@pytest.mark.parametrize("text", ["last", "2026-W54", "2026-13-01", ""])
def test_what_is_not_a_week_is_refused_with_what_would_do(text: str) -> None:
    with pytest.raises(ValueError, match=r"2026-W44"):
        parse_week(text)


def test_a_week_is_over_after_its_last_working_day() -> None:
    weighed = days("2026-10-22", "2026-10-30")
    assert last_complete(weighed, pd.Timestamp("2026-10-30")) == week_of(pd.Timestamp("2026-10-30"))
    assert last_complete(weighed, pd.Timestamp("2026-10-29 15:00")) == week_of(
        pd.Timestamp("2026-10-22")
    )
    sundays = last_complete(weighed, pd.Timestamp("2026-10-30"), working_days="Monday to Sunday")
    assert sundays == week_of(pd.Timestamp("2026-10-22"))
    listed = last_complete(weighed, pd.Timestamp("2026-10-30"), working_days="Tuesday, Saturday")
    assert listed == week_of(pd.Timestamp("2026-10-22"))
    short = last_complete(weighed, pd.Timestamp("2026-10-30"), working_days="Mon-Sat")
    assert short == week_of(pd.Timestamp("2026-10-22"))


def test_the_only_week_is_taken_though_it_is_not_over() -> None:
    week = last_complete(days("2026-10-26", "2026-10-27"), pd.Timestamp("2026-10-27"))
    assert week == week_of(pd.Timestamp("2026-10-26"))


def test_without_dates_there_is_no_week() -> None:
    assert last_complete(pd.Series([pd.NaT, pd.NaT]), pd.Timestamp("2026-10-27")) is None


def test_a_week_names_both_years_across_new_year() -> None:
    assert str(week_of(pd.Timestamp("2026-12-31"))) == "28 December 2026 to 3 January 2027"


def test_a_week_may_be_asked_for_as_people_write_dates() -> None:
    monday = pd.Timestamp("2026-08-31")
    assert parse_week("2 Sep 2026").start == monday
    assert parse_week("02/09/2026", date_order="day first").start == monday
    assert parse_week("02/09/2026", date_order="month first").start == pd.Timestamp("2026-02-09")
    with pytest.raises(ValueError, match="9 February 2026 or 2 September 2026"):
        parse_week("02/09/2026")
