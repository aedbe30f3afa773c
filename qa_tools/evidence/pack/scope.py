"""What an audit pack speaks of: a period, products, batches, and all that is worked out of them."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd

from qa_tools.evidence.batches import Batch
from qa_tools.evidence.charted import WeekChart, charts_of
from qa_tools.evidence.cutter import Cutters
from qa_tools.evidence.cutters import cut_loaves
from qa_tools.evidence.cutters import cutters as of_cutters
from qa_tools.evidence.pack.halves import judged
from qa_tools.evidence.period import days_of, last_date, lost_in, of_period
from qa_tools.evidence.plan_kept import Planned, planned
from qa_tools.evidence.week import Week, parse_day
from qa_tools.readings.dates import day_words
from qa_tools.readings.weighings import answers_of
from qa_tools.readings.works import Works

Day = str | dt.date | pd.Timestamp


@dataclass(frozen=True, eq=False)
class Scope:
    """
    What an audit pack speaks of.

    Attributes
    ----------
    works : Works
    start, end : Timestamp or None
        First and last day; both None where the whole of the data is asked for, undated too.
    products, batches : tuple of str
        As asked for; empty for all.
    as_of : Timestamp
        The last day in the data: a hold closed after the period is closed.
    so_far : DataFrame
        All weighings used, as ``Weighings.table``, with the ``day`` of each.
    keys : DataFrame
        The batches spoken of: product, batch, fresh.
    unweighed : DataFrame
        Rows of batches.csv packed in the period without a weighing.

    Examples
    --------
    >>> found = scope_of(getfixture("demo_works"), "2026-10-26", "2026-11-01")
    >>> print(found.period)
    26 October to 1 November 2026
    >>> [check.batch for check in found.checks][:3]
    ['CB-1030', 'OH-0922', 'OH-0929']
    """

    works: Works
    start: pd.Timestamp | None
    end: pd.Timestamp | None
    products: tuple[str, ...]
    batches: tuple[str, ...]
    as_of: pd.Timestamp
    so_far: pd.DataFrame
    keys: pd.DataFrame
    unweighed: pd.DataFrame

    @property
    def week(self) -> Week | None:
        """The period as other parts of a review take it; None for the whole of the data."""
        return None if self.start is None or self.end is None else Week(self.start, self.end)

    @property
    def period(self) -> str:
        """The period in words."""
        if self.week is not None:
            return str(self.week)
        days = self.so_far["day"].dropna()
        if days.empty:
            return "all weighings, undated"
        return f"all weighings, {Week(days.min(), days.max())}"

    @property
    def names(self) -> list[str]:
        """The batches spoken of, each once, those without a weighing too."""
        return list(dict.fromkeys([*self.keys["batch"], *self.unweighed["batch"]]))

    @cached_property
    def checks(self) -> tuple[Batch, ...]:
        """The batches, judged: our own check and every book; fresh ones last."""
        return tuple(judged(self.works, self.so_far, self.keys, self.as_of))

    @cached_property
    def used(self) -> pd.DataFrame:
        """The weighings used of these batches, in the order of their files."""
        of = pd.MultiIndex.from_frame(self.so_far[["product", "batch"]])
        mine = of.isin(pd.MultiIndex.from_frame(self.keys[["product", "batch"]]))
        return self.so_far[mine].drop(columns="day").reset_index(drop=True)

    @cached_property
    def not_used(self) -> pd.DataFrame:
        """The weighings not used that are of the period; of the batches, where some are named."""
        lost = self.works.weighings.not_used
        if self.products or self.batches:
            mine = lost["batch"].isin(self.keys["batch"])
            sheets = pd.MultiIndex.from_frame(self.used[["file", "sheet"]])
            beside = pd.MultiIndex.from_frame(lost[["file", "sheet"]]).isin(sheets)
            return lost[mine | (beside & (lost["batch"] == ""))].reset_index(drop=True)
        return lost[lost_in(lost, self.week, self.used)].reset_index(drop=True)

    @cached_property
    def charts(self) -> tuple[WeekChart, ...]:
        """The process charts behind these batches, with all batches before them."""
        drawn, _ = charts_of(self.works, self.so_far, self.checks, self.week)
        return tuple(drawn)

    @cached_property
    def cutters(self) -> Cutters:
        """Each cutter by all loaves up to the end of the period."""
        if not cut_loaves(self.works, self.end):
            return Cutters({}, {}, self.works.wires)
        return of_cutters(self.works, until=self.end)

    @cached_property
    def planned(self) -> Planned:
        """What plan.csv asked for in the period, against what was done."""
        return planned(self.works, *(self.week if self.week is not None else (None, None)))

    @cached_property
    def settings(self) -> Mapping[str, str]:
        """What settings.csv says for the whole works: currency, works, working days."""
        answers = answers_of(self.works.settings)
        return {name: answers.general(name) for name in ("works", "currency", "working days")}

    @property
    def title(self) -> str:
        """The name of the works."""
        return self.settings["works"] or self.works.name

    def parameters(self) -> dict[str, Any]:
        """What was asked for, as the manifest keeps it: from it and the data all comes again."""
        return {
            "start": None if self.start is None else f"{self.start:%Y-%m-%d}",
            "end": None if self.end is None else f"{self.end:%Y-%m-%d}",
            "products": list(self.products) or None,
            "batches": list(self.batches) or None,
        }


def scope_of(
    works: Works,
    start: Day | None = None,
    end: Day | None = None,
    products: Sequence[str] | str | None = None,
    batches: Sequence[str] | str | None = None,
) -> Scope:
    """
    What an audit pack speaks of: the batches weighed or packed in a period.

    Parameters
    ----------
    works : Works
    start, end : str or date, optional
        First and last day; the whole of the data where neither is given.
    products, batches : name or names, optional
        Only these.

    Returns
    -------
    Scope

    Raises
    ------
    ValueError
        No date, an end before the start, a product or batch nobody knows, or nothing weighed or
        packed in the period.
    """
    table = works.weighings.table
    table = table.assign(day=days_of(works, table))
    order = answers_of(works.settings).general("date order").casefold()
    as_of = last_date(works)
    first = None if start is None else parse_day(start, order).normalize()
    last = None if end is None else parse_day(end, order).normalize()
    if (first is None) != (last is None):  # an open end is the end of the data
        first = table["day"].min().normalize() if first is None else first
        last = as_of.normalize() if last is None else last
    if first is not None and last is not None and last < first:
        raise ValueError(f"the period ends on {day_words(last)}, before it begins on "
                         f"{day_words(first)}")  # fmt: skip
    ways = _known(products, {*works.products["product"], *table["product"]} - {""}, "product")
    names = _known(batches, {*works.batches["batch"], *table["batch"]} - {""}, "batch")
    period = None if first is None or last is None else Week(first, last)
    _, keys, unweighed = of_period(works, table, period)
    for column, wanted in (("product", ways), ("batch", names)):
        if wanted:
            keys = keys[keys[column].isin(wanted)]
            unweighed = unweighed[unweighed[column].isin(wanted)]
    packed = pd.MultiIndex.from_frame(keys.loc[~keys["fresh"], ["product", "batch"]])
    again = pd.MultiIndex.from_frame(keys[["product", "batch"]]).isin(packed)
    keys = keys[~(keys["fresh"] & again)]  # what was packed since is judged as packed
    if keys.empty and unweighed.empty:
        days = table["day"].dropna()
        span = f"; weighings run from {Week(days.min(), days.max())}" if len(days) else ""
        of = f" of {', '.join([*ways, *names])}" if ways or names else ""
        raise ValueError(f"nothing{of} was weighed or packed in {period or 'these files'}{span}")
    return Scope(works, first, last, ways, names, as_of, table, keys, unweighed)


def _known(asked: Sequence[str] | str | None, known: Iterable[str], what: str) -> tuple[str, ...]:
    """The names asked for; refused where nobody knows one."""
    names = () if asked is None else (asked,) if isinstance(asked, str) else tuple(asked)
    there = sorted(known)
    for name in names:
        if name not in there:
            near = difflib.get_close_matches(name, there, n=1)
            hint = f'; is "{near[0]}" meant?' if near else f"; there are {', '.join(there[:12])}"
            raise ValueError(f'there is no {what} "{name}"{hint}')
    return tuple(sorted(set(names)))
