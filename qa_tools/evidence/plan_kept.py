"""What plan.csv asks for, against what was weighed: due, done, late, short, missing."""

from __future__ import annotations

import datetime as dt
import html
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import pandas as pd

from qa_tools.evidence.period import days_of, last_date
from qa_tools.evidence.shown import Shown
from qa_tools.evidence.week import parse_day, week_of
from qa_tools.readings.dates import day_words, weekdays
from qa_tools.readings.headings import word_for
from qa_tools.readings.weighings import answers_of
from qa_tools.readings.works import Works

# Days after the pour in which a loaf is cut and weighed; our own choice.
CUT_WITHIN: Final = 4
DUE: Final = ("done", "late", "short", "missing")
_BATCHES: Final = re.compile(
    r"(?:(?:every|each|a|per)\s+)?batch|all\s+batches|(?:every|each)\s+"
    r"(?:(?P<many>[1-9]\d*)\s*(?:st|nd|rd|th)?|(?P<other>other|second))\s+batch(?:es)?"
)
_TIMES: Final[dict[str, str]] = {
    "day": "day", "every day": "day", "each day": "day", "a day": "day", "daily": "day",
    "every working day": "day", "each working day": "day", "per day": "day",
    "week": "week", "every week": "week", "each week": "week", "a week": "week", "weekly": "week",
    "once a week": "week", "per week": "week", "once a day": "day", "once a month": "month",
    "month": "month", "every month": "month", "each month": "month", "a month": "month",
    "monthly": "month", "per month": "month",
}  # fmt: skip


class Due(NamedTuple):
    """One check that was due: of what, when, how many were asked and done, and how that stands."""

    product: str
    stage: str
    what: str
    due: pd.Timestamp
    asked: int | None
    weighed: int
    on: Any
    status: str


@dataclass(frozen=True, eq=False, repr=False)
class Planned:
    """
    The plan against what was done; prints as a table.

    Attributes
    ----------
    table : DataFrame
        One row of plan.csv a row: product, stage, how_many, how_often, revision, due, done, late,
        short, missing.
    checks : DataFrame
        Every check that was due: product, stage, what, due, asked, weighed, on, status.
    questions : tuple of str
        Rows of the plan that could not be followed, and products that have none.
    """

    table: pd.DataFrame
    checks: pd.DataFrame
    questions: tuple[str, ...]

    def __str__(self) -> str:
        shown = str(Shown(self.table, "plan.csv asks for nothing."))
        return "\n".join([shown, *self.questions])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        told = "".join(f"<p>{html.escape(words)}</p>" for words in self.questions)
        return Shown(self.table, "plan.csv asks for nothing.").html() + told


def planned(
    works: Works, start: str | dt.date | None = None, end: str | dt.date | None = None
) -> Planned:  # fmt: skip
    """
    Was every check of the plan done, in time, with as many weighings as it asks?

    Parameters
    ----------
    works : Works
        Of use: plan.csv, batches.csv, the working days of settings.csv. A row of plan.csv whose
        product is a scale is of checks with a known mass.
    start, end : str or date, optional
        First and last day on which a check was due; all of the data when not given.

    Returns
    -------
    Planned

    Notes
    -----
    A batch is due at cutting within four days of the pour, and at filling or packing on the day it
    is first packed; what is still curing is not due. It is late where the last of the weighings
    asked for came after that. "Every day" means each day on which the product was packed (or due
    at cutting); any batch of that day may be weighed. Of a scale it means all working days; a check
    by the week or month is due on the last working day in it. "All" is the packages packed by now;
    at cutting as many as were made, or at least as many as were packed since. A plan with limits,
    and a record for each check, is what good manufacturing practice asks for (ISO 22716:2007,
    7.3.6).

    Examples
    --------
    >>> found = planned(getfixture("demo_works"))
    >>> found.table[["product", "stage", "due", "done", "short"]].values.tolist()[2]
    ['rosemary-scrub', 'filled', 16, 16, 0]
    """
    answers = answers_of(works.settings)
    order = answers.general("date order").casefold()
    table = works.weighings.table.assign(day=days_of(works, works.weighings.table))
    as_of = last_date(works)
    days = [day for day in (table["day"].min(), works.batches["made_on"].min()) if pd.notna(day)]
    if not days or pd.isna(as_of):
        empty = pd.DataFrame([], columns=[*_HEAD, "due", *DUE])
        return Planned(empty, pd.DataFrame([], columns=Due._fields), ("Nothing is dated.",))
    begun = table["day"].min() if table["day"].notna().any() else min(days)
    first = parse_day(start, order) if start is not None else begun
    last = parse_day(end, order) if end is not None else as_of
    try:
        working = weekdays(answers.general("working days") or "Monday to Friday")
    except ValueError:  # asked about where the settings are read
        working = weekdays("Monday to Friday")
    time = _Time(pd.Timestamp(first).normalize(), pd.Timestamp(last).normalize(), as_of, working,
                 answers.general("first day of the week") or "Monday")  # fmt: skip
    rows, checks, questions = [], [], []
    stages = works.plan["stage"].map(_stage)
    twice = works.plan[works.plan.assign(stage=stages).duplicated(["product", "stage"])]
    for row in twice.to_dict("records"):
        questions.append(
            f"plan.csv has more than one row of {row['product']} {row['stage']}; all are followed: "
            "leave out what no longer holds".replace("  ", " ")
        )
    for row in works.plan.to_dict("records"):
        try:
            found = list(_of_row(works, table, row, time))
        except ValueError as reason:
            questions.append(
                f"plan.csv, {row['product']} {row['stage']}: {reason}".replace("  ", " ")
            )
            continue
        checks += found
        states = [one.status for one in found]
        head = {name: row[name] for name in _HEAD}
        rows.append(head | {"due": len(found)} | {name: states.count(name) for name in DUE})
    questions += list(_without(works, table, time))
    return Planned(
        pd.DataFrame(rows, columns=[*_HEAD, "due", *DUE]),
        pd.DataFrame(checks, columns=Due._fields),
        tuple(questions),
    )


