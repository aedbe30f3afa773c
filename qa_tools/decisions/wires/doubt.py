"""How well offsets are known, when the variances they are weighted by are estimates themselves."""

from __future__ import annotations

import numpy as np

from qa_tools.decisions.wires.cutter import FloatArray
from qa_tools.decisions.wires.wander import Likelihood, Problem, without_scale


def doubt(
    problem: Problem, best: FloatArray, found: Likelihood, combined: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """
    Variance and degrees of freedom of offsets, or of what is made of them.

    Parameters
    ----------
    problem : Problem
        With a parameter for each variance.
    best, found
        From ``fitted``.
    combined : array of shape (results, means)
        The results are this times the offsets.

    Returns
    -------
    variance, freedom : array of shape (results,)
        Freedom counts loaves where all are whole, not loaves less one.

    Notes
    -----
    Kenward and Roger (1997), Biometrics 53, 983-997 (from memory), each result by itself: the
    variance with what weighting by estimates adds, degrees of freedom after Satterthwaite. Of whole
    loaves nothing is added, for weights do not matter there.
    """
    kinds, size = problem.kinds, problem.kinds.variances
    inverse, _ = without_scale(kinds, best)
    unit = kinds.weighed[:, :, None] * np.eye(kinds.weighed.shape[1])
    sources = np.concatenate([kinds.moved, np.sqrt(kinds.noise)[:, None, None] * unit], axis=2)
    held = np.where(kinds.variance < 0, size, kinds.variance)
    of = np.hstack([held, np.full(kinds.weighed.shape, size - 1)])
    between = sources.transpose(0, 2, 1) @ inverse @ sources
    means = np.eye(kinds.means + 1)[kinds.mean][:, :, :-1]
    felt = between[:, :, : kinds.moved.shape[2]] @ means
    rows = found.means_covariance @ combined.T
    pulled = felt @ rows

    slopes = np.zeros((size + 1, *rows.shape))
    for kind, loaves in enumerate(kinds.loaves):
        np.add.at(slopes, of[kind], loaves * felt[kind][:, :, None] * pulled[kind][:, None, :])
    free = np.flatnonzero(problem.free)
    unsure = np.zeros((size + 1, size + 1))
    unsure[np.ix_(free, free)] = 2 * np.linalg.inv(found.curvature[np.ix_(free, free)])
    variance = np.einsum("rm,mr->r", combined, rows)
    changes = np.einsum("vmr,mr->vr", slopes, rows)
    spread = np.einsum("vr,vw,wr->r", changes, unsure, changes)
    shared = np.einsum("kfr,kfg,kgr->r", kinds.loaves[:, None, None] * pulled,
        unsure[of[:, :, None], of[:, None, :]] * between, pulled, optimize=True,
    )  # fmt: skip
    explained = np.einsum(
        "vw,vmr,mn,wnr->r", unsure, slopes, found.means_covariance, slopes, optimize=True
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        freedom = 2 * variance**2 / spread
    return variance + 2 * np.maximum(shared - explained, 0.0), freedom
