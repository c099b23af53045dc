"""Sizes of studies in closed form: for onset, success, waits, pain and pairs; tables over a grid of effects."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from onsetstudy.core.errors import DesignError
from onsetstudy.core.results import Assumption, Caution
from onsetstudy.design import formulas
from onsetstudy.design.expected_wait import ExpectedWait, refuse_contradiction
from onsetstudy.design.planning_values import implausible
from onsetstudy.design.size_results import OnsetExpectation, SampleSize, SizeTable
from onsetstudy.design.solve import Asked, solve

__all__ = [
    "Frame",
    "design_effect",
    "onset_share",
    "plan_onset_test",
    "plan_ordinal_pain",
    "plan_pain",
    "plan_paired_success",
    "plan_success",
    "plan_wait",
    "size_table",
]

PROPORTIONAL = Assumption(name="proportional hazards", detail="the arms' rates of becoming numb keep one ratio")
INDEPENDENT = Assumption(name="independent cases", detail="apart from the stated design effect")


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What every size takes: allocation, losses, clusters, sides.

    Parameters
    ----------
    ratio : tuple of float
        Cases of the reference arm to the other.
    lost_share : float
        Share of included cases that cannot be analysed.
    design_effect : float
        By how much clusters of cases inflate the size; 1: none.
    sided : int
        1 or 2.
    """

    ratio: tuple[float, float] = (1.0, 1.0)
    lost_share: float = 0.0
    design_effect: float = 1.0
    sided: int = 2

    @property
    def share(self) -> float:
        """Share of the cases in the other arm."""
        return self.ratio[1] / sum(self.ratio)

    def checked(self) -> Frame:
        """The frame itself.

        Raises
        ------
        DesignError
            If a number makes no sense.
        """
        if min(self.ratio) <= 0 or not 0 <= self.lost_share < 1 or self.design_effect < 1 or self.sided not in (1, 2):
            raise DesignError(
                "the ratio must be above 0 on both sides, the lost share between 0 and 1, the design effect 1 or more, "
                "and sided 1 or 2"
            )
        return self

    def inflated(self, n: float) -> float:
        """Cases to include for ``n`` that count."""
        return n * self.design_effect / (1 - self.lost_share)

    def deflated(self, n: float) -> float:
        """Cases that count among ``n`` included."""
        return n * (1 - self.lost_share) / self.design_effect


PLAIN = Frame()


def design_effect(cluster_size: float, icc: float, *, size_cv: float = 0.0) -> float:
    """By how much clusters inflate a size: ``1 + ((1 + cv^2) m - 1) icc``.

    Parameters
    ----------
    cluster_size : float
        Cases of a cluster (a patient, an operator, a practice), on average.
    icc : float
        Intraclass correlation.
    size_cv : float
        Coefficient of variation of the sizes.

    References
    ----------
    .. [1] Eldridge SM, Ashby D, Kerry S. International Journal of Epidemiology 2006;35:1292-300 (from memory).
    """
    if cluster_size < 1 or not 0 <= icc <= 1 or size_cv < 0:
        raise DesignError("clusters hold one case or more, and the correlation lies between 0 and 1")
    return 1 + ((1 + size_cv**2) * cluster_size - 1) * icc


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
    frame: Frame = PLAIN,
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
    share = frame.checked().share

    def power_of(n: float, ratio: float, a: float) -> float:
        events = frame.deflated(n) * onset_share(expected, ratio, share=share)
        return powers[formula](events, ratio, a, share=share, sided=frame.sided)

    asked = Asked(n=cases, effect=hazard_ratio, power=power, alpha=alpha)
    found = solve(asked, power_of, effect_range=(1 + 1e-9, 100.0))
    ratio = float(found.effect or 0)
    events = frame.deflated(float(found.n or 0)) * onset_share(expected, ratio, share=share)
    return _size(
        asked,
        found,
        frame,
        quantity="onset_test",
        test="log-rank test",
        effect_text=f"hazard ratio {ratio:.4g}",
        events=events,
        method=f"log-rank test, {formula.capitalize()}'s formula, onsets to cases by the expected curves",
        source={"schoenfeld": "Schoenfeld 1983", "freedman": "Freedman 1982"}[formula],
        assumptions=(PROPORTIONAL, INDEPENDENT),
        caution=implausible("hazard_ratio", ratio),
    )


