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
from numpy.typing import NDArray
from scipy import optimize, sparse

from onsetstudy.survival.hazards.ph_fit import HazardsProblem

LEAST = 1e-6


def rising_direction(problem: HazardsProblem, index: int) -> int:
    """Direction (1 or -1) in which a coefficient can run away, 0 if it cannot.

    A direction in which the likelihood stays the same, because nothing in the cases speaks of the coefficient, is no
    direction in which it rises: see :func:`is_flat`.
    """
    constraints = _constraints(problem)
    return next((sign for sign in (1, -1) if freedom(*constraints, index, sign) == "rises"), 0)


def is_flat(problem: HazardsProblem, index: int) -> bool:
    """Whether the likelihood is the same whatever the coefficient, the rest adapting: cases do not speak of it."""
    constraints = _constraints(problem)
    return all(freedom(*constraints, index, sign) == "flat" for sign in (1, -1))


def unseen(problem: HazardsProblem) -> list[int]:
    """Covariates in which cases of a stratum do not differ, or do only together with others."""
    begin, pattern = np.unique(np.column_stack((problem.begin, problem.pattern)), axis=0).T
    _, stratum = np.unique(begin, return_inverse=True)
    x = problem.x[pattern]
    size = np.bincount(stratum)
    means = np.column_stack([np.bincount(stratum, weights=column) / size for column in x.T])
    inner = (x - means[stratum]) / np.maximum(np.ptp(x, axis=0), 1e-300)
    strength, axes = np.linalg.eigh(inner.T @ inner)
    # A coefficient is unseen if it takes part in a direction in which nothing within strata changes.
    still = axes[:, strength <= 1e-12 * max(1.0, float(strength[-1]))]
    return [j for j in range(x.shape[1]) if np.abs(still[j]).max(initial=0.0) > 1e-6]


def freedom(contradicted: sparse.csr_matrix, order: sparse.csr_matrix, index: int, sign: int) -> str:
    """What becomes of a likelihood as a coefficient moves without end: ``held``, ``flat`` or ``rises``.

    Parameters
    ----------
    contradicted : csr_matrix, shape (m, p)
        Rows of ``A d <= 0``: directions ``d`` of all parameters in which no side of a case becomes less likely.
    order : csr_matrix, shape (k, p)
        The same of what parameters may do whatever the cases say.
    index, sign : int
        The coefficient, and whether it grows or shrinks.
    """
    with_it = _eased(contradicted, order, index, float(sign))
    if with_it is None:
        return "held"
    # A baseline at its edge (nobody numb so early, everybody so late) eases cases whatever the coefficient does.
    without = _eased(contradicted, order, index, 0.0)
    return "rises" if np.any(with_it & ~(False if without is None else without)) else "flat"


def _eased(
    contradicted: sparse.csr_matrix, order: sparse.csr_matrix, index: int, move: float
) -> NDArray[np.bool_] | None:
    """Which sides of which cases become ever more likely as the coefficient moves so; ``None`` if it may not."""
    rows, size = contradicted.shape
    inner = order.shape[0]
    # Slack of each side, up to 1: the sum of all is greatest where all that can have some do.
    above = sparse.hstack((contradicted, sparse.csr_matrix(sparse.eye(rows))))
    below = sparse.hstack((order, sparse.csr_matrix((inner, rows))))
    matrix = sparse.csr_matrix(sparse.vstack((above, below)))
    bounds: list[tuple[float | None, float | None]] = [(None, None)] * size + [(0.0, 1.0)] * rows
    bounds[index] = (move, move)
    cost = np.concatenate((np.zeros(size), -np.ones(rows)))
    best = optimize.linprog(cost, A_ub=matrix, b_ub=np.zeros(rows + inner), bounds=bounds, method="highs")  # type: ignore[call-overload]
    return None if best.status != 0 else best.x[size:] > LEAST


def _constraints(problem: HazardsProblem) -> tuple[sparse.csr_matrix, sparse.csr_matrix]:
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
    places = sparse.csr_matrix(sparse.eye(size))
    order = sparse.hstack((sparse.csr_matrix((inner.size, p)), places[inner] - places[inner + 1])).tocsr()
    return contradicted, order
