"""Comfort of the analysed cases: pain at every recorded moment, anxiety, and the secondary outcomes together."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy import stats

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.results import Caution, Counts, Estimate, HypothesisTest, NotAvailable
from onsetstudy.outcomes.scores.multiplicity import share_error
from onsetstudy.outcomes.scores.ordered_bands import BANDS, proportional_odds
from onsetstudy.outcomes.scores.pain_moment_results import Anxiety, Comfort, MomentOfPain, SharedError
from onsetstudy.outcomes.scores.pain_moments import PainRecords, anxiety_change, moment_of_pain
from onsetstudy.outcomes.scores.pain_results import PainComparison
from onsetstudy.protocol.vocabulary import PAIN_MOMENTS
from onsetstudy.study.results import Population
from onsetstudy.study.sets.analysis_set import AnalysisSet

__all__ = ["comfort_of"]

COVARIATES = ("technique", "topical", "period")


def comfort_of(data: AnalysisSet, overall: Population) -> Comfort | None:
    """Comfort in the plan's two arms; ``None`` where neither pain nor anxiety is recorded.

    Notes
    -----
    Every moment is kept apart and on its own scale. Pain is adjusted for technique, topical anaesthetic and order of
    the injection where these were recorded and differ.
    """
    protocol = data.protocol
    if protocol.pain is None and protocol.anxiety is None:
        return None
    arms = protocol.arm_codes[:2]
    moments = (
        tuple(found for moment in PAIN_MOMENTS if (found := _moment(data, moment, arms)) is not None)
        if protocol.pain is not None
        else ()
    )
    odds = None
    if protocol.pain is not None and protocol.pain.instrument.scale in BANDS:
        score = _numbers(data.frame[f"pain_{protocol.pain.moment}"])
        if not np.isnan(score).all():
            odds = proportional_odds(
                score, data.arm, scale=protocol.pain.instrument.scale, moment=protocol.pain.moment,
                reference_arm=arms[0], contrast_arm=arms[1], conf_level=protocol.plan.conf_level,
            )  # fmt: skip
    anxiety = None
    if protocol.anxiety is not None:
        anxiety = anxiety_change(
            _numbers(data.frame["anxiety_before"]), _numbers(data.frame["anxiety_after"]), data.arm, arms=arms,
            scale=protocol.anxiety.scale, unit=protocol.anxiety.unit, conf_level=protocol.plan.conf_level,
        )  # fmt: skip
    return Comfort(
        moments=moments,
        odds=odds,
        anxiety=anxiety,
        shared=_shared(data, overall, moments, anxiety),
        n=Counts.of(np.ones(len(data), dtype=bool), data.arm, arms),
        caution=_cautions(data),
    )


def _numbers(values: pd.Series) -> FloatArray:
    return values.to_numpy(dtype=np.float64, na_value=np.nan)


def _moment(data: AnalysisSet, moment: str, arms: tuple[str, ...]) -> MomentOfPain | None:
    """One moment, if anybody recorded it."""
    protocol = data.protocol
    score = _numbers(data.frame[f"pain_{moment}"])
    if protocol.pain is None or np.isnan(score).all():
        return None
    covariates = {}
    for name in COVARIATES:
        if data.frame[name].notna().any():
            values = data.column(name)
            if np.unique(values).size > 1:
                covariates[name] = values
    reason = data.frame["score_missing_reason"].astype(object)
    return moment_of_pain(
        PainRecords(
            score=score,
            arm=data.arm,
            reason=reason.where(reason.notna(), "").astype(str).to_numpy(dtype=str),
            patient=data.column("patient_id"),
            covariates=covariates,
        ),
        moment=moment,
        arms=arms,
        unit=protocol.pain.instrument.unit,
        painless_at_most=protocol.pain.painless_at_most,
        important_difference=protocol.pain.instrument.important_difference,
        conf_level=protocol.plan.conf_level,
    )


def _shared(
    data: AnalysisSet, overall: Population, moments: tuple[MomentOfPain, ...], anxiety: Anxiety | None
) -> SharedError | None:
    """The plan's secondary outcomes under one error rate."""
    protocol = data.protocol
    if not protocol.plan.secondary:
        return None
    main = next((m for m in moments if protocol.pain and m.moment == protocol.pain.moment), None)
    pain = overall.pain
    found: dict[str, Estimate | NotAvailable | HypothesisTest | None] = {
        "success_difference": overall.success_difference,
        "hazard_ratio": overall.onset_test,
        "rmst_difference": overall.wait_difference,
        "not_numb_difference": overall.never_numb_difference,
        "pain_difference": overall.pain_difference if isinstance(pain, PainComparison) else pain,
        "treatment_success_difference": overall.treatment_difference,
        "painless_share": None if main is None else main.painless_difference,
        "anxiety_change": None if anxiety is None else anxiety.difference,
    }
    lines = [(name, *_p_value(found[name])) for name in protocol.plan.secondary]
    return share_error(lines, procedure=protocol.plan.multiplicity, alpha=1 - protocol.plan.conf_level)


def _p_value(result: Estimate | NotAvailable | HypothesisTest | None) -> tuple[float | None, str]:
    if result is None:
        return None, "not recorded"
    if isinstance(result, NotAvailable):
        return None, result.reason
    if isinstance(result, HypothesisTest):
        why = "cases repeat within clusters, and the test takes them as independent"
        return result.p_shown, "" if result.p_shown is not None else why
    if result.p_value is not None:
        return result.p_value, ""
    if any(c.code == "clusters_too_narrow" for c in result.caution):
        return None, "too few clusters: the interval is too narrow for a P value"
    # Without a test of its own: how far the interval lies from no difference.
    z = float(stats.norm.isf((1 - result.interval.level) / 2))
    side = result.interval.low if result.estimate > 0 else result.interval.high
    reach = abs(result.estimate - side)
    if reach == 0 or not math.isfinite(reach):
        return None, "the estimate has no spread"
    return float(2 * stats.norm.sf(abs(result.estimate) / (reach / z))), "from the interval"


def _cautions(data: AnalysisSet) -> tuple[Caution, ...]:
    plan = data.protocol.pain
    if plan is None or plan.instrument.important_difference is None:
        return ()
    text = (
        f"The difference that matters ({plan.instrument.important_difference:g} {plan.instrument.unit}) is this "
        "study's own: "
        "none has been established for the pain of injections."
    )
    return (Caution(code="own_margin", text=text),)
