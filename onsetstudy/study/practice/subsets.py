"""One set of cases, analysed as the plan says."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.results import Caution, Counts, Estimate, EstimateLike, Fit, HypothesisTest, NotAvailable
from onsetstudy.inference.clusters import independent_test_caution
from onsetstudy.inference.estimate_or_reason import not_asked
from onsetstudy.outcomes.scores.pain import compare_pain
from onsetstudy.outcomes.scores.pain_results import PainComparison
from onsetstudy.outcomes.scores.within_patient import compared_within
from onsetstudy.study.practice.curves import arm_curves, naive_stopwatch
from onsetstudy.study.results import Population, Variation
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.sets.contrasts import BY_ARM, TREATED, ask, cautions_of, pain_compared
from onsetstudy.survival.hazards.proportional_hazards import fit_proportional_hazards
from onsetstudy.survival.ranktests.compare import compare_arms
from onsetstudy.survival.results import ArmContrast

T = TypeVar("T")
FEW_ONSETS = 10
EXACT_CASES = 200
NO_PAIN = ("not_planned", "the protocol does not record pain")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Question:
    """One set of cases, and why its arms are not compared if they are not: ``(code, sentence)``."""

    data: AnalysisSet
    counts: Counts
    refusal: tuple[str, str] | None

    @classmethod
    def of(cls, data: AnalysisSet, minimum: int = 1) -> _Question:
        return cls(data=data, counts=data.counts(), refusal=_refusal(data, minimum))

    def ask(
        self, key: str, estimate: Callable[[], T], *, method: str = "", sign: str = "", unit: str | None = None
    ) -> T | NotAvailable:
        refusal = NO_PAIN if key.startswith("pain_") and self.data.protocol.pain is None else self.refusal

        def checked() -> T:
            if refusal is not None:
                raise NotEstimable(key, refusal[1], code=refusal[0])
            return estimate()

        method = "" if refusal else method
        return ask(self.data, key, checked, n=self.counts, method=method, sign=sign, unit=unit)


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
    question = _Question.of(data, minimum)
    asked = {"success": "success_difference", "wait": "rmst_difference", "never_numb": "not_numb_difference"}
    if data.protocol.tells_treatment:
        asked["treatment"] = TREATED
    told: dict[str, Any] = {}
    for name, key in asked.items():
        told[name], told[f"{name}_difference"] = _by_arm(question, key)
    ratio = _hazard_ratio(question)
    return Population(
        label=label,
        dimension=dimension,
        level=level,
        n=question.counts,
        curves=arm_curves(data, with_limits=dimension == "overall"),
        onset_test=_onset_test(question),
        hazard_ratio=ratio,
        **told,
        pain=_pain(question),
        pain_difference=_pain_difference(question),
        naive=naive_stopwatch(data),
        caution=(
            *_cautions(question.counts),
            *cautions_of((ratio,), ("clusters_too_narrow",)),
            *cautions_of(
                (told["wait_difference"], told["success_difference"]),
                ("cases_together", "coarser_strata", "practices_together", "unlike_gaps"),
            ),
        ),
    )


def variation(data: AnalysisSet, code: str, label: str, text: str) -> Variation:
    """Hazard ratio, difference in the share numb by the target, and difference in waiting of one set."""
    question = _Question.of(data)
    success, wait = (_by_arm(question, key)[1] for key in ("success_difference", "rmst_difference"))
    return Variation(
        code=code,
        label=label,
        text=text,
        n=question.counts,
        hazard_ratio=_hazard_ratio(question),
        success_difference=success,
        wait_difference=wait,
    )


def primary_result(data: AnalysisSet) -> HypothesisTest | EstimateLike:
    """What the plan's primary outcome says in one set: its test for the rate, its difference for the others."""
    question, primary = _Question.of(data), data.protocol.plan.primary
    if primary in BY_ARM:
        return _by_arm(question, primary)[1]
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


def _cautions(counts: Counts) -> tuple[Caution, ...]:
    few = [f"{a.onsets} in {a.arm}" for a in counts.by_arm if a.onsets < FEW_ONSETS]
    if not few or counts.cases == 0:
        return ()
    return (Caution(code="few_onsets", text=f"Few onsets were seen ({', '.join(few)}): the limits are approximate."),)


def _by_arm(question: _Question, difference: str) -> tuple[tuple[EstimateLike, ...], EstimateLike]:
    """Per-arm results of the cold tests or of treatments, reference first, and their difference."""
    quantity, verb = BY_ARM[difference]
    found = question.ask(difference, lambda: verb(question.data))
    if isinstance(found, ArmContrast):
        return found.arms[:2], found.difference
    return tuple(
        not_asked(quantity, found.reason, code=found.code, contrast=arm, unit=found.unit, n=found.n)
        for arm in question.data.protocol.arm_codes[:2]
    ), found


def onset_test_of(data: AnalysisSet) -> HypothesisTest:
    """Test of the rate within strata; the labels of few cases are exchanged, those of patients with both arms always.

    Raises
    ------
    NotEstimable
        If the cases do not tell the arms apart.
    """
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
        return replace(found, p_value=math.nan, caution=(*found.caution, independent_test_caution()))
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


def _onset_test(question: _Question) -> HypothesisTest | NotAvailable:
    method = "interval-censored log-rank test"
    return question.ask("onset_test", lambda: onset_test_of(question.data), method=method, sign="/")


def _hazard_ratio(question: _Question) -> EstimateLike:
    return question.ask("hazard_ratio", lambda: ratio_of(question.data), method="semiparametric proportional hazards")


def _pain(question: _Question) -> PainComparison | NotAvailable:
    data, plan = question.data, question.data.protocol.pain
    protocol, unit = data.protocol, "" if plan is None else plan.instrument.unit

    def compared() -> PainComparison:
        level, pairs = protocol.plan.conf_level, data.pairs()
        found = compare_pain(
            data.pain,
            data.arm,
            reference_arm=protocol.reference_arm,
            contrast_arm=protocol.contrast_arm,
            moment=plan.moment if plan else "",
            unit=unit,
            conf_level=level,
        )
        if pairs is None:
            return found
        return compared_within(found, data.pain, pairs, arms=protocol.arm_codes[:2], conf_level=level)

    return question.ask("pain_shift", compared, unit=unit)


def _pain_difference(question: _Question) -> EstimateLike:
    """Difference of the mean scores: within patients, or within practices, combined by their numbers of scores."""
    data, key = question.data, "pain_difference"
    return question.ask(key, lambda: pain_compared(data, data.pain, quantity=key))
