"""Files of several practices put together, or refused with what does not fit; and their counts up to a quarter.

What carries no quarter is left out where it reaches beyond. Which practices' cold tests can bear the group's claim is
told by their files, never guessed where a file does not.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd

from onsetstudy.core.canonical import digest_of_text
from onsetstudy.core.errors import Problem, RecordsError, Where
from onsetstudy.protocol.lock import ABSENT, Changes, changed_keys
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.results import QUALIFIES, SHUTS
from onsetstudy.study.counts.exchange import OTHER, binds, terms_of
from onsetstudy.study.counts.exchange_check import COLUMNS
from onsetstudy.study.exchange_results import CountTable, Exchange
from onsetstudy.study.group.results import GroupGate, in_order
from onsetstudy.study.sets.counted_set import CountedSet
from onsetstudy.study.sets.work import Work

MENDS = {
    "schedule.clock_zero": "minutes from another zero cannot be pooled unconverted; that practice has to record anew",
    "schedule.tooth_notation": "teeth were written in another notation; that practice has to export again",
}
MOST_NAMED = 4
UNSAID = ".mix_mode"
"""A term that protocols may leave to words: only where both say it can they differ."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Gathered:
    """Counts of all practices, each frame with ``practice_id`` first and ``n`` last, and the files they came from.

    ``notes`` say what differs between the protocols without changing what the counts mean; ``work`` keeps what was
    asked of them. Of counts up to a quarter, ``label``, the cells end with it; scores, waits, harms, flow, operators
    and control teeth are those of files that end with it or before. ``beyond`` names the practices whose files go on
    after it, with their last quarter: of them nothing but cells is used, since the rest cannot be cut.
    """

    protocol: Protocol

    cells: pd.DataFrame
    values: pd.DataFrame
    safety: pd.DataFrame
    flow: pd.DataFrame
    operators: pd.DataFrame
    controls: pd.DataFrame
    files: tuple[tuple[str, Exchange], ...]
    notes: tuple[str, ...]
    label: str = ""
    beyond: tuple[tuple[str, str], ...] = ()
    work: Work = field(default_factory=Work)

    @property
    def counted(self) -> CountedSet:
        """The counts in the form in which they are analysed."""
        return CountedSet(frame=self.cells, protocol=self.protocol, values=self.values, work=self.work)

    @property
    def practices(self) -> tuple[str, ...]:
        """Codes in order."""
        return tuple(sorted({e.practice for _, e in self.files}))

    def begun(self, code: str) -> bool:
        """Whether a practice has sent something that ends with the quarter or goes on after it."""
        return any(e.practice == code and e.quarters[0] <= self.label for _, e in self.files)

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table, by name."""
        return {name: getattr(self, name) for name in COLUMNS}

    @property
    def slips(self) -> dict[str, tuple[int, int]]:
        """Slips opened and without a record of each practice whose files tell; its latest file counts all of them."""
        latest = {e.practice: e for _, e in sorted(self.files, key=lambda item: item[1].quarters[-1])}
        return {
            code: (e.slips_opened, e.slips_without_record)
            for code, e in sorted(latest.items())
            if e.slips_opened is not None and e.slips_without_record is not None
        }


def gather(files: Sequence[tuple[str, Exchange]], protocol: Protocol) -> Gathered:
    """Files checked against the protocol and each other.

    Parameters
    ----------
    files : sequence of (name, Exchange)
        A practice may send several files for different quarters.
    protocol : Protocol
        The group's.

    Raises
    ------
    RecordsError
        If a file follows another protocol (what differs is named), if a practice sent a quarter twice, or the same file
        is there twice; all problems at once.
    """
    problems = [p for name, exchange in files for p in _unlike(name, exchange, protocol)]
    problems += _twice(files)
    if not files:
        problems.append(_problem("", "no exchange file was given", "ask the practices to send theirs", "none"))
    if problems:
        raise RecordsError(problems)
    ordered = tuple(sorted(files, key=lambda f: (f[1].practice, f[1].quarters)))
    exchanges = [exchange for _, exchange in ordered]
    notes = (*_protocols_apart(exchanges, protocol), *_newer(exchanges))
    return Gathered(protocol=protocol, **tables_of(ordered), files=ordered, notes=notes)


def tables_of(files: Sequence[tuple[str, Exchange]]) -> dict[str, Any]:
    """Every table of several files, by name."""
    return {name: together(files, name) for name in COLUMNS}


def digest_of_counts(tables: Mapping[str, pd.DataFrame], code: str) -> str:
    """Of everything that is counted of a practice but operators, whose numbers are drawn anew for each file."""
    own = (table[table["practice_id"] == code] for name, table in tables.items() if name != "operators")
    texts = (t.dropna(axis=1, how="all").sort_index(axis=1).to_csv(index=False) for t in own)
    return digest_of_text(*("\n".join(sorted(text.splitlines())) for text in texts))


def _protocols_apart(files: Sequence[Exchange], protocol: Protocol) -> Iterator[str]:
    """Whose protocol differs in what does not touch the counts; once for all in which the same differs."""
    untold = "; files do not tell these, so hold both protocols against their locks (ledger --verify)"
    found: dict[str, dict[str, None]] = {}
    for exchange in files:
        if exchange.protocol_digest != protocol.digest:
            keys = ", ".join(key for key, _, _ in _differing(exchange, protocol) if not binds(key))
            found.setdefault(f": {keys}" if keys else untold, {})[exchange.practice] = None
    for named, codes in found.items():
        keep = "keeps a protocol" if len(codes) == 1 else "keep protocols"
        differ = "differs" if len(codes) == 1 else "differ"
        yield f"{', '.join(codes)} {keep} that {differ} in parts that do not touch the counts{named}."


def _newer(files: Sequence[Exchange]) -> Iterator[str]:
    """What a newer version added to files."""
    for exchange in (exchange for exchange in files if exchange.newer):
        names = ", ".join(name for name, _ in exchange.newer)
        yield (
            f"{exchange.practice}: a newer version, {exchange.made_with}, made its file; what that added is not "
            f"counted here: {names}."
        )


def _differing(exchange: Exchange, protocol: Protocol) -> Changes:
    return changed_keys(dict(terms_of(protocol)), dict(exchange.terms))


def together(files: Sequence[tuple[str, Exchange]], name: str) -> pd.DataFrame:
    """One table of several files, with the practice first."""
    tables: list[tuple[str, CountTable | None]] = [(e.practice, getattr(e, name)) for _, e in files]
    frames = [table.to_frame().assign(practice_id=code) for code, table in tables if table is not None and table.rows]
    if name == "operators":
        _number_on(frames)
    if not frames:
        return pd.DataFrame(columns=["practice_id", *COLUMNS[name], "n"])
    frame = pd.concat([f.astype(object) for f in frames], ignore_index=True)
    frame = frame[["practice_id", *(c for c in frame.columns if c != "practice_id")]]
    numbers = [c for c in frame.columns if c.startswith(("left_", "right_")) or c == "value"]
    frame = frame.astype({**dict.fromkeys(numbers, float), "n": "int64"})
    keys = [c for c in frame.columns if c != "n"]
    return pd.DataFrame(frame.groupby(keys, sort=True, dropna=False, as_index=False)["n"].sum())


def _number_on(frames: list[pd.DataFrame]) -> None:
    """Operators of a practice's further files under further numbers: no file tells who had which in another."""
    last: Counter[str] = Counter()
    for frame in frames:
        code, apart = frame["practice_id"].iloc[0], frame["operator"] != OTHER
        numbers = [int(number) + last[code] for number in frame.loc[apart, "operator"]]
        frame.loc[apart, "operator"] = [f"{number:02d}" for number in numbers]
        last[code] = max([last[code], *numbers])


