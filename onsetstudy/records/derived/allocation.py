"""Did allocation follow the list? Cases, list and opening log held against each other."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from onsetstudy.core.errors import RecordsError
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.privacy import reason_fault
from onsetstudy.records.derived.results import AllocationReview, ArmStanding, Deviation
from onsetstudy.records.model import Records

LIST_COLUMNS = ("slip", "practice_id", "stratum", "number", "block", "period", "arm", "side")
LOG_COLUMNS = ("opened_at", "slip", "stratum", "case_id", "opened_by", "arms", "chain")
OLD_LOG_COLUMNS = tuple(name for name in LOG_COLUMNS if name != "arms")
"""Of logs that kept the number of a slip and not what it said."""
ARMS_JOIN = " > "
"""Between the arms of a slip's periods, in their order."""
JOIN = " | "
SHOWN = 20
CLOCKS_APART_MIN = 5.0
"""Minutes by which the clock at the chair may be behind that of the slips (common practice, no source)."""
NO_ALLOCATION = (
    "arms were allocated at random, and there is neither the opening log nor the list of slips to say which arm chance "
    "had chosen"
)

TEXTS = {
    "no_slip": "randomised, but without an allocation slip",
    "unknown_slip": "with a slip that is not on the list",
    "slip_twice": "with a slip that another case has too",
    "other_arm": "received another arm than the slip says",
    "other_stratum": "with a slip of another practice or stratum",
    "skipped": "slip{s} passed over: a later one of the stratum was used",
    "out_of_order": "treated before a case with an earlier slip of the stratum",
    "not_opened": "with a slip that the log does not show as opened",
    "opened_for_nobody": "slip{s} opened without a recorded case",
    "withdrawn": "slip{s} whose patient withdrew before a case was recorded",
    "opened_late": "with a slip that was opened after the injection",
    "log_broken": "line{s} of the opening log that {were} changed or taken out",
    "not_in_log": "opening{s} of the ledger that the log does not show as {they_were} entered",
    "not_in_ledger": "opening{s} of the log that the ledger does not hold",
}
LOG_FAULTS = {
    "log_broken": "restore the log from your backup",
    "not_in_log": "give the log to which open-slip writes, or restore it from your backup",
    "not_in_ledger": "open-slip with --protocol, asked for one of their cases, enters what a failure kept out; if the "
    "ledger was cut, restore it from your backup",
}
"""What makes an opening log doubtful, of :data:`TEXTS`, and what to do."""


