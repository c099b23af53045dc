"""Checks that look at more than one cell: codes, mixing, volumes, units of whole studies, readings against cases."""

from __future__ import annotations

import datetime as dt
import difflib
from collections import Counter

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray
from onsetstudy.doses.mixing import WEAK_PERCENT, precipitates, unusual
from onsetstudy.protocol.model import Protocol, StudyIdentity
from onsetstudy.protocol.vocabulary import CODES, PAIN_MOMENTS
from onsetstudy.records.checks.findings import Findings
from onsetstudy.records.checks.times_of_day import (
    DAY_MIN,
    WITHIN_MIN,
    read_fractions_of_a_day,
    read_times_of_day,
    refuse_ambiguous_times,
)
from onsetstudy.records.numb_field import INSIDE, UNCERTAIN, controls_in_field
from onsetstudy.records.schema import LIP_BLOCKS
from onsetstudy.records.teeth import TEETH

CARTRIDGES = 6
USUAL_CARTRIDGES = (1.7, 1.8, 2.2)
WHOLE_STUDY = 5
SECONDS_FROM = 30.0
HEAVY_KG = 140.0
MANDIBULAR = (*LIP_BLOCKS, "long_buccal")
MAXILLARY = ("palatal_infiltration", "psa", "infraorbital")
ADULTS = ("18-39", "40-59", "60-79", "80+")
MIXED = {"add": "added on top", "replace": "put in place of the same volume"}


def check_codes(cases: Findings, tests: Findings, study: StudyIdentity) -> None:
    """Refuse cases whose codes do not fit the protocol's pattern, or differ by nothing but capitals; ask about others.

    Where each patient has both arms, slips are opened for patients, and their codes are held to the pattern too.
    Codes of readings are written as the table of cases writes them, where they differ by capitals alone.
    """
    if study.case_codes:
        practices = cases.words("practice_id")
        for name in ("case_id", "patient_id") if study.paired else ("case_id",):
            for row, (code, practice) in enumerate(zip(cases.words(name), practices, strict=True)):
                if code and (fault := study.code_fault(code, practice)):
                    cases.refuse(row, name, "pattern", fault, "correct the code, or amend the protocol")
    codes = cases.words("case_id").tolist()
    # The same spelling twice is told elsewhere.
    folded = Counter(code.casefold() for code in set(codes))
    for row, code in enumerate(codes):
        if code and folded[code.casefold()] > 1:
            what = "this code stands in another row with other capitals, which do not count"
            cases.refuse(row, "case_id", "duplicate", what, "give every case its own code")
    for name in ("practice_id", "clinician_id", "patient_id"):
        written = pd.Series(cases.words(name))
        ways = written.groupby(written.map(str.casefold)).transform("nunique")
        what, mend = f"other rows have this {name} with other capitals, which counts as another", "write it in one way"
        cases.query(ways.to_numpy() > 1, name, "capitals", what, mend)
    if strange := set(tests.typed["case_id"].dropna()) - set(codes):
        by_folded = {code.casefold(): code for code in codes}
        spelled = {code: by_folded.get(code.casefold(), code) for code in strange}
        tests.typed["case_id"] = tests.typed["case_id"].map(lambda code: spelled.get(code, code))


def crosscheck_cases(found: Findings, protocol: Protocol, *, today: dt.date | None) -> None:
    """Contradictions inside a case, and values that look like another unit."""
    _dates(found, protocol, today)
    _mixing(found, protocol)
    _volumes(found)
    _sites(found, protocol)
    _scores(found, protocol)
    _clocks(found)
    _belongings(found)
    _second_injections(found, protocol)
    _supplements(found)
    _practices(found, protocol)
    allocation = found.words("allocation")
    what = f"{{value}} is not how the protocol says that arms come about ({protocol.study.allocation})"
    other = (allocation != "") & (allocation != protocol.study.allocation)
    found.query(other, "allocation", "other_allocation", what, "check the case, or the protocol")


