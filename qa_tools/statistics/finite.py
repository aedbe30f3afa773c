"""What a sample says about a finite batch: its mean, and how many of it are short."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray


class Interval(NamedTuple):
    """An estimate between two bounds; the bounds are NaN where the data cannot give any."""

    estimate: float
    lower: float
    upper: float


def mean_interval(
    values: ArrayLike,
    lot_size: int | None = None,
    group: Sequence[object] | NDArray[np.object_] | None = None,
    confidence: float = 0.95,
    *,
    group_total: int | None = None,
    shared: tuple[float, float] = (0.0, math.inf),
    least_sd: float = 0.0,
) -> Interval:
    r"""
    The mean of a batch from a sample of it, with a two-sided confidence interval.

    A simple random sample has :math:`\bar y \pm t_{n-1} \, s \sqrt{(1-n/N)/n}`. Where packages came
    in groups (the bars of a loaf, the jars of a tray) and only some groups were sampled, packages
    of one group are not independent; then the spread between the groups decides. With
    :math:`w_i = n_i / n` the share of the sample from group i, and :math:`S = \sum w_i^2`,

    .. math:: v = (1 - n/N) \sum_i \frac{w_i^2 (\bar y_i - \bar y)^2}{(1 - w_i)^2 + S - w_i^2}

    is unbiased where group means vary alike, and Satterthwaite's rule gives its degrees of
    freedom: fewer than m - 1 where the groups are of unequal size. With the number M of groups in
    the batch known, the first factor is :math:`1 - 1/(M S)` instead (:math:`1 - m/M` for equal
    sizes, 0 when every group gave the same number), and the spread within groups comes in with
    :math:`s_w^2 (1/(M S n) - 1/N)`. The batch weighed in full has no interval left, but for an
    error that all values share.

    Parameters
    ----------
    values : array_like, shape (n,)
        Weights, any unit.
    lot_size : int, optional
        Packages in the batch; without it the batch counts as very large.
    group : sequence, shape (n,), optional
        The loaf or tray of each package.
    confidence : float
        Of the two-sided interval.
    group_total : int, optional
        Groups in the batch, of about the same size.
    shared : (variance, degrees of freedom)
        Of an error that all values share, such as that of a mean tare taken off each.
    least_sd : float
        Values spread by at least this much, whatever a few equal ones show: what rounding to the
        steps of a scale hides.

    Returns
    -------
    Interval
        ``estimate, lower, upper`` in the unit of `values`. The bounds are NaN for one package, or
        one group, out of more, and where the shared variance is NaN.

    Raises
    ------
    ValueError
        More values than packages or more groups than there are in the batch, a confidence that is
        not between 0 and 1, or a value without its group.

    Notes
    -----
    Cochran, Sampling Techniques, 3rd edition (1977), equation 2.20 for the simple sample, from
    memory. Groups: the bias-reduced cluster variance of Bell and McCaffrey (Survey Methodology 28,
    2002), from memory. With the number of groups in the batch unknown, ``1 - n/N`` on the spread
    between groups errs to the wide side. Where the variance has several parts, each comes in with
    Student's t of its own degrees of freedom, squared, which covers with at least the confidence
    (Banerjee, Sankhya 22, 1960, from memory). Coverage is simulated in the tests.

    Examples
    --------
    >>> mean_interval([119.0, 121.0, 120.0, 122.0], lot_size=8).estimate
    120.5
    >>> mean_interval([119.0, 121.0], lot_size=2)
    Interval(estimate=120.0, lower=120.0, upper=120.0)
    """
    y = np.asarray(values, dtype=float)
    n, mean = len(y), float(np.mean(y))
    _check(n, lot_size, confidence)
    parts = [shared]
    if n != lot_size:
        left = 0.0 if lot_size is None else 1 / lot_size
        parts += _variance_of_sample(y, group, group_total, left)
        least = least_sd**2 * (1 / n - left)
        short_of = least - sum(part for part, _ in parts[1:])
        if short_of > 0:  # NaN is not
            parts.append((short_of, n - 1.0))
    from scipy.special import stdtrit

    half = math.sqrt(
        sum(stdtrit(freedom, (1 + confidence) / 2) ** 2 * part for part, freedom in parts if part)
    )
    return Interval(mean, mean - half, mean + half)


def _variance_of_sample(
    y: NDArray[np.float64], group: object, group_total: int | None, left: float
) -> list[tuple[float, float]]:
    """
    Variances of the mean, each with its degrees of freedom, in a batch that is not weighed whole.

    `left` is 1/N, 0 for an endless batch.
    """
    n = len(y)
    between, freedom = _variance_of_mean(y, group)
    if group is None or group_total is None:
        return [(between * (1 - n * left), freedom)]
    index = group_numbers(cast(Sequence[object], group), n)
    counts = np.bincount(index)
    m = len(counts)
    if m > group_total:
        raise ValueError(f"{m} loaves or trays sampled of {group_total}: one of the two is wrong")
    if m == n:  # one of each: nothing is known of the spread within
        return [(between * (1 - n * left), freedom)]
    within = float(np.sum((y - (np.bincount(index, weights=y) / counts)[index]) ** 2)) / (n - m)
    reached = 1 / (group_total * float(np.sum((counts / n) ** 2)))
    inside = (within * max(reached / n - left, 0.0), float(n - m))
    if 1 - reached < 1e-9:  # every group gave the same number
        return [inside]
    return [((1 - reached) * between, freedom), inside]


def _check(n: int, lot_size: int | None, confidence: float) -> None:
    if lot_size is not None and not 1 <= n <= lot_size:
        raise ValueError(f"{n} weighed of {lot_size} packed: one of the two is wrong")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence}; give a share between 0 and 1, such as 0.95")


def group_numbers(group: Sequence[object] | NDArray[np.object_], n: int) -> NDArray[np.intp]:
    """
    The groups of n packages as numbers from 0.

    Raises
    ------
    ValueError
        Not as many groups as packages, or a package without one.

    Examples
    --------
    >>> group_numbers(["b", "a", "b"], 3).tolist()
    [1, 0, 1]
    """
    names = [str(name).strip() for name in group]
    if len(names) != n:
        raise ValueError(f"{n} weights but {len(names)} groups: give one loaf or tray a weight")
    for at, name in enumerate(names):
        if name in ("", "None", "nan", "<NA>", "NaT"):
            raise ValueError(
                f"weight {at + 1} of {n} has no loaf or tray; give it one, or no groups"
            )
    return np.unique(names, return_inverse=True)[1].astype(np.intp)


def _variance_of_mean(y: NDArray[np.float64], group: object) -> tuple[float, float]:
    """Variance of the mean in an endless batch, and its degrees of freedom; NaN where unknown."""
    n = len(y)
    if group is None:
        return (float(np.var(y, ddof=1)) / n, n - 1.0) if n > 1 else (math.nan, 0.0)
    index = group_numbers(cast(Sequence[object], group), n)
    counts = np.bincount(index)
    m = len(counts)
    if m < 2:
        return math.nan, 0.0
    w = counts / n
    deviations = np.bincount(index, weights=y) / counts - np.mean(y)
    a = w**2 / ((1 - w) ** 2 + np.sum(w**2) - w**2)
    residual = np.eye(m) - w  # group means to their deviations from the mean of all
    form = residual.T @ (a[:, None] * residual)  # the variance is this quadratic form in them
    freedom = np.trace(form) ** 2 / np.sum(form**2)
    return float(np.sum(a * deviations**2)), float(freedom)


def effective_size(values: ArrayLike, group: Sequence[object] | NDArray[np.object_]) -> int:
    """
    How many independent packages a sample in groups is worth: n over the design effect.

    Parameters
    ----------
    values : array_like, shape (n,)
        Weights, any unit.
    group : sequence, shape (n,)
        The loaf or tray of each package.

    Returns
    -------
    int
        Between 1 and n, rounded down; 1 where all came from one group.

    Notes
    -----
    The design effect is the variance of the mean with the groups over that without (Kish, Survey
    Sampling, 1965, from memory), here never below one.

    Examples
    --------
    >>> effective_size([1.0, 1.1, 5.0, 5.1, 9.0, 9.1], ["a", "a", "b", "b", "c", "c"])
    2
    """
    y = np.asarray(values, dtype=float)
    clustered, _ = _variance_of_mean(y, group)
    if math.isnan(clustered):
        return 1
    simple, _ = _variance_of_mean(y, None)
    if clustered <= simple:
        return len(y)
    return max(1, math.floor(len(y) * simple / clustered))


def most_short(short: int, n: int, lot_size: int | None = None, confidence: float = 0.95) -> float:
    """
    The largest share of a batch that may be short, given how many of a random sample were.

    One-sided: the smallest bound that covers the true share with at least `confidence`. In a
    finite batch it is hypergeometric, in an endless one binomial (Clopper-Pearson). All weighed
    and none short gives 0.

    Parameters
    ----------
    short, n : int
        Short packages, of how many weighed.
    lot_size : int, optional
        Packages in the batch.
    confidence : float
        Of the one-sided bound.

    Returns
    -------
    float
        A share between 0 and 1.

    Raises
    ------
    ValueError
        More weighed than packages in the batch, or a confidence that is not between 0 and 1.

    Notes
    -----
    Clopper and Pearson, Biometrika 26 (1934); the finite form inverts the hypergeometric
    distribution in the same way (Katz, JASA 48, 1953, from memory).

    Examples
    --------
    >>> most_short(0, 98, 98)
    0.0
    >>> round(most_short(0, 30), 4)
    0.095
    >>> most_short(0, 20, 100)
    0.12
    """
    _check(n, lot_size, confidence)
    if short >= n:
        return 1.0
    if lot_size is None:
        from scipy.special import betaincinv

        return float(betaincinv(short + 1, n - short, confidence))
    low, high = short, lot_size - (n - short)  # short packages the batch can have at all
    while low < high:  # the largest count under which so few are still seen often enough
        middle = (low + high + 1) // 2
        if hypergeometric_cdf(short, lot_size, middle, n) > 1 - confidence:
            low = middle
        else:
            high = middle - 1
    return low / lot_size


def hypergeometric_cdf(x: int, lot_size: int, short: int, n: int) -> float:
    """
    Chance of at most `x` short packages in `n` drawn from a lot that holds `short` of them.

    Examples
    --------
    >>> round(hypergeometric_cdf(0, 100, 5, 20), 11)  # 19513 / 61110
    0.31930944199
    """

    def ways(k: int, of: int) -> float:
        return math.lgamma(of + 1) - math.lgamma(k + 1) - math.lgamma(of - k + 1)

    everything = ways(n, lot_size)
    total = math.fsum(
        math.exp(ways(k, short) + ways(n - k, lot_size - short) - everything)
        for k in range(max(0, n - (lot_size - short)), min(x, n, short) + 1)
    )
    return min(total, 1.0)
