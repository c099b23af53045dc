"""Invented results written down by hand, so that the report is tested without any estimator."""

from __future__ import annotations

import dataclasses
import math
from functools import cache

import numpy as np

from onsetstudy.core.results import (
    ArmCount,
    Assumption,
    Caution,
    Certificate,
    Counts,
    Estimate,
    EstimateLike,
    Flow,
    FlowStage,
    HypothesisTest,
    Interval,
    NotAvailable,
    Reasons,
)
from onsetstudy.outcomes.scores.pain_results import PainComparison, PainScores
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.document import Document
from onsetstudy.report.documents.practice import compose
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.results import (
    ArmCurve,
    ArmTable,
    ArmTableRow,
    DataQuality,
    MoreNeeded,
    NaiveStopwatch,
    Notice,
    Population,
    Provenance,
    Variation,
)
from onsetstudy.survival.results import OnsetCurve
from tests.study.cases import protocol

ARMS = ("plain", "buffered")
MINUTES = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 15.0)
SCHEDULE = Assumption(name="uninformative_schedule", status="assumed", detail="tests do not depend on onset")


def counts(plain: int, buffered: int, onsets: tuple[int, int]) -> Counts:
    by_arm = tuple(ArmCount(arm=a, cases=n, onsets=k) for a, n, k in zip(ARMS, (plain, buffered), onsets, strict=True))
    return Counts(cases=plain + buffered, onsets=sum(onsets), by_arm=by_arm)


def estimate(
    quantity: str, of: str, value: float, low: float, high: float, unit: str, n: Counts, **more: object
) -> Estimate:
    """An estimate; its standard error is a quarter of its interval."""
    span = Interval(low=low, high=high, level=0.95, method="invented")
    values = {"method": "invented", "std_error": (high - low) / 4 or None, "assumptions": (SCHEDULE,), **more}
    return Estimate(quantity=quantity, contrast=of, estimate=value, interval=span, unit=unit, n=n, **values)


def missing(
    quantity: str, of: str, reason: str, n: Counts, *, bound: tuple[float, float] | None = None
) -> NotAvailable:
    span = None if bound is None else Interval(low=bound[0], high=bound[1], level=0.975, method="one-sided bound")
    return NotAvailable(
        quantity=quantity, contrast=of, code="invented", reason=reason, unit="", method="invented", n=n, bound=span
    )


def of_arm(n: Counts, arm: str) -> Counts:
    found = n.arm(arm)
    return Counts(cases=found.cases, onsets=found.onsets, by_arm=(found,))


def arm_curve(arm: str, numb: tuple[float, ...], n: int) -> ArmCurve:
    """A curve from the shares numb at the tests; limits a tenth to either side."""
    left = np.array((0.0, *MINUTES))
    mass = np.diff((0.0, *numb, 1.0))
    kept = mass > 0
    ends = (*MINUTES, math.inf)
    curve = OnsetCurve(
        left=left[kept], right=np.array(ends)[kept], mass=mass[kept], determined=np.ones(kept.sum()),
        log_likelihood=-1.0, n=Counts(cases=n, onsets=round(n * numb[-1])),
        certificate=Certificate(converged=True, iterations=7, gap=2e-13, tolerance=1e-8),
    )  # fmt: skip
    limits = tuple(
        (t, estimate("share_numb", arm, s, max(0.0, s - 0.1), min(1.0, s + 0.1), "proportion", curve.n))
        for t, s in zip(MINUTES, numb, strict=True)
    )
    tested = ((0.0, n), *((t, round(n * (1 - s))) for t, s in zip(MINUTES, (0.0, *numb[:-1]), strict=True)))
    return ArmCurve(arm=arm, curve=curve, still_tested=tested, limits=limits)


PLAIN_NUMB = (0.08, 0.22, 0.35, 0.48, 0.58, 0.66, 0.72, 0.77, 0.8, 0.82, 0.85, 0.87)
BUFFERED_NUMB = (0.12, 0.34, 0.5, 0.62, 0.7, 0.76, 0.8, 0.84, 0.87, 0.89, 0.9, 0.91)


