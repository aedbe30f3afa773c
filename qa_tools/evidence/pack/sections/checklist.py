"""The auditor's list: where each item is in this pack, or that it is missing and how to begin."""

from __future__ import annotations

from qa_tools.evidence.audit_list import IN, MISSING, OTHER, PARTLY, of_scope
from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Gap, Section
from qa_tools.evidence.retention import retention


def checklist(scope: Scope) -> Section:
    """One page: every item with its source; and how long records are kept."""
    table = of_scope(scope).table
    rows = table.to_dict("records")
    states = [row["status"] for row in rows]
    # what the records lack is told by the section that shows it; here only papers
    gaps = [
        Gap(f"no paper: {row['item']}", row["to_do"])
        for row in rows
        if row["status"] == MISSING and not row["found"]
    ]
    return Section(
        "checklist",
        "The auditor's list",
        {
            "rows": rows,
            "counts": {name: states.count(name) for name in (IN, OTHER, PARTLY, MISSING)},
        },
        {"items": table, "retention": retention(scope.works, scope.names)},
        tuple(gaps),
    )
