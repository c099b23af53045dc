"""Sizes in closed form for every outcome: onset, the proportion numb by the target, waits and pain.

Every verb is given ``cases``, ``power``, ``alpha`` and ``frame`` as in :class:`~onsetstudy.design.sizes.frame.Asked`.
"""

from __future__ import annotations

from functools import partial
from typing import Unpack

from onsetstudy.core.errors import DesignError
from onsetstudy.core.results import Assumption
from onsetstudy.design.planning_values import implausible
from onsetstudy.design.size_results import OnsetExpectation, SampleSize
from onsetstudy.design.sizes import formulas
from onsetstudy.design.sizes.frame import INDEPENDENT, Asked, Given, size_of, solve

PROPORTIONAL = Assumption(name="proportional hazards", detail="the arms' rates of becoming numb keep one ratio")


def onset_share(expected: OnsetExpectation, hazard_ratio: float, *, share: float = 0.5) -> float:
    """Share of all cases whose onset is seen by the horizon: the step from onsets to cases."""
    e = expected
    if not (
        e.median_min > 0 and e.shape > 0 and e.tau_min > 0 and 0 <= e.never_reference < 1 and 0 <= e.never_other < 1
    ):
        raise DesignError("median, shape and horizon must be above 0, and the never-numb shares between 0 and 1")
    reference, other = e.numb_by(e.tau_min, hazard_ratio)
    return share * other + (1 - share) * reference


def plan_onset_test(
    *,
    expected: OnsetExpectation,
    hazard_ratio: float | None = None,
    formula: str = "schoenfeld",
    **given: Unpack[Given],
) -> SampleSize:
    """Size, ratio, power or error rate of the log-rank test of onset; leave one of them ``None``.

    Parameters
    ----------
    expected : OnsetExpectation
        Turns onsets into cases.
    hazard_ratio : float or None
        Of becoming numb, other arm over reference; above or below 1. Solved for, it is above 1.
    formula : str
        ``schoenfeld`` or ``freedman``.
    **given
        ``cases``, ``power``, ``alpha`` and ``frame`` of :class:`~onsetstudy.design.sizes.frame.Asked`.

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

    asked = Asked(effect=hazard_ratio, **given)

    def events_of(n: float, ratio: float) -> float:
        return n * onset_share(expected, ratio, share=asked.frame.share)

    def power_of(n: float, ratio: float, a: float) -> float:
        return powers[formula](events_of(n, ratio), ratio, a, asked.frame)

    found = solve(asked, power_of, effect_range=(1 + 1e-9, 100.0))
    return size_of(
        found,
        quantity="onset_test",
        test="log-rank test",
        effect_text=f"hazard ratio {found.effect:.4g}",
        events=events_of(asked.frame.deflated(found.n), found.effect),
        method=f"log-rank test, {formula.capitalize()}'s formula, onsets to cases by the expected curves",
        source={"schoenfeld": "Schoenfeld 1983", "freedman": "Freedman 1982"}[formula],
        assumptions=(PROPORTIONAL, INDEPENDENT),
        caution=implausible("hazard_ratio", found.effect),
    )


def plan_success(
    *,
    reference: float,
    difference: float | None = None,
    margin: float = 0.0,
    higher_is_better: bool = True,
    equivalence: bool = False,
    **given: Unpack[Given],
) -> SampleSize:
    """Size for the share numb by the target; leave one of difference, cases, power and alpha ``None``.

    Parameters
    ----------
    reference : float
        Share in the reference arm.
    difference : float or None
        Share of the other arm minus it. Solved for without a margin, it is positive.
    margin : float
        0: a test of no difference. Above 0: the other arm may be worse by less than this (not inferior); let
        ``frame.sided`` be 1.
    higher_is_better : bool
        Whether a larger share is the better one; ``False`` for shares such as not numb. Matters to a margin.
    equivalence : bool
        Whether the arms shall be shown to differ by less than the margin either way: two one-sided tests at ``alpha``
        each. The difference is then given, not solved for.

    Raises
    ------
    DesignError
        Also if a size is asked for a difference that lies beyond the margin: no size can show it.
    """
    if equivalence and (not margin or difference is None or abs(difference) >= margin):
        raise DesignError("to show two arms alike, give a margin above 0 and a difference that lies within it")
    if not 0 < reference < 1 or margin < 0:
        raise DesignError("the share of the reference arm must lie between 0 and 1, and the margin be 0 or more")
    if difference is not None and (not 0 < reference + difference < 1 or (difference == 0 and not margin)):
        raise DesignError(f"a difference of {difference:g} from {reference:g} leaves no share between 0 and 1 to find")
    # Where less is better, the better share is that of the others.
    better, good = (-1.0, 1 - reference) if margin and not higher_is_better else (1.0, reference)
    asked = Asked(effect=difference, **given)

    def power_of(n: float, apart: float, a: float) -> float:
        other = good + better * apart
        return formulas.shares_power(max(n, 1e-9), good, other, a, asked.frame, margin=margin, equivalence=equivalence)

    least = max(-margin, -good) if margin else 0.0
    found = solve(asked, power_of, effect_range=(least + 1e-6, 1 - good - 1e-6), margin=margin, better=better)
    other, against = reference + found.effect, f", margin {margin:.3g}" if margin else ""
    return size_of(
        found,
        quantity="success",
        effect_text=f"{reference:.1%} against {other:.1%}{against}",
        test="two one-sided tests of two proportions"
        if equivalence
        else "test of two proportions against a margin"
        if margin
        else "score test of two proportions",
        method="two proportions, normal approximation"
        + (", unpooled against the margin" if margin else ", score test"),
        source="Fleiss, Levin & Paik 2003, chapter 4",
        caution=implausible("success", found.effect),
    )


def plan_paired_success(*, only_other: float, only_reference: float, **given: Unpack[Given]) -> SampleSize:
    """Pairs for McNemar's test; leave cases (pairs), power or alpha ``None``.

    Parameters
    ----------
    only_other, only_reference : float
        Shares of patients in whom only the one or only the other injection worked.
    """
    if min(only_other, only_reference) < 0 or only_other + only_reference > 1 or only_other == only_reference:
        raise DesignError("the shares of pairs that differ must be 0 or more, at most 1 together, and not the same")

    asked = Asked(effect=only_other - only_reference, **given)

    def power_of(n: float, apart: float, a: float) -> float:
        return formulas.mcnemar_power(n, only_other, only_reference, a, asked.frame)

    return size_of(
        solve(asked, power_of, effect_range=(-1, 1)),
        paired=True,
        quantity="paired_success",
        test="McNemar test",
        effect_text=f"{only_other:.1%} of pairs in the other arm alone, {only_reference:.1%} in the reference alone",
        method="McNemar's test",
        source="Connor 1987",
        caution=implausible("success", only_other - only_reference),
    )


def plan_wait(
    *,
    sd_min: float,
    difference_min: float | None = None,
    paired: bool = False,
    margin_min: float = 0.0,
    **given: Unpack[Given],
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

    Raises
    ------
    DesignError
        If a size is asked for a difference beyond the margin.
    """
    asked = Asked(effect=difference_min, **given)
    return _mean(asked, "wait", sd_min, "min", paired=paired, margin=margin_min)


