"""
Writes the invented works "Quillhaven": every file of ``data_demo``, from one seed.

Run ``python tests/make_demo.py [folder]`` (default: ``data_demo`` beside ``tests``). Nothing in it
is measured. The plan comes first (what was made when, and what goes wrong), then how a true weight
comes about, then the sheets a person would have kept of it.

Every batch draws from its own stream, so changing one batch leaves the others as they were. Only
``Random.random`` and ``NormalDist.inv_cdf`` are used: their values do not change between versions
of Python, so the files come out the same byte for byte.
"""

# The sheets kept as text below stand as they are written: a row a line, however long.
# ruff: noqa: E501

from __future__ import annotations

import csv
import sys
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from math import exp
from operator import itemgetter
from pathlib import Path
from random import Random
from statistics import NormalDist, fmean
from typing import NamedTuple

SEED = "Quillhaven 2026"
FIRST_DAY, LAST_DAY = date(2026, 8, 10), date(2026, 11, 1)


# --------------------------------------------------------------------------------------------------
# The plan: what was made, packed and weighed
# --------------------------------------------------------------------------------------------------
class Bars(NamedTuple):
    """A batch of oat-and-honey bars; it is cut the day after it was made."""

    made: date
    packed: date | None = None  # None: still curing on the last day
    weighed: int = 0  # bars weighed at packing
    seconds: int = 0  # of those, pulled as seconds
    trace: bool = False  # three bars are followed through the cure
    poured: float = 0.0  # percent the loaves stand above (below) the usual height
    timed: bool = True  # the clock time was written down at packing
    wrapped: bool = False  # weighed in the paper band
    note: str = ""


class Fill(NamedTuple):
    """A batch of jars or tins; it is filled and packed on the day it is made."""

    made: date
    packages: int
    weighed: int
    form: str  # "wide", "trays", "long" (jars only; tins are always long)
    mean: float | None = None  # planted mean of the batch, g; None: about the usual
    ships: int = 5  # days from filling to first sale
    timed: bool = True
    note: str = ""


LOAVES, SLOTS, WIRES = 12, 9, 8
BARS = (
    Bars(date(2026, 7, 14), date(2026, 8, 12), 36, 1),
    Bars(date(2026, 7, 21), date(2026, 8, 19), 32, 2, timed=False),
    Bars(
        date(2026, 7, 28),
        date(2026, 8, 26),
        40,
        0,
        poured=-2.6,
        note="moulds poured low; held, see A-01",
    ),
    Bars(date(2026, 8, 4), date(2026, 9, 2), 36, 1),
    Bars(date(2026, 8, 11), date(2026, 9, 9), 36, 2, trace=True),
    Bars(date(2026, 8, 18), date(2026, 9, 16), 32, 0, wrapped=True, note="weighed in the band"),
    Bars(date(2026, 8, 20), date(2026, 9, 18), 30, 0, timed=False),
    Bars(date(2026, 8, 25), date(2026, 9, 30), 40, 3, trace=True, note="a week late, slow cure"),
    Bars(date(2026, 9, 1), date(2026, 10, 5), 36, 1, trace=True, note="slow cure"),
    Bars(date(2026, 9, 3), date(2026, 10, 8), 32, 1, note="slow cure"),
    Bars(date(2026, 9, 8), date(2026, 10, 14), 60, 4, trace=True, note="a week late, slow cure"),
    Bars(date(2026, 9, 15), date(2026, 10, 15), 45, 2),
    Bars(date(2026, 9, 17), date(2026, 10, 20), 50, 4, timed=False),
    Bars(date(2026, 9, 22), date(2026, 10, 27), 108, 0, note="every bar weighed, wire 5 was slack"),
    Bars(date(2026, 9, 29), date(2026, 10, 29), 36, 1, trace=True, poured=-0.4),
    Bars(date(2026, 10, 6), trace=True),
    Bars(date(2026, 10, 13), trace=True),
    Bars(date(2026, 10, 15)),
    Bars(date(2026, 10, 20)),
    Bars(date(2026, 10, 27), trace=True),
)
JARS = (
    Fill(date(2026, 8, 12), 100, 30, "wide"),
    Fill(date(2026, 8, 19), 100, 30, "wide", timed=False),
    Fill(date(2026, 8, 20), 96, 96, "trays", note="every jar weighed"),
    Fill(date(2026, 8, 26), 100, 30, "wide"),
    Fill(date(2026, 9, 2), 96, 30, "wide", timed=False),
    Fill(date(2026, 9, 9), 100, 40, "long", mean=251.8),
    Fill(date(2026, 9, 16), 100, 30, "wide"),
    Fill(date(2026, 9, 17), 100, 36, "long", note="typed up in a hurry"),
    Fill(date(2026, 9, 23), 96, 96, "trays", note="every jar weighed"),
    Fill(date(2026, 9, 30), 100, 30, "wide"),
    Fill(date(2026, 10, 7), 100, 45, "wide"),
    Fill(date(2026, 10, 14), 100, 30, "wide", timed=False),
    Fill(date(2026, 10, 15), 100, 32, "long"),
    Fill(date(2026, 10, 21), 100, 30, "wide"),
    Fill(date(2026, 10, 28), 100, 30, "wide", mean=245.7, ships=2),
    Fill(date(2026, 10, 29), 96, 30, "wide"),
)
TINS = (
    Fill(date(2026, 8, 14), 100, 30, "long"),
    Fill(date(2026, 8, 21), 100, 30, "long", timed=False),
    Fill(date(2026, 8, 28), 100, 100, "long", note="every tin weighed"),
    Fill(date(2026, 9, 4), 100, 30, "long"),
    Fill(date(2026, 9, 11), 100, 30, "long"),
    Fill(date(2026, 9, 18), 92, 92, "long", note="every tin weighed"),
    Fill(date(2026, 9, 25), 100, 30, "long"),
    Fill(date(2026, 10, 2), 100, 30, "long"),
    Fill(date(2026, 10, 9), 100, 30, "long", note="new tins, lot N-31"),
    Fill(date(2026, 10, 16), 100, 30, "long", note="new tins, lot N-31"),
    Fill(date(2026, 10, 23), 100, 30, "long", note="new tins, lot N-31"),
    Fill(date(2026, 10, 30), 100, 30, "long", note="new tins, lot N-31"),
)