def scores(n: int, centre: float, arm: str) -> PainScores:
    """Scores on a fixed lattice around a centre, a few of them 0."""
    lattice = np.sort(np.clip(np.round(centre + 34 * np.sin(np.arange(n) * 2.39996)), 0, 100))
    return PainScores(arm=arm, scores=lattice, missing=1)


def pain(n: Counts, shift: EstimateLike | None = None) -> PainComparison:
    arms = (scores(n.by_arm[0].cases, 32, "plain"), scores(n.by_arm[1].cases, 25, "buffered"))
    found = Counts(cases=n.cases, onsets=sum(a.scores.size for a in arms), by_arm=n.by_arm)
    return PainComparison(
        moment="deposition",
        unit="mm",
        scores=arms,
        shift=shift or estimate("pain_shift", "buffered - plain", -7, -12, -3, "mm", found),
        test=missing("pain_test", "buffered - plain", "not asked", found),
        superiority=estimate("probability_of_superiority", "buffered - plain", 0.6, 0.52, 0.68, "proportion", found),
        method="invented",
        n=found,
        caution=(Caution(code="missing_scores", text="2 cases have no score at deposition."),),
    )


def population(
    label: str, dimension: str, level: str, n: Counts, *, wait: tuple[float, float, float] = (-1.2, -2.1, -0.3)
) -> Population:
    """A set of cases in which everything could be estimated."""
    share = "proportion"
    per_arm = [of_arm(n, a) for a in ARMS]
    return Population(
        label=label,
        dimension=dimension,
        level=level,
        n=n,
        curves=tuple(
            arm_curve(a, s, c.cases) for a, s, c in zip(ARMS, (PLAIN_NUMB, BUFFERED_NUMB), per_arm, strict=True)
        ),
        onset_test=HypothesisTest(
            quantity="onset_test", contrast="buffered - plain", statistic=2.4, statistic_name="Z", df=1,
            p_value=0.0164, alternative="two-sided", method="invented scores", n=n,
        ),
        hazard_ratio=estimate("hazard_ratio", "buffered / plain", 1.31, 1.05, 1.64, "ratio", n, p_value=0.017),
        success=(
            estimate("success_by_target", "plain", 0.22, 0.17, 0.28, share, per_arm[0]),
            estimate("success_by_target", "buffered", 0.34, 0.28, 0.41, share, per_arm[1]),
        ),
        success_difference=estimate("success_difference", "buffered - plain", 0.12, 0.03, 0.21, share, n),
        wait=(
            estimate("rmst", "plain", 5.6, 5.0, 6.2, "min", per_arm[0]),
            estimate("rmst", "buffered", 4.4, 3.8, 5.0, "min", per_arm[1]),
        ),
        wait_difference=estimate("rmst_difference", "buffered - plain", *wait, "min", n),
        never_numb=(
            estimate("not_numb", "plain", 0.13, 0.09, 0.18, share, per_arm[0]),
            estimate("not_numb", "buffered", 0.09, 0.06, 0.14, share, per_arm[1]),
        ),
        never_numb_difference=estimate("not_numb_difference", "buffered - plain", -0.04, -0.1, 0.02, share, n),
        pain=pain(n),
        naive=NaiveStopwatch(
            means=(("plain", 4.9, n.by_arm[0].onsets, n.by_arm[0].cases - n.by_arm[0].onsets),
                   ("buffered", 4.0, n.by_arm[1].onsets, n.by_arm[1].cases - n.by_arm[1].onsets)),
            difference=-0.9,
            text="The mean of the first not-felt minute.",
        ),
    )  # fmt: skip


def absent(
    label: str, dimension: str, level: str, reason: str, n: Counts, *, curves: tuple[ArmCurve, ...]
) -> Population:
    """A set of cases in which nothing could be compared."""
    return Population(
        label=label,
        dimension=dimension,
        level=level,
        n=n,
        curves=curves,
        onset_test=missing("onset_test", "buffered - plain", reason, n),
        hazard_ratio=missing("hazard_ratio", "buffered / plain", reason, n),
        success=tuple(missing("success_by_target", a, reason, n) for a in ARMS),
        success_difference=missing("success_difference", "buffered - plain", reason, n),
        wait=tuple(missing("rmst", a, reason, n) for a in ARMS),
        wait_difference=missing("rmst_difference", "buffered - plain", reason, n),
        never_numb=tuple(missing("not_numb", a, reason, n) for a in ARMS),
        never_numb_difference=missing("not_numb_difference", "buffered - plain", reason, n),
        pain=missing("pain_shift", "buffered - plain", reason, n),
        naive=NaiveStopwatch(
            means=tuple((a, None, 0, n.arm(a).cases) for a in ARMS), difference=None, text="Nothing to average."
        ),
    )