def _dates(found: Findings, protocol: Protocol, today: dt.date | None) -> None:
    # In seconds, which reach to every year that can be written.
    day = pd.DatetimeIndex(found.typed["case_date"].to_numpy(dtype="datetime64[s]"))
    first, last = protocol.quarters[0], protocol.quarters[-1]
    future = day > pd.Timestamp(today) if today is not None else np.zeros(len(day), dtype=bool)
    what = "the date {day:%Y-%m-%d} lies in the future"
    found.refuse_where(future, "case_date", "future_date", what, "correct the date", day=day)
    outside = (day < pd.Timestamp(first.first_day)) | (day > pd.Timestamp(last.last_day))
    what = f"the date {{day:%Y-%m-%d}} lies outside the study's quarters {first.label} to {last.label}"
    mend = "correct the date, or add the quarter to the protocol"
    found.refuse_where(outside & ~future, "case_date", "outside_study", what, mend, day=day)


def _mixing(found: Findings, protocol: Protocol) -> None:
    """Arm against bicarbonate, ratio, precipitates, strength, and the way of mixing that was planned."""
    arm, volume, mode = found.words("arm"), found.numbers("bicarbonate_ml"), found.words("mix_mode")
    declared = [a.code for a in protocol.arms]
    mend = f"write one of {', '.join(sorted(declared))}"
    other = np.isin(arm, CODES["arm"]) & ~np.isin(arm, declared)
    found.refuse_where(other, "arm", "code", "{arm} is not an arm of this study", mend, arm=arm)
    buffered, plain = arm == "buffered", arm == "plain"
    for name, missing, what in (
        ("bicarbonate_ml", np.isnan(volume) | (volume == 0), "a buffered case without bicarbonate"),
        ("mix_mode", np.isin(mode, ("", "none")), "a buffered case that was not mixed"),
    ):
        mend = "enter how it was mixed, or correct the arm"
        found.refuse_where(buffered & missing & ~found.unread(name), name, "mixing", what, mend)
    what, mend = "a not buffered case with {volume:g} mL of bicarbonate", "correct the arm, or take the volume out"
    found.refuse_where(plain & (volume > 0), "bicarbonate_ml", "mixing", what, mend, volume=volume)
    what, mend = "a not buffered case mixed by {mode}", "correct the arm, or write none"
    found.refuse_where(plain & np.isin(mode, [*MIXED]), "mix_mode", "mixing", what, mend, mode=mode)
    cartridge = found.numbers("cartridge_ml")
    ratio = volume / np.where(cartridge > 0, cartridge, np.nan)
    odd = buffered & (volume > 0) & unusual(ratio)
    what = "{value} mL of bicarbonate is outside 1:20 to 1:8 of the cartridge"
    found.query(odd, "bicarbonate_ml", "ratio", what, "is it right?")
    _other_ways(buffered, mode, found, protocol)
    # The case stays: whoever was injected with it belongs in the counts of harm.
    clouded = buffered & precipitates(found.words("agent"), ratio)
    what = "{value} mL of bicarbonate: bupivacaine precipitates at one part in ten or more"
    mend = "check agent and volume; the case stays in the counts of harm"
    found.query(clouded, "bicarbonate_ml", "precipitates", what, mend)
    strength = found.numbers("bicarbonate_percent")
    weak = buffered & (strength > 0) & (strength < WEAK_PERCENT)
    what = "bicarbonate of {value} %, below 4 %: perhaps not buffered"
    mend = "check the strength on the label; the case stays"
    found.query(weak, "bicarbonate_percent", "weak_bicarbonate", what, mend)