# --------------------------------------------------------------------------------------------------
# The plan: what goes wrong
# --------------------------------------------------------------------------------------------------
WANDER = 0.15  # mm, a wire in order
SLACK_WIRE = 5
SLACK = {date(2026, 9, 7): 0.28, date(2026, 9, 14): 0.42, date(2026, 9, 21): 0.60}  # from Monday on
TIGHTENED = date(2026, 9, 28)
SWING = (date(2026, 9, 22), 9, -2.75)  # batch made on, loaf, mm: wire 5 swings wide once

OFF_WIRE, OFF_BY = 2, 0.70  # mm towards the far end, from the day wire 5 was tightened

DRIFTING_SCALE, DRIFT_FROM, DRIFT_TO = "S3", date(2026, 9, 28), date(2026, 10, 30)
DRIFT = 0.003  # of the load: 0.6 g at 200 g

DAMP = (date(2026, 9, 7), date(2026, 9, 20))
DRY_HUMIDITY, DAMP_HUMIDITY = 58.0, 79.0

OLD_TIN, NEW_TIN = ("K-07", 14.2), ("N-31", 16.0)  # supplier's lot, mean g of an empty tin
NEW_TINS_FROM, NEW_TARE_ON = date(2026, 10, 9), date(2026, 10, 19)

HELD = date(2026, 7, 28)  # the batch poured low is held at packing and never sold

SLIP_DAY = date(2026, 9, 17)
HALF_BAR = (date(2026, 8, 11), 14, "48.0")  # batch made on, weighing at packing, what was typed
TOPPED_UP = {date(2026, 9, 9): 3, date(2026, 10, 15): 2}  # jars filled light, topped up, reweighed


class Line(NamedTuple):
    """One planted line, for the last table of the README."""

    file: str
    row: int
    written: str
    what: str
    truth: str = "as written"


# --------------------------------------------------------------------------------------------------
# How a true weight comes about
# --------------------------------------------------------------------------------------------------
SPACING = 24.0  # mm between wires
GRAMS_PER_MM = 5.483  # 90 mm x 60 mm at 1.015 g/cm3
MOST_LOST, CURE_RATE, CURE_POWER = 0.112, 0.077, 0.80  # share of the cut weight, per day, bend
JAR, LID, BAND = 258.0, 14.0, 1.4  # g, mean of the empty parts


class Chance:
    """A stream of normal and even draws of its own."""

    def __init__(self, *name: object) -> None:
        self._even = Random(" ".join(map(str, (SEED, *name))))
        self._normal = NormalDist()

    def normal(self, mean: float, sd: float) -> float:
        return mean + sd * self._normal.inv_cdf(self._even.random())

    def pick(self, things: Iterable[tuple[int, int]], how_many: int) -> list[tuple[int, int]]:
        """So many of the things, in the order they were drawn."""
        return sorted(things, key=lambda _: self._even.random())[:how_many]


def code(prefix: str, made: date) -> str:
    return f"{prefix}-{made:%m%d}"


def wander(wire: int, day: date) -> float:
    if wire != SLACK_WIRE or day >= TIGHTENED:
        return WANDER
    return max([WANDER, *(mm for monday, mm in SLACK.items() if day >= monday)])


def offset(wire: int, day: date) -> float:
    return OFF_BY if wire == OFF_WIRE and day >= TIGHTENED else 0.0


def cut_bars(batch: Bars) -> dict[tuple[int, int], float]:
    """True weight at cutting of each bar by (loaf, slot): g/mm times the room between its wires."""
    chance = Chance("cut", batch.made)
    day = batch.made + timedelta(1)
    level = GRAMS_PER_MM * (1 + batch.poured / 100 + chance.normal(0, 0.007))
    bars = {}
    for loaf in range(1, LOAVES + 1):
        per_mm = level * (1 + chance.normal(0, 0.005))
        faces = [0.0]
        faces += [offset(w, day) + chance.normal(0, wander(w, day)) for w in range(1, WIRES + 1)]
        faces += [0.0]
        if (batch.made, loaf) == SWING[:2]:
            faces[SLACK_WIRE] = SWING[2]
        for slot in range(1, SLOTS + 1):
            room = SPACING + faces[slot] - faces[slot - 1]
            bars[loaf, slot] = per_mm * room + chance.normal(0, 0.2)
    return bars


def humidity(day: date) -> float:
    usual = DAMP_HUMIDITY if DAMP[0] <= day <= DAMP[1] else DRY_HUMIDITY
    return Chance("humidity", day).normal(usual, 1.5)


