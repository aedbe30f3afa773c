"""How the answers are worked out, in plain words."""

from __future__ import annotations

from qa_tools.evidence.pack.manifest import software
from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Section


def methods(scope: Scope) -> Section:
    """Method notes; with the versions of what worked them out."""
    stages = sorted({one.stage for one in scope.checks} - {""})
    return Section(
        "methods",
        "How this was worked out",
        {"software": software(), "bars": bool({"cut", "cured"} & set(stages))},
    )
