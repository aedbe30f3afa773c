"""A pasted block is found; the repeats of a coarse scale are not taken for one."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from qa_tools.readings.pasted import SHORTEST, pasted_blocks


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


@settings(deadline=None)
@given(st.lists(st.integers(0, 9), min_size=1, max_size=6), st.integers(3, 40), st.integers(0, 5))
@example([1, 0, 1, 1], 14, 0)
def test_weights_that_go_round_in_a_circle_are_no_block(
    cycle: list[int], rounds: int, odd: int
) -> None:
    assert blocks(cycle * rounds) == []
    assert blocks([*cycle * rounds, *range(20, 20 + odd), *cycle * rounds]) == []


def test_a_circle_of_three_weights() -> None:
    for rounds in range(2, 30):
        assert blocks([118, 119, 120] * rounds) == [], rounds


@given(st.lists(st.integers(0, 30), max_size=80), st.lists(st.integers(0, 2), max_size=80))
def test_a_block_is_what_it_says(lines: list[int], more: list[int]) -> None:
    rows = [*lines, *more, *lines]
    part = [0] * len(lines) + [1] * (len(rows) - len(lines))
    for first, length, earlier in blocks(rows, part):
        assert length >= SHORTEST
        assert rows[first : first + length] == rows[earlier : earlier + length]
        assert len(set(part[first : first + length])) == 1
        assert part[first] != part[earlier] or length <= first - earlier


@settings(derandomize=True, deadline=None)  # a rare chance is left: the same draws each time
@given(st.integers(2, 8), st.integers(10, 400), st.integers(0, 10_000))
def test_what_chance_gives_is_left(levels: int, count: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    assert blocks(rng.integers(0, levels, count).tolist()) == []


def test_the_same_short_sheet_three_times_is_two_too_many() -> None:
    rows = [1181, 1203, 1199, 1214, 1187, 1222, 1190, 1205, 1212, 1196, 1201, 1188]
    assert blocks(rows * 3, [n // 12 for n in range(36)]) == [(12, 12, 0), (24, 12, 0)]
