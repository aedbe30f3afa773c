"""Readings not used: every one, with its reason."""

from __future__ import annotations

from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Section


def not_used(scope: Scope) -> Section:
    """What was weighed and does not count, row by row; kept and explained, never dropped."""
    lost = scope.not_used
    reasons = lost["reason"].str.split(":").str[0].value_counts(sort=False).to_dict()
    return Section(
        "not-used",
        "Readings not used",
        {"many": len(lost), "reasons": reasons, "rest": _elsewhere(scope)},
        {"readings": lost},
    )


def _elsewhere(scope: Scope) -> int:
    """Readings not used that are of other batches or days than these."""
    return len(scope.works.weighings.not_used) - len(scope.not_used)