def _other_ways(buffered: BoolArray, mode: NDArray[np.object_], found: Findings, protocol: Protocol) -> None:
    """Cases mixed otherwise than the protocol says; where it does not, in another way than most."""
    planned = next((a.mix_mode for a in protocol.arms if a.code == "buffered"), "")
    many = Counter(way for way in mode[buffered] if way in MIXED)
    if planned in MIXED:
        code, usual, where = "mixed_otherwise", planned, "the protocol says"
        mend = "is it right? If so, the case stays, and doses are worked out as recorded"
    elif len(many) == 2:
        code, usual, where = "two_ways", "add" if many["add"] >= many["replace"] else "replace", "in most cases it was"
        mend = "is it right? The protocol says how the mixture is prepared; doses are worked out as recorded"
    else:
        return
    (other,) = MIXED.keys() - {usual}
    what = f"bicarbonate {MIXED[other]}, where {where} {MIXED[usual]}"
    found.query(buffered & (mode == other), "mix_mode", code, what, mend)


def _volumes(found: Findings) -> None:
    volume, cartridge = found.numbers("volume_ml"), found.numbers("cartridge_ml")
    extra = np.where(found.words("mix_mode") == "add", np.nan_to_num(found.numbers("bicarbonate_ml")), 0.0)
    # The case stays: refused, an overdose would be held against no limit.
    too_much = (volume > CARTRIDGES * (cartridge + extra) + 1e-9) & (volume <= 20)
    what = f"{{volume:g}} mL is more than {CARTRIDGES} cartridges of {{cartridge:g}} mL hold"
    mend = "is it right, and in mL? The case stays, and its dose is held against the limits"
    found.query(too_much, "volume_ml", "volume", what, mend, volume=volume, cartridge=cartridge)
    odd = ~np.isnan(cartridge) & ~np.isin(cartridge.round(3), USUAL_CARTRIDGES)
    mend = "usual are 1.7, 1.8 and 2.2 mL"
    found.query(odd, "cartridge_ml", "cartridge", "a cartridge of {value} mL is unusual", mend)
    pounds = found.numbers("weight_kg") > HEAVY_KG
    found.query(pounds, "weight_kg", "pounds", "{value} kg: is it in pounds?", "enter kilograms")


def _sites(found: Findings, protocol: Protocol) -> None:
    teeth, technique, age = TEETH[protocol.schedule.tooth_notation], found.words("technique"), found.words("age_band")
    known = [teeth.get(code) for code in found.words("tooth")]
    arch = np.array([tooth.arch if tooth else "" for tooth in known], dtype=object)
    below, above = np.isin(technique, MANDIBULAR), np.isin(technique, MAXILLARY)
    wrong = (below & (arch == "maxillary")) | (above & (arch == "mandibular"))
    what = "{value} does not belong to the arch of this tooth"
    found.query(wrong, "technique", "site", what, "check tooth and technique")
    primary = np.array([tooth is not None and tooth.dentition == "primary" for tooth in known], dtype=bool)
    adult = primary & np.isin(age, ADULTS)
    found.query(adult, "tooth", "age", "a primary tooth ({value}) in an adult", "check tooth and notation")
    _controls(found, protocol)
    young = (age == "4-11") & (found.words("agent") == "bupivacaine")
    found.query(young, "agent", "age", "{value} under 12 years", "check the label in force")


def _controls(found: Findings, protocol: Protocol) -> None:
    """A control tooth that the injection itself makes numb says nothing of the cold."""
    where = controls_in_field(found.typed, notation=protocol.schedule.tooth_notation)
    mend = "test a tooth outside the field, such as the canine of the other side or arch"
    told = {
        INSIDE: "the control tooth {value} lies in the field of the injection: it goes numb with the target",
        UNCERTAIN: "the control tooth {value} may lie in the field of the injection",
    }
    for answer, what in told.items():
        found.query(where == answer, "control_tooth", f"control_{answer}", what, mend)


