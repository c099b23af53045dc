"""One set of cases, analysed as the plan says."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.results import Caution, Counts, Estimate, EstimateLike, Fit, HypothesisTest, NotAvailable
from onsetstudy.inference.clusters import independent_test_caution
from onsetstudy.inference.estimate_or_reason import attempt, not_asked
from onsetstudy.outcomes.scores.pain import compare_pain
from onsetstudy.outcomes.scores.pain_results import PainComparison
from onsetstudy.study.practice.curves import arm_curves, naive_stopwatch
from onsetstudy.study.results import Population
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.sets.contrasts import (
    PRACTICE,
    Compared,
    cautions_of,
    mean_scores_of,
    not_numb_of,
    success_of,
    treatment_success_of,
    wait_of,
)
from onsetstudy.survival.hazards.proportional_hazards import fit_proportional_hazards
from onsetstudy.survival.ranktests.compare import compare_arms
from onsetstudy.survival.results import ArmContrast

__all__ = ["analyse_population", "contrast_results", "primary_result"]

FEW_ONSETS = 10
EXACT_CASES = 200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Question:
    """One set of cases, and why its arms are not compared if they are not: ``(code, sentence)``."""

    data: AnalysisSet
    counts: Counts
    refusal: tuple[str, str] | None
    dimension: str

    def contrast(self, sign: str) -> str:
        protocol = self.data.protocol
        return f"{protocol.contrast_arm} {sign} {protocol.reference_arm}"

    def refused(self, quantity: str, unit: str, contrast: str | None) -> NotAvailable | None:
        if self.refusal is None:
            return None
        code, reason = self.refusal
        return not_asked(quantity, reason, code=code, contrast=contrast, unit=unit, n=self.counts)


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
    counts = data.counts()
    question = _Question(data=data, counts=counts, refusal=_refusal(data, minimum), dimension=dimension)
    success, success_difference = _by_arm(question, "success_by_target", "success_difference", "proportion", success_of)
    wait, wait_difference = _by_arm(question, "rmst", "rmst_difference", "min", wait_of)
    never, never_difference = _by_arm(question, "not_numb", "not_numb_difference", "proportion", not_numb_of)
    ratio = _hazard_ratio(question)
    treatment = _treatment(question) if data.protocol.tells_treatment else ((), None)
    return Population(
        label=label,
        dimension=dimension,
        level=level,
        n=counts,
        curves=arm_curves(data, with_limits=dimension == "overall"),
        onset_test=_onset_test(question),
        hazard_ratio=ratio,
        success=success,
        success_difference=success_difference,
        wait=wait,
        wait_difference=wait_difference,
        never_numb=never,
        never_numb_difference=never_difference,
        pain=_pain(question),
        pain_difference=_pain_difference(question),
        treatment=treatment[0],
        treatment_difference=treatment[1],
        naive=naive_stopwatch(data),
        caution=(
            *_cautions(counts),
            *_few_clusters(ratio),
            *cautions_of(
                (wait_difference, success_difference),
                ("cases_together", "coarser_strata", "practices_together", "unlike_gaps"),
            ),
        ),
    )


def contrast_results(data: AnalysisSet) -> tuple[Counts, EstimateLike, EstimateLike, EstimateLike]:
    """Counts, hazard ratio, difference in the share numb by the target, and difference in waiting of one set."""
    counts = data.counts()
    question = _Question(data=data, counts=counts, refusal=_refusal(data, 1), dimension="overall")
    _, success = _by_arm(question, "success_by_target", "success_difference", "proportion", success_of)
    _, wait = _by_arm(question, "rmst", "rmst_difference", "min", wait_of)
    return counts, _hazard_ratio(question), success, wait


def primary_result(data: AnalysisSet) -> HypothesisTest | EstimateLike:
    """What the plan's primary outcome says in one set: its test for the rate, its difference for the others."""
    question = _Question(data=data, counts=data.counts(), refusal=_refusal(data, 1), dimension="overall")
    primary = data.protocol.plan.primary
    if primary == "success_difference":
        return _by_arm(question, "success_by_target", "success_difference", "proportion", success_of)[1]
    if primary == "treatment_success_difference":
        return _treatment(question)[1]
    if primary == "rmst_difference":
        return _by_arm(question, "rmst", "rmst_difference", "min", wait_of)[1]
    return _pain_difference(question) if primary == "pain_difference" else _onset_test(question)


def _refusal(data: AnalysisSet, minimum: int) -> tuple[str, str] | None:
    protocol = data.protocol
    if len(data) == 0:
        return "no_cases", "no case has been recorded"
    missing = [code for code in protocol.arm_codes[:2] if code not in data.arms_present]
    if missing:
        return "arm_missing", f"no case of the arm {protocol.label(missing[0])} has been recorded"
    if len(data) < minimum:
        return "too_few_cases", f"{len(data)} cases; the plan asks for at least {minimum}"
    return None


def _few_clusters(ratio: EstimateLike) -> tuple[Caution, ...]:
    """That the interval of the ratio is too narrow, among the cautions of the whole."""
    if isinstance(ratio, NotAvailable):
        return ()
    return tuple(c for c in ratio.caution if c.code == "clusters_too_narrow")


def _cautions(counts: Counts) -> tuple[Caution, ...]:
    few = [f"{a.onsets} in {a.arm}" for a in counts.by_arm if a.onsets < FEW_ONSETS]
    if not few or counts.cases == 0:
        return ()
    return (Caution(code="few_onsets", text=f"Few onsets were seen ({', '.join(few)}): the limits are approximate."),)


