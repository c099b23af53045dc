"""The curve of onset where a cold test may err: maximum likelihood with a stated sensitivity and specificity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import nnls

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError

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
class ErrorKernel:
    """What the tests of a group say of where onset lies, under one sensitivity and specificity.

    Parameters
    ----------
    chance : ndarray, shape (m, k)
        Chance of what was seen of each kind of case for an onset in each gap, divided by the largest of its row.
    scale : ndarray, shape (m,)
        Logarithm of that divisor.
    weight : ndarray, shape (m,)
        How many cases are of each kind.
    edges : ndarray, shape (k + 1,)
        Minutes of the tests, 0 before and infinity after them.
    """

    chance: FloatArray
    scale: FloatArray
    weight: FloatArray
    edges: FloatArray

    def log_likelihood(self, mass: FloatArray) -> float:
        """Of masses on the gaps, shape (k,)."""
        return float(self.weight @ (np.log(self.chance @ mass) + self.scale))

    @classmethod
    def of(cls, logs: FloatArray, edges: FloatArray) -> ErrorKernel:
        """From log chances, a case a row; rows alike become one.

        Raises
        ------
        NotEstimable
            If no onset allows what a row holds.
        """
        scale = logs.max(axis=1)
        if not np.isfinite(scale).all():
            reason = "a tooth was felt after it was not, which a test that never errs does not allow"
            raise NotEstimable(QUANTITY, reason, code="contradiction")
        kinds, place = np.unique(np.column_stack([scale, np.exp(logs - scale[:, None])]), axis=0, return_inverse=True)
        many = np.bincount(place.ravel(), minlength=len(kinds)).astype(np.float64)
        return cls(chance=kinds[:, 1:], scale=kinds[:, 0], weight=many, edges=edges)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class MisclassifiedCurve:
    """Onset of one group under one sensitivity and specificity.

    Parameters
    ----------
    edges : ndarray, shape (k + 1,)
        Minutes of all tests, 0 before and infinity after them.
    mass : ndarray, shape (k,)
        Share of cases whose onset lies in ``(edges[j], edges[j + 1]]``; the last gap is after all tests.
    log_likelihood : float
    violation : float
        The certificate: largest Kuhn-Tucker violation, relative to the number of cases.
    """

    edges: FloatArray
    mass: FloatArray
    log_likelihood: float
    violation: float

    def numb_by(self, minute: float) -> tuple[float, float]:
        """Least and largest share numb by a minute: what lies in the gap around it is not determined."""
        low = float(self.mass[self.edges[1:] <= minute].sum())
        high = float(self.mass[self.edges[:-1] < minute].sum())
        return low, min(high, 1.0)


def fit_kernel(kernel: ErrorKernel) -> MisclassifiedCurve:
    """The curve of greatest likelihood for what tests say under the sensitivity and specificity that the kernel has.

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
    mass, violation = _maximum(kernel.chance, kernel.weight)
    return MisclassifiedCurve(
        edges=kernel.edges,
        mass=mass,
        log_likelihood=kernel.log_likelihood(mass),
        violation=violation,
    )


def _check_errors(sensitivity: float, specificity: float) -> None:
    for name, value in (("sensitivity", sensitivity), ("specificity", specificity)):
        if not 0.5 < value <= 1:
            raise OnsetStudyError(f"the {name} of a test lies above .5 and up to 1, not at {value:g}")


def kernel_of_tests(
    case: ArrayLike, minute: ArrayLike, felt: ArrayLike, *, sensitivity: float, specificity: float
) -> ErrorKernel:
    """Likelihood of each case's tests, each of which may err, for an onset in each gap.

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
    ErrorKernel
    """
    _check_errors(sensitivity, specificity)
    se, sp = sensitivity, specificity
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
    return ErrorKernel.of(total, edges)


def _maximum(kernel: FloatArray, weight: FloatArray) -> tuple[FloatArray, float]:
    """Masses at the maximum, and the largest Kuhn-Tucker violation there."""
    n, k = float(weight.sum()), kernel.shape[1]
    root = np.sqrt(weight)
    mass = np.full(k, 1 / k)
    violation = np.inf
    for _ in range(STEPS):
        density = kernel @ mass
        ratio = kernel / density[:, None]
        gradient = weight @ ratio / n - 1
        violation = float(max(gradient.max(), np.abs(gradient[mass > 0] * mass[mass > 0]).max()))
        if violation <= TOLERANCE:
            return mass, violation
        # Quadratic approximation of the log-likelihood on the simplex (Wang 2007, eq. 11, solved after Dax 1990).
        shifted = np.vstack([root[:, None] * (ratio - 2.0), np.ones(k)])
        solved, _ = nnls(shifted, np.append(np.zeros(root.size), 1.0), maxiter=50 * k)
        goal = solved / solved.sum()
        mass = _step(kernel, weight, mass, goal, float(gradient @ (goal - mass)) * n)
    raise NotEstimable(QUANTITY, f"the maximum was not reached (violation {violation:.1e})", code="not_converged")


def _step(kernel: FloatArray, weight: FloatArray, mass: FloatArray, goal: FloatArray, slope: float) -> FloatArray:
    """The largest halved step towards a goal that gains enough."""
    start, length = float(weight @ np.log(kernel @ mass)), 1.0
    if slope <= ROUNDING * abs(start):
        # So near the maximum what a step gains is lost in the rounding of the sum; Newton's own step is right there.
        return goal
    for _ in range(40):
        tried: FloatArray = mass + length * (goal - mass)
        with np.errstate(divide="ignore"):
            gained = float(weight @ np.log(kernel @ tried)) - start
        if gained >= length * slope / 3:
            return tried
        length /= 2
    return mass + length * (goal - mass)