_HEAD: Final = ["product", "stage", "how_many", "how_often", "revision"]


class _Time(NamedTuple):
    """The days spoken of."""

    first: pd.Timestamp
    last: pd.Timestamp
    as_of: pd.Timestamp
    working: tuple[int, ...]
    week_begins: str

    def holds(self, day: pd.Timestamp) -> bool:
        return bool(pd.notna(day) and self.first <= day.normalize() <= self.last)

    def period(self, day: pd.Timestamp, step: str) -> tuple[pd.Timestamp, pd.Timestamp]:
        """First and last day of the day, week or month that holds a day."""
        day = day.normalize()
        if step == "month":
            return day.replace(day=1), day + pd.offsets.MonthEnd(0)
        if step == "day":
            return day, day
        week = week_of(day, self.week_begins)
        return week.start, week.end


def _of_row(
    works: Works, table: pd.DataFrame, row: dict[Any, Any], time: _Time
) -> Iterator[Due]:  # fmt: skip
    product, stage = str(row["product"]), _stage(str(row["stage"]))
    often = " ".join(str(row["how_often"]).split()).casefold()
    if product in set(works.scales["scale"]) | set(works.scale_checks["scale"]):
        yield from _of_scale(works, product, str(row["how_many"]), often, time)
        return
    if product not in set(works.products["product"]) | set(works.batches["product"]):
        raise ValueError("no product and no scale is called so")
    if stage not in ("cut", "filled", "packed", ""):
        raise ValueError(
            f'when a batch is due at the stage "{row["stage"]}" is not known here: cut, filled and '
            "packed are followed"
        )
    _number(str(row["how_many"]))  # asked about even where nothing was due
    of_product = works.batches[works.batches["product"] == product].sort_values("made_on")
    batches = [
        (str(batch), day)
        for batch, runs in of_product.groupby("batch", sort=False)
        if (day := _due(runs, stage, time)) is not None
    ]
    every, step = 1, None
    if counted := _BATCHES.fullmatch(often):
        every = 2 if counted["other"] else int(counted["many"] or 1)
    elif (step := _TIMES.get(often)) is None:
        raise ValueError(
            f'how often "{row["how_often"]}" is, is not understood; write "every batch", "every 5 '
            'batches", "every day", "every week" or "every month"'
        )
    mine = table[
        (table["product"] == product) & table["stage"].isin(_stages(works, product, stage))
    ]
    places = mine.groupby("batch").indices
    # the first, then each so many after it, of all that ever were due
    states = [
        _state(product, stage, batch, day, _asked(works, str(row["how_many"]), batch, stage, time),
               mine.iloc[places.get(batch, [])])
        for batch, day in batches[::every]
        if time.holds(day)
    ]  # fmt: skip
    yield from states if step is None else _best_of(states, step, time)


def _stage(written: str) -> str:
    return word_for("stage", written) or written.strip().casefold()


def _stages(works: Works, product: str, stage: str) -> list[str]:
    """Weighings that count for a stage; filled ones for packed, where the plan has only one."""
    if stage == "cut":
        return ["cut"]
    asked = {_stage(str(one)) for one in works.plan.loc[works.plan["product"] == product, "stage"]}
    return [stage] if {"filled", "packed"} <= asked and stage else ["packed", "filled", ""]


