"""What a maximum of the proportional hazards likelihood allows one to say of its coefficients."""

from __future__ import annotations

import numpy as np
from scipy import linalg

from onsetstudy.core.arrays import FloatArray, IndexArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.survival.hazards.ph_fit import HazardsProblem, Maximum, maximise
from onsetstudy.survival.hazards.ph_likelihood import Derivatives, derivatives, score_rows

STRIDE = 3.0
"""Largest change of a linear predictor from one held fit to the next, so that each starts near its end."""
REACH = 40.0
FAR = 24.0
"""Linear predictor at which a likelihood that rises without end has risen to its end for every purpose."""
LEVEL = 1e-4
"""Gain in log-likelihood over a stride below which it has so, too: the next strides gain a twentieth of it."""
LIMIT_STEPS = 60


def _derivatives(maximum: Maximum) -> Derivatives:
    return derivatives(maximum.active.cells, maximum.b, maximum.h)


def _held(maximum: Maximum) -> FloatArray:
    """Observed information in the coefficients and the increments that hold something; those at zero stay there."""
    kept = maximum.holding
    return _derivatives(maximum).information[kept[:, None], kept]


def information(maximum: Maximum) -> FloatArray:
    """Curvature of the profile log-likelihood in the coefficients, shape (p, p).

    The observed information with the increments that hold something profiled out.
    """
    held, p = _held(maximum), maximum.b.size
    # The last digits of a product depend on how its factors lie in memory: one block each.
    bb, hb, hh = held[:p, :p], np.ascontiguousarray(held[p:, :p]), held[p:, p:]
    return np.asarray(bb - hb.T @ linalg.lstsq(hh, hb)[0] if hh.size else bb, dtype=np.float64)


def _without_covariates(problem: HazardsProblem) -> Maximum:
    """The fit with all coefficients at 0."""
    return maximise(problem, held=dict.fromkeys(range(problem.x.shape[1]), 0.0))


def score_statistic(problem: HazardsProblem) -> tuple[FloatArray, FloatArray]:
    """Gradient of the log-likelihood in the coefficients at 0, and its variance by the observed information."""
    null = _without_covariates(problem)
    return _derivatives(null).gradient[: null.b.size], information(null)


def cluster_covariance(
    problem: HazardsProblem, maximum: Maximum, cluster: IndexArray, weight: FloatArray
) -> FloatArray:
    """Sandwich covariance of the coefficients, cases of a cluster taken together.

    With the usual small-sample factor ``g / (g - 1)`` for ``g`` clusters.
    """
    active = maximum.active
    kinds = score_rows(active.cells, maximum.b, maximum.h)[:, maximum.holding]
    rows = kinds[active.cell_of][problem.kind_of] * weight[:, None]
    groups = int(cluster.max()) + 1
    summed = np.zeros((groups, rows.shape[1]))
    np.add.at(summed, cluster, rows)
    bread, p = linalg.pinvh(_held(maximum)), maximum.b.size
    meat = summed.T @ summed * groups / max(groups - 1, 1)
    return np.asarray((bread @ meat @ bread)[:p, :p], dtype=np.float64)


def _spread(problem: HazardsProblem, index: int) -> float:
    return float(np.ptp(problem.x[:, index]))


def _held_at(problem: HazardsProblem, near: Maximum, index: int, value: float) -> Maximum:
    """Maximum with one coefficient held at a value, reached in strides from a maximum near it."""
    strides = max(1, int(np.ceil(abs(value - near.b[index]) * _spread(problem, index) / STRIDE)))
    for point in np.linspace(near.b[index], value, strides + 1)[1:]:
        near = maximise(problem, near, held={index: float(point)})
    return near


def profile_limit(
    problem: HazardsProblem, maximum: Maximum, index: int, *, drop: float, step: float, upwards: bool
) -> float:
    """Coefficient at which the profile log-likelihood has fallen by ``drop`` from its maximum.

    Newton steps on the profile, whose slope is the gradient of the held coefficient, inside a bracket that is made
    first.

    Raises
    ------
    NotEstimable
        If the profile does not fall so far within reach (``"flat_profile"``).
    """
    sign = 1.0 if upwards else -1.0
    step = min(abs(step), STRIDE / _spread(problem, index))
    inside, point, at = maximum.b[index], maximum.b[index] + sign * step, maximum
    outside = None
    for _ in range(LIMIT_STEPS):
        at = _held_at(problem, at, index, point)
        excess = maximum.log_likelihood - at.log_likelihood - drop
        if abs(excess) < 1e-8 * max(drop, 1.0):
            return float(point)
        inside, outside = (inside, point) if excess > 0 else (point, outside)
        # The slope of the profile is that of the likelihood in the coefficient that is held.
        slope = -float(_derivatives(at).gradient[index])
        newton = point - excess / slope if slope * sign > 0 else np.nan
        if outside is None:
            near_by = np.isfinite(newton) and sign * (newton - point) <= 3 * step
            point = newton if near_by else point + 2 * sign * step
            if abs(point - maximum.b[index]) * _spread(problem, index) > REACH:
                raise NotEstimable(
                    "hazard_ratio", "the likelihood does not fall far enough on one side", code="flat_profile"
                )
        else:
            low, high = sorted((inside, outside))
            point = newton if low < newton < high else (low + high) / 2
            if high - low < 1e-9 * max(1.0, abs(high)):
                return float(point)
    raise NotEstimable("hazard_ratio", "the limit of the interval was not found", code="not_converged")


def one_sided_bound(problem: HazardsProblem, index: int, *, rising: int, drop: float) -> float:
    """Limit on the near side of a coefficient whose likelihood rises without end.

    The coefficient at which the profile log-likelihood lies ``drop`` below the value that it rises to. The search
    turns back as soon as that is reached: farther out masses are so unequal that their last digits fail.
    """
    far, gain, predictor = _without_covariates(problem), np.inf, 0.0
    while gain > LEVEL and predictor < FAR:
        near, predictor = far, predictor + STRIDE
        far = maximise(problem, near, held={index: rising * predictor / _spread(problem, index)})
        gain = far.log_likelihood - near.log_likelihood
    return profile_limit(problem, far, index, drop=drop, step=1.0, upwards=rising < 0)