def drying(cut: date, day: date, *, damp: bool = True) -> float:
    """How far drying has come; a damp day counts for less (damp=False: as if none had been)."""
    done = 0.0
    for age in range(1, (day - cut).days + 1):
        air = humidity(cut + timedelta(age)) if damp else DRY_HUMIDITY
        step = CURE_RATE * (age**CURE_POWER - (age - 1) ** CURE_POWER)
        done += step * (90 - air) / (90 - DRY_HUMIDITY)
    return done


def remaining(batch: Bars, day: date, of_bar: float = 1.0, *, damp: bool = True) -> float:
    """Share of the cut weight left on a day."""
    most = MOST_LOST * Chance("cure", batch.made).normal(1, 0.03) * of_bar
    return 1 - most * (1 - exp(-drying(batch.made + timedelta(1), day, damp=damp)))


def shown(scale: str, day: date, load: float) -> float:
    """What the scale shows, before rounding: the load, and on S3 the creep of its span."""
    if scale != DRIFTING_SCALE:
        return load
    gone = (day - DRIFT_FROM) / (DRIFT_TO - DRIFT_FROM)
    return load * (1 + DRIFT * min(max(gone, 0.0), 1.0))


def filled(batch: Fill, prefix: str, usual: float, between: float, within: float) -> list[float]:
    """True net weights of the packages that were weighed."""
    chance = Chance(prefix, batch.made)
    level = chance.normal(usual, between) if batch.mean is None else batch.mean
    return [chance.normal(level, within) for _ in range(batch.weighed)]


# --------------------------------------------------------------------------------------------------
# Writing as a person keeps it
# --------------------------------------------------------------------------------------------------
Row = Sequence[object]


def write(path: Path, rows: Iterable[Row], delimiter: str = ",") -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, delimiter=delimiter, lineterminator="\n").writerows(rows)


def write_table(path: Path, columns: str, rows: Iterable[Row], delimiter: str = ",") -> None:
    write(path, [columns.split(","), *rows], delimiter)


def grams(value: float) -> str:
    return f"{value:.1f}"


def said(day: date) -> str:
    return f"{day.day} {day:%B}"


def dmy(day: date) -> str:
    return f"{day:%d/%m/%Y}"


def clock(day: date, minutes: float, timed: bool) -> str:
    at = datetime(day.year, day.month, day.day, 9, 10) + timedelta(minutes=minutes)
    return f"{at:%Y-%m-%d %H:%M}" if timed else f"{day}"


def header_block(width: int, *pairs: tuple[str, str]) -> list[Row]:
    """Name and value over the table, padded to its width as a spreadsheet saves it."""
    lines = [[name, value, *[""] * (width - 2)] for name, value in pairs]
    return [*lines, [""] * width]


def trace_bars(batch: Bars) -> list[tuple[int, int]]:
    return [(6, 1), (6, 5), (6, 9)] if batch.trace else []


def sold_bars(batch: Bars) -> int:
    return LOAVES * SLOTS - len(trace_bars(batch)) - batch.seconds


def initials(day: date) -> str:
    return ("LT", "MH", "PR")[day.toordinal() % 3]


# --------------------------------------------------------------------------------------------------
# weights/
# --------------------------------------------------------------------------------------------------
def write_cut(folder: Path, batch: Bars) -> None:
    """A sheet a batch, a loaf a row, the batch written once at the top."""
    name, day = code("OH", batch.made), batch.made + timedelta(1)
    bars = cut_bars(batch)
    rows = header_block(
        SLOTS + 1,
        ("Batch", name),
        ("Date", dmy(day)),
        ("Stage", "cut"),
        ("Unit", "g"),
        ("Cutter", "C1"),
        ("Scale", "S1"),
        ("By", initials(day)),
    )
    rows += [["loaf", *(f"slot{slot}" for slot in range(1, SLOTS + 1))]]
    rows += [
        [str(loaf), *(grams(bars[loaf, slot]) for slot in range(1, SLOTS + 1))]
        for loaf in range(1, LOAVES + 1)
    ]
    write(folder / f"weights/cut-{name}.csv", rows)


BAR_SECONDS = ("chipped corner", "soda ash", "air pocket", "smeared face")


def write_packed(folder: Path, batch: Bars) -> list[Line]:
    """Bars weighed at packing, one a row, loaf and slot noted."""
    assert batch.packed is not None
    name, chance = code("OH", batch.made), Chance("packing", batch.made)
    file = f"weights/packed-{name}.csv"
    bars = cut_bars(batch)
    there = [bar for bar in bars if bar not in trace_bars(batch)]
    drawn = there if batch.weighed == len(there) else chance.pick(there, batch.weighed)
    seconds = chance.pick(drawn, batch.seconds)
    rows, planted = [], []
    for number, bar in enumerate(drawn, start=1):
        net = bars[bar] * remaining(batch, batch.packed, of_bar=chance.normal(1, 0.02))
        load = net + chance.normal(BAND, 0.05) if batch.wrapped else net
        weight = grams(shown("S2", batch.packed, load))
        if (batch.made, number) == HALF_BAR[:2]:
            what = "a slip or half a bar: not said, so the batch stays unsettled"
            planted += [Line(file, number + 1, HALF_BAR[2], what, weight)]
            weight = HALF_BAR[2]
        is_second = bar in seconds
        fault = BAR_SECONDS[seconds.index(bar)] if is_second else ""
        rows += [
            [
                *(name, "packed", clock(batch.packed, number / 3, batch.timed), *bar, weight, "g"),
                *("wrapped" if batch.wrapped else "bare", "S2", initials(batch.packed)),
                *("all" if batch.weighed == len(there) else "random",),
                *("pulled" if is_second else "", fault),
            ]
        ]
        if (batch.made, *bar) == (*SWING[:2], SLACK_WIRE):
            what = f"loaf {bar[0]} slot {bar[1]}: short by more than twice allowed, to be pulled"
            planted += [Line(file, number + 1, weight, what)]
    columns = "batch,stage,when,loaf,slot,weight,unit,weighed,scale,by,picked,fate,note"
    write_table(folder / file, columns, rows)
    return planted


