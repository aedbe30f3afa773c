"""Restricted likelihood of wander: how far each wire strays from cut to cut, by all loaves at once.

Bar i of a loaf weighs K (spacing + d[i] - d[i-1]) + noise, the scale K free in every loaf; what is
left when K is taken out depends on the displacements alone, whichever bars were weighed. Loaves
with the same bars weighed, cut by wires not serviced in between, are of one kind and share one
covariance: the likelihood needs their number, sums and cross products, and costs what the kinds
cost, not the loaves.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from qa_tools.decisions.wires.cutter import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class Kinds:
    """
    Loaves by kind: those of one kind have the same bars weighed and the same wires at work.

    Attributes
    ----------
    moved : array of shape (kinds, bars, sources)
        What one millimetre of each source of spread (faces, and the taper of the section) adds to
        each bar, mm; 0 for bars not weighed.
    spacing : array of shape (kinds, bars)
        Width each bar is meant to have, mm; 0 for bars not weighed.
    weighed : array of shape (kinds, bars)
    bars : array of shape (kinds,)
        How many the loaves were cut into.
    loaves : array of shape (kinds,)
    total : array of shape (kinds, bars)
        Sum over loaves of the bar's width above its spacing, each loaf by its own scale, mm.
    cross : array of shape (kinds, bars, bars)
        Sum over loaves of the products of these.
    noise : array of shape (kinds,)
        Mean of the squared (mean weight of a millimetre / that of the loaf): what noise of so many
        grams comes to.
    variance, mean : array of shape (kinds, sources)
        Which variance and which offset each source has; -1 for none.
    """

    moved: FloatArray
    spacing: FloatArray
    weighed: BoolArray
    bars: IntArray
    loaves: FloatArray
    total: FloatArray
    cross: FloatArray
    noise: FloatArray
    variance: IntArray
    mean: IntArray

    @property
    def variances(self) -> int:
        """How many variances there are, that of the noise, the last, with them."""
        return int(self.variance.max()) + 2

    @property
    def means(self) -> int:
        """How many offsets there are."""
        return int(self.mean.max()) + 1

    def spread_also(self, faces: FloatArray) -> Kinds:
        """The same with one more source of spread, which moves many faces of a loaf together.

        Parameters
        ----------
        faces : array of shape (kinds, bars + 1)
            How far it moves each face, mm a millimetre of it.
        """
        moved = self.moved[:, :, : faces.shape[1]] @ faces[:, :, None]
        new = np.full((len(self.loaves), 1), self.variances - 1)
        return replace(
            self,
            moved=np.concatenate([self.moved, moved], axis=2),
            variance=np.hstack([self.variance, new]),
            mean=np.hstack([self.mean, np.full_like(new, -1)]),
        )


@dataclass(frozen=True, eq=False)
class Likelihood:
    """
    The restricted likelihood at one set of variances.

    Attributes
    ----------
    deviance : float
        Minus twice the log of it, less a constant.
    slope, curvature : array
        First derivative of the deviance by the variances, and what its second is expected to be.
    means : array of shape (means,)
        Offsets by generalised least squares, those of no information 0.
    means_covariance : array of shape (means, means)
    """

    deviance: float
    slope: FloatArray
    curvature: FloatArray
    means: FloatArray
    means_covariance: FloatArray


def without_scale(kinds: Kinds, variances: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Inverse covariance of each kind's bars, the scale of the loaf taken out, and its log size."""
    of_source = np.append(variances[:-1], 0.0)[kinds.variance]
    covariance = (kinds.moved * of_source[:, None, :]) @ kinds.moved.transpose(0, 2, 1)
    bar = np.arange(kinds.spacing.shape[1])
    covariance[:, bar, bar] += np.where(kinds.weighed, variances[-1] * kinds.noise[:, None], 1.0)
    # Any share of the spacing may be added, since the scale is free; it conditions this well.
    share = np.einsum("kii->k", covariance) / (kinds.spacing**2).sum(axis=1)
    covariance += (share[:, None] * kinds.spacing)[:, :, None] * kinds.spacing[:, None, :]
    root = np.linalg.cholesky(covariance)
    inverse = np.linalg.inv(covariance) * (kinds.weighed[:, :, None] & kinds.weighed[:, None, :])
    of_scale = (inverse @ kinds.spacing[:, :, None])[:, :, 0]
    known = (of_scale * kinds.spacing).sum(axis=1)
    size = 2 * np.log(root[:, bar, bar]).sum(axis=1) + np.log(known)
    return inverse - of_scale[:, :, None] * of_scale[:, None, :] / known[:, None, None], size


