"""One published figure, where it stands, and how sure we are of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

GRADES: Final = ("read", "second-hand", "computed", "from memory")


@dataclass(frozen=True)
class Figure:
    """
    One published figure that a verdict rests on.

    Attributes
    ----------
    name : str
        What settings.csv calls it: ``"us-hb133 MAV 117-154 g"``.
    value : str
        The figure in words: ``"9.0 g"``.
    clause : str
        Where it stands.
    grade : str
        ``"read"``, ``"second-hand"``, ``"computed"``, ``"from memory"`` or ``"checked"``.
    official : str
        The table to compare a remembered figure with; else empty.
    """

    name: str
    value: str
    clause: str
    grade: str
    official: str = ""
