"""Readings on their way through the rules: what is known of each, and what was said of it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa_tools.readings.answers import SETTINGS, Answer, Answers, Question, names_of_row
from qa_tools.readings.coded import Coded
from qa_tools.readings.headings import squeezed
from qa_tools.readings.labels import declared_range
from qa_tools.readings.quantities import Declaration
from qa_tools.readings.records import Records
from qa_tools.readings.tare import Tares


class Sayings:
    """Sentences about a few of many readings."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.of: dict[int, str] = {}

    def add(self, number: int, sentence: str) -> None:
        """Say something about a reading, after what was said before."""
        before = self.of.get(number, "")
        gap = " " if before.endswith((".", "?")) else "; "
        self.of[number] = f"{before}{gap}{sentence}" if before else sentence

    def about(self) -> NDArray[np.bool_]:
        """Which readings something is said about."""
        mask = np.zeros(self.count, np.bool_)
        mask[list(self.of)] = True
        return mask

    def texts(self) -> Coded:
        """What is said of each reading; "" where nothing is."""
        if not self.of:
            return Coded.constant("", self.count)
        at = np.zeros(self.count, np.intp)
        at[list(self.of)] = np.arange(1, len(self.of) + 1)
        return Coded(at, ["", *self.of.values()])


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
    unitless : set of str
        Files that say no unit anywhere: settings.csv may.
    questions : list of (file, question, how to answer)
    open : array of bool
        Whether a reading is used, so far.
    judged : array of bool
        Whether it is sold, and so judged.
    is_replaced : array of bool
        Whether a later weighing takes its place.
    reason, suggestion, doubt, remark : Sayings
        A remark is "cause: detail", its cause in the same words for all readings.
    batch, product, stage, weighed : Coded
    when, day, packed, label_day : arrays of datetime64
        When it was weighed; the day, or where that is not said the batch's; the first packing day
        of its batch; the day whose label judges it: that day, or where not known `day`.
    net_g, tare, tare_sd, tare_n : arrays
        Grams; the tare taken off, its spread, and how many empty parts stand behind it.
    low, high : arrays of float
        The smallest and largest quantity declared on `label_day`, in grams.
    """

    found: Records
    lists: Mapping[str, pd.DataFrame]
    answers: Answers
    copies: Mapping[str, str]
    unitless: set[str] = field(default_factory=set)
    questions: list[Question] = field(default_factory=list)
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
    packed: NDArray[np.datetime64] = field(init=False)
    label_day: NDArray[np.datetime64] = field(init=False)
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

    def answer(self, number: int) -> tuple[str, str]:
        """What settings.csv says of a reading: "slip", "real" or "", and by whom."""
        one = self.answered.get(number)
        if one is None:
            return "", ""
        by = (f" by {one.who}" if one.who else "") + (f" on {one.when}" if one.when else "")
        return slip_or_real(one.value), by

    @cached_property
    def answered(self) -> dict[int, Answer]:
        """The readings that settings.csv speaks of; what it says of none, or several, is asked."""
        of: dict[int, Answer] = {}
        unsigned = []
        for name, one in self.answers.of_rows().items():
            fitting = self.called(name)
            if len(fitting) == 1 and slip_or_real(one.value):
                of[fitting[0]] = one
                if not (one.who and one.when):
                    unsigned.append(f'"{one.name}" says {slip_or_real(one.value)}')
            elif len(fitting) == 1:
                question = f'The value "{one.value}" of "{one.name}" is not understood.'
                self.questions.append((SETTINGS, question, self.how_to_answer(fitting)))
            elif fitting:
                question = f'"{one.name}" is {len(fitting)} weighings: which is meant?'
                self.questions.append((SETTINGS, question, self.how_to_answer(fitting)))
            else:
                question = f'"{one.name}": no weighing stands there.'
                how = "write the row and the file as the sheet shows them"
                self.questions.append((SETTINGS, question, how))
        if unsigned:
            question = f"{SETTINGS}: {', '.join(unsigned)}, but not who answered and when."
            how = "fill in the columns who and when beside it; the answer counts all the same"
            self.questions.append((SETTINGS, question, how))
        return of

    def called(self, name: str) -> list[int]:
        """The readings that a folded name such as "row 41 of oct xlsx" may mean."""
        found = self.found
        row = int(re.findall(r"\d+", name)[0])
        return [
            number
            for number in np.flatnonzero(found.row == row).tolist()
            if name
            in names_of_row(row, found.column[number], found.file[number], found.sheet[number])
        ]

    def setting(self, number: int) -> str:
        """What one reading is called in settings.csv."""
        found = self.found
        row = f"row {found.row[number]}"
        where = found.where(number).replace(", sheet ", " sheet ")
        if self.has_others_beside[number]:
            where = where.replace(row, f"{row} {found.column[number]}", 1)
        return where

    @cached_property
    def has_others_beside(self) -> NDArray[np.bool_]:
        """Whether a reading shares its row of its sheet with others."""
        found = self.found
        rows = joint(found.file, found.sheet) * (found.row.max(initial=0) + 1) + found.row
        _, which, many = np.unique(rows, return_inverse=True, return_counts=True)
        return np.asarray(many[which] > 1)

    def how_to_answer(self, numbers: Sequence[int], shown: int = 3) -> str:
        """The rows of settings.csv that would say whether readings are slips or real."""
        names = [f'"{self.setting(number)}"' for number in numbers[:shown]]
        if len(numbers) > shown:
            names.append("...")
        return f'{SETTINGS}: name {" or ".join(names)}, value "slip" or "real"'

    def by_batch(self, days: Mapping[Any, Any]) -> NDArray[np.datetime64]:
        """A day of its batch for each reading; not a time where the batch has none."""
        if not days:
            return np.broadcast_to(np.datetime64("NaT", "D"), len(self.found))
        each = [_day(days.get(name)) for name in self.batch.values]
        return np.array(each, "datetime64[D]")[self.batch.codes]

    def as_read(self, number: int) -> str:
        """The weight as read, with its unit."""
        return f"{self.found.weight[number]:.12g} {self.found.unit[number]}"

    def as_net(self, number: int) -> str:
        """The net weight in grams, to the step it was read at; after the gross it came from."""
        step = self.found.step[number]
        decimals = max(0, int(np.ceil(-np.log10(step) - 1e-9))) if step > 0 else 1
        net = f"{self.net_g[number]:.{min(decimals, 3)}f} g"
        return f"{self.as_read(number)} gross ({net} net)" if self.tare[number] > 0 else net

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


def _day(stamp: Any) -> np.datetime64:
    return np.datetime64("NaT", "D") if pd.isna(stamp) else np.datetime64(stamp.date(), "D")


def slip_or_real(value: str) -> str:
    """The word an answer about a reading means; "" where neither."""
    word = squeezed(value)
    return next((one for one in ("slip", "real") if word.startswith(one)), "")
