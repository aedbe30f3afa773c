"""Readings that stand twice: a block pasted again, the same slot, the same id."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

SHORTEST: Final = 5
# A block counts as pasted only where fewer than this many such blocks would turn up by chance in
# all the rows read. On a 1 g scale five weights repeat by themselves; our own figure.
_BY_CHANCE: Final = 1e-3


def pasted_blocks(
    lines: NDArray[np.uint64], part: NDArray[np.intp]
) -> list[tuple[int, int, int]]:  # fmt: skip
    """
    Blocks of consecutive rows that stand, in the same order, further up.

    Parameters
    ----------
    lines : array of uint64
        A fingerprint of each row, equal where all its cells are equal.
    part : array of int
        The sheet each row stands in, ascending; a block does not run from one into the next.

    Returns
    -------
    list of (first row, how many rows, first row of the earlier block)
        Counted from 0. At least `SHORTEST` rows, and more where rows are so alike that shorter
        blocks repeat by chance (judged from how often a row that repeats is followed by another
        that does; our own rule, no published source).

    Examples
    --------
    >>> rows = np.array([1, 2, 3, 4, 5, 6, 7, 2, 3, 4, 5, 6, 9], dtype=np.uint64)
    >>> pasted_blocks(rows, np.zeros(13, dtype=np.intp))
    [(7, 5, 1)]
    """
    blocks = _repeated(lines, part, SHORTEST)
    if not blocks:
        return []
    needed = _longest_by_chance(lines, sum(length for _, length, _ in blocks))
    return blocks if needed == SHORTEST else _repeated(lines, part, needed)


def _repeated(
    lines: NDArray[np.uint64], part: NDArray[np.intp], shortest: int
) -> list[tuple[int, int, int]]:
    """The blocks of so many rows, or more, that stand further up."""
    if len(lines) <= shortest:
        return []
    windows = _windows(lines, shortest)
    inside = part[shortest - 1 :] == part[: len(windows)]
    ordered = np.sort(windows)
    twice = ordered[1:][ordered[1:] == ordered[:-1]]
    if not len(twice):
        return []
    seen_again = np.flatnonzero(pd.Series(windows).isin(np.unique(twice)).to_numpy())
    first = np.arange(len(windows))
    first[seen_again] = seen_again[first_of_each([windows[seen_again]])]
    again = np.flatnonzero((first < np.arange(len(windows))) & inside & inside[first])
    if not len(again):
        return []
    back = again - first[again]
    breaks = np.flatnonzero((np.diff(again) != 1) | (np.diff(back) != 0)) + 1
    starts = np.concatenate([[0], breaks])
    lengths = np.diff(np.concatenate([starts, [len(again)]])) + shortest - 1
    return list(
        zip(again[starts].tolist(), lengths.tolist(), first[again[starts]].tolist(), strict=True)
    )


def _windows(lines: NDArray[np.uint64], length: int) -> NDArray[np.uint64]:
    """A fingerprint of each run of rows."""
    count = len(lines) - length + 1
    total = np.zeros(count, np.uint64)
    factor = np.uint64(0x9E3779B97F4A7C15)
    for place in range(length):
        total = total * factor + lines[place : place + count]
    return total


def _longest_by_chance(lines: NDArray[np.uint64], in_blocks: int) -> int:
    """How long a block must be for repeats of that length not to arise by themselves."""
    single = _equal_pairs(lines) - in_blocks
    double = _equal_pairs(_windows(lines, 2)) - in_blocks
    if single <= 0:
        return SHORTEST
    # one pair is added to both, so that "never seen" is not taken for "impossible"
    follows = (max(double, 0) + 1) / (single + max(1, in_blocks) + 1)
    if follows >= 1:
        return len(lines) + 1
    extra = math.log(max(single, 1) / _BY_CHANCE) / -math.log(follows)
    return max(SHORTEST, 1 + math.ceil(extra))


def _equal_pairs(values: NDArray[np.uint64]) -> int:
    counts = np.bincount(pd.factorize(values)[0])
    return int((counts * (counts - 1) // 2).sum())


def groups_of(keys: Sequence[NDArray[Any]]) -> NDArray[np.intp]:
    """A number for each entry, the same where all the keys are; small, not ordered."""
    telling = [key for key in keys if len(key) and not (key == key[0]).all()]
    if not telling:
        return np.zeros(len(keys[0]), np.intp)
    if len(telling) == 1 and telling[0].dtype == np.intp:
        return telling[0]  # codes are small numbers already
    codes = np.zeros(len(keys[0]), np.int64)
    for key in telling:
        own, values = pd.factorize(key)
        codes = pd.factorize(codes * (len(values) + 1) + own)[0]
    return codes.astype(np.intp)


def first_of_each(keys: Sequence[NDArray[Any]]) -> NDArray[np.intp]:
    """For each entry, the number of the first entry with the same keys (itself, if first)."""
    group = groups_of(keys)
    first = np.full(group.max(initial=-1) + 1, len(group), np.intp)
    # written from the end, so that the first entry is the one that stays
    first[group[::-1]] = np.arange(len(group))[::-1]
    return first[group]