def study_results(overall: Population, *, promised: Protocol | None = None, **more: object) -> StudyResults:
    """Results around one set of cases."""
    promised = protocol() if promised is None else promised
    n = overall.n
    by_arm = tuple(dataclasses.replace(a, onsets=0) for a in n.by_arm)
    cells = tuple((round(0.6 * a.cases), a.cases, None, None) for a in n.by_arm)
    volume = tuple((a.cases, a.cases, 1.8, 0.1 if a.cases > 1 else None) for a in n.by_arm)
    values: dict[str, object] = {
        "protocol": promised,
        "quarter": "2026Q3",
        "period_start": "2025-10-01",
        "period_end": "2026-09-30",
        "practices": ("P01", "P02"),
        "n_clinicians": 3,
        "overall": overall,
        "by_quarter": (),
        "by_technique": (),
        "by_practice": (),
        "flow": Flow(
            stages=(
                FlowStage(name="recorded", count=n.cases + 3),
                FlowStage(
                    name="accepted", count=n.cases + 1, by_arm=by_arm,
                    lost=(Reasons(code="pain", text="pain outside the range of the scale", count=2),),
                ),
                FlowStage(
                    name="analysed", count=n.cases, by_arm=by_arm,
                    lost=(Reasons(code="later", text="after the quarter of this report", count=1),),
                ),
            )
        ),
        "arm_table": ArmTable(
            arms=ARMS,
            rows=(
                ArmTableRow(variable="technique", level="ianb", cells=cells, standardised_difference=-0.05),
                ArmTableRow(variable="volume_ml", level="", cells=volume, standardised_difference=0.112),
            ),
        ),
        "data_quality": DataQuality(
            rows_read=n.cases + 3, rows_refused=2, readings_read=14 * n.cases, readings_refused=1,
            refused=(Notice(code="range", text="pain_deposition: 640 is above 100", count=2),),
            queried=(Notice(code="pounds", text="weight_kg: 112 kg: is it in pounds?", count=1),),
            repaired=(Notice(code="comma", text="volume_ml: a decimal comma was read as a point", count=4),),
            testing=(Notice(code="missed_tests", text="planned cold tests that were not done", count=9),),
            onset_reasons=(("confirmed", "numb between a felt and a confirmed not-felt test", tuple(
                a.onsets for a in n.by_arm)),),
        ),
        "more_needed": MoreNeeded(
            hazard_ratio=1.5, power=0.8, alpha=0.05, events_needed=191, events_seen=n.onsets, cases_needed=215,
            cases_seen=n.cases, cases_per_quarter=20.0, quarters_more=4, source="Schoenfeld 1983",
            text="To find onset at 1.5 times the rate with a chance of 80 % takes 191 teeth seen to go numb.",
        ),
        "caution": (
            Caution(code="test_the_tooth",
                    text="A statistic about past cases. Test the tooth and ask the patient before every procedure."),
            Caution(code="sample", text=f"{n.cases} cases from 3 operators."),
            Caution(code="repeated_looks", text="Looked at 2 times; the limits make no allowance for that."),
            Caution(code="few_onsets", text="Few onsets were seen: the limits are approximate."),
            Caution(code="ethics", text="Ethics, consent and privacy: follow local rules."),
        ),
        "provenance": Provenance(
            protocol_digest="a" * 64, records_digest="b" * 64, seed=20251001, versions=(("onsetstudy", "0.1.0"),)
        ),
        **more,
    }  # fmt: skip
    return StudyResults(**values)  # type: ignore[arg-type]


