"""Whether the proportional hazards likelihood has a maximum at all.

On the scale of ``log L`` a case says ``L(left) exp(x'b)`` is small and ``L(right) exp(x'b)`` is large. If
coefficients and baseline can move without end so that no case is contradicted, the likelihood rises without end:
there is no estimate, only a bound on one side. Whether they can is a linear programme, and its answer is exact.

References
----------
.. [1] Albert A, Anderson JA (1984). On the existence of maximum likelihood estimates in logistic regression models.
   Biometrika 71, 1-10 (the same argument for logistic regression).
.. [2] Heinze G, Schemper M (2001). Biometrics 57, 114-119.
"""

from __future__ import annotations

import numpy as np
from scipy import optimize, sparse

from onsetstudy.survival.ph_fit import Problem

__all__ = ["rising_direction"]

LEAST = 1e-6


def rising_direction(problem: Problem, index: int) -> int:
    """Direction (1 or -1) in which a coefficient can run away, 0 if it cannot."""
    contradicted, order = _constraints(problem)
    p, size = problem.x.shape[1], problem.mass.size
    matrix = sparse.vstack((contradicted, order)).tocsr()
    bounds = [(-1.0, 1.0)] * p + [(None, None)] * size
    found = 0
    for sign in (1, -1):
        cost = np.zeros(p + size)
        cost[index] = -sign
        result = optimize.linprog(  # type: ignore[call-overload]
            cost, A_ub=matrix, b_ub=np.zeros(matrix.shape[0]), bounds=bounds, method="highs"
        )
        if result.status == 0 and -result.fun > LEAST:
            found = sign
            break
    return found


def _constraints(problem: Problem) -> tuple[sparse.csr_matrix, sparse.csr_matrix]:
    """Rows of ``A d <= 0`` for directions ``d`` of coefficients and of ``log L`` after each innermost interval."""
    p, size = problem.x.shape[1], problem.mass.size
    x = problem.x[problem.pattern]
    waited = np.flatnonzero(problem.first > problem.begin)
    became = np.flatnonzero(problem.last < problem.end - 1)
    rows = np.concatenate((waited, became))
    sign = np.concatenate((np.ones(waited.size), -np.ones(became.size)))
    place = np.concatenate((problem.first[waited] - 1, problem.last[became]))
    at = sparse.csr_matrix((sign, (np.arange(rows.size), place)), shape=(rows.size, size))
    contradicted = sparse.hstack((sparse.csr_matrix(x[rows] * sign[:, None]), at)).tocsr()
    inner = np.flatnonzero(problem.stratum_of[1:] == problem.stratum_of[:-1])
    number = np.arange(inner.size)
    order = sparse.csr_matrix(
        (
            np.concatenate((np.ones(inner.size), -np.ones(inner.size))),
            (np.concatenate((number, number)), np.concatenate((p + inner, p + inner + 1))),
        ),
        shape=(inner.size, p + size),
    )
    return contradicted, order