def _treatment(question: _Question) -> tuple[tuple[EstimateLike, ...], EstimateLike]:
    """Successful treatments by arm and their difference, of the cases of which it is known."""

    def estimate(_: Compared) -> ArmContrast:
        known = question.data.treated()
        if missing := [a for a in question.data.protocol.arm_codes[:2] if a not in set(known.arm)]:
            label = question.data.protocol.label(missing[0])
            reason = f"of no case of the arm {label} it is known whether the treatment succeeded"
            raise NotEstimable("treatment_success_difference", reason, code="not_recorded")
        return treatment_success_of(known)

    return _by_arm(question, "treatment_success", "treatment_success_difference", "proportion", estimate)


def _by_arm(
    question: _Question, quantity: str, difference: str, unit: str, estimate: Callable[[Compared], ArmContrast]
) -> tuple[tuple[EstimateLike, ...], EstimateLike]:
    """Per-arm results, reference first, and their difference."""
    contrast = question.contrast("-")
    arms = question.data.protocol.arm_codes[:2]
    refused = question.refused(difference, unit, contrast)
    if refused is None:
        result = attempt(
            lambda: estimate(question.data.compared()),
            quantity=difference,
            contrast=contrast,
            unit=unit,
            method="",
            n=question.counts,
            level=question.data.protocol.plan.conf_level,
        )
        if isinstance(result, ArmContrast):
            return tuple(result.arms[:2]), result.difference
        refused = result
    per_arm = tuple(
        not_asked(quantity, refused.reason, code=refused.code, contrast=arm, unit=unit, n=question.counts)
        for arm in arms
    )
    return per_arm, refused


def _onset_test(question: _Question) -> HypothesisTest | NotAvailable:
    contrast = question.contrast("/")
    refused = question.refused("onset_test", "", contrast)
    if refused is not None:
        return refused
    data = question.data
    protocol = data.protocol
    small = len(data) <= EXACT_CASES
    found: HypothesisTest | NotAvailable = attempt(
        lambda: compare_arms(
            data.times("hazard"),
            data.arm,
            reference_arm=protocol.reference_arm,
            stratum=data.stratum(),
            block=data.column("patient_id") if protocol.study.paired else None,
            method="permutation" if small or protocol.study.paired else "asymptotic",
            seed=protocol.plan.seed,
            curves=data.curves,
        ),
        quantity="onset_test",
        contrast=contrast,
        unit="",
        method="interval-censored log-rank test",
        n=question.counts,
        level=protocol.plan.conf_level,
    )
    # Labels exchanged within patients keep a patient's cases together; otherwise cases that repeat are not independent.
    if isinstance(found, HypothesisTest) and data.cluster() is not None and not protocol.study.paired:
        # A P value that is not shown stands in no file either.
        return replace(found, p_value=math.nan, caution=(*found.caution, independent_test_caution()))
    return found


def _hazard_ratio(question: _Question) -> EstimateLike:
    contrast = question.contrast("/")
    refused = question.refused("hazard_ratio", "ratio", contrast)
    if refused is not None:
        return refused
    data = question.data
    protocol = data.protocol

    def estimate() -> Estimate:
        fit: Fit = fit_proportional_hazards(
            data.times("hazard"),
            {"arm": data.arm, **data.covariates()},
            reference={"arm": protocol.reference_arm},
            stratum=data.baselines(),
            cluster=data.cluster(),
            conf_level=protocol.plan.conf_level,
            curves=data.curves,
        )
        return next(e for e in fit.estimates if e.contrast == contrast)

    return attempt(
        estimate,
        quantity="hazard_ratio",
        contrast=contrast,
        unit="ratio",
        method="semiparametric proportional hazards",
        n=question.counts,
        level=protocol.plan.conf_level,
    )


def _pain(question: _Question) -> PainComparison | NotAvailable:
    data = question.data
    protocol = data.protocol
    if protocol.pain is None:
        return not_asked(
            "pain_shift",
            "the protocol does not record pain",
            code="not_planned",
            contrast=question.contrast("-"),
            unit="",
            n=question.counts,
        )
    refused = question.refused("pain_shift", protocol.pain.instrument.unit, question.contrast("-"))
    if refused is not None:
        return refused
    return compare_pain(
        data.frame[f"pain_{protocol.pain.moment}"].to_numpy(dtype=float),
        data.arm,
        reference_arm=protocol.reference_arm,
        contrast_arm=protocol.contrast_arm,
        moment=protocol.pain.moment,
        unit=protocol.pain.instrument.unit,
        conf_level=protocol.plan.conf_level,
    )


def _pain_difference(question: _Question) -> EstimateLike:
    """Difference of the mean scores within practices, combined by their numbers of scores."""
    data, contrast = question.data, question.contrast("-")
    protocol = data.protocol
    if protocol.pain is None:
        return not_asked("pain_difference", "the protocol does not record pain", code="not_planned", contrast=contrast,
                         unit="score", n=question.counts)  # fmt: skip
    refused = question.refused("pain_difference", protocol.pain.instrument.unit, contrast)
    if refused is not None:
        return refused
    scores = data.frame[f"pain_{protocol.pain.moment}"].to_numpy(dtype=float)
    return mean_scores_of(scores, data.arm, data.column(PRACTICE), protocol, quantity="pain_difference")
