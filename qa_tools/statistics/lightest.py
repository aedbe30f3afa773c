"""How the lightest packages of a normal sample go together with its mean and its spread."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache, lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DRAWS: Final = 1_000_000
SEED: Final = 417_133  # fixed, so that the same question always gets the same answer
_CHUNK: Final = 20_000  # samples drawn at once
_SIDE: Final = 64  # 64 x 64 cells stand for all draws
_TURN: Final = 2531  # 4096 over the golden ratio, odd: pairs sd and residual evenly


class Together(NamedTuple):
    """Chances, for each limit: the mean reaches its own, the order statistics theirs, and both."""

    mean: Array
    lowest: Array
    both: Array


@lru_cache(maxsize=1)
def lowest_residuals(n: int, keep: int) -> NDArray[np.float32]:
    """
    The lowest `keep` of n standardised residuals, ascending, in a million seeded normal samples.

    A standardised residual is ``(value - mean) / sd`` of the sample itself (sd with divisor
    n - 1). In a normal sample the residuals are independent of its mean and its sd (Basu, Sankhya
    15, 1955, from memory).

    Examples
    --------
    >>> print(lowest_residuals(2, 1)[:3, 0])  # half the root of two in every sample
    [-0.70710677 -0.70710677 -0.70710677]
    """
    rng = np.random.default_rng(SEED)
    rows = []
    for _ in range(0, DRAWS, _CHUNK):
        z = rng.standard_normal((_CHUNK, n), dtype=np.float32)
        z -= z.mean(axis=1, keepdims=True)
        if n > 1:
            z /= np.sqrt((z**2).sum(axis=1, keepdims=True) / (n - 1))
        rows.append(np.sort(np.partition(z, keep - 1, axis=1)[:, :keep], axis=1))
    return np.concatenate(rows)


@cache
def _cells(n: int, places: tuple[int, ...]) -> tuple[Array, Array]:
    """
    One or two of the lowest residuals (by place, from 0) as 4096 points, and their weights.

    The draws are sorted by the first and cut into blocks, smaller towards both ends; each is sorted
    by the second and cut evenly; every piece is averaged.
    """
    tens = 10 * (max(places) // 10 + 1)  # one set of draws serves all places of a plan
    drawn = lowest_residuals(n, min(n, tens))[:, list(places)]
    drawn = drawn[np.argsort(drawn[:, 0], kind="stable")]
    cuts = np.rint(DRAWS * np.sin(np.pi / 2 * np.arange(1, _SIDE) / _SIDE) ** 2).astype(int)
    pieces = [
        piece
        for block in np.split(drawn, cuts)
        for piece in np.array_split(block[np.argsort(block[:, -1], kind="stable")], _SIDE)
    ]
    weights = np.array([len(piece) for piece in pieces]) / DRAWS
    return np.stack([piece.mean(axis=0, dtype=float) for piece in pieces], axis=1), weights


@cache
def _spreads(n: int) -> tuple[Array, Array]:
    """The sd of a sample of n from a process with sd 1, as 4096 points, and their weights."""
    from scipy.special import gammaincinv

    at = ((np.arange(_SIDE**2) * _TURN) % _SIDE**2 + 0.5) / _SIDE**2
    if n == 1:
        return np.zeros_like(at), np.ones_like(at)  # its one residual is 0 as well
    half = (n - 1) / 2
    return np.sqrt(gammaincinv(half, np.sin(np.pi / 2 * at) ** 2) / half), np.sin(np.pi * at)


def together(
    n: int, factor: float, limit: Array, lowest: Sequence[Array], places: tuple[int, ...]
) -> Together:
    r"""
    Chances that the mean of a normal sample reaches one limit and its lightest reach others.

    For n standard normal values: :math:`\bar z + k s \ge d`, and the value at each of `places` in
    ascending order (from 0) at least the limit beside it in `lowest`. Given the sd and the
    residuals each of these is a lower bound on the mean, whose distribution is known; the residuals
    come from a seeded sample.

    Parameters
    ----------
    n : int
    factor : float
        k above.
    limit : ndarray, shape (m,)
        d above.
    lowest : one or two ndarrays, shape (m,)
    places : as many ints

    Returns
    -------
    Together
        Each of shape (m,), good to about 0.002; `mean` and `lowest` have exact values elsewhere,
        to which the three can be scaled.
    """
    from scipy.special import ndtr

    (s, weight), (cells, share) = _spreads(n), _cells(n, places)
    weight = weight * share / (weight @ share)
    own = limit[:, None] - factor * s
    bound = np.full_like(own, -np.inf)
    for edge, residual in zip(lowest, cells, strict=True):
        bound = np.maximum(bound, edge[:, None] - residual * s)
    root = np.sqrt(n)
    return Together(
        *(np.asarray(ndtr(-root * edge) @ weight) for edge in (own, bound, np.maximum(own, bound)))
    )


@cache
def gauss_points(n: int) -> tuple[Array, Array]:
    """Gauss-Legendre points and weights on 0 to 1."""
    x, weight = np.polynomial.legendre.leggauss(n)
    return (x + 1) / 2, weight / 2


def mean_below(n: int, factor: float, limit: Array) -> Array:
    r"""
    Chance that :math:`\bar z + k s < d` for n standard normal values: a non-central t probability.

    Integrated over the distribution of s by 200 Gauss-Legendre points, which keeps its digits far
    out in the tails.

    Examples
    --------
    >>> mean_below(30, 0.503, np.array([0.0, 0.5])).round(4).tolist()  # sheet: 0.9950, 0.4969 pass
    [0.005, 0.5031]
    """
    from scipy.special import gammaincinv, gammaln, ndtr

    if factor == 0:
        return np.asarray(ndtr(np.sqrt(n) * limit))
    half = (n - 1) / 2
    low, high = (np.sqrt(gammaincinv(half, q) / half) for q in (1e-15, 1 - 1e-15))
    x, weight = gauss_points(200)
    s = low + (high - low) * x
    log_density = np.log(2 * half**half) - gammaln(half) + (n - 2) * np.log(s) - half * s**2
    weight = weight * np.exp(log_density)
    tail = ndtr(np.sqrt(n) * (limit[:, None] - factor * s))
    return np.asarray(tail @ (weight / weight.sum()))
