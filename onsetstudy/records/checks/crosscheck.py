"""Checks that look at more than one cell: dates, mixing, volumes, units of whole studies, readings against cases."""

from __future__ import annotations

import datetime as dt
import difflib
import itertools

import numpy as np
import pandas as pd

from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.findings import Findings
from onsetstudy.records.checks.mixing import crosscheck_mixing
from onsetstudy.records.checks.times_of_day import read_times_of_day, refuse_ambiguous_times
from onsetstudy.records.numb_field import INSIDE, UNCERTAIN, controls_in_field
from onsetstudy.records.teeth import TEETH

__all__ = ["crosscheck_cases", "crosscheck_readings", "row_of_case"]

CARTRIDGES = 6
USUAL_CARTRIDGES = (1.7, 1.8, 2.2)
WHOLE_STUDY = 5
SECONDS_FROM = 30.0
HEAVY_KG = 140.0
MANDIBULAR = ("ianb", "gow_gates", "closed_mouth_block", "mental_incisive", "long_buccal")
MAXILLARY = ("palatal_infiltration", "psa", "infraorbital")


def _and_more(n: int) -> str:
    return f" ({n} more reading{'s' if n > 1 else ''} alike)" if n > 0 else ""


def crosscheck_cases(cases: pd.DataFrame, found: Findings, protocol: Protocol, *, today: dt.date | None) -> None:
    """Contradictions inside a case, and values that look like another unit."""
    _dates(cases, found, protocol, today)
    crosscheck_mixing(cases, found, protocol)
    _volumes(cases, found)
    _sites(cases, found, protocol)
    _scores(cases, found, protocol)
    _clocks(cases, found)
    _belongings(cases, found)
    _supplements(cases, found)
    _practices(cases, found, protocol)
    other = cases["allocation"].notna() & (cases["allocation"] != protocol.study.allocation)
    what = f"{{value}} is not how the protocol says that arms come about ({protocol.study.allocation})"
    found.query(other, "allocation", "other_allocation", what, "check the case, or the protocol")


def _dates(cases: pd.DataFrame, found: Findings, protocol: Protocol, today: dt.date | None) -> None:
    day = pd.to_datetime(cases["case_date"], errors="coerce")
    first, last = protocol.quarters[0], protocol.quarters[-1]
    future = day > pd.Timestamp(today) if today is not None else pd.Series(False, index=day.index)
    what = "the date {day:%Y-%m-%d} lies in the future"
    found.refuse_where(future, "case_date", "future_date", what, "correct the date", day=day)
    outside = (day < pd.Timestamp(first.first_day)) | (day > pd.Timestamp(last.last_day))
    what = f"the date {{day:%Y-%m-%d}} lies outside the study's quarters {first.label} to {last.label}"
    mend = "correct the date, or add the quarter to the protocol"
    found.refuse_where(outside & ~future, "case_date", "outside_study", what, mend, day=day)


def _volumes(cases: pd.DataFrame, found: Findings) -> None:
    volume, cartridge = cases["volume_ml"].astype(float), cases["cartridge_ml"].astype(float)
    extra = cases["bicarbonate_ml"].astype(float).where(cases["mix_mode"] == "add", 0.0).fillna(0.0)
    # The case stays: refused, an overdose would be held against no limit.
    too_much = (volume > CARTRIDGES * (cartridge + extra) + 1e-9) & (volume <= 20)
    what = f"{{volume:g}} mL is more than {CARTRIDGES} cartridges of {{cartridge:g}} mL hold"
    mend = "is it right, and in mL? The case stays, and its dose is held against the limits"
    found.query(too_much, "volume_ml", "volume", what, mend, volume=volume, cartridge=cartridge)
    odd = cartridge.notna() & ~cartridge.round(3).isin(USUAL_CARTRIDGES)
    mend = "usual are 1.7, 1.8 and 2.2 mL"
    found.query(odd, "cartridge_ml", "cartridge", "a cartridge of {value} mL is unusual", mend)
    pounds = cases["weight_kg"].astype(float) > HEAVY_KG
    found.query(pounds, "weight_kg", "pounds", "{value} kg: is it in pounds?", "enter kilograms")


def _sites(cases: pd.DataFrame, found: Findings, protocol: Protocol) -> None:
    teeth = TEETH[protocol.schedule.tooth_notation]
    arch = cases["tooth"].map({code: tooth.arch for code, tooth in teeth.items()})
    below, above = cases["technique"].isin(MANDIBULAR), cases["technique"].isin(MAXILLARY)
    wrong = (below & (arch == "maxillary")) | (above & (arch == "mandibular"))
    what = "{value} does not belong to the arch of this tooth"
    found.query(wrong, "technique", "site", what, "check tooth and technique")
    dentition = cases["tooth"].map({code: tooth.dentition for code, tooth in teeth.items()})
    adult = (dentition == "primary") & cases["age_band"].isin(["18-39", "40-59", "60-79", "80+"])
    found.query(adult, "tooth", "age", "a primary tooth ({value}) in an adult", "check tooth and notation")
    _controls(cases, found, protocol)
    young = (cases["age_band"] == "4-11") & (cases["agent"] == "bupivacaine")
    found.query(young, "agent", "age", "{value} under 12 years", "check the label in force")