def _due(runs: pd.DataFrame, stage: str, time: _Time) -> pd.Timestamp | None:
    """The day by which a batch passes a stage; None where it has not yet."""
    if stage == "cut":
        made = runs["made_on"].min()
        day = made + pd.Timedelta(days=CUT_WITHIN) if pd.notna(made) else None
        return day if day is not None and day <= time.as_of.normalize() else None
    packed = runs["packed_on"].min()
    return packed.normalize() if pd.notna(packed) and packed <= time.as_of else None


def _best_of(states: list[Due], step: str, time: _Time) -> list[Due]:
    """One batch in each day, week or month: the one that was weighed best."""
    found: dict[Any, Due] = {}
    for one in sorted(states, key=lambda one: (DUE.index(one.status), one.due)):
        found.setdefault(time.period(one.due, step), one)
    return sorted(found.values(), key=lambda one: one.due)


def _number(how_many: str) -> int | None:
    """How many a row asks; None for all of them."""
    word = how_many.strip().casefold()
    if re.fullmatch("[0-9]+", word) and int(word) > 0:
        return int(word)
    if word not in ("all", "every", "every one", "each"):
        raise ValueError(f'how many "{how_many}" is, is not understood; write a number, or "all"')
    return None


def _asked(works: Works, how_many: str, batch: str, stage: str, time: _Time) -> int | None:
    """How many weighings a row asks of one batch; None where "all" is not a known number."""
    number = _number(how_many)
    if number is not None:
        return number
    runs = works.batches[works.batches["batch"] == batch]
    if stage == "cut" and runs["number_made"].notna().any():
        return int(runs["number_made"].sum())
    packed = runs.loc[runs["packed_on"] <= time.as_of, "packages"]
    return int(packed.sum()) if len(packed) and packed.notna().all() else None


def _state(
    product: str, stage: str, batch: str, due: pd.Timestamp, asked: int | None, rows: pd.DataFrame
) -> Due:
    """How one check stands; it was done on the day the last of those asked for was weighed."""
    days = rows["day"].sort_values()
    many = len(days)
    enough = max(min(asked or 1, many), 1)
    on = days.iloc[enough - 1] if many else pd.NaT
    status = "done"
    if not many:
        status = "missing"
    elif asked is not None and many < asked:
        status = "short"
    elif pd.notna(on) and on.normalize() > due:
        status = "late"
    return Due(product, stage, batch, due, asked, many, on, status)


def _of_scale(works: Works, scale: str, how_many: str, often: str, time: _Time) -> Iterator[Due]:
    """Checks of a scale with known masses: so many in each day, week or month."""
    step = _TIMES.get(often)
    if step is None:
        raise ValueError(
            f'how often "{often}" a scale is checked is not understood; write "every day", "every '
            'week" or "every month"'
        )
    asked = _number(how_many) if how_many.strip() else 1
    if asked is None:
        raise ValueError('how many checks of a scale "all" is, is not known; write a number')
    checks = works.scale_checks[works.scale_checks["scale"] == scale]["when"].dropna()
    done: dict[Any, list[pd.Timestamp]] = {}
    for when in checks.sort_values():
        done.setdefault(time.period(when, step), []).append(when)
    for period in dict.fromkeys(time.period(day, step) for day in _days(time.first, time.last)):
        working = [day for day in _days(*period) if day.weekday() in time.working]
        if not working or working[-1] > time.as_of.normalize() or not time.holds(working[-1]):
            continue  # no work in it, or not over yet
        on = done.get(period, [])
        status = "done" if len(on) >= asked else "short" if on else "missing"
        yield Due(scale, "check", f"scale {scale}", working[-1], asked, len(on),
                  on[0] if on else pd.NaT, status)  # fmt: skip


def _days(first: pd.Timestamp, last: pd.Timestamp) -> pd.DatetimeIndex:
    return pd.date_range(first, last)


def _without(works: Works, table: pd.DataFrame, time: _Time) -> Iterator[str]:
    """Products that were packed and have no row in the plan; scales that are used and have none."""
    inside = table[table["day"].map(time.holds)]
    planned_for = set(works.plan["product"])
    for product in sorted(set(inside["product"]) - planned_for - {""}):
        yield f"plan.csv asks for no check of {product}."
    for scale in sorted(set(inside["scale"]) - planned_for - {""}):
        yield f"plan.csv asks for no check of scale {scale}: say in it how often it is checked."


def in_words(one: Due) -> str:
    """A check that was not as planned, in words."""
    asked = "" if pd.isna(one.asked) else f" of {int(one.asked or 0)}"
    day = day_words(one.due, year=False)
    if one.stage == "check":
        done = f"checked {one.weighed} times{asked}" if one.weighed else "not checked"
        return f"{one.what}: {done}, due by {day}"
    if one.status == "missing":
        return f"{one.what}: nothing weighed, due {day}"
    if one.status == "short":
        return f"{one.what}: {one.weighed}{asked} weighed, due {day}"
    return f"{one.what}: weighed {day_words(one.on, year=False)}, due {day}"
