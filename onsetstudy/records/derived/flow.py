"""Who was recorded, who was eligible and who was analysed, with a reason for everybody who was not."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray
from onsetstudy.core.results import ArmCount, Flow, FlowStage, Reasons
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.records.checks.no_records import NO_RECORD, read, refused
from onsetstudy.records.checks.open_tables import REASONS
from onsetstudy.records.checks.parse import parse_column
from onsetstudy.records.model import Records
from onsetstudy.records.schema import TABLES, admitted

EXCLUSIONS: dict[str, str] = {
    "practice": "of a practice that is not in the study",
    "procedure": "a procedure that the protocol does not admit",
    "technique": "a technique that the protocol does not admit",
    "pulp_status": "a state of the pulp that the protocol does not admit",
    "agent": "an anaesthetic that the protocol does not admit",
    "age_band": "of an age that the protocol does not admit",
    "not_testable": "the target tooth did not feel the cold before the injection",
    "before_study": "before the first quarter of the study",
    "later_quarter": "after the quarter of this report",
}
"""Readable code of every reason for which an accepted case is not analysed, in the order in which they are asked."""

BASELINE_UNTOLD = "whether the target tooth felt the cold before the injection was not recorded"
"""The protocol asks for it, and without it the case stays: who was never tested is not one who did not feel it."""
UNKNOWN_PRACTICE = ""
"""Stands for the practice of a refused row that names none of the study."""
GONE = "withdrawn"
"""Rows that were left out as their patients wanted."""
MOST_REFUSED = 0.1
"""Share of a practice's cases that may be refused without a word (own choice): more would bend what is counted."""
AFTER_OPENING = ("procedure", "technique", "agent")
"""What was done, recorded after the slip was opened: no ground to leave out a case whose allocated arm is known."""
ELIGIBILITY = ("practice", "procedure", "technique", "pulp_status", "agent", "age_band", "not_testable")


def exclusion_reasons(records: Records, protocol: Protocol, *, through: Quarter) -> pd.Series:
    """First reason for which each accepted case is not analysed; empty text for those who are.

    What was not recorded does not exclude. A case whose allocated arm is known (column ``arm_allocated``) is left out
    only for what was known before its slip was opened: what was done afterwards may depend on the arm.
    """
    fails, cases = _fails(records, protocol, through), records.cases
    if "arm_allocated" in cases:
        for code in AFTER_OPENING:
            fails[code] &= cases["arm_allocated"].isna().to_numpy()
    return _first_reason(fails, tuple(EXCLUSIONS), cases)


def _first_reason(fails: Mapping[str, BoolArray], codes: tuple[str, ...], cases: pd.DataFrame) -> pd.Series:
    reason = np.select([fails[code] for code in codes], list(codes), default="")
    return pd.Series(reason, index=cases.index, dtype=object)


def _fails(records: Records, protocol: Protocol, through: Quarter) -> dict[str, BoolArray]:
    """For every reason, the cases it holds for."""
    cases = records.cases
    lists = {"practice_id": protocol.study.practices, **admitted(protocol)}
    fails = {
        column.removesuffix("_id"): (cases[column].notna() & ~cases[column].isin(codes) & bool(codes)).to_numpy()
        for column, codes in lists.items()
    }
    tested = protocol.schedule.baseline_response == "required"
    fails["not_testable"] = ((cases["baseline_response"] == "not_felt") & tested).to_numpy()
    day = pd.to_datetime(cases["case_date"])
    fails["before_study"] = (day < pd.Timestamp(protocol.quarters[0].first_day)).to_numpy()
    fails["later_quarter"] = (day > pd.Timestamp(through.last_day)).to_numpy()
    return fails


def refused_by_practice(records: Records, protocol: Protocol) -> dict[str, int]:
    """Refused cases of each practice; of :data:`UNKNOWN_PRACTICE` where the row does not say."""
    rows = refused(records, "cases")
    declared = protocol.study.practices or tuple(sorted(records.cases["practice_id"].astype(str).unique()))
    code_of = {code.casefold(): code for code in declared}
    written = rows["practice_id"].astype("string").fillna("").str.strip().str.casefold()
    return dict(sorted(Counter(written.map(lambda code: code_of.get(code, UNKNOWN_PRACTICE))).items()))


def refused_of(practice: str, refused: Mapping[str, int], accepted: Collection[str]) -> int:
    """Refused cases of a practice, of :func:`refused_by_practice`; ``accepted`` are practices with accepted ones.

    Rows that name no practice can only be of the one practice of these records.
    """
    return refused.get(practice, 0) + (refused.get(UNKNOWN_PRACTICE, 0) if set(accepted) == {practice} else 0)


def too_many_refused(refused: int, accepted: int) -> bool:
    """Whether so large a share of a practice's cases is refused that its counts could mislead."""
    return refused > MOST_REFUSED * (refused + accepted)


def analysed_cases(records: Records, protocol: Protocol, *, through: Quarter) -> pd.DataFrame:
    """Cases that are analysed, up to the end of a quarter; index 0 to n - 1.

    Where allocated arms are known, ``off_protocol`` is what lies outside the protocol in a case that stays because its
    slip had been opened; empty text for none.
    """
    chosen = (exclusion_reasons(records, protocol, through=through) == "").to_numpy()
    cases = records.cases
    if "arm_allocated" in cases:
        outside = _first_reason(_fails(records, protocol, through), AFTER_OPENING, cases)
        cases = cases.assign(off_protocol=outside.where(cases["arm_allocated"].notna(), ""))
    return cases[chosen].reset_index(drop=True)


