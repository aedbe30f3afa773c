"""Headings as people write them, matched to the columns we know."""

from __future__ import annotations

import difflib
import functools
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Final

from qa_tools.readings.quantities import unit_of

TABLES: Final[dict[str, Any]] = tomllib.loads(
    files("qa_tools.readings").joinpath("columns.toml").read_text("utf-8")
)
SUMMARY_WORDS: Final = frozenset(TABLES["summary"]["words"])

_SERIES: Final = re.compile(
    r"(?P<word>[a-z ]*?)\s*(?:no|nr|number|#)?\s*(?P<number>\d{1,3})", re.IGNORECASE
)
_SLOT_WORDS: Final = {"slot", "s", "bar", "pos", "position"}
_WEIGHT_WORDS: Final = {
    "w": "weight", "wt": "weight", "weight": "weight", "x": "weight", "reading": "weight",
    "jar": "weight", "tin": "weight", "pack": "weight", "package": "weight", "sample": "weight",
    "piece": "weight", "value": "weight", "net": "net", "net weight": "net", "gross": "gross",
    "gross weight": "gross",
}  # fmt: skip


@dataclass(frozen=True)
class Heading:
    """
    What a heading says.

    Attributes
    ----------
    column : str
        The column we know it as; "weight", "net" or "gross" for a weight, "slot" for a whole
        loaf's slots, "number" for a bare number, "" where we know none.
    written : str
        The heading as written.
    unit : str
        The unit word written in it, as written ("" where none).
    place : int or None
        The number of a series: 3 of "w3" or "slot 3".
    weighed : str
        How it was weighed, where the heading says so ("Weight (bare)").
    """

    column: str
    written: str
    unit: str = ""
    place: int | None = None
    weighed: str = ""

    @property
    def is_weight(self) -> bool:
        """Whether the cells under this heading may be weighings."""
        return self.column in ("weight", "net", "gross") or (
            self.place is not None and self.column in ("slot", "number")
        )


def folded(text: str) -> str:
    """A name without what people vary: case, spaces, hyphens, underlines, points, colons."""
    return re.sub(r"[\s\-_.:/#\u00a0]+", " ", text.casefold()).strip()


def squeezed(text: str) -> str:
    """A folded name without any spaces."""
    return folded(text).replace(" ", "")


@functools.cache
def _known(table: str) -> Mapping[str, str]:
    names: dict[str, str] = {}
    columns = TABLES[table]["columns"]
    for column in columns:
        names[squeezed(column)] = column
    for column, about in columns.items():
        for other in about["also"]:
            names.setdefault(squeezed(other), column)
    return names


def known_in_a_list(spelt: Iterable[str]) -> int:
    """The most of some squeezed headings that one list of the works knows."""
    names = set(spelt)
    lists = (name for name, about in TABLES.items() if isinstance(about, dict) and "needs" in about)
    return max(len(names & _known(name).keys()) for name in lists)


@functools.cache
def heading(written: str, table: str = "weights") -> Heading:
    """
    Match one heading of a table.

    Examples
    --------
    >>> heading("Net (g)").column, heading("weight oz").unit, heading("Slot 5").place
    ('net', 'oz', 5)
    >>> heading("Batch-No.").column, heading("colour").column
    ('batch', '')
    """
    written = written.strip()
    known = _known(table)
    plain, inside = written, ""
    if bracket := re.search(r"[(\[{]([^)\]}]*)[)\]}]", written):
        inside = bracket[1].strip()
        plain = written[: bracket.start()] + " " + written[bracket.end() :]
    for whole in (re.sub(r"[()\[\]{}]", " ", written), plain):
        if squeezed(whole) in known:
            return Heading(known[squeezed(whole)], written, *_bracket(inside))
    if tail := re.fullmatch(r"(.+?)(?:\s*,\s*|[\s/_]+(?:in\s+)?)([^\W\d_]+\.?(?:\s?oz)?)", plain):
        column = known.get(squeezed(tail[1]), "")
        if column and is_unit(tail[2]):
            return Heading(column, written, unit=tail[2])
        series = _series(tail[1], written)
        if table == "weights" and series and is_unit(tail[2]):
            return Heading(series.column, written, tail[2], series.place)
    if table == "weights":
        if series := _series(plain, written):
            unit, _, weighed = _bracket(inside)
            return Heading(series.column, written, unit, series.place, weighed)
        if is_unit(written):
            return Heading("weight", written, unit=written)
    return Heading("", written)


def _bracket(inside: str) -> tuple[str, None, str]:
    """The unit or the way of weighing said in brackets."""
    way = word_for("weighed", inside) if inside else ""
    if way:
        return "", None, way
    return (inside if re.fullmatch(r"[^\W\d_]{1,12}\.?(\s?oz)?", inside) else ""), None, ""


def _series(plain: str, written: str) -> Heading | None:
    found = _SERIES.fullmatch(folded(plain))
    if not found or int(found["number"]) == 0:
        return None
    word, place = found["word"].strip(), int(found["number"])
    if not word:
        return Heading("number", written, place=place)
    if word in _SLOT_WORDS:
        return Heading("slot", written, place=place)
    if word in _WEIGHT_WORDS:
        return Heading(_WEIGHT_WORDS[word], written, place=place)
    return None


def is_unit(word: str) -> bool:
    """Whether a word is a unit we know, of weight or of volume."""
    try:
        unit_of(word)
    except ValueError as fault:
        return "volume" in str(fault)
    return True


@functools.cache
def _words(kind: str) -> Mapping[str, str]:
    return {
        squeezed(word): meaning for meaning, words in TABLES["words"][kind].items()
        for word in words
    }  # fmt: skip


def word_for(kind: str, written: str) -> str:
    """
    The word we use for what was written; "" where it is none we know.

    Examples
    --------
    >>> word_for("stage", "Fresh-cut"), word_for("weighed", "Tared"), word_for("fate", "sunny")
    ('cut', 'tared on the scale', '')
    """
    return _words(kind).get(squeezed(written), "")


def words_of(kind: str) -> list[str]:
    """The words we use of a kind: stage, weighed, fate or picked."""
    return list(TABLES["words"][kind])


def nearest(written: str, names: Iterable[str]) -> str:
    """The name most like what was written; "" where none is close, or several."""
    by_fold = {squeezed(name): name for name in names}
    word = squeezed(written)
    close = difflib.get_close_matches(word, by_fold, n=2, cutoff=0.6)
    likeness = [difflib.SequenceMatcher(None, name, word).ratio() for name in close]
    if len(close) == 2 and likeness[0] == likeness[1]:
        return ""  # two are as like it: neither is plain
    return by_fold[close[0]] if close else ""


def likely_column(written: str, table: str = "weights") -> str:
    """The column a mistyped heading was probably meant for; "" where none is close."""
    close = difflib.get_close_matches(squeezed(written), _known(table), n=1, cutoff=0.75)
    return _known(table)[close[0]] if close else ""
