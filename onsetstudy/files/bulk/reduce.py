"""Rows of any number reduced to counts, part by part: interrupted and begun again, it loses and doubles nothing."""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import json
import zipfile
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
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
from onsetstudy.records.checks.no_records import read
from onsetstudy.records.checks.orphans import refuse_many_without_case, tests_without_case
from onsetstudy.records.derived.allocation import KeptList, known_arms, names_of, of_case, resolve_arms
from onsetstudy.records.derived.flow import refused_by_practice
from onsetstudy.records.derived.opened_slips import recorded_slips
from onsetstudy.records.derived.withdrawn import leave_out, met_in, unmatched
from onsetstudy.study.counts.aggregate_counts import Tally, add_tallies, tally_records

FORM = 8
"""Form of a finished part's file: one of another form is done anew."""
ONCE = ("unread_column", "other_practice")
"""What is to be looked at in all rows alike: told once, whatever the number of parts."""
COUNTED = ("rows_read", "rows_accepted", "readings_read", "readings_accepted", "readings_without_case", "withdrawn")
BATCH = 64
"""Parts handed out at a time, so that progress is told and memory is bounded."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Reduced:
    """Counts of all parts together.

    ``problems`` counts refused rows by code, ``examples`` tells the first of each; ``refused`` counts refused cases by
    practice; ``readings_without_case`` counts cold tests that another case may lack; ``withdrawn`` counts cases left
    out because consent was taken back; ``unmatched`` are codes of such cases that no row has; ``kept`` is how many
    parts had been done before; ``queries`` say what is to be looked at, each once; ``digest`` is of the accepted
    records of all parts, whatever was done when; ``slips`` are the opened slips that a row names, by slip or by case.
    """

    tally: Tally
    parts: int
    kept: int
    rows_read: int
    rows_accepted: int
    readings_read: int
    readings_accepted: int
    readings_without_case: int
    withdrawn: int
    unmatched: tuple[str, ...]
    problems: tuple[tuple[str, int], ...]
    examples: Mapping[str, str]
    refused: tuple[tuple[str, int], ...]
    queries: tuple[str, ...]
    digest: str
    slips: frozenset[str] = frozenset()

    @property
    def accepted_by_practice(self) -> dict[str, int]:
        """Accepted cases of each practice, analysed or left out."""
        flow = self.tally.flow
        accepted = flow[flow["stage"].isin(["analysed", "left_out"])]
        return {str(code): int(n) for code, n in accepted.groupby("practice_id")["n"].sum().items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """How every part is counted.

    Parameters
    ----------
    protocol : Protocol
    through : Quarter
        Last quarter counted.
    work : Path
        Each part's counts are kept there, written whole or not at all, under the digests of part and protocol: begun
        again, a part that was finished and has not changed is not done anew. Refused rows are in ``rejects/``.
    drop_unknown, today
        As in :func:`~onsetstudy.records.checks.check.check_records`.
    kept, without_list
        As in :func:`~onsetstudy.records.derived.allocation.resolve_arms`.
    gone : frozenset of str
        Codes of cases, without capitals, whose patients took their consent back and wanted the data gone: they are
        left out.
    withdrawn : tuple of str
        All codes whose consent was taken back, as they were entered: those that no row has are told.
    opened : frozenset of str
        Opened slips, see :func:`slips_shown`: those are told that a row names.
    """

    protocol: Protocol
    through: Quarter
    work: Path
    drop_unknown: bool = False
    today: dt.date | None = None
    kept: KeptList | None = None
    without_list: str | None = None
    gone: frozenset[str] = frozenset()
    withdrawn: tuple[str, ...] = ()
    opened: frozenset[str] = frozenset()

    def stamp(self, part: Part) -> str:
        """What a finished part was made from: one that was counted before a consent was taken back is counted again."""
        kept = () if self.kept is None else (self.kept.source, self.kept.digest)
        codes = [sorted(codes) for codes in (self.gone, self.withdrawn, self.opened)]
        told = (FORM, self.protocol.digest, self.through.label, self.drop_unknown, kept, self.without_list, codes)
        digest = hashlib.sha256(json.dumps(told).encode())
        for path in part.files.values():
            with path.open("rb") as file:
                digest.update(hashlib.file_digest(file, "sha256").digest())
        return digest.hexdigest()

    def result(self, part: Part) -> Path:
        """Where what a part comes to is kept."""
        return self.work / "parts" / f"{part.name}.npz"

    def rejects(self, part: Part) -> Path:
        """Where the refused rows of a part are kept."""
        return self.work / "rejects" / f"{part.name}.csv"


def reduce_parts(
    folder: str | Path, terms: Terms, *, mapper: Mapper = serial, progress: Progress | None = None
) -> Reduced:
    """Counts of the records in a folder of parts.

    Parameters
    ----------
    folder : path
        With ``cases/`` and ``cold_tests/``, see :func:`~onsetstudy.files.bulk.parts.find_parts`.
    terms : Terms
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
    # Before any part is read: a count of many hours must not end in a question.
    known_arms(terms.protocol, terms.kept, without_list=terms.without_list)
    _clear_others(terms, parts)
    n_kept = 0
    running: list[Tally] = []
    told: list[dict[str, Any]] = []
    held: list[np.ndarray[Any, Any]] = []
    for first in range(0, len(parts), BATCH):
        batch = parts[first : first + BATCH]
        if progress is not None:
            progress(first, len(parts), "parts")
        n_kept += sum(mapper.map(partial(_reduce_part, terms), batch))
        tallies, found, ids = zip(*(_read_result(terms.result(part)) for part in batch), strict=True)
        running = [add_tallies([*running, *tallies])]
        told += found
        held += ids
    totals, met = _summed(told, "counts"), _gathered(told, "withdrawn")
    refuse_many_without_case(totals["readings_without_case"], totals["readings_read"], Where(file=Path(folder).name))
    _refuse_nothing(folder, terms.work, totals)
    _refuse_twice(parts, held)
    return Reduced(
        tally=running[0],
        parts=len(parts),
        kept=n_kept,
        **{name: totals[name] for name in COUNTED},
        unmatched=unmatched([code for code in terms.withdrawn if of_case(code) not in terms.opened], met),
        problems=tuple(sorted(_summed(told, "problems").items())),
        examples={code: text for part in reversed(told) for code, text in part["examples"].items()},
        refused=tuple(sorted(_summed(told, "refused").items())),
        queries=tuple(sorted(_gathered(told, "queries"))),
        digest=hashlib.sha256("\n".join(sorted(part["records"] for part in told)).encode()).hexdigest(),
        slips=_gathered(told, "slips"),
    )