def _controls(cases: pd.DataFrame, found: Findings, protocol: Protocol) -> None:
    """A control tooth that the injection itself makes numb says nothing of the cold."""
    where = controls_in_field(cases, notation=protocol.schedule.tooth_notation)
    mend = "test a tooth outside the field, such as the canine of the other side or arch"
    told = {
        INSIDE: "the control tooth {value} lies in the field of the injection: it goes numb with the target",
        UNCERTAIN: "the control tooth {value} may lie in the field of the injection",
    }
    for answer, what in told.items():
        found.query(where == answer, "control_tooth", f"control_{answer}", what, mend)


def _scores(cases: pd.DataFrame, found: Findings, protocol: Protocol) -> None:
    """A whole study of scores on a 100-mm line that never go beyond 10 was probably measured in centimetres."""
    if protocol.pain is None or protocol.pain.instrument.high < 100:
        return
    names = [c for c in cases.columns if c.startswith("pain_")]
    scores = cases[names].to_numpy(dtype=float)
    given = np.isfinite(scores)
    if given.sum() < WHOLE_STUDY or np.nanmax(scores) > 10 or np.nanmax(scores) == 0:
        return
    unit = protocol.pain.instrument.unit
    top = f"{protocol.pain.instrument.high:g} {unit}"
    what = f"no score of the whole table is above 10 on a scale to {top}: centimetres?"
    for row in np.flatnonzero(given.any(axis=1)).tolist():
        found.refuse(row, names[int(given[row].argmax())], "scale", what, f"enter {unit}")


def _clocks(cases: pd.DataFrame, found: Findings) -> None:
    start, end = cases["injection_start"].astype(float), cases["injection_end"].astype(float)
    what, mend = "the injection ends before it starts", "correct the times of day"
    found.refuse_where(end < start, "injection_end", "times", what, mend)
    found.query(end - start > 15, "injection_end", "slow", "an injection of more than 15 minutes", "is it right?")
    order = ("seated_time", "injection_start", "treatment_end_time", "dismissed_time")
    for earlier, later in itertools.pairwise(order):
        wrong = cases[later].astype(float) < cases[earlier].astype(float)
        found.refuse_where(wrong, later, "times", f"{later} lies before {earlier}", mend)
    rescued = cases["rescue_technique"].notna() & (cases["rescue_technique"] != "none")
    untold = rescued & cases["rescue_min"].isna() & ~found.unread("rescue_min")
    what = "a supplemental injection without its minute"
    found.refuse_where(untold, "rescue_min", "missing", what, "enter the minute it was given")


def _supplements(cases: pd.DataFrame, found: Findings) -> None:
    """What is told of a supplement that was not given, or is not told of one that was."""
    mend = "enter rescue_min, the minute it was given, or take this out"
    for column in ("rescue_volume_ml", "rescue_agent"):
        told = cases["rescue_min"].isna() & cases[column].notna()
        found.query(told, column, "supplement", "{value} of a supplement that has no minute; it counts as given", mend)
    other = cases["rescue_agent"].notna() & (cases["rescue_agent"] != cases["agent"])
    no_dose = other & cases["rescue_volume_ml"].notna() & cases["rescue_percent"].isna()
    what = "another agent than the planned one, without its strength: its dose is not counted"
    found.query(no_dose, "rescue_percent", "supplement", what, "enter the concentration in %")


def _practices(cases: pd.DataFrame, found: Findings, protocol: Protocol) -> None:
    """A practice that is not in the study may be one that is, written otherwise."""
    declared = protocol.study.practices
    strange = cases["practice_id"].notna() & ~cases["practice_id"].isin(declared)
    if not declared or not strange.any():
        return
    for code in sorted(cases.loc[strange, "practice_id"].astype(str).unique()):
        near = difflib.get_close_matches(code.casefold(), [d.casefold() for d in declared], n=2, cutoff=0.6)
        meant = [d for d in declared if d.casefold() in near]
        named = ", ".join(declared[:10]) + (", …" if len(declared) > 10 else "")
        mend = f"did you mean {meant[0]}?" if len(meant) == 1 else f"its practices are {named}"
        own = strange & (cases["practice_id"].astype(str) == code)
        found.query(own, "practice_id", "other_practice", "{value} is not a practice of the study", mend)


