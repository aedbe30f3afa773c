"""Files to weighings: one tidy table, nothing lost. Nothing is imported before it is used."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from qa_tools.readings.labels import labels_on
    from qa_tools.readings.weighings import ReadingError, Weighings, read_weights
    from qa_tools.readings.works import Works, read_works

# The other rooms need quantities from here without waiting for what reads files.
_HOME = {
    "ReadingError": "weighings",
    "Weighings": "weighings",
    "Works": "works",
    "labels_on": "labels",
    "read_weights": "weighings",
    "read_works": "works",
}

__all__ = ["ReadingError", "Weighings", "Works", "labels_on", "read_weights", "read_works"]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"qa_tools.readings has no {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
