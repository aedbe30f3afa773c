import datetime as dt

import pytest

from qa_tools.readings.dates import day_words, readings_of, time_of, weekdays


@pytest.mark.parametrize(
    ("written", "day"),
    [
        ("2026-10-02", dt.datetime(2026, 10, 2)),
        ("2026/10/02 14:05", dt.datetime(2026, 10, 2, 14, 5)),
        ("2026-10-02T14:05:30", dt.datetime(2026, 10, 2, 14, 5, 30)),
        ("20261002", dt.datetime(2026, 10, 2)),
        ("2 Oct 2026", dt.datetime(2026, 10, 2)),
        ("Fri 2nd October 2026, 2:05 pm", dt.datetime(2026, 10, 2, 14, 5)),
        ("October 2, 2026", dt.datetime(2026, 10, 2)),
        ("31.12.2026", dt.datetime(2026, 12, 31)),
        ("12/31/26", dt.datetime(2026, 12, 31)),
    ],
)
def test_dates_that_say_one_day(written: str, day: dt.datetime) -> None:
    assert set(readings_of(written).values()) == {day}


def test_a_date_that_says_two() -> None:
    found = readings_of("02/10/2026")
    assert found["day first"] == dt.datetime(2026, 10, 2)
    assert found["month first"] == dt.datetime(2026, 2, 10)


@pytest.mark.parametrize(
    "written", ["", "Friday", "31.31.2026", "2026-13-01", "12", "1.5", "118.4"]
)
def test_no_dates(written: str) -> None:
    assert readings_of(written) == {}


def test_times() -> None:
    assert time_of("12:30 am") == dt.time(0, 30)
    assert time_of("14h30") == dt.time(14, 30)
    assert time_of("25:00") is None


@pytest.mark.parametrize(
    ("written", "days"),
    [
        ("Mon", (0,)),
        ("monday", (0,)),
        ("Mon-Sat", (0, 1, 2, 3, 4, 5)),
        ("Monday to Saturday", (0, 1, 2, 3, 4, 5)),
        ("Mon \u2013 Fri", (0, 1, 2, 3, 4)),
        ("Sun.-Thurs.", (6, 0, 1, 2, 3)),
        ("Mon, Wed & Fri", (0, 2, 4)),
    ],
)
def test_days_of_the_week(written: str, days: tuple[int, ...]) -> None:
    assert weekdays(written) == days


@pytest.mark.parametrize("written", ["", "every day", "M", "Mon-Wed-Fri", "Mon to Someday", "Mon,"])
def test_no_days_of_the_week(written: str) -> None:
    with pytest.raises(ValueError):
        weekdays(written)


def test_a_day_in_words_does_not_depend_on_the_locale() -> None:
    assert day_words(dt.date(2026, 3, 1)) == "1 March 2026"
    assert day_words(dt.date(2026, 3, 1), year=False) == "1 March"