def _belongings(cases: pd.DataFrame, found: Findings) -> None:
    """Entries that belong to another entry which is not there, or is there where it should not be."""
    event = cases["adverse_event"].notna() & (cases["adverse_event"] != "none")
    what, mend = (
        "a serious event, but adverse_event names none",
        "enter what happened; it is counted as an event until then",
    )
    found.query((cases["adverse_serious"] == "yes") & ~event, "adverse_serious", "event", what, mend)
    mixed = (cases["arm"] == "plain") & (cases["mixing_min"].astype(float) > 0)
    what, mend = "{value} min of mixing for a plain cartridge", "is it right? Leave it empty where nothing was mixed"
    found.query(mixed, "mixing_min", "mixing_time", what, mend)
    unused = (cases["topical"] == "none") & (cases["topical_min"].astype(float) > 0)
    what = "{value} min of topical anaesthetic, but topical is none"
    found.query(unused, "topical_min", "topical", what, "correct one")
    known = cases["period"].notna() & cases["patient_id"].notna()
    twice = known & cases.duplicated(["patient_id", "period"], keep=False)
    what, mend = "two cases of this patient have period {value}", "number the injections of a patient in order"
    found.query(twice, "period", "period", what, mend)
    scores = cases[[f"pain_{moment}" for moment in ("insertion", "placement", "deposition", "treatment")]]
    excused = cases["score_missing_reason"].notna() & scores.notna().all(axis=1)
    what = "a reason ({value}) for a missing pain score, but none is missing"
    found.query(excused, "score_missing_reason", "missing_reason", what, "take out the reason, or the score")


def row_of_case(cases: pd.DataFrame, readings: pd.DataFrame) -> pd.Series:
    """Row of each reading's case, the first that has its code; missing where there is none."""
    first = cases["case_id"].drop_duplicates()
    return readings["case_id"].map(pd.Series(first.index, index=first.to_numpy()))


def crosscheck_readings(
    cases: pd.DataFrame,
    case_found: Findings,
    readings: pd.DataFrame,
    clock_min: pd.Series | None,
    found: Findings,
    protocol: Protocol,
) -> pd.DataFrame:
    """Readings against their cases and each other; returns them with times of day as minutes after clock zero."""
    readings = readings.copy()
    belongs = row_of_case(cases, readings)
    orphans = readings[belongs.isna() & readings["case_id"].notna()]
    for code, rows in orphans.groupby("case_id", sort=False).groups.items():
        what = f"there is no case {code}{_and_more(len(rows) - 1)}"
        found.refuse_first(rows, "case_id", "no_case", what, "enter the case in the table cases, or correct the code")
    untested = cases["case_id"].notna() & ~cases["case_id"].isin(readings["case_id"])
    mend = "enter its cold tests, or take it out"
    case_found.refuse_where(untested, "case_id", "no_readings", "this case has no cold test", mend)
    if clock_min is not None:
        read_times_of_day(cases, readings, clock_min, belongs, found, protocol)
    in_doubt = refuse_ambiguous_times(cases, readings, belongs, found, protocol)
    _ends(cases, readings, belongs, found)
    _repeats(readings, ~in_doubt, found)
    before = readings.groupby(["case_id", "tooth_role"])["minute"].shift()
    what, mend = "minute {value} was entered after a later one", "is it right? They are put in order"
    found.query(readings["minute"] < before, "minute", "order", what, mend)
    _seconds(readings, found, protocol)
    return readings


def _ends(cases: pd.DataFrame, readings: pd.DataFrame, belongs: pd.Series, found: Findings) -> None:
    end = belongs.map(cases["observation_end_min"].astype(float))
    late = readings[readings["minute"] > end + 1e-9]
    mend = "correct the minute, or observation_end_min of the case"
    for rows in late.groupby("case_id", sort=False).groups.values():
        minute, last = late.loc[rows[0], "minute"], end.loc[rows[0]]
        what = f"minute {minute:g} lies after the end of observation at {last:g} min{_and_more(len(rows) - 1)}"
        found.refuse_first(rows, "minute", "after_end", what, mend)


def _repeats(readings: pd.DataFrame, sure: pd.Series, found: Findings) -> None:
    keys = ["case_id", "minute", "tooth_role"]
    rows = readings[sure].dropna(subset=[*keys, "response"])
    rows = rows[rows.duplicated(keys, keep=False)]
    minute, answers = readings["minute"], rows.groupby(keys)["response"].transform("nunique").reindex(readings.index)
    what, mend = "at minute {minute:g} this tooth was both felt and not felt", "keep the reading that is right"
    found.refuse_where(answers > 1, "response", "contradiction", what, mend, minute=minute)
    twice = (answers == 1) & rows.duplicated(keys).reindex(readings.index, fill_value=False)
    what = "the reading at minute {minute:g} stands there twice"
    found.refuse_where(twice, "minute", "contradiction", what, "keep one of them", minute=minute)


def _seconds(readings: pd.DataFrame, found: Findings, protocol: Protocol) -> None:
    """All minutes of a case multiples of ten beyond the schedule: seconds."""
    last = max(protocol.schedule.tests_min)
    minute = readings["minute"].astype(float)
    by_case = minute.groupby(readings["case_id"])
    smallest, largest = by_case.transform("min"), by_case.transform("max")
    tens = ((minute % 5) == 0).groupby(readings["case_id"]).transform("all")
    suspect = (smallest >= SECONDS_FROM) & (largest > 1.5 * last) & tens
    for row in np.flatnonzero(suspect.to_numpy(dtype=bool)).tolist():
        what = f"minute {minute.iloc[row]:g}: all minutes of this case look like seconds"
        found.refuse(row, "minute", "seconds", what, f"enter minutes: {minute.iloc[row] / 60:g}")