def rich() -> StudyResults:
    """Some 200 cases in either arm: quarters, techniques, practices and other choices."""
    overall = population("All cases to 2026Q3", "overall", "all", counts(203, 207, (177, 189)))
    few = counts(6, 4, (5, 4))
    quarters = tuple(
        population(q, "quarter", q, counts(50, 52, (44, 47)), wait=w)
        for q, w in (("2026Q1", (-1.6, -3.3, 0.1)), ("2026Q2", (-0.8, -2.5, 0.9)), ("2026Q3", (-1.1, -2.8, 0.6)))
    )
    ianb = population("ianb", "technique", "ianb", counts(120, 118, (100, 104)), wait=(-2.2, -3.7, -0.8))
    reason = "10 cases; the plan asks for at least 20"
    mental = absent("mental_incisive", "technique", "mental_incisive", reason, few, curves=())
    practices = tuple(population(p, "practice", p, counts(100, 100, (90, 92))) for p in ("P01", "P02"))
    choices = tuple(
        Variation(
            code=code, label=label, text=text, n=overall.n, hazard_ratio=overall.hazard_ratio,
            success_difference=overall.success_difference, wait_difference=overall.wait_difference,
        )
        for code, label, text in (
            ("main", "as planned", "as the protocol says"),
            ("confirmations_1", "one test confirms", "one not-felt test makes an onset"),
        )
    )  # fmt: skip
    return study_results(
        overall, by_quarter=quarters, by_technique=(ianb, mental), by_practice=practices, sensitivity=choices
    )


def small() -> StudyResults:
    """Twenty-four cases that cannot tell."""
    n = counts(13, 11, (12, 11))
    overall = population("All cases to 2026Q3", "overall", "all", n, wait=(-0.5, -2.0, 1.0))
    none = Counts(cases=11, onsets=0, by_arm=(ArmCount(arm="buffered", cases=11, onsets=0),))
    never = estimate("not_numb", "buffered", 0.0, 0.0, 0.2588, "proportion", none)
    return study_results(dataclasses.replace(overall, never_numb=(overall.never_numb[0], never)))


def no_onset_in_an_arm() -> StudyResults:
    """The ratio of rates has a bound on one side only."""
    n = counts(6, 6, (0, 6))
    overall = population("All cases to 2026Q3", "overall", "all", n)
    reason = "no onset was seen in the arm plain"
    ratio = missing("hazard_ratio", "buffered / plain", reason, n, bound=(2.11, math.inf))
    promised = protocol(plan={"primary": "hazard_ratio"})
    return study_results(dataclasses.replace(overall, hazard_ratio=ratio), promised=promised)


def one_arm_missing() -> StudyResults:
    n = counts(0, 9, (0, 8))
    reason = "no case of the arm plain has been recorded"
    curves = (
        ArmCurve(arm="plain", curve=missing("onset_curve", "plain", reason, n), still_tested=()),
        arm_curve("buffered", BUFFERED_NUMB, 9),
    )
    return study_results(absent("All cases to 2026Q3", "overall", "all", reason, n, curves=curves))


def three_cases() -> StudyResults:
    n = counts(1, 2, (1, 2))
    curves = (arm_curve("plain", PLAIN_NUMB, 1), arm_curve("buffered", BUFFERED_NUMB, 2))
    return study_results(absent("All cases to 2026Q3", "overall", "all", "too few cases", n, curves=curves))


def all_numb_at_first_test() -> StudyResults:
    n = counts(20, 20, (20, 20))
    overall = population("All cases to 2026Q3", "overall", "all", n, wait=(0.0, 0.0, 0.0))
    at_once = tuple(arm_curve(a, (1.0,) * len(MINUTES), 20) for a in ARMS)
    ratio = missing("hazard_ratio", "buffered / plain", "every onset lies before the first test", n)
    return study_results(dataclasses.replace(overall, curves=at_once, hazard_ratio=ratio))


SAMPLES = {
    "rich": rich,
    "small": small,
    "no onset in an arm": no_onset_in_an_arm,
    "one arm missing": one_arm_missing,
    "three cases": three_cases,
    "all numb at the first test": all_numb_at_first_test,
}


@cache
def composed(name: str) -> Document:
    """The document of a sample, made once and shared; nobody can change it."""
    return compose(SAMPLES[name]())
