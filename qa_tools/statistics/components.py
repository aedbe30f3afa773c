"""How much of the spread lies between batches and how much within them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Components:
    """
    Two levels of spread: reading = mean + what its batch adds + what the reading adds.

    Attributes
    ----------
    mean : float
        Mean of all batches that could be made, each batch weighed by what it tells of it.
    between : float
        Standard deviation of the true batch means; 0 where batches differ no more than their
        readings explain.
    within : float
        Standard deviation of readings of one batch.
    """

    mean: float
    between: float
    within: float

    @property
    def share_between(self) -> float:
        """Part of the variance of a single reading that lies between batches, 0 to 1."""
        return self.between**2 / (self.between**2 + self.within**2)


def components(sizes: IntArray, means: FloatArray, squares: float) -> Components:
    """
    Variance components of readings in batches, sizes equal or not, by restricted likelihood.

    Parameters
    ----------
    sizes, means : array of shape (batches,)
        Readings of each batch, and their mean.
    squares : float
        Sum of squared deviations of the readings from their own batch mean.

    Raises
    ------
    ValueError
        Fewer than two batches, no batch with two readings, no difference within any batch, or
        batches that differ a thousand times more than their readings do.

    Notes
    -----
    Restricted maximum likelihood (Patterson and Thompson 1971, Biometrika 58, 545-554, from
    memory), profiled over the ratio of the two variances. With equal sizes and batches that differ
    it is the analysis of variance: between variance = (mean square between - within) / size.

    Examples
    --------
    >>> rows = np.array([[120.0, 121.0], [123.0, 124.0], [118.0, 119.0]])
    >>> within = ((rows - rows.mean(axis=1, keepdims=True)) ** 2).sum()
    >>> found = components(np.array([2, 2, 2]), rows.mean(axis=1), within)
    >>> round(found.within**2, 6), round(found.between**2, 6), round(found.share_between, 3)
    (0.5, 6.083333, 0.924)
    """
    from scipy.optimize import brentq

    batches, total = len(sizes), int(sizes.sum())
    if batches < 2 or total == batches:
        raise ValueError(
            "telling spread between batches from spread within them needs two or more batches, "
            f"one of them with two or more readings; got {batches} batches, {total} readings"
        )
    if squares <= 0:
        raise ValueError(
            "within every batch all readings are equal (sd 0): weigh on a finer scale, or chart "
            "one reading a batch with charts.individuals"
        )

    def solved(ratio: float) -> tuple[float, float, float, float]:
        """Mean, within variance, deviance and its slope at a between / within variance."""
        weights = sizes / (1 + sizes * ratio)
        centre = float(np.average(means, weights=weights))
        away = weights * (means - centre) ** 2
        variance = (squares + float(away.sum())) / (total - 1)
        deviance = (total - 1) * np.log(variance)
        deviance += np.log1p(sizes * ratio).sum() + np.log(weights.sum())
        slope = weights.sum() - (weights**2).sum() / weights.sum() - (weights @ away) / variance
        return centre, variance, float(deviance), float(slope)

    # In logs, from a between variance of a millionth of the other to a million times it; first on a
    # grid, since the likelihood can have a second hump when sizes are very unequal.
    logs = np.linspace(-14.0, 14.0, 113)
    best = int(np.argmin([solved(float(np.exp(log)))[2] for log in logs]))
    if best == len(logs) - 1:
        raise ValueError(
            "batches differ a million times more than their readings (in variance), which no "
            "scale shows; look for readings in another unit"
        )
    ratio = 0.0
    if best > 0:
        ratio = float(
            np.exp(brentq(lambda log: solved(np.exp(log))[3], logs[best - 1], logs[best + 1]))
        )
    if solved(0.0)[2] <= solved(ratio)[2]:
        ratio = 0.0
    centre, variance, _, _ = solved(ratio)
    return Components(centre, float(np.sqrt(ratio * variance)), float(np.sqrt(variance)))
