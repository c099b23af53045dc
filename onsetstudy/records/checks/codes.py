"""Codes of cases: compared without capitals, and held to the pattern that the protocol declares."""

from __future__ import annotations

from collections import Counter

from onsetstudy.protocol.keys import code_fault
from onsetstudy.protocol.model import StudyIdentity
from onsetstudy.records.checks.findings import Findings

__all__ = ["check_codes"]


def check_codes(cases: Findings, tests: Findings, study: StudyIdentity) -> None:
    """Refuse cases whose codes do not fit the protocol's pattern, or differ by nothing but capitals.

    Where each patient has both arms, slips are opened for patients, and their codes are held to the pattern too.
    Codes of readings are written as the table of cases writes them, where they differ by capitals alone.
    """
    if study.case_codes:
        practices = cases.words("practice_id")
        for name in ("case_id", "patient_id") if study.paired else ("case_id",):
            for row, (code, practice) in enumerate(zip(cases.words(name), practices, strict=True)):
                if code and (fault := code_fault(code, study, practice)):
                    cases.refuse(row, name, "pattern", fault, "correct the code, or amend the protocol")
    codes = cases.words("case_id").tolist()
    # The same spelling twice is told elsewhere.
    folded = Counter(code.casefold() for code in set(codes))
    for row, code in enumerate(codes):
        if code and folded[code.casefold()] > 1:
            what = "this code stands in another row with other capitals, which do not count"
            cases.refuse(row, "case_id", "duplicate", what, "give every case its own code")
    strange = set(tests.typed["case_id"].dropna()) - set(codes)
    if strange:
        by_folded = {code.casefold(): code for code in codes}
        spelled = {code: by_folded.get(code.casefold(), code) for code in strange}
        tests.typed["case_id"] = tests.typed["case_id"].map(lambda code: spelled.get(code, code))
