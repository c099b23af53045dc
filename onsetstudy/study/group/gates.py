"""Which practices' cold tests can bear a group's claim: told by their files, never guessed where a file does not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from onsetstudy.records.derived.results import QUALIFIES, SHUTS
from onsetstudy.study.counts.exchange_check import COLUMNS
from onsetstudy.study.group.pool_files import Gathered
from onsetstudy.study.group.results import GroupGate


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
    return tuple(sorted(told, key=lambda gate: (len(gate.letter), gate.letter)))


def _gate(code: str, counts: Gathered, letters: dict[str, str]) -> GroupGate:
    told = [e.doubts for _, e in counts.files if e.practice == code]
    letter = letters[code]
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


def left_out(gates: tuple[GroupGate, ...], letters: dict[str, str]) -> tuple[str, ...]:
    """Codes of the practices whose tests cannot bear the claim, where others' can."""
    out = {gate.letter for gate in gates if gate.left_out}
    return tuple(code for code in sorted(letters) if letters[code] in out)


def without(counts: Gathered, codes: tuple[str, ...]) -> Gathered:
    """The counts without some practices, in everything that makes up the answer."""
    if not codes:
        return counts
    files = tuple((name, e) for name, e in counts.files if e.practice not in codes)
    tables: dict[str, Any] = {
        name: (table := getattr(counts, name))[~table["practice_id"].isin(codes)].reset_index(drop=True)
        for name in COLUMNS
    }
    beyond = tuple((code, last) for code, last in counts.beyond if code not in codes)
    return replace(counts, **tables, files=files, beyond=beyond)