def _clear_others(terms: Terms, parts: Sequence[Part]) -> None:
    """Throw away what an earlier count has left of parts that are there no longer."""
    known = {path for part in parts for path in (terms.result(part), terms.rejects(part))}
    for left in {*terms.work.glob("parts/*.npz"), *terms.work.glob("rejects/*.csv")} - known:
        left.unlink()


def _summed(told: Sequence[Mapping[str, Any]], what: str) -> Counter[str]:
    """Counts that parts tell, together."""
    return sum((Counter(part[what]) for part in told), Counter())


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


def _reduce_part(terms: Terms, part: Part) -> bool:
    """Do one part, unless it is done; whether it was."""
    stamp = terms.stamp(part)
    if _fits(terms.result(part), stamp):
        return True
    try:
        cases, cold_tests, beside = read_part(part)
        records = check_records(
            cases, cold_tests, terms.protocol, drop_unknown=terms.drop_unknown, today=terms.today, whole=False
        )
    except RecordsError as error:
        in_part = [replace(p, where=replace(p.where, file=p.where.file or part.name)) for p in error.problems]
        raise RecordsError(in_part) from None
    records = replace(records, open_tables=beside)
    left, withdrawn = leave_out(records, terms.gone)
    if len(left.rejects):
        write_escaped(terms.rejects(part), left.rejects)
    else:
        # What was mended since is refused no longer.
        terms.rejects(part).unlink(missing_ok=True)
    told = {
        "stamp": stamp,
        "records": records.digest,
        "problems": Counter(p.code for p in records.problems),
        "examples": {p.code: str(p) for p in reversed(records.problems)},
        "refused": refused_by_practice(left, terms.protocol),
        "queries": sorted(
            {str(replace(p, where=Where(column=p.where.column))) for p in records.queries if p.code in ONCE}
        ),
        "counts": {
            "rows_read": read(records, "cases"),
            "rows_accepted": len(records.cases),
            "readings_read": read(records, "cold_tests"),
            "readings_accepted": len(records.readings),
            "readings_without_case": tests_without_case(records),
            "withdrawn": withdrawn,
        },
        "slips": sorted(recorded_slips(records) & terms.opened),
        "withdrawn": sorted(met_in(records, terms.withdrawn)),
    }
    left, arms = resolve_arms(terms.protocol, left, terms.kept, without_list=terms.without_list)
    tally = tally_records(terms.protocol, left, through=terms.through, arms=arms)
    ids = np.sort(pd.util.hash_array(left.cases["case_id"].str.casefold().to_numpy(dtype=object)))
    write_bytes(terms.result(part), _packed(tally, told, ids))
    return False


