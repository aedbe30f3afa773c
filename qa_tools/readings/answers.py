"""The answers kept in settings.csv: looked up by what they answer, and told when not understood."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from qa_tools.readings import dates
from qa_tools.readings.headings import folded, nearest, word_for, words_of
from qa_tools.readings.quantities import unit_of

Question = tuple[str, str, str]
SETTINGS: Final = "settings.csv"
CHART_BASE: Final = "chart base of "  # and the chart; read where charts are made
CUTTER_ENDS: Final = "ends of cutter"  # and the cutter; both read where wires are studied
CUTTER_NUMBERS: Final = "end wires of cutter"
# The columns that hold a word of ours.
KINDS: Final = ("stage", "weighed", "fate", "picked")
_SAID: Final = re.compile(r"(row\s.+?)\s+is\s+(?:a\s+)?(real|slip)\b", re.IGNORECASE)
_MARKS: Final = {"comma": ",", "point": ".", "dot": ".", "period": ".", ",": ",", ".": "."}


class Answer(NamedTuple):
    """One row of settings.csv."""

    name: str
    value: str
    who: str
    when: str


@dataclass
class Answers:
    """
    The answers kept in settings.csv.

    Attributes
    ----------
    given : mapping of folded name to Answer
    """

    given: Mapping[str, Answer] = field(default_factory=dict)

    @classmethod
    def of(cls, rows: Iterable[tuple[str, str, str, str]]) -> Answers:
        """From rows of name, value, who, when; a later answer replaces an earlier one."""
        given = {}
        for name, value, who, when in rows:
            # "row 41 of oct.csv is real, not a slip": the answer may stand in the name
            if said := _SAID.match(name):
                name, value = said[1], said[2]
            given[folded(name)] = Answer(name, value, who, when)
        return cls(given)

    def of_file(self, what: str, file: str) -> str:
        """The answer given for one file: by its path, its name, or its name without ending."""
        for name in names_of_file(file):
            if found := self.given.get(folded(f"{what} of {name}")):
                return found.value
        return ""

    def general(self, what: str) -> str:
        """The answer given for the whole works."""
        found = self.given.get(folded(what))
        return found.value if found else ""

    def word(self, kind: str, written: str) -> str:
        """The word we use for a stage, a fate and the like: one we know, or as answered."""
        known = word_for(kind, written)
        if known or not written:
            return known
        quoted = self.general(f'{kind} "{written}"') or self.general(f"{kind} {written}")
        return word_for(kind, quoted)

    def of_rows(self) -> dict[str, Answer]:
        """The answers about one reading each, by their folded names: "row 41 of oct csv"."""
        return {name: one for name, one in self.given.items() if re.match(r"row \d", name)}

    def not_understood(self, files: Iterable[str], products: Iterable[str]) -> list[Question]:
        """
        What is asked of the answers that say nothing we know; those about rows are not looked at.

        Parameters
        ----------
        files, products : iterable of str
            Every file that was read; every product.
        """
        ways = {folded(product) for product in products}
        called = [name for file in files for name in names_of_file(file)]
        known = {folded(name) for name in called}
        asked, strange = [], []
        rows = self.of_rows()
        for folded_name, one in self.given.items():
            what, of, file = folded_name.partition(" of ")
            if folded_name in _KNOWN:
                what, of = folded_name, ""
            elsewhere = ("checked ", CHART_BASE, CUTTER_ENDS, CUTTER_NUMBERS)
            if folded_name in rows or folded_name.startswith(elsewhere):
                continue
            kind = next((kind for kind in KINDS if what.startswith(f"{kind} ")), "")
            if kind:
                understand, words = _one_of(kind), shown_words(kind)
            elif what in _KNOWN and (not of or what in _OF_A_FILE):
                understand, words = _KNOWN[what]
            else:
                strange.append(f'"{one.name}"')
                continue
            of_product = what == "weighed" and file in ways
            if of and not kind and not of_product and file not in known:
                close = nearest(file, called)
                asked.append((
                    SETTINGS,
                    f'"{one.name}": no file of that name was read'
                    + (f', is "{close}" meant?' if close else "."),
                    "write the name of the file as it stands in its folder",
                ))  # fmt: skip
            try:
                understand(one.value)
            except ValueError:
                asked.append((
                    SETTINGS,
                    f'The value "{one.value}" of "{one.name}" is not understood.',
                    f'{SETTINGS}: name "{one.name}", value {words}',
                ))  # fmt: skip
        if strange:
            asked.append((
                SETTINGS,
                f"No use is made of {', '.join(strange)}.",
                f"known names are {', '.join(_KNOWN)}, row ... of a file, a word as "
                f'stage "...", checked ..., {CHART_BASE}..., {CUTTER_ENDS} ..., '
                f"{CUTTER_NUMBERS} ...; "
                "others may stand, if they are meant for something else",
            ))  # fmt: skip
        return asked


def names_of_file(file: str) -> tuple[str, ...]:
    """What people call a file: with its folders, without them, without its ending."""
    base = file.rsplit("/", 1)[-1]
    return file, base, re.sub(r"\.[^.]*$", "", base)


def names_of_row(row: int, column: str, file: str, sheet: str) -> set[str]:
    """What one reading may be called in settings.csv, folded."""
    return {
        folded(f"{place} of {name}{tail}")
        for name in names_of_file(file)
        for place in (f"row {row}", f"row {row} {column}", f"row {row} column {column}")
        for tail in ("", f" {sheet}", f" sheet {sheet}", f", sheet {sheet}")
    }


def decimal_mark(word: str) -> str:
    """
    The decimal mark that an answer names.

    Examples
    --------
    >>> decimal_mark("Comma")
    ','
    """
    mark = _MARKS.get(word.strip().casefold())
    if mark is None:
        raise ValueError(f"{word!r} is no decimal mark; write comma or point")
    return mark


def date_order(word: str) -> str:
    """
    The order of day, month and year that an answer names.

    Examples
    --------
    >>> date_order("Day-first")
    'day first'
    """
    order = next((order for order in dates.ORDERS if folded(order) == folded(word)), "")
    if not order:
        raise ValueError(f"{word!r} is no order of dates; write {' or '.join(dates.ORDERS)}")
    return order


def _one_of(kind: str) -> Callable[[str], object]:
    def understand(word: str) -> None:
        if not word_for(kind, word):
            raise ValueError(f"write {shown_words(kind)}")

    return understand


def shown_words(kind: str) -> str:
    """
    The words we know of a kind, as an answer may give them.

    Examples
    --------
    >>> shown_words("weighed")
    '"bare", "wrapped", "gross" or "tared on the scale"'
    """
    *words, last = (f'"{word}"' for word in words_of(kind))
    return f"{', '.join(words)} or {last}"


def _one_weekday(word: str) -> None:
    if len(dates.weekdays(word)) != 1:
        raise ValueError("one day is asked for")


# What each setting must hold: a reader that raises ValueError, and what would be understood.
_KNOWN: Final[Mapping[str, tuple[Callable[[str], object], str]]] = {
    "decimal mark": (decimal_mark, '"comma" or "point"'),
    "date order": (date_order, '"day first", "month first" or "year first"'),
    "unit": (unit_of, '"g", "kg", "mg", "oz" or "lb"'),
    "weighed": (_one_of("weighed"), shown_words("weighed")),
    "first day of the week": (_one_weekday, 'a day, as "Monday"'),
    "working days": (dates.weekdays, 'days, as "Monday to Saturday" or "Mon, Tue, Thu"'),
    "works": (str, "its name"),
    "currency": (str, "its name"),
}
_OF_A_FILE: Final = ("decimal mark", "date order", "unit", "weighed")
