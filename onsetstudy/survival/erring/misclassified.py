"""The curve of onset where a cold test may err: maximum likelihood with a stated sensitivity and specificity.

Of single tests, or of counted intervals as far as the reading rule tells their tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import nnls

from onsetstudy.core.arrays import FloatArray, IndexArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals

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
    def of(cls, logs: FloatArray, weight: FloatArray, edges: FloatArray) -> ErrorKernel:
        """From log chances by row; rows alike become one.

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
        many = np.bincount(place.ravel(), weights=weight, minlength=len(kinds)).astype(np.float64)
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


def fit_kernel(kernel: ErrorKernel, *, sensitivity: float, specificity: float) -> MisclassifiedCurve:
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
        sensitivity=sensitivity,
        specificity=specificity,
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
    return ErrorKernel.of(total, np.ones(codes.size), edges)


def kernel_of_intervals(
    times: Intervals,
    planned_min: ArrayLike,
    *,
    confirmations: int,
    sensitivity: float,
    specificity: float,
    weight: ArrayLike | None = None,
    ended_min: ArrayLike | None = None,
) -> ErrorKernel:
    """Likelihood of intervals that a reading rule made of tests, each of which may err, for an onset in each gap.

    Parameters
    ----------
    times : Intervals
        Onset by the rule: dated at the first of ``confirmations`` tests in a row that were not felt.
    planned_min : array_like of float, shape (k,)
        Minutes of the planned tests, increasing; ends of intervals count on the nearest of them.
    confirmations : int
        Tests in a row that make an onset.
    sensitivity, specificity : float
        In (.5, 1].
    weight : array_like of float, optional
        How many cases each interval stands for.
    ended_min : array_like of float, optional
        Minute at which testing ended in each case without onset, ``inf`` where nobody tells; by default in all.

    Returns
    -------
    ErrorKernel

    Notes
    -----
    An interval tells the last test that was felt, and the tests in a row after it that were not. Before the last felt
    test the rule was not met, in whatever order tests were felt or not: the chance of that is a sum over all orders, by
    a chain of the number of tests in a row that were not felt. Tests between the ends were missed. That tests before
    them were missed the interval does not tell: they are taken as done.

    Of cases without onset the interval does not tell what came after the last felt test. Where fewer tests than make an
    onset were still to come, they are taken as done: had one been felt, it would be the last; so they were not. Where
    more were to come, they cannot all have been done, and testing is taken to have ended with the last felt test.
    """
    _check_errors(sensitivity, specificity)
    planned = np.asarray(planned_min, dtype=np.float64)
    k = planned.size
    edges = np.concatenate([[0.0], planned, [np.inf]])
    borders = (edges[1:-1] + edges[:-2]) / 2
    left = np.searchsorted(borders, times.left)
    # The first test that was not felt lies after the last one that was.
    right = np.clip(np.searchsorted(borders, times.right), left + 1, k + 1)
    # Chance that a test is not felt: rows are tests, columns the gap of onset.
    not_felt = np.where(np.arange(k)[:, None] >= np.arange(k + 1), sensitivity, 1 - specificity)
    reached = _reached(not_felt, confirmations)
    with np.errstate(divide="ignore"):
        logs = np.log(reached)[left]
        silent = np.log(not_felt)
    never = np.isinf(times.right)
    first = np.where(never, left, right - 1)
    run = np.where(never, _unconfirmed(left, planned, ended_min, confirmations), confirmations)
    for step in range(confirmations):
        test = first + step
        inside = (step < run) & (test < k)
        logs[inside] += silent[test[inside]]
    many = np.ones(times.left.size) if weight is None else np.asarray(weight, dtype=np.float64)
    return ErrorKernel.of(logs, many, edges)


def _unconfirmed(left: IndexArray, planned: FloatArray, ended_min: ArrayLike | None, confirmations: int) -> IndexArray:
    """Tests that were not felt after the last felt one, the ``left``-th, in cases without onset."""
    ended = np.full(left.size, np.inf) if ended_min is None else np.asarray(ended_min, dtype=np.float64)
    due = np.searchsorted(planned, ended) - left
    return np.where((due > 0) & (due < confirmations), due, 0)


def _reached(not_felt: FloatArray, confirmations: int) -> FloatArray:
    """Chance that a test was felt and the rule not met before it; row 0 is before all tests, shape (k + 1, gaps)."""
    tests, gaps = not_felt.shape
    state = np.zeros((confirmations, gaps))
    state[0] = 1.0
    found = np.ones((tests + 1, gaps))
    for i in range(tests):
        felt = state.sum(axis=0) * (1 - not_felt[i])
        state = np.vstack([felt, state[:-1] * not_felt[i]])
        found[i + 1] = felt
    return found


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
