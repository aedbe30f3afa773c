"""Corrections recorded in actions.csv: the sheet keeps what was written, the new value is used."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from qa_tools.readings.answers import names_of_row
from qa_tools.readings.coded import Coded
from qa_tools.readings.headings import folded
from qa_tools.readings.quantities import GRAMS, Quantity, parse_quantity
from qa_tools.readings.sift import Sift

if TYPE_CHECKING:
    from qa_tools.readings.changed import Change

ACTIONS: Final = "actions.csv"
_SAME: Final = 1e-9  # of a weight, as a share
_ROW: Final = re.compile(r"row \d")


def applied(s: Sift) -> None:
    """
    Take the new value of every reading that actions.csv corrects; ask where an entry does not fit.

    An entry fits where the sheet shows the old value, which is then replaced, or the new one. In
    order of date: a second correction begins at what the first made of it.
    """
    actions = s.lists.get("actions")
    if actions is None or not len(actions):
        return
    of_reading = actions[actions["reading"].str.strip() != ""]
    for row in of_reading.sort_values("when", kind="stable").to_dict("records"):
        called = folded(str(row["reading"]))
        numbers = s.called(called) if _ROW.match(called) else []
        if len(numbers) != 1:
            many = f"is {len(numbers)} weighings" if numbers else "is no weighing that was read"
            how = 'write "row 41 of oct.xlsx", or in a wide sheet "row 41 w3 of oct.xlsx"'
            _ask(s, row, f'"{row["reading"]}" {many}', how)
            continue
        _apply(s, numbers[0], row)


def correction_of(actions: pd.DataFrame, file: str, sheet: str, change: Change) -> str:
    """
    The entry of actions.csv that records a change as a correction: its id; "" where none.

    Several that follow on one another may lead from the old value to the new one.
    """
    of_reading = actions[actions["reading"].str.strip() != ""]
    if of_reading.empty:
        return ""
    names = {
        name
        for number in {change.row, change.row_then}
        for name in names_of_row(number, change.column, file, sheet)
    }
    value, goal = _amount(change.was), _amount(change.now)
    for row in of_reading.sort_values("when", kind="stable").to_dict("records"):
        if folded(str(row["reading"])) in names and _amount(row["old"]) == value:
            value = _amount(row["new"])
            if value == goal:
                return str(row["id"]) or "no id"
    return ""


def _amount(text: object) -> float | str:
    """A value as a number where it is one, so that 121.40 is 121.4."""
    try:
        return float(parse_quantity(str(text), "g").value)
    except ValueError:
        return str(text).strip()


def _apply(s: Sift, number: int, row: dict[Any, Any]) -> None:
    found = s.found
    unit = str(found.unit[number]) or "g"
    try:
        new = parse_quantity(str(row["new"]), unit)
    except ValueError as fault:
        _ask(s, row, f'the new value "{row["new"]}" cannot be read: {fault}', "correct the entry")
        return
    key = f" ({row['id']})" if row["id"] else ""
    if _shows(s, number, new):
        s.remark.add(number, f"corrected: the sheet shows the new value{key}")
        return
    old = str(row["old"]).strip()
    if old != str(found.written[number]).strip():
        try:
            shown = _shows(s, number, parse_quantity(old, unit))
        except ValueError:
            shown = False
        if not shown:
            now = str(found.written[number])
            _ask(s, row, f"{s.setting(number)} shows {now}, neither the old value {old} nor the "
                 f"new one {row['new']}", "correct the entry, or the sheet")  # fmt: skip
            return
    s.remark.add(number, f"corrected: from {old} to {row['new']}{key}")
    found.grams[number] = float(new.grams)  # the weight stays as the sheet shows it
    if found.problem[number][0]:
        found.weight[number] = float(new.grams / GRAMS[unit])
        _readable(s, number)


def _shows(s: Sift, number: int, amount: Quantity) -> bool:
    """Whether a reading, as corrected so far, is this weight."""
    readable = not s.found.problem[number][0]
    return readable and bool(
        np.isclose(s.found.grams[number], float(amount.grams), rtol=_SAME, atol=0)
    )


def _readable(s: Sift, number: int) -> None:
    """A weight that could not be read has been corrected: nothing stands against it any more."""
    problem = s.found.problem
    codes = np.array(problem.codes)
    codes[number] = len(problem.values)
    s.found.problem = Coded(codes, [*problem.values, ("", "")])


def _ask(s: Sift, row: dict[Any, Any], what: str, how: str) -> None:
    key = f" {row['id']}" if row["id"] else ""
    when = "" if pd.isna(row["when"]) else f" of {row['when']:%Y-%m-%d}"
    s.questions.append((ACTIONS, f"The correction{key}{when} is not used: {what}.", how))
