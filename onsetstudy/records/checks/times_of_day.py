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
        reason = (
            f"its case has no {protocol.schedule.clock_zero} to count from"
            if zero.isna().iloc[row]
            else "it is not within three hours after the injection"
        )
        what = f'"{found.cell(row, "minute")}" is a time of day and cannot be used: {reason}'
        mend = (
            "write minutes as 4.5; where 4:30 was typed as minutes and seconds, the spreadsheet made a time of it: "
            "format the column as text and type it again"
        )
        found.refuse(row, "minute", "clock_without_zero", what, mend)


def refuse_ambiguous_times(
    cases: pd.DataFrame, readings: pd.DataFrame, belongs: pd.Series, found: Findings, protocol: Protocol
) -> None:
    """Refuse minutes such as 9:11 in a case injected at 9:10, which may be of the clock.

    A case is refused only where every test that was written so would, read by the clock, lie between its clock zero and
    half as long again as the last planned test. Tests at 9:11, 9:12 and 9:13 would otherwise be read as seconds apart,
    nine minutes after the injection, without a word. True minutes and seconds seldom fit: two tests a minute apart are
    then an hour apart by the clock.

    A case without a clock zero is refused where its tests would by the clock all lie within that time of each other. A
    single time says nothing by itself: it is taken for minutes and seconds only where another case of the table shows
    that they are written so.
    """
    if "minute" not in found.raw.frame:
        return
    written = found.raw.frame["minute"].astype("string").str.strip().str.extract(r"^(\d{1,2}):([0-5]\d)$")
    by_clock = written[0].astype("Float64").to_numpy(dtype=float, na_value=np.nan) * HOUR_MIN
    by_clock = by_clock + written[1].astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    rows = np.flatnonzero(~np.isnan(by_clock))
    if not rows.size:
        return
    zero_name = protocol.schedule.clock_zero
    zero = belongs.map(cases[zero_name].astype(float)).to_numpy(dtype=float)
    longest = 1.5 * max(protocol.schedule.tests_min)
    case = readings["case_id"].to_numpy()[rows]
    by_case = pd.Series(by_clock[rows]).groupby(case, dropna=True)
    span = by_case.transform("max") - by_case.transform("min")
    minutes_meant = bool((span > longest).any())
    after = (by_clock - zero)[rows] % HALF_DAY_MIN
    fits = pd.Series(after <= longest).groupby(case, dropna=True).transform("all").fillna(False).to_numpy(dtype=bool)
    near = (span <= longest).to_numpy(dtype=bool) & ~((span == 0).to_numpy(dtype=bool) & minutes_meant)
    unknown = np.isnan(zero[rows])
    doubtful = fits | (near & unknown)
    for row, dated in zip(rows[doubtful].tolist(), fits[doubtful].tolist(), strict=True):
        text = found.cell(row, "minute")
        if dated:
            tells = f", soon after the {zero_name} of its case,"
            mend = f"write the time with its seconds, as {text}:00, or minutes after {zero_name}, as 4.5"
        else:
            tells = f" (its case has no {zero_name} to tell by)"
            mend = f"write the {zero_name} of its case by the clock, or minutes after it, as 4.5"
        what = f'"{text}" may be {text} by the clock{tells} or minutes and seconds'
        found.refuse(row, "minute", "clock_or_minutes", what, mend)


def _durations(
    readings: pd.DataFrame, clock_min: pd.Series, after: pd.Series, protocol: Protocol
) -> tuple[pd.Series, str] | None:
    """Minutes, and what was done, if all times of day of a table can only be durations; ``None`` if they may be times.

    Minutes and seconds that a spreadsheet took for a time (4:30 becomes 04:30:00), or a duration with its hours
    (00:04:30). None of them fits its injection by the clock of 24 hours, and not those of every case by that of 12; at
    least one lies in the night; and, read so, no two tests of a tooth fall on one planned test.
    """
    planned = np.array(protocol.schedule.tests_min, dtype=np.float64)
    longest = 1.5 * planned.max()
    clock = clock_min.dropna()
    with_seconds = bool((clock != clock.round()).any())
    with_hours = with_seconds and bool((clock < HOUR_MIN).all())
    twelve_hours = (after[clock.index] + HALF_DAY_MIN).between(0, longest).groupby(readings["case_id"]).all().all()
    if (clock >= NIGHT_UNTIL_MIN).all() or twelve_hours or (with_seconds and not with_hours):
        return None
    minute = clock_min if with_hours else clock_min / 60
    whole = readings["minute"].where(clock_min.isna(), minute).astype(float)
    concerned = readings["case_id"].isin(readings.loc[clock_min.notna(), "case_id"]) & whole.notna()
    tests = readings.loc[concerned, ["case_id", "tooth_role"]].assign(test=_nearest(whole[concerned], planned))
    if tests.duplicated().any() or (whole[concerned] > longest).any():
        return None
    shown = "00:04:30" if with_hours else "04:30:00"
    return minute, f"a spreadsheet's time such as {shown} was read as 4 minutes and 30 seconds"


def _nearest(minute: pd.Series, planned: NDArray[np.float64]) -> NDArray[np.intp]:
    """Number of the planned test nearest to each minute."""
    found: NDArray[np.intp] = np.abs(minute.to_numpy()[:, None] - planned[None, :]).argmin(axis=1)
    return found
