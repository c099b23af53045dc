"""Size of the log-rank test of onset in closed form, and the step from onsets to cases."""

from __future__ import annotations

import math

from onsetstudy.core.errors import DesignError
from onsetstudy.core.results import Assumption
from onsetstudy.design import formulas
from onsetstudy.design.planning_values import implausible
from onsetstudy.design.size_results import OnsetExpectation, SampleSize
from onsetstudy.design.sizes.frame import EQUAL, INDEPENDENT, Asked, Frame, size_of, solve

__all__ = ["onset_share", "plan_onset_test"]

PROPORTIONAL = Assumption(name="proportional hazards", detail="the arms' rates of becoming numb keep one ratio")


def onset_share(expected: OnsetExpectation, hazard_ratio: float, *, share: float = 0.5) -> float:
    """Share of all cases whose onset is seen by the horizon: the step from onsets to cases."""
    e = expected
    if not (
        e.median_min > 0 and e.shape > 0 and e.tau_min > 0 and 0 <= e.never_reference < 1 and 0 <= e.never_other < 1
    ):
        raise DesignError("median, shape and horizon must be above 0, and the never-numb shares between 0 and 1")
    hazard = math.log(2) * (e.tau_min / e.median_min) ** e.shape
    reference = (1 - e.never_reference) * -math.expm1(-hazard)
    other = (1 - e.never_other) * -math.expm1(-hazard * hazard_ratio)
    return share * other + (1 - share) * reference


def plan_onset_test(
    *,
    hazard_ratio: float | None = None,
    cases: float | None = None,
    power: float | None = 0.8,
    alpha: float | None = 0.05,
    expected: OnsetExpectation,
    formula: str = "schoenfeld",
    frame: Frame = EQUAL,
) -> SampleSize:
    """Size, ratio, power or error rate of the log-rank test of onset; leave one of them ``None``.

    Parameters
    ----------
    hazard_ratio : float or None
        Of becoming numb, other arm over reference; above or below 1. Solved for, it is above 1.
    cases : float or None
        Included cases in both arms.
    power, alpha : float or None
    expected : OnsetExpectation
        Turns onsets into cases.
    formula : str
        ``schoenfeld`` or ``freedman``.
    frame : Frame

    Notes
    -----
    Both formulas count onsets as if their times were known exactly; tests that are minutes apart lose a little more.
    The power by simulation shows how much.

    References
    ----------
    .. [1] Schoenfeld DA. Biometrics 1983;39:499-503, equation 1.
    .. [2] Freedman LS. Statistics in Medicine 1982;1:121-9.
    """
    powers = {"schoenfeld": formulas.schoenfeld_power, "freedman": formulas.freedman_power}
    if formula not in powers:
        raise DesignError(f"the formula {formula!r} is not known; choose schoenfeld or freedman")
    if hazard_ratio is not None and (hazard_ratio <= 0 or hazard_ratio == 1):
        raise DesignError(f"a hazard ratio of {hazard_ratio:g} cannot be planned for; give one above or below 1")

    def events_of(n: float, ratio: float) -> float:
        return n * onset_share(expected, ratio, share=frame.share)

    def power_of(n: float, ratio: float, a: float) -> float:
        return powers[formula](events_of(n, ratio), ratio, a, share=frame.share, sided=frame.sided)

    asked = Asked(n=cases, effect=hazard_ratio, power=power, alpha=alpha)
    found = solve(asked, power_of, frame, effect_range=(1 + 1e-9, 100.0))
    return size_of(
        found,
        frame,
        quantity="onset_test",
        test="log-rank test",
        effect_text=f"hazard ratio {found.effect:.4g}",
        events=events_of(frame.deflated(found.n), found.effect),
        method=f"log-rank test, {formula.capitalize()}'s formula, onsets to cases by the expected curves",
        source={"schoenfeld": "Schoenfeld 1983", "freedman": "Freedman 1982"}[formula],
        assumptions=(PROPORTIONAL, INDEPENDENT),
        caution=implausible("hazard_ratio", found.effect),
    )