def plan_success(
    *,
    reference: float,
    difference: float | None = None,
    cases: float | None = None,
    power: float | None = 0.8,
    alpha: float | None = 0.05,
    margin: float = 0.0,
    higher_is_better: bool = True,
    frame: Frame = PLAIN,
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

    Raises
    ------
    DesignError
        Also if a size is asked for a difference that lies beyond the margin: no size can show it not inferior.
    """
    if not 0 < reference < 1 or margin < 0:
        raise DesignError("the share of the reference arm must lie between 0 and 1, and the margin be 0 or more")
    if difference is not None and (not 0 < reference + difference < 1 or (difference == 0 and not margin)):
        raise DesignError(f"a difference of {difference:g} from {reference:g} leaves no share between 0 and 1 to find")
    share = frame.checked().share
    sign = -1.0 if margin and not higher_is_better else 1.0
    gain = None if difference is None else sign * difference
    _within_margin(gain, margin, cases)

    def power_of(n: float, better: float, a: float) -> float:
        counting = max(frame.deflated(n), 1e-9)
        return formulas.shares_power(
            counting, reference, reference + sign * better, a, share=share, sided=frame.sided, margin=margin,
            higher_is_better=higher_is_better,
        )  # fmt: skip

    asked = Asked(n=cases, effect=gain, power=power, alpha=alpha)
    best, worst = (1 - reference, reference) if sign > 0 else (reference, 1 - reference)
    least = max(-margin, -worst) if margin else 0.0
    found = solve(asked, power_of, effect_range=(least + 1e-6, best - 1e-6))
    apart = sign * float(found.effect or 0)
    found = replace(found, effect=apart)
    return _size(
        asked,
        found,
        frame,
        quantity="success",
        effect_text=f"{reference:.1%} against {reference + apart:.1%}" + (f", margin {margin:.3g}" if margin else ""),
        test="test of two proportions against a margin" if margin else "score test of two proportions",
        method="two proportions, normal approximation"
        + (", unpooled against the margin" if margin else ", score test"),
        source="Fleiss, Levin & Paik 2003, chapter 4",
        caution=implausible("success", apart),
    )


def plan_paired_success(
    *,
    only_other: float,
    only_reference: float,
    pairs: float | None = None,
    power: float | None = 0.8,
    alpha: float | None = 0.05,
    frame: Frame = PLAIN,
) -> SampleSize:
    """Pairs for McNemar's test; leave pairs, power or alpha ``None``.

    Parameters
    ----------
    only_other, only_reference : float
        Shares of patients in whom only the one or only the other injection worked.
    """
    if min(only_other, only_reference) < 0 or only_other + only_reference > 1 or only_other == only_reference:
        raise DesignError("the shares of pairs that differ must be 0 or more, at most 1 together, and not the same")
    frame.checked()

    def power_of(n: float, apart: float, a: float) -> float:
        return formulas.mcnemar_power(frame.deflated(n), only_other, only_reference, a, sided=frame.sided)

    asked = Asked(n=pairs, effect=only_other - only_reference, power=power, alpha=alpha)
    found = solve(asked, power_of, effect_range=(-1, 1))
    return _size(
        asked,
        found,
        frame,
        paired=True,
        quantity="paired_success",
        test="McNemar's test",
        effect_text=f"{only_other:g} of pairs only the one, {only_reference:g} only the other",
        method="McNemar's test",
        source="Connor 1987",
        caution=implausible("success", only_other - only_reference),
    )


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
    frame: Frame = PLAIN,
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
        "wait", difference_min, sd_min, "min", cases, power, alpha, paired=paired, frame=frame, margin=margin_min,
        caution=lambda d: implausible("wait_min", d),
    )  # fmt: skip


def plan_pain(
    *,
    superiority: float | None = None,
    cases: float | None = None,
    power: float | None = 0.8,
    alpha: float | None = 0.05,
    paired: bool = False,
    frame: Frame = PLAIN,
) -> SampleSize:
    """Size for pain by ranks (Noether); leave one of superiority, cases, power and alpha ``None``.

    Parameters
    ----------
    superiority : float or None
        Chance that a case of the other arm hurts less than one of the reference arm, ties shared; paired: that the sum
        of two differences is on that side. 0.5 is no difference.

    Notes
    -----
    The formula is for scores without ties and small differences; ties make it ask for a little too many cases.

    References
    ----------
    .. [1] Noether GE. Journal of the American Statistical Association 1987;82:645-7.
    """
    if superiority is not None and (not 0 < superiority < 1 or superiority == 0.5):
        raise DesignError(f"a chance of {superiority:g} cannot be planned for; give one between 0 and 1 other than 0.5")
    share = frame.checked().share

    def power_of(n: float, chance: float, a: float) -> float:
        counting = frame.deflated(n)
        if paired:
            return formulas.signed_rank_power(counting, chance, a, sided=frame.sided)
        return formulas.noether_power(counting, chance, a, share=share, sided=frame.sided)

    asked = Asked(n=cases, effect=superiority, power=power, alpha=alpha)
    found = solve(asked, power_of, effect_range=(0.5 + 1e-9, 1 - 1e-9))
    return _size(
        asked,
        found,
        frame,
        paired=paired,
        quantity="pain",
        test="signed-rank test" if paired else "rank-sum test",
        effect_text=f"less pain in {float(found.effect or 0):.1%} of pairs",
        method="signed-rank test, Noether's formula" if paired else "rank-sum test, Noether's formula",
        source="Noether 1987",
    )


def plan_ordinal_pain(
    *,
    categories: Sequence[float],
    odds_ratio: float | None = None,
    cases: float | None = None,
    power: float | None = 0.8,
    alpha: float | None = 0.05,
    frame: Frame = PLAIN,
) -> SampleSize:
    """Size for pain in words by proportional odds; leave one of odds ratio, cases, power and alpha ``None``.

    Parameters
    ----------
    categories : sequence of float
        Shares of none, mild, moderate, severe in the reference arm; they sum to 1. Those of the other arm follow from
        the odds ratio, above 1 for less pain.

    References
    ----------
    .. [1] Whitehead J. Statistics in Medicine 1993;12:2257-71.
    """
    shares = tuple(float(c) for c in categories)
    if len(shares) < 2 or min(shares) < 0 or abs(sum(shares) - 1) > 1e-6:
        raise DesignError("the shares of the categories must be 0 or more and sum to 1")
    if odds_ratio is not None and (odds_ratio <= 0 or odds_ratio == 1):
        raise DesignError(f"an odds ratio of {odds_ratio:g} cannot be planned for")
    share = frame.checked().share

    def power_of(n: float, log_odds: float, a: float) -> float:
        together = tuple(share * y + (1 - share) * x for x, y in zip(shares, _shifted(shares, log_odds), strict=True))
        counting = frame.deflated(n)
        return formulas.whitehead_power(counting, log_odds, a, categories=together, share=share, sided=frame.sided)

    asked = Asked(n=cases, effect=None if odds_ratio is None else math.log(odds_ratio), power=power, alpha=alpha)
    found = solve(asked, power_of, effect_range=(1e-9, 10.0))
    return _size(
        asked,
        found,
        frame,
        quantity="ordinal_pain",
        test="proportional-odds test",
        effect_text=f"odds ratio {math.exp(float(found.effect or 0)):.4g}",
        method="proportional odds of ordered categories",
        source="Whitehead 1993",
    )


def _shifted(shares: tuple[float, ...], log_odds: float) -> tuple[float, ...]:
    """Shares of the other arm when all cumulative odds are multiplied."""
    below = np.clip(np.cumsum(shares)[:-1], 1e-12, 1 - 1e-12)
    odds = below / (1 - below) * math.exp(log_odds)
    return tuple(float(v) for v in np.diff(np.concatenate(([0.0], odds / (1 + odds), [1.0]))))


def size_table(
    plan: Callable[[float, float], SampleSize], *, effects: Sequence[float], powers: Sequence[float] = (0.8, 0.9)
) -> SizeTable:
    """Sizes over a grid of effects and powers.

    ``size_table(lambda d, p: plan_wait(sd_min=3, difference_min=d, power=p), effects=[0.5, 1])``
    """
    return SizeTable(
        effects=tuple(float(e) for e in effects),
        powers=tuple(float(p) for p in powers),
        sizes=tuple(plan(float(e), float(p)) for e in effects for p in powers),
    )


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
    caution: Callable[[float], tuple[Caution, ...]],
) -> SampleSize:
    if sd <= 0 or margin < 0 or (difference == 0 and not margin):
        raise DesignError(
            "the standard deviation must be above 0, the margin 0 or more, and no difference cannot be planned for"
        )
    share = frame.checked().share
    # Less is better: against a margin the gain is the difference turned over.
    sign = -1.0 if margin else 1.0
    gain = None if difference is None else sign * difference
    _within_margin(gain, margin, cases)

    def power_of(n: float, better: float, a: float) -> float:
        counting, apart = frame.deflated(n), sign * better
        if paired:
            return formulas.paired_mean_power(counting, apart, a, sd=sd, sided=frame.sided, margin=margin)
        return formulas.two_means_power(counting, apart, a, sd=sd, share=share, sided=frame.sided, margin=margin)

    asked = Asked(n=cases, effect=gain, power=power, alpha=alpha)
    found = solve(asked, power_of, effect_range=(1e-9 * sd - margin, 8 * sd), least=2.001 if paired else 4.0)
    apart = sign * float(found.effect or 0)
    found = replace(found, effect=apart)
    return _size(
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
        caution=caution(apart),
    )


def _within_margin(gain: float | None, margin: float, cases: float | None) -> None:
    """Refuse a size for an arm that is worse by the margin or more."""
    if margin and gain is not None and cases is None and gain <= -margin:
        raise DesignError(
            f"an arm that is worse by {-gain:.4g} lies beyond the margin of {margin:.4g}: no size can show it not "
            "inferior"
        )


def _size(asked: Asked, found: Asked, frame: Frame, *, paired: bool = False, **told: Any) -> SampleSize:
    included = float(found.n or 0)
    parts = np.array(frame.ratio) / sum(frame.ratio)
    whole = (included,) if paired else tuple(included * p for p in parts)
    return SampleSize(
        solved=asked.wanted,
        effect=float(found.effect or 0),
        cases=tuple(math.ceil(n - 1e-9) for n in whole),
        unrounded=frame.deflated(included),
        power=float(found.power or 0),
        alpha=float(found.alpha or 0),
        sided=frame.sided,
        ratio=frame.ratio,
        lost_share=frame.lost_share,
        design_effect=frame.design_effect,
        **{"events": None, "assumptions": (INDEPENDENT,), "caution": (), **told},
    )
