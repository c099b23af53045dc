"""The plan carried out: records in, results out."""

from __future__ import annotations

import dataclasses

import pandas as pd

from onsetstudy.core.errors import RecordsError, require
from onsetstudy.core.parallel import Progress
from onsetstudy.core.quantities import quantity_of
from onsetstudy.doses.limits import LimitsTable
from onsetstudy.doses.results import DoseSummary
from onsetstudy.protocol.estimands import questions_of
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.records.derived.allocation import arm_standing, resolve_arms, review_allocation
from onsetstudy.records.derived.flow import case_flow, untold_baseline
from onsetstudy.records.derived.onset import Onsets
from onsetstudy.records.derived.opened_slips import opened_slips, recorded_slips
from onsetstudy.records.derived.results import Doubt
from onsetstudy.records.model import Records
from onsetstudy.records.validity.gates import doubts_of
from onsetstudy.study.answer.claims import shutting
from onsetstudy.study.answer.more_needed import more_needed
from onsetstudy.study.practice.assumptions import diagnose
from onsetstudy.study.practice.cautions import study_cautions
from onsetstudy.study.practice.interim import looks_taken
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.practice.sensitivity import run_sensitivity
from onsetstudy.study.practice.subsets import analyse_population
from onsetstudy.study.results import LooksTaken, Population, Provenance
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.sets.side_files import Companions
from onsetstudy.study.topics.baseline import OPERATOR, arm_table, told_operators
from onsetstudy.study.topics.cold_test_errors import cold_test_errors
from onsetstudy.study.topics.confounding import fair_comparison
from onsetstudy.study.topics.doses import doses_of
from onsetstudy.study.topics.e_values import anytime_looks
from onsetstudy.study.topics.negative_controls import negative_controls
from onsetstudy.study.topics.outcomes import chair_time_of, comfort_of, safety_of
from onsetstudy.study.topics.published import context_of
from onsetstudy.study.topics.quality import data_quality
from onsetstudy.study.topics.watching import watch_of
from onsetstudy.study.topics.within_patient import blinding_of, paired_study

PACKAGES = ("onsetstudy", "numpy", "pandas", "scipy", "statsmodels", "matplotlib", "seaborn", "typst")


def analyse(
    protocol: Protocol,
    records: Records,
    *,
    quarter: str | None = None,
    beside: Companions | None = None,
    without_list: str | None = None,
    progress: Progress | None = None,
) -> StudyResults:
    """Results of a study up to the end of a quarter.

    Parameters
    ----------
    protocol : Protocol
        What was promised.
    records : Records
        Checked records.
    quarter : str or None
        Label such as ``2026Q3``; by default the last quarter with an accepted case.
    beside : Companions or None
        List of slips or opening log, lock, tables of limits and published results, as ``read_companions`` gives them.
    without_list : str or None
        Why a randomised study has neither list nor log: arms are then compared as injected, and page 1 says so.
    progress : callable or None
        Called as ``(done, total, label)``.

    Returns
    -------
    StudyResults

    Raises
    ------
    RecordsError
        If no quarter is given and none has an accepted case, or the quarter is not one of the study's; if the study is
        randomised, and neither list nor log nor a reason is given.

    Examples
    --------
    >>> from onsetstudy import analyse, read_protocol, read_records
    >>> protocol = read_protocol("protocols/infiltration_audit.toml")
    >>> results = analyse(protocol, read_records("data/synthetic/audit", protocol))
    >>> results.overall.wait_difference.contrast
    'buffered - plain'
    """
    require(protocol, Protocol, "protocol", "give what read_protocol(path) made")
    beside = Companions() if beside is None else beside
    require(beside, Companions, "beside", "give what read_companions(path) made")
    require(records, Records, "records", "give what read_records(path, protocol) made")
    this = _quarter(protocol, records, quarter)
    kept = beside.allocation
    recorded = recorded_slips(records) if beside.slips_recorded is None else beside.slips_recorded
    until = _until(records.cases, this)
    review = None if kept is None else review_allocation(until, protocol, kept, recorded=recorded)
    whose = set(records.cases["practice_id"].astype(str))
    slips = opened_slips(beside.slips_log or kept, recorded, practices=whose, until=this.last_day)
    records, known = resolve_arms(protocol, _own_patients(records), kept, without_list=without_list)
    onsets = Onsets(records=records, protocol=protocol)
    data, onset = prepare(protocol, records, through=this, onsets=onsets)
    # No page tells a name, whatever it tells of operators.
    data = dataclasses.replace(data, frame=data.frame.assign(**{OPERATOR: told_operators(data.frame[OPERATOR])}))
    arms = arm_standing(data.frame, known)
    answer = _answer(records, data, onset, this, progress)
    doubts = doubts_of(_only(records, data), protocol)
    sensitivity = run_sensitivity(onsets, data, through=this, arms=arms, progress=progress)
    comfort = comfort_of(data, answer.overall)
    days = pd.to_datetime(records.cases["case_date"])
    results = dataclasses.replace(
        answer,
        sensitivity=sensitivity,
        diagnostics=diagnose(data, records, onset),
        allocation=review,
        standing=beside.standing(protocol, None if records.cases.empty else days.min().date()),
        arms=arms,
        doubts=doubts,
        chair_time=chair_time_of(data),
        safety=safety_of(data, records.open_tables),
        watch=watch_of(data),
        anytime=anytime_looks(data, kept, this),
        comfort=comfort,
        fair=fair_comparison(data, answer.overall, comfort, progress=progress),
        paired=paired_study(data),
        blinding=blinding_of(data),
        negative=negative_controls(data, records),
        test_errors=cold_test_errors(data, records),
        doses=None if beside.limits is None else _doses(data, records, this, beside.limits),
        context=None
        if beside.published is None
        else context_of((answer.overall, *answer.by_technique), data.frame, protocol, beside.published),
    )
    results = results.with_looks(_looks(onsets, data, this, doubts))
    untold = untold_baseline(data.frame, protocol)
    return dataclasses.replace(results, caution=study_cautions(results, slips, untold_baseline=untold))


