"""A table shown whole, to people: every word, no row numbers, the same text on every machine."""

from __future__ import annotations

import html
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd

# How a cell begins that asks for something: plainly bad, or still open.
BAD: Final = ("would fail", "averages short", "reject", "already short")
OPEN: Final = ("too few", "not settled", "unsettled", "not shown", "holds on average")
_PADDING: Final = "padding: .3em .4em"
_LONG: Final = 24  # letters of a word that may be broken
_NUMBER_UNIT: Final = re.compile(r"(\d) (g|kg|oz|lb|%)(?![a-z])")


@dataclass(frozen=True, eq=False)
class Shown:
    """
    A table for a notebook, a page or a terminal.

    Attributes
    ----------
    table : DataFrame
    nothing : str
        What to say where it has no rows.
    heads : mapping
        Headings in other words than the names of the columns.

    Examples
    --------
    >>> Shown(pd.DataFrame({"batch": ["RS-1028"], "mean_over": [-2.5]}), "Nothing.")
    batch     mean over
    RS-1028        -2.5
    >>> Shown(pd.DataFrame(), "Every reading was used.")
    Every reading was used.
    """

    table: pd.DataFrame
    nothing: str
    heads: Mapping[str, str] = field(default_factory=dict)

    def __repr__(self) -> str:
        if self.table.empty:
            return self.nothing
        table = worth_showing(self.table)
        texts = table.map(plain_cell).set_axis(self._heads(table), axis=1)
        widths = [max([len(name), *map(len, texts[name])]) for name in texts.columns]
        sides = [">" if number else "<" for number in is_number(table)]
        lines = [list(texts.columns), *texts.itertuples(index=False, name=None)]
        return "\n".join(
            "  ".join(
                f"{cell:{side}{width}}"
                for cell, side, width in zip(line, sides, widths, strict=True)
            ).rstrip()
            for line in lines
        )

    def _heads(self, table: pd.DataFrame) -> list[str]:
        return [self.heads.get(str(name), str(name).replace("_", " ")) for name in table.columns]

    def html(self, name: str = "") -> str:
        """The table as HTML, all text escaped; `name` becomes its id."""
        if self.table.empty:
            return f"<p>{html.escape(self.nothing)}</p>"
        table = worth_showing(self.table)
        sides = ["right" if number else "left" for number in is_number(table)]
        head = "".join(
            f'<th style="text-align: {side}; vertical-align: bottom; {_PADDING}">'
            f"{html.escape(text)}</th>"
            for text, side in zip(self._heads(table), sides, strict=True)
        )
        # what there is to do is bad all over: there, nothing is made to stand out
        stands_out = [name != "what" for name in table.columns]
        body = "".join(
            f"<tr>{''.join(map(_cell, row, sides, stands_out))}</tr>\n"
            for row in table.itertuples(index=False, name=None)
        )
        called = f' id="{html.escape(name)}"' if name else ""
        return f"<table{called}><thead><tr>{head}</tr></thead>\n<tbody>{body}</tbody></table>"

    def _repr_html_(self) -> str:
        return self.html()


def _cell(value: Any, side: str, stands_out: bool) -> str:
    text = plain_cell(value)
    # short words stay on one line, and a number stays with its unit
    wrap = "nowrap" if len(text) <= 12 else "normal"
    shown = html.escape(_NUMBER_UNIT.sub("\\1\u00a0\\2", text))
    if not stands_out:
        pass
    elif text.startswith(BAD):
        shown = f'<b style="color: #A44700">{shown}</b>'
    elif text.startswith(OPEN):
        shown = f"<b>{shown}</b>"
    style = f"text-align: {side}; vertical-align: top; white-space: {wrap}; {_PADDING}"
    if max(map(len, text.split()), default=0) > _LONG:  # else it would push others off the paper
        style += "; overflow-wrap: anywhere"
    return f'<td style="{style}">{shown}</td>'


def worth_showing(table: pd.DataFrame) -> pd.DataFrame:
    """The table without columns that hold nothing at all, such as the sheet names of CSV files."""
    empty = [column for column in table if not any(map(plain_cell, table[column]))]
    return table.drop(columns=empty)


def is_number(table: pd.DataFrame) -> list[bool]:
    """Which columns are numbers, to be set flush right."""
    return [
        pd.api.types.is_numeric_dtype(kind) and not pd.api.types.is_bool_dtype(kind)
        for kind in table.dtypes
    ]


def plain_cell(value: Any) -> str:
    """
    One cell as text: numbers without needless digits, dates as days, nothing for missing.

    Examples
    --------
    >>> plain_cell(0.5), plain_cell(float("nan")), plain_cell(pd.Timestamp("2026-11-01 09:30"))
    ('0.5', '', '2026-11-01')
    """
    if isinstance(value, str):
        return value
    if pd.isna(value):
        return ""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, float | np.floating):
        return f"{round(float(value), 3) + 0.0:.3f}".rstrip("0").rstrip(".")
    return str(value)