def write_jars(folder: Path, batch: Fill) -> list[Line]:
    nets = filled(batch, "RS", 253.6, 0.7, 3.9)
    if batch.made == SLIP_DAY:
        return write_slip_day(folder, batch, nets)
    weights = [grams(shown("S3", batch.made, net)) for net in nets]
    if batch.form == "long":
        return write_jars_long(folder, batch, weights)
    write_jars_wide(folder, batch, weights)
    return []


def write_jars_wide(folder: Path, batch: Fill, weights: list[str]) -> None:
    """Five jars a row, or a tray of eight, the batch written once at the top."""
    a_row = 8 if batch.form == "trays" else 5
    name = code("RS", batch.made)
    rows = header_block(
        a_row + 1,
        ("Batch", name),
        ("Date", dmy(batch.made)),
        ("Stage", "filled"),
        ("Unit", "g"),
        ("Weighed", "tared on the scale"),
        ("Picked", "all" if batch.weighed == batch.packages else "random"),
        ("Scale", "S3"),
        ("By", initials(batch.made)),
    )
    first = "tray" if batch.form == "trays" else "when" if batch.timed else "set"
    rows += [[first, *(f"w{jar}" for jar in range(1, a_row + 1))]]
    for number, start in enumerate(range(0, len(weights), a_row), start=1):
        at = f"{dmy(batch.made)} {9 + number // 2:02d}:{number % 2 * 30 + 5:02d}"
        rows += [[at if first == "when" else str(number), *weights[start : start + a_row]]]
    write(folder / f"weights/rosemary-{name}.csv", rows)


JAR_COLUMNS = "id,batch,stage,when,weight (g),weighed,scale,by,fate,replaces,note"


def jar_row(
    batch: Fill, number: int, weight: str, weighed: str = "tared on the scale"
) -> list[str]:
    name, at = code("RS", batch.made), clock(batch.made, 2.0 * number, batch.timed)
    by = initials(batch.made)
    return [f"{name}-{number:02d}", name, "filled", at, weight, weighed, "S3", by, "", "", ""]


def write_jars_long(folder: Path, batch: Fill, weights: list[str]) -> list[Line]:
    """A jar a row; the lightest few are topped up and weighed again under the table's end."""
    file = f"weights/rosemary-{code('RS', batch.made)}.csv"
    chance = Chance("topping up", batch.made)
    rows = [jar_row(batch, number, weight) for number, weight in enumerate(weights, start=1)]
    lightest = sorted(rows, key=lambda row: float(row[4]))[: TOPPED_UP[batch.made]]
    planted = []
    for light in sorted(lightest):
        again = jar_row(batch, len(rows) + 1, grams(chance.normal(253.5, 1.0)))
        again[8:] = ["topped up", light[0], "filled light"]
        planted += [Line(file, rows.index(light) + 2, light[4], "filled light, later topped up")]
        rows += [again]
        what = f"topped up and reweighed: replaces {light[0]}"
        planted += [Line(file, len(rows) + 1, again[4], what)]
    write_table(folder / file, JAR_COLUMNS, rows)
    return planted


def write_slip_day(folder: Path, batch: Fill, nets: list[float]) -> list[Line]:
    """The day of typing slips: jars 1 to 24 tared on the scale, 25 to 36 weighed gross."""
    file = f"weights/rosemary-{code('RS', batch.made)}.csv"
    chance = Chance("slip day", batch.made)
    rows, gross = [], []
    for number, net in enumerate(nets, start=1):
        gross += [net + chance.normal(JAR, 2.5) + chance.normal(LID, 0.2)]
        weigh_gross = number > 24
        load = gross[-1] if weigh_gross else net
        how = "gross" if weigh_gross else "tared on the scale"
        rows += [jar_row(batch, number, grams(load), how)]
    slips = {
        6: (f"{nets[5] / 28.349523125:.1f}", "ounces typed in a gram column (answered: slip)"),
        15: (f"{nets[14] / 28.349523125:.1f}", "ounces typed in a gram column (answered: slip)"),
        11: (grams(nets[10]).replace(".", ""), "the decimal point is missing"),
        3: (grams(gross[2]), "net and gross swapped: this is gross, in a row that says tared"),
        29: (grams(nets[28]), "net and gross swapped: this is net, in a row that says gross"),
    }
    planted = []
    for number, (written, what) in slips.items():
        planted += [Line(file, number + 1, written, what, rows[number - 1][4])]
        rows[number - 1][4] = written
    pasted = [list(row) for row in rows[15:23]]
    for again in pasted:
        rows += [again]
        what = f"a block pasted twice: repeats {again[0]}"
        planted += [Line(file, len(rows) + 1, again[4], what)]
    write_table(folder / file, JAR_COLUMNS, rows)
    return planted


