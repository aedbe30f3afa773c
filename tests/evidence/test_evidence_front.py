"""What is offered as qa.evidence: there, callable, and not hidden by a module of the same name."""

from __future__ import annotations

import inspect
from importlib import import_module
from pathlib import Path

import qa_tools as qa
from qa_tools import evidence


def test_every_name_is_there_whatever_was_imported_before() -> None:
    for path in Path(str(evidence.__file__)).parent.glob("*.py"):
        import_module(f"qa_tools.evidence.{path.stem}")
    for name in evidence.__all__:
        assert inspect.isfunction(getattr(qa.evidence, name)) or inspect.isclass(
            getattr(qa.evidence, name)
        ), name
    assert dir(qa.evidence) == sorted(evidence.__all__)