def _scores(found: Findings, protocol: Protocol) -> None:
    """A whole study of scores on a 100-mm line that never go beyond 10 was probably measured in centimetres."""
    if protocol.pain is None or protocol.pain.instrument.high < 100:
        return
    names = [f"pain_{moment}" for moment in PAIN_MOMENTS]
    scores = found.typed[names].to_numpy(dtype=float)
    given = np.isfinite(scores)
    if given.sum() < WHOLE_STUDY or np.nanmax(scores) > 10 or np.nanmax(scores) == 0:
        return
    unit = protocol.pain.instrument.unit
    top = f"{protocol.pain.instrument.high:g} {unit}"
    what = f"no score of the whole table is above 10 on a scale to {top}: centimetres?"
    for row in np.flatnonzero(given.any(axis=1)).tolist():
        found.refuse(row, names[int(given[row].argmax())], "scale", what, f"enter {unit}")


def _count_past_midnight(found: Findings) -> None:
    """Times after midnight of a case that began before it: 00:10 becomes 24:10, so that differences hold."""
    last = np.full(len(found.refused), np.nan)
    for name in ("seated_time", "injection_start", "injection_end", "treatment_end_time", "dismissed_time"):
        time = found.numbers(name)
        time = np.where((time < last) & ((time - last) % DAY_MIN <= WITHIN_MIN), time + DAY_MIN, time)
        found.typed[name] = time
        last = np.where(np.isnan(time), last, time)


def _clocks(found: Findings) -> None:
    _count_past_midnight(found)
    start, end = found.numbers("injection_start"), found.numbers("injection_end")
    what, mend = "the injection ends before it starts", "correct the times of day"
    found.refuse_where(end < start, "injection_end", "times", what, mend)
    found.query(end - start > 15, "injection_end", "slow", "an injection of more than 15 minutes", "is it right?")
    # Each is held against the last one that is known before it.
    last, whose = np.full(start.size, np.nan), np.full(start.size, "", dtype=object)
    for name in ("seated_time", "injection_start", "treatment_end_time", "dismissed_time"):
        time = found.numbers(name)
        found.refuse_where(time < last, name, "times", f"{name} lies before {{earlier}}", mend, earlier=whose)
        last, whose = np.where(np.isnan(time), last, time), np.where(np.isnan(time), whose, name)


def _supplements(found: Findings) -> None:
    """What is told of a supplement that was not given, or is not told of one that was."""
    given, volume = ~np.isnan(found.numbers("rescue_min")), found.numbers("rescue_volume_ml")
    agent, technique, unread = found.words("rescue_agent"), found.words("rescue_technique"), found.unread("rescue_min")
    untold = ~np.isin(technique, ("", "none")) & ~given & ~unread
    what = "a supplemental injection without its minute"
    found.refuse_where(untold, "rescue_min", "missing", what, "enter the minute it was given")
    what = "{value} says that no supplement was given, and rescue_min says when it was"
    mend = "leave rescue_min empty, or write the technique"
    found.refuse_where((technique == "none") & given & ~unread, "rescue_technique", "supplement", what, mend)
    mend = "enter rescue_min, the minute it was given, or take this out"
    what = "{value} of a supplement that has no minute; it counts as given"
    found.query(~given & ~np.isnan(volume), "rescue_volume_ml", "supplement", what, mend)
    found.query(~given & (agent != ""), "rescue_agent", "supplement", what, mend)
    other = (agent != "") & (agent != found.words("agent"))
    no_dose = other & ~np.isnan(volume) & np.isnan(found.numbers("rescue_percent"))
    what = "another agent than the planned one, without its strength: its dose is not counted"
    found.query(no_dose, "rescue_percent", "supplement", what, "enter the concentration in %")


def _practices(found: Findings, protocol: Protocol) -> None:
    """A practice that is not in the study may be one that is, written otherwise."""
    declared, practice = protocol.study.practices, found.words("practice_id")
    for code in sorted(set(practice) - {*declared, ""}) if declared else ():
        near = difflib.get_close_matches(code.casefold(), [d.casefold() for d in declared], n=2, cutoff=0.6)
        meant = [d for d in declared if d.casefold() in near]
        named = ", ".join(declared[:10]) + (", …" if len(declared) > 10 else "")
        mend = f"did you mean {meant[0]}?" if len(meant) == 1 else f"its practices are {named}"
        found.query(practice == code, "practice_id", "other_practice", "{value} is not a practice of the study", mend)


