"""Gross to net: what the packaging weighs, from the empty parts that were put on a scale."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from qa_tools.readings.dates import day_words
from qa_tools.readings.headings import squeezed, word_for
from qa_tools.readings.quantities import GRAMS


@dataclass(frozen=True)
class Tare:
    """
    What is taken off a gross weight.

    Attributes
    ----------
    grams : float
        The mean of the empty parts, added up over the parts present.
    sd : float
        Their spread added up (root of the sum of squares); NaN, that is not known, where a part
        was weighed once.
    n : int
        How many empties stand behind it (of the part weighed least often).
    remark : str
        What to know of it, "" where nothing.
    """

    grams: float
    sd: float
    n: int
    remark: str = ""


class Tares:
    """
    The tare of each product on each day, for how it was weighed.

    Parameters
    ----------
    products, tare : DataFrame
        The lists, tidied.

    Notes
    -----
    The mean of the empties, as NIST Handbook 133 (2026 edition) 2.3.5.1 averages the tares of
    the packages opened. There an official opens and empties packages ("used dry tare"); empties
    never filled ("unused dry tare") are an official's tare only for products FDA does not
    regulate, packed where they are sold. So an inspection may find another tare than this one.
    A new lot of parts counts from the day its first empty was weighed.
    """

    def __init__(self, products: pd.DataFrame, tare: pd.DataFrame) -> None:
        self._parts = {
            str(product): _parts_by_way(str(written))
            for product, written in zip(products["product"], products["tare parts"], strict=True)
        }
        grams = [
            value * float(GRAMS[unit])
            for value, unit in zip(tare["tare"], tare["unit"], strict=True)
        ]
        table = tare.assign(grams=grams, part=tare["part"].map(squeezed))
        self._of = {
            (str(product), str(part)): _part(rows)
            for (product, part), rows in table.groupby(["product", "part"], sort=False)
        }

    def packaged(self, product: str) -> bool:
        """Whether the product has packaging, by its parts or by empties weighed."""
        return bool(self._parts.get(product)) or any(of == product for of, _ in self._of if of)

    def dated(self, product: str) -> bool:
        """Whether the tare of a product depends on the day."""
        weighed = (part.rows["when"] for (of, _), part in self._of.items() if of in (product, ""))
        days = [set(when.dropna()) | ({None} if when.isna().any() else set()) for when in weighed]
        return any(len(one) > 1 for one in days)

    def of(self, product: str, weighed: str, day: pd.Timestamp | None) -> Tare | str:
        """
        The tare, or in a sentence why there is none.

        Parameters
        ----------
        product : str
        weighed : {"wrapped", "gross"}
        day : Timestamp or None
            The day of weighing, where known.
        """
        parts = self._present(product, weighed)
        if not parts:
            return f"no empty part of {product or 'an unnamed product'} is in the tare list"
        found = []
        for name in parts:
            part = self._weighed(product, name)
            if part is None:
                return f'no empty "{name}" of {product} is in the tare list'
            found.append(_on_day(part, day))
        spread = [tare.sd for tare in found]
        return Tare(
            sum(tare.grams for tare in found),
            float(np.sqrt(np.sum(np.square(spread)))),
            min(tare.n for tare in found),
            next((tare.remark for tare in found if tare.remark), ""),
        )

    def empties(self, product: str, weighed: str, day: pd.Timestamp | None) -> list[pd.DataFrame]:
        """The empty parts whose means are taken off on a day, the rows of one part a table."""
        found = (self._weighed(product, part) for part in self._present(product, weighed))
        return [_in_use(part, day)[0] for part in found if part is not None]

    def _present(self, product: str, weighed: str) -> list[str]:
        said = self._parts.get(product, {})
        return said.get(weighed) or said.get("") or [part for of, part in self._of if of == product]

    def _weighed(self, product: str, part: str) -> _Part | None:
        return self._of.get((product, part), self._of.get(("", part)))


class _Part(NamedTuple):
    """The empties of one part: all rows, by lot, and the day each lot begins, in order."""

    rows: pd.DataFrame
    lots: Mapping[str, pd.DataFrame]
    begun: list[tuple[pd.Timestamp, str]]


def _parts_by_way(written: str) -> Mapping[str, list[str]]:
    """
    The parts present by how it was weighed, from a cell of products.csv.

    Examples
    --------
    >>> _parts_by_way("jar + lid")
    {'': ['jar', 'lid']}
    >>> _parts_by_way("wrapped: band; gross: band + carton")
    {'wrapped': ['band'], 'gross': ['band', 'carton']}
    """
    ways = re.split(r"(?:^|[;,/]\s*)([a-z ]+):", written, flags=re.IGNORECASE)
    if len(ways) == 1:
        parts = _parts(written)
        return {"": parts} if parts else {}
    return {
        word_for("weighed", way) or squeezed(way): _parts(names)
        for way, names in zip(ways[1::2], ways[2::2], strict=True)
    }


def _parts(written: str) -> list[str]:
    return [squeezed(part) for part in re.split(r"\s*(?:[+;,/&]|\band\b)\s*", written)
            if part.strip()]  # fmt: skip


def _on_day(part: _Part, day: pd.Timestamp | None) -> Tare:
    chosen, remark = _in_use(part, day)
    weights = chosen["grams"].to_numpy(float)
    sd = float(np.std(weights, ddof=1)) if len(weights) > 1 else float("nan")
    return Tare(float(weights.mean()), sd, len(weights), remark)


def _part(rows: pd.DataFrame) -> _Part:
    lots = {
        str(lot): part for lot, part in rows.groupby(
            rows["supplier_lot"].where(rows["supplier_lot"] != "", rows["when"].astype(str)),
            sort=False,
        )
    }  # fmt: skip
    begun = sorted(
        ((part["when"].min(), lot) for lot, part in lots.items() if part["when"].notna().any()),
        key=lambda one: one[0],
    )
    return _Part(rows, lots, begun)


def _in_use(part: _Part, day: pd.Timestamp | None) -> tuple[pd.DataFrame, str]:
    """The lot of parts in use on a day: the latest weighed on or before it; what to know of it."""
    rows, lots, begun = part
    if not begun:
        return rows, ""
    if day is None:
        many = "no date of weighing: the latest empty parts were taken off"
        return lots[begun[-1][1]], many if len(begun) > 1 else ""
    before = [lot for when, lot in begun if when.normalize() <= day]
    if before:
        return lots[before[-1]], ""
    return lots[begun[0][1]], f"empty parts weighed later: the first on {day_words(begun[0][0])}"
