"""Bars as loaves: one row a loaf in the order they were cut, one column a bar from the stop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from qa_tools.decisions.wires.cutter import BoolArray, FloatArray, IntArray

# A loaf has no more bars than this: what is above is another column in the place of the slot.
MOST_BARS = 100


@dataclass(frozen=True, eq=False)
class Loaves:
    """
    Weights of loaves cut on one cutter.

    Attributes
    ----------
    weights : array of shape (loaves, bars)
        Grams, NaN where a bar was not weighed.
    bars : array of shape (loaves,)
        How many bars each loaf was cut into.
    labels : Index
        What each loaf is called.
    when : Series or None
        When each was cut, where the table says.
    step : float
        The finest step the weights show, grams.
    """

    weights: FloatArray
    bars: IntArray
    labels: pd.Index[Any]
    when: pd.Series[Any] | None
    step: float

    @property
    def weighed(self) -> BoolArray:
        """Which bars were weighed, shape (loaves, bars)."""
        there: BoolArray = ~np.isnan(self.weights)
        return there


def loaves_of(table: pd.DataFrame, net: str = "net") -> Loaves:
    """
    The loaves of a table of bars weighed as cut.

    Parameters
    ----------
    table : DataFrame
        One row a bar: loaf, slot (1 at the stop) and its net weight in grams. Of use where there:
        batch (loaves are counted anew in each), bars (how many the loaf was cut into, where not
        all were weighed), when (else loaves were cut in the order of the table), cutter.
    net : str
        The column of weights.

    Raises
    ------
    ValueError
        A column missing; a slot that is no whole number from 1, weighed twice in a loaf or beyond
        the loaf's bars; a weight that is not above 0; bars of several cutters; no loaf with two
        bars weighed.
    """
    for column in ("loaf", "slot", net):
        if column not in table:
            raise ValueError(
                f"the table of bars lacks the column {column!r}: it needs loaf, slot and {net}, "
                f"one row a bar; it has {', '.join(map(str, table.columns))}"
            )
    if "cutter" in table and table["cutter"].nunique() > 1:
        several = ", ".join(sorted(map(str, table["cutter"].dropna().unique())))
        raise ValueError(f"bars of several cutters ({several}): study one cutter at a time")
    key = ["batch", "loaf"] if "batch" in table else ["loaf"]
    lacking = table[key].isna().any(axis=1)
    if lacking.any():
        raise ValueError(f"row {table.index[lacking][0]}: the bar has no {' or no '.join(key)}")
    weight = pd.to_numeric(table[net], errors="coerce").to_numpy(dtype=float)
    slot = pd.to_numeric(table["slot"], errors="coerce").to_numpy(dtype=float)
    grams = "give grams above 0, with a decimal point; leave out the row of a bar not weighed"
    _refuse(table, ~(np.isfinite(weight) & (weight > 0)), net, grams)
    odd = ~((slot >= 1) & (slot <= MOST_BARS) & (slot % 1 == 0))
    _refuse(table, odd, "slot", f"bars are counted 1 to {MOST_BARS} from the stop")
    place = slot.astype(np.int64) - 1
    labels: pd.Index[Any]
    if len(key) == 1:
        row, labels = pd.factorize(pd.Index(table["loaf"]))
    else:
        row, labels = pd.factorize(pd.MultiIndex.from_frame(table[key]))
    taken = pd.Series(row * MOST_BARS + place).duplicated().to_numpy()
    _refuse(table, taken, "slot", "that slot of the loaf stands in an earlier row too; keep one")
    weights = np.full((len(labels), int(place.max(initial=-1)) + 1), np.nan)
    weights[row, place] = weight
    bars = np.full(len(labels), weights.shape[1], dtype=np.int64)
    if "bars" in table:
        said = pd.to_numeric(table["bars"], errors="coerce").fillna(0).to_numpy(dtype=np.int64)
        _refuse(table, said < place + 1, "bars", "the loaf has a slot beyond it")
        bars[row] = said
        _refuse(table, bars[row] != said, "bars", "other rows of the loaf say otherwise")
        wider = np.full((len(labels), max(weights.shape[1], int(bars.max()))), np.nan)
        wider[:, : weights.shape[1]] = weights
        weights = wider
    if not ((~np.isnan(weights)).sum(axis=1) >= 2).any():
        raise ValueError(
            f"none of {len(labels)} loaves has two bars weighed: a wire shows in what one bar "
            "gains and its neighbour loses, so weigh whole loaves as cut"
        )
    when = None
    if "when" in table:
        times = pd.to_datetime(table["when"], errors="coerce")
        _refuse(table, times.isna().to_numpy(), "when", "give a date, or leave the column out")
        when = pd.Series(times.to_numpy()).groupby(row).min()
        order = np.argsort(when.to_numpy(), kind="stable")
        when = when.iloc[order].reset_index(drop=True)
        weights, bars, labels = weights[order], bars[order], labels[order]
    return Loaves(weights, bars, labels, when, _step(weight))


def loaf_words(label: Any) -> str:
    """
    What a loaf is called.

    Examples
    --------
    >>> loaf_words(("OH-0922", "6")), loaf_words(412)
    ('loaf 6 of OH-0922', 'loaf 412')
    """
    batch, loaf = label if isinstance(label, tuple) else ("", label)
    return f"loaf {loaf} of {batch}" if batch else f"loaf {loaf}"


def _refuse(table: pd.DataFrame, wrong: npt.NDArray[np.bool_], column: str, do: str) -> None:
    """Name the first row that is wrong."""
    if wrong.any():
        first = int(np.argmax(wrong))
        value, loaf = table[column].iloc[first], table["loaf"].iloc[first]
        raise ValueError(f"row {table.index[first]}: {column} {value} of loaf {loaf}: {do}")


def _step(weights: FloatArray) -> float:
    """The finest decimal step the weights show, a tenth of a milligram at the least."""
    for decimals in range(4):
        if np.allclose(weights, np.round(weights, decimals), rtol=0, atol=1e-9):
            return float(10.0**-decimals)
    return 1e-4
