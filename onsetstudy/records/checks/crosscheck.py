"""Checks that look at more than one cell: dates, mixing, volumes, units of whole studies, readings against cases."""

from __future__ import annotations

import datetime as dt
import difflib
import itertools

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.findings import Findings
from onsetstudy.records.checks.mixing import crosscheck_mixing
from onsetstudy.records.checks.times_of_day import read_times_of_day, refuse_ambiguous_times
from onsetstudy.records.numb_field import INSIDE, UNCERTAIN, where_is_control
from onsetstudy.records.teeth import TEETH

__all__ = ["crosscheck_cases", "crosscheck_readings"]

CARTRIDGES = 6
USUAL_CARTRIDGES = (1.7, 1.8, 2.2)
WHOLE_STUDY = 5
SECONDS_FROM = 30.0
HEAVY_KG = 140.0
MANDIBULAR = ("ianb", "gow_gates", "closed_mouth_block", "mental_incisive", "long_buccal")
MAXILLARY = ("palatal_infiltration", "psa", "infraorbital")


def _rows(mask: pd.Series | NDArray[np.bool_]) -> list[int]:
    return [int(i) for i in np.flatnonzero(np.asarray(mask, dtype=bool))]


def _and_more(n: int) -> str:
    return f" ({n} more reading{'s' if n > 1 else ''} alike)" if n > 0 else ""


def _refuse_first(found: Findings, rows: list[int], column: str, code: str, what: str, mend: str) -> None:
    """Refuse rows that share one fault, and tell it once, at the first."""
    found.refuse(rows[0], column, code, what, mend)
    for row in rows[1:]:
        found.mark(row, code)


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
    found.query(_rows(other), "allocation", "other_allocation", what, "check the case, or the protocol")


def _dates(cases: pd.DataFrame, found: Findings, protocol: Protocol, today: dt.date | None) -> None:
    day = pd.to_datetime(cases["case_date"], errors="coerce")
    first, last = protocol.quarters[0], protocol.quarters[-1]
    future = day > pd.Timestamp(today) if today is not None else pd.Series(False, index=day.index)
    for row in _rows(future):
        what = f"the date {day.iloc[row]:%Y-%m-%d} lies in the future"
        found.refuse(row, "case_date", "future_date", what, "correct the date")
    outside = (day < pd.Timestamp(first.first_day)) | (day > pd.Timestamp(last.last_day))
    for row in _rows(outside & ~future):
        what = f"the date {day.iloc[row]:%Y-%m-%d} lies outside the study's quarters {first.label} to {last.label}"
        found.refuse(row, "case_date", "outside_study", what, "correct the date, or add the quarter to the protocol")


def _volumes(cases: pd.DataFrame, found: Findings) -> None:
    volume, cartridge = cases["volume_ml"].astype(float), cases["cartridge_ml"].astype(float)
    extra = cases["bicarbonate_ml"].astype(float).where(cases["mix_mode"] == "add", 0.0).fillna(0.0)
    most = CARTRIDGES * (cartridge + extra)
    # The case stays: refused, an overdose would be held against no limit.
    for row in _rows((volume > most + 1e-9) & (volume <= 20)):
        what = f"{volume.iloc[row]:g} mL is more than {CARTRIDGES} cartridges of {cartridge.iloc[row]:g} mL hold"
        mend = "is it right, and in mL? The case stays, and its dose is held against the limits"
        found.query([row], "volume_ml", "volume", what, mend)
    odd = cartridge.notna() & ~cartridge.round(3).isin(USUAL_CARTRIDGES)
    found.query(
        _rows(odd), "cartridge_ml", "cartridge", "a cartridge of {value} mL is unusual", "usual are 1.7, 1.8 and 2.2 mL"
    )
    pounds = cases["weight_kg"].astype(float) > HEAVY_KG
    found.query(_rows(pounds), "weight_kg", "pounds", "{value} kg: is it in pounds?", "enter kilograms")


def _sites(cases: pd.DataFrame, found: Findings, protocol: Protocol) -> None:
    teeth = TEETH[protocol.schedule.tooth_notation]
    arch = cases["tooth"].map({code: tooth.arch for code, tooth in teeth.items()})
    wrong = (cases["technique"].isin(MANDIBULAR) & (arch == "maxillary")) | (
        cases["technique"].isin(MAXILLARY) & (arch == "mandibular")
    )
    found.query(
        _rows(wrong),
        "technique",
        "site",
        "{value} does not belong to the arch of this tooth",
        "check tooth and technique",
    )
    dentition = cases["tooth"].map({code: tooth.dentition for code, tooth in teeth.items()})
    adult = (dentition == "primary") & cases["age_band"].isin(["18-39", "40-59", "60-79", "80+"])
    found.query(_rows(adult), "tooth", "age", "a primary tooth ({value}) in an adult", "check tooth and notation")
    child = cases["age_band"] == "4-11"
    _controls(cases, found, protocol)
    young = child & (cases["agent"] == "bupivacaine")
    found.query(_rows(young), "agent", "age", "{value} under 12 years", "check the label in force")


