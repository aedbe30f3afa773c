"""Lines to sign."""

from __future__ import annotations

from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Section


def sign_off(scope: Scope) -> Section:
    """Who made the pack, who looked it over, who received it: to be signed by hand."""
    return Section("sign-off", "Signed", {"title": scope.title, "period": scope.period})
