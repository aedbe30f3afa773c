"""What to do about each wire, from how sure it is and how much it matters; with the reason."""

from __future__ import annotations

import math
from typing import Any, Final

import pandas as pd

from qa_tools.decisions.wires.cutter import Cutter
from qa_tools.decisions.wires.matters import Matters

# Sure: chance for the whole cutter below this; worth watching: below the second.
SURE, LIKELY = 0.01, 0.05
TAG: Final = "; tie a tag on it before you start"
NOTHING: Final = (
    "the weights show nothing; look for a wavy face and pluck the wire (a bow in the plane of the "
    "cut leaves weights as they are)"
)


def advised(wires: pd.DataFrame, matters: Matters, cutter: Cutter) -> pd.DataFrame:
    """
    The wires with advice ("retension", "move", "watch", "leave") and its reason in one sentence.

    Parameters
    ----------
    wires : DataFrame
        Of a ``WireStudy``.
    matters : Matters
        From where on a wander or an offset is worth the work.
    """
    told = [
        _advice(row, matters, cutter.name(face))
        for face, (_, row) in enumerate(wires.iterrows(), start=1)
    ]
    return wires.assign(advice=[one[0] for one in told], reason=[one[1] for one in told])


def _advice(row: pd.Series[Any], matters: Matters, name: str) -> tuple[str, str]:
    """Advice for one wire and its reason."""
    wander, offset = row["wander_mm"], row["offset_mm"]
    wanders = (
        f"{name} wanders {wander:.2f} mm from cut to cut ({row['wander_lower']:.2f} to "
        f"{row['wander_upper']:.2f}), its fellows {matters.base_mm:.2f} mm"
    )
    side = "away from" if offset > 0 else "towards"
    stands = f"stands {abs(offset):.2f} mm off its place, {side} the stop"
    if math.isnan(wander):
        return "watch", f"{name} has too few loaves since its service to tell ({row['loaves']})"
    sure, off = row["chance"] < SURE, row["offset_chance"] < SURE
    if sure and wander >= matters.wander_mm:
        added = matters.added_g(wander)
        spread = _against(f"{added:.1f} g of spread on the bars beside it", matters)
        also = f"; it {stands} too" if off and abs(offset) >= matters.offset_mm else ""
        return "retension", f"{wanders}{spread}{also}{TAG}"
    if off and abs(offset) >= matters.offset_mm:
        moved = abs(offset) * matters.grams_per_mm
        shift = _against(f"{moved:.1f} g from one bar to the next", matters)
        steadily = f"steadily, whatever its tension ({row['offset_lower']:+.2f} to "
        return "move", f"{name} {stands}{shift}, {steadily}{row['offset_upper']:+.2f}){TAG}"
    if row["chance"] < LIKELY:
        return "watch", f"{wanders}: too little, or too unsure, to turn a peg for"
    if off:
        less = "too little to matter" if matters.book else "less than wires wander here anyway"
        return "watch", f"{name} {stands}: sure, but {less}"
    return "leave", NOTHING


def _against(effect: str, matters: Matters) -> str:
    """What it comes to, beside what a book allows one package to be short."""
    if not matters.book:
        return ""
    return f", {effect} where {matters.book} allows {matters.allowed_g:g} g"