def deviation_text(code: str, count: int) -> str:
    """What is said of so many slips, cases or lines, behind their number."""
    one = count == 1
    return TEXTS[code].format(
        s="" if one else "s", were="was" if one else "were", they_were="it was" if one else "they were"
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class KeptList:
    """What the keeper of the list hands over.

    Parameters
    ----------
    listed : DataFrame
        Columns ``slip, practice_id, stratum, number, block, period, arm, side``, one row per slip and period.
    log : DataFrame or None
        Columns :data:`LOG_COLUMNS`, if slips were opened with a log.
    log_faults : mapping of str to tuple of str
        What makes the log doubtful, by the codes of :data:`LOG_FAULTS` that were found, each with its slips.
    commitment : str
        SHA-256 of the list's seed.
    withdrawn : frozenset of str
        Codes of cases, without capitals, for which the ledger holds that consent was taken back.
    source : str
        ``list``, or ``log`` where ``listed`` holds no more than the slips that the log shows as opened.
    """

    listed: pd.DataFrame
    log: pd.DataFrame | None = None
    log_faults: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    commitment: str = ""
    withdrawn: frozenset[str] = frozenset()
    source: str = "list"

    @property
    def digest(self) -> str:
        """SHA-256 of what every slip says."""
        told = self.listed[["slip", "period", "arm"]].astype(str).sort_values(["slip", "period"])
        return hashlib.sha256(told.to_csv(index=False).encode("utf-8")).hexdigest()


def as_allocated(records: Records, kept: KeptList) -> Records:
    """Records whose ``arm`` is the one allocated, as far as a slip says.

    ``arm_received`` keeps what was injected, ``arm_allocated`` what the slip says (missing where none does).
    """
    cases = records.cases
    allocated = allocated_arm(cases, kept.listed).where(cases["allocation"] == "randomised", np.nan)
    arm = allocated.where(allocated.notna(), cases["arm"])
    return dataclasses.replace(records, cases=cases.assign(arm=arm, arm_received=cases["arm"], arm_allocated=allocated))


def resolve_arms(
    protocol: Protocol, records: Records, kept: KeptList | None, *, without_list: str | None = None
) -> tuple[Records, ArmStanding | None]:
    """Records with the arm in which every case is compared, and how far that arm is known.

    Parameters
    ----------
    protocol : Protocol
    records : Records
        As they were checked.
    kept : KeptList or None
        The list of slips, or the practice's opening log.
    without_list : str or None
        Why there is neither: arms then stay as injected. Not asked where arms were not randomised.

    Returns
    -------
    Records, ArmStanding or None
        The standing counts no case yet (see :func:`arm_standing`); ``None`` where arms were not randomised.

    Raises
    ------
    RecordsError
        If the study is randomised and neither list nor log nor a reason is given, or the reason may name somebody.
    """
    known = known_arms(protocol, kept, without_list=without_list)
    if kept is not None and (protocol.study.randomised or kept.source == "list"):
        records = as_allocated(records, kept)
    return records, known


def known_arms(protocol: Protocol, kept: KeptList | None, *, without_list: str | None = None) -> ArmStanding | None:
    """What tells the allocated arm, before any case is counted; arguments and errors as of :func:`resolve_arms`."""
    if not protocol.study.randomised:
        return None
    if kept is not None:
        return ArmStanding(source=kept.source, cases=0, verified=0, other_arm=0)
    if not (reason := " ".join((without_list or "").split()).rstrip(".")):
        raise RecordsError.of_key(
            "allocation",
            NO_ALLOCATION,
            "give the opening logs or the list (beside=read_companions(file of the protocol, read_arms(beside=[folder "
            "of the records]))), or say why there is none (without_list=reason): every page then says so",
            code="no_allocation",
        )
    if fault := reason_fault(reason):
        said, _, mend = fault.partition(". ")
        what = f"the reason is printed and sent, and {said}"
        raise RecordsError.of_key("without_list", what, mend[0].lower() + mend[1:], code="names_a_person")
    return ArmStanding(source="none", cases=0, verified=0, other_arm=0, reason=reason)


def arm_standing(frame: pd.DataFrame, known: ArmStanding | None) -> ArmStanding | None:
    """The standing counted over analysed cases (those of :func:`resolve_arms`)."""
    if known is None:
        return None
    randomised = (frame["allocation"] == "randomised").to_numpy()
    if "arm_allocated" not in frame:
        return dataclasses.replace(known, cases=int(randomised.sum()))
    verified = frame["arm_allocated"].notna().to_numpy()
    other = verified & (frame["arm_received"] != frame["arm_allocated"]).to_numpy()
    late = (frame["off_protocol"] != "").to_numpy()
    cases, known_arm, other_arm, kept = (int(rows.sum()) for rows in (randomised, verified, other, late))
    return dataclasses.replace(known, cases=cases, verified=known_arm, other_arm=other_arm, kept=kept)


def listed_from_log(log: pd.DataFrame) -> pd.DataFrame:
    """What the opened slips said, in the columns of a list; lines that keep no arm say nothing.

    Slips are opened in the order of their stratum, so the order of the log gives their numbers. The block is not
    known and is 0.
    """
    log = log.drop_duplicates("slip")
    number, kept = log.groupby("stratum").cumcount() + 1, log["arms"].astype(str) != ""
    slips, strata, arms_of = (log.loc[kept, name].astype(str) for name in ("slip", "stratum", "arms"))
    rows = [
        (slip, stratum.split(JOIN)[0], stratum, int(place), 0, str(period), arm, "")
        for slip, stratum, arms, place in zip(slips, strata, arms_of, number[kept], strict=True)
        for period, arm in enumerate(arms.split(ARMS_JOIN), start=1)
    ]
    return pd.DataFrame(rows, columns=list(LIST_COLUMNS), dtype=object).astype({"number": int})


def slips_of(practice: pd.Series, slip: pd.Series) -> pd.Series:
    """Slips behind their practices; capitals of a practice do not count."""
    return practice.astype(str).str.casefold() + JOIN + slip.astype(str)


def practices_of(slips: pd.DataFrame) -> pd.Series:
    """The practice of each line of an opening log or a list."""
    return slips["stratum"].astype(str).str.split(JOIN, n=1, regex=False).str[0]


def of_case(case_id: str) -> str:
    """How the slip is named that was opened for a case whose row may name none; capitals do not count."""
    return f"case{JOIN}{case_id.casefold()}"


def slips_of_cases(cases: pd.DataFrame) -> pd.Series:
    """Slips opened for accepted cases, by their codes, each behind its practice."""
    return slips_of(cases["practice_id"], cases["case_id"].astype(str).map(of_case))


def names_of(slips: pd.DataFrame) -> list[pd.Series]:
    """How a row may name each slip of a log or a list: by slip or, of a log, by case, each also behind its practice."""
    names = [slips["slip"].astype(str)]
    if "case_id" in slips:
        names.append(slips["case_id"].fillna("").astype(str).str.strip().map(of_case))
    practice = practices_of(slips)
    return [*names, *(slips_of(practice, name) for name in names)]


def has_record(slips: pd.DataFrame, recorded: Collection[str]) -> pd.Series:
    """Whether a row, refused or not, names each slip of a log or a list, or is of the case for which it was opened.

    ``recorded`` as of ``recorded_slips``.
    """
    return pd.concat([name.isin(list(recorded)) for name in names_of(slips)], axis=1).any(axis=1)


def unrecorded(log: pd.DataFrame, recorded: Collection[str], withdrawn: Collection[str]) -> tuple[pd.Series, pd.Series]:
    """Lines of a log without a record (see :func:`has_record`): unexplained, and of patients who withdrew before."""
    none = ~has_record(log, recorded)
    withdrew = log["case_id"].fillna("").astype(str).str.strip().str.casefold().isin(withdrawn)
    return none & ~withdrew, none & withdrew


def block_of(cases: pd.DataFrame, listed: pd.DataFrame) -> pd.Series:
    """Stratum and block in which each case's slip was drawn; missing where the slip is not on the list."""
    first = listed.drop_duplicates("slip").set_index("slip")
    name = first["stratum"].astype(str) + JOIN + first["block"].astype(str)
    return cases["allocation_slip"].astype(object).map(name)


def allocated_arm(cases: pd.DataFrame, listed: pd.DataFrame) -> pd.Series:
    """Arm that the list allocates to each case, by slip and period; missing where the slip is not on the list."""
    period = cases["period"].astype(object).where(cases["period"].notna(), "1").astype(str)
    key = pd.MultiIndex.from_arrays([cases["allocation_slip"].astype(object), period])
    arms = listed.astype({"slip": str, "period": str}).set_index(["slip", "period"])["arm"]
    return pd.Series(arms.reindex(key).to_numpy(), index=cases.index, dtype=object)


def review_allocation(
    cases: pd.DataFrame, protocol: Protocol, kept: KeptList, *, recorded: Collection[str] = ()
) -> AllocationReview:
    """Every way in which the accepted cases did not follow the list; cases that were not randomised do not count.

    Slips of ``recorded`` (see :func:`has_record`) have a case, though it be refused, left out or of a later quarter.
    """
    listed, log = kept.listed, kept.log
    cases = cases[cases["allocation"] == "randomised"].sort_values("case_id", kind="stable").reset_index(drop=True)
    slip = cases["allocation_slip"].astype(object)
    has = slip.notna()
    first = listed.drop_duplicates("slip").set_index("slip")
    known = has & slip.isin(first.index)
    allocated = allocated_arm(cases, listed)
    named = {*recorded, *slip[has], *slips_of_cases(cases)}
    strata = _strata(cases, protocol)
    of_slip = slip.map(first["stratum"])
    name = cases["case_id"].astype(str)
    deviations = {
        "no_slip": name[~has],
        "unknown_slip": name[has & ~known],
        "slip_twice": name[has & cases.duplicated(["allocation_slip", "period"], keep=False)],
        "other_arm": name[known & allocated.notna() & (allocated != cases["arm"])],
        "other_stratum": name[known & (of_slip != strata)],
        # A slip that the log shows as opened was not passed over: it is told where no case was recorded with it.
        **_order(cases[known], slip[known], first, named if log is None else {*named, *log["slip"]}),
    }
    if log is not None:
        without, withdrew = unrecorded(log, named, kept.withdrawn)
        deviations |= _against_log(cases[has], slip[has], log)
        deviations |= {"opened_for_nobody": log.loc[without, "slip"], "withdrawn": log.loc[withdrew, "slip"]}
    if kept.source == "log":
        # The log knows no other slips than those it shows as opened: "not opened" says it.
        deviations.pop("unknown_slip")
    deviations |= {code: pd.Series(list(slips), dtype=object) for code, slips in kept.log_faults.items()}
    counts = pd.DataFrame({"allocated": allocated, "received": cases["arm"]}).dropna().value_counts()
    return AllocationReview(
        cases=len(cases),
        with_slip=int(known.sum()),
        received=tuple((a, r, int(counts.get((a, r), 0))) for a in protocol.arm_codes for r in protocol.arm_codes),
        deviations=tuple(
            Deviation(
                code=code,
                text=deviation_text(code, len(found)),
                count=len(found),
                where=tuple(sorted(found.astype(str)))[:SHOWN],
            )
            for code, found in deviations.items()
            if len(found)
        ),
        commitment=kept.commitment,
        source=kept.source,
    )


def _strata(cases: pd.DataFrame, protocol: Protocol) -> pd.Series:
    rule = protocol.allocation
    columns = ["practice_id", *(c for c in (rule.strata if rule else ()) if c != "practice_id")]
    texts = cases[columns].astype(object).where(cases[columns].notna(), "not recorded").astype(str)
    return texts[columns[0]].str.cat(texts[columns[1:]], sep=JOIN) if columns[1:] else texts[columns[0]]


def _order(cases: pd.DataFrame, slip: pd.Series, first: pd.DataFrame, used: Collection[str]) -> dict[str, pd.Series]:
    """Slips passed over, and cases treated before one with an earlier slip of the same stratum."""
    number, stratum = slip.map(first["number"]).astype(float), slip.map(first["stratum"]).astype(object)
    last = number.groupby(stratum).max()
    listed = first.reset_index()
    reached = listed["number"] <= listed["stratum"].map(last).fillna(0)
    skipped = listed.loc[reached & ~has_record(listed, used), "slip"]
    first_ones = cases["period"].astype(object).fillna("1") == "1"
    placed = cases[["case_id", "case_date"]].assign(stratum=stratum, number=number)[first_ones]
    placed = placed.sort_values(["stratum", "number"], kind="stable")
    early = placed["case_date"] < placed.groupby("stratum")["case_date"].cummax()
    return {"skipped": skipped.astype(object), "out_of_order": placed.loc[early, "case_id"].astype(object)}


def _against_log(cases: pd.DataFrame, slip: pd.Series, log: pd.DataFrame) -> dict[str, pd.Series]:
    opened = log.drop_duplicates("slip").set_index("slip")["opened_at"]
    when = pd.to_datetime(slip.map(opened), format="ISO8601", errors="coerce")
    name, day = cases["case_id"].astype(str), pd.to_datetime(cases["case_date"])
    # Of a case that began before midnight it may be of the day after.
    injected = day + pd.to_timedelta(cases["injection_end"].astype(float) + CLOCKS_APART_MIN, unit="min")
    late = (when > injected) | (injected.isna() & (when.dt.normalize() > day))
    return {
        "not_opened": name[~slip.isin(opened.index)],
        "opened_late": name[late],
    }