def _unlike(name: str, exchange: Exchange, protocol: Protocol) -> Iterator[Problem]:
    whose, study = exchange.practice, protocol.study
    if exchange.study != study.id:
        what = f"{whose} sent a file of the study {exchange.study}, not of {study.id}"
        yield _problem(name, what, "give files of one study", "other_study")
        return
    differ = {
        key: f"{key} is {_read(after)} there and {_read(before)} here"
        for key, before, after in _differing(exchange, protocol)
        if binds(key) and not (key.endswith(UNSAID) and ABSENT in (before, after))
    }
    for key in (key for key in differ if key in MENDS):
        yield _problem(name, f"{whose} follows another protocol: {differ[key]}", MENDS[key], "other_protocol")
    if rest := [told for key, told in differ.items() if key not in MENDS]:
        more = f"; and {len(rest) - MOST_NAMED} more keys" if len(rest) > MOST_NAMED else ""
        what = f"{whose} follows another protocol: {'; '.join(rest[:MOST_NAMED])}{more}"
        mend = "agree on one protocol; that practice makes its file anew under it"
        yield _problem(name, what, mend, "other_protocol")
    known = {q.label for q in protocol.quarters}
    if strange := [q for q in exchange.quarters if q not in known]:
        what = f"{whose} sends {', '.join(strange)}, no quarter of this study"
        yield _problem(name, what, "add the quarter to the protocol of the group", "quarter")
    if exchange.invented != study.invented:
        there, here = ("invented", "real") if exchange.invented else ("real", "invented")
        what = f"{whose} says that its cases are {there}, and this protocol is of {here} ones"
        yield _problem(name, what, "never pool invented with real cases", "invented")
    if study.practices and whose not in study.practices:
        mend = f"the protocol names {', '.join(study.practices)}; add the code there"
        yield _problem(name, f"{whose} is no practice of this study", mend, "practice")


