"""Which mark is decimal and which order a date has: settled file by file, asked, never guessed."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

from qa_tools.readings import dates
from qa_tools.readings.answers import Answers, Question, date_order, decimal_mark
from qa_tools.readings.quantities import number_of

_PIECE: Final = re.compile(r"\d[\d.,'\u00a0\u202f ]*\d|\d")


# ---------------------------------------------------------------- decimal mark


def marks_shown(texts: Iterable[Any]) -> tuple[set[str], list[str]]:
    """
    The decimal marks that numbers show, and the numbers that can be read two ways.

    Examples
    --------
    >>> marks_shown(["118,4", "119", "1.234"])
    ({','}, ['1.234'])
    """
    shown: set[str] = set()
    two_ways: list[str] = []
    for text in texts:
        if not isinstance(text, str):
            continue
        for piece in _PIECE.findall(text):
            if "," not in piece and "." not in piece:
                continue
            possible = {}
            for mark in (".", ","):
                try:
                    possible[mark] = number_of(piece, mark)
                except ValueError:
                    continue
            if len(possible) == 2:
                two_ways.append(text)
            shown |= possible.keys() if len(possible) == 1 else set()
    return shown, two_ways


def settle_decimal_marks(
    numbers: Mapping[str, Sequence[Any]], answers: Answers, elsewhere: Iterable[str] = ()
) -> tuple[dict[str, str | None], list[Question]]:
    """
    The decimal mark of each file.

    Parameters
    ----------
    numbers : mapping of file to its number texts
    answers : Answers
    elsewhere : iterable of str
        Marks that other files of the works show.

    Returns
    -------
    marks : dict of file to "." or "," or None
        None where it is not settled: numbers that can be read one way only still are.
    questions : list of (file, question, how to answer)
    """
    evidence = {file: marks_shown(texts) for file, texts in numbers.items()}
    everywhere = {mark for shown, _ in evidence.values() for mark in shown} | set(elsewhere)
    marks: dict[str, str | None] = {}
    questions = []
    for file, (shown, two_ways) in evidence.items():
        mark = _said(decimal_mark, answers.of_file("decimal mark", file))
        if mark is None and len(shown) == 1:
            mark = next(iter(shown))
        if mark is None and not shown:
            mark = _said(decimal_mark, answers.general("decimal mark"))
            if mark is None and len(everywhere) == 1:
                mark = next(iter(everywhere))
        marks[file] = mark
        if mark is None and two_ways:
            base = file.rsplit("/", 1)[-1]
            questions.append(
                (
                    file,
                    f'In {file} the number "{two_ways[0]}" can be read two ways'
                    f"{_and_more(len(two_ways))}: is the comma or the point the decimal mark?",
                    f'settings.csv: name "decimal mark of {base}", value "comma" or "point"',
                )
            )
    return marks, questions


# ---------------------------------------------------------------- date order


def settle_date_orders(
    written: Mapping[str, Sequence[Any]],
    answers: Answers,
    suits: Callable[[str, str], bool] | None = None,
    elsewhere: Iterable[str] = (),
) -> tuple[dict[str, str], list[Question]]:
    """
    The order of day, month and year in each file; "" where it is not settled.

    Parameters
    ----------
    written : mapping of file to its date texts
    answers : Answers
    suits : callable of (file, order), optional
        Whether the file's dates, read in that order, lie within the lives of their batches.
    elsewhere : iterable of str
        Orders that other files of the works show.

    Returns
    -------
    orders : dict of file to an order
    questions : list of (file, question, how to answer)
    """
    fitting = {file: dates.orders_that_fit(texts) for file, texts in written.items()}
    doubtful = {file: _doubtful(texts, fitting[file]) for file, texts in written.items()}
    shown = set(elsewhere)
    orders: dict[str, str] = {}
    general = _said(date_order, answers.general("date order"))
    for file, possible in fitting.items():
        order = _said(date_order, answers.of_file("date order", file)) or ""
        if not order and not doubtful[file]:
            order = next((one for one in dates.ORDERS if one in possible), "")
            shown |= possible if len(possible) == 1 else set()
        if not order and general in possible:
            order = general or ""
        if not order and suits is not None:
            suiting = [one for one in possible if suits(file, one)]
            order = suiting[0] if len(suiting) == 1 else ""
            shown |= set(suiting) if len(suiting) == 1 else set()
        orders[file] = order
    questions = []
    for file, possible in fitting.items():
        if not orders[file] and len(others := shown & possible) == 1:
            orders[file] = next(iter(others))
        order = orders[file]
        if not order and doubtful[file]:
            base = file.rsplit("/", 1)[-1]
            example = doubtful[file][0]
            spelt = " or ".join(
                sorted({dates.day_words(day) for day in dates.readings_of(example).values()})
            )
            questions.append(
                (
                    file,
                    f'In {file} the date "{example}" can be read as {spelt}'
                    f"{_and_more(len(doubtful[file]))}: what stands first?",
                    f'settings.csv: name "date order of {base}", value "day first", '
                    '"month first" or "year first"',
                )
            )
    return orders, questions


def _doubtful(texts: Iterable[Any], fitting: set[str]) -> list[str]:
    """The dates that say different days under the orders that are still possible."""
    still = fitting or set(dates.ORDERS)
    return [
        text
        for text in texts
        if isinstance(text, str)
        and len({day for order, day in dates.readings_of(text).items() if order in still}) > 1
    ]


def marks_and_orders(
    numbers: Mapping[str, Sequence[Any]], written: Mapping[str, Sequence[Any]]
) -> tuple[set[str], set[str]]:
    """The decimal marks and the date orders that files show by themselves, beyond doubt."""
    shown = {mark for texts in numbers.values() for mark in marks_shown(texts)[0]}
    fitting = [dates.orders_that_fit(texts) for texts in written.values()]
    return shown, {next(iter(orders)) for orders in fitting if len(orders) == 1}


def _said(understand: Callable[[str], str], answer: str) -> str | None:
    """What an answer means; None where there is none, or none that is understood (it is asked)."""
    try:
        return understand(answer) if answer else None
    except ValueError:
        return None


def _and_more(count: int) -> str:
    return f" (and {count - 1} more)" if count > 1 else ""


def date_of(cell: Any, order: str) -> dt.datetime | None:
    """
    The date a cell holds, given its file's order ("" where not settled); None where it has none.

    A date that can be read one way only needs no order.
    """
    if isinstance(cell, dt.datetime):
        return cell if 1900 <= cell.year <= 2200 else None
    if not isinstance(cell, str) or not cell:
        return None
    possible = dates.readings_of(cell)
    if order in possible:
        return possible[order]
    days = set(possible.values())
    return days.pop() if len(days) == 1 else None
