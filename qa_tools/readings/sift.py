"""Readings on their way through the rules: what is known of each, and what was said of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa_tools.readings.coded import Coded
from qa_tools.readings.headings import squeezed
from qa_tools.readings.labels import declared_range
from qa_tools.readings.marks import Answers
from qa_tools.readings.quantities import Declaration
from qa_tools.readings.records import Records
from qa_tools.readings.sayings import Sayings
from qa_tools.readings.tare import Tares


@dataclass(eq=False)
class Sift:
    """
    All readings, and what the rules find of them one after the other.

    Attributes
    ----------
    found : Records
    lists : mapping of str to DataFrame
        products, labels, batches, tare.
    answers : Answers
        What settings.csv says of doubtful rows.
    copies : mapping of file to file
        Files that are byte for byte another one.
    open : array of bool
        Whether a reading is used, so far.
    judged : array of bool
        Whether it is sold, and so judged.
    is_replaced : array of bool
        Whether a later weighing takes its place.
    reason, suggestion, doubt, remark : Sayings
    batch, product, stage, weighed : Coded
    when, day : arrays of datetime64
        When it was weighed; the day, or where that is not said the batch's.
    net_g, tare, tare_sd, tare_n : arrays
        Grams; the tare taken off, its spread, and how many empty parts stand behind it.
    low, high : arrays of float
        The smallest and largest quantity declared that day, in grams.
    """

    found: Records
    lists: Mapping[str, pd.DataFrame]
    answers: Answers
    copies: Mapping[str, str]
    open: NDArray[np.bool_] = field(init=False)
    judged: NDArray[np.bool_] = field(init=False)
    is_replaced: NDArray[np.bool_] = field(init=False)
    reason: Sayings = field(init=False)
    suggestion: Sayings = field(init=False)
    doubt: Sayings = field(init=False)
    remark: Sayings = field(init=False)
    batch: Coded = field(init=False)
    product: Coded = field(init=False)
    stage: Coded = field(init=False)
    weighed: Coded = field(init=False)
    when: NDArray[np.datetime64] = field(init=False)
    day: NDArray[np.datetime64] = field(init=False)
    net_g: NDArray[np.float64] = field(init=False)
    tare: NDArray[np.float64] = field(init=False)
    tare_sd: NDArray[np.float64] = field(init=False)
    tare_n: NDArray[np.int64] = field(init=False)
    low: NDArray[np.float64] = field(init=False)
    high: NDArray[np.float64] = field(init=False)

    def __post_init__(self) -> None:
        count = len(self.found)
        self.open, self.judged = np.ones(count, np.bool_), np.ones(count, np.bool_)
        self.reason, self.suggestion = Sayings(count), Sayings(count)
        self.doubt, self.remark = Sayings(count), Sayings(count)
        for at, said in self.found.remarks:
            for place, number in enumerate(at.tolist()):
                self.remark.add(number, said[place])

    def refuse(self, number: int, reason: str, suggestion: str = "") -> None:
        """Leave one reading out, and say why; the first reason stands."""
        if self.open[number]:
            self.open[number] = False
            self.reason.of[number] = reason
            if suggestion:
                self.suggestion.of[number] = suggestion

    def answer(self, number: int) -> tuple[str, str, str]:
        """What settings.csv says of a doubtful reading: (slip or real, who, when)."""
        found = self.found
        value, who, when = self.answers.of_row(
            int(found.row[number]), found.column[number], found.file[number], found.sheet[number]
        )
        word = squeezed(value)
        return next((one for one in ("slip", "real") if word.startswith(one)), ""), who, when

    def as_read(self, number: int) -> str:
        """The weight as read, with its unit."""
        return f"{self.found.weight[number]:.12g} {self.found.unit[number]}"

    def as_net(self, number: int) -> str:
        """The net weight in grams, to the step it was read at."""
        step = self.found.step[number]
        decimals = max(0, int(np.ceil(-np.log10(step) - 1e-9))) if step > 0 else 1
        return f"{self.net_g[number]:.{min(decimals, 3)}f} g"

    @cached_property
    def tares(self) -> Tares:
        """The tare of each product."""
        return Tares(self.lists["products"], self.lists["tare"])

    def label_range(
        self, product: str, day: np.datetime64
    ) -> tuple[Declaration | None, Declaration | None]:
        """The smallest and the largest declaration of a product on a day."""
        known = None if np.isnat(day) else pd.Timestamp(day)
        return declared_range(self.lists["labels"], product, known)


def joint(one: Coded, other: Coded) -> NDArray[np.intp]:
    """A number for each pair of values, such as file and sheet."""
    return one.codes * len(other.values) + other.codes


def day_of(stamp: pd.Timestamp | None) -> np.datetime64:
    """A day as numpy has it; "not a time" where there is none."""
    return np.datetime64("NaT", "D") if pd.isna(stamp) else np.datetime64(stamp.date(), "D")


def by_whom(who: str, when: str) -> str:
    """Who answered and when, as a sentence says it."""
    return (f" by {who}" if who else "") + (f" on {when}" if when else "")