def _twice(files: Sequence[tuple[str, Exchange]]) -> Iterator[Problem]:
    """Files of one practice that share a quarter: for every one to leave out, which to keep."""
    by_age = sorted(files, key=lambda item: (item[1].age, item[0]))
    for (name, one), (other, two) in itertools.combinations(by_age, 2):
        if not one.shares_a_quarter(two):
            continue
        (end, cases), (later, more) = one.age, two.age
        what = f"{one.practice} is in two files: this one ends with {end} and holds {cases} cases, {other} ends with "
        what += f"{later} and holds {more}"
        missing = ", ".join(q for q in one.quarters if q not in two.quarters)
        if (one.quarters, one.cells, one.values) == (two.quarters, two.cells, two.values):
            mend = "they hold the same; keep either"
        elif (end, cases) == (later, more):
            mend = "keep one of them; ask the practice which was made last"
        elif missing:
            mend = f"ask the practice for one file of all its quarters: {other} is the newer, but has no {missing}"
        else:
            mend = f"leave this one out: {other} is the newer and holds every quarter of it"
        yield _problem(name, what, mend, "twice")


def _read(value: str) -> str:
    """A flattened value without the quotes of its JSON text."""
    return value.replace('\\"', '"').strip('"')


def _problem(name: str, what: str, mend: str, code: str) -> Problem:
    return Problem(what=what, where=Where(file=name), mend=mend, code=code)


def until(cells: pd.DataFrame, label: str, *, early: bool = False) -> pd.DataFrame:
    """Cells up to a quarter; periods that were joined count with their last quarter, or ``early`` with their first."""
    quarter = first_quarter(cells["quarter"]) if early else last_quarter(cells["quarter"])
    return cells[quarter <= label].reset_index(drop=True)


def first_quarter(quarter: pd.Series) -> pd.Series:
    """The first quarter of periods, some of which were joined."""
    return quarter.astype(str).str.split("+").str[0]


def last_quarter(quarter: pd.Series) -> pd.Series:
    """The last quarter of periods, some of which were joined."""
    return quarter.astype(str).str.split("+").str[-1]


def cut(counts: Gathered, label: str) -> Gathered:
    """Counts up to the end of a quarter."""
    begun = [(name, e) for name, e in counts.files if e.quarters[0] <= label]
    beyond = {e.practice: e.quarters[-1] for _, e in begun if e.quarters[-1] > label}
    whole = [(name, e) for name, e in begun if e.practice not in beyond]
    tables = {} if len(whole) == len(counts.files) else tables_of(whole)
    tables["cells"] = until(counts.cells, label)
    return replace(counts, **tables, label=label, beyond=tuple(sorted(beyond.items())))


def sent_less(counts: Gathered) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """Practices of the protocol without a file, and those whose files end before the quarter, with their last one."""
    missing = tuple(p for p in counts.protocol.study.practices if p not in counts.practices)
    last = dict(sorted((e.practice, e.quarters[-1]) for _, e in counts.files))
    return missing, tuple((code, q) for code, q in last.items() if q < counts.label)


def gates_of(counts: Gathered, letters: dict[str, str]) -> tuple[GroupGate, ...]:
    """The verdict about each practice, by letter.

    Of several files of a practice the gravest verdict counts: nobody could tell the doubtful quarters from the others
    in the answer. A practice of which any file does not tell is ``not_told``, unless another file shuts it. Practices
    are left out where theirs is shut and another's is not; where all are shut there is no answer to leave them out of.
    Those without a case in the period are not asked.
    """
    found = [_gate(str(code), counts, letters) for code in sorted(counts.cells["practice_id"].unique())]
    some = any(gate.verdict != "shut" for gate in found)
    told = (replace(gate, left_out=some and gate.verdict == "shut") for gate in found)
    return tuple(sorted(told, key=lambda gate: in_order(gate.letter)))


def _gate(code: str, counts: Gathered, letters: dict[str, str]) -> GroupGate:
    told, letter = [e.doubts for _, e in counts.files if e.practice == code], letters[code]
    # In a group a practice goes by its letter.
    doubts = tuple(replace(d, practices=(letter,) if d.practices else ()) for doubts in told for d in doubts or ())
    effects = {d.effect for d in doubts}
    if SHUTS in effects:
        verdict = "shut"
    elif any(doubts is None for doubts in told):
        verdict = "not_told"
    else:
        verdict = "qualified" if QUALIFIES in effects else "open"
    return GroupGate(letter=letter, verdict=verdict, doubts=doubts, left_out=False)


def without(counts: Gathered, codes: tuple[str, ...]) -> Gathered:
    """The counts without some practices, in everything that makes up the answer."""
    if not codes:
        return counts
    files = tuple((name, e) for name, e in counts.files if e.practice not in codes)
    tables: dict[str, Any] = {
        name: table[~table["practice_id"].isin(codes)].reset_index(drop=True) for name, table in counts.tables.items()
    }
    beyond = tuple((code, last) for code, last in counts.beyond if code not in codes)
    return replace(counts, **tables, files=files, beyond=beyond)
