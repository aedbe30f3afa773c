"""How random draws of a plan's size fare, where more packages were weighed than the plan asks."""

from __future__ import annotations

import math
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
    `error` is the standard error of `accept` (and of the others at most 0.0025).
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

    The packages are shuffled; the first ones are the first sample, the next ones the second, and
    the mean test takes its own number from the first, as the plan says. 40,000 seeded shuffles: a
    standard error of at most 0.0025, and 0.0011 at the shares 0.95 and 0.05 that decide.

    Parameters
    ----------
    errors : ndarray, shape (n,)
        Net weights less the declared quantity, grams.
    short, twice : ndarray of bool, shape (n,)
        Which are short by more than T, and by more than 2T.
    plan : SamplingPlan

    Examples
    --------
    >>> from qa_tools.books.rulebook import rulebook
    >>> plan = rulebook("us-hb133").plan(108)
    >>> flags = np.zeros(30, bool)
    >>> flags[0] = True  # one of 30 beyond the MAV: 18 of 30 draws of 12 leave it out
    >>> draws = share_of_draws(np.full(30, 1.0), flags, np.zeros(30, bool), plan)
    >>> round(draws.accept, 1)
    0.6
    """
    n = errors.size
    reach = min(n, plan.n_all)
    rng = np.random.default_rng(SEED)
    totals = np.zeros(5)
    chunk = max(1, _CELLS // n)
    for start in range(0, DRAWS, chunk):
        size = min(chunk, DRAWS - start)
        order = np.argsort(rng.random((size, n), dtype=np.float32), axis=1)[:, :reach]
        count = _count(short[order], plan, reach)
        mean = _mean(errors[order], plan)
        over = np.ones(size, np.int8)
        if plan.beyond_twice_reject is not None:
            over = np.where(twice[order].sum(axis=1) >= plan.beyond_twice_reject, -1, 1)
        worst = np.minimum(np.minimum(count, mean), over)
        totals += [
            (worst > 0).sum(),
            (worst < 0).sum(),
            *((t > 0).sum() for t in (count, mean, over)),
        ]
    accept, reject, counted, meant, overs = (float(total) / DRAWS for total in totals)
    error = math.sqrt(accept * (1 - accept) / DRAWS)
    return Draws(accept, reject, counted, meant, overs, error)


def _count(short: NDArray[np.bool_], plan: SamplingPlan, reach: int) -> NDArray[np.int8]:
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


def _mean(errors: NDArray[np.float64], plan: SamplingPlan) -> NDArray[np.int8]:
    if plan.mean_n is None or plan.factor is None:
        return np.ones(errors.shape[0], np.int8)
    own = errors[:, : plan.mean_n]
    spread = own.std(axis=1, ddof=1) if plan.factor and plan.mean_n > 1 else 0.0
    return np.where(own.mean(axis=1) + plan.factor * spread >= -EXACT_G, 1, -1).astype(np.int8)
