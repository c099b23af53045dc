"""Nonparametric maximum likelihood curve of onset from interval-censored times.

Takes :class:`~onsetstudy.core.intervals.Intervals` and weights, gives an
:class:`~onsetstudy.survival.results.OnsetCurve` that is certified by its own optimality condition.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Caution, Certificate, Counts
from onsetstudy.survival.innermost import Spans, reduce_cases
from onsetstudy.survival.mass_interior import interior_masses
from onsetstudy.survival.mass_newton import Kinds, maximise_masses
from onsetstudy.survival.optimality import chances, determined_masses, product_limit, relative_gap
from onsetstudy.survival.results import OnsetCurve
from onsetstudy.survival.support_search import MOST_ACTIVE, fewest_intervals, search_support

__all__ = ["fit_npmle"]

FloatArray = NDArray[np.float64]

_ALL_ACTIVE = 100
"""Innermost intervals up to which all are worked on at once."""

_CONDITION = "Kuhn-Tucker gap relative to the total weight"
_ASSUMPTIONS = (Assumption(name="times of testing do not depend on onset"),)


def fit_npmle(
    times: Intervals,
    *,
    weight: ArrayLike | None = None,
    tolerance: float = 1e-8,
    max_iterations: int = 200,
) -> OnsetCurve:
    """Nonparametric maximum likelihood estimate of the chance of not yet being numb.

    Parameters
    ----------
    times : Intervals, n cases
        Onset in (left, right], minutes from clock zero. Ends that differ by no more than 1e-12 of themselves
        count as equal.
    weight : array_like of float, shape (n,), optional
        Weight of each case, 0 or more; default 1. A case of weight 2 counts as two equal cases.
    tolerance : float
        Largest accepted Kuhn-Tucker gap relative to the total weight.
    max_iterations : int
        Limit of steps.

    Returns
    -------
    OnsetCurve
        Certified: no distribution has a log-likelihood greater by more than ``tolerance`` times the total weight.

    Raises
    ------
    NotEstimable
        If there is no case with positive weight (``"no_cases"``), or the gap is not met (``"not_converged"``).
    OnsetStudyError
        If ``weight`` is not one number of 0 or more per case.

    Notes
    -----
    Cases are reduced to spans of innermost intervals. In closed form (product limit) if the spans allow it;
    by constrained Newton steps on all masses if they are few, else on the active ones; by interior-point
    steps if thousands of masses are positive. Whatever the road, the certificate is computed from all cases.

    References
    ----------
    .. [1] Gentleman R, Geyer CJ (1994). Maximum likelihood for interval censored data: consistency and
       computation. Biometrika 81, 618-623.
    .. [2] Wang Y (2008). Dimension-reduced nonparametric maximum likelihood computation for interval-censored
       data. Computational Statistics and Data Analysis 52, 2388-2402.
    """
    left, right = times.left, times.right
    w = _checked_weight(weight, len(times))
    if w is not None and not np.all(w > 0):
        used = w > 0
        left, right, w = left[used], right[used], w[used]
    if left.size == 0:
        raise NotEstimable("onset_curve", "there is no case", code="no_cases")
    spans = reduce_cases(left, right, w)
    mass, gap, steps = _maximum(spans, tolerance, max_iterations)
    if not gap <= tolerance:
        raise NotEstimable(
            "onset_curve",
            f"the search for the maximum stopped at a gap of {gap:.1e} instead of {tolerance:.1e}",
            code="not_converged",
        )
    keep = mass > 0
    determined = determined_masses(spans, mass)[keep]
    return OnsetCurve(
        left=spans.left[keep],
        right=spans.right[keep],
        mass=mass[keep],
        determined=determined.astype(np.float64),
        log_likelihood=float(np.sum(spans.weight * np.log(chances(spans, mass)))),
        certificate=Certificate(converged=True, iterations=steps, gap=gap, tolerance=tolerance, condition=_CONDITION),
        n=Counts(cases=int(left.size), onsets=int(np.count_nonzero(np.isfinite(right)))),
        assumptions=_ASSUMPTIONS,
        caution=_cautions(determined),
        source="gentleman_geyer_1994",
    )


def _checked_weight(weight: ArrayLike | None, n: int) -> FloatArray | None:
    if weight is None:
        return None
    w = np.asarray(weight, dtype=np.float64)
    if w.shape != (n,) or not np.all(np.isfinite(w)) or np.any(w < 0):
        raise OnsetStudyError(f"weight must be {n} finite numbers of 0 or more, one per case")
    return w


def _cautions(determined: NDArray[np.bool_]) -> tuple[Caution, ...]:
    if np.all(determined):
        return ()
    return (
        Caution(
            code="mass_not_determined",
            text=f"{int(np.sum(~determined))} of the {determined.size} masses of the curve are not determined by "
            "the data: other curves have the same likelihood.",
        ),
    )


def _maximum(spans: Spans, tolerance: float, max_steps: int) -> tuple[FloatArray, float, int]:
    """Masses of all innermost intervals, their gap over all cases, and the steps taken."""
    closed = product_limit(spans)
    if closed is not None:
        gap = relative_gap(spans, closed)
        if gap <= tolerance:
            return closed, gap, 0
    k = spans.k
    if k <= _ALL_ACTIVE:
        kinds = Kinds.of(spans.first * spans.first.dtype.type(k) + spans.last, spans.weight, k)
        fit = maximise_masses(kinds, np.full(k, 1.0 / k), tolerance=tolerance, max_steps=max_steps)
        return fit.mass, relative_gap(spans, fit.mass), fit.steps
    found = None
    if fewest_intervals(spans.first, spans.last, k).size <= MOST_ACTIVE // 2:
        found = search_support(spans, tolerance=tolerance, max_rounds=max_steps)
    if found is None or not found[1] <= tolerance:
        found = interior_masses(spans, tolerance=tolerance, max_steps=max_steps)
    return found
