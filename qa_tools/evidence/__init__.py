"""The weekly page, and the audit pack: what a works shows to others."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from qa_tools.evidence.pack.build import Built, build
    from qa_tools.evidence.pack.signing import make_key
    from qa_tools.evidence.pack.verify import Verified, verify

_HOME = {
    "build": "pack.build",
    "Built": "pack.build",
    "verify": "pack.verify",
    "Verified": "pack.verify",
    "make_key": "pack.signing",
}

__all__ = ["Built", "Verified", "build", "make_key", "verify"]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"qa_tools.evidence has no {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
