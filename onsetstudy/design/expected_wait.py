"""What the expected curves say of the restricted time to onset, and whether a stated spread agrees with them.

A standard deviation of 3 min beside curves in which an eighth of the teeth are not numb within 15 min is two plans at
once: those teeth count with the whole 15 min, and the curves alone spread the time by more than 4 min.
"""

from __future__ import annotations

import math

import numpy as np

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import DesignError
from onsetstudy.core.serialise import result_kind
from onsetstudy.design.size_results import OnsetExpectation

TOLERANCE = 0.1
"""Share by which a stated standard deviation may differ from that of the curves, either way.

Size goes with the square of the spread: a tenth off is a fifth of the cases, and a planned power of 80 % is then 73 to
87 %. That is about what the unsaid parts of a plan (missed tests, the grid of tests, the mix of techniques) move it by;
more is not rounding but another plan.
"""
NODES, STEPS = 40, 6001


@result_kind("expected_wait")
class ExpectedWait:
    """Restricted time to onset under the expected curves, minutes up to ``tau_min``.

    Means of both arms, their standard deviations, and ``sd_min``: the one standard deviation that gives the difference
    of means the same error at the planned shares of the arms.
    """

    tau_min: float
    reference_mean_min: float
    other_mean_min: float
    reference_sd_min: float
    other_sd_min: float
    sd_min: float


def expected_wait(
    expected: OnsetExpectation, hazard_ratio: float, *, operator_spread: float = 0.0, share: float = 0.5
) -> ExpectedWait:
    """Mean and spread of the restricted time to onset that follow from the expected curves.

    Parameters
    ----------
    expected : OnsetExpectation
    hazard_ratio : float
        Of becoming numb, other arm over reference, among teeth that can.
    operator_spread : float
        Standard deviation of operators on the log scale of time.
    share : float
        Share of the cases in the other arm.

    Notes
    -----
    With ``S`` the share not numb yet, the mean is the integral of ``S`` up to tau and the second moment that of
    ``2 t S``; operators are averaged over by Gauss-Hermite quadrature. The error of the difference has variance
    ``s1^2 / (n share) + s0^2 / (n (1 - share))``, which one standard deviation gives if its square is
    ``s1^2 (1 - share) + s0^2 share``.
    """
    reference = _moments(expected, 1.0, expected.never_reference, operator_spread)
    other = _moments(expected, hazard_ratio, expected.never_other, operator_spread)
    return ExpectedWait(
        tau_min=expected.tau_min,
        reference_mean_min=reference[0],
        other_mean_min=other[0],
        reference_sd_min=reference[1],
        other_sd_min=other[1],
        sd_min=math.sqrt((1 - share) * other[1] ** 2 + share * reference[1] ** 2),
    )


def not_numb(
    t: FloatArray, *, median_min: float, shape: float, ratio: float, never: float, spread: float
) -> FloatArray:
    """Chance of not yet numb at minutes ``t``; the rates of becoming numb are spread log-normally over operators.

    Parameters
    ----------
    t : ndarray of float, shape (m,)
    median_min, shape : float
        Of the Weibull onset of an average operator's case that becomes numb.
    ratio : float
        Of the rates, over those of the reference arm.
    never : float
        Share that never becomes numb.
    spread : float
        Standard deviation of the logarithm of the operators' times.

    Returns
    -------
    ndarray of float, shape (m,)
    """
    node, weight = np.polynomial.hermite_e.hermegauss(NODES)
    hazard = ratio * math.log(2) * (t[:, None] / (median_min * np.exp(spread * node))) ** shape
    return np.asarray(never + (1 - never) * (np.exp(-hazard) @ (weight / weight.sum())), dtype=np.float64)


def _moments(expected: OnsetExpectation, ratio: float, never: float, spread: float) -> tuple[float, float]:
    """Mean and standard deviation of the time up to the horizon, from the chance of not yet numb."""
    t = np.linspace(0, expected.tau_min, STEPS)
    late = not_numb(t, median_min=expected.median_min, shape=expected.shape, ratio=ratio, never=never, spread=spread)
    mean = float(np.trapezoid(late, t))
    # Where nearly all wait alike, rounding may leave less than nothing.
    return mean, math.sqrt(max(0.0, float(np.trapezoid(2 * t * late, t)) - mean**2))


def contradicts(sd_min: float | None, wait: ExpectedWait) -> bool:
    """Whether a stated standard deviation is farther from that of the curves than the tolerance; none cannot be."""
    return sd_min is not None and abs(sd_min / wait.sd_min - 1) > TOLERANCE


def refuse_contradiction(sd_min: float | None, wait: ExpectedWait) -> None:
    """Nothing, if standard deviation and curves agree.

    Raises
    ------
    DesignError
        If they do not, with the standard deviation that follows from the curves.
    """
    if sd_min is None or not contradicts(sd_min, wait):
        return
    raise DesignError.of_key(
        "planning.wait_sd_min",
        f"[planning] wait_sd_min, a standard deviation of {sd_min:g} min, contradicts the expected curves: "
        f"they spread the time to onset, up to {wait.tau_min:g} min, by {wait.sd_min:.2g} min, and more than "
        f"{TOLERANCE:.0%} apart a size is not one for the stated power",
        "leave wait_sd_min out (it then follows from the curves), write "
        f"wait_sd_min = {wait.sd_min:.2g}, or expect other curves (median_min, shape, never_reference, "
        "never_other, planned_hazard_ratio)",
        code="planning",
    )
