"""Cold tests whose minute was written as a time of day, or became one in a spreadsheet."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray, FloatArray
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.findings import Findings

MAY_BE_EITHER = re.compile(r"\s*\d{1,2}:[0-5]\d\s*\Z")
CASE_MINUTES = ("rescue_min", "treatment_start_min", "observation_end_min")
WITHIN_MIN = 180.0
HOUR_MIN = 60.0
HALF_DAY_MIN = 720.0
DAY_MIN = 1440.0
CLOSEST_MIN = 0.25
"""Nobody tests a tooth again within fifteen seconds (own choice): cold has to come and to go."""
NIGHT_UNTIL_MIN = 360.0
"""Before six nobody tests teeth (own choice): 04:30:00 is what a spreadsheet makes of 4:30."""
FRACTION = re.compile(r"\s*0?[.,]\d{4,}\s*\Z")
"""A fraction of a day to nine seconds or less (own choice): 0.3826 is 09:10:57."""


def read_times_of_day(tests: Findings, clock_min: FloatArray, zero: FloatArray, protocol: Protocol) -> None:
    """Write minutes after clock zero into ``minute`` where a time of day says them; refuse the others.

    Parameters
    ----------
    tests : Findings
        Of the cold tests.
    clock_min : ndarray, shape (n,)
        Times of day in minutes after midnight; missing where the minute was written otherwise.
    zero : ndarray, shape (n,)
        Clock zero of each reading's case; missing where it is not known.
    protocol : Protocol
    """
    zero_name, after, known = protocol.schedule.clock_zero, clock_min - zero % DAY_MIN, ~np.isnan(clock_min)
    usable = known & (after % DAY_MIN <= WITHIN_MIN)
    meant = None if (usable & (after >= 0)).any() else _durations(tests.typed, clock_min, after, protocol)
    if meant is not None:
        minute, text = meant
        read = known & ~usable
        tests.typed.loc[read, "minute"] = minute[read]
        if count := int(read.sum()):
            tests.repairs["minute", "minutes_as_time", text] += count
        what = f'"{{value}}" may be the time of day, soon after the {zero_name} of its case, or minutes and seconds'
        mend = "write minutes as 4.5; a time of day is read where one before midnight shows that times are written so"
        tests.refuse_where(known & usable, "minute", "clock_or_minutes", what, mend)
        return
    if count := int(usable.sum()):
        tests.typed.loc[usable, "minute"] = after[usable] % DAY_MIN
        tests.repairs["minute", "time_of_day", f"times of day were read as minutes after {zero_name}"] += count
    unusable, without_zero = known & ~usable & (tests.first != "no_case"), np.isnan(zero)
    what = '"{value}" is a time of day and cannot be used: '
    mend = (
        "write minutes as 4.5; where 4:30 was typed as minutes and seconds, the spreadsheet made a time of it: "
        "format the column as text and type it again"
    )
    by_the_clock = f"give the {zero_name} of its case by the clock, or "
    for rows, why, first in (
        (without_zero, f"its case has no {zero_name} to count from", by_the_clock),
        (~without_zero, "it is not within three hours after the injection", ""),
    ):
        tests.refuse_where(unusable & rows, "minute", "clock_without_zero", what + why, first + mend)


def read_fractions_of_a_day(cases: Findings, tests: Findings, zero: FloatArray, protocol: Protocol) -> None:
    """Write minutes after clock zero where a spreadsheet's numbers for times of day, such as 0.3826, stand for them.

    All minutes of a case lie under 1 then. Several tests of a tooth within three hours are within eight seconds as
    minutes: they are read against the clock zero, or refused where there is none, they do not fit it or are rounded
    (numbers that would be of the night are asked about; what a clock timed is minutes).
    Of a single test both may be meant: it is refused where it fits the clock, or other cases show such numbers. Several
    tests in the first minute, more than are planned there, are asked about. Minutes of the case itself, beside such
    tests, are refused where they are under 1 too.

    Parameters
    ----------
    cases, tests : Findings
        Of both tables.
    zero : ndarray, shape (n,)
        Clock zero of each reading's case; missing where it is not known.
    protocol : Protocol
    """
    minute, zero_name = tests.numbers("minute"), protocol.schedule.clock_zero
    table = pd.DataFrame({"minute": minute, "case": tests.typed["case_id"], "tooth": tests.typed["tooth_role"]})
    table["under"] = (minute >= 0) & (minute < 1)
    table["after"] = ((minute * DAY_MIN * 60).round() / 60 - zero) % DAY_MIN
    table["exact"] = tests.spelled("minute", FRACTION.match)
    table = table[table["case"].notna() & (tests.first != "no_case")]
    table = table[table["under"].groupby(table["case"]).transform("all")]
    if table.empty or tests.raw.timed:
        return
    told = _as_fractions(table, sum(planned < 1 for planned in protocol.schedule.tests_min))
    rows = {name: table.index[table["case"].map(told[name])] for name in ("read", "packed", "doubtful", "early")}
    if len(rows["read"]):
        tests.typed.loc[rows["read"], "minute"] = table.loc[rows["read"], "after"]
        text = f"a spreadsheet's numbers for times of day were read as minutes after {zero_name}"
        tests.repairs["minute", "excel_time", text] += len(rows["read"])
    number = "may be a spreadsheet's number for a time of day"
    by_the_clock = f"give the {zero_name} of its case and the times by the clock, as 14:08:30"
    for name, why, mend in (
        ("packed", f"and cannot be set against the {zero_name} of its case", f"{by_the_clock}, or minutes, as 4.5"),
        ("doubtful", "or a part of the first minute", f"{by_the_clock}, or minutes and seconds, as 0:30"),
    ):
        refused = np.isin(np.arange(len(minute)), rows[name].difference(rows["read"]))
        tests.refuse_where(refused, "minute", "clock_or_minutes", f'"{{value}}" {number} {why}', mend)
    first = table.loc[rows["early"]].drop_duplicates("case").index
    what = "all tests of this case lie in the first minute: are they times of day that a spreadsheet wrote as numbers?"
    tests.query(np.isin(np.arange(len(minute)), first), "minute", "unusual", what, f"if so, {by_the_clock}")
    so_written = cases.typed["case_id"].isin(told.index[told["read"] | told["packed"]]).to_numpy()
    for column in CASE_MINUTES:
        beside = so_written & (cases.numbers(column) < 1)
        cases.refuse_where(beside, column, "clock_or_minutes", f'"{{value}}" {number}', "write minutes, as 4.5")


def _as_fractions(table: pd.DataFrame, planned: int) -> pd.DataFrame:
    """Of each case of such minutes what becomes of its tests; so many are planned in the first minute."""
    by_case = table.groupby("case")
    of_a_tooth = table.groupby(["case", "tooth"])["minute"].nunique().groupby("case").max()
    told = pd.DataFrame({"several": of_a_tooth > 1, "exact": by_case["exact"].any()})
    told["fits"] = by_case["after"].max() <= WITHIN_MIN
    told["packed"] = told["several"] & (by_case["minute"].max() - by_case["minute"].min() <= WITHIN_MIN / DAY_MIN)
    told["packed"] &= by_case["minute"].max() >= NIGHT_UNTIL_MIN / DAY_MIN
    told["read"] = told["several"] & told["fits"] & told["exact"]
    shown = bool((told["packed"] | told["read"]).any())
    told["doubtful"] = ~told["several"] & (shown | (told["fits"] & told["exact"]))
    many = of_a_tooth > max(1, planned)
    told["early"] = many & ~told["packed"] & ~told["read"]
    return told


def refuse_ambiguous_times(cases: Findings, tests: Findings, zero: FloatArray, protocol: Protocol) -> BoolArray:
    """Refuse minutes such as 9:11 that may be of the clock; returns which tests were refused, for later checks.

    Two readings are weighed for all tests of a case that are written so (their limits are own choices, below).

    - *By the clock* they are likely where all lie within half as long again as the last planned test after the clock
      zero (without one: of each other), and possible within three hours, both round the dial of twelve hours.
    - *As minutes and seconds* they are likely where no two of a tooth are less than a quarter of a minute apart (09:02
      and 09:04 would be) and the first is not later than the first two planned tests would be.

    Only what is unlikely by the clock and, where it is possible, likely as minutes and seconds is read so. In a case
    without a clock zero a single time says nothing by itself: it is read so only where another case of the table shows
    it, and no case the contrary. The minute of a supplement is weighed with the tests of its case, and by itself.

    Parameters
    ----------
    cases, tests : Findings
        Of both tables.
    zero : ndarray, shape (n,)
        Clock zero of each reading's case; missing where it is not known.
    protocol : Protocol
    """
    zero_name, planned = protocol.schedule.clock_zero, np.array(protocol.schedule.tests_min, dtype=np.float64)
    of_tests = _either(tests, "minute", tests.words("tooth_role"), zero)
    refused = np.zeros(len(tests.refused), dtype=bool)
    if len(of_tests):
        of_tests = of_tests.join(_weighed(of_tests, planned), on="case")
        refused[_refuse_doubtful(tests, "minute", of_tests, zero_name)] = True
    for column in CASE_MINUTES:
        told = _either(cases, column, column, cases.numbers(zero_name))
        if len(told):
            both = pd.concat([of_tests, told], ignore_index=True)
            told = told.join(_weighed(both, planned), on="case")
            told.loc[_after(told) <= 1.5 * planned.max(), ["clock_likely", "doubtful"]] = True
            _refuse_doubtful(cases, column, told, zero_name)
    return refused


def _either(found: Findings, column: str, tooth: object, zero: FloatArray) -> pd.DataFrame:
    """Cells of a column that may be of the clock or minutes and seconds, by their rows, read both ways."""
    code = found.typed["case_id"]
    whose = code.notna().to_numpy() & (found.first != "no_case")
    rows = np.flatnonzero(found.spelled(column, MAY_BE_EITHER.match) & whose)
    parts = [str(found.cell(row, column)).strip().split(":") for row in rows.tolist()]
    large, small = np.array(parts, dtype=np.float64).reshape(-1, 2).T
    told = {"case": code, "tooth": tooth, "zero": zero}
    clock = (large * HOUR_MIN + small) % HALF_DAY_MIN
    return pd.DataFrame(told).iloc[rows].assign(clock=clock, minute=large + small / HOUR_MIN)


def _after(table: pd.DataFrame) -> pd.Series:
    """Minutes from clock zero to each time, round the dial of twelve hours."""
    return (table["clock"] - table["zero"]) % HALF_DAY_MIN


def _refuse_doubtful(found: Findings, column: str, table: pd.DataFrame, zero_name: str) -> list[int]:
    """Refuse the doubtful cells of a column; their rows come back."""
    doubtful = table[table["doubtful"]]
    for row, zero, likely in zip(doubtful.index, doubtful["zero"], doubtful["clock_likely"], strict=True):
        text = found.cell(row, column)
        seconds = f"the time with its seconds, as {text}:00, or " if column == "minute" else ""
        if np.isnan(zero):
            tells = f" (its case has no {zero_name} to tell by)"
            mend = f"write the {zero_name} of its case by the clock, or minutes after it, as 4.5"
        elif likely:
            tells = f", soon after the {zero_name} of its case,"
            mend = f"write {seconds}minutes after {zero_name}, as 4.5"
        else:
            tells = f" (not soon after the {zero_name} of its case)"
            mend = f"check both times; write {seconds}minutes, as 4.5"
        what = f'"{text}" may be {text} by the clock{tells} or minutes and seconds'
        found.refuse(row, column, "clock_or_minutes", what, mend)
    return doubtful.index.tolist()


def _weighed(table: pd.DataFrame, planned: FloatArray) -> pd.DataFrame:
    """Of each case, whether its times are ``clock_likely``, and ``doubtful``: not to be read as minutes and seconds."""
    longest = 1.5 * planned.max()
    by_case = table.groupby("case")
    dated = by_case["zero"].first().notna()
    reach = _after(table).groupby(table["case"]).max().where(dated, _span(table))
    single = by_case["clock"].nunique() == 1
    in_order = table.drop_duplicates(["case", "tooth", "minute"]).sort_values(["case", "tooth", "minute"])
    gap = in_order.groupby(["case", "tooth"])["minute"].diff()
    crowded = (gap < CLOSEST_MIN).groupby(in_order["case"]).any()
    begins = by_case["minute"].min() <= 1.5 * planned[:2].max()
    clock_likely = reach <= longest
    seconds_likely = begins & ~crowded
    shows_seconds = bool((~clock_likely & seconds_likely & (dated | ~single)).any())
    shows_clock = bool(((clock_likely | (reach <= WITHIN_MIN)) & crowded).any())
    told = single & ~dated & begins & shows_seconds & (not shows_clock)
    doubtful = clock_likely | crowded | ((reach <= WITHIN_MIN) & ~seconds_likely)
    return pd.DataFrame({"clock_likely": clock_likely, "doubtful": doubtful.where(~(single & ~dated), ~told)})


def _span(table: pd.DataFrame) -> pd.Series:
    """Shortest arc of the dial of twelve hours that holds all times of a case, in minutes."""
    dial = table.sort_values(["case", "clock"]).groupby("case")["clock"]
    round_the_top = HALF_DAY_MIN - (dial.max() - dial.min())
    widest = dial.diff().groupby(table["case"]).max().fillna(0.0)
    return HALF_DAY_MIN - widest.where(widest > round_the_top, round_the_top)


def _durations(
    readings: pd.DataFrame, clock_min: FloatArray, after: FloatArray, protocol: Protocol
) -> tuple[FloatArray, str] | None:
    """Minutes, and what was done, if all times of day of a table can only be durations; ``None`` if they may be times.

    Minutes and seconds that a spreadsheet took for a time (4:30 becomes 04:30:00), or a duration with its hours
    (00:04:30). None of them fits its injection by the clock of 24 hours, and not those of every case by that of 12; at
    least one lies in the night; and, read in one of these ways alone, no two tests of a tooth fall on one planned test.
    """
    planned = np.array(protocol.schedule.tests_min, dtype=np.float64)
    longest = 1.5 * planned.max()
    known = ~np.isnan(clock_min)
    clock, around = clock_min[known], after[known] + HALF_DAY_MIN
    fits = (around >= 0) & (around <= longest)
    twelve_hours = bool(fits[readings["case_id"].notna().to_numpy()[known]].all())
    if (clock >= NIGHT_UNTIL_MIN).all() or twelve_hours:
        return None
    # With its hours a duration is under one hour; minutes and seconds that became hours have no seconds of their own.
    ways = (("00:04:30", clock_min, (clock < HOUR_MIN).all()), ("04:30:00", clock_min / 60, (clock % 1 == 0).all()))
    found = [
        (minute, f"a spreadsheet's time such as {shown} was read as 4 minutes and 30 seconds")
        for shown, minute, possible in ways
        if possible and _on_plan(readings, clock_min, minute, planned, longest)
    ]
    return found[0] if len(found) == 1 else None


def _on_plan(
    readings: pd.DataFrame, clock_min: FloatArray, minute: FloatArray, planned: FloatArray, longest: float
) -> bool:
    """Whether no two tests of a tooth would fall on one planned test, and none too late."""
    whole = np.where(np.isnan(clock_min), readings["minute"], minute)
    concerned = readings["case_id"].isin(readings.loc[~np.isnan(clock_min), "case_id"]) & ~np.isnan(whole)
    whole = whole[concerned]
    nearest = np.abs(whole[:, None] - planned[None, :]).argmin(axis=1)
    tests = readings.loc[concerned, ["case_id", "tooth_role"]].assign(test=nearest)
    return not (tests.duplicated().any() or (whole > longest).any())