def _belongings(found: Findings) -> None:
    """Entries that belong to another entry which is not there, or is there where it should not be."""
    unnamed = (found.words("adverse_serious") == "yes") & np.isin(found.words("adverse_event"), ("", "none"))
    what = "a serious event, but adverse_event names none"
    mend = "enter what happened; it is counted as an event until then"
    found.query(unnamed, "adverse_serious", "event", what, mend)
    for solution, strength in (
        ("vasoconstrictor", "vasoconstrictor_dilution"),
        ("rescue_vasoconstrictor", "rescue_dilution"),
    ):
        diluted = (found.words(solution) == "none") & ~np.isnan(found.numbers(strength))
        what = f"a dilution of 1:{{value}}, but {solution} is none"
        found.query(diluted, strength, "vasoconstrictor", what, "correct one")
    mixed = (found.words("arm") == "plain") & (found.numbers("mixing_min") > 0)
    what, mend = "{value} min of mixing, but not buffered", "is it right? Leave it empty where nothing was mixed"
    found.query(mixed, "mixing_min", "mixing_time", what, mend)
    unused = (found.words("topical") == "none") & (found.numbers("topical_min") > 0)
    what = "{value} min of topical anaesthetic, but topical is none"
    found.query(unused, "topical_min", "topical", what, "correct one")
    told = (found.words("patient_id") != "") & (found.words("period") != "")
    twice = told & found.typed.duplicated(["practice_id", "patient_id", "period"], keep=False).to_numpy()
    what, mend = "two cases of this patient have period {value}", "number the injections of a patient in order"
    found.query(twice, "period", "period", what, mend)
    missing = [np.isnan(found.numbers(f"pain_{moment}")) for moment in PAIN_MOMENTS]
    excused = (found.words("score_missing_reason") != "") & ~np.any(missing, axis=0)
    what = "a reason ({value}) for a missing pain score, but none is missing"
    found.query(excused, "score_missing_reason", "missing_reason", what, "take out the reason, or the score")


def _second_injections(found: Findings, protocol: Protocol) -> None:
    """Injections of a patient who is to have both arms: in the order of their periods, as far apart as was planned."""
    if not protocol.study.paired:
        return
    whose, day = ["practice_id", "patient_id"], found.typed["case_date"].astype("datetime64[s]")
    told = found.typed[[*whose, "period"]].assign(day=day).dropna().sort_values([*whose, "period"], kind="stable")
    days = told.groupby(whose)["day"].diff().dt.days.reindex(day.index).to_numpy(dtype=np.float64)
    what, mend = "period {period} of this patient is dated before the earlier one", "correct the date, or the period"
    found.query(days < 0, "case_date", "period_order", what, mend, period=found.words("period"))
    planned = protocol.allocation.washout_days if protocol.allocation is not None else 0
    what = f"{{days:g}} {{unit}} after the patient's earlier injection; the plan asks for {planned}"
    mend = "correct the date; if it is right, the case stays"
    soon, unit = (days >= 0) & (days < planned), np.where(days == 1, "day", "days")
    found.query(soon, "case_date", "washout", what, mend, days=days, unit=unit)