def write_tins(folder: Path) -> None:
    """A file a month, gross; September was kept on another machine: semicolons, decimal commas."""
    columns = "batch,stage,when,weight (g),weighed,scale,by,picked"
    for month in (8, 9, 10):
        rows = []
        for batch in (tin for tin in TINS if tin.made.month == month):
            chance = Chance("tin", batch.made)
            empty = NEW_TIN[1] if batch.made >= NEW_TINS_FROM else OLD_TIN[1]
            for number, net in enumerate(filled(batch, "CB", 61.3, 0.35, 1.0), start=1):
                load = shown("S3", batch.made, net + chance.normal(empty, 0.12))
                when, weight = clock(batch.made, 1.5 * number, batch.timed), grams(load)
                if month == 9:
                    when, weight = f"{batch.made:%d.%m.%Y}", weight.replace(".", ",")
                picked = "all" if batch.weighed == batch.packages else "random"
                name, by = code("CB", batch.made), initials(batch.made)
                rows += [[name, "filled", when, weight, "gross", "S3", by, picked]]
        file = folder / f"weights/balm-2026-{month:02d}.csv"
        write_table(file, columns, rows, ";" if month == 9 else ",")


# --------------------------------------------------------------------------------------------------
# The other sheets
# --------------------------------------------------------------------------------------------------
PRODUCTS = """\
product,name,form,tare parts,typical_loss_percent,cure_days,shelf_days,cutter,spacing_mm,bars_per_loaf,loaf_width_mm,loaf_height_mm,cost_per_kg
oat-honey,Oat-and-honey bar,bar,band,7.5,28,720,C1,24,9,90,60,9.40
rosemary-scrub,Rosemary foot scrub,jar,jar + lid,,,540,,,,,,7.20
calendula-balm,Calendula balm,tin,tin,,,540,,,,,,21.50
"""
LABELS = """\
product,declared,unit,market,declared_2,unit_2,e_mark,from,to,books
oat-honey,120,g,EU,,,yes,2025-03-01,,eu-76-211
oat-honey,120,g,UK,,,no,2025-03-01,,uk-2006-659
oat-honey,4.2,oz,US,120,g,no,2025-03-01,,us-hb133
oat-honey,120,g,CA,,,no,2026-02-01,,ca-crc-417
rosemary-scrub,240,g,EU,,,yes,2024-06-01,2025-12-31,eu-76-211
rosemary-scrub,250,g,EU,,,yes,2026-01-01,,eu-76-211
rosemary-scrub,250,g,UK,,,no,2026-01-01,,uk-2006-659
rosemary-scrub,250,g,CA,,,no,2026-02-01,,ca-crc-417
calendula-balm,60,g,EU,,,yes,2025-03-01,,eu-76-211
calendula-balm,60,g,UK,,,no,2025-03-01,,uk-2006-659
calendula-balm,2.1,oz,US,60,g,no,2025-03-01,,us-hb133
"""
SCALES = """\
scale,d,unit,max,e,class,asset,certificate,calibrated_on,calibration_due
S1,0.1,g,3000,1,II,QH-011,CAL-26-041,2026-03-10,2027-03-10
S2,0.1,g,600,0.1,II,QH-012,CAL-26-042,2026-03-10,2027-03-10
S3,0.1,g,600,0.1,II,QH-015,CAL-26-043,2026-03-10,2027-03-10
"""
PLAN = """\
product,stage,how_many,how_often,aim,low,high,what_to_do,revision,approved_by
oat-honey,cut,all,every batch,131.5,125,138,"a slot heavy beside a slot light: look at the wire between them",3,LT
oat-honey,packed,30,every batch,121.6,114.6,,"mean under 120.5: hold the batch, tell LT",3,LT
rosemary-scrub,filled,30,every batch,253.5,241,266,"a jar looks low in the glass: top up, weigh again, note both; under 241: hold the tray",2,LT
calendula-balm,filled,30,every batch,61.3,57,66,"under 57: top up, weigh again, note both",2,LT
"""
ACTIONS = """\
id,when,batch,what,reason,by,cause,approved_by,checked_on,closes
A-01,2026-08-26,OH-0728,hold,mean at packing under the label,MH,moulds poured below the line,LT,,
A-02,2026-08-27,,correction,fill line scratched into all twelve moulds,MH,no line to pour to,LT,2026-09-02,
A-03,2026-09-01,OH-0728,rework,bars grated and rebatched; none sold,PR,,LT,2026-09-01,A-01
A-04,2026-09-09,RS-0909,correction,three jars topped up and weighed again,PR,filled light,LT,2026-09-09,
A-05,2026-09-28,,correction,wire 5 tightened,MH,peg had slipped,LT,2026-09-30,
A-06,2026-10-19,,correction,fifteen new tins weighed; new tare entered,PR,lot N-31 used before it was weighed,LT,2026-10-23,
"""
DOCUMENTS = """\
what,reference,revision,date,kept_where
weighing at packing,QP-03,4,2026-01-12,"office, red folder"
cutting and wires,QP-05,2,2025-11-03,"cutting room, by the cutter"
topping up,QP-08,1,2026-02-16,"filling room, on the wall"
scale certificates,CAL-26-041 to 043,,2026-03-10,"office, red folder"
labels signed off,LB-2026,3,2026-02-01,"office, blue folder"
"""
MAIN_SHEETS = {
    "products.csv": PRODUCTS,
    "labels.csv": LABELS,
    "scales.csv": SCALES,
    "plan.csv": PLAN,
    "actions.csv": ACTIONS,
    "documents.csv": DOCUMENTS,
}


