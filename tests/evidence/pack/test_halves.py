"""Judged in two processes: the same batches in the same order, and here where the second fails."""

from __future__ import annotations

import sys

import pytest

import qa_tools as qa
from qa_tools.evidence.pack import halves
from qa_tools.evidence.pack.scope import scope_of
from qa_tools.evidence.pack.verdicts import verdict_files


@pytest.mark.parametrize("helper", ["works", "cannot start", "fails"])
def test_the_same_verdicts(
    demo_works: qa.Works, monkeypatch: pytest.MonkeyPatch, helper: str
) -> None:
    def found() -> dict[str, bytes]:
        return verdict_files(scope_of(demo_works, "2026-10-12", "2026-11-01"))

    alone = found()
    monkeypatch.setattr(halves, "MANY", 2)
    monkeypatch.setattr(halves.os, "cpu_count", lambda: 2)
    if helper == "cannot start":
        monkeypatch.setattr(sys, "executable", "no-such-python")
    elif helper == "fails":
        monkeypatch.setattr(halves, "__name__", "no_such_module")
    assert found() == alone