def _controls(cases: pd.DataFrame, found: Findings, protocol: Protocol) -> None:
    """A control tooth that the injection itself makes numb says nothing of the cold."""
    names = [cases[name].astype(object).where(cases[name].notna(), "") for name in ("control_tooth", "tooth")]
    techniques = cases["technique"].astype(object).where(cases["technique"].notna(), "")
    notation = protocol.schedule.tooth_notation
    where = np.array(
        [
            where_is_control(c, t, (k,) if k else (), notation=notation)
            for c, t, k in zip(*names, techniques, strict=True)
        ],
        dtype=object,
    )
    mend = "test a tooth outside the field, such as the canine of the other side or arch"
    told = {
        INSIDE: "the control tooth {value} lies in the field of the injection: it goes numb with the target",
        UNCERTAIN: "the control tooth {value} may lie in the field of the injection",
    }
    for answer, what in told.items():
        found.query(_rows(where == answer), "control_tooth", f"control_{answer}", what, mend)


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
    for row in _rows(given.any(axis=1)):
        column = names[int(np.flatnonzero(given[row])[0])]
        top = f"{protocol.pain.instrument.high:g} {unit}"
        what = f"no score of the whole table is above 10 on a scale to {top}: centimetres?"
        found.refuse(row, column, "scale", what, f"enter {unit}")


def _clocks(cases: pd.DataFrame, found: Findings) -> None:
    start, end = cases["injection_start"].astype(float), cases["injection_end"].astype(float)
    for row in _rows(end < start):
        found.refuse(row, "injection_end", "times", "the injection ends before it starts", "correct the times of day")
    found.query(
        _rows(end - start > 15), "injection_end", "slow", "an injection of more than 15 minutes", "is it right?"
    )
    order = ("seated_time", "injection_start", "treatment_end_time", "dismissed_time")
    for earlier, later in itertools.pairwise(order):
        wrong = cases[later].astype(float) < cases[earlier].astype(float)
        for row in _rows(wrong):
            what = f"{later} lies before {earlier}"
            found.refuse(row, later, "times", what, "correct the times of day")
    rescued = cases["rescue_technique"].notna() & (cases["rescue_technique"] != "none")
    unread = {row for row, problem in found.problems if problem.where.column == "rescue_min"}
    for row in sorted({*_rows(rescued & cases["rescue_min"].isna())} - unread):
        found.refuse(
            row, "rescue_min", "missing", "a supplemental injection without its minute", "enter the minute it was given"
        )


def _supplements(cases: pd.DataFrame, found: Findings) -> None:
    """What is told of a supplement that was not given, or is not told of one that was."""
    given = cases["rescue_min"].notna()
    for column in ("rescue_volume_ml", "rescue_agent"):
        rows = _rows(~given & cases[column].notna())
        mend = "enter rescue_min, the minute it was given, or take this out"
        found.query(rows, column, "supplement", "{value} of a supplement that has no minute; it counts as given", mend)
    other = cases["rescue_agent"].notna() & (cases["rescue_agent"] != cases["agent"])
    rows = _rows(other & cases["rescue_volume_ml"].notna() & cases["rescue_percent"].isna())
    what = "another agent than the planned one, without its strength: its dose is not counted"
    found.query(rows, "rescue_percent", "supplement", what, "enter the concentration in %")


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
        rows = _rows(strange & (cases["practice_id"].astype(str) == code))
        found.query(rows, "practice_id", "other_practice", "{value} is not a practice of the study", mend)


