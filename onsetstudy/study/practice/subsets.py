"""One set of cases, analysed as the plan says; its onset curves, and the stopwatch answer beside them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.results import Estimate, EstimateLike, Fit, HypothesisTest, NotAvailable
from onsetstudy.inference.clusters import INDEPENDENT_TEST
from onsetstudy.inference.estimate_or_reason import attempt, not_asked
from onsetstudy.outcomes.scores.pain import compare_pain
from onsetstudy.outcomes.scores.pain_results import PainComparison
from onsetstudy.outcomes.scores.within_patient import compared_within
from onsetstudy.study.answer.cautions import few_onsets_caution
from onsetstudy.study.results import ArmCurve, NaiveStopwatch, Population, Variation
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.sets.contrasts import (
    BY_ARM,
    NO_CASE,
    TREATED,
    Refusal,
    arm_missing,
    ask,
    cautions_of,
    no_case,
    of_one_arm,
    pain_compared,
    too_few,
)
from onsetstudy.study.sets.pairs import TOO_FEW
from onsetstudy.survival.hazards.proportional_hazards import fit_proportional_hazards
from onsetstudy.survival.ranktests.compare import compare_arms
from onsetstudy.survival.results import ArmContrast
from onsetstudy.survival.summaries.npmle_proportion import curve_limits


def arm_curves(data: AnalysisSet, *, with_limits: bool = True, missing: str = NO_CASE) -> tuple[ArmCurve, ...]:
    """Curve of the first injection alone for each arm of the protocol, reference first.

    Each has the cases still tested at each minute; ``missing`` is told of an arm without a case.
    """
    arms = data.protocol.arm_codes[:2]
    return tuple(_arm_curve(data.where(data.arm == a), a, no_case(data, a, missing), with_limits) for a in arms)


def _arm_curve(data: AnalysisSet, arm: str, missing: str, with_limits: bool) -> ArmCurve:
    protocol, plan, times, weight = data.protocol, data.protocol.plan, data.times("success"), data.weight
    n, unit = data.counts("success"), "proportion"
    if not len(data):
        none = not_asked("onset_curve", missing, code="arm_missing", contrast=arm, unit=unit, n=n)
        return ArmCurve(arm=arm, curve=none, still_tested=())
    curve = attempt(
        lambda: data.work.curves.fit(times, weight=weight),
        quantity="onset_curve",
        contrast=arm,
        unit=unit,
        method="nonparametric maximum likelihood",
        n=n,
        level=plan.conf_level,
    )
    minutes = [t for t in protocol.schedule.tests_min if t <= protocol.onset.tau_min]
    limits: tuple[tuple[float, EstimateLike], ...] = ()
    if with_limits and not isinstance(curve, NotAvailable):
        found = curve_limits(times, minutes, weight=weight, conf_level=plan.conf_level, curves=data.work.curves)
        limits = tuple(zip(minutes, found, strict=True))
    many = np.ones(len(data), dtype=np.int64) if weight is None else weight
    still = tuple((float(t), int(many[data.watched >= t].sum())) for t in (0.0, *minutes))
    return ArmCurve(arm=arm, curve=curve, still_tested=still, limits=limits)


def naive_stopwatch(data: AnalysisSet) -> NaiveStopwatch:
    """Mean first not-felt minute among confirmed onsets, by arm: what a stopwatch would have said of these."""
    protocol = data.protocol
    first = data.frame["right_hazard"].to_numpy()
    numb = np.isfinite(first)
    means: list[tuple[str, float | None, int, int]] = []
    for arm in protocol.arm_codes[:2]:
        rows = data.arm == arm
        seen = first[rows & numb]
        means.append((arm, float(seen.mean()) if seen.size else None, int(seen.size), int((rows & ~numb).sum())))
    reference, other = means[0][1], means[1][1]
    difference = None if reference is None or other is None else other - reference
    left_out = sum(m[3] for m in means)
    text = (
        f"The mean of the first not-felt minute leaves out {left_out} cases without an onset confirmed as planned "
        "and takes every onset for as late as the test that found it."
    )
    return NaiveStopwatch(means=tuple(means), difference=difference, text=text)


EXACT_CASES = 200
NO_PAIN = ("not_planned", "the protocol does not record pain")


def analyse_population(data: AnalysisSet, *, label: str, dimension: str, level: str, minimum: int = 1) -> Population:
    """Everything the plan asks of one set of cases.

    Parameters
    ----------
    data : AnalysisSet
        The cases.
    label, dimension, level : str
        How the set is called, what it is a member of and its code.
    minimum : int
        With fewer cases nothing is compared, and the result says how many there are.

    Returns
    -------
    Population
        What the cases do not determine is ``NotAvailable`` with the reason.
    """
    refusal, counts = _refusal(data, minimum), data.counts()
    few = few_onsets_caution(counts)
    asked = {"success": "success_difference", "wait": "rmst_difference", "never_numb": "not_numb_difference"}
    if data.protocol.tells_treatment:
        asked["treatment"] = TREATED
    told: dict[str, Any] = {}
    for name, key in asked.items():
        told[name], told[f"{name}_difference"] = _by_arm(data, key, refusal, minimum)
    ratio = _hazard_ratio(data, refusal)
    of_comparisons = cautions_of(
        (told["wait_difference"], told["success_difference"]),
        ("incomplete_pairs", "untested_pairs", "further_cases", "cases_together", "coarser_strata",
         "practices_together", "unlike_gaps"),
    )  # fmt: skip
    return Population(
        label=label,
        dimension=dimension,
        level=level,
        n=counts,
        curves=arm_curves(data, with_limits=dimension == "overall"),
        onset_test=_onset_test(data, refusal),
        hazard_ratio=ratio,
        **told,
        pain=_pain(data, refusal),
        pain_difference=_pain_difference(data, refusal),
        naive=naive_stopwatch(data),
        caution=(*(() if few is None else (few,)), *cautions_of((ratio,), ("clusters_too_narrow",)), *of_comparisons),
    )


def variation(data: AnalysisSet, code: str, label: str, text: str) -> Variation:
    """Hazard ratio, differences in the share numb by the target and in waiting, and the main outcome of one set."""
    refusal = _refusal(data)
    asked = ("hazard_ratio", "success_difference", "rmst_difference", data.protocol.plan.primary)
    ratio, success, wait, *main = (_compared(data, key, refusal) for key in dict.fromkeys(asked))
    return Variation(
        code=code,
        label=label,
        text=text,
        n=data.counts(),
        hazard_ratio=ratio,
        success_difference=success,
        wait_difference=wait,
        main_difference=main[0] if main else None,
    )


def primary_result(data: AnalysisSet) -> HypothesisTest | EstimateLike:
    """What the plan's primary outcome says in one set: its test for the rate, its difference for the others."""
    refusal, primary = _refusal(data), data.protocol.plan.primary
    return _onset_test(data, refusal) if primary == "hazard_ratio" else _compared(data, primary, refusal)


