"""Nonparametric maximum likelihood curve of onset from interval-censored times.

Takes :class:`~onsetstudy.core.intervals.Intervals` and weights, gives an
:class:`~onsetstudy.survival.results.OnsetCurve` that is certified by its own optimality condition.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from onsetstudy.core.arrays import FloatArray, IndexArray, checked_weight, require_number
from onsetstudy.core.cases import Cases
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals, require_intervals
from onsetstudy.core.results import Caution, Certificate, Counts
from onsetstudy.inference.assumptions import SCHEDULE
from onsetstudy.survival.curve.innermost import Spans, reduce_cases
from onsetstudy.survival.curve.mass_interior import interior_masses
from onsetstudy.survival.curve.mass_newton import kinds_of, maximise_masses
from onsetstudy.survival.curve.support_search import search_support
from onsetstudy.survival.results import OnsetCurve

TOLERANCE = 1e-8
"""Kuhn-Tucker gap relative to the total weight that is met unless another is asked for."""

MAX_ITERATIONS = 200

_ALL_ACTIVE = 100
"""Innermost intervals up to which all are worked on at once."""

_NEARLY_OPTIMAL = 1e-7
"""An interval without mass whose derivative is this close to ``W`` could have mass in another maximiser."""

_CONDITION = "Kuhn-Tucker gap relative to the total weight"
_ASSUMPTIONS = (SCHEDULE,)


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """The curves of one piece of work, such as a report: what asks for a curve is handed the one already fitted.

    A value that is made by whoever begins the work and passed on; nothing is kept beyond it. Verbs that fit curves
    take it as ``curves``. Two questions have the same curve if their cases cover the same innermost intervals equally
    often, in whatever order the rows stand.
    """

    _fitted: dict[bytes, OnsetCurve] = field(default_factory=dict, init=False, repr=False)
    _masses: dict[bytes, FloatArray] = field(default_factory=dict, init=False, repr=False)

    def fit(
        self,
        times: Cases | Intervals,
        *,
        weight: ArrayLike | None = None,
        weight_kind: str = "counts",
        tolerance: float = TOLERANCE,
        max_iterations: int = MAX_ITERATIONS,
    ) -> OnsetCurve:
        """As :func:`fit_npmle`, the same to the last digit; the search for the maximum is made once."""
        spans, n = _problem_of(times, weight, weight_kind)
        name = _digest(spans, tolerance, max_iterations)
        if name not in self._fitted:
            self._fitted[name] = _fit(spans, n, tolerance, max_iterations)
        # Counts may differ where the maximum does not: of cases, or of rows whose weights count nothing.
        found = self._fitted[name]
        return found if found.n == n else replace(found, n=n)

    def masses(self, spans: Spans, start: FloatArray | None = None) -> FloatArray:
        """Masses of the curve of ``spans`` alone, shape (k,), sought from ``start``: made once, never written on.

        Raises
        ------
        NotEstimable
            As :func:`fit_npmle`, to whose tolerance they are certified.
        """
        name = _digest(spans, TOLERANCE, MAX_ITERATIONS)
        if name not in self._masses:
            self._masses[name] = _certified(spans, TOLERANCE, MAX_ITERATIONS, start)[0]
        return self._masses[name]


def fit_npmle(
    times: Cases | Intervals,
    *,
    weight: ArrayLike | None = None,
    weight_kind: str = "counts",
    tolerance: float = TOLERANCE,
    max_iterations: int = MAX_ITERATIONS,
) -> OnsetCurve:
    """Nonparametric maximum likelihood estimate of the chance of not yet being numb.

    Parameters
    ----------
    times : Cases or Intervals, n rows
        Onset in (left, right], minutes from clock zero. Ends that differ by no more than 1e-12 of themselves
        count as equal.
    weight : array_like of float, shape (n,), optional
        How many like cases a row stands for, whole numbers; default 1.
    weight_kind : {"counts", "probabilities"}
        With ``"probabilities"`` weights need not be whole; the curve itself has no error that they could spoil.
    tolerance : float
        Largest accepted Kuhn-Tucker gap relative to the total weight.
    max_iterations : int
        Limit of steps.

    Returns
    -------
    OnsetCurve
        Certified: no distribution has a log-likelihood greater by more than ``tolerance`` times the total weight.
        ``n`` counts cases: the sum of the counts; rows of weight above 0 if the weights are no counts.

    Raises
    ------
    NotEstimable
        If there is no case with positive weight (``"no_cases"``), or the gap is not met (``"not_converged"``).
    OnsetStudyError
        If ``weight`` is not one number of 0 or more per row, or (counts) not whole; if cases hold more than one group.

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

    Examples
    --------
    >>> from onsetstudy import Intervals, fit_npmle
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> curve = fit_npmle(times)
    >>> curve.certificate.converged
    True
    """
    spans, n = _problem_of(times, weight, weight_kind)
    return _fit(spans, n, tolerance, max_iterations)


def _problem_of(times: Cases | Intervals, weight: ArrayLike | None, weight_kind: str) -> tuple[Spans, Counts]:
    """Cases of positive weight as spans of innermost intervals, and how many they are."""
    times, w, weight_kind = _one_group(times, weight, weight_kind)
    left, right = times.left, times.right
    if w is not None and not np.all(w > 0):
        used = w > 0
        left, right, w = left[used], right[used], w[used]
    if left.size == 0:
        raise NotEstimable("onset_curve", "there is no case", code="no_cases")
    n = Counts.of(np.isfinite(right), cases=w if weight_kind == "counts" else None)
    return reduce_cases(left, right, w), n


def _digest(spans: Spans, tolerance: float, max_iterations: int) -> bytes:
    """What the maximum and its certificate depend on, as one name."""
    name = hashlib.sha256(f"{tolerance!r} {max_iterations} {spans.k}".encode())
    for ends in (spans.left, spans.right, spans.weight):
        name.update(np.ascontiguousarray(ends, dtype=np.float64).tobytes())
    for place in (spans.first, spans.after):
        name.update(np.ascontiguousarray(place, dtype=np.int64).tobytes())
    return name.digest()


def _fit(spans: Spans, n: Counts, tolerance: float, max_iterations: int) -> OnsetCurve:
    """Certified maximum over the spans."""
    require_number(tolerance, "tolerance", "write a small number above 0; 1e-8 is usual")
    require_number(max_iterations, "max_iterations", "write a whole number; 200 is usual", whole=True)
    mass, gap, steps = _certified(spans, tolerance, max_iterations)
    keep = mass > 0
    determined = _determined(spans, mass)[keep]
    return OnsetCurve(
        left=spans.left[keep],
        right=spans.right[keep],
        mass=mass[keep],
        determined=determined.astype(np.float64),
        log_likelihood=float(np.sum(spans.weight * np.log(spans.chances(mass)))),
        certificate=Certificate(converged=True, iterations=steps, gap=gap, tolerance=tolerance, condition=_CONDITION),
        n=n,
        assumptions=_ASSUMPTIONS,
        caution=_cautions(determined),
        source="gentleman_geyer_1994",
    )


def _certified(
    spans: Spans, tolerance: float, max_iterations: int, start: FloatArray | None = None
) -> tuple[FloatArray, float, int]:
    """Masses, their gap and the steps taken; an error where the gap is above the tolerance."""
    mass, gap, steps = _maximum(spans, tolerance, max_iterations, start)
    if not gap <= tolerance:
        reason = f"the search for the maximum stopped at a gap of {gap:.1e} instead of {tolerance:.1e}"
        raise NotEstimable("onset_curve", reason, code="not_converged")
    return mass, gap, steps


def _one_group(
    times: Cases | Intervals, weight: ArrayLike | None, weight_kind: str
) -> tuple[Intervals, FloatArray | None, str]:
    """Times, checked weights and their kind."""
    if not isinstance(times, Cases):
        require_intervals(times)
        return times, checked_weight(weight, len(times), weight_kind), weight_kind
    others = [name for name in times.filled if name != "weight"]
    if weight is not None:
        what = "weight is given beside cases that may hold it"
        raise OnsetStudyError.of_key("weight", what, "say it in Cases only", code="twice")
    if others:
        fault = f"a curve is of one group of cases, and takes no {', '.join(others)}"
        raise OnsetStudyError.of_key("times", fault, "give Cases of one group, and no more", code="unused")
    return times.outcome, None if times.weight is None else np.asarray(times.weight), times.weight_kind


def _cautions(determined: NDArray[np.bool_]) -> tuple[Caution, ...]:
    if np.all(determined):
        return ()
    text = (
        f"{int(np.sum(~determined))} of the {determined.size} masses of the curve are not determined by the data: "
        "other curves have the same likelihood."
    )
    return (Caution(code="mass_not_determined", text=text),)


def _maximum(
    spans: Spans, tolerance: float, max_steps: int, start: FloatArray | None = None
) -> tuple[FloatArray, float, int]:
    """Masses of all innermost intervals, their gap over all cases, and the steps taken.

    ``start`` is where steps on few masses set out: masses that leave every case a chance; default: all the same.
    """
    closed = _product_limit(spans)
    if closed is not None:
        gap = spans.gap(closed)
        if gap <= tolerance:
            return closed, gap, 0
    k = spans.k
    if k <= _ALL_ACTIVE:
        kinds = kinds_of(spans.first * spans.first.dtype.type(k) + spans.after - 1, spans.weight, k)
        begun = np.full(k, 1.0 / k) if start is None else start
        fit = maximise_masses(kinds, begun, tolerance=tolerance, max_steps=max_steps)
        return fit.mass, spans.gap(fit.mass), fit.steps
    found = search_support(spans, tolerance=tolerance, max_rounds=max_steps)
    if found is None or not found[1] <= tolerance:
        found = interior_masses(spans, tolerance=tolerance, max_steps=max_steps)
    return found


def _product_limit(spans: Spans) -> FloatArray | None:
    """Masses in closed form if every case covers one innermost interval or reaches to the last; else ``None``.

    This is the Kaplan-Meier estimate, also for onset known to lie in one of several gaps that do not overlap.
    """
    k = spans.k
    single = spans.after - spans.first == 1
    if not np.all(single | (spans.after == k)):
        return None
    onset = np.bincount(spans.first[single], weights=spans.weight[single], minlength=k)
    left_early = np.bincount(spans.first[~single], weights=spans.weight[~single], minlength=k)
    # A case that left before an interval, without onset, is not at risk in it.
    at_risk = np.cumsum((onset + left_early)[::-1])[::-1] - left_early
    hazard = np.ones(k)
    hazard[:-1] = onset[:-1] / at_risk[:-1]
    before = np.concatenate(([1.0], np.cumprod(1.0 - hazard[:-1])))
    return np.asarray(before * hazard)


def _determined(spans: Spans, mass: FloatArray) -> NDArray[np.bool_]:
    """Which masses are the same in every maximiser of the likelihood, shape (k,).

    Every maximiser gives each case the same chance. A case thus fixes the difference of the distribution
    function between its two ends. Draw the ends of the intervals that may have mass as points, join the two
    points of each case, and the first with the last (their difference is 1): a mass is fixed if its two points are
    joined. An interval that may have mass but has none cannot lose any, which joins its points in one
    direction only; two points are then as good as joined if each can be reached from the other. This is the
    condition that the cases' columns of ones have full rank, for columns of consecutive ones.

    References
    ----------
    .. [1] Gentleman R, Geyer CJ (1994). Maximum likelihood for interval censored data: consistency and
       computation. Biometrika 81, 618-623, on uniqueness.
    """
    slope = spans.slope(spans.weight / spans.chances(mass)) / float(spans.weight.sum())
    candidate = (mass > 0) | (slope > 1.0 - _NEARLY_OPTIMAL)
    number = np.concatenate(([0], np.cumsum(candidate)))
    s = int(number[-1])
    begin, end = _distinct_pairs(number[spans.first], number[spans.after], s + 1)
    held = np.flatnonzero(mass[candidate] == 0)
    source = np.concatenate((begin, end, held, [0, s]))
    target = np.concatenate((end, begin, held + 1, [s, 0]))
    joined = sparse.coo_array((np.ones(source.size, dtype=np.int8), (source, target)), shape=(s + 1, s + 1))
    _, label = connected_components(joined.tocsr(), directed=True, connection="strong")
    fixed = np.ones(spans.k, dtype=bool)
    fixed[candidate] = label[:-1] == label[1:]
    return fixed


def _distinct_pairs(begin: IndexArray, end: IndexArray, size: int) -> tuple[IndexArray, IndexArray]:
    """Pairs of numbers below ``size`` without most of their repetitions."""
    if size * size <= 4 * begin.size + 4096:
        code = np.flatnonzero(np.bincount(begin * size + end, minlength=size * size))
        return code // size, code % size
    return begin, end
