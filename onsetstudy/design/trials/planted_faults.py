"""A small set of records with planted faults, and the list of what was planted: to see that nothing slips through."""

from __future__ import annotations

import pandas as pd

from onsetstudy.core.serialise import result_kind


@result_kind("planted")
class Planted:
    """One planted fault: table, row as the spreadsheet numbers it, column, the code under which it must be found."""

    table: str
    row: int
    column: str
    written: str
    code: str


CASE_FAULTS = (
    ("case_date", "03/04/2026", "ambiguous_date"),
    ("case_date", "2026-02-30", "not_a_date"),
    ("case_date", "2019-05-06", "outside_study"),
    ("arm", "bufferd", "code"),
    ("tooth", "99", "tooth"),
    ("tooth", "K", "tooth"),
    ("technique", "block", "code"),
    ("agent", "", "missing"),
    ("volume_ml", "45", "range"),
    ("volume_ml", "1.800,5", "ambiguous_number"),
    ("volume_ml", "one", "not_a_number"),
    ("pain_deposition", "340", "range"),
    ("patient_id", "Anna Example", "names_a_person"),
    ("agent_percent", "0.02", "percent"),
    ("injection_end", "25:10", "not_a_clock_time"),
    ("observation_end_min", "0.5", "after_end"),
)
TEST_FAULTS = (
    ("minute", "4;30", "not_a_time"),
    ("minute", "-2", "range"),
    ("response", "numb", "code"),
    ("case_id", "P09-0001", "no_case"),
    ("tooth_role", "neighbour", "code"),
)


def plant_faults(
    cases: pd.DataFrame, cold_tests: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, tuple[Planted, ...]]:
    """Tables with one fault in each of some rows, and the list of faults.

    Parameters
    ----------
    cases, cold_tests : DataFrame of str
        Clean tables of at least 60 cases, with every column that a fault is planted in.
    """
    cases, cold_tests = cases.astype(object).copy(), cold_tests.astype(object).copy()
    if "observation_end_min" not in cases:
        cases.insert(list(cases.columns).index("treatment_start_min") + 1, "observation_end_min", None)
    planted = []
    for number, (column, written, code) in enumerate(CASE_FAULTS):
        row = 2 * number
        cases.loc[row, column] = written or None
        if code == "after_end":
            # The reading that lies after the end is what is found.
            reading = int(cold_tests.index[cold_tests["case_id"] == cases.loc[row, "case_id"]][0])
            planted.append(_planted("cold_tests", reading, "minute", str(cold_tests.loc[reading, "minute"]), code))
            continue
        planted.append(_planted("cases", row, column, written, code))
    free = cases["case_id"].iloc[2 * len(CASE_FAULTS) + 1 :]
    for number, (column, written, code) in enumerate(TEST_FAULTS):
        reading = int(cold_tests.index[cold_tests["case_id"] == free.iloc[2 * number]][0])
        cold_tests.loc[reading, column] = written
        planted.append(_planted("cold_tests", reading, column, written, code))
    plain = cases.index[(cases["arm"] == "plain") & (cases.index > 2 * len(CASE_FAULTS) + 12)][0]
    cases.loc[plain, "bicarbonate_ml"] = "0.18"
    planted.append(_planted("cases", int(plain), "bicarbonate_ml", "0.18", "mixing"))
    return cases, cold_tests, tuple(planted)


def _planted(table: str, index: int, column: str, written: str, code: str) -> Planted:
    return Planted(table=table, row=index + 2, column=column, written=written, code=code)