def write_batches(folder: Path) -> None:
    rows: list[Row] = []
    for batch in BARS:
        row: list[object] = [code("OH", batch.made), "oat-honey", batch.made]
        if batch.packed is None:
            rows += [[*row, "", "", "", "", batch.note]]
        else:
            sold_from = "" if batch.made == HELD else batch.packed + timedelta(7)
            pack = f"QH{batch.packed:%d%m}B"
            rows += [[*row, sold_bars(batch), batch.packed, pack, sold_from, batch.note]]
    for prefix, product, batches in (
        ("RS", "rosemary-scrub", JARS),
        ("CB", "calendula-balm", TINS),
    ):
        for fill in batches:
            pack = f"QH{fill.made:%d%m}{prefix[0]}"
            sold_from = fill.made + timedelta(fill.ships)
            row = [code(prefix, fill.made), product, fill.made]
            rows += [[*row, fill.packages, fill.made, pack, sold_from, fill.note]]
    columns = "batch,product,made_on,packages,packed_on,pack_code,sell_from,note"
    write_table(folder / "batches.csv", columns, sorted(rows, key=itemgetter(2)))


def write_settings(folder: Path, planted: list[Line]) -> None:
    answers = [
        [f"row {line.row} of {Path(line.file).name}", "slip", "LT", date(2026, 9, 18)]
        for line in planted
        if "answered: slip" in line.what
    ]
    rows: list[Row] = [
        ["currency", "EUR", "LT", FIRST_DAY],
        ["date order", "day first", "LT", FIRST_DAY],
        ["first day of the week", "Monday", "LT", FIRST_DAY],
        ["working days", "Monday to Friday", "LT", FIRST_DAY],
        ["works", "Quillhaven", "LT", FIRST_DAY],
        ["unit", "g", "LT", FIRST_DAY],
        *answers,
    ]
    write_table(folder / "settings.csv", "name,value,who,when", rows)


def write_tare(folder: Path) -> None:
    lots = (
        ("oat-honey", "band", BAND, 0.05, 10, date(2026, 7, 6), "P-12"),
        ("rosemary-scrub", "jar", JAR, 2.5, 12, date(2026, 7, 6), "G-19"),
        ("rosemary-scrub", "lid", LID, 0.2, 12, date(2026, 7, 6), "G-19"),
        ("calendula-balm", "tin", OLD_TIN[1], 0.12, 15, date(2026, 7, 7), OLD_TIN[0]),
        ("calendula-balm", "tin", NEW_TIN[1], 0.12, 15, NEW_TARE_ON, NEW_TIN[0]),
    )
    rows: list[Row] = []
    for product, part, mean, sd, how_many, when, lot in lots:
        chance = Chance("tare", product, part, lot)
        step = 2 if part == "band" else 1
        rows += [
            [product, part, f"{chance.normal(mean, sd):.{step}f}", "g", when, lot]
            for _ in range(how_many)
        ]
    columns = "product,part,tare,unit,when,supplier_lot"
    write_table(folder / "tare.csv", columns, rows)


TRACE_AGES = (0, 2, 4, 7, 10, 14, 18, 21, 25, 28, 32, 35)  # days after cutting


def write_cure(folder: Path) -> None:
    rows: list[Row] = []
    for batch in (bars for bars in BARS if bars.trace):
        bars, name = cut_bars(batch), code("OH", batch.made)
        cut = batch.made + timedelta(1)
        last = min(LAST_DAY, batch.packed or LAST_DAY)
        ages = [age for age in TRACE_AGES if cut + timedelta(age) <= last]
        ages += [(last - cut).days] * (last == LAST_DAY and (last - cut).days not in ages)
        for letter, bar in zip("abc", trace_bars(batch), strict=True):
            chance = Chance("trace", name, letter)
            own = chance.normal(1, 0.02)
            for age in ages:
                day = cut + timedelta(age)
                net = bars[bar] * remaining(batch, day, of_bar=own) + chance.normal(0, 0.06)
                rows += [[f"{name}-{letter}", name, day, grams(net), "g", f"{humidity(day):.0f}"]]
    columns = "bar,batch,when,net,unit,humidity"
    write_table(folder / "cure.csv", columns, sorted(rows, key=itemgetter(2, 0)))


def write_scale_checks(folder: Path) -> None:
    """Mondays and Thursdays with the 200 g mass; S1 with 500 g as well, on Mondays."""
    rows: list[Row] = []
    for back in range((LAST_DAY - FIRST_DAY).days + 1):
        day = FIRST_DAY + timedelta(back)
        if day.weekday() not in (0, 3):
            continue
        for scale in ("S1", "S2", "S3"):
            masses = (200, 500) if scale == "S1" and day.weekday() == 0 else (200,)
            for mass in masses:
                noise = Chance("check", day, scale, mass).normal(0, 0.03)
                reads = grams(shown(scale, day, mass) + noise)
                rows += [[day, scale, mass, reads, "g", f"M{mass}", initials(day)]]
    columns = "when,scale,applied,shown,unit,mass_id,by"
    write_table(folder / "scale_checks.csv", columns, rows)


def write_wires(folder: Path) -> None:
    wire_data = ["music wire", "0.50", "110"]
    fitted, look = date(2026, 2, 2), date(2026, 8, 10)
    rows: list[Row] = []
    for wire in range(1, WIRES + 1):
        hz = f"{Chance('pitch', wire).normal(1500, 15):.0f}"
        rows += [[fitted, "C1", wire, "fitted", *wire_data, hz, "MH", ""]]
    for wire in range(1, WIRES + 1):
        hz = f"{Chance('pitch again', wire).normal(1480, 15):.0f}"
        rows += [[look, "C1", wire, "inspected", *wire_data, hz, "MH", ""]]
    slack, tight = "peg had slipped; swung wide on a loaf of OH-0922", "eye protection worn"
    rows += [[TIGHTENED, "C1", SLACK_WIRE, "inspected", *wire_data, "870", "MH", slack]]
    rows += [[TIGHTENED, "C1", SLACK_WIRE, "tightened", *wire_data, "1495", "MH", tight]]
    columns = "when,cutter,wire,what,material,diameter_mm,length_mm,note_hz,by,note"
    write_table(folder / "wires.csv", columns, rows)