def case_flow(records: Records, protocol: Protocol, *, through: Quarter) -> Flow:
    """Flow of cases from the rows read to the cases analysed; every row is accounted for.

    Lines that are no cases are noted beside those that are.
    """
    cases = records.cases
    reason = exclusion_reasons(records, protocol, through=through)
    eligible = ~reason.isin(ELIGIBILITY)
    analysed = reason == ""

    def by_arm(arms: pd.Series) -> tuple[ArmCount, ...]:
        return tuple(ArmCount(arm=code, cases=int((arms == code).sum()), onsets=0) for code in protocol.arm_codes)

    def lost(codes: tuple[str, ...]) -> tuple[Reasons, ...]:
        counts = [(code, int((reason == code).sum())) for code in codes]
        return tuple(Reasons(code=code, text=EXCLUSIONS[code], count=count) for code, count in counts if count)

    def stage(name: str, rows: pd.Series, lost: tuple[Reasons, ...], noted: tuple[Reasons, ...] = ()) -> FlowStage:
        arms = by_arm(cases.loc[rows.to_numpy(), "arm"])
        return FlowStage(name=name, count=int(rows.sum()), by_arm=arms, lost=lost, noted=noted)

    rejects = records.rejects[records.rejects["table"] == "cases"].astype({"code": str, "reason": str})
    # One reason for each refused row: the first that was given.
    told = [
        Reasons(code=str(code), text=str(text), count=len(rows), by_arm=by_arm(_arms_read(rows, protocol)))
        for (code, text), rows in rejects.groupby(["code", "reason"])
    ]
    unread = tuple(reason for reason in told if reason.code not in NO_RECORD)
    beside = tuple(reason for reason in told if reason.code in NO_RECORD)
    # Whatever was read and is neither accepted nor refused was left out by its patient's wish.
    if gone := records.rows_read - len(cases) - len(rejects):
        unread += (Reasons(code=GONE, text="consent taken back, data removed", count=gone),)
    untold = untold_baseline(cases[analysed.to_numpy()], protocol)
    noted = (Reasons(code="baseline_untold", text=BASELINE_UNTOLD, count=untold),) if untold else ()
    return Flow(
        screening=screening_flow(records),
        stages=(
            FlowStage(name="recorded", count=read(records, "cases"), noted=beside),
            stage("accepted", pd.Series(True, index=cases.index), unread),
            stage("eligible", eligible, lost(ELIGIBILITY)),
            stage("analysed", analysed, lost(("before_study", "later_quarter")), noted),
        ),
    )


def _arms_read(refused: pd.DataFrame, protocol: Protocol) -> pd.Series:
    """The arm of refused rows as the sheet names it; what cannot be read is none of the study's."""
    column = next(c for c in TABLES["cases"] if c.name == "arm")
    notation = protocol.schedule.tooth_notation
    return pd.Series(parse_column(refused["arm"], column, tooth_notation=notation, date_epoch="1900").values)


def recorded_in(arm: str, records: Records, protocol: Protocol, *, through: Quarter) -> int:
    """Cases of an arm that were recorded up to a quarter, and refused ones, of any day, whose arm can be read."""
    seen = records.cases.loc[pd.to_datetime(records.cases["case_date"]) <= pd.Timestamp(through.last_day), "arm"]
    lost = _arms_read(refused(records, "cases"), protocol)
    return int((seen == arm).sum() + (lost == arm).sum())


def refused_cases(accepted: FlowStage) -> Reasons:
    """All cases refused before a stage, whatever the reason; not what was taken out."""
    lost = [r for r in accepted.lost if r.code != GONE]
    by_arm = tuple(
        ArmCount(arm=code.arm, cases=sum(a.cases for r in lost for a in r.by_arm if a.arm == code.arm), onsets=0)
        for code in accepted.by_arm
    )
    return Reasons(code="refused", text="refused", count=sum(r.count for r in lost), by_arm=by_arm)


def untold_baseline(cases: pd.DataFrame, protocol: Protocol) -> int:
    """Cases without the cold test before the injection that the protocol asks for; they stay, and are counted."""
    if protocol.schedule.baseline_response != "required":
        return 0
    return int(cases["baseline_response"].isna().sum())


def screening_flow(records: Records) -> tuple[FlowStage, ...]:
    """Persons assessed and included, with the reasons of those who were not; nothing where no screening was kept.

    Everybody who was screened counts, whatever the quarter; the most frequent reason stands first.
    """
    if (screened := records.open_tables.screening) is None or screened.empty:
        return ()
    outcome = screened["outcome"].astype(str).str.strip()
    reason = screened["reason"].astype("string").fillna("").str.strip()
    unfit = Counter(reason[outcome == "not_eligible"])
    lost = [
        Reasons(code="not_eligible", text=f"not eligible: {REASONS[why]}", count=count)
        for why, count in sorted(unfit.items(), key=lambda item: (-item[1], item[0]))
    ]
    if declined := int((outcome == "declined").sum()):
        lost.append(Reasons(code="declined", text="declined", count=declined))
    return (
        FlowStage(name="assessed", count=len(screened)),
        FlowStage(name="included", count=int((outcome == "included").sum()), lost=tuple(lost)),
    )
