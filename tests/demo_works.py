"""Fixtures that tests and doctests share."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings

import qa_tools as qa

# For the second run of the tests, on other versions: the first has tried many examples already.
settings.register_profile("few", max_examples=15, deadline=None)

DEMO = Path(__file__).parents[1] / "data_demo"


@pytest.fixture(scope="session")
def demo_works() -> qa.Works:
    """The invented works."""
    return qa.read_works(DEMO)