def slips_shown(kept: KeptList | None) -> frozenset[str]:
    """Slips that a log shows, as records may name them: of others a part need not keep whether it does."""
    if kept is None or kept.log is None:
        return frozenset()
    return frozenset().union(*names_of(kept.log))


def _fits(path: Path, stamp: str) -> bool:
    try:
        with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as held:
            told = json.loads(str(held["told"]))
        # A day that lay in the future may have come since.
        return bool(told["stamp"] == stamp and "future_date" not in told["problems"])
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return False


def _packed(tally: Tally, told: Mapping[str, Any], ids: np.ndarray[Any, Any]) -> bytes:
    """What a part comes to, without pickles: its counts as text, and the hashes of its codes as numbers."""
    tables = {}
    for field in fields(Tally):
        frame = getattr(tally, field.name)
        words = [name for name in frame.columns if not pd.api.types.is_numeric_dtype(frame[name])]
        plain = frame.astype(dict.fromkeys(words, str)).astype(dict.fromkeys(words, object))
        tables[field.name] = {"kinds": plain.dtypes.astype(str).to_dict(), "columns": plain.to_dict("list")}
    buffer = io.BytesIO()
    np.savez_compressed(buffer, ids=ids, told=np.array(json.dumps(told)), tables=np.array(json.dumps(tables)))
    return buffer.getvalue()


def _read_result(path: Path) -> tuple[Tally, dict[str, Any], np.ndarray[Any, Any]]:
    with np.load(path, allow_pickle=False) as held:
        ids, told, tables = held["ids"], *(json.loads(str(held[name])) for name in ("told", "tables"))
    frames = {name: pd.DataFrame(table["columns"]).astype(table["kinds"]) for name, table in tables.items()}
    return Tally(**frames), told, ids


def _refuse_twice(parts: Sequence[Part], held: Sequence[np.ndarray[Any, Any]]) -> None:
    """Refuse a case that stands in two parts, each with the hashes of its codes: it would count twice."""
    every = np.sort(np.concatenate(held))
    twice = np.unique(every[1:][every[1:] == every[:-1]])
    if not twice.size:
        return
    where = [p.name for p, ids in zip(parts, held, strict=True) if np.isin(twice, ids, assume_unique=True).any()]
    what = f"{twice.size} case codes stand in more than one part ({', '.join(where[:5])})"
    raise RecordsError(Problem(what=what, mend="keep every case in one part, with all its cold tests", code="twice"))
