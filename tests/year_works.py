"""A works of a year, invented: some hundred batches, for benchmarks and for tests of size."""

from __future__ import annotations

import csv
import datetime as dt
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

FIRST = dt.date(2026, 1, 5)
PRODUCTS = (
    ("oat", "Oat bar", "bar", "", 7.5, 28, 720, "C1", 24, 9, 9.4),
    ("scrub", "Foot scrub", "jar", "jar", "", "", 540, "", "", "", 7.2),
    ("balm", "Balm", "tin", "tin", "", "", 540, "", "", "", 21.5),
)


def make_year(folder: Path, batches: int = 500, weighings: int = 50_000, seed: int = 1) -> None:
    """
    Write a works folder: bars cut (all) and packed (some), jars, tins, and every list beside them.

    About so many weighings: a third of the batches are bars, whose loaves are weighed whole.
    """
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "weights").mkdir(exist_ok=True)
    each = max(30, (weighings - batches // 3 * 108) // batches)
    sheets: dict[str, list[Sequence[object]]] = {}
    about: list[Sequence[object]] = []
    sent: list[Sequence[object]] = []
    actions: list[Sequence[object]] = []
    for number in range(batches):
        code, _, form, *_ = PRODUCTS[number % 3]
        made = FIRST + dt.timedelta(days=number * 330 // batches)
        batch = f"{code[0].upper()}-{number:04d}"
        packed = made + dt.timedelta(days=30 if form == "bar" else 0)
        n = min(each, 108)
        if form == "bar":
            wires = np.cumsum(np.zeros(8)) + rng.normal(0, 0.15, (12, 8))
            edges = np.hstack([np.zeros((12, 1)), wires, np.zeros((12, 1))])
            bars = 5.48 * (24 + np.diff(edges, axis=1)) + rng.normal(0, 0.1, (12, 9))
            cut = sheets.setdefault(f"cut-{made:%Y-%m}", [])
            for loaf in range(12):
                for slot in range(9):
                    weight = f"{bars[loaf, slot]:.1f}"
                    cut.append((batch, "cut", made + dt.timedelta(days=1), loaf + 1, slot + 1,
                                weight, "bare", "S1", "MH", "all", ""))  # fmt: skip
            net = np.sort(bars.ravel() * 0.926 + rng.normal(0, 0.2))[rng.permutation(108)[:n]]
            how = "bare"
        elif form == "jar":
            net, how = rng.normal(253.6 + rng.normal(0, 0.8), 3.5, n), "tared on the scale"
        else:
            net, how = 14.2 + rng.normal(61.4 + rng.normal(0, 0.3), 0.9, n), "gross"
        stage = "packed" if form == "bar" else "filled"
        rows = sheets.setdefault(f"{code}-{packed:%Y-%m}", [])
        for place, weight in enumerate(net):
            rows.append((batch, stage, f"{packed} {8 + place // 30:02d}:{place % 60:02d}", "", "",
                         f"{weight:.1f}", how, "S2" if form == "bar" else "S3", "PR", "random",
                         "kept"))  # fmt: skip
        about.append((batch, code, made, 108, 108, packed, f"P{number:05d}",
                      packed + dt.timedelta(days=3), ""))  # fmt: skip
        actions.append((f"A-{number:04d}", packed + dt.timedelta(days=1), batch, "release", "",
                        "LT", "", "LT", "", "", "", "", ""))  # fmt: skip
        for half in range(2):
            sent.append((batch, f"P{number:05d}", f"shop {(number + half) % 9 + 1}",
                         ("EU", "UK", "US")[(number + half) % 3],
                         packed + dt.timedelta(days=4 + half), 54))  # fmt: skip
    for name, rows in sheets.items():
        _write(folder / "weights" / f"{name}.csv", "batch,stage,when,loaf,slot,weight (g),weighed,"
               "scale,by,picked,fate", rows)  # fmt: skip
    _lists(folder, about, sent, actions, rng)


def _lists(
    folder: Path,
    about: list[Sequence[object]],
    sent: list[Sequence[object]],
    actions: list[Sequence[object]],
    rng: np.random.Generator,
) -> None:
    _write(folder / "products.csv", "product,name,form,tare parts,typical_loss_percent,cure_days,"
           "shelf_days,cutter,spacing_mm,bars_per_loaf,cost_per_kg", PRODUCTS)  # fmt: skip
    labels = [
        (code, declared, market, "yes" if market == "EU" else "no", book)
        for code, declared in (("oat", "120 g"), ("scrub", "250 g"), ("balm", "60 g"))
        for market, book in (("EU", "eu-76-211"), ("UK", "uk-2006-659"), ("US", "us-hb133"))
    ]
    _write(folder / "labels.csv", "product,declared,market,e_mark,books", labels)
    _write(folder / "batches.csv", "batch,product,made_on,packages,number_made,packed_on,pack_code,"
           "sell_from,note", about)  # fmt: skip
    _write(folder / "dispatch.csv", "batch,pack_code,customer,market,when,quantity", sent)
    _write(folder / "actions.csv", "id,when,batch,what,reason,by,cause,approved_by,checked_on,"
           "closes,reading,old,new", actions)  # fmt: skip
    _write(folder / "settings.csv", "name,value,who,when",
           [("works", "Yearlong", "LT", FIRST), ("currency", "EUR", "LT", FIRST)])  # fmt: skip
    empties = [(code, part, f"{rng.normal(14.2, 0.1):.2f}", "g", FIRST, "K-1")
               for code, part in (("balm", "tin"), ("scrub", "jar"))
               for _ in range(15)]  # fmt: skip
    _write(folder / "tare.csv", "product,part,tare,unit,when,supplier_lot", empties)
    scales = [(name, 0.1, "g", 3000, 0.1, "II", f"QH-{name}", f"CAL-{name}", FIRST,
               FIRST + dt.timedelta(days=365)) for name in ("S1", "S2", "S3")]  # fmt: skip
    _write(folder / "scales.csv", "scale,d,unit,max,e,class,asset,certificate,calibrated_on,"
           "calibration_due", scales)  # fmt: skip
    days = [FIRST + dt.timedelta(days=day) for day in range(364)]
    checks = [(day, name, 200, 200.0, "g", "M200", "PR")
              for day in days if day.weekday() < 5 for name in ("S1", "S2", "S3")]  # fmt: skip
    _write(folder / "scale_checks.csv", "when,scale,applied,shown,unit,mass_id,by", checks)
    wires = [(FIRST - dt.timedelta(days=3), "C1", wire, "fitted", "music wire", 0.5, 110, 1500,
              "MH", "") for wire in range(1, 9)]  # fmt: skip
    _write(folder / "wires.csv", "when,cutter,wire,what,material,diameter_mm,length_mm,note_hz,by,"
           "note", wires)  # fmt: skip
    plan = [("oat", "cut", "all", "every batch", 131.5, 125, 138, "look at the wires", 1, "LT"),
            ("oat", "packed", 30, "every batch", 121.6, 114.6, "", "hold it", 1, "LT"),
            ("scrub", "filled", 30, "every batch", 253.5, 241, 266, "top up", 1, "LT"),
            ("balm", "filled", 30, "every batch", 61.3, 57, 66, "top up", 1, "LT"),
            *((name, "check", 1, "every day", "", "", "", "tell LT", 1, "LT")
              for name in ("S1", "S2", "S3"))]  # fmt: skip
    _write(folder / "plan.csv", "product,stage,how_many,how_often,aim,low,high,what_to_do,revision,"
           "approved_by", plan)  # fmt: skip
    _write(folder / "documents.csv", "what,reference,revision,date,kept_where",
           [("weighing at packing", "QP-03", 4, FIRST, "office")])  # fmt: skip


def _write(path: Path, head: str, rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(head.split(","))
        writer.writerows(rows)