def likelihood(kinds: Kinds, variances: FloatArray, estimable: FloatArray) -> Likelihood:
    """
    Restricted likelihood of the variances, with offsets and the scales of loaves taken out.

    Parameters
    ----------
    kinds : Kinds
    variances : array of shape (variances,)
        Squared millimetres, the last that of noise on one bar.
    estimable : array of shape (means, estimable)
        From ``estimable_means``.

    Notes
    -----
    Restricted maximum likelihood: Patterson and Thompson (1971), Biometrika 58, 545-554 (from
    memory); derivatives as for any covariance linear in its variances, Harville (1977), Journal of
    the American Statistical Association 72, 320-338 (from memory).
    """
    n = kinds.loaves
    inverse, size = without_scale(kinds, variances)
    felt = inverse @ kinds.moved
    between = kinds.moved.transpose(0, 2, 1) @ felt
    precision = _gathered(kinds.mean, n[:, None, None] * between, kinds.means)
    towards = np.zeros(kinds.means + 1)
    np.add.at(towards, kinds.mean, (felt.transpose(0, 2, 1) @ kinds.total[:, :, None])[:, :, 0])
    inner = estimable.T @ precision @ estimable
    covariance = estimable @ np.linalg.solve(inner, estimable.T)
    means = covariance @ towards[:-1]
    offset = np.append(means, 0.0)[kinds.mean]
    middle = (kinds.moved @ offset[:, :, None])[:, :, 0]
    shift = kinds.total[:, :, None] * middle[:, None, :]
    squares = kinds.cross - shift - shift.transpose(0, 2, 1)
    squares += n[:, None, None] * middle[:, :, None] * middle[:, None, :]

    padded = np.zeros((kinds.means + 1,) * 2)
    padded[:-1, :-1] = covariance
    of_means = padded[kinds.mean[:, :, None], kinds.mean[:, None, :]]
    halved = between @ of_means
    explained = (halved * between.transpose(0, 2, 1)).sum(axis=2)
    seen = ((squares @ felt) * felt).sum(axis=1)
    slopes = n[:, None] * (np.einsum("kff->kf", between) - explained) - seen
    slope = np.zeros(kinds.variances + 1)
    np.add.at(slope, np.where(kinds.variance < 0, kinds.variances, kinds.variance), slopes)
    twice = inverse @ inverse
    of_noise = n * np.einsum("kii->k", inverse)
    of_noise -= n * ((felt @ of_means) * felt).sum(axis=(1, 2))
    of_noise -= (twice * squares).sum(axis=(1, 2))
    slope[kinds.variances - 1] = (kinds.noise * of_noise).sum()

    curvature = np.zeros((kinds.variances,) * 2)
    curvature[:-1, :-1] = _gathered(
        kinds.variance, n[:, None, None] * between**2, kinds.variances - 1
    )
    with_noise = np.zeros(kinds.variances)
    np.add.at(with_noise, kinds.variance, (n * kinds.noise)[:, None] * (felt**2).sum(axis=1))
    curvature[-1, :-1] = curvature[:-1, -1] = with_noise[:-1]
    curvature[-1, -1] = (n * kinds.noise**2 * (inverse**2).sum(axis=(1, 2))).sum()
    sizes = float(np.linalg.slogdet(inner)[1]) + float((n * size).sum())
    deviance = sizes + float((inverse * squares).sum())
    return Likelihood(deviance, slope[:-1], curvature, means, covariance)


def _gathered(index: IntArray, parts: FloatArray, size: int) -> FloatArray:
    """Sum of the kinds' matrices over sources, by what each source is counted as."""
    both = index[:, :, None] * (size + 1) + index[:, None, :]
    both = np.where((index[:, :, None] < 0) | (index[:, None, :] < 0), (size + 1) ** 2 - 1, both)
    sums = np.zeros((size + 1) ** 2)
    np.add.at(sums, both.ravel(), parts.ravel())
    return sums.reshape(size + 1, size + 1)[:size, :size]


def estimable_means(kinds: Kinds) -> tuple[FloatArray, FloatArray]:
    """
    Directions of offsets the weights can tell, and those they cannot, as columns.

    Cut from a stop, offsets that grow evenly along the loaf look like another weight per
    millimetre.
    """
    inverse, _ = without_scale(kinds, np.ones(kinds.variances))
    between = kinds.moved.transpose(0, 2, 1) @ inverse @ kinds.moved
    precision = _gathered(kinds.mean, kinds.loaves[:, None, None] * between, kinds.means)
    scale = np.sqrt(np.where(precision.diagonal() > 1e-9, precision.diagonal(), 1.0))
    values, vectors = np.linalg.eigh(precision / np.outer(scale, scale))
    blind = values < 1e-9
    hidden = vectors[:, blind] / scale[:, None]
    basis, _ = np.linalg.qr(np.hstack([hidden, np.eye(kinds.means)]))
    return basis[:, hidden.shape[1] : kinds.means], basis[:, : hidden.shape[1]]