def _compared(data: AnalysisSet, key: str, refusal: Refusal | None) -> EstimateLike:
    """What compares the arms in one quantity."""
    if key in BY_ARM:
        return _by_arm(data, key, refusal)[1]
    return _pain_difference(data, refusal) if key == "pain_difference" else _hazard_ratio(data, refusal)


def _refusal(data: AnalysisSet, minimum: int = 1) -> Refusal | None:
    """Why the arms of these cases are not compared; ``None`` where they are."""
    if len(data) == 0:
        return "no_cases", "no case has been recorded"
    return arm_missing(data) or too_few(data, minimum)


def _by_arm(
    data: AnalysisSet, difference: str, refusal: Refusal | None, minimum: int = 1
) -> tuple[tuple[EstimateLike, ...], EstimateLike]:
    """Per-arm results of the cold tests or of treatments, reference first, and their difference.

    Where one arm alone cannot be told, the other is told all the same.
    """
    quantity, verb = BY_ARM[difference]
    found = ask(data, difference, lambda: verb(data), refusal=refusal)
    if isinstance(found, ArmContrast):
        return found.arms[:2], found.difference
    arms: dict[str, EstimateLike] = {
        arm: not_asked(quantity, found.reason, code=found.code, contrast=arm, unit=found.unit, n=found.n)
        for arm in data.protocol.arm_codes[:2]
    }
    present = [arm for arm in arms if arm in data.arms_present and not too_few(data, minimum)]
    alone = {arm: ask(data, difference, partial(of_one_arm, data.where(data.arm == arm), verb)) for arm in present}
    told = {arm: own for arm, own in alone.items() if isinstance(own, Estimate)}
    # Where each can be told alone, it is their comparison that cannot be made.
    if len(told) == 1:
        arms.update(told)
    return tuple(arms.values()), found


