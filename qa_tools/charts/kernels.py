"""Chains of the charts: what each remembers, and where a normal reading takes it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache, lru_cache
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import gammainc, ndtr

from qa_tools.charts.chains import Chain, Runs, TwoSided
from qa_tools.charts.factors import FloatArray, IntArray
from qa_tools.charts.rules import Rule

_FAR: Final = 8.5  # sd beyond which a reading is never met: 2e-17
_MANY: Final = 60  # states
_MOST: Final = 40_000
_WIDE: Final = 1.5  # sd of a cell at most, for the nodes in it to hold the integrand


def ruled(rules: Sequence[Rule], sides: int, mean: float, sd: float, nodes: int) -> Chain:
    """Points judged by rules, each point normal with this mean and sd (in sd of the limits)."""
    cuts, calls = _automaton(tuple(rules), sides)
    if not any(rule.ordered for rule in rules):
        chances = np.diff(ndtr(np.concatenate([[-np.inf], (cuts - mean) / sd, [np.inf]])))
        after = calls[:, :, 1]
        states, cells = np.nonzero(after >= 0)
        where = states, after[states, cells]
        first = np.zeros(len(after))
        np.add.at(first, after[0, after[0] >= 0], chances[after[0] >= 0])
        if len(after) > _MANY:  # a few cells in each row: a full matrix would be slow
            from scipy.sparse import csr_array

            return Chain(first, csr_array((chances[cells], where), shape=(len(after),) * 2))
        step = np.zeros((len(after), len(after)))
        np.add.at(step, where, chances[cells])
        return Chain(first, step)
    return _ordered(cuts, calls, mean, sd, nodes)


def weighted(weight: float, width: float, sides: int, mean: float, sd: float, nodes: int) -> Chain:
    """
    An exponentially weighted mean within its steady limits, started on target.

    On one side alone the target is a barrier: the state is 0 or a node between 0 and the limit.
    """
    limit = width * np.sqrt(weight / (2 - weight))
    if sides == 1:
        at, weights = _gauss(0.0, limit, nodes)
        came = (1 - weight) * np.concatenate([[0.0], at])[:, np.newaxis]
        steps = np.empty((nodes + 1, nodes + 1))
        steps[:, :1] = ndtr((-came / weight - mean) / sd)
        steps[:, 1:] = _density((at - came) / weight, mean, sd) * weights / weight
        return Chain(steps[0], steps)
    at, weights = _gauss(-limit, limit, nodes)
    came = np.concatenate([[0.0], at])[:, np.newaxis]
    steps = _density((at - (1 - weight) * came) / weight, mean, sd) * weights / weight
    return Chain(steps[0], steps[1:])


def summed(
    k: float, h: float, head_start: float, sides: int, mean: float, sd: float, nodes: int
) -> Runs:
    """One or both cumulative sums; the state of a sum is 0 or a node between 0 and h."""
    up, up_ahead = _sum(k, h, head_start, mean, sd, nodes)
    if sides == 1:
        return Chain(up_ahead, up.step)
    down, down_ahead = _sum(k, h, head_start, -mean, sd, nodes)
    return TwoSided(up, down, up_ahead, down_ahead)


def moving(width: float, step: float, mean: float, sd: float, nodes: int) -> Chain:
    """Readings within width of the centre, each within step of the one before."""
    # The run length has kinks where the window of the next reading leaves the limits.
    kinks = np.arange(-width, width, step)
    edges = cells(np.unique(np.clip([*kinks, *-kinks, width, -width], -width, width)), sd)
    at, first = integrals(edges, nodes, np.array([-width]), np.array([width]), mean, sd)
    _, steps = integrals(edges, nodes, at - step, at + step, mean, sd)
    return Chain(first[0], steps)


def range_within(low: float, high: float, n: int) -> float:
    """Chance that the range of n standard normal readings lies between low and high."""
    at, weights = _gauss(-_FAR, _FAR, 256)
    smallest = _density(at, 0.0, 1.0) * weights * n
    span = ndtr(at + np.array([[low], [high]])) - ndtr(at)
    below = (span ** (n - 1)) @ smallest
    return float(below[1] - below[0])


def sd_within(low: float, high: float, n: int) -> float:
    """Chance that the sd of n standard normal readings lies between low and high."""
    half = (n - 1) / 2
    return float(gammainc(half, half * high * high) - gammainc(half, half * low * low))


def _sum(
    k: float, h: float, start: float, mean: float, sd: float, nodes: int
) -> tuple[Chain, FloatArray]:
    at, weights = _gauss(0.0, h, nodes)
    came = np.concatenate([[start, 0.0], at])[:, np.newaxis]
    steps = np.empty((nodes + 2, nodes + 1))
    steps[:, :1] = ndtr((k - came - mean) / sd)
    steps[:, 1:] = _density(at + k - came, mean, sd) * weights
    return Chain(steps[1], steps[1:]), steps[0]


@lru_cache(maxsize=256)
def _automaton(rules: tuple[Rule, ...], sides: int) -> tuple[FloatArray, IntArray]:
    """
    Cuts between the cells of a point, and the state after: [state, cell, step], -1 for a signal.

    State 0 remembers nothing. The step is down, none, up from the point before (0, 1, 2).
    """
    zones = {zone for rule in rules for zone in rule.zones}
    cuts = sorted({*zones, *(-zone for zone in zones)})
    edges = [cuts[0] - 1, *cuts, cuts[-1] + 1] if cuts else [-1.0, 1.0]
    inside = [(low + high) / 2 for low, high in pairwise(edges)]
    watches = [cache(watch) for rule in rules for watch in rule.watches[:sides]]
    steps = (-1, 0, 1) if any(rule.ordered for rule in rules) else (0,)
    known = {(0,) * len(watches): 0}
    table: list[list[int]] = []
    for memory in (waiting := list(known)):
        row = []
        for z in inside:
            for step in steps:
                seen = [watch(m, z, step) for watch, m in zip(watches, memory, strict=True)]
                if any(call for _, call in seen):
                    row.append(-1)
                    continue
                then = tuple(bits for bits, _ in seen)
                if then not in known:
                    if len(known) == _MOST:
                        names = ", ".join(rule.name for rule in rules)
                        raise ValueError(
                            f"these rules remember too much together to follow ({names}): fewer "
                            "of them, or rules that look back over fewer points, will do"
                        )
                    known[then] = len(known)
                    waiting.append(then)
                row.append(known[then])
        table.append(row)
    calls = np.array(table).reshape(len(table), len(inside), len(steps))
    return np.array(cuts), calls if len(steps) == 3 else np.repeat(calls, 3, axis=2)


def _ordered(cuts: FloatArray, calls: IntArray, mean: float, sd: float, nodes: int) -> Chain:
    """The chain of rules that compare neighbours: its states know where the last point stood."""
    from scipy.sparse import csr_array

    low, high = mean - _FAR * sd, mean + _FAR * sd
    edges = cells(np.unique(np.clip([low, *cuts, high], low, high)), sd)
    cell = np.searchsorted(cuts, (edges[1:] + edges[:-1]) / 2)
    at, whole = integrals(edges, nodes, np.array([low]), np.array([high]), mean, sd)
    _, falls = integrals(edges, nodes, np.full(len(at), low), at, mean, sd)
    _, climbs = integrals(edges, nodes, at, np.full(len(at), high), mean, sd)
    pieces = np.arange(len(cell))
    part = [slice(piece * nodes, (piece + 1) * nodes) for piece in pieces]

    # A state is what the rules remember and the piece of the line the last point stood in; only
    # those that are ever reached are numbered.
    known: dict[tuple[int, int], int] = {}

    def reached(memories: IntArray, into: IntArray) -> Iterator[tuple[int, int]]:
        """Number and piece of the states a point leads to, where it does not signal."""
        for memory, piece in zip(memories.tolist(), into.tolist(), strict=True):
            if memory >= 0:
                if (memory, piece) not in known:
                    known[memory, piece] = len(known)
                    waiting.append((memory, piece))
                yield known[memory, piece], piece

    waiting: list[tuple[int, int]] = []
    start = [whole[0, part[piece]] for _, piece in reached(calls[0, cell, 1], pieces)]
    rows, columns, blocks = [], [], []
    for row, (memory, piece) in enumerate(waiting):
        for way, weights, into in ((0, falls, pieces[: piece + 1]), (2, climbs, pieces[piece:])):
            for column, then in reached(calls[memory, cell[into], way], into):
                rows.append(row)
                columns.append(column)
                blocks.append(weights[part[piece], part[then]])
    size = len(known) * nodes
    first = np.zeros(size)
    first[: len(start) * nodes] = np.concatenate(start)
    inner = np.arange(nodes)
    shape = (len(blocks), nodes, nodes)
    row_at = np.array(rows)[:, np.newaxis, np.newaxis] * nodes + inner[:, np.newaxis]
    column_at = np.array(columns)[:, np.newaxis, np.newaxis] * nodes + inner
    where = [np.broadcast_to(index, shape).ravel() for index in (row_at, column_at)]
    step = csr_array((np.array(blocks).ravel(), (where[0], where[1])), shape=(size, size))
    return Chain(first, step)


def cells(edges: FloatArray, sd: float) -> FloatArray:
    """The edges, with more between them where they stand far apart."""
    parts = [
        np.linspace(low, high, max(1, int(np.ceil((high - low) / (_WIDE * sd)))) + 1)[:-1]
        for low, high in pairwise(edges.tolist())
    ]
    return np.concatenate([*parts, edges[-1:]])


def integrals(
    edges: FloatArray, nodes: int, low: FloatArray, high: FloatArray, mean: float, sd: float
) -> tuple[FloatArray, FloatArray]:
    """
    Nodes of the cells, and the weights of a function at them for its integral from low to high.

    Against the normal density; one row a pair. The function is taken as a polynomial in each cell.
    """
    unit, _ = np.polynomial.legendre.leggauss(nodes)
    back = np.linalg.inv(np.polynomial.legendre.legvander(unit, nodes - 1))
    at, weights = [], []
    for left, right in pairwise(edges.tolist()):
        middle, half = (left + right) / 2, (right - left) / 2
        a, b = np.clip(low, left, right), np.clip(high, left, right)
        inner, inner_weights = _gauss(a, np.maximum(a, b), nodes + 4)
        load = _density(inner, mean, sd) * inner_weights
        powers = np.polynomial.legendre.legvander((inner - middle) / half, nodes - 1)
        weights.append(np.einsum("ij,ijk->ik", load, powers) @ back)
        at.append(middle + half * unit)
    return np.concatenate(at), np.concatenate(weights, axis=1)


def _gauss(low: npt.ArrayLike, high: npt.ArrayLike, nodes: int) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes and weights; one row a pair of ends."""
    unit, weights = _legendre(nodes)
    low, high = np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64)
    half = ((high - low) / 2)[..., np.newaxis]
    return ((low + high) / 2)[..., np.newaxis] + half * unit, half * weights


@lru_cache(maxsize=64)
def _legendre(nodes: int) -> tuple[FloatArray, FloatArray]:
    return np.polynomial.legendre.leggauss(nodes)


def _density(x: FloatArray, mean: float, sd: float) -> FloatArray:
    z = (x - mean) / sd
    return np.asarray(np.exp(-z * z / 2) / (sd * np.sqrt(2 * np.pi)), dtype=np.float64)