def _answer(
    records: Records, data: AnalysisSet, onset: pd.DataFrame, this: Quarter, progress: Progress | None
) -> StudyResults:
    """The arms compared, in all cases and in each part, and who is in it; what bears on it is still empty."""
    protocol, jobs = data.protocol, _populations(data, this)
    populations: list[Population] = []
    for done, (chosen, label, dimension, level, minimum) in enumerate(jobs):
        if progress is not None:
            progress(done, len(jobs), label)
        populations.append(analyse_population(chosen, label=label, dimension=dimension, level=level, minimum=minimum))

    def members(dimension: str) -> tuple[Population, ...]:
        return tuple(p for p in populations if p.dimension == dimension)

    overall, by_quarter = populations[0], members("quarter")
    return StudyResults(
        protocol=protocol,
        quarter=this.label,
        period_start=protocol.quarters[0].first_day.isoformat(),
        period_end=this.last_day.isoformat(),
        practices=tuple(sorted(data.frame["practice_id"].astype(str).unique())),
        n_clinicians=int(data.frame[OPERATOR].nunique()),
        overall=overall,
        by_quarter=by_quarter,
        by_technique=members("technique"),
        by_practice=members("practice"),
        flow=case_flow(records, protocol, through=this),
        arm_table=arm_table(data.frame, protocol.arm_codes),
        data_quality=data_quality(protocol, records, onset, quarter=this.label),
        more_needed=more_needed(
            protocol,
            overall.n,
            tuple(p.n.cases for p in by_quarter),
            data.pairs_by_quarter([p.level for p in by_quarter]),
        ),
        caution=(),
        provenance=Provenance.of(protocol, records.digest, PACKAGES),
    )


def _looks(onsets: Onsets, data: AnalysisSet, this: Quarter, doubts: tuple[Doubt, ...]) -> LooksTaken | None:
    """The interim analyses; where the cold tests cannot bear an answer they are gated, and count all the same."""
    protocol = onsets.protocol
    if not shutting(doubts) or quantity_of(protocol.plan.primary).rests_on != "cold_tests":
        return looks_taken(data, this)
    # Their z is that of the target alone, as the control tooth leaves nothing to compute it of.
    asked = questions_of(protocol, choice="control_ignored")
    alone, _ = prepare(protocol, onsets.records, through=this, asked=asked, onsets=onsets, work=data.work)
    return looks_taken(alone, this, shut=True)


def _own_patients(records: Records) -> Records:
    """Patients behind their practices, where a code is used in several: each keeps its own key."""
    cases = records.cases
    if cases.empty or cases.groupby("patient_id")["practice_id"].nunique().max() == 1:
        return records
    own = cases["practice_id"].astype(str) + " " + cases["patient_id"].astype(str)
    return dataclasses.replace(records, cases=cases.assign(patient_id=own))


def _only(records: Records, data: AnalysisSet) -> Records:
    """The records of the analysed cases alone."""
    kept = records.cases["case_id"].isin(data.frame["case_id"])
    return dataclasses.replace(records, cases=records.cases[kept].reset_index(drop=True))


def _doses(data: AnalysisSet, records: Records, this: Quarter, limits: LimitsTable) -> DoseSummary:
    """Doses of the analysed cases; those of the quarters so far that are left out are held against the limits too."""
    cases = _until(records.cases, this)
    left_out = cases[~cases["case_id"].isin(data.frame["case_id"])]
    return doses_of(data.frame, data.protocol, limits, left_out=left_out, supplements=records.open_tables.supplements)


def _until(cases: pd.DataFrame, this: Quarter) -> pd.DataFrame:
    return cases[pd.to_datetime(cases["case_date"]) <= pd.Timestamp(this.last_day)]


def _quarter(protocol: Protocol, records: Records, label: str | None) -> Quarter:
    if label is None:
        seen = sorted(set(records.cases["quarter"].astype(str)) & {q.label for q in protocol.quarters})
        if not seen:
            raise RecordsError("no accepted case lies in a quarter of the study, so there is nothing to report on")
        label = seen[-1]
    return protocol.quarter(label)


Job = tuple[AnalysisSet, str, str, str, int]


def _populations(data: AnalysisSet, this: Quarter) -> list[Job]:
    """Sets of cases in report order: (cases, label, dimension, level, fewest cases)."""
    frame, minimum = data.frame, data.protocol.plan.min_stratum_cases
    jobs: list[Job] = [(data, f"All cases to {this.label}", "overall", "all", 1)]
    for label in (q.label for q in data.protocol.quarters if q.first_day <= this.first_day):
        jobs.append((data.where(frame["quarter"] == label), label, "quarter", label, 1))
    for dimension, column in (("technique", "technique"), ("practice", "practice_id")):
        levels = sorted(frame[column].astype(str).unique())
        if len(levels) > 1:
            jobs += [(data.where(frame[column] == level), level, dimension, level, minimum) for level in levels]
    return jobs