def onset_test_of(data: AnalysisSet) -> HypothesisTest:
    """Test of the rate within strata; the labels of few cases are exchanged, those of patients with both arms always.

    Raises
    ------
    NotEstimable
        If the cases do not tell the arms apart, or none are of a patient with both where each has to have them.
    """
    data = data.in_pairs()
    if not len(data):
        raise NotEstimable("onset_test", TOO_FEW, code="too_few")
    protocol, block = data.protocol, data.block()
    exact = block is not None or data.counts().cases <= EXACT_CASES
    found = data.work.ask(
        compare_arms,
        data.times("hazard"),
        data.arm,
        reference_arm=protocol.reference_arm,
        stratum=data.stratum(),
        block=block,
        weight=data.weight,
        method="permutation" if exact else "asymptotic",
        seed=protocol.plan.seed,
    )
    # Labels exchanged within patients keep a patient's cases together; otherwise cases that repeat are not independent.
    if block is None and data.cluster() is not None:
        # A P value that is not shown stands in no file either.
        return replace(found, p_value=math.nan, caution=(*found.caution, INDEPENDENT_TEST))
    return found


def hazards_of(data: AnalysisSet, more: Mapping[str, FloatArray] | None = None) -> Fit:
    """Proportional hazards within the baselines of these cases, with the plan's covariates and further ones if any."""
    protocol = data.protocol
    return data.work.ask(
        fit_proportional_hazards,
        data.times("hazard"),
        {"arm": data.arm, **data.covariates(), **(more or {})},
        reference={"arm": protocol.reference_arm},
        stratum=data.baselines(),
        weight=data.weight,
        cluster=data.cluster(),
        conf_level=protocol.plan.conf_level,
    )


def ratio_of(data: AnalysisSet) -> Estimate:
    """Hazard ratio of the two arms.

    Raises
    ------
    NotEstimable
        If the cases do not determine it.
    """
    contrast = f"{data.protocol.contrast_arm} / {data.protocol.reference_arm}"
    return next(e for e in hazards_of(data).estimates if e.contrast == contrast)


def _onset_test(data: AnalysisSet, refusal: Refusal | None) -> HypothesisTest | NotAvailable:
    method = "" if refusal else "interval-censored log-rank test"
    return ask(data, "onset_test", lambda: onset_test_of(data), refusal=refusal, method=method, sign="/")


def _hazard_ratio(data: AnalysisSet, refusal: Refusal | None) -> EstimateLike:
    method = "" if refusal else "semiparametric proportional hazards"
    return ask(data, "hazard_ratio", lambda: ratio_of(data), refusal=refusal, method=method)


def _pain(data: AnalysisSet, refusal: Refusal | None) -> PainComparison | NotAvailable:
    protocol, plan = data.protocol, data.protocol.pain
    unit = "" if plan is None else plan.instrument.unit

    def compared() -> PainComparison:
        level, pairs, arms = protocol.plan.conf_level, data.pairs(), protocol.arm_codes[:2]
        found = compare_pain(
            data.pain,
            data.arm,
            reference_arm=protocol.reference_arm,
            contrast_arm=protocol.contrast_arm,
            moment=plan.moment if plan else "",
            unit=unit,
            conf_level=level,
        )
        return found if pairs is None else compared_within(found, data.pain, pairs, arms=arms, conf_level=level)

    return ask(data, "pain_shift", compared, refusal=NO_PAIN if plan is None else refusal, unit=unit)


def _pain_difference(data: AnalysisSet, refusal: Refusal | None) -> EstimateLike:
    """Difference of the mean scores: within patients, or within practices, combined by their numbers of scores."""
    compared = partial(pain_compared, data, data.pain, quantity="pain_difference")
    return ask(data, "pain_difference", compared, refusal=NO_PAIN if data.protocol.pain is None else refusal)
