"""Cold tests whose minute was written as a time of day, or became one in a spreadsheet."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.findings import Findings

__all__ = ["read_times_of_day", "refuse_ambiguous_times"]

WITHIN_MIN = 180.0
HOUR_MIN = 60.0
HALF_DAY_MIN = 720.0
CLOSEST_MIN = 0.25
"""Nobody tests a tooth again within fifteen seconds (own choice): cold has to come and to go."""
NIGHT_UNTIL_MIN = 360.0
"""Before six nobody tests teeth (own choice): 04:30:00 is what a spreadsheet makes of 4:30."""


def read_times_of_day(
    cases: pd.DataFrame,
    readings: pd.DataFrame,
    clock_min: pd.Series,
    belongs: pd.Series,
    found: Findings,
    protocol: Protocol,
) -> None:
    """Write minutes after clock zero into ``readings`` where a time of day says them; refuse the others.

    Parameters
    ----------
    cases, readings : DataFrame
        Typed; ``minute`` of the readings is filled in.
    clock_min : Series
        Times of day in minutes after midnight; missing where the minute was written otherwise.
    belongs : Series
        Row of each reading's case; missing where there is none.
    found : Findings
        Of the readings.
    protocol : Protocol
    """
    zero = belongs.map(cases[protocol.schedule.clock_zero].astype(float))
    after = clock_min - zero
    usable = clock_min.notna() & after.between(0, WITHIN_MIN)
    readings.loc[usable, "minute"] = after[usable]
    if count := int(usable.sum()):
        text = f"times of day were read as minutes after {protocol.schedule.clock_zero}"
        found.repairs["minute", "time_of_day", text] += count
    elif (meant := _durations(readings, clock_min, after, protocol)) is not None:
        minute, text = meant
        known = clock_min.notna()
        readings.loc[known, "minute"] = minute[known]
        found.repairs["minute", "minutes_as_time", text] += int(known.sum())
        return
    for row in np.flatnonzero((clock_min.notna() & ~usable).to_numpy()).tolist():
        without_zero = bool(zero.isna().iloc[row])
        reason = (
            f"its case has no {protocol.schedule.clock_zero} to count from"
            if without_zero
            else "it is not within three hours after the injection"
        )
        what = f'"{found.cell(row, "minute")}" is a time of day and cannot be used: {reason}'
        mend = f"give the {protocol.schedule.clock_zero} of its case by the clock, or " if without_zero else ""
        mend += (
            "write minutes as 4.5; where 4:30 was typed as minutes and seconds, the spreadsheet made a time of it: "
            "format the column as text and type it again"
        )
        found.refuse(row, "minute", "clock_without_zero", what, mend)


def refuse_ambiguous_times(
    cases: pd.DataFrame, readings: pd.DataFrame, belongs: pd.Series, found: Findings, protocol: Protocol
) -> pd.Series:
    """Refuse minutes such as 9:11 that may be of the clock; returns which rows were refused, for later checks.

    Two readings are weighed for all tests of a case that are written so (their limits are own choices, below).

    - *By the clock* they are likely where all lie within half as long again as the last planned test after the clock
      zero (without one: of each other), and possible within three hours, both round the dial of twelve hours.
    - *As minutes and seconds* they are likely where no two of a tooth are less than a quarter of a minute apart (09:02
      and 09:04 would be) and the first is not later than the first two planned tests would be.

    Only what is unlikely by the clock and, where it is possible, likely as minutes and seconds is read so. In a case
    without a clock zero a single time says nothing by itself: it is read so only where another case of the table shows
    it, and no case the contrary.

    Returns
    -------
    Series of bool, shape (n,)
    """
    refused = pd.Series(False, index=readings.index)
    if "minute" not in found.raw.frame:
        return refused
    written = found.raw.frame["minute"].astype("string").str.strip().str.extract(r"^(\d{1,2}):([0-5]\d)$")
    large, small = (written[i].astype("Float64").to_numpy(dtype=float, na_value=np.nan) for i in (0, 1))
    rows = np.flatnonzero(~np.isnan(large) & readings["case_id"].notna().to_numpy())
    if not rows.size:
        return refused
    zero_name = protocol.schedule.clock_zero
    table = pd.DataFrame(
        {
            "case": readings["case_id"].to_numpy()[rows],
            "tooth": readings["tooth_role"].astype("string").fillna("").to_numpy()[rows],
            "clock": (large * HOUR_MIN + small)[rows] % HALF_DAY_MIN,
            "minute": (large + small / HOUR_MIN)[rows],
            "zero": belongs.map(cases[zero_name].astype(float)).to_numpy(dtype=float)[rows],
        }
    )
    verdict = _weighed(table, np.array(protocol.schedule.tests_min, dtype=np.float64))
    doubtful = table["case"].map(verdict["doubtful"]).to_numpy(dtype=bool)
    likely = table["case"].map(verdict["clock_likely"]).to_numpy(dtype=bool)
    for row, dated in zip(rows[doubtful].tolist(), (likely & table["zero"].notna())[doubtful].tolist(), strict=True):
        text = found.cell(row, "minute")
        if dated:
            tells = f", soon after the {zero_name} of its case,"
            mend = f"write the time with its seconds, as {text}:00, or minutes after {zero_name}, as 4.5"
        elif not np.isnan(belongs.map(cases[zero_name].astype(float)).iloc[row]):
            tells = f" (not soon after the {zero_name} of its case)"
            mend = f"check both times; write this one with its seconds, as {text}:00, or minutes, as 4.5"
        else:
            tells = f" (its case has no {zero_name} to tell by)"
            mend = f"write the {zero_name} of its case by the clock, or minutes after it, as 4.5"
        what = f'"{text}" may be {text} by the clock{tells} or minutes and seconds'
        found.refuse(row, "minute", "clock_or_minutes", what, mend)
        refused.iloc[row] = True
    return refused


def _weighed(table: pd.DataFrame, planned: NDArray[np.float64]) -> pd.DataFrame:
    """Of each case, whether its times are ``clock_likely``, and ``doubtful``: not to be read as minutes and seconds."""
    longest = 1.5 * planned.max()
    by_case = table.groupby("case")
    dated = by_case["zero"].first().notna()
    reach = ((table["clock"] - table["zero"]) % HALF_DAY_MIN).groupby(table["case"]).max().where(dated, _span(table))
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
    readings: pd.DataFrame, clock_min: pd.Series, after: pd.Series, protocol: Protocol
) -> tuple[pd.Series, str] | None:
    """Minutes, and what was done, if all times of day of a table can only be durations; ``None`` if they may be times.

    Minutes and seconds that a spreadsheet took for a time (4:30 becomes 04:30:00), or a duration with its hours
    (00:04:30). None of them fits its injection by the clock of 24 hours, and not those of every case by that of 12; at
    least one lies in the night; and, read in one of these ways alone, no two tests of a tooth fall on one planned test.
    """
    planned = np.array(protocol.schedule.tests_min, dtype=np.float64)
    longest = 1.5 * planned.max()
    clock = clock_min.dropna()
    with_seconds = bool((clock != clock.round()).any())
    twelve_hours = (after[clock.index] + HALF_DAY_MIN).between(0, longest).groupby(readings["case_id"]).all().all()
    if (clock >= NIGHT_UNTIL_MIN).all() or twelve_hours:
        return None
    # With its hours a duration is under one hour; minutes and seconds that became hours have no seconds of their own.
    whole_hour = [("00:04:30", clock_min)] if (clock < HOUR_MIN).all() else []
    as_hours = [] if with_seconds else [("04:30:00", clock_min / 60)]
    found = [
        (minute, f"a spreadsheet's time such as {shown} was read as 4 minutes and 30 seconds")
        for shown, minute in (*whole_hour, *as_hours)
        if _on_plan(readings, clock_min, minute, planned, longest)
    ]
    return found[0] if len(found) == 1 else None


def _on_plan(
    readings: pd.DataFrame, clock_min: pd.Series, minute: pd.Series, planned: NDArray[np.float64], longest: float
) -> bool:
    """Whether no two tests of a tooth would fall on one planned test, and none too late."""
    whole = readings["minute"].where(clock_min.isna(), minute).astype(float)
    concerned = readings["case_id"].isin(readings.loc[clock_min.notna(), "case_id"]) & whole.notna()
    tests = readings.loc[concerned, ["case_id", "tooth_role"]].assign(test=_nearest(whole[concerned], planned))
    return not (tests.duplicated().any() or (whole[concerned] > longest).any())


def _nearest(minute: pd.Series, planned: NDArray[np.float64]) -> NDArray[np.intp]:
    """Number of the planned test nearest to each minute."""
    found: NDArray[np.intp] = np.abs(minute.to_numpy()[:, None] - planned[None, :]).argmin(axis=1)
    return found
