"""A block of rows pasted again, told from rows so alike that they repeat by themselves."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa_tools.readings.grouping import first_of_each

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
        blocks repeat by chance. Weights that go round in a circle are no block: what runs into
        its own original is left, and so is what is usual after such a row elsewhere. Our own
        rule, no published source.

    Examples
    --------
    >>> rows = np.array([1, 2, 3, 4, 5, 6, 7, 2, 3, 4, 5, 6, 9], dtype=np.uint64)
    >>> pasted_blocks(rows, np.zeros(13, dtype=np.intp))
    [(7, 5, 1)]
    """
    blocks = _repeated(lines, part, SHORTEST)
    if not blocks:
        return []
    rest = np.ones(len(lines), np.bool_)
    for first, length, _ in blocks:
        rest[first : first + length] = False
    pairs, follows = _alike(lines, part, rest)
    needed = max(SHORTEST, 1 + math.ceil(math.log(pairs / _BY_CHANCE) / -math.log(follows)))
    longer = _repeated(lines, part, needed) if needed > SHORTEST else blocks
    circling = np.zeros(len(lines), np.bool_)
    for first, length, earlier in [*blocks, *longer]:
        if _runs_into_itself(part, first, length, earlier):
            circling[earlier : first + length] = True
    apart = [block for block in longer if not _runs_into_itself(part, *block)]
    if not apart:
        return []
    usual = _usual(lines, part, rest, follows, apart)
    return [
        (first, length, earlier)
        for (first, length, earlier), chances in zip(apart, usual, strict=True)
        if pairs * np.prod(chances[~(circling[first + 1 : first + length]
                                     | circling[earlier + 1 : earlier + length])]) < _BY_CHANCE
    ]  # fmt: skip


def _runs_into_itself(part: NDArray[np.intp], first: int, length: int, earlier: int) -> bool:
    return bool(part[first] == part[earlier] and length > first - earlier)


def _alike(
    lines: NDArray[np.uint64], part: NDArray[np.intp], rest: NDArray[np.bool_]
) -> tuple[float, float]:
    """How many pairs of rows are equal by themselves, and how often the next two are so as well."""
    follow = rest[1:] & rest[:-1] & (part[1:] == part[:-1])
    single = _equal_pairs(lines[rest])
    double = _equal_pairs(_windows(lines, 2)[follow])
    count = int(rest.sum())
    # one pair is added, so that "never seen" is not taken for "impossible"
    one = (single + 1) / (count * (count - 1) / 2 + 1)
    follows = max((double + one) / (single + 1), one)
    return max(1.0, single * (len(lines) / count) ** 2), min(follows, 0.99)


def _usual(
    lines: NDArray[np.uint64],
    part: NDArray[np.intp],
    rest: NDArray[np.bool_],
    follows: float,
    blocks: list[tuple[int, int, int]],
) -> list[NDArray[np.float64]]:
    """For each row of each block but its first: how often it follows the row above it elsewhere."""
    steps = np.flatnonzero(rest[1:] & rest[:-1] & (part[1:] == part[:-1]))
    own = np.concatenate([np.arange(first, first + length - 1) for first, length, _ in blocks])
    windows = _windows(lines, 2)

    def elsewhere(of: NDArray[np.uint64]) -> NDArray[np.intp]:
        """How often each row of a block stands in the rest, its own original not counted."""
        values = pd.Index(np.unique(of[own]))
        at = values.get_indexer(pd.Index(of[steps]))
        counts = np.bincount(at[at >= 0], minlength=len(values))
        found: NDArray[np.intp] = counts[values.get_indexer(pd.Index(of[own]))]
        return np.maximum(found - 1, 0)

    chances = (elsewhere(windows) + follows) / (elsewhere(lines) + 1)
    ends = np.cumsum([length - 1 for _, length, _ in blocks])
    return np.split(chances, ends[:-1])


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


def _equal_pairs(values: NDArray[np.uint64]) -> int:
    counts = np.bincount(pd.factorize(values)[0])
    return int((counts * (counts - 1) // 2).sum())
