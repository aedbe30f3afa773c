"""The wander told of a wire: the root of its variance, not low for what else is not known."""

from __future__ import annotations

import numpy as np

from qa_tools.decisions.wires.cutter import FloatArray
from qa_tools.decisions.wires.profile import interval
from qa_tools.decisions.wires.wander import Likelihood, Problem


def estimate(
    problem: Problem, best: FloatArray, found: Likelihood, parameter: int, confidence: float = 0.95
) -> tuple[float, float, float]:
    """
    Standard deviation and its profile interval.

    Parameters
    ----------
    best, found
        From ``fitted``.
    parameter : int
        Of a variance that is free.
    confidence : float

    Returns
    -------
    sd, lower, upper : float

    Notes
    -----
    The root of the variance of greatest restricted likelihood, but where bounds or poor weights
    make that low:

    * A variance is not negative, and noise not below the rounding of the scale. Where weights say
      little of the noise, half of the fits end at that bound and half above the truth, where noise
      is made of wander. A step of scoring that heeds no bound is unbiased wherever it begins
      (MINQUE: Rao 1971, Journal of Multivariate Analysis 1, 445-456, from memory).
    * The root of an unbiased variance of f degrees of freedom is low by c4, as any sd is, and as
      custom has it stays so: for as many as there would be with all other variances known. What is
      lost because they are not is made good. Degrees of freedom by Satterthwaite (1946), Biometrics
      Bulletin 2, 110-114 (from memory).
    """
    from scipy.special import poch

    free = np.flatnonzero(problem.free)
    curvature = found.curvature[np.ix_(free, free)]
    scale = np.sqrt(curvature.diagonal())
    inverse = np.linalg.inv(curvature / np.outer(scale, scale))
    of_this = int(np.searchsorted(free, parameter))
    lower, upper = np.sqrt(interval(problem, best, found, parameter, confidence))
    # hardly any weights: the fit lies in no valley to step in
    if not inverse[of_this, of_this] > 0:
        return float(np.clip(np.sqrt(best[parameter]), lower, upper)), float(lower), float(upper)
    step = -float(inverse[of_this] @ (found.slope[free] / scale)) / scale[of_this]
    variance = max(float(best[parameter]) + step, 0.0)
    alone = max((variance * scale[of_this]) ** 2, 1e-9)
    freedom = alone / inverse[of_this, of_this]
    c4 = [np.sqrt(2 / one) * poch(one / 2, 0.5) for one in (alone, freedom)]
    sd = np.clip(np.sqrt(variance) * c4[0] / c4[1], lower, upper)
    return float(sd), float(lower), float(upper)
