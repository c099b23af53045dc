"""Rows of any number reduced to counts, part by part: interrupted and begun again, it loses and doubles nothing."""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import json
import zipfile
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.errors import Problem, RecordsError, Where
from onsetstudy.core.parallel import Mapper, Progress, serial
from onsetstudy.files.bulk.parts import Part, find_parts, read_part
from onsetstudy.files.guard import problem_in
from onsetstudy.files.output import write_bytes, write_escaped
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.records.checks.check import check_records
from onsetstudy.records.derived.allocation import KeptList, known_arms, resolve_arms
from onsetstudy.records.derived.flow import refused_by_practice
from onsetstudy.records.derived.opened_slips import practices_of, recorded_slips, slips_of
from onsetstudy.records.derived.withdrawn import codes_read, without_cases
from onsetstudy.study.counts.aggregate_counts import Tally, add_tallies, tally_records

__all__ = ["Reduced", "reduce_parts"]

FORM = 4
"""Form of a finished part's file: one of another form is done anew."""
COUNTED = ("rows_read", "rows_accepted", "readings_read", "readings_accepted", "withdrawn")
BATCH = 64
"""Parts handed out at a time, so that progress is told and memory is bounded."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Reduced:
    """Counts of all parts together.

    ``problems`` counts refused rows by code, ``refused`` refused cases by practice; ``withdrawn`` counts accepted cases
    left out because consent was taken back; ``unmatched`` are codes of such cases that no row has; ``kept`` is how many
    parts had been done before; ``unread`` says which columns were left unread; ``digest`` is of the accepted records of
    all parts, whatever was done when; ``slips`` are the opened slips that a row names.
    """

    tally: Tally
    parts: int
    kept: int
    rows_read: int
    rows_accepted: int
    readings_read: int
    readings_accepted: int
    withdrawn: int
    unmatched: tuple[str, ...]
    problems: tuple[tuple[str, int], ...]
    refused: tuple[tuple[str, int], ...]
    unread: tuple[str, ...]
    digest: str
    slips: frozenset[str] = frozenset()

    @property
    def accepted_by_practice(self) -> dict[str, int]:
        """Accepted cases of each practice, analysed or left out."""
        flow = self.tally.flow
        accepted = flow[flow["stage"].isin(["analysed", "left_out"])]
        return {str(code): int(n) for code, n in accepted.groupby("practice_id")["n"].sum().items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    part: Part
    protocol: Protocol
    through: Quarter
    work: Path
    drop_unknown: bool
    today: dt.date | None
    kept: KeptList | None
    without_list: str | None
    arms: str
    gone: frozenset[str]
    withdrawn: frozenset[str]
    opened: frozenset[str]


def reduce_parts(
    folder: str | Path,
    protocol: Protocol,
    work: str | Path,
    *,
    through: Quarter,
    drop_unknown: bool = False,
    today: dt.date | None = None,
    kept: KeptList | None = None,
    without_list: str | None = None,
    gone: Collection[str] = (),
    withdrawn: Collection[str] = (),
    opened: KeptList | None = None,
    mapper: Mapper = serial,
    progress: Progress | None = None,
) -> Reduced:
    """Counts of the records in a folder of parts.

    Parameters
    ----------
    folder : path
        With ``cases/`` and ``cold_tests/``, see :func:`~onsetstudy.files.bulk.parts.find_parts`.
    protocol : Protocol
    work : path
        Each part's counts are kept there, written whole or not at all, under the digests of part and protocol: begun
        again, a part that was finished and has not changed is not done anew. Refused rows are in ``rejects/``.
    through : Quarter
        Last quarter counted.
    drop_unknown, today
        As in :func:`~onsetstudy.records.checks.check.check_records`.
    kept, without_list
        As in :func:`~onsetstudy.records.derived.allocation.resolve_arms`.
    gone : collection of str
        Codes of cases whose patients took their consent back and wanted the data gone: they are left out.
    withdrawn : collection of str
        All codes whose consent was taken back, ``gone`` or not: those that no row has are told.
    opened : KeptList or None
        Log of opened slips, of which those are told that a row names; by default that of ``kept``.
    mapper : Mapper
        Hands out the parts; the counts do not depend on it.
    progress : callable or None

    Raises
    ------
    RecordsError
        If parts are missing or cannot be read, a table's headings cannot be used, a case stands in two parts, or no
        case of all the parts can be used; if the study is randomised and neither list nor log nor a reason is given.
    """
    parts = find_parts(folder)
    work = Path(work)
    # Before any part is read: a count of many hours must not end in a question.
    known_arms(protocol, kept, without_list=without_list)
    arms = f"{'' if kept is None else f'{kept.source} {kept.digest}'} {without_list or ''}"
    jobs = [
        _Job(part=p, protocol=protocol, through=through, work=work, drop_unknown=drop_unknown, today=today, kept=kept,
             without_list=without_list, arms=arms, gone=frozenset(code.casefold() for code in gone),
             opened=_opened(kept if opened is None else opened),
             withdrawn=frozenset(code.casefold() for code in (*gone, *withdrawn)))
        for p in parts
    ]  # fmt: skip
    n_kept = 0
    running: list[Tally] = []
    told: list[dict[str, Any]] = []
    for first in range(0, len(jobs), BATCH):
        batch = jobs[first : first + BATCH]
        if progress is not None:
            progress(first, len(jobs), "parts")
        n_kept += sum(mapper.map(_reduce_part, batch))
        read = [_read_result(_result_path(work, job.part)) for job in batch]
        running = [add_tallies([*running, *(tally for tally, _ in read)])]
        told += [found for _, found in read]
    totals = _summed(told, "counts")
    _refuse_nothing(folder, work, totals)
    _refuse_twice(work, parts)
    codes, met = {code.casefold(): code for code in (*gone, *withdrawn)}, _gathered(told, "withdrawn")
    return Reduced(
        tally=running[0],
        parts=len(parts),
        kept=n_kept,
        **{name: totals[name] for name in COUNTED},
        unmatched=tuple(code for plain, code in codes.items() if plain not in met),
        problems=tuple(sorted(_summed(told, "problems").items())),
        refused=tuple(sorted(_summed(told, "refused").items())),
        unread=tuple(sorted(_gathered(told, "unread"))),
        digest=hashlib.sha256("\n".join(sorted(part["records"] for part in told)).encode()).hexdigest(),
        slips=_gathered(told, "slips"),
    )


def _summed(told: Sequence[Mapping[str, Any]], what: str) -> Counter[str]:
    """Counts that parts tell, together."""
    total: Counter[str] = Counter()
    for part in told:
        total.update(part[what])
    return total


def _gathered(told: Sequence[Mapping[str, Any]], what: str) -> frozenset[str]:
    """Everything that any part tells."""
    return frozenset(name for part in told for name in part[what])


def _refuse_nothing(folder: str | Path, work: Path, totals: Counter[str]) -> None:
    """Refuse records of which no case can be used: parts alone may have none."""
    if totals["rows_accepted"]:
        return
    read = totals["rows_read"]
    what, mend = "there is no case in these records", "enter one row for every injection"
    if read:
        what = f"none of {read} cases can be used"
        mend = f"is this the protocol of these records? The reasons are in {work / 'rejects'}"
    raise RecordsError(problem_in(Path(folder), what, mend, "nothing_left"))


def _result_path(work: Path, part: Part) -> Path:
    return work / "parts" / f"{part.name}.npz"


def _reduce_part(job: _Job) -> bool:
    """Do one part, unless it is done; whether it was."""
    path = _result_path(job.work, job.part)
    stamp = _stamp(job)
    if _fits(path, stamp):
        return True
    try:
        cases, cold_tests, beside = read_part(job.part)
        records = check_records(
            cases, cold_tests, job.protocol, drop_unknown=job.drop_unknown, today=job.today, whole=False
        )
    except RecordsError as error:
        raise RecordsError([_in_part(job.part, p) for p in error.problems]) from None
    records = replace(records, companions=beside)
    rejects = job.work / "rejects" / f"{job.part.name}.csv"
    if len(records.rejects):
        write_escaped(rejects, records.rejects)
    else:
        # What was mended since is refused no longer.
        rejects.unlink(missing_ok=True)
    counts = {
        "rows_read": records.rows_read,
        "rows_accepted": len(records.cases),
        "readings_read": records.readings_read,
        "readings_accepted": len(records.readings),
    }
    told = {
        "stamp": stamp,
        "records": records.digest,
        "problems": dict(Counter(p.code for p in records.problems)),
        "refused": refused_by_practice(records, job.protocol),
        "unread": [str(_without_file(p)) for p in records.queries if p.code == "unread_column"],
        "counts": counts,
        "slips": sorted(recorded_slips(records) & job.opened),
        "withdrawn": sorted(job.withdrawn & codes_read(records)) if job.withdrawn else [],
    }
    if job.gone:
        left = without_cases(records, job.gone)
        counts["withdrawn"] = len(records.cases) - len(left.cases)
        records = left
    records, arms = resolve_arms(job.protocol, records, job.kept, without_list=job.without_list)
    tally = tally_records(job.protocol, records, through=job.through, arms=arms)
    ids = np.sort(pd.util.hash_array(records.cases["case_id"].to_numpy(dtype=object)))
    write_bytes(path, _packed(tally, told, ids))
    return False


def _opened(kept: KeptList | None) -> frozenset[str]:
    """Slips that the log shows, as records may name them: of others a part need not keep whether it does."""
    if kept is None or kept.log is None:
        return frozenset()
    slips = kept.log["slip"].astype(str)
    return frozenset(slips) | frozenset(slips_of(practices_of(kept.log), slips))


def _in_part(part: Part, problem: Problem) -> Problem:
    return replace(problem, where=replace(problem.where, file=problem.where.file or part.name))


def _without_file(problem: Problem) -> Problem:
    """A problem of every part alike, told once."""
    return replace(problem, where=Where(column=problem.where.column))


def _stamp(job: _Job) -> str:
    """What a finished part was made from."""
    digest = hashlib.sha256(f"{FORM} {job.protocol.digest} {job.through.label} {job.drop_unknown} {job.arms}".encode())
    # A part that was counted before a patient took the consent back is counted again.
    digest.update("\n".join([*sorted(job.gone), "", *sorted(job.withdrawn)]).encode())
    digest.update("\n".join(sorted(job.opened)).encode())
    for path in job.part.files:
        with path.open("rb") as file:
            digest.update(hashlib.file_digest(file, "sha256").digest())
    return digest.hexdigest()


def _fits(path: Path, stamp: str) -> bool:
    try:
        with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as held:
            return bool(json.loads(str(held["told"]))["stamp"] == stamp)
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return False


def _packed(tally: Tally, told: dict[str, Any], ids: np.ndarray[Any, Any]) -> bytes:
    """Counts as arrays without pickles: words by number, with the words beside them."""
    arrays: dict[str, Any] = {"told": np.array(json.dumps(told, sort_keys=True)), "ids": ids}
    for field in fields(Tally):
        frame = getattr(tally, field.name)
        arrays[f"{field.name}|columns"] = np.array(list(frame.columns), dtype=str)
        for column in frame.columns:
            values = frame[column]
            if pd.api.types.is_numeric_dtype(values):
                arrays[f"{field.name}|{column}"] = values.to_numpy()
            else:
                codes, words = pd.factorize(values.astype(str), sort=True)
                arrays[f"{field.name}|{column}"] = codes.astype(np.int32)
                arrays[f"{field.name}|{column}|words"] = np.asarray(words, dtype=str)
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)
    return buffer.getvalue()


def _read_result(path: Path) -> tuple[Tally, dict[str, Any]]:
    with np.load(path, allow_pickle=False) as held:
        told = json.loads(str(held["told"]))
        frames = {}
        for field in fields(Tally):
            columns = {}
            for column in held[f"{field.name}|columns"].tolist():
                values = held[f"{field.name}|{column}"]
                words = f"{field.name}|{column}|words"
                columns[column] = held[words].astype(object)[values] if words in held else values
            frames[field.name] = pd.DataFrame(columns)
    return Tally(**frames), told


def _refuse_twice(work: Path, parts: tuple[Part, ...]) -> None:
    """Refuse a case that stands in two parts: it would count twice."""
    if len(parts) < 2:
        return
    held = []
    for part in parts:
        with np.load(_result_path(work, part), allow_pickle=False) as found:
            held.append(found["ids"])
    every = np.concatenate(held)
    every.sort()
    twice = np.unique(every[1:][every[1:] == every[:-1]])
    if not twice.size:
        return
    where = [p.name for p, ids in zip(parts, held, strict=True) if np.isin(twice, ids, assume_unique=True).any()]
    what = f"{twice.size} case codes stand in more than one part ({', '.join(where[:5])})"
    mend = "keep every case in one part, with all its cold tests"
    raise RecordsError(Problem(what=what, mend=mend, code="twice"))
