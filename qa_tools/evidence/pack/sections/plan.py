"""The plan against what was done."""

from __future__ import annotations

from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Gap, Section
from qa_tools.evidence.plan_kept import Due, in_words


def plan(scope: Scope) -> Section:
    """What plan.csv asks for, what was due in the period, done, late, short, missing."""
    found = scope.planned
    checks = found.checks
    scales = set(scope.works.scales["scale"]) | set(scope.works.scale_checks["scale"])
    mine = checks[checks["what"].isin(scope.names) | checks["product"].isin(scales)]
    open_ = mine[mine["status"] != "done"]
    told = [in_words(Due(*row)) for row in open_.itertuples(index=False, name=None)]
    gaps = [Gap(words, "Weigh as the plan asks, or change the plan") for words in told[:20]]
    if len(told) > 20:
        gaps.append(Gap(f"{len(told) - 20} more checks late, short or missing", "See data/plan"))
    gaps += [Gap(words.rstrip("."), "Complete plan.csv") for words in found.questions]
    return Section(
        "plan",
        "The plan, and what was done",
        {"open": told, "questions": found.questions, "due": len(mine)},
        {"asked": scope.works.plan, "kept": found.table, "checks": mine},
        tuple(gaps),
    )
