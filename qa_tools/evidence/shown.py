"""A table shown whole, to people: every word, no row numbers, the same text on every machine."""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd


@dataclass(frozen=True, eq=False)
class Shown:
    """
    A table for a notebook or a terminal.

    Attributes
    ----------
    table : DataFrame
    nothing : str
        What to say where it has no rows.

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

    def __repr__(self) -> str:
        if self.table.empty:
            return self.nothing
        table = worth_showing(self.table)
        texts = table.map(plain_cell).set_axis(heads(table), axis=1)
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

    def _repr_html_(self) -> str:
        if self.table.empty:
            return f"<p>{html.escape(self.nothing)}</p>"
        table = worth_showing(self.table)
        sides = ["right" if number else "left" for number in is_number(table)]

        def line(cells: list[str], tag: str) -> str:
            wraps = ["nowrap" if is_short(cell) and tag == "td" else "normal" for cell in cells]
            return "".join(
                f'<{tag} style="text-align: {side}; vertical-align: top; white-space: {wrap}">'
                f"{html.escape(cell)}</{tag}>"
                for cell, side, wrap in zip(cells, sides, wraps, strict=True)
            )

        body = "".join(
            f"<tr>{line([plain_cell(value) for value in row], 'td')}</tr>\n"
            for row in table.itertuples(index=False, name=None)
        )
        head = line(heads(table), "th")
        return f"<table><thead><tr>{head}</tr></thead>\n<tbody>{body}</tbody></table>"


def worth_showing(table: pd.DataFrame) -> pd.DataFrame:
    """The table without columns that hold nothing at all, such as the sheet names of CSV files."""
    empty = [column for column in table if not any(map(plain_cell, table[column]))]
    return table.drop(columns=empty)


def is_short(text: str) -> bool:
    """Whether a cell is kept on one line."""
    return len(text) <= 12


def heads(table: pd.DataFrame) -> list[str]:
    """The headings of a table in words."""
    return [str(column).replace("_", " ") for column in table.columns]


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
        return f"{value:.3f}".rstrip("0").rstrip(".")
    return str(value)
