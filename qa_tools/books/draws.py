"""How random draws of a plan's size fare, where more packages were weighed than the plan asks."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from qa_tools.books.limits import EXACT_G
from qa_tools.books.plans import SamplingPlan

DRAWS: Final = 40_000
SEED: Final = 761_211  # fixed, so that the same weights always get the same answer
_CELLS: Final = 2_000_000  # random keys held at once


class Draws(NamedTuple):
    """
    Shares of all random draws of the plan's size.

    `accept` and `reject` are of the whole test (what is left needs a second sample that the
    weighings cannot fill), `short`, `mean` and `twice` the shares that pass each test alone.
    The counts are exact; `error` is the standard error of `accept` (0 where the mean never decides,
    and at most 0.0025), as it is of `mean`.
    """

    accept: float
    reject: float
    short: float
    mean: float
    twice: float
    error: float


def share_of_draws(
    errors: NDArray[np.float64],
    short: NDArray[np.bool_],
    twice: NDArray[np.bool_],
    plan: SamplingPlan,
) -> Draws:
    """
    The share of random draws from the weighed packages that a plan would pass.

    The counts follow from how many packages are short, exactly. For the mean, the packages are
    shuffled (40,000 times, seeded): the first ones are the first sample, the next ones the second,
    and the mean test takes its own number from the first, as the plan says. How often it passes
    is counted apart for each end the counts can come to, and weighed with that end's exact share.
    Where the lightest packages together pass it, every draw does, and nothing is shuffled.

    Parameters
    ----------
    errors : ndarray, shape (n,)
        Net weights less the declared quantity, grams.
    short, twice : ndarray of bool, shape (n,)
        Which are short by more than T, and by more than 2T (these are among the first).
    plan : SamplingPlan

    Notes
    -----
    The numbers of short packages in the first and second sample are hypergeometric; of those, the
    number beyond 2T is so again.

    Examples
    --------
    >>> from qa_tools.books.rulebook import rulebook
    >>> plan = rulebook("us-hb133").plan(108)
    >>> flags = np.zeros(30, bool)
    >>> flags[0] = True  # one of 30 beyond the MAV: 18 of 30 draws of 12 leave it out
    >>> share_of_draws(np.full(30, 1.0), flags, np.zeros(30, bool), plan).accept
    0.6
    """
    n = errors.size
    reach = min(n, plan.n_all)
    ends = _ends(n, int(short.sum()), int(twice.sum()), plan, reach)
    passed = dict.fromkeys(ends, 1)
    seen = dict.fromkeys(ends, 1)
    if not mean_always_holds(errors, plan):
        order = _orders(n, reach, DRAWS)
        # with no package short, every draw counts alike: one row stands for all
        flags = short[order] if short.any() else np.zeros((1, reach), np.bool_)
        count = np.broadcast_to(count_test(flags, plan, reach), DRAWS)
        over = np.ones(DRAWS, np.int8)
        if plan.beyond_twice_reject is not None and twice.any():
            over = np.where(twice[order].sum(axis=1) >= plan.beyond_twice_reject, -1, 1)
        mean = mean_test(errors[order[:, : plan.mean_n]], plan) > 0
        for end in ends:
            mine = (count == end[0]) & (over == end[1])
            seen[end] = int(mine.sum())
            passed[end] = int(mean[mine].sum())
    accept = reject = meant = variance = 0.0
    for (counted, over_), share in ends.items():
        of = seen[counted, over_]
        # an end that no draw came to is too rare to matter: its mean is taken to fail
        holds = passed[counted, over_] / of if of else 0.0
        meant += share * holds
        if counted > 0 and over_ > 0:
            accept += share * holds
            variance += share**2 * holds * (1 - holds) / max(of, 1)
        reject += share if counted < 0 or over_ < 0 else share * (1 - holds)
    counts = sum(share for (counted, _), share in ends.items() if counted > 0)
    overs = sum(share for (_, over_), share in ends.items() if over_ > 0)
    accept, reject, counts, meant, overs = (
        round(value, 12) for value in (accept, reject, counts, meant, overs)
    )
    return Draws(accept, reject, counts, meant, overs, math.sqrt(variance))


def mean_always_holds(errors: NDArray[np.float64], plan: SamplingPlan) -> bool:
    """Whether even the lightest packages together pass the mean test: then every draw does."""
    if plan.mean_n is None or plan.factor is None:
        return True
    lightest = np.sort(errors)[: min(plan.mean_n, errors.size)]
    # the spread of a draw only ever helps it
    return bool(plan.factor >= 0 and lightest.mean() >= -EXACT_G)


@lru_cache(maxsize=8)
def _orders(n: int, reach: int, draws: int) -> NDArray[np.int32]:
    """The shuffles of n packages, as far as a plan reads them: the same every time, so kept."""
    rng = np.random.default_rng(SEED)
    chunk = max(1, _CELLS // n)
    parts = []
    for start in range(0, draws, chunk):
        keys = rng.random((min(chunk, draws - start), n), dtype=np.float32)
        parts.append(np.argsort(keys, axis=1)[:, :reach].astype(np.int32))
    order: NDArray[np.int32] = np.concatenate(parts)
    order.flags.writeable = False
    return order


def _ends(
    n: int, short: int, twice: int, plan: SamplingPlan, reach: int
) -> dict[tuple[int, int], float]:
    """What the count test and the count beyond 2T can come to (1, -1, 0 open), with its chance."""
    limit = plan.beyond_twice_reject
    sizes = [stage.n for stage in plan.count_stages]
    first = min(sizes[0] if sizes else reach, reach)
    ends: dict[tuple[int, int], float] = {}
    for k, chance in _drawn(n, short, first):
        for more, then in _drawn(n - first, short - k, reach - first):
            total = k + more
            result = _counted([k, total], plan, reach)
            over = 1.0 if limit is None else _at_most(limit - 1, short, twice, total)
            for beyond, part in ((1, over), (-1, 1 - over)):
                if part > 0:
                    end = (result, beyond)
                    ends[end] = ends.get(end, 0.0) + chance * then * part
    return ends


def _drawn(n: int, short: int, size: int) -> list[tuple[int, float]]:
    """How many short ones `size` packages drawn from n hold, each number with its chance."""
    everything = math.comb(n, size)
    return [
        (k, math.comb(short, k) * math.comb(n - short, size - k) / everything)
        for k in range(max(0, size - (n - short)), min(short, size) + 1)
    ]


def _at_most(most: int, short: int, twice: int, total: int) -> float:
    """The chance that at most so many of `total` short packages drawn are beyond 2T."""
    return math.fsum(chance for k, chance in _drawn(short, twice, total) if k <= most)


def _counted(found: list[int], plan: SamplingPlan, reach: int) -> int:
    """What the count test says of a draw with so many short after each stage."""
    end = 0
    for stage, count in zip(plan.count_stages, found, strict=False):
        end += stage.n
        if end > reach:
            return 0
        if count <= stage.accept:
            return 1
        if count >= stage.reject:
            return -1
    return 0 if plan.count_stages else 1


def count_test(short: NDArray[np.bool_], plan: SamplingPlan, reach: int) -> NDArray[np.int8]:
    """The count test of each draw: 1 passes, -1 fails, 0 needs more than was weighed."""
    result = np.zeros(short.shape[0], np.int8)
    end = 0
    for stage in plan.count_stages:
        end += stage.n
        if end > reach:
            return result
        found = short[:, :end].sum(axis=1)
        open_ = result == 0
        result[open_ & (found <= stage.accept)] = 1
        result[open_ & (found >= stage.reject)] = -1
    return result if plan.count_stages else np.ones_like(result)


def mean_test(errors: NDArray[np.float64], plan: SamplingPlan) -> NDArray[np.int8]:
    """The mean test of each draw, on the first packages it takes: 1 passes, -1 fails."""
    if plan.mean_n is None or plan.factor is None:
        return np.ones(errors.shape[0], np.int8)
    own = errors[:, : plan.mean_n]
    mean = own.mean(axis=1)
    if plan.factor and own.shape[1] > 1:
        apart = own - mean[:, None]
        mean += plan.factor * np.sqrt(np.einsum("ij,ij->i", apart, apart) / (own.shape[1] - 1))
    return np.where(mean >= -EXACT_G, 1, -1).astype(np.int8)