@dataclass(frozen=True, eq=False)
class Problem:
    """
    What is estimated: the variances as sums of parameters, some of which are held.

    Attributes
    ----------
    kinds : Kinds
    estimable : array
        From ``estimable_means``.
    made : array of shape (variances, parameters)
        The variances are this times the parameters.
    free : array of shape (parameters,)
        Which parameters are estimated; the others stay as they start.
    least : array of shape (parameters,)
        The lowest each may be.
    """

    kinds: Kinds
    estimable: FloatArray
    made: FloatArray
    free: BoolArray
    least: FloatArray

    def at(self, parameters: FloatArray) -> Likelihood:
        """The likelihood with derivatives by the parameters."""
        found = likelihood(self.kinds, self.made @ parameters, self.estimable)
        return replace(
            found,
            slope=self.made.T @ found.slope,
            curvature=self.made.T @ found.curvature @ self.made,
        )

    def tied(self, together: IntArray) -> Problem:
        """
        The same with variances tied: each parameter is one variance, shared where told.

        Parameters
        ----------
        together : array of shape (variances,)
            The parameter each variance is made by, counted from 0.
        """
        first = np.unique(together, return_index=True)[1]
        made = np.eye(len(first))[together]
        return replace(self, made=made, free=self.free[first], least=self.least[first])

    def held(self, parameter: int) -> Problem:
        """The same with one more parameter held."""
        free = self.free.copy()
        free[parameter] = False
        return replace(self, free=free)


def step_to(
    problem: Problem, parameters: FloatArray, found: Likelihood
) -> tuple[FloatArray, float]:
    """Step of Fisher scoring from these parameters, and twice by how much it should gain."""
    at_edge = (parameters <= problem.least) & (found.slope > 0)
    told = found.curvature.diagonal() > 0
    step, moving = np.zeros(len(parameters)), problem.free & told & ~at_edge
    while moving.any():
        at = np.flatnonzero(moving)
        scale = np.sqrt(found.curvature[at, at])
        sized = found.curvature[np.ix_(at, at)] / np.outer(scale, scale)
        # Those that would go below their least go there, the others as is best with that.
        pinned = np.where(moving, 0.0, step)
        slope = (found.slope[at] + found.curvature[at] @ pinned) / scale
        step[at] = np.linalg.lstsq(sized, -slope, rcond=1e-12)[0] / scale
        below = moving & (parameters + step < problem.least)
        if not below.any():
            break
        step[below] = (problem.least - parameters)[below]
        moving &= ~below
    return step, -float(step @ found.slope)


def fitted(problem: Problem, start: FloatArray) -> tuple[FloatArray, Likelihood]:
    """
    Parameters of greatest restricted likelihood, none below its least.

    Raises
    ------
    RuntimeError
        No end in 200 steps.
    """
    parameters, found = _climbed(problem, start)
    # Near the least the information is so great that steps end before they get anywhere.
    stuck = problem.free & (found.slope < 0) & (parameters - problem.least < 1e-3 * start)
    if stuck.any():
        again = _climbed(problem, np.where(stuck, 0.1 * start, parameters))
        if again[1].deviance < found.deviance:
            return again
    return parameters, found


def _climbed(problem: Problem, start: FloatArray) -> tuple[FloatArray, Likelihood]:
    """Where scoring steps from a start end."""
    parameters = np.maximum(start, np.where(problem.free, problem.least, -np.inf))
    found = problem.at(parameters)
    for steps in range(200):
        step, gain = step_to(problem, parameters, found)
        if gain < (1e-7 if steps < 30 else 1e-4):
            return parameters, found
        tried, new = _along(problem, parameters, found, step, gain)
        if new is found:
            return parameters, found
        parameters, found = tried, new
    raise RuntimeError("the wander of the wires could not be fitted; please report these weights")


def _along(
    problem: Problem, parameters: FloatArray, found: Likelihood, step: FloatArray, gain: float
) -> tuple[FloatArray, Likelihood]:
    """
    The point along a step to go on from.

    Where the data tell more than was to be expected the step goes too far, and is cut to where the
    slope is nought; where they tell less, it is doubled as long as the slope holds.
    """
    best, share = (parameters, found), 1.0
    for _ in range(40):
        tried = np.where(
            problem.free, np.maximum(parameters + share * step, problem.least), parameters
        )
        new = problem.at(tried)
        if not new.deviance <= best[1].deviance + 1e-9:
            if best[1] is not found:
                return best
            share /= 2
            continue
        inside = tried > problem.least
        uphill = float(new.slope[inside] @ step[inside])
        if uphill > gain / 2:
            share *= gain / (gain + uphill)
        elif uphill > -0.9 * gain or share >= 64:
            return tried, new
        else:
            best, share = (tried, new), 2 * share
    return best
