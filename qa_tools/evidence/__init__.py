"""The weekly page, and the audit pack: what a works shows to others."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from qa_tools.evidence.balance import balance
    from qa_tools.evidence.card import bench_card
    from qa_tools.evidence.checklist import Checklist, checklist
    from qa_tools.evidence.pack.build import Built, build
    from qa_tools.evidence.pack.signing import make_key
    from qa_tools.evidence.pack.verify import Verified, verify
    from qa_tools.evidence.planned import Planned, planned
    from qa_tools.evidence.trace import Trace, trace

_HOME = {
    "build": "pack.build",
    "Built": "pack.build",
    "verify": "pack.verify",
    "Verified": "pack.verify",
    "make_key": "pack.signing",
    "trace": "trace",
    "Trace": "trace",
    "balance": "balance",
    "planned": "planned",
    "Planned": "planned",
    "bench_card": "card",
    "checklist": "checklist",
    "Checklist": "checklist",
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
