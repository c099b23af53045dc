"""Profile likelihood limits for what a curve of erring tests comes to: a share numb, or the difference of two waits.

References
----------
.. [1] Owen AB (1990). Empirical likelihood ratio confidence regions. Annals of Statistics 18, 90-120.
.. [2] Boyd S, Vandenberghe L (2004). Convex optimization, section 11.7 (primal-dual interior point method).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.survival.testing.misclassified import QUANTITY, ErrorKernel

__all__ = ["profile_limits", "tilted_masses"]

STEPS = 200
RIDGE = 1e-12
"""Part of the trace that keeps masses determined."""
DONE = 1e-8
"""Duality gap by case at which masses are taken as found."""
FARTHEST = 1e6
"""Tilt by case from which on a sum cannot be moved any farther."""
CLOSE = 1e-3
"""How close to half its quantile the loss of log-likelihood is taken."""


def profile_limits(
    kernels: Sequence[ErrorKernel], sums: Sequence[ArrayLike], *, conf_level: float, start: Sequence[FloatArray]
) -> tuple[float, float]:
    """Limits of a sum of masses over groups: all values whose best masses are not too unlikely.

    Parameters
    ----------
    kernels : sequence of ErrorKernel
        One for each group.
    sums : sequence of array_like, shape (k,)
        What each mass of a group counts; for a difference the one group's are negative.
    conf_level : float
    start : sequence of ndarray, shape (k,)
        Masses of greatest likelihood of each group.

    Returns
    -------
    low, high : float
        Where twice the loss of log-likelihood reaches the quantile of chi-squared with one degree of freedom; the least
        or largest value there is, where it never does.

    Notes
    -----
    The likelihood is concave in the masses and the sum linear, so that the masses best for a value of it are those that
    are best for the likelihood with a multiple of the sum added, one multiple for each value. Masses on the border of
    what is possible make the quantile an approximation.
    """
    coefficients = [np.asarray(c, dtype=np.float64) for c in sums]
    if len(kernels) != len(coefficients) or any(
        c.shape != (k.chance.shape[1],) for k, c in zip(kernels, coefficients, strict=True)
    ):
        raise OnsetStudyError("every mass of every group needs to be told what it counts")
    best = sum(k.log_likelihood(m) for k, m in zip(kernels, start, strict=True))
    allowed = float(stats.chi2.ppf(conf_level, 1)) / 2
    low, high = (_end(kernels, coefficients, sign, best, allowed) for sign in (-1.0, 1.0))
    return low, high


def _end(kernels: Sequence[ErrorKernel], sums: Sequence[FloatArray], sign: float, best: float, allowed: float) -> float:
    """The farthest value on one side whose masses lose no more log-likelihood than allowed."""
    n = float(sum(k.weight.sum() for k in kernels))

    def at(tilt: float) -> tuple[float, float]:
        """Loss of log-likelihood, and the sum, for a tilt by case."""
        masses = [tilted_masses(k, c, sign * tilt * n) for k, c in zip(kernels, sums, strict=True)]
        loss = best - sum(k.log_likelihood(m) for k, m in zip(kernels, masses, strict=True))
        return loss, float(sum(c @ m for c, m in zip(sums, masses, strict=True)))

    spread = max(float(np.ptp(c)) for c in sums)
    if spread == 0:
        return at(0.0)[1]
    # Of a mean of n the tilt that loses so much is about the root of twice the loss over n and the spread.
    near, far = 0.0, 2 * np.sqrt(2 * allowed / n) / spread
    loss, value = at(far)
    while loss < allowed:
        if far * spread > FARTHEST:
            return value
        near, far = far, 4 * far
        loss, value = at(far)
    lost = {near: 0.0, far: loss}
    while abs(loss - allowed) > CLOSE and far - near > 1e-9 * far:
        # The root of the loss is nearly straight in the tilt.
        ends = np.sqrt(np.maximum([lost.get(near, 0.0), lost[far]], 0.0))
        share = (np.sqrt(allowed) - ends[0]) / (ends[1] - ends[0])
        tilt = near + (far - near) * float(np.clip(share, 0.05, 0.95))
        loss, value = at(tilt)
        lost[tilt] = loss
        near, far = (tilt, far) if loss < allowed else (near, tilt)
    return value


def tilted_masses(kernel: ErrorKernel, sums: FloatArray, tilt: float) -> FloatArray:
    """Masses that maximise the log-likelihood plus ``tilt`` times their sum, shape (k,).

    Raises
    ------
    NotEstimable
        If the maximum was not reached.
    """
    chance, weight = kernel.chance, kernel.weight
    n, k = float(weight.sum()), chance.shape[1]
    # A constant added to what masses of sum 1 count changes nothing; far tilts are of the size of the whole sum.
    size = n + abs(tilt) * float(np.ptp(sums))
    pull = tilt * (sums - sums.max() if tilt > 0 else sums - sums.min())
    mass = np.full(k, 1 / k)
    slack = np.full(k, size / k)
    right = np.ones((k, 2))
    for _ in range(STEPS):
        ratio = chance / (chance @ mass)[:, None]
        gradient = weight @ ratio + pull
        gap = float(mass @ slack)
        level = float(mass @ (gradient + slack))
        if gap <= DONE * size and float(np.abs(mass * (gradient + slack - level)).max()) <= DONE * size:
            return mass / float(mass.sum())
        aim = 0.1 * gap / k
        matrix = ratio.T @ (weight[:, None] * ratio)
        # Gaps that no test tells apart share their mass as they like; a trace of ridge settles it.
        matrix.flat[:: k + 1] += slack / mass + RIDGE * matrix.trace()
        right[:, 0] = gradient + aim / mass
        solved = np.linalg.solve(matrix, right)
        level = (solved[:, 0].sum() - (1 - mass.sum())) / solved[:, 1].sum()
        step = solved[:, 0] - level * solved[:, 1]
        turn = aim / mass - slack - slack / mass * step
        mass = mass + _length(mass, step) * step
        slack = slack + _length(slack, turn) * turn
    raise NotEstimable(QUANTITY, "the limits of a curve of erring tests were not reached", code="not_converged")


def _length(value: FloatArray, step: FloatArray) -> float:
    """The longest part of a step that leaves every value positive."""
    down = step < 0
    return min(1.0, 0.99 * float((value[down] / -step[down]).min(initial=np.inf)))
