"""The process charts: each product and stage, its batches against the limits of their own."""

from __future__ import annotations

from qa_tools.evidence.charted import DRAWN
from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Section
from qa_tools.pictures.paper import chart


def charts(scope: Scope) -> Section:
    """Each chart with the points the pack speaks of ringed, and what its limits rest on."""
    drawn = [
        {
            "title": one.title,
            "headline": one.headline.replace(": this week ", ": "),
            "picture": chart(one.chart, one.headline, one.batches),
            "note": one.chart.note,
            "signals": [
                f"{row['batch']}: {row['reason']} ({row['plotted']})" for row in one.signals()
            ],
        }
        for one in scope.charts
    ]
    tables = {f"chart-{number}": one.chart.points for number, one in enumerate(scope.charts, 1)}
    return Section("charts", "Process charts", {"charts": drawn, "drawn": DRAWN}, tables)
