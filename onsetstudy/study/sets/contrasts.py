"""The comparisons that a plan asks of the cold tests, within strata: the one road for rows and for counts of cases.

Whoever holds rows and whoever holds counts of the same cases gets the same numbers, since the lines are the same.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray, StrArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.quantities import QUANTITIES
from onsetstudy.core.results import Assumption, Caution, Counts, Estimate, EstimateLike, NotAvailable
from onsetstudy.inference.assumptions import INDEPENDENT_CASES
from onsetstudy.inference.estimate_or_reason import attempt
from onsetstudy.inference.means import contrast_of_means, moments_by_stratum
from onsetstudy.inference.parameter import Parameter
from onsetstudy.inference.strata import Strata, merge_small
from onsetstudy.outcomes.scores.within_patient import mean_within_patients
from onsetstudy.protocol.estimands import estimand_of
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.sets.analysis_set import DONE, PRACTICE, AnalysisSet, by_one_minute
from onsetstudy.study.sets.counted_set import CountedSet
from onsetstudy.study.sets.pairs import cautioned, within_patients
from onsetstudy.survival.results import ArmContrast
from onsetstudy.survival.summaries.clustered import ClusterSpread, cluster_spread
from onsetstudy.survival.summaries.rmst import estimate_rmst
from onsetstudy.survival.summaries.success import never_numb_share, success_by

T = TypeVar("T")
NO_CASE = "no case of the arm {} has been recorded"
CLUSTERS = {"patient_id": "patient", "clinician_id": "operator"}
TOGETHER = Assumption(
    name="independent_clusters",
    detail="patients (or whoever has several cases) are independent, their cases need not be",
)
Refusal = tuple[str, str]
"""Code and sentence of why nothing is estimated."""
TREATED = "treatment_success_difference"
COLUMNS = {"practice": PRACTICE, "technique": "technique"}
"""Column of each name that a protocol may give, what matters most first."""


def ask(
    cases: AnalysisSet,
    key: str,
    estimate: Callable[[], T],
    *,
    refusal: Refusal | None = None,
    n: Counts | None = None,
    method: str = "",
    sign: str = "",
    unit: str | None = None,
) -> T | NotAvailable:
    """Result of ``estimate``, or why there is none, under the contrast and the unit of the quantity.

    ``refusal`` says why it is not even tried, see :func:`arm_missing`. ``n`` counts the cases, by default with the
    onsets of the rate. ``sign`` (``-`` or ``/``) and ``unit`` are asked of what is not in the table of quantities.
    """
    protocol, n = cases.protocol, n or cases.counts()
    if (row := QUANTITIES.get(key)) is not None:
        own = protocol.pain.instrument.unit if row.unit == "score" and protocol.pain is not None else row.unit
        sign, unit = row.contrast, own if unit is None else unit
    contrast = f"{protocol.contrast_arm} {sign} {protocol.reference_arm}" if sign else None
    level = protocol.plan.conf_level

    def checked() -> T:
        if refusal is not None:
            raise NotEstimable(key, refusal[1], code=refusal[0])
        return estimate()

    return attempt(checked, quantity=key, contrast=contrast, unit=unit or "", method=method, n=n, level=level)


def no_case(cases: AnalysisSet, arm: str, reason: str) -> str:
    """The reason (``{}`` in it stands for the arm's label), unless cases of the arm were recorded and none is used."""
    label, recorded = cases.protocol.label(arm), cases.unused.get(arm)
    return f"no case of the arm {label} could be used ({recorded} recorded)" if recorded else reason.format(label)


def arm_missing(cases: AnalysisSet, reason: str = NO_CASE, *, code: str = "arm_missing") -> Refusal | None:
    """Why arms are not compared of which one has no case, see :func:`no_case`."""
    missing = [arm for arm in cases.protocol.arm_codes[:2] if arm not in cases.arms_present]
    return (code, no_case(cases, missing[0], reason)) if missing else None


def too_few(cases: AnalysisSet, minimum: int) -> Refusal | None:
    """Why the arms of a small group are counted and not compared."""
    n = cases.counts().cases
    return ("too_few_cases", f"{n} cases; the plan asks for at least {minimum}") if n < minimum else None


def success_of(cases: AnalysisSet) -> ArmContrast:
    """Proportion numb by the target minute, and its difference."""
    return _within(cases, "success_difference", "success", success_by, "target_min")


def not_numb_of(cases: AnalysisSet) -> ArmContrast:
    """Proportion not numb up to the horizon, and its difference."""
    return _within(cases, "not_numb_difference", "success", never_numb_share, "tau_min")


def compared_treatments(
    succeeded: BoolArray, arm: StrArray, columns: Mapping[str, StrArray], protocol: Protocol
) -> CountedSet:
    """Treatments that succeeded or not, as cases whose proportions are compared."""
    frame = pd.DataFrame({"arm": arm, **columns, "n": 1})
    return CountedSet(frame=frame, protocol=protocol, onset={"treatment": by_one_minute(succeeded)})


def control_onset_of(cases: AnalysisSet) -> ArmContrast:
    """Proportion of tests at which the control tooth began not to feel, and its difference."""
    return _proportion(cases, "control_onset", "of such tests")


def pain_compared(cases: AnalysisSet, scores: FloatArray, *, quantity: str) -> EstimateLike:
    """Difference of the mean scores: within patients where each has both arms, else within practices.

    Those of practices are combined by their numbers of scores; missing scores are ``nan``.
    """
    protocol, arm, known = cases.protocol, cases.arm, ~np.isnan(scores)
    unit = "" if protocol.pain is None else protocol.pain.instrument.unit
    asked = difference_asked(protocol, quantity, unit, Counts.of(known, arm, protocol.arm_codes))
    if (pairs := cases.pairs()) is not None:
        return mean_within_patients(scores, pairs, asked)
    return means_compared(scores[known], arm[known], [cases.column(PRACTICE)[known]], protocol, asked, what="scores")


def difference_asked(protocol: Protocol, quantity: str, unit: str, n: Counts) -> Parameter:
    """A difference between the plan's two arms, at the plan's level."""
    contrast = f"{protocol.contrast_arm} - {protocol.reference_arm}"
    return Parameter(quantity=quantity, contrast=contrast, unit=unit, n=n, conf_level=protocol.plan.conf_level)


def means_compared(
    values: FloatArray,
    arm: StrArray,
    columns: Sequence[StrArray],
    protocol: Protocol,
    asked: Parameter,
    *,
    weight: IntArray | None = None,
    **told: Any,
) -> Estimate | NotAvailable:
    """Difference of means within strata of the columns; ``told`` as :func:`contrast_of_means` takes it."""
    reference, other = protocol.arm_codes[:2]
    stratum = merge_small(columns, arm, (reference, other), weight=weight).code
    moments = moments_by_stratum(values, arm, (reference, other), stratum=stratum, weight=weight)
    return contrast_of_means(moments, asked, **told)


def treatment_success_of(cases: AnalysisSet) -> ArmContrast:
    """Proportion of successful treatments, and its difference."""
    return _proportion(cases, "treatment_success", "of successful treatments")


def treatments_of(cases: AnalysisSet) -> ArmContrast:
    """Successful treatments, of the cases of which it is known, within practices where there are several.

    Raises
    ------
    NotEstimable
        If of an arm no treatment is told.
    """
    known = cases.treated()
    reason = "of no case of the arm {} it is known whether the treatment succeeded"
    if (refusal := arm_missing(known, reason, code="not_recorded")) is not None:
        raise NotEstimable(TREATED, refusal[1], code=refusal[0])
    return treatment_success_of(known)


def _proportion(cases: AnalysisSet, name: str, what: str) -> ArmContrast:
    """A proportion by the one minute, under the name of what it is."""
    found = _within(cases, TREATED, "treatment", success_by, "target_min")
    method = found.method.replace(f" by {DONE:g} min", f" {what}")

    def named(each: Estimate, quantity: str) -> Estimate:
        return dataclasses.replace(each, quantity=quantity, method=method)

    return dataclasses.replace(
        found,
        arms=tuple(named(each, name) for each in found.arms),
        difference=named(found.difference, f"{name}_difference"),
        more=tuple(named(each, f"{name}_difference") for each in found.more),
        ratio=None,
        method=method,
    )


def wait_of(cases: AnalysisSet) -> ArmContrast:
    """Restricted mean time to onset, and its difference."""
    return _within(cases, "rmst_difference", "wait", estimate_rmst, "tau_min")


BY_ARM = {
    "success_difference": ("success_by_target", success_of),
    "rmst_difference": ("rmst", wait_of),
    "not_numb_difference": ("not_numb", not_numb_of),
    TREATED: ("treatment_success", treatments_of),
}
"""What is compared of the cold tests and of treatments: each difference, with its quantity of one arm and its verb."""


def of_one_arm(cases: AnalysisSet, verb: Callable[[AnalysisSet], ArmContrast]) -> Estimate:
    """What a verb of :data:`BY_ARM` says of the one arm that has cases.

    The verbs compare two arms. They are given the same cases once more, as other patients' in the arm that is missing:
    strata then have the mix of the arm that there is, and of the other nothing is told.
    """
    (present,) = cases.arms_present
    missing = next(arm for arm in cases.protocol.arm_codes[:2] if arm != present)
    n = len(cases)
    twice, again = cases.take(np.tile(np.arange(n), 2)), np.arange(2 * n) >= n
    whose = {
        name: np.where(again, np.char.add("again ", twice.column(name)), twice.column(name))
        for name in CLUSTERS
        if name in twice.frame
    }
    frame = twice.frame.assign(arm=np.where(again, missing, present), **whose)
    found = verb(dataclasses.replace(twice, frame=frame))
    return next(e for e in found.arms if e.contrast == present)


def _within(cases: AnalysisSet, key: str, question: str, verb: Callable[..., ArmContrast], minute: str) -> ArmContrast:
    """The comparison within patients who have both arms, else in the finest strata in which it can be made.

    Where the cases of a stratum do not determine it, the next coarser strata are used, and a caution says why: a result
    of some cases alone would pass for one of all. That sees how far testing went, which the strata themselves do not.
    ``minute`` is what the verb calls the minute.
    """
    asked = estimand_of(cases.protocol, key)
    at = DONE if question == "treatment" else asked.minute
    more = {minute: at, "grace_min": asked.grace_min}
    if (pairs := cases.pairs()) is not None:
        return within_patients(cases, pairs, question, asked.quantity, **more)
    protocol, failed = cases.protocol, list[NotEstimable]()
    within = tuple(column for name, column in COLUMNS.items() if name in protocol.plan.estimate_strata)
    finest: Strata | None = None
    for strata in _steps(cases, (PRACTICE,) if question == "treatment" else within):
        finest = finest or strata
        try:
            found = cases.work.ask(
                verb,
                cases.times(question),
                cases.arm,
                reference_arm=protocol.reference_arm,
                stratum=None if strata.one else strata.code,
                weight=cases.weight,
                conf_level=protocol.plan.conf_level,
                **more,
            )
        except NotEstimable as error:
            failed.append(error)
            continue
        if (cluster := cases.cluster()) is not None:
            found = _clustered(found, cases, cluster, question, strata, at, asked.grace_min)
        return cautioned(found, _caution(strata, finest, failed[0].reason if failed else ""))
    raise failed[-1]


def _steps(cases: AnalysisSet, names: tuple[str, ...]) -> Iterator[Strata]:
    """From the finest strata to practices alone to none, each once."""
    before: Strata | None = None
    for columns in (names, tuple(n for n in names if n == PRACTICE), ()):
        strata = cases.strata(columns)
        if before is None or len(strata.names) < len(before.names):
            yield strata
            before = strata


def _clustered(
    found: ArmContrast, cases: AnalysisSet, cluster: StrArray, question: str, strata: Strata, minute: float,
    grace_min: float | None,
) -> ArmContrast:  # fmt: skip
    """The comparison with intervals that take the cases of a patient together."""
    waits, protocol = question == "wait", cases.protocol
    *arms, apart = cluster_spread(
        cases.times(question), cases.arm, cluster,
        reference_arm=protocol.reference_arm, minute=minute, grace_min=grace_min or 0.0, waits=waits,
        stratum=None if strata.one else strata.code, curves=cases.work.curves,
    )  # fmt: skip
    span, what = minute if waits else 1.0, CLUSTERS.get(protocol.plan.cluster or "", "cluster")
    n, many = len(cases.arm), np.unique(cluster).size
    told = Caution(
        code="cases_together",
        text=f"{n} cases of {many} {what}s: limits of waits and proportions take the cases of each {what} together.",
    )

    def wider(each: Estimate, spread: ClusterSpread, low: float) -> Estimate:
        by = spread.stretch(protocol.plan.conf_level, student=waits)
        ends = (each.estimate + by * (end - each.estimate) for end in (each.interval.low, each.interval.high))
        near, far = (min(max(end, low), span) for end in ends)
        how = f"{each.interval.method}, cases of each {what} together"
        return dataclasses.replace(
            each,
            interval=dataclasses.replace(each.interval, low=near, high=far, method=how),
            std_error=None if each.std_error is None else each.std_error * spread.ratio,
            assumptions=tuple(TOGETHER if a == INDEPENDENT_CASES else a for a in each.assumptions),
            caution=(*each.caution, told),
        )

    return dataclasses.replace(
        found,
        arms=(*(wider(e, s, 0.0) for e, s in zip(found.arms, arms, strict=False)), *found.arms[2:]),
        difference=wider(found.difference, apart, -span),
        # A ratio of the same numbers has no interval of its own here: none is better than one that is too short.
        ratio=None,
        assumptions=tuple(TOGETHER if a == INDEPENDENT_CASES else a for a in found.assumptions),
        caution=(*found.caution, told),
    )


def _caution(strata: Strata, finest: Strata, reason: str) -> tuple[Caution, ...]:
    found = []
    if strata is not finest:
        within = "over all cases together" if strata.one else f"within {len(strata.names)}"
        text = f"Not compared within {len(finest.names)} strata ({reason.rstrip('.')}), but {within}."
        found.append(Caution(code="coarser_strata", text=text))
    if strata.merged:
        n = len(strata.merged)
        text = f"Strata with few cases of an arm were put together ({n} such {'stratum' if n == 1 else 'strata'})."
        found.append(Caution(code="strata_merged", text=text))
    if crossed := strata.crossed:
        text = (
            f"{crossed} cases are compared in strata that hold more than one practice, as some have few cases of an "
            "arm: a difference between practices may there pass for one between the arms."
        )
        found.append(Caution(code="practices_together", text=text))
    return tuple(found)


def cautions_of(answers: Sequence[Estimate | NotAvailable], codes: tuple[str, ...]) -> tuple[Caution, ...]:
    """The cautions of these codes, each text once."""
    found = (c for answer in answers if isinstance(answer, Estimate) for c in answer.caution if c.code in codes)
    return tuple(dict.fromkeys(found))
