"""What the plucked notes of a works' wires say: wire against wire, and each against its last."""

from __future__ import annotations

import html
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import groupby
from statistics import median
from typing import Any, Final, NamedTuple, TypeAlias

import numpy as np
import pandas as pd

from qa_tools.decisions.wires.cutter import Cutter
from qa_tools.decisions.wires.tension import (
    CAUTION,
    LIMIT,
    TUNED,
    Tension,
    Wire,
    cents,
    known_material,
    tension_change,
)
from qa_tools.readings.dates import day_words

# Per cent of tension that a comparison leaves open; ours, no published source. Ten kelvin change
# a 100 N wire in an aluminium frame by 4 %; between wires, diameters differ by their tolerance
# (3 % of the mass) and ends are held a little differently.
SAME_WIRE: Final = 5.0
OTHER_WIRES: Final = 10.0
FALLEN: Final = 10.0  # from here a note is suggested to bring the wire back to
_ANOTHER: Final = ("fitted", "broke")  # after these it is another wire
_ASKED: Final[dict[str, Any]] = {
    "when": pd.NaT, "cutter": "", "wire": pd.NA, "what": "", "material": "",
    "diameter_mm": np.nan, "length_mm": np.nan, "note_hz": np.nan,
}  # fmt: skip
_NOTES: Final = {
    "when": "datetime64[ns]", "cutter": "str", "wire": "object", "what": "str",
    "note_hz": "float", "tension_n": "float", "lower_n": "float", "upper_n": "float",
    "share_of_breaking": "float", "last_when": "datetime64[ns]", "last_hz": "float",
    "cents_on_last": "float", "percent_on_last": "float", "fellows": "int", "fellows_hz": "float",
    "cents_on_fellows": "float", "percent_on_fellows": "float", "tune_to_hz": "float",
    "says": "str",
}  # fmt: skip
_NOT_USED: Final = ("row", "when", "cutter", "wire", "what", "note_hz", "reason")


@dataclass(frozen=True, eq=False, repr=False)
class Pitches:
    """
    The plucked notes of a works; prints how each wire stands by its last note.

    Attributes
    ----------
    notes : DataFrame
        One row a plucked note, in order of time: when, cutter, wire, what, note_hz; tension_n with
        lower_n and upper_n; share_of_breaking (the most it may be, music wire only); last_when,
        last_hz, cents_on_last, percent_on_last (of tension) against the last note of the same wire;
        fellows (how many), fellows_hz (their median), cents_on_fellows, percent_on_fellows;
        tune_to_hz (where it has fallen, music wire only); says, in plain words.
    not_used : DataFrame
        The other rows: row (index of the table handed in), when, cutter, wire, what, note_hz,
        reason.
    cutters : mapping of str to Cutter
        Those that are known, to say between which bars a wire stands.
    """

    notes: pd.DataFrame
    not_used: pd.DataFrame
    cutters: Mapping[str, Cutter] = field(default_factory=dict)

    @property
    def wires(self) -> pd.DataFrame:
        """The last note of each wire, by cutter and wire."""
        latest = self.notes.drop_duplicates(["cutter", "wire"], keep="last")
        return latest.sort_values(["cutter", "wire"], ignore_index=True)

    def __str__(self) -> str:
        return "\n".join(self._lines())

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return "".join(f"<p>{html.escape(line)}</p>" for line in self._lines())

    def _lines(self) -> Iterator[str]:
        if self.notes.empty:
            yield "No plucked note can be used."
        for _, one in self.wires.iterrows():
            about = "" if math.isnan(one["tension_n"]) else f", about {one['tension_n']:.0f} N"
            yield f"{self._place_words(one)}: {one['note_hz']:.0f} Hz{about}; {one['says']}."
        for _, one in self.not_used.iterrows():
            yield f"Not used, {self._place_words(one)}: {one['reason']}."
        yield CAUTION

    def _place_words(self, one: pd.Series[Any]) -> str:
        day = "undated" if pd.isna(one["when"]) else day_words(one["when"])
        known = self.cutters.get(one["cutter"])
        if pd.isna(one["wire"]):
            wire = "no wire"
        elif known is not None and 0 <= known.face(one["wire"]) <= known.bars:
            wire = known.name(known.face(one["wire"]))
        else:
            wire = f"wire {one['wire']}"
        return f"{one['cutter']} {wire}, {day}".lstrip()