def next_working_day(day: date) -> date:
    return day + timedelta(3 if day.weekday() == 4 else 1)


def write_dispatch(folder: Path) -> None:
    """Half to one market on the first day of sale, the rest to another the next working day."""
    markets = {"OH": ("EU", "UK", "US", "CA"), "RS": ("EU", "UK", "CA"), "CB": ("EU", "UK", "US")}
    packed = [
        ("OH", bars.made, bars.packed, "B", sold_bars(bars), bars.packed + timedelta(7))
        for bars in BARS
        if bars.packed and bars.made != HELD
    ]
    for prefix, fills in (("RS", JARS), ("CB", TINS)):
        for fill in fills:
            sold_from = fill.made + timedelta(fill.ships)
            packed += [(prefix, fill.made, fill.made, prefix[0], fill.packages, sold_from)]
    rows: list[Row] = []
    for prefix, made, day, letter, packages, sold_from in packed:
        half = packages // 2
        turn = made.toordinal()
        for part, when, quantity in (
            (0, sold_from, half),
            (1, next_working_day(sold_from), packages - half),
        ):
            if when <= LAST_DAY:
                market = markets[prefix][(turn + part) % len(markets[prefix])]
                customer = f"shop {(turn * 7 + part * 4) % 9 + 1}"
                pack = f"QH{day:%d%m}{letter}"
                rows += [[code(prefix, made), pack, customer, market, when, quantity]]
    columns = "batch,pack_code,customer,market,when,quantity"
    write_table(folder / "dispatch.csv", columns, sorted(rows, key=itemgetter(4, 0)))


# --------------------------------------------------------------------------------------------------
# README.md
# --------------------------------------------------------------------------------------------------
README = """\
# Quillhaven: an invented works

**Nothing in this folder is measured.** There is no such workshop, and no bar, jar or tin was ever
put on a scale. Every number was drawn by `tests/make_demo.py` from one seed, so that the notebooks
and the tests have twelve weeks to work on and the faults to be found are known beforehand. Running
`python tests/make_demo.py` writes the same files again, byte for byte.

It is also an example of the folder you would keep yourself: one sheet for what is said once
(products, labels, batches, ...), and under `weights/` the weighings, in whatever shape they were
written down.

Weeks run from Monday {first} to Sunday {last} 2026. Dates are written day first.

| code | product | label | how it is weighed |
|---|---|---|---|
| `oat-honey` | oat-and-honey bar, 9 to a loaf, 12 loaves a batch | 120 g (US: 4.2 oz / 120 g) | all at cutting (a loaf a row), some or all at packing four to five weeks later |
| `rosemary-scrub` | rosemary foot scrub, in jars | 250 g | tared on the scale, in sets of five, by the tray, or one by one |
| `calendula-balm` | calendula balm, in tins | 60 g (US: 2.1 oz / 60 g) | gross; the mean empty tin is in `tare.csv` |

A batch is called after the day it was made: `OH-0922` was made on 22 September (and cut on the
23rd), `RS-1028` filled on 28 October.

## How the weights come about

A bar weighs (grams per mm of loaf) x ({spacing:g} mm + displacement of the wire after it -
displacement of the wire before it) + noise. About {per_mm} g/mm; wires in order wander {wander} mm
from cut to cut. Wires are counted from the stop: wire 5 is between slots 5 and 6. A bar loses about
7.5 % in 28 dry days. A jar is scooped to about 253.6 g with a standard deviation of 3.9 g, a tin
ladled to about 61.3 g with 1.0 g.

## What was planted

| fault | where | what is in the numbers |
|---|---|---|
| wire 5 slackens over three weeks | bars cut in the weeks of 7, 14 and 21 September (OH-0908, OH-0915, OH-0917, OH-0922) | wire 5 wanders {slack} mm instead of {wander} mm; tightened on {tightened} (`wires.csv`), {wander} mm again after |
| wire 5 swings wide once | OH-0922, loaf 9 | wire 5 stands {swing} mm off for one cut: slot 5 is light, slot 6 heavy; at packing slot 5 weighs {swung} g, under 109.2 g (twice allowed in EU and UK) and not yet pulled |
| wire 2 stands off its place | bars cut from {tightened} on (OH-0929 to OH-1027): knocked when wire 5 was tightened, not yet moved back | wire 2 stands +{off} mm off: slot 2 about {off_grams} g heavy, slot 3 as much light, steady |
| a loaf mould poured low | OH-0728, packed 26 August | all bars 2.6 % light, mean at packing {low} g; held and reworked (`actions.csv` A-01 to A-03), none sold |
| bars poured a little low | OH-0929, packed 29 October, not yet on sale | all bars 0.4 % light, mean at packing {little} g: would pass an inspection, but averages short |
| a jar batch scooped light | RS-1028, last week, on sale from 30 October, half of it sent (`dispatch.csv`) | mean {light} g of a 250 g label on a scale that reads 0.3 % high by then |
| a scale that drifts | S3 (jars and tins), from {drift_from} to {drift_to} | span creeps up by 0.3 %: the 200 g mass reads 200.0 g at first and 200.6 g at the end (`scale_checks.csv`); jars of that time show up to 0.8 g, tins up to 0.2 g more than they hold |
| a damp fortnight | {damp_from} to {damp_to} | humidity about 79 % instead of 58 % (`cure.csv`): bars dry at about a third of the pace; OH-0825 and OH-0908 packed a week late; more of the cut weight left at packing than after dry days: {kept} |
| a new tin supplier | lot {new_lot}, used from {new_from}, weighed empty only on {new_tare} (`tare.csv`) | empty tins {new_tin} g instead of {old_tin} g: CB-1009 and CB-1016, taken with the old tare, look 1.8 g heavier than they are ({heavy} g); from CB-1023 on the new tare is known |
| a day of typing slips | {slip_day}, `weights/rosemary-RS-0917.csv` | ounces in a gram column twice, a missing decimal point, a net and a gross swapped, a block of eight pasted twice: see the lines below |
| a bar below half its label | OH-0811, packed 9 September | {half_bar} g typed for a 120 g bar; nobody has answered yet whether it is a slip |
| too few weighed | RS-0902 and RS-1029: 96 jars, 30 weighed | under 100 packages EU and UK rules ask for every one |

Also as real sheets go: the batch stands once over the table in the sheets of cut loaves and of jars
in sets; some days have no clock times; `balm-2026-09.csv` was kept on another machine, with
semicolons and decimal commas; a few jars were topped up and weighed again; some bars were pulled as
seconds; OH-0818 was weighed in its paper band; the cut sheets write 02/09/2026, which the batch
list settles as 2 September. Every jar or tin of RS-0820, RS-0923, CB-0828 and CB-0918 and every bar
of OH-0922 was weighed.

Batches not named in the table average at least their label and have none short by more than
allowed.

The last week (26 October to 1 November) holds: RS-1028, light and already sold; OH-0922, one bar to
pull; RS-1029, too few weighed; OH-0929, a little short on average; OH-1027, fresh from the cutter;
CB-1030, in order.

## Single lines

Rows are counted as a spreadsheet shows them, headings included.

| file | row | written | what it is | should be |
|---|---|---|---|---|
"""


