"""The cutters: what the bars say of each wire, and what was done to it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from qa_tools.decisions.wires.words import rows_of
from qa_tools.evidence.cutter import CutterStudy
from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Gap, Section
from qa_tools.pictures.paper import intervals


def wires(scope: Scope) -> Section:
    """Each cutter studied by the loaves weighed as cut, and the services of its wires."""
    found = scope.cutters
    studied = [_told(one) for one in found.studied.values()]
    tables = {"services": found.services}
    tables |= {
        f"wires-{name or 'unnamed'}": one.study.wires.map(_flat)
        for name, one in found.studied.items()
    }
    gaps = [Gap(line, "Complete products.csv or the weights") for line in found.refusals]
    lacking = int((found.services["by"] == "").sum()) if len(found.services) else 0
    if lacking:
        gaps.append(
            Gap(f"who did {lacking} services of wires is not said", "Fill in by in wires.csv")
        )
    return Section(
        "wires",
        "Cutter wires",
        {"cutters": studied, "not_used": found.not_used},
        tables,
        tuple(gaps),
    )


def _flat(value: Any) -> Any:
    return str(value) if isinstance(value, tuple | list) else value


def _told(one: CutterStudy) -> dict[str, Any]:
    rows = one.study.wires
    return {
        "headline": one.headline,
        "cuts": one.cuts,
        "wander": _picture(one, rows, "wander", "wander, mm", zero=False),
        "offset": _picture(one, rows, "offset", "off its place, mm", zero=True),
        "told": one.told,
        "serviced": one.serviced,
        "false_alarm": f"{one.watch.false_alarm:g}",
        "assumed": one.assumed,
        "left_out": one.left_out,
    }


def _picture(one: CutterStudy, rows: pd.DataFrame, kind: str, what: str, *, zero: bool) -> Any:
    advice = {"wander": ("retension",), "offset": ("move",)}[kind]
    drawn = pd.DataFrame(
        [
            {
                "name": f"wire {row.wire} ({row.between})",
                "value": getattr(row, f"{kind}_mm"),
                "lower": getattr(row, f"{kind}_lower"),
                "upper": getattr(row, f"{kind}_upper"),
                "marked": row.advice in advice,
                "words": f"{getattr(row, f'{kind}_mm'):z.2f} mm: {row.advice}"
                if row.advice in (*advice, "watch")
                else f"{getattr(row, f'{kind}_mm'):z.2f} mm",
            }
            for row in rows_of(rows)
        ]
    )
    return intervals(
        drawn,
        what=what,
        title=f"{one.title}: {what} of each wire",
        zero=zero,
        usual=None if zero else one.study.base_mm,
    )