def plan_pain_difference(
    *, sd: float, difference: float | None = None, paired: bool = False, unit: str = "points", **given: Unpack[Given]
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
    asked = Asked(effect=difference, **given)
    return _mean(asked, "pain", sd, unit, paired=paired, margin=0.0)


def _mean(asked: Asked, quantity: str, sd: float, unit: str, *, paired: bool, margin: float) -> SampleSize:
    if sd <= 0 or margin < 0 or (asked.effect == 0 and not margin):
        raise DesignError(
            "the standard deviation must be above 0, the margin 0 or more, and no difference cannot be planned for"
        )

    power_of = formulas.paired_mean_power if paired else formulas.two_means_power
    found = solve(
        asked,
        partial(power_of, sd=sd, frame=asked.frame, margin=margin),
        effect_range=(1e-9 * sd - margin, 8 * sd),
        least=2.001 if paired else 4.0,
        margin=margin,
        # Less is better: against a margin the gain is the difference turned over.
        better=-1.0 if margin else 1.0,
    )
    return size_of(
        found,
        paired=paired,
        quantity=quantity,
        test=("paired " if paired else "two-sample ") + "Student's t test",
        effect_text=f"{found.effect:.4g} {unit}, standard deviation {sd:.3g} {unit}"
        + (f", margin {margin:.3g} {unit}" if margin else ""),
        method=("paired" if paired else "two-sample") + " Student's t, noncentral t distribution",
        source="noncentral t",
        caution=implausible("wait_min", found.effect) if quantity == "wait" else (),
    )