def crosscheck_readings(cases: Findings, tests: Findings, clock_min: FloatArray | None, protocol: Protocol) -> IntArray:
    """Readings against their cases and each other; times of day become minutes after clock zero.

    Row of each reading's case comes back, the first that has its code; -1 where there is none.
    """
    readings, first = tests.typed, cases.typed["case_id"].dropna().drop_duplicates()
    belongs: IntArray = np.append(first.index.to_numpy(), -1)[
        pd.Index(first).get_indexer(pd.Index(readings["case_id"]))
    ]
    orphans = readings["case_id"][belongs < 0].dropna()
    for code, rows in orphans.groupby(orphans, sort=False).groups.items() if len(orphans) else ():
        mend = "enter the case in the table cases, or correct the code"
        tests.refuse_first(rows, "case_id", "no_case", f"there is no case {code}", mend)
    codes = cases.typed["case_id"]
    untested = (codes.notna() & ~codes.isin(readings["case_id"])).to_numpy()
    mend = "enter its cold tests; if there were none, let the row stand: it is counted as refused"
    cases.refuse_where(untested, "case_id", "no_readings", "this case has no cold test", mend)
    of_case = (protocol.schedule.clock_zero, "observation_end_min")
    zero, end = (np.append(cases.numbers(name), np.nan)[belongs] for name in of_case)
    if clock_min is not None:
        read_times_of_day(tests, clock_min, zero, protocol)
    read_fractions_of_a_day(cases, tests, zero, protocol)
    in_doubt = refuse_ambiguous_times(cases, tests, zero, protocol)
    _ends(tests, end)
    _repeats(tests, ~in_doubt)
    before = readings.groupby(["case_id", "tooth_role"])["minute"].shift()
    what, mend = "minute {value} was entered after a later one", "is it right? They are put in order"
    tests.query(tests.numbers("minute") < before.to_numpy(), "minute", "order", what, mend)
    _seconds(tests, protocol)
    return belongs


def _ends(tests: Findings, end: FloatArray) -> None:
    late = tests.typed[tests.numbers("minute") > end + 1e-9]
    mend = "correct the minute, or observation_end_min of the case"
    for rows in late.groupby("case_id", sort=False).groups.values() if len(late) else ():
        minute, last = late.loc[rows[0], "minute"], end[rows[0]]
        what = f"minute {minute:g} lies after the end of observation at {last:g} min"
        tests.refuse_first(rows, "minute", "after_end", what, mend)


def _repeats(tests: Findings, sure: BoolArray) -> None:
    keys = ["case_id", "minute", "tooth_role"]
    rows = tests.typed[sure].dropna(subset=[*keys, "response"])
    rows = rows[rows.duplicated(keys, keep=False)]
    if rows.empty:
        return
    answers = rows.groupby(keys)["response"].transform("nunique").reindex(tests.typed.index).to_numpy()
    minute = tests.numbers("minute")
    what, mend = "at minute {minute:g} this tooth was both felt and not felt", "keep the reading that is right"
    tests.refuse_where(answers > 1, "response", "contradiction", what, mend, minute=minute)
    again = rows.duplicated(keys).reindex(tests.typed.index, fill_value=False).to_numpy()
    what = "the reading at minute {minute:g} stands there twice"
    tests.refuse_where((answers == 1) & again, "minute", "contradiction", what, "keep one of them", minute=minute)


def _seconds(tests: Findings, protocol: Protocol) -> None:
    """All minutes of a case multiples of ten beyond the schedule: seconds."""
    minute, last = tests.typed["minute"], max(protocol.schedule.tests_min)
    if not ((minute >= SECONDS_FROM) & (minute > 1.5 * last)).any():
        return
    by_case = minute.groupby(tests.typed["case_id"])
    smallest, largest = by_case.transform("min"), by_case.transform("max")
    tens = ((minute % 5) == 0).groupby(tests.typed["case_id"]).transform("all")
    suspect = (smallest >= SECONDS_FROM) & (largest > 1.5 * last) & tens
    for row in np.flatnonzero(suspect.to_numpy(dtype=bool)).tolist():
        what = f"minute {minute.iloc[row]:g}: all minutes of this case look like seconds"
        tests.refuse(row, "minute", "seconds", what, f"enter minutes: {minute.iloc[row] / 60:g}")
