"""A column kept as codes into its distinct values, so that each is looked at only once."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray


@dataclass(frozen=True)
class Coded:
    """
    One column: row ``i`` holds ``values[codes[i]]``.

    Attributes
    ----------
    codes : array of int
        One a row.
    values : sequence
        The values the codes point at; after `distinct`, each once.
    """

    codes: NDArray[np.intp]
    values: Sequence[Any]

    @classmethod
    def of(cls, cells: Iterable[Any]) -> Coded:
        """A column from its cells, told apart by kind as well as value (``1`` is not ``True``)."""
        seen: dict[tuple[type, Any], int] = {}
        codes = [seen.setdefault((type(cell), cell), len(seen)) for cell in cells]
        return cls(np.array(codes, dtype=np.intp), [cell for _, cell in seen])

    @classmethod
    def constant(cls, value: Any, rows: int) -> Coded:
        """A column that says the same in every row."""
        # one zero seen from every row: costs no memory however many rows
        return cls(np.broadcast_to(np.intp(0), (rows,)), [value])

    @classmethod
    def joined(cls, columns: Sequence[Coded]) -> Coded:
        """Columns one below the other, each value once."""
        if len(columns) == 1:
            return columns[0].distinct()
        values: list[Any] = []
        codes = []
        for column in columns:
            codes.append(column.codes + len(values))
            values.extend(column.values)
        return cls(np.concatenate(codes) if codes else np.empty(0, np.intp), values).distinct()

    def __len__(self) -> int:
        return len(self.codes)

    def __getitem__(self, row: int) -> Any:
        return self.values[self.codes[row]]

    def take(self, rows: NDArray[Any] | slice) -> Coded:
        """The rows asked for, by number, by mask or by slice."""
        return Coded(self.codes[rows], self.values)

    def map(self, change: Callable[[Any], Any]) -> Coded:
        """The column with every value changed; each distinct value is changed once."""
        return Coded(self.codes, [change(value) for value in self.values])

    def where(self, test: Callable[[Any], bool]) -> NDArray[np.bool_]:
        """Which rows hold a value that passes the test."""
        passes = np.fromiter((test(value) for value in self.values), np.bool_, len(self.values))
        if passes.all() or not passes.any():
            # the usual case, and a million rows need not be looked at for it
            return np.broadcast_to(len(passes) > 0 and passes[0], (len(self.codes),))
        return passes[self.codes]

    def is_filled(self) -> NDArray[np.bool_]:
        """Which rows hold anything at all."""
        return self.where(lambda cell: not (isinstance(cell, str) and cell == ""))

    def filled(self, other: Coded) -> Coded:
        """The column with its empty texts filled from another."""
        if not any(isinstance(value, str) and value == "" for value in self.values):
            return self
        if len(self.values) == 1:
            return other
        empty = self.where(lambda value: value == "")
        codes = np.where(empty, other.codes + len(self.values), self.codes)
        return Coded(codes, [*self.values, *other.values]).distinct()

    def distinct(self) -> Coded:
        """The same column with each value once."""
        seen: dict[Any, int] = {}
        order = [seen.setdefault(value, len(seen)) for value in self.values]
        if len(seen) == len(order):
            return self
        return Coded(np.array(order, dtype=np.intp)[self.codes], list(seen))

    def numbers(self, of: Callable[[Any], float]) -> NDArray[np.float64]:
        """One number a row; each distinct value is worked out once."""
        worked = np.fromiter((of(value) for value in self.values), np.float64, len(self.values))
        return worked[self.codes]

    def texts(self) -> Any:
        """The column as a pandas array of text."""
        return pd.Series(list(self.values), dtype=str).array.take(self.codes)


@dataclass(frozen=True)
class Stamps(Coded):
    """
    A column of dates of which most differ: kept as they are, one a row, under a heading.

    Attributes
    ----------
    codes : array of int
        The rows, into `stamps`.
    values : sequence
        The heading alone.
    stamps : array of datetime64[ns]
        NaT where the heading stands.
    """

    stamps: NDArray[np.datetime64]

    def __getitem__(self, row: int) -> Any:
        stamp = self.stamps[self.codes[row]]
        return self.values[0] if np.isnat(stamp) else pd.Timestamp(stamp).to_pydatetime()

    def take(self, rows: NDArray[Any] | slice) -> Stamps:
        """The rows asked for."""
        return Stamps(self.codes[rows], self.values, self.stamps)

    def where(self, test: Callable[[Any], bool]) -> NDArray[np.bool_]:
        """Which rows pass a test that does not look at which date it is."""
        of_date = test(dt.datetime(2000, 1, 1))
        mask = np.full(len(self.codes), of_date)
        headings = np.isnat(self.stamps[self.codes])
        if headings.any():
            mask[headings] = test(self.values[0])
        return mask

    def filled(self, other: Coded) -> Coded:
        """There is nothing to fill."""
        return self
