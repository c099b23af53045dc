"""Sizes for differences in means in closed form: the restricted time to onset, and pain on its scale."""

from __future__ import annotations

from onsetstudy.core.errors import DesignError
from onsetstudy.design import formulas
from onsetstudy.design.expected_wait import ExpectedWait, refuse_contradiction
from onsetstudy.design.planning_values import implausible
from onsetstudy.design.size_results import SampleSize
from onsetstudy.design.sizes.frame import EQUAL, Asked, Frame, size_of, solve

__all__ = ["plan_pain_difference", "plan_wait"]


def plan_wait(
    *,
    sd_min: float,
    difference_min: float | None = None,
    cases: float | None = None,
    power: float | None = 0.8,
    alpha: float | None = 0.05,
    paired: bool = False,
    margin_min: float = 0.0,
    curve: ExpectedWait | None = None,
    frame: Frame = EQUAL,
) -> SampleSize:
    """Size for the restricted mean time to onset by Student's t; leave one of the four numbers ``None``.

    Parameters
    ----------
    difference_min : float or None
        Minutes; against a margin the other arm minus the reference, so that below 0 is sooner.
    sd_min : float
        Standard deviation of the restricted time, minutes; in a crossover or split-mouth study (``paired``) of the
        differences within patients.
    margin_min : float
        0: a test of no difference. Above 0: the other arm may be later by less than this (not inferior); let
        ``frame.sided`` be 1.
    curve : ExpectedWait or None
        What the expected curves say of the restricted time; a standard deviation that contradicts them is refused.
        Not for ``paired``, whose standard deviation is of differences.

    Raises
    ------
    DesignError
        If standard deviation and curves contradict each other, or a size is asked for a difference beyond the margin.
    """
    if curve is not None and not paired:
        refuse_contradiction(sd_min, curve)
    asked = Asked(n=cases, effect=difference_min, power=power, alpha=alpha)
    return _mean(asked, "wait", sd_min, "min", paired=paired, frame=frame, margin=margin_min)


def plan_pain_difference(
    *,
    sd: float,
    difference: float | None = None,
    cases: float | None = None,
    power: float | None = 0.8,
    alpha: float | None = 0.05,
    paired: bool = False,
    unit: str = "points",
    frame: Frame = EQUAL,
) -> SampleSize:
    """Size for the difference in mean pain by Student's t; leave one of the four numbers ``None``.

    Parameters
    ----------
    sd : float
        Standard deviation of the scores in units of the scale; ``paired``: of the differences within patients.
    difference : float or None
        In units of the scale.
    unit : str
        Name of the scale's unit.

    Notes
    -----
    The report's primary comparison of pain is the difference in means by Welch's t, of which this is the formula for
    arms that spread alike.
    """
    asked = Asked(n=cases, effect=difference, power=power, alpha=alpha)
    return _mean(asked, "pain", sd, unit, paired=paired, frame=frame, margin=0.0)


def _mean(
    asked: Asked, quantity: str, sd: float, unit: str, *, paired: bool, frame: Frame, margin: float
) -> SampleSize:
    if sd <= 0 or margin < 0 or (asked.effect == 0 and not margin):
        raise DesignError(
            "the standard deviation must be above 0, the margin 0 or more, and no difference cannot be planned for"
        )

    def power_of(n: float, apart: float, a: float) -> float:
        if paired:
            return formulas.paired_mean_power(n, apart, a, sd=sd, sided=frame.sided, margin=margin)
        return formulas.two_means_power(n, apart, a, sd=sd, share=frame.share, sided=frame.sided, margin=margin)

    found = solve(
        asked,
        power_of,
        frame,
        effect_range=(1e-9 * sd - margin, 8 * sd),
        least=2.001 if paired else 4.0,
        margin=margin,
        # Less is better: against a margin the gain is the difference turned over.
        better=-1.0 if margin else 1.0,
    )
    return size_of(
        found,
        frame,
        paired=paired,
        quantity=quantity,
        test=("paired " if paired else "two-sample ") + "Student's t test",
        effect_text=f"{found.effect:.4g} {unit}, standard deviation {sd:.3g} {unit}"
        + (f", margin {margin:.3g} {unit}" if margin else ""),
        method=("paired" if paired else "two-sample") + " Student's t, noncentral t distribution",
        source="noncentral t",
        caution=implausible("wait_min", found.effect) if quantity == "wait" else (),
    )
