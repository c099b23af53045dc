"""Sizes for differences in means in closed form: the restricted time to onset, and pain on its scale."""

from __future__ import annotations

from dataclasses import replace

from onsetstudy.core.errors import DesignError
from onsetstudy.design import formulas
from onsetstudy.design.expected_wait import ExpectedWait, refuse_contradiction
from onsetstudy.design.planning_values import implausible
from onsetstudy.design.size_results import SampleSize
from onsetstudy.design.sizes.frame import EQUAL, Frame, size_of, within_margin
from onsetstudy.design.solve import Asked, solve

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
    return _mean(
        "wait", difference_min, sd_min, "min", cases, power, alpha, paired=paired, frame=frame, margin=margin_min
    )  # fmt: skip


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
    return _mean("pain", difference, sd, unit, cases, power, alpha, paired=paired, frame=frame, margin=0.0)


def _mean(
    quantity: str,
    difference: float | None,
    sd: float,
    unit: str,
    cases: float | None,
    power: float | None,
    alpha: float | None,
    *,
    paired: bool,
    frame: Frame,
    margin: float,
) -> SampleSize:
    if sd <= 0 or margin < 0 or (difference == 0 and not margin):
        raise DesignError(
            "the standard deviation must be above 0, the margin 0 or more, and no difference cannot be planned for"
        )
    share = frame.checked().share
    # Less is better: against a margin the gain is the difference turned over.
    sign = -1.0 if margin else 1.0
    gain = None if difference is None else sign * difference
    within_margin(gain, margin, cases)

    def power_of(n: float, better: float, a: float) -> float:
        counting, apart = frame.deflated(n), sign * better
        if paired:
            return formulas.paired_mean_power(counting, apart, a, sd=sd, sided=frame.sided, margin=margin)
        return formulas.two_means_power(counting, apart, a, sd=sd, share=share, sided=frame.sided, margin=margin)

    asked = Asked(n=cases, effect=gain, power=power, alpha=alpha)
    found = solve(asked, power_of, effect_range=(1e-9 * sd - margin, 8 * sd), least=2.001 if paired else 4.0)
    apart = sign * float(found.effect or 0)
    found = replace(found, effect=apart)
    return size_of(
        asked,
        found,
        frame,
        paired=paired,
        quantity=quantity,
        test=("paired " if paired else "two-sample ") + "Student's t test",
        effect_text=f"{apart:.4g} {unit}, standard deviation {sd:.3g} {unit}"
        + (f", margin {margin:.3g} {unit}" if margin else ""),
        method=("paired" if paired else "two-sample") + " Student's t, noncentral t distribution",
        source="noncentral t",
        caution=implausible("wait_min", apart) if quantity == "wait" else (),
    )
