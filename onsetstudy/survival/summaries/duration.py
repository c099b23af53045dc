"""How long numbness lasts, when both its beginning and its end are known only to a gap between tests.

The duration of a case whose onset lies in ``(a, b]`` and whose sensation returned in ``(c, d]`` lies in
``(c - b, d - a]`` and nowhere else. Curves and tests here treat that interval as if it were the gap between
two tests of the duration itself. What is stated of a single case is then always true, and nothing is assumed
of where in its gap onset lay. The price: bands are wider, and tests weaker, than a model of both ends
could make them, and steps of the curve may gather where such intervals overlap, so that it is descriptive.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import BoolArray, middle_case, real_numbers
from onsetstudy.core.cases import Cases
from onsetstudy.core.errors import NotEstimable, OnsetStudyError, Problem
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Caution, HypothesisTest
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.ranktests.compare import compare_arms
from onsetstudy.survival.results import OnsetCurve

R = TypeVar("R", OnsetCurve, HypothesisTest)

_SOURCE = (
    "doubly censored durations reduced to intervals; the full model: De Gruttola & Lagakos 1989, Biometrics 45:1-11"
)
_REDUCED = Assumption(
    name="reduced_duration",
    detail="each duration is used as the widest interval that its two gaps allow, which is taken to tell nothing "
    "more of it than that it lies inside",
)


def duration_intervals(onset: Intervals, loss_left: ArrayLike, loss_right: ArrayLike) -> tuple[Intervals, BoolArray]:
    """Intervals of the duration of numbness, of the cases that became numb.

    Parameters
    ----------
    onset : Intervals, n cases
        Onset in (left, right], minutes from clock zero; ``inf`` right where it was never seen.
    loss_left, loss_right : array_like of float, shape (n,)
        Sensation returned in (left, right]; ``inf`` right where it was not seen to return; both missing
        where the case never became numb.

    Returns
    -------
    tuple of Intervals and ndarray of bool, shape (n,)
        Duration in minutes of the cases marked True.

    Raises
    ------
    OnsetStudyError
        If a return is no number, begins before the onset was seen, or is missing for a case with onset. All such rows
        are named.
    """
    begin, end = real_numbers(loss_left, "loss_left"), real_numbers(loss_right, "loss_right")
    used = np.isfinite(onset.right)
    if begin.shape != used.shape or end.shape != used.shape:
        raise OnsetStudyError(f"loss_left and loss_right must be {used.size} numbers each, one per case")
    faults = (
        ("has no interval of return although it became numb", used & (np.isnan(begin) | np.isnan(end))),
        ("has sensation back before it was seen numb", used & (begin < onset.right)),
        ("has a return that ends before it begins", used & (end < begin)),
    )
    mend = "the return lies after the first test that found it numb"
    problems = [
        Problem(what=f"case {i} (counted from 0) {fault}", mend=mend, code="duration")
        for fault, rows in faults
        for i in np.flatnonzero(rows)[:20]
    ]
    if problems:
        raise OnsetStudyError(problems)
    return Intervals(begin[used] - onset.right[used], end[used] - onset.left[used]), used


def fit_duration(onset: Cases | Intervals, loss_left: ArrayLike, loss_right: ArrayLike) -> OnsetCurve:
    """Descriptive curve of the chance of *still numb* by minutes since onset, among those who became numb.

    Parameters are those of :func:`duration_intervals`; the onset may be :class:`~onsetstudy.core.cases.Cases` of one
    group.

    Raises
    ------
    NotEstimable
        If no case became numb.

    Examples
    --------
    How long after onset is half of the teeth felt again? Onset and return are each known to the gap between two tests.

    >>> from onsetstudy import Intervals, fit_duration
    >>> curve = fit_duration(Intervals([2, 4, 2, 4], [4, 6, 4, 6]), [40, 50, 60, 70], [45, 55, 65, 75])
    >>> curve.quantile(0.5)
    (44.0, 51.0)
    """
    cases = onset if isinstance(onset, Cases) else Cases(onset)
    numb = _numb(cases, loss_left, loss_right, "duration")
    method = "nonparametric maximum likelihood for durations, each reduced to the interval that its two gaps allow"
    return _reduced(fit_npmle(numb), cases, numb, method)


def compare_durations(
    onset: Cases | Intervals,
    loss_left: ArrayLike,
    loss_right: ArrayLike,
    arm: ArrayLike | None = None,
    *,
    reference_arm: str = "",
    **options: Any,
) -> HypothesisTest:
    """Test of whether numbness lasts equally long in all arms, among those who became numb.

    Parameters
    ----------
    onset, loss_left, loss_right
        As in :func:`duration_intervals`. With :class:`~onsetstudy.core.cases.Cases` as onset, arm, reference arm,
        strata, blocks, clusters and weights stand in them.
    arm : array_like of str, shape (n,)
    reference_arm : str
        Arm that the others are compared with.
    **options
        Passed to :func:`~onsetstudy.survival.ranktests.compare.compare_arms`; ``stratum``, ``block``, ``cluster``
        and ``weight`` have shape (n,).

    Returns
    -------
    HypothesisTest
        Quantity ``duration_test``. Positive when sensation returned *sooner* in the arm than in the reference arm.

    Raises
    ------
    NotEstimable
        If no case became numb, or as ``compare_arms``.

    Examples
    --------
    >>> from onsetstudy import Intervals, compare_durations
    >>> onset, arm = Intervals([2] * 12, [4] * 12), ["plain", "buffered"] * 6
    >>> back = [60, 30, 70, 35, 65, 40, 75, 45, 80, 30, 70, 50]
    >>> later = [minute + 5 for minute in back]
    >>> found = compare_durations(onset, back, later, arm, reference_arm="plain", n_resamples=999, seed=1)
    >>> found.contrast, found.statistic > 0
    ('buffered - plain', True)
    """
    if isinstance(onset, Cases):
        cases = onset
        beside = {"arm": arm, "reference_arm": reference_arm or None}
        options |= {name: value for name, value in beside.items() if value is not None}
    else:
        per_case = {name: options.pop(name) for name in ("stratum", "block", "cluster", "weight") if name in options}
        cases = Cases(onset, arm, reference_arm=reference_arm, **per_case)
    numb = _numb(cases, loss_left, loss_right, "duration_test")
    test = replace(compare_arms(numb, **options), quantity="duration_test")
    return _reduced(test, cases, numb, f"{test.method}; durations reduced to intervals")


def _numb(cases: Cases, loss_left: ArrayLike, loss_right: ArrayLike, quantity: str) -> Cases:
    """The cases that became numb, their outcome being :func:`duration_intervals`; raises if there are none."""
    durations, used = duration_intervals(cases.outcome, loss_left, loss_right)
    if not used.any():
        raise NotEstimable(quantity, "no case became numb", code="no_onset")
    return replace(cases.take(used), outcome=durations)


def _reduced(result: R, cases: Cases, numb: Cases, method: str) -> R:
    """A result that says that durations were reduced to intervals."""
    return replace(
        result,
        method=method,
        assumptions=(*result.assumptions, _REDUCED),
        caution=(*result.caution, *_cautions(cases, numb)),
        source=_SOURCE,
    )


def _cautions(cases: Cases, numb: Cases) -> tuple[Caution, ...]:
    cautions = []
    left_out = cases.n - numb.n
    if left_out:
        text = (
            f"{left_out} of {cases.n} cases never became numb and have no duration. Arms that differ in who "
            "becomes numb differ in whom this describes."
        )
        cautions.append(Caution(code="numb_cases_only", text=text))
    durations, many = numb.outcome, np.ones(len(numb))
    if numb.weight is not None and numb.weight_kind == "counts":
        many = np.asarray(numb.weight, dtype=np.float64)
    seen = ~durations.right_censored & (many > 0)
    if seen.any() and (width := middle_case((durations.right - durations.left)[seen], many[seen])) > 0:
        text = f"A duration is known to within {width:g} min in the middle case: the gaps at both ends add up."
        cautions.append(Caution(code="duration_gap", text=text))
    return tuple(cautions)
