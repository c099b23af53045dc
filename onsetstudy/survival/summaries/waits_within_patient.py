"""Restricted mean time to onset when every patient was treated in both arms (crossover, split-mouth)."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from numpy.typing import ArrayLike
from scipy import stats

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import PATIENTS, Caution, Estimate
from onsetstudy.inference.assumptions import INDEPENDENT_CASES
from onsetstudy.inference.means import LEAST
from onsetstudy.inference.proportions import wilson_limits
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.results import ArmContrast
from onsetstudy.survival.summaries.rmst import NO_SPREAD, estimate_rmst, open_by_gaps
from onsetstudy.survival.summaries.standardisation import ArmedCases, Value, sort_arms
from onsetstudy.survival.summaries.within_patient import influences_in_both, tested_in_both

OF_ITS_OWN = ("unlike_gaps", "no_spread")
"""Codes of cautions on a difference of two groups that one within patients says for itself."""
HOW = "Student's t, differences within patients"
ALIKE = Caution(
    code="no_spread",
    text="As far as the tests can tell, both arms of a patient differ by the same wait in every patient, so that the "
    "spread of these differences is unknown; the interval is a cautious one.",
)


def paired_wait(
    times: Intervals,
    arm: ArrayLike,
    patient: ArrayLike,
    *,
    reference_arm: str,
    tau_min: float,
    conf_level: float = 0.95,
    grace_min: float | None = None,
    curves: Curves | None = None,
) -> ArmContrast:
    """Restricted mean time to onset in either arm of the same patients, and the difference within them.

    Parameters
    ----------
    times : Intervals, n cases
        Onset in (left, right], minutes from clock zero.
    arm, patient : array_like of str, shape (n,)
        Two arms; at most one case of a patient in each.
    reference_arm : str
        Arm that the other is compared with.
    tau_min, conf_level, grace_min, curves
        As in :func:`~onsetstudy.survival.summaries.rmst.estimate_rmst`.

    Returns
    -------
    ArmContrast
        Quantities as in :func:`~onsetstudy.survival.summaries.rmst.estimate_rmst`, of the patients who were tested in
        both arms; those left out are counted in a caution. No ratio.

    Raises
    ------
    OnsetStudyError
        If there are not two arms, or a patient has two cases in one.
    NotEstimable
        If fewer than two patients were tested in both arms, or a curve is undefined before ``tau_min``.

    Notes
    -----
    The curves of the arms are fitted as ever. What a case adds to the error of its arm's mean is its influence value
    (:func:`~onsetstudy.survival.curve.functionals.influence_values`); those of a patient's two cases, one less the
    other, are that patient's, and their spread gives Student's t with one degree of freedom less than patients. On
    exact times, and where the gaps between tests do not overlap, it is Student's t of the differences within patients,
    the wait of a gap being its middle. Where all differences are alike, the interval allows a share of the patients as
    large as Wilson's limit for 0 of n to lie at the largest difference there can be.

    References
    ----------
    .. [1] Student, Biometrika 1908;6:1-25.
    .. [2] R. L. Williams, Biometrics 2000;56:645-646 (influence values summed within clusters; from memory).
    """
    both, named, told = tested_in_both(times, arm, patient, reference_arm)
    if len(both) < 2 * LEAST:
        raise NotEstimable("rmst", f"it takes {LEAST} patients who were tested in both arms", code="too_few")
    curves = curves or Curves()
    found = estimate_rmst(
        both, named, reference_arm=reference_arm, tau_min=tau_min, conf_level=conf_level, grace_min=grace_min,
        curves=curves,
    )  # fmt: skip
    followed, _ = sort_arms(both, named, reference_arm=reference_arm).follow_to(tau_min, grace_min)
    reference, other = influences_in_both(followed, tau_min, waits=True, curves=curves)
    apart = other - reference
    value, p_value = _limits(found.difference.estimate, apart, followed, (tau_min, conf_level), curves)
    method = f"{found.method}, of {apart.size} patients treated in both arms"
    assumptions = tuple(PATIENTS if each == INDEPENDENT_CASES else each for each in found.assumptions)

    def of_patients(each: Estimate, **more: Any) -> Estimate:
        # Of gaps, and of an arm whose waits are alike, the difference within patients says what holds of it.
        kept = each.caution if each.quantity == "rmst" else [c for c in each.caution if c.code not in OF_ITS_OWN]
        return replace(
            each, method=method, assumptions=assumptions, caution=(*kept, *more.pop("caution", ()), *told), **more
        )

    span = replace(found.difference.interval, low=value.limits[0], high=value.limits[1], method=value.how)
    return replace(
        found,
        arms=tuple(of_patients(each) for each in found.arms),
        difference=of_patients(
            found.difference, std_error=value.error, interval=span, p_value=p_value, caution=value.caution
        ),
        ratio=None,
        method=method,
        assumptions=assumptions,
        caution=(*found.caution, *told),
    )


def _limits(
    value: float, apart: FloatArray, followed: ArmedCases, asked: tuple[float, float], curves: Curves
) -> tuple[Value, float | None]:
    """The difference with its limits, and P of none, which agree; ``asked`` are the horizon and the level."""
    (tau, conf_level), m = asked, apart.size
    variance = float(apart @ apart) * m / (m - 1)
    if spread := variance > NO_SPREAD * tau**2:
        error = math.sqrt(variance)
        reach = float(stats.t.isf((1 - conf_level) / 2, m - 1)) * error
        found = Value(value, (value - reach, value + reach), HOW, error)
    else:
        most = wilson_limits(0, m, conf_level)[1]
        limits = value - most * (tau + value), value + most * (tau - value)
        found = Value(value, limits, "Wilson's limit for 0 of n, as differences have no spread", None, (ALIKE,))
    reference, other = followed.arms
    gaps, gaps_other = (next(followed.gaps(name, curves)) for name in followed.arms)
    found, moves = open_by_gaps(found, [(1.0, gaps, gaps_other)], (other, reference), tau)
    # What unlike gaps leave open may be all of the difference.
    surely = max(0.0, abs(value) - moves)
    return found, float(2 * stats.t.sf(surely / error, m - 1)) if spread else None
