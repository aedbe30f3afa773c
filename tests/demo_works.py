"""Fixtures that tests and doctests share."""

from __future__ import annotations

from pathlib import Path

import pytest

import qa_tools as qa

DEMO = Path(__file__).parents[1] / "data_demo"


@pytest.fixture(scope="session")
def demo_works() -> qa.Works:
    """The invented works."""
    return qa.read_works(DEMO)
