"""Entries are numbered alike exactly where all their keys are."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from qa_tools.readings.grouping import first_of_each


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=1, max_size=40))
def test_first_of_each_is_the_first_equal_entry(pairs: list[tuple[int, int]]) -> None:
    one, other = (np.array(column) for column in zip(*pairs, strict=True))
    expected = [pairs.index(pair) for pair in pairs]
    assert first_of_each([one, other]).tolist() == expected
    assert first_of_each([one.astype(float), other]).tolist() == expected
