"""Every quarter is a look: the primary outcome up to each, and what the plan allows one to say."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from scipy import special

from onsetstudy.core.claims import first_decided, within_patients
from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Caution, Counts, Estimate, EstimateLike, HypothesisTest, NotAvailable
from onsetstudy.design.interim.after_stopping import estimate_after_stopping
from onsetstudy.design.interim.interim_analyses import judge_looks
from onsetstudy.design.interim.results import GatedLook, LookPlan, LookSeen, LookVerdict, StoppedEstimate
from onsetstudy.inference.means import error_toward_null
from onsetstudy.inference.strata import LEAST_OF_AN_ARM
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.study.planning.power import plan_of
from onsetstudy.study.practice.subsets import primary_result
from onsetstudy.study.results import LooksTaken
from onsetstudy.study.sets.analysis_set import AnalysisSet

MEANS = ("rmst_difference", "pain_difference")
"""Few cases of one arm make their limits too narrow, and most where one looks early (``docs/planning.md``)."""
LEAST_Z = 0.01
"""Below it Z is as good as nought: its error would have no end."""
SCALES = {
    "hazard_ratio": "log ratio",
    "rmst_difference": "min",
    "success_difference": "proportion",
    "pain_difference": "",
    "treatment_success_difference": "proportion",
}


def looks_taken(data: AnalysisSet, this: Quarter, *, shut: bool = False) -> LooksTaken | None:
    """The looks up to and including a quarter; ``None`` where the protocol has no plan by spending.

    Notes
    -----
    At each look all cases up to that quarter are analysed anew, so that a late record counts where it belongs. The
    score of the primary outcome is its test statistic, or its estimate over the error that its interval stands for;
    the information is the variance of the score or one over the squared error. A quarter whose cases do not determine
    the outcome is no look, and is named; nor is one, where means are compared, in which an arm has few cases. Where
    each patient has both arms, cases of patients with both are counted. Where the cold tests cannot bear an answer
    (``shut``) the looks are gated.
    """

    def result(quarter: Quarter) -> tuple[HypothesisTest | EstimateLike, Counts]:
        part = data.where(data.frame["quarter"].astype(str) <= quarter.label)
        return primary_result(part), part.in_pairs().counts()

    quarters = [q for q in data.protocol.quarters if q.first_day <= this.first_day]
    return looks_over(data.protocol, quarters, result, shut=shut)


def looks_over(
    protocol: Protocol,
    quarters: Sequence[Quarter],
    result: Callable[[Quarter], tuple[object, Counts]],
    reason: str = "",
    caution: tuple[Caution, ...] = (),
    *,
    shut: bool = False,
) -> LooksTaken | None:
    """The looks at the ends of quarters; ``None`` where the protocol has no plan by spending.

    Parameters
    ----------
    result : callable
        What the primary outcome says up to the end of a quarter, and the cases that it is of.
    reason : str
        Why a result without a z statistic is no look; by default its own.
    caution : tuple of Caution
        Those that come before the ones of single looks.
    shut : bool
        The tests cannot bear an answer: the looks are gated, and one without a z statistic is one all the same.
    """
    plan, rule = plan_of(protocol), protocol.looks
    if plan is None or rule is None:
        return None
    seen, told = [], [*caution]
    for quarter in quarters:
        found, n = result(quarter)
        score = score_of(found, protocol.plan.primary)
        if score is None and shut and n.cases:
            score = 0.0, None
        least, why = min((arm.cases for arm in n.by_arm), default=0), ""
        if score is None:
            why = reason or (found.reason if isinstance(found, NotAvailable) else "the outcome has no standard error")
        elif protocol.plan.primary in MEANS and least < LEAST_OF_AN_ARM:
            few = f"an arm has {least} {'case' if least == 1 else 'cases'}, and means are judged once each has"
            why = f"{few} {LEAST_OF_AN_ARM}"
        if score is None or why:
            told.append(Caution(code="no_look", text=f"{quarter.label} was no look: {why}."))
            continue
        counted = float(n.onsets if rule.information == "onsets" else n.cases)
        kind = GatedLook if shut else LookSeen
        seen.append(kind(label=quarter.label, z=score[0], counted=counted, information=score[1]))
    return judge_seen(protocol, plan, seen, told)


def judge_seen(
    protocol: Protocol, plan: LookPlan, seen: list[LookSeen], caution: Sequence[Caution] = ()
) -> LooksTaken | None:
    """What the plan allows one to say at the looks that were taken; ``None`` if there was none."""
    if not seen:
        return None
    verdicts = judge_looks(plan, seen)
    return LooksTaken(
        primary=protocol.plan.primary,
        plan=plan,
        verdicts=verdicts,
        stopped=_stopped(plan, verdicts, seen, protocol),
        scale=SCALES[protocol.plan.primary],
        caution=tuple(caution),
        seen=tuple(seen),
    )


def score_of(result: object, primary: str) -> tuple[float, float | None] | None:
    """Z (positive: better than the reference) and its information, if it has one.

    Notes
    -----
    An estimate's error is what its own interval makes of it: the distance to the end that lies toward no difference,
    over the normal quantile of its level. A small sample whose interval is by Student's t is so judged by Student's t
    at that level, and a boundary is crossed exactly where the repeated confidence interval
    (:func:`~onsetstudy.study.answer.claims.allowed_for_looks`), which stretches the same distance, excludes no
    difference. A proportion within patients is judged by its P too, which allows for few patients at every level.
    """
    quantity = quantity_of(primary)
    if isinstance(result, HypothesisTest):
        return result.statistic, result.variance[0] if result.variance and result.variance[0] > 0 else None
    if isinstance(result, Estimate):
        error = error_toward_null(result)
        if quantity.unit == "proportion" and within_patients(result) and result.p_value is not None:
            error = max(error, abs(result.estimate) / max(LEAST_Z, float(-special.ndtri(result.p_value / 2))))
        return (quantity.toward(result.estimate, error), 1 / error**2) if error > 0 else None
    return None


def _stopped(
    plan: LookPlan, verdicts: tuple[LookVerdict, ...], seen: list[LookSeen], protocol: Protocol
) -> StoppedEstimate | None:
    """Estimate at the look at which the study stopped, on the scale of the outcome; positive is better.

    ``None`` also where the information of the last look is not above the one before: how looks go together is then not
    known, and the caution of that look says so.
    """
    over = first_decided(v.code for v in verdicts)
    if over is None or any(s.information is None for s in seen):
        return None
    used = [(v, s) for v, s in zip(verdicts[: over + 1], seen, strict=False) if v.code != "descriptive"]
    information = np.array([s.information for _, s in used], dtype=np.float64)
    if np.any(np.diff(information) <= 0):
        return None
    upper = np.array([v.boundary for v, _ in used])
    lower = -upper if plan.sided == 2 else np.full(upper.size, -np.inf)
    if plan.futility == "binding":
        lower = np.fmax(lower, np.array([v.futility for v, _ in used], dtype=np.float64))
    level = protocol.plan.conf_level
    return estimate_after_stopping(verdicts[over].z, information, lower, upper, level=level, sided=plan.sided)