def as_read(folder: Path, name: str) -> float:
    """Mean of the weights as written in a file of one batch, or of a batch in a file of many."""
    file, _, batch = name.partition(" ")
    with (folder / "weights" / file).open(newline="") as sheet:
        lines = [line for line in csv.reader(sheet) if not batch or line[0] == batch]
    cells = [cell for line in lines for cell in line if "." in cell]
    return fmean(map(float, cells))


def kept_by_damp(batch: Bars) -> float:
    """Percent of the cut weight a batch still had at packing for want of dry air."""
    assert batch.packed is not None
    left = remaining(batch, batch.packed)
    return 100 * (left - remaining(batch, batch.packed, damp=False))


def write_readme(folder: Path, planted: list[Line]) -> None:
    swung = next(line.written for line in planted if "more than twice" in line.what)
    heavy = [as_read(folder, f"balm-2026-10.csv CB-{day}") - OLD_TIN[1] for day in ("1009", "1016")]
    text = README.format(
        first=said(FIRST_DAY),
        last=said(LAST_DAY),
        spacing=SPACING,
        per_mm=GRAMS_PER_MM,
        wander=WANDER,
        slack=", ".join(map(str, SLACK.values())),
        tightened=said(TIGHTENED),
        swing=SWING[2],
        swung=swung,
        off=OFF_BY,
        off_grams=grams(GRAMS_PER_MM * OFF_BY),
        low=grams(as_read(folder, "packed-OH-0728.csv")),
        little=grams(as_read(folder, "packed-OH-0929.csv")),
        kept=", ".join(
            f"{code('OH', bars.made)} {grams(kept_by_damp(bars))} %"
            for bars in BARS
            if bars.packed and kept_by_damp(bars) > 0.25
        ),
        light=grams(as_read(folder, "rosemary-RS-1028.csv")),
        drift_from=said(DRIFT_FROM),
        drift_to=said(DRIFT_TO),
        damp_from=said(DAMP[0]),
        damp_to=said(DAMP[1]),
        new_lot=NEW_TIN[0],
        new_from=said(NEW_TINS_FROM),
        new_tare=said(NEW_TARE_ON),
        new_tin=NEW_TIN[1],
        old_tin=OLD_TIN[1],
        heavy=" and ".join(map(grams, heavy)),
        slip_day=said(SLIP_DAY),
        half_bar=HALF_BAR[2],
    )
    for line in sorted(planted):
        text += f"| {line.file} | {line.row} | {line.written} | {line.what} | {line.truth} |\n"
    (folder / "README.md").write_text(text, encoding="utf-8", newline="\n")


def write_works(folder: Path) -> None:
    """Write the whole works into a folder, which is made where it is missing."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in MAIN_SHEETS.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    planted: list[Line] = []
    for batch in BARS:
        if batch.made + timedelta(1) >= FIRST_DAY:
            write_cut(folder, batch)
        if batch.packed:
            planted += write_packed(folder, batch)
    for fill in JARS:
        planted += write_jars(folder, fill)
    write_tins(folder)
    write_batches(folder)
    write_settings(folder, planted)
    write_tare(folder)
    write_cure(folder)
    write_scale_checks(folder)
    write_wires(folder)
    write_dispatch(folder)
    write_readme(folder, planted)


if __name__ == "__main__":
    out = sys.argv[1] if len(sys.argv) > 1 else Path(__file__).parent.parent / "data_demo"
    write_works(Path(out))
