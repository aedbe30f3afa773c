"""A pasted block is found; the repeats of a coarse scale are not taken for one."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa_tools.readings.repeats import first_of_each, pasted_blocks


def blocks(lines: list[int], part: list[int] | None = None) -> list[tuple[int, int, int]]:
    rows = np.array(lines, np.uint64)
    return pasted_blocks(rows, np.array(part or [0] * len(lines), np.intp))


def test_a_block_of_five_and_not_of_four() -> None:
    assert blocks([1, 2, 3, 4, 5, 6, 2, 3, 4, 5, 6]) == [(6, 5, 1)]
    assert blocks([1, 2, 3, 4, 5, 6, 2, 3, 4, 5, 9]) == []


def test_a_block_in_another_sheet_but_not_across_sheets() -> None:
    lines = [1, 2, 3, 4, 5, 1, 2, 3, 4, 5]
    assert blocks(lines, [0] * 5 + [1] * 5) == [(5, 5, 0)]
    assert blocks(lines, [0] * 5 + [1] * 3 + [2] * 2) == []


@pytest.mark.parametrize("levels", [1, 3, 5])
def test_weights_on_a_coarse_scale_repeat_by_themselves(levels: int) -> None:
    rng = np.random.default_rng(7)
    lines = rng.integers(0, levels, 3000).astype(np.uint64)
    assert pasted_blocks(lines, np.zeros(3000, np.intp)) == []


def test_a_long_block_shows_even_on_a_coarse_scale() -> None:
    rng = np.random.default_rng(7)
    lines = rng.integers(0, 5, 300).astype(np.uint64)
    pasted = np.concatenate([lines, lines[100:140], lines[:3] + np.uint64(9)])
    found = pasted_blocks(pasted, np.zeros(len(pasted), np.intp))
    ((first, length, earlier),) = found
    # a row next to the block may be equal to its twin by chance
    assert first - earlier == 200
    assert first <= 300 and first + length >= 340


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=1, max_size=40))
def test_first_of_each_is_the_first_equal_entry(pairs: list[tuple[int, int]]) -> None:
    one, other = (np.array(column) for column in zip(*pairs, strict=True))
    expected = [pairs.index(pair) for pair in pairs]
    assert first_of_each([one, other]).tolist() == expected
    assert first_of_each([one.astype(float), other]).tolist() == expected
