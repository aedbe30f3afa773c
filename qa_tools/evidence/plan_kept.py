"""What plan.csv asks for, against what was weighed: due, done, late, short, missing."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import pandas as pd

from qa_tools.evidence.period import days_of, last_date
from qa_tools.evidence.shown import Shown
from qa_tools.evidence.week import parse_day
from qa_tools.readings.dates import day_words, weekdays
from qa_tools.readings.headings import word_for
from qa_tools.readings.weighings import answers_of
from qa_tools.readings.works import Works

# Days after the pour in which a loaf is cut and weighed; our own choice.
CUT_WITHIN: Final = 4
DUE: Final = ("done", "late", "short", "missing")
_BATCHES: Final = re.compile(r"(?:every|each|a|per|all)?\s*(\d*)\s*(?:nd|rd|th)?\s*batch(?:es)?")
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
        return Shown(self.table, "plan.csv asks for nothing.").html()


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
    is packed; what is still curing is not due. "Every day" means working days on which the product
    was packed (or poured, for cutting); of a scale, all working days. A plan with limits, and a
    record for each check, is what good manufacturing practice asks for (ISO 22716:2007, 7.3.6).

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
    first = parse_day(start, order) if start is not None else table["day"].min()
    last = parse_day(end, order) if end is not None else as_of
    try:
        working = weekdays(answers.general("working days") or "Monday to Friday")
    except ValueError:  # asked about where the settings are read
        working = weekdays("Monday to Friday")
    time = _Time(pd.Timestamp(first).normalize(), pd.Timestamp(last).normalize(), as_of, working)
    rows, checks, questions = [], [], []
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

    def holds(self, day: pd.Timestamp) -> bool:
        return bool(pd.notna(day) and self.first <= day.normalize() <= self.last)


def _of_row(
    works: Works, table: pd.DataFrame, row: dict[Any, Any], time: _Time
) -> Iterator[Due]:  # fmt: skip
    product, stage = str(row["product"]), _stage(str(row["stage"]))
    often = " ".join(str(row["how_often"]).split()).casefold()
    if product in set(works.scales["scale"]) | set(works.scale_checks["scale"]):
        yield from _of_scale(works, product, often, time)
        return
    if product not in set(works.products["product"]) | set(works.batches["product"]):
        raise ValueError("no product and no scale is called so")
    if stage not in ("cut", "filled", "packed", ""):
        raise ValueError(
            f'when a batch is due at the stage "{row["stage"]}" is not known here: cut, filled and '
            "packed are followed"
        )
    of_product = works.batches[works.batches["product"] == product].sort_values("made_on")
    batches = [
        (str(batch), _due(runs, stage, time))
        for batch, runs in of_product.groupby("batch", sort=False)
    ]
    due = [(batch, day) for batch, day in batches if day is not None and time.holds(day)]
    if counted := _BATCHES.fullmatch(often):
        every = int(counted[1] or 1)
        if every > 1:  # the first, then each so many after it, of all that ever were due
            ever = [batch for batch, day in batches if day is not None][::every]
            due = [(batch, day) for batch, day in due if batch in ever]
    elif (step := _TIMES.get(often)) is not None:
        due = _first_of(due, step, time)
    else:
        raise ValueError(
            f'how often "{row["how_often"]}" is, is not understood; write "every batch", "every 5 '
            'batches", "every day", "every week" or "every month"'
        )
    rows = table[(table["product"] == product) & table["stage"].isin(_stages(stage))]
    places = rows.groupby("batch").indices
    for batch, day in due:
        mine = rows.iloc[places.get(batch, [])]
        asked = _asked(works, str(row["how_many"]), batch, stage)
        yield _state(product, stage, batch, day, asked, mine, stage == "cut")


def _stage(written: str) -> str:
    return word_for("stage", written) or written.strip().casefold()


def _stages(stage: str) -> list[str]:
    """Weighings that count for a stage: without one they are taken as packed."""
    return ["cut"] if stage == "cut" else ["packed", "filled", ""]


def _due(runs: pd.DataFrame, stage: str, time: _Time) -> pd.Timestamp | None:
    """The day by which a batch passes a stage; None where it has not yet."""
    if stage == "cut":
        made = runs["made_on"].min()
        day = made + pd.Timedelta(days=CUT_WITHIN) if pd.notna(made) else None
        return day if day is not None and day <= time.as_of.normalize() else None
    packed = runs["packed_on"].min()
    return packed.normalize() if pd.notna(packed) and packed <= time.as_of else None


def _first_of(
    due: list[tuple[str, pd.Timestamp]], step: str, time: _Time
) -> list[tuple[str, pd.Timestamp]]:
    """The first batch due in each day, week or month."""
    found: dict[Any, tuple[str, pd.Timestamp]] = {}
    for batch, day in sorted(due, key=lambda one: one[1]):
        found.setdefault(_period(day, step), (batch, day))
    return list(found.values())


def _period(day: pd.Timestamp, step: str) -> Any:
    if step == "day":
        return day.date()
    return tuple(day.isocalendar())[:2] if step == "week" else (day.year, day.month)


def _asked(works: Works, how_many: str, batch: str, stage: str) -> int | None:
    """How many weighings a row asks of one batch; None where "all" is not a known number."""
    word = how_many.strip().casefold()
    if word.isdigit():
        return int(word)
    if word not in ("all", "every", "every one", "each"):
        raise ValueError(f'how many "{how_many}" is, is not understood; write a number, or "all"')
    runs = works.batches[works.batches["batch"] == batch]
    known = runs["packages"].notna().all() and stage != "cut"
    return int(runs["packages"].sum()) if known else None


def _state(
    product: str,
    stage: str,
    batch: str,
    day: pd.Timestamp,
    asked: int | None,
    rows: pd.DataFrame,
    cut: bool,
) -> Due:
    first = rows["day"].min() if len(rows) else pd.NaT
    status = "done"
    if rows.empty:
        status = "missing"
    elif asked is not None and len(rows) < asked:
        status = "short"
    elif pd.notna(first) and first.normalize() > day:
        status = "late"
    return Due(product, stage, batch, day, asked, len(rows), first, status)


def _of_scale(works: Works, scale: str, often: str, time: _Time) -> Iterator[Due]:
    """Checks of a scale with a known mass: one in each day, week or month."""
    step = _TIMES.get(often)
    if step is None:
        raise ValueError(
            f'how often "{often}" a scale is checked is not understood; write "every day", "every '
            'week" or "every month"'
        )
    checks = works.scale_checks[works.scale_checks["scale"] == scale]["when"].dropna()
    done = {_period(day, step): day for day in checks.sort_values(ascending=False)}
    days = pd.date_range(time.first, min(time.last, time.as_of.normalize()))
    last: dict[Any, pd.Timestamp] = {}
    for day in days:
        if day.weekday() in time.working:
            last[_period(day, step)] = day
    for period, day in last.items():
        on = done.get(period)
        when = pd.NaT if on is None else on
        yield Due(scale, "check", f"scale {scale}", day, 1, int(on is not None), when,
                  "missing" if on is None else "done")  # fmt: skip


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
    asked = "" if one.asked is None else f" of {one.asked}"
    day = day_words(one.due, year=False)
    if one.status == "missing":
        return f"{one.what}: nothing weighed, due {day}"
    if one.status == "short":
        return f"{one.what}: {one.weighed}{asked} weighed, due {day}"
    return f"{one.what}: weighed {day_words(one.on, year=False)}, due {day}"
