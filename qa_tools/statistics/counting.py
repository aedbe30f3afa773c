"""The chance that a count test in one or more stages accepts, exactly."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def acceptance(
    stages: Sequence[tuple[int, int, int]],
    shares: Sequence[Array],
    twice_reject: int | None = None,
    weighed: int = 0,
) -> Array:
    """
    Chance that a count test accepts, for what the first few packages may have shown.

    Packages come one by one from a process (binomial; trinomial with a second limit), stage after
    stage, the counts adding up. A lot is accepted at the first stage whose accept number is not
    passed; from the reject number it fails; between, the next stage is drawn.

    Parameters
    ----------
    stages : sequence of (n, accept, reject)
    shares : one or two ndarrays, shape (m,)
        Shares of the process beyond a limit, and, part of these, beyond a second.
    twice_reject : int, optional
        Packages beyond the second limit that fail the lot.
    weighed : int
        Packages of the first stage whose counts are known.

    Returns
    -------
    ndarray, shape (j, k, m)
        By packages beyond the first limit, and beyond the second (one entry without it), among
        those weighed. Counts outside the array are never accepted.

    Examples
    --------
    Directive 76/211/EEC, lots of 100 to 500, 5 % of packages beyond T (sheet: 0.7636):

    >>> acceptance([(30, 1, 3), (30, 4, 5)], [np.array([0.05])])[0, 0].round(4).tolist()
    [0.7636]
    """
    short = shares[0]
    twice = shares[1] if len(shares) > 1 else np.zeros_like(short)
    size = max(reject for _, _, reject in stages), twice_reject or 1
    counted = np.arange(size[0])[:, None, None]
    chance = np.zeros((*size, len(short)))
    for at, (n, accept, reject) in reversed(list(enumerate(stages))):
        chance = np.where(counted <= accept, 1.0, np.where(counted >= reject, 0.0, chance))
        chance = _before(chance, n if at else n - weighed, short, twice)
    return chance


def _before(chance: Array, n: int, short: Array, twice: Array) -> Array:
    """The chance before n more packages, from the chance after them."""
    found = np.zeros_like(chance)
    between, rest = short - twice, 1 - short
    for j in range(min(n + 1, len(chance))):
        for k in range(min(j + 1, chance.shape[1])):
            weight = math.comb(n, j) * math.comb(j, k) * twice**k * between ** (j - k)
            found[: len(chance) - j, : chance.shape[1] - k] += (
                weight * rest ** (n - j) * chance[j:, k:]
            )
    return found
