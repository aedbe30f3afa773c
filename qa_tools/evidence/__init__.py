"""The weekly page, and the audit pack: what a works shows to others."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from qa_tools.evidence.audit_list import Checklist, checklist
    from qa_tools.evidence.balances import balance
    from qa_tools.evidence.card import bench_card
    from qa_tools.evidence.pack.build import Built, build
    from qa_tools.evidence.pack.signing import make_key
    from qa_tools.evidence.pack.verify import Verified, verify
    from qa_tools.evidence.plan_kept import Planned, planned
    from qa_tools.evidence.traces import Trace, trace

# No module beside is called as one of these: once imported it would stand in its place.
_HOME = {
    "build": "pack.build",
    "Built": "pack.build",
    "verify": "pack.verify",
    "Verified": "pack.verify",
    "make_key": "pack.signing",
    "trace": "traces",
    "Trace": "traces",
    "balance": "balances",
    "planned": "plan_kept",
    "Planned": "plan_kept",
    "bench_card": "card",
    "checklist": "audit_list",
    "Checklist": "audit_list",
}

__all__ = [
    "Built",
    "Checklist",
    "Planned",
    "Trace",
    "Verified",
    "balance",
    "bench_card",
    "build",
    "checklist",
    "make_key",
    "planned",
    "trace",
    "verify",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"qa_tools.evidence has no {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
