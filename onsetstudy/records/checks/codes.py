"""Codes of cases: compared without capitals, and held to the pattern that the protocol declares."""

from __future__ import annotations

import pandas as pd

from onsetstudy.protocol.keys import code_fault
from onsetstudy.protocol.model import StudyIdentity
from onsetstudy.records.checks.findings import Findings

__all__ = ["as_cases_spell", "check_codes"]


def check_codes(cases: pd.DataFrame, found: Findings, study: StudyIdentity) -> None:
    """Refuse cases whose codes do not fit the protocol's pattern, or differ by nothing but capitals.

    Where each patient has both arms, slips are opened for patients, and their codes are held to the pattern too.
    """
    for name in ("case_id", "patient_id") if study.paired else ("case_id",):
        told = cases[name].notna()
        for row in cases.index[told]:
            practice = cases["practice_id"].loc[row]
            if fault := code_fault(str(cases[name].loc[row]), study, "" if pd.isna(practice) else str(practice)):
                found.refuse(int(row), name, "pattern", fault, "correct the code, or amend the protocol")
    folded = cases["case_id"].dropna().astype(str).str.casefold()
    # The same spelling twice is told elsewhere.
    spelled = cases["case_id"].dropna().drop_duplicates()
    twice = set(spelled.astype(str).str.casefold().loc[lambda codes: codes.duplicated(keep=False)])
    for row in folded.index[folded.isin(twice)]:
        what = "this code stands in another row with other capitals, which do not count"
        found.refuse(int(row), "case_id", "duplicate", what, "give every case its own code")


def as_cases_spell(codes: pd.Series, cases: pd.DataFrame) -> pd.Series:
    """Codes of readings as the table of cases writes them, where they differ by capitals alone."""
    known = cases["case_id"].dropna().astype(str)
    by_folded = dict(zip(known.str.casefold(), known, strict=True))
    exact = set(known)

    def spelled(code: object) -> object:
        return code if not isinstance(code, str) or code in exact else by_folded.get(code.casefold(), code)

    return codes.map(spelled)
