"""The curve of onset where a cold test may err: maximum likelihood with a stated sensitivity and specificity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import nnls

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError

__all__ = ["GRID", "MisclassifiedCurve", "fit_misclassified"]

GRID = tuple((se, sp) for se in (1.0, 0.95, 0.91) for sp in (1.0, 0.91, 0.87))
"""Sensitivity and specificity to try where neither is known.

The lowest are those of 54 teeth with pulpitis, cold against painless access (El Sayed and Gaballah 2021, Int J Dent
9913221): numb teeth found numb 21 of 23, .913; teeth with feeling found to feel 27 of 31, .871; the middle is a choice.
"""
TOLERANCE = 1e-8
STEPS = 500
ROUNDING = 1e-11
"""Gains below this part of the log-likelihood are not seen in it."""
QUANTITY = "misclassified_onset"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class MisclassifiedCurve:
    """Onset of one group under one sensitivity and specificity.

    Parameters
    ----------
    edges : ndarray, shape (k + 1,)
        Minutes of all tests, 0 before and infinity after them.
    mass : ndarray, shape (k,)
        Share of cases whose onset lies in ``(edges[j], edges[j + 1]]``; the last gap is after all tests.
    sensitivity, specificity : float
        Chance that a numb tooth does not feel the test, and that a tooth that is not numb does.
    log_likelihood : float
    violation : float
        The certificate: largest Kuhn-Tucker violation, relative to the number of cases.
    """

    edges: FloatArray
    mass: FloatArray
    sensitivity: float
    specificity: float
    log_likelihood: float
    violation: float

    def numb_by(self, minute: float) -> tuple[float, float]:
        """Least and largest share numb by a minute: what lies in the gap around it is not determined."""
        low = float(self.mass[self.edges[1:] <= minute].sum())
        high = float(self.mass[self.edges[:-1] < minute].sum())
        return low, min(high, 1.0)


def fit_misclassified(
    case: ArrayLike, minute: ArrayLike, felt: ArrayLike, *, sensitivity: float, specificity: float
) -> MisclassifiedCurve:
    """Nonparametric maximum likelihood of onset from every test of a group, each of which may err.

    Parameters
    ----------
    case : array_like of int, shape (m,)
        Case of each valid target reading, 0 to n - 1; a case without a reading says nothing.
    minute : array_like of float, shape (m,)
        Minutes from clock zero.
    felt : array_like of bool, shape (m,)
    sensitivity, specificity : float
        In (.5, 1]. Control teeth inform the second alone: they are not numb. Neither can be read off target teeth
        without tests that go on after the onset is confirmed.

    Returns
    -------
    MisclassifiedCurve

    Raises
    ------
    NotEstimable
        If tests contradict each other and none may err, or the maximum was not reached.

    Notes
    -----
    Errors are independent given whether the tooth is numb, the same at all minutes and in all cases. That testing stops
    after so many tests in a row that were not felt needs no allowance: it depends on what was observed alone, and the
    likelihood of what was observed stands. Sensation that returns is not in the model. Constrained Newton steps on the
    masses (Wang 2007, J R Stat Soc B 69:185) with nonnegative least squares.
    """
    for name, value in (("sensitivity", sensitivity), ("specificity", specificity)):
        if not 0.5 < value <= 1:
            raise OnsetStudyError(f"the {name} of a test lies above .5 and up to 1, not at {value:g}")
    kernel, scale, edges = _kernel(case, minute, felt, sensitivity, specificity)
    mass, violation = _maximum(kernel)
    return MisclassifiedCurve(
        edges=edges,
        mass=mass,
        sensitivity=sensitivity,
        specificity=specificity,
        log_likelihood=float(np.log(kernel @ mass).sum() + scale.sum()),
        violation=violation,
    )


def _kernel(
    case: ArrayLike, minute: ArrayLike, felt: ArrayLike, se: float, sp: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Likelihood of each case's tests for an onset in each gap, scaled by row; log of the scales; edges of the gaps."""
    number, at, answer = np.asarray(case, dtype=np.int64), np.asarray(minute, dtype=float), np.asarray(felt, dtype=bool)
    if at.size == 0 or not (number.shape == at.shape == answer.shape):
        raise OnsetStudyError("cases, minutes and answers of tests must be equally long, and some")
    edges = np.concatenate([[0.0], np.unique(at), [np.inf]])
    numb = at[:, None] >= edges[None, 1:]
    with np.errstate(divide="ignore"):
        when_felt = np.where(numb, np.log(1 - se), np.log(sp))
        when_not = np.where(numb, np.log(se), np.log(1 - sp))
    logs = np.where(answer[:, None], when_felt, when_not)
    codes, row = np.unique(number, return_inverse=True)
    total = np.zeros((codes.size, edges.size - 1))
    np.add.at(total, row, logs)
    scale = total.max(axis=1)
    if not np.isfinite(scale).all():
        reason = "a tooth was felt after it was not, which a test that never errs does not allow"
        raise NotEstimable(QUANTITY, reason, code="contradiction")
    return np.exp(total - scale[:, None]), scale, edges


def _maximum(kernel: FloatArray) -> tuple[FloatArray, float]:
    """Masses at the maximum, and the largest Kuhn-Tucker violation there."""
    n, k = kernel.shape
    mass = np.full(k, 1 / k)
    violation = np.inf
    for _ in range(STEPS):
        density = kernel @ mass
        ratio = kernel / density[:, None]
        gradient = ratio.mean(axis=0) - 1
        violation = float(max(gradient.max(), np.abs(gradient[mass > 0] * mass[mass > 0]).max()))
        if violation <= TOLERANCE:
            return mass, violation
        # Quadratic approximation of the log-likelihood on the simplex (Wang 2007, eq. 11, solved after Dax 1990).
        shifted = np.vstack([ratio - 2.0, np.ones(k)])
        solved, _ = nnls(shifted, np.append(np.zeros(n), 1.0), maxiter=50 * k)
        mass = _step(kernel, mass, solved / solved.sum(), float(gradient @ (solved / solved.sum() - mass)) * n)
    raise NotEstimable(QUANTITY, f"the maximum was not reached (violation {violation:.1e})", code="not_converged")


def _step(kernel: FloatArray, mass: FloatArray, goal: FloatArray, slope: float) -> FloatArray:
    """The largest halved step towards a goal that gains enough."""
    start, length = np.log(kernel @ mass).sum(), 1.0
    if slope <= ROUNDING * abs(start):
        # So near the maximum what a step gains is lost in the rounding of the sum; Newton's own step is right there.
        return goal
    for _ in range(40):
        tried: FloatArray = mass + length * (goal - mass)
        with np.errstate(divide="ignore"):
            gained = np.log(kernel @ tried).sum() - start
        if gained >= length * slope / 3:
            return tried
        length /= 2
    return mass + length * (goal - mass)
