"""One section of the audit pack: what its template prints, its tables, and what it lacks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import pandas as pd

NO_TABLES: Final[Mapping[str, pd.DataFrame]] = {}


class Gap(NamedTuple):
    """What an auditor would look for and not find: what is missing, and how to start keeping it."""

    what: str
    to_do: str


@dataclass(frozen=True, eq=False)
class Section:
    """
    One section of the pack.

    Attributes
    ----------
    key : str
        Its anchor on the page, its folder under ``data/``, and the name of its template
        (``templates/pack/<key>.html``).
    title : str
        Plain words, without a number.
    facts : mapping
        What the template prints; text of the works is escaped there.
    tables : mapping of str to DataFrame
        Written whole to ``data/<key>/<name>.csv``.
    gaps : tuple of Gap
    """

    key: str
    title: str
    facts: Mapping[str, Any]
    tables: Mapping[str, pd.DataFrame] = field(default_factory=lambda: NO_TABLES)
    gaps: tuple[Gap, ...] = ()
