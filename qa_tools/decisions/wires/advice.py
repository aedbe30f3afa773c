"""What to do about each wire, from how sure it is and how much it matters; with the reason."""

from __future__ import annotations

import math
from typing import Any, Final

import pandas as pd

from qa_tools.decisions.wires.cutter import Cutter

# Sure: chance for the whole cutter below this; worth watching: below the second.
SURE, LIKELY = 0.01, 0.05
# Without a rule book: a wander matters from this many times that of its fellows, an offset from
# that itself. Common sense, no published source.
MATTERS: Final = 2.0

NOTHING: Final = (
    "the weights show nothing; look for a wavy face and pluck the wire (a bow in the plane of the "
    "cut leaves weights as they are)"
)


def advised(wires: pd.DataFrame, base_mm: float, cutter: Cutter) -> pd.DataFrame:
    """
    The wires with advice ("retension", "move", "watch", "leave") and its reason in one sentence.

    Parameters
    ----------
    wires : DataFrame
        Of a ``WireStudy``.
    base_mm : float
        Wander of the wires that wander alike.
    """
    told = [
        _advice(row, base_mm, cutter.name(face))
        for face, (_, row) in enumerate(wires.iterrows(), start=1)
    ]
    return wires.assign(advice=[one[0] for one in told], reason=[one[1] for one in told])


def _advice(row: pd.Series[Any], base: float, name: str) -> tuple[str, str]:
    """Advice for one wire and its reason."""
    wander, offset = row["wander_mm"], row["offset_mm"]
    wanders = (
        f"{name} wanders {wander:.2f} mm from cut to cut ({row['wander_lower']:.2f} to "
        f"{row['wander_upper']:.2f}), its fellows {base:.2f} mm"
    )
    side = "away from" if offset > 0 else "towards"
    stands = f"stands {abs(offset):.2f} mm off its place, {side} the stop"
    if math.isnan(wander):
        return "watch", f"{name} has too few loaves since its service to tell ({row['loaves']})"
    off = row["offset_chance"] < SURE and abs(offset) >= base
    if row["chance"] < SURE and wander >= MATTERS * base:
        also = f"; it {stands} too" if off else ""
        return "retension", f"{wanders}{also}; tie a tag on it before you start"
    if off:
        steadily = f"steadily, whatever its tension ({row['offset_lower']:+.2f} to "
        return "move", f"{name} {stands}, {steadily}{row['offset_upper']:+.2f})"
    if row["chance"] < LIKELY:
        return "watch", f"{wanders}: too little, or too unsure, to turn a peg for"
    if row["offset_chance"] < SURE:
        return "watch", f"{name} {stands}: sure, but less than wires wander here anyway"
    return "leave", NOTHING
