"""Scales and tare as recorded: certificates, checks with known masses, empties weighed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd

from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Gap, Section
from qa_tools.pictures.paper import over_time
from qa_tools.readings.dates import day_words
from qa_tools.readings.quantities import GRAMS


def scales(scope: Scope) -> Section:
    """What is recorded of the scales used here, and of the empties whose mean was taken off."""
    works = scope.works
    used = sorted(set(scope.used["scale"]) - {""})
    known = works.scales[works.scales["scale"].isin(used)]
    checks = works.scale_checks[works.scale_checks["scale"].isin(used)]
    if scope.week is not None:
        checks = checks[scope.week.holds(checks["when"])]
    products = scope.keys["product"].unique()
    empties = works.tare[works.tare["product"].isin([*products, ""])]
    told = [_scale(name, known, checks) for name in used]
    gaps = [gap for one in told for gap in _gaps(one, scope)]
    return Section(
        "scales",
        "Scales and tare, as recorded",
        {"scales": told, "tare": list(_tare(empties))},
        {"scales": known, "checks": checks, "tare": empties},
        tuple(gaps),
    )


def _scale(name: str, known: pd.DataFrame, checks: pd.DataFrame) -> dict[str, Any]:
    rows = known[known["scale"] == name].to_dict("records")
    mine = checks[(checks["scale"] == name)].sort_values("when", kind="stable")
    dated = mine[mine["when"].notna()]
    grams = dated["unit"].map(lambda unit: float(GRAMS[unit or "g"])).astype(float)
    away = (dated["shown"] - dated["applied"]) * grams
    about = rows[-1] if rows else {}
    d = float(about.get("d", float("nan")))
    band = float(about.get("e", float("nan")))
    band = band if band == band else d
    most = float(away.abs().max()) if len(away) else 0.0
    return {
        "name": name,
        "about": about,
        "checks": len(mine),
        "masses": ", ".join(dict.fromkeys(mine["mass_id"])) if len(mine) else "",
        "by": ", ".join(dict.fromkeys(mine["by"])) if len(mine) else "",
        "most": most,
        "last": None if dated.empty else dated["when"].max(),
        "band": band if band == band else 0.0,
        "picture": over_time(
            dated["when"].tolist(),
            away.tolist(),
            band=band if band == band else 0.0,
            what=f"scale {name}: shown less applied, g",
            title=f"Scale {name}: {len(dated)} checks, at most {most:.2f} g away",
        )
        if len(dated)
        else "",
    }


def _gaps(one: dict[str, Any], scope: Scope) -> Iterator[Gap]:
    about, name = one["about"], one["name"]
    if not about:
        yield Gap(f"scale {name}: not in scales.csv", "Write down its step, class and certificate")
        return
    if not about["certificate"]:
        yield Gap(f"scale {name}: no certificate is recorded", "Write its number into scales.csv")
    due = about["calibration_due"]
    if pd.isna(due):
        yield Gap(f"scale {name}: no day is recorded by which it is to be calibrated again",
                  "Fill in calibration_due")  # fmt: skip
    elif pd.notna(scope.as_of) and due < scope.as_of:
        yield Gap(f"scale {name}: its calibration was due on {day_words(due)}",
                  "Have it calibrated, and look at what it weighed since")  # fmt: skip
    if not one["checks"]:
        yield Gap(f"scale {name}: no check with a known mass in this period",
                  "Check it each day, and write it into scale_checks.csv")  # fmt: skip
    elif one["band"] and one["most"] > one["band"] + 1e-9:
        yield Gap(
            f"scale {name}: it showed {one['most']:g} g too much or too little, more than one "
            f"scale interval ({one['band']:g} g)",
            "Have it adjusted, and say in actions.csv what it weighed meanwhile",
        )


def _tare(empties: pd.DataFrame) -> Iterator[dict[str, Any]]:
    for (product, part, day, lot), rows in empties.groupby(
        ["product", "part", "when", "supplier_lot"], dropna=False, sort=False
    ):
        yield {
            "product": product,
            "part": part,
            "when": day,
            "lot": lot,
            "n": len(rows),
            "mean": float(rows["tare"].mean()),
            "sd": float(rows["tare"].std(ddof=1)) if len(rows) > 1 else None,
            "unit": rows["unit"].iloc[0] or "g",
        }