def _belongings(cases: pd.DataFrame, found: Findings) -> None:
    """Entries that belong to another entry which is not there, or is there where it should not be."""
    event = cases["adverse_event"].notna() & (cases["adverse_event"] != "none")
    found.query(
        _rows((cases["adverse_serious"] == "yes") & ~event),
        "adverse_serious",
        "event",
        "a serious event, but adverse_event names none",
        "enter what happened; it is counted as an event until then",
    )
    plain = cases["arm"] == "plain"
    found.query(
        _rows(plain & (cases["mixing_min"].astype(float) > 0)),
        "mixing_min",
        "mixing_time",
        "{value} min of mixing for a plain cartridge",
        "is it right? Leave it empty where nothing was mixed",
    )
    unused = cases["topical"].isin(["none"]) & (cases["topical_min"].astype(float) > 0)
    found.query(
        _rows(unused),
        "topical_min",
        "topical",
        "{value} min of topical anaesthetic, but topical is none",
        "correct one",
    )
    twice = cases["period"].notna() & cases.duplicated(["patient_id", "period"], keep=False)
    found.query(
        _rows(twice & cases["patient_id"].notna()),
        "period",
        "period",
        "two cases of this patient have period {value}",
        "number the injections of a patient in order",
    )
    scores = cases[[f"pain_{moment}" for moment in ("insertion", "placement", "deposition", "treatment")]]
    found.query(
        _rows(cases["score_missing_reason"].notna() & scores.notna().all(axis=1)),
        "score_missing_reason",
        "missing_reason",
        "a reason ({value}) for a missing pain score, but none is missing",
        "take out the reason, or the score",
    )


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
    first = cases["case_id"].drop_duplicates()
    row_of = pd.Series(first.index, index=first.to_numpy())
    belongs = readings["case_id"].map(row_of)
    orphans = readings.index[belongs.isna() & readings["case_id"].notna()]
    for code, rows in readings.loc[orphans].groupby("case_id", sort=False).groups.items():
        what = f"there is no case {code}{_and_more(len(rows) - 1)}"
        mend = "enter the case in the table cases, or correct the code"
        _refuse_first(found, [int(row) for row in rows], "case_id", "no_case", what, mend)
    _no_readings(cases, case_found, readings)
    if clock_min is not None:
        read_times_of_day(cases, readings, clock_min, belongs, found, protocol)
    in_doubt = refuse_ambiguous_times(cases, readings, belongs, found, protocol)
    _ends(cases, readings, belongs, found)
    _repeats(readings[~in_doubt], found)
    _order(readings, found)
    _seconds(readings, found, protocol)
    return readings


def _no_readings(cases: pd.DataFrame, found: Findings, readings: pd.DataFrame) -> None:
    for row in _rows(cases["case_id"].notna() & ~cases["case_id"].isin(readings["case_id"])):
        found.refuse(
            row, "case_id", "no_readings", "this case has no cold test", "enter its cold tests, or take it out"
        )


def _ends(cases: pd.DataFrame, readings: pd.DataFrame, belongs: pd.Series, found: Findings) -> None:
    end = belongs.map(cases["observation_end_min"].astype(float))
    late = readings[readings["minute"] > end + 1e-9]
    for _, rows in late.groupby("case_id", sort=False).groups.items():
        first = int(rows[0])
        what = f"minute {readings.loc[first, 'minute']:g} lies after the end of observation at {end.loc[first]:g} min"
        what += _and_more(len(rows) - 1)
        mend = "correct the minute, or observation_end_min of the case"
        _refuse_first(found, [int(row) for row in rows], "minute", "after_end", what, mend)


def _repeats(readings: pd.DataFrame, found: Findings) -> None:
    keys = ["case_id", "minute", "tooth_role"]
    whole = readings[[*keys, "response"]].notna().all(axis=1)
    again = whole & readings.duplicated(keys, keep=False)
    if not again.any():
        return
    rows = readings[again]
    answers = rows.groupby(keys)["response"].transform("nunique")
    for row in rows.index[answers > 1]:
        minute = rows.loc[row, "minute"]
        what = f"at minute {minute:g} this tooth was both felt and not felt"
        found.refuse(int(row), "response", "contradiction", what, "keep the reading that is right")
    same = rows[(answers == 1) & rows.duplicated(keys)]
    for row in same.index:
        what = f"the reading at minute {same.loc[row, 'minute']:g} stands there twice"
        found.refuse(int(row), "minute", "contradiction", what, "keep one of them")


def _order(readings: pd.DataFrame, found: Findings) -> None:
    """A minute smaller than the one entered before it, in the same case and tooth, is worth a second look."""
    before = readings.groupby(["case_id", "tooth_role"])["minute"].shift()
    back = _rows(readings["minute"] < before)
    found.query(
        back, "minute", "order", "minute {value} was entered after a later one", "is it right? They are put in order"
    )


def _seconds(readings: pd.DataFrame, found: Findings, protocol: Protocol) -> None:
    """All minutes of a case multiples of ten beyond the schedule: seconds."""
    last = max(protocol.schedule.tests_min)
    minute = readings["minute"].astype(float)
    by_case = minute.groupby(readings["case_id"])
    smallest, largest = by_case.transform("min"), by_case.transform("max")
    tens = ((minute % 5) == 0).groupby(readings["case_id"]).transform("all")
    for row in _rows((smallest >= SECONDS_FROM) & (largest > 1.5 * last) & tens):
        what = f"minute {minute.iloc[row]:g}: all minutes of this case look like seconds"
        found.refuse(row, "minute", "seconds", what, f"enter minutes: {minute.iloc[row] / 60:g}")
