"""The packages of a batch that were not weighed, predicted from those that were."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from qa_tools.statistics.finite import group_numbers

Array = NDArray[np.float64]
Draw = Callable[[int, int], Array]

ENOUGH: Final = 20  # weighings below which a sample does not show its shape
# Chance, taken large, of a lightest package so close to the mean; about 1 in 100 samples of normal
# fills have it smaller (simulated in the tests).
_EDGE: Final = 0.05
# What is thought of the shape before weighing: normal with this probability, else on either side
# with a threshold so many standard deviations from the mean, all equally. Log-normal fills whose
# threshold stands there have a skewness of 1.6 and 0.8.
_NORMAL: Final = 0.5
_THRESHOLDS: Final = (2.0, 4.0)
# Steps of an even three-dimensional sequence: powers of the root of x^4 = x + 1 (Roberts, 2018,
# from memory).
_STEPS: Final = np.array([1.2207440846**-power for power in (1, 2, 3)])


class Prediction(NamedTuple):
    """
    How the packages not weighed are predicted.

    ``draw(k, m)`` gives an array (states, k, m): m packages, k times, in each state of what the
    sample leaves unknown; further calls go on with the same states.
    """

    method: str
    why: str
    draw: Draw


def prediction(
    values: Array,
    unweighed: int,
    states: int,
    rng: np.random.Generator,
    group: Sequence[object] | None = None,
) -> Prediction:
    r"""
    Choose, from the weighings, how to predict the packages that were not weighed.

    * Grouped (loaves, trays): group means and packages within a group both vary normally, and the
      packages not weighed come from other groups, as large as the largest seen.
    * The lightest stands too close to the mean for normal fills, as after sorting or topping up:
      the weighed ones themselves, each with a share the sample leaves unknown (the Bayesian
      bootstrap). A normal tail below such an edge would be invented.
    * Otherwise an average over `shapes`: normal, and log-normal from a threshold on either side,
      each by how probable the weighings make it. So few seldom settle the shape, and a long light
      tail is just what decides; fewer than twenty show none but normal.

    Prior: mean and log sd flat (:math:`1/\sigma^2` on the variance), in every shape; normal fills
    as probable as all lopsided ones together. With groups the log variance within is flat, and that
    of group means (times packages a group), which is no smaller. Few groups then leave much
    unknown; where groups are in truth alike this errs to the wide side.

    Parameters
    ----------
    values : ndarray, shape (n,)
        At least two.
    unweighed : int
        Packages to predict.
    states : int
        How many states of what the sample leaves unknown.
    rng : numpy Generator
    group : sequence, shape (n,), optional

    Raises
    ------
    ValueError
        One value alone, or all from one group.

    Notes
    -----
    Prior and predictive distribution: Box and Tiao, Bayesian Inference in Statistical Analysis
    (1973), 2.4 and 5.2; Bayesian bootstrap: Rubin, Annals of Statistics 9 (1981); averaging over
    models: Hoeting and others, Statistical Science 14 (1999). All from memory.
    """
    n = len(values)
    if n < 2:
        raise ValueError("one weighing says nothing of the spread; weigh at least two packages")
    if group is not None:
        index = group_numbers(group, n)
        groups = int(index.max()) + 1
        if groups == 1:
            raise ValueError(
                "all weighings come from one loaf or tray, which says nothing of the others; "
                "weigh packages from at least two"
            )
        if groups < n:
            why = f"packages of one loaf or tray are alike, and {groups} were weighed"
            return Prediction("groups", why, _grouped(values, index, unweighed, states, rng))
    if n < ENOUGH or np.ptp(values) == 0:
        why = f"{n} weighings show no other shape"
        return Prediction("normal", why, _normal(values, states, rng))
    if edge_chance(values) < _EDGE:
        why = "the lightest lie so close to the mean that the fills look sorted or topped up"
        return Prediction("weighed", why, _weighed(values, states, rng))
    found = shapes(values)
    return Prediction("averaged", _odds(found), _averaged(values, found, states, rng))


def edge_chance(values: Array) -> float:
    """
    Chance that the lightest of normal fills would lie no further below their mean.

    One standardised residual of n has a beta distribution (Thompson, Annals of Mathematical
    Statistics 6, 1935, from memory); the n of them are taken as independent, which makes
    the chance too large.

    Examples
    --------
    >>> edge_chance(np.arange(0.0, 6.0, 0.1) ** 2) < 0.001  # crowded at the light end
    True
    """
    from scipy.special import betainc

    n = len(values)
    lightest = (values.min() - values.mean()) / np.std(values, ddof=1)
    half = (n - 2) / 2
    below = betainc(half, half, (1 + lightest * math.sqrt(n) / (n - 1)) / 2)
    return float((1 - below) ** n)


class Shape(NamedTuple):
    """
    A shape of fills, and how probable the weighings make it.

    `side` is 0 for normal fills; else the logs of how far they lie from `threshold` are normal: -1
    with the longer side light (the threshold above them), 1 with the longer side heavy.
    """

    side: int
    threshold: float
    probability: float


def shapes(values: Array) -> list[Shape]:
    r"""
    Normal and lopsided shapes that the weighings allow, each with its probability.

    Parameters
    ----------
    values : ndarray, shape (n,)
        That differ.

    Returns
    -------
    list of Shape
        The normal one first; the probabilities add up to 1.

    Notes
    -----
    By Bayes' theorem, from the prior and the marginal likelihood, with mean and log sd flat:
    :math:`S^{-(n-1)/2}` for normal fills with sum of squares S, and for logs :math:`y` of the
    distances from a threshold :math:`e^{\bar y - n \bar y} S_y^{-(n-1)/2}`, which comes to the
    former as the threshold moves away (Box and Tiao 1973, 2.4, from memory; the change of variable
    is ours).

    Examples
    --------
    >>> found = shapes(125 - np.exp(np.linspace(-1.2, 2, 40)))
    >>> light = sum(shape.probability for shape in found if shape.side < 0)
    >>> round(found[0].probability, 3), round(light, 3)
    (0.002, 0.998)
    """
    n, mean, sd = len(values), float(values.mean()), float(values.std(ddof=1))
    kept = [(0, math.nan)]
    logs = [math.log(_NORMAL) - (n - 1) / 2 * math.log(np.sum((values - mean) ** 2))]
    for side in (-1, 1):
        for times in _THRESHOLDS:
            threshold = mean - side * times * sd
            gaps = side * (values - threshold)
            if gaps.min() <= 0:  # weighings beyond it
                continue
            y = np.log(gaps)
            prior = math.log((1 - _NORMAL) / 2 / len(_THRESHOLDS))
            spread = (n - 1) / 2 * math.log(np.sum((y - y.mean()) ** 2))
            kept.append((side, threshold))
            logs.append(float(prior + y.mean() - y.sum() - spread))
    share = np.exp(np.array(logs) - max(logs))
    share /= share.sum()
    return [Shape(*one, float(p)) for one, p in zip(kept, share, strict=True)]


def _even(states: int) -> Array:
    """Points spread evenly over the unit cube, shape (3, states)."""
    return (0.5 + np.outer(_STEPS, np.arange(1, states + 1))) % 1


def _chi_square(freedom: int, at: Array) -> Array:
    from scipy.special import gammaincinv

    return np.asarray(2 * gammaincinv(freedom / 2, at))


def _normal(values: Array, states: int, rng: np.random.Generator) -> Draw:
    from scipy.special import ndtri

    n = len(values)
    for_spread, for_mean, _ = _even(states)
    sd = np.sqrt(np.sum((values - values.mean()) ** 2) / _chi_square(n - 1, for_spread))
    mean = values.mean() + ndtri(for_mean) * sd / math.sqrt(n)

    def draw(k: int, m: int) -> Array:
        return np.asarray(_wide(mean) + _wide(sd) * rng.standard_normal((states, k, m)))

    return draw


def _grouped(
    values: Array,
    index: NDArray[np.intp],
    unweighed: int,
    states: int,
    rng: np.random.Generator,
) -> Draw:
    from scipy.special import ndtri

    n, size = len(values), np.bincount(index)
    groups = len(size)
    means = np.bincount(index, weights=values) / size
    for_within, for_between, for_mean = _even(states)
    within = np.sum((values - means[index]) ** 2) / _chi_square(n - groups, for_within)
    apart = np.sum(size * (means - values.mean()) ** 2) / _chi_square(groups - 1, for_between)
    typical = (n - np.sum(size**2) / n) / (groups - 1)  # packages a group, were they all alike
    between = np.maximum(0, apart - within) / typical
    error = np.sqrt(between * np.sum(size**2) / n**2 + within / n)
    mean = values.mean() + ndtri(for_mean) * error
    others = max(1, math.ceil(unweighed / size.max()))

    def draw(k: int, m: int) -> Array:
        shift = np.sqrt(_wide(between)) * rng.standard_normal((states, k, others))
        own = np.take_along_axis(shift, rng.integers(others, size=(states, k, m)), axis=2)
        spread = np.sqrt(_wide(within)) * rng.standard_normal((states, k, m))
        return np.asarray(_wide(mean) + own + spread)

    return draw


def _weighed(values: Array, states: int, rng: np.random.Generator) -> Draw:
    shares = rng.dirichlet(np.ones(len(values)), states)

    def draw(k: int, m: int) -> Array:
        return np.stack([rng.choice(values, (k, m), p=share) for share in shares])

    return draw


def _odds(found: Sequence[Shape]) -> str:
    """The probable shapes in words: "normal 62 %, a longer light side 38 %"."""
    words = {0: "normal", -1: "a longer light side", 1: "a longer heavy side"}
    odds = {side: sum(s.probability for s in found if s.side == side) for side in words}
    return ", ".join(f"{words[side]} {100 * p:.0f} %" for side, p in odds.items() if p >= 0.005)


def _averaged(values: Array, found: Sequence[Shape], states: int, rng: np.random.Generator) -> Draw:
    """Each shape in as many states as it is probable."""
    ends = np.rint(states * np.cumsum([shape.probability for shape in found])).astype(int)
    counts = np.diff(ends, prepend=0).tolist()
    parts = [_shaped(values, s, k, rng) for s, k in zip(found, counts, strict=True) if k]
    return lambda k, m: np.concatenate([part(k, m) for part in parts])


def _shaped(values: Array, shape: Shape, states: int, rng: np.random.Generator) -> Draw:
    if not shape.side:
        return _normal(values, states, rng)
    logs = _normal(np.log(shape.side * (values - shape.threshold)), states, rng)
    return lambda k, m: shape.threshold + shape.side * np.exp(logs(k, m))


def _wide(values: Array) -> Array:
    return values[:, None, None]
