"""What counted onset intervals say of onset where a cold test may err, as far as the reading rule tells their tests."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.testing.misclassified import ErrorKernel

__all__ = ["kernel_of_intervals"]


def kernel_of_intervals(
    times: Intervals,
    planned_min: ArrayLike,
    *,
    confirmations: int,
    sensitivity: float,
    specificity: float,
    weight: ArrayLike | None = None,
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

    Returns
    -------
    ErrorKernel

    Notes
    -----
    An interval tells the last test that was felt, and the tests in a row after it that were not. Before the last felt
    test the rule was not met, in whatever order tests were felt or not: the chance of that is a sum over all orders, by
    a chain of the number of tests in a row that were not felt. Tests between the ends were missed. That tests before
    them were missed the interval does not tell: they are taken as done. Follow-up without onset ends with the last felt
    test, as the interval has it.
    """
    for name, value in (("sensitivity", sensitivity), ("specificity", specificity)):
        if not 0.5 < value <= 1:
            raise OnsetStudyError(f"the {name} of a test lies above .5 and up to 1, not at {value:g}")
    planned = np.asarray(planned_min, dtype=np.float64)
    k = planned.size
    edges = np.concatenate([[0.0], planned, [np.inf]])
    borders = (edges[1:-1] + edges[:-2]) / 2
    left = np.searchsorted(borders, times.left)
    # The first test that was not felt lies after the last one that was.
    right = np.clip(np.searchsorted(borders, times.right), left + 1, k + 1)
    right = np.where(np.isinf(times.right), k + 1, right)
    # Chance that a test is not felt: rows are tests, columns the gap of onset.
    not_felt = np.where(np.arange(k)[:, None] >= np.arange(k + 1), sensitivity, 1 - specificity)
    reached = _reached(not_felt, confirmations)
    with np.errstate(divide="ignore"):
        logs = np.log(reached)[left]
        silent = np.log(not_felt)
    for step in range(confirmations):
        test = right - 1 + step
        inside = test < k
        logs[inside] += silent[test[inside]]
    many = np.ones(times.left.size) if weight is None else np.asarray(weight, dtype=np.float64)
    return ErrorKernel.of(logs, many, edges)


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