def pitches(
    wires: pd.DataFrame, *, share: float = TUNED, cutters: Mapping[str, Cutter] | None = None
) -> Pitches:
    """
    How taut does each wire stand, against its fellows and against its last note?

    Parameters
    ----------
    wires : DataFrame
        One row a service of a wire, as `works.wires`: when, wire, note_hz; and cutter, what,
        material, diameter_mm, length_mm where known. What is said of a wire once holds for its
        later rows, until it is fitted anew or breaks. Fellows are the wires of the same cutter with
        the same material, diameter and length, by their last notes up to that day.
    share : float
        Of the least breaking load, above 0 and at most 0.6: no higher note is suggested.
    cutters : mapping of str to Cutter, optional
        Of a ``WireStudy``, by the name of the cutter: then wires are named with the bars beside.

    Returns
    -------
    Pitches

    Raises
    ------
    ValueError
        A column when, wire or note_hz is missing, or the share is outside its range.

    Notes
    -----
    A change counts from 5 % of tension against the wire's last note and from 10 % against its
    fellows: less, a warm day or the tolerance of the wire can make (ours, no published source); so
    pluck all wires on one day, at the room's usual warmth. A note is suggested from a fall of 10 %.
    Cents compare without knowing the wire; the per cent of tension are those of `Wire.tension`,
    or where the wire is not known those of a string without stiffness. The note suggested is that
    of the fellows, or the wire's own before it fell, and never above `share`.

    The table reads notes alone. Weights of bars tell no tension: a bow in the plane of the cut
    leaves them unchanged.

    Examples
    --------
    >>> found = pitches(getfixture("demo_works").wires)
    >>> slack = found.notes[found.notes["note_hz"] == 870].iloc[0]
    >>> [round(slack[name]) for name in ("wire", "tension_n", "cents_on_last", "tune_to_hz")]
    [5, 53, -922, 1490]
    >>> print(slack["says"].replace(", ", ",\\n"))
    67 % less tension than on 10 August 2026,
    67 % less tension than its fellows; 1490 Hz brings it back
    """
    if lacking := [name for name in ("when", "wire", "note_hz") if name not in wires]:
        raise ValueError(f"the table of wires has no column {', '.join(lacking)}")
    if not 0 < share <= LIMIT:
        raise ValueError(f"share is {share:g}; give it above 0 and at most {LIMIT:g}")
    table = wires.assign(**{name: x for name, x in _ASKED.items() if name not in wires})
    table = table[list(_ASKED)].assign(row=wires.index, when=pd.to_datetime(wires["when"]))
    table = table.fillna({"cutter": "", "what": "", "material": ""})
    table["wire"] = table["wire"].convert_dtypes()  # 5.0, beside a missing number, is wire 5
    standing: dict[_Place, _Standing] = {}
    notes, not_used = [], []
    # Undated rows come last, as one day of their own, and are refused one by one.
    in_time: Iterator[Any] = table.sort_values("when", kind="stable").itertuples(index=False)
    for _, rows in groupby(in_time, key=lambda row: row.when.date()):
        plucked = []
        for row in rows:
            try:
                plucked.append(_plucked(row, standing))
            except ValueError as reason:
                kept = {name: getattr(row, name) for name in _NOT_USED[:-1]}
                not_used.append({**kept, "reason": str(reason)})
        notes += [_compared(one, standing, share) for one in plucked]
    return Pitches(
        pd.DataFrame(notes, columns=list(_NOTES)).astype(_NOTES),
        pd.DataFrame(not_used, columns=list(_NOT_USED)).sort_values("row", ignore_index=True),
        cutters or {},
    )


_Place: TypeAlias = tuple[str, Any]  # cutter and wire


class _Known(NamedTuple):
    """What the table says of a wire so far; None where it says nothing."""

    material: Any = None
    diameter_mm: Any = None
    length_mm: Any = None

    @property
    def unsaid(self) -> str:
        """What keeps its tension from being told; "" where nothing does."""
        if blank := [name for name, value in self._asdict().items() if value is None]:
            return f"{', '.join(blank)} not given"
        return (
            ""
            if known_material(self.material)
            else f'the material "{self.material}" is not known here'
        )


class _Standing(NamedTuple):
    """A wire as its rows so far leave it, with the last of its notes that could be used."""

    known: _Known = _Known()
    when: Any = pd.NaT
    note_hz: float = math.nan
    newtons: float = math.nan


class _Plucked(NamedTuple):
    """One note that can be used, and the same wire's standing before it."""

    row: Any
    known: _Known
    tension: Tension | None
    last: _Standing


