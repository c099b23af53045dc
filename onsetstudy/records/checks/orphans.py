"""Cold tests of no case: the case that one probably belongs to is held back, and with many of them all records."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import IntArray
from onsetstudy.core.errors import Problem, RecordsError, Where
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.findings import UNTOLD, Findings
from onsetstudy.records.checks.no_records import NO_RECORD, refused
from onsetstudy.records.model import Records

MOST_WITHOUT_CASE = 0.1
"""Where more than this proportion of the cold tests is of no case, which tests the others lack is not known (own
choice)."""


def tests_without_case(records: Records) -> int:
    """How many cold tests, refused all of them, may be missing from a case that is there.

    They have no code, or one that no case has and that does not go on in the next row: rows in a row with one code are
    of a case that was not entered, and no other lacks them.
    """
    lost = refused(records)
    code = lost["case_id"].astype("string").str.strip().str.casefold().fillna("")
    of_test = lost["table"] == "cold_tests"
    known = {*code[~of_test], *records.cases["case_id"].str.casefold()} - {""}
    alone = code[of_test & ~code.isin(known)]
    row = lost.loc[alone.index, "source_row"].astype(int)
    goes_on = (alone == alone.shift()) & (row == row.shift() + 1)
    return int((~(goes_on | goes_on.shift(-1, fill_value=False)) | (alone == "")).sum())


def refuse_many_without_case(alone: int, read: int, where: Where, also: tuple[Problem, ...] = ()) -> None:
    """Refuse records of whose cold tests too many are of no case; ``also`` is told behind it."""
    if alone > MOST_WITHOUT_CASE * read:
        what = lacking_told(alone, read)
        mend = "write the code of its case beside every test, and enter every case"
        raise RecordsError([Problem(what=what, where=where, mend=mend, code="tests_without_case"), *also])


def lacking_told(alone: int, read: int) -> str:
    """How many of the cold tests are of no case, and what that means."""
    return f"{alone} of {read} cold tests belong to no case, so that other cases may lack tests"


def hold_back_likely_cases(cases: Findings, tests: Findings, belongs: IntArray, protocol: Protocol) -> None:
    """Refuse cases to which tests without a case may belong: without such a test their onset may be wrong.

    A case is likely where the tests stand among its own; where its code is one sign away and it has no test for those
    planned minutes; and, unless such a one stands beside them, where the tests continue its own, above or below: with
    the planned test behind its last or before its first, or, without any code, with any later or earlier one.

    Parameters
    ----------
    cases, tests : Findings
        Of both tables; lines that are no records are set aside already.
    belongs : ndarray of int, shape (n,)
        Row of each reading's case; -1 where there is none.
    protocol : Protocol
    """
    rows = np.flatnonzero(~np.isin(tests.first, NO_RECORD))
    owner, code = belongs[rows], tests.words("case_id")[rows]
    if tests.raw.places or not (owner < 0).any():
        return
    planned = np.array(protocol.schedule.tests_min, dtype=np.float64)
    table = pd.DataFrame({"case": owner, "code": code, "tooth": tests.words("tooth_role")[rows]})
    table["minute"] = tests.numbers("minute")[rows]
    # The planned test that each is nearest to: nobody tests a tooth twice for one.
    table["test"] = np.abs(table["minute"].to_numpy()[:, None] - planned).argmin(axis=1)
    owned = table["case"].where(table["case"] >= 0)
    beside = pd.DataFrame({"above": owned.ffill(), "below": owned.bfill()}).fillna(-1).astype(int)
    of_case = table.groupby("case").indices | {-1: []}

    def own(case: int) -> pd.DataFrame:
        return table.iloc[of_case.get(case, [])]

    codes, near = cases.words("case_id"), defaultdict[str, list[int]](list)
    for case, text in enumerate(codes):
        for part in _but_one_sign(text):
            near[part].append(case)
    run = (table["code"].ne(table["code"].shift()) | table["case"].ne(table["case"].shift())).cumsum()
    for _, alone in table[table["case"] < 0].groupby(run):
        written = str(alone["code"].iloc[0])
        above, below = beside.loc[alone.index[0]].tolist()
        of_code = table[table["code"] == written] if written else alone
        like = {case for part in _but_one_sign(written) for case in near[part]}
        like = {case for case in like if not _has_some(own(case), of_code)}
        ends = {case for case, end in ((above, 1), (below, -1)) if _continued(own(case), alone, end)}
        likely = (like & {above, below}) or (like | ends)
        if above == below >= 0:
            likely = likely | {above}
        row = int(rows[alone.index[0]])
        place = f"row {tests.line(row)} of the cold tests"
        told = f'case code "{written}", which no case has,' if written else "no case code"
        told = "a code that is not used" if tests.first[row] in UNTOLD else told
        for case in sorted(case for case in likely if not cases.refused[case]):
            what = f"the cold test in {place} with {told} may belong to {codes[case]}"
            mend = "correct the code there, and the case can be used"
            cases.refuse(case, "case_id", "reading_refused", what, mend)


def _but_one_sign(code: str) -> set[str]:
    """A code, and what is left of it without one of its signs: codes that share one differ by a sign."""
    code = code.casefold()
    return {code, *(code[:i] + code[i + 1 :] for i in range(len(code)))} if code else set()


def _has_some(own: pd.DataFrame, alone: pd.DataFrame) -> bool:
    """Whether a case has a test of the same tooth for the same planned minute as one of these."""
    return len(own.merge(alone.dropna(subset="minute"), on=["test", "tooth"])) > 0


def _continued(own: pd.DataFrame, alone: pd.DataFrame, end: int) -> bool:
    """Whether tests go on where those of a case end (1), or lead up to where they begin (-1)."""
    own, alone = own.dropna(subset="minute"), alone.dropna(subset="minute")
    if own.empty or alone.empty or _has_some(own, alone):
        return False
    # Without any code all that is certain is that they stand there.
    steps = (alone["test"] * end).min() - (own["test"] * end).max()
    return bool(0 <= steps <= (1 if alone["code"].iloc[0] else np.inf))