def _plucked(row: Any, standing: dict[_Place, _Standing]) -> _Plucked:
    """The note of a row; the wire's standing takes in the row, whether it has a note or not."""
    if pd.isna(row.when):
        raise ValueError("the day is missing, so its place in time is not known")
    if pd.isna(row.wire):
        raise ValueError("the number of the wire is missing")
    place = (row.cutter, row.wire)
    last = standing.get(place, _Standing())
    material = known_material(row.material) or row.material.strip().casefold()
    said = [material, row.diameter_mm, row.length_mm]
    said = [None if pd.isna(value) or value == "" else value for value in said]
    pairs = list(zip(last.known, said, strict=True))
    if row.what.strip().casefold() in _ANOTHER:
        last, pairs = _Standing(), [(None, new) for new in said]
    elif any(old is not None and new not in (None, old) for old, new in pairs):
        last = _Standing()
    known = _Known(*(old if new is None else new for old, new in pairs))
    standing[place] = last._replace(known=known)
    if pd.isna(row.note_hz):
        raise ValueError("no note is written, so nothing was plucked")
    if not (math.isfinite(row.note_hz) and row.note_hz > 0):
        raise ValueError(f"a note of {row.note_hz:g} Hz cannot be: write it in hertz, above zero")
    tension = None if known.unsaid else Wire(*known).tension(row.note_hz)
    newtons = tension.newtons if tension else math.nan
    standing[place] = _Standing(known, row.when, row.note_hz, newtons)
    return _Plucked(row, known, tension, last)


def _compared(one: _Plucked, standing: dict[_Place, _Standing], share: float) -> dict[str, Any]:
    """A row of the table: one note against the wire's last and against its fellows."""
    row, tension, last = one.row, one.tension, one.last
    fellows = [
        other.note_hz
        for place, other in standing.items()
        if place[0] == row.cutter and place[1] != row.wire
        if other.known == one.known and not math.isnan(other.note_hz)
    ]
    fellows_hz = median(fellows) if fellows else math.nan
    fellows_n = tension.wire.tension(fellows_hz).newtons if tension and fellows else math.nan
    newtons = tension.newtons if tension else math.nan
    on_last = _change(row.note_hz, newtons, last.note_hz, last.newtons)
    on_fellows = _change(row.note_hz, newtons, fellows_hz, fellows_n)
    fallen = [
        reference_hz
        for (_, percent), reference_hz in ((on_fellows, fellows_hz), (on_last, last.note_hz))
        if percent < -FALLEN
    ]
    tune_to = _tune_to(tension, fallen[0], share) if fallen else math.nan
    return {
        **{name: getattr(row, name) for name in ("when", "cutter", "wire", "what", "note_hz")},
        "tension_n": newtons,
        "lower_n": tension.lower if tension else math.nan,
        "upper_n": tension.upper if tension else math.nan,
        "share_of_breaking": math.nan if tension is None else tension.share,
        "last_when": last.when,
        "last_hz": last.note_hz,
        "cents_on_last": on_last[0],
        "percent_on_last": on_last[1],
        "fellows": len(fellows),
        "fellows_hz": fellows_hz,
        "cents_on_fellows": on_fellows[0],
        "percent_on_fellows": on_fellows[1],
        "tune_to_hz": tune_to,
        "says": _says(one, on_last[1], on_fellows[1], tune_to),
    }


def _change(
    note_hz: float, newtons: float, reference_hz: float, reference_n: float
) -> tuple[float, float]:
    """A note against another of the same kind of wire: in cents, and in per cent of tension."""
    apart = cents(note_hz, reference_hz)
    percent = 100 * (newtons / reference_n - 1)
    return apart, tension_change(apart) if math.isnan(percent) else percent


def _tune_to(tension: Tension | None, back_hz: float, share: float) -> float:
    """The note that brings a wire back, never above a share of the breaking load; else NaN."""
    if tension is None or tension.share is None or tension.share >= share:
        return math.nan
    highest = math.floor(tension.wire.tune(share).note_hz)
    tune_to = min(round(back_hz), highest)
    return float(tune_to) if tune_to > tension.note_hz else math.nan


def _says(one: _Plucked, on_last: float, on_fellows: float, tune_to: float) -> str:
    """What a note says, in plain words."""
    against = []
    if math.isnan(on_last):
        against.append("the first note of this wire")
    else:
        earlier = one.last.when.date() == one.row.when.date()
        then = "earlier that day" if earlier else f"on {day_words(one.last.when)}"
        against.append(_against(on_last, SAME_WIRE, then, f"as {then}"))
    if not math.isnan(on_fellows):
        against.append(_against(on_fellows, OTHER_WIRES, "its fellows", "level with its fellows"))
    said = [", ".join(against)]
    if not math.isnan(tune_to):
        said.append(f"{tune_to:.0f} Hz brings it back")
    if one.known.unsaid:
        said.append(f"no tension in newtons ({one.known.unsaid})")
    elif one.tension and (one.tension.share or 0) > LIMIT:
        said.append(f"may be over {100 * LIMIT:.0f} % of its breaking load: slacken it")
    return "; ".join(said)


def _against(percent: float, open_by: float, whom: str, alike: str) -> str:
    if abs(percent) <= open_by:
        return alike
    return f"{abs(percent):.0f} % {'more' if percent > 0 else 'less'} tension than {whom}"
