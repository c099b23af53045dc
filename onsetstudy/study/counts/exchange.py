"""One practice's counts made ready for its group: no group of cases so small that it points at a patient.

Small groups are merged by the rule of common practice (no source), and it is told: whoever knows that a patient was
among the cases must be left with at least a stated number of cases that the patient may be.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
from dataclasses import dataclass
from typing import Any

import pandas as pd

from onsetstudy.core.errors import NotEstimable, OnsetStudyError, Problem, RecordsError
from onsetstudy.core.serialise import to_dict
from onsetstudy.protocol.earlier_names import first_key, first_value, without_new_defaults
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.opened_slips import OpenedSlips
from onsetstudy.records.derived.results import Doubt
from onsetstudy.study.counts.aggregate_counts import EXACTLY, Tally, group_columns
from onsetstudy.study.counts.counted_estimates import estimates_of_counts
from onsetstudy.study.exchange_results import CountTable, Exchange, HeldBack
from onsetstudy.study.sets.counted_set import CountedSet
from onsetstudy.survival.ranktests.score_statistics import score_pieces

LEAST_CASES = 5
"""Fewest cases of a group that is sent by itself (common practice, no source)."""
TEXTS = ("title", "question", "label", "preparation", "include", "exclude", "ethics_status", "invented", "practices")
PARTS = ("study", "arms", "reference_arm", "eligibility", "schedule", "onset", "rescue", "pain", "anxiety", "plan")
APART = ("allocation", "governance", "adoption")
"""Tables that say how a study is run: whatever stands in them, the counts mean the same."""
NOT_BINDING = ("case_codes", "seed", "planned_hazard_ratio", "planned_power", "min_stratum_cases", "sensitivity")


def binds(key: str) -> bool:
    """Whether a key of the protocol decides what the counts mean; one that is not known here is held to do so.

    Files may state others: those of versions that told of more, and those of newer ones.
    """
    table, _, rest = key.partition(".")
    return table not in APART and rest.rsplit(".", 1)[-1] not in (*TEXTS, *NOT_BINDING)


def terms_of(protocol: Protocol) -> tuple[tuple[str, str], ...]:
    """What decides the meaning of the counts: key and value as JSON text, without any free text."""
    flat: dict[str, str] = {}

    def walk(value: Any, name: str) -> None:
        key = name.rsplit(".", 1)[-1]
        if key in TEXTS or key in NOT_BINDING or key in ("kind", "version"):
            return
        if isinstance(value, dict):
            for inner, content in value.items():
                walk(content, f"{name}.{inner}")
        elif isinstance(value, list) and any(isinstance(v, dict) for v in value):
            for place, content in enumerate(value):
                walk(content, f"{name}.{place + 1}")
        else:
            table, _, last = name.partition(".")
            first = f"{table}.{first_key(table, last)}" if last else name
            flat[first] = json.dumps(first_value(table, last, value), sort_keys=True)

    # Files of both spellings pool: terms are told by the first names, and keys added since only where they differ.
    content = without_new_defaults(to_dict(protocol))
    for part in PARTS:
        walk(content[part], part)
    return tuple(sorted(flat.items()))


def make_exchange(
    tally: Tally,
    protocol: Protocol,
    practice: str,
    *,
    records_digest: str,
    least_cases: int = LEAST_CASES,
    operators: bool = False,
    doubts: tuple[Doubt, ...] | None = None,
    slips: OpenedSlips | None = None,
) -> Exchange:
    """Counts of one practice, without a group smaller than allowed.

    Parameters
    ----------
    tally : Tally
        Counts that hold this practice.
    protocol : Protocol
    practice : str
        Its code.
    records_digest : str
        SHA-256 of the records counted.
    least_cases : int
        Fewest cases of a group (quarter and technique) that is told apart.
    operators : bool
        Whether failures are counted by operator, under letters; few colleagues know each other.
    doubts : tuple of Doubt or None
        About the practice's cold tests, see :func:`~onsetstudy.records.validity.gates.doubts_of_practice`; ``None``:
        not asked.
    slips : OpenedSlips or None
        Of the practice, see :func:`~onsetstudy.records.derived.opened_slips.opened_slips`; only their numbers are told.

    Returns
    -------
    Exchange

    Raises
    ------
    RecordsError
        If the practice has no analysed case, or fewer than may be sent.
    """
    own = tally.of(practice)
    if own.cells.empty:
        what, known = f"the practice {practice} has no analysed case", ", ".join(tally.practices) or "none"
        mend = f"practices with cases: {known}"
        raise RecordsError(Problem(what=what, mend=mend, value=practice, code="practice"))
    cells, (period, *kinds) = own.cells.drop(columns="practice_id"), group_columns(protocol)
    try:
        merged = merge_small_groups(cells, least=least_cases, period=period, kinds=tuple(kinds))
    except OnsetStudyError as error:
        raise RecordsError(Problem(what=f"{practice}: {error.problems[0].what}", code="too_few")) from None
    values, kept_back = _without_small(_of_seen_starts(own.values).drop(columns="practice_id"), least_cases)
    controls, without_control = _controls(own.controls.drop(columns="practice_id"), least_cases)
    kept = _information_kept(own.cells, merged.frame, protocol) if merged.moved else 1.0
    flow = own.flow.groupby("stage", sort=True, as_index=False)["n"].sum()
    return Exchange(
        study=protocol.study.id,
        practice=practice,
        quarters=tuple(sorted(own.cells["quarter"].unique())),
        protocol_digest=protocol.digest,
        terms=terms_of(protocol),
        cells=CountTable.of(merged.frame),
        values=CountTable.of(values),
        safety=CountTable.of(own.safety.drop(columns="practice_id")),
        flow=CountTable.of(pd.DataFrame(flow)),
        operators=_operators(own.operators, records_digest, least_cases) if operators else None,
        # From what is sent and nothing else: an estimate of what was kept back would give it away.
        estimates=estimates_of_counts(CountedSet(frame=merged.frame, protocol=protocol, values=values)),
        held_back=HeldBack(
            least=least_cases,
            moved=merged.moved,
            steps=merged.steps,
            # Strata put together may compare cases that had nobody to be compared with: that is no less than all.
            information_kept=None if kept is None else min(1.0, kept),
            scores_kept_back=kept_back,
            controls_kept_back=without_control,
        ),
        records_digest=records_digest,
        made_with=f"onsetstudy {importlib.metadata.version('onsetstudy')}",
        invented=protocol.study.invented,
        arms=own.standing,
        doubts=doubts,
        controls=controls,
        slips_opened=None if slips is None else slips.opened,
        slips_without_record=None if slips is None else len(slips.without),
    )


def _of_seen_starts(values: pd.DataFrame) -> pd.DataFrame:
    """A practice's counts without the waits of arms in which it recorded no start of treatment in any part."""
    spent = values["quantity"] == "spent"
    seen = values.loc[spent & (values["known"] == EXACTLY), "arm"]
    return values[~spent | values["arm"].isin(seen)]


def _without_small(values: pd.DataFrame, least: int) -> tuple[pd.DataFrame, int]:
    """Scores and minutes of an arm are sent where there are enough of them; how many were not."""
    total = values.groupby(["quantity", "arm"])["n"].transform("sum")
    return values[total >= least].reset_index(drop=True), int(values.loc[total < least, "n"].sum())


def _controls(counts: pd.DataFrame, least: int) -> tuple[CountTable, int]:
    """Control teeth of arms in which enough cases had one; how many cases were kept back."""
    cases = counts[counts["what"] == "cases"].set_index("arm")["n"]
    few = cases[cases < least]
    return CountTable.of(counts[~counts["arm"].isin(few.index)].reset_index(drop=True)), int(few.sum())


def _operators(counts: pd.DataFrame, salt: str, least: int) -> CountTable:
    """Operators under letters whose order tells nothing; those with too few cases together."""
    cases = counts.groupby("clinician_id")["n"].sum()
    enough = sorted(cases[cases >= least].index, key=lambda c: hashlib.sha256(f"{salt}{c}".encode()).hexdigest())
    letters = {code: f"{place + 1:02d}" for place, code in enumerate(enough)}
    named = counts.assign(operator=counts["clinician_id"].map(letters).fillna(OTHER))
    keys = ["operator", "technique", "arm", "outcome"]
    return CountTable.of(pd.DataFrame(named.groupby(keys, sort=True, as_index=False)["n"].sum()))


def _information_kept(before: pd.DataFrame, after: pd.DataFrame, protocol: Protocol) -> float | None:
    """Variance of the log-rank score after merging over that before; strata are those of the plan."""

    def information(cells: pd.DataFrame) -> float:
        used, arm = CountedSet(frame=cells, protocol=protocol).two_arms(), protocol.reference_arm
        pieces = score_pieces(
            used.times("hazard"), used.arm, reference_arm=arm, stratum=used.stratum(), weight=used.weight
        )
        return float(sum(p.variance[0] for p in pieces))

    try:
        whole = information(before)
        return information(after) / whole if whole > 0 else None
    except (NotEstimable, OnsetStudyError):
        return None


OTHER = "other"
JOIN = "+"


def quarters_of(period: str) -> set[str]:
    """Quarters of a period; one that was joined is named by its first and its last, and holds those between."""
    first, last = (4 * int(q[:4]) + int(q[5]) - 1 for q in (period[:6], period[-6:]))
    return {f"{k // 4:04d}Q{k % 4 + 1}" for k in range(first, last + 1)}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Merged:
    """Counts with no group below ``least`` cases, and what was done to get there.

    ``moved`` is the number of cases whose group changed, ``steps`` says how in words.
    """

    frame: pd.DataFrame
    moved: int
    steps: tuple[str, ...]


def merge_small_groups(frame: pd.DataFrame, *, least: int, period: str, kinds: tuple[str, ...]) -> Merged:
    """Counts whose groups all hold at least ``least`` cases.

    Parameters
    ----------
    frame : DataFrame
        Counts in ``n``; ``period`` and ``kinds`` are the columns that tell groups apart, the others stay with them.
    least : int
        Fewest cases of a group, at least 1.
    period : str
        Column of the time, whose values sort in order.
    kinds : tuple of str
        Further columns, such as the technique and other strata.

    Returns
    -------
    Merged

    Raises
    ------
    OnsetStudyError
        If all cases together are fewer than ``least``: then nothing can be sent.

    Notes
    -----
    Kinds that are too rare over all periods become ``other``, together with the rarest of the rest if they are still
    too few. Then, kind by kind, periods with too few cases are joined with the next (the last with the one before).
    Comparisons within kinds are thus untouched wherever a kind has enough cases in all; what is lost is when they were.
    """
    total = int(frame["n"].sum())
    if total < least:
        raise OnsetStudyError(
            f"{total} analysed cases are fewer than {least}, so that they could point at a patient; nothing is sent. "
            "Wait for more cases"
        )
    merged = frame.copy()
    steps = []
    names = list(kinds)
    if names and (rare := _rare_kinds(merged, kinds, least)):
        steps.append(f"{', '.join(sorted(' '.join(kind) for kind in rare))} became {OTHER}")
        rows = [tuple(row) in rare for row in merged[names].astype(str).to_numpy()]
        merged.loc[rows, names] = OTHER
    kind = merged[names].astype(str).agg(" ".join, axis=1) if names else pd.Series("all", index=merged.index)
    for value in sorted(kind.unique()):
        within = kind == value
        for joined, parts in _joined_periods(merged[within], period, least).items():
            if len(parts) > 1:
                steps.append(f"{value}: {', '.join(parts)} were joined into one period")
                merged.loc[within & merged[period].isin(parts), period] = joined
    changed = (merged[[period, *kinds]] != frame[[period, *kinds]]).any(axis=1)
    keys = [c for c in merged.columns if c != "n"]
    summed = pd.DataFrame(merged.groupby(keys, sort=True, dropna=False, as_index=False)["n"].sum())
    return Merged(frame=summed, moved=int(frame.loc[changed, "n"].sum()), steps=tuple(steps))


def _joined_periods(frame: pd.DataFrame, period: str, least: int) -> dict[str, list[str]]:
    counts = frame.groupby(period, sort=True)["n"].sum()
    groups: list[list[str]] = []
    running = 0
    for value, n in counts.items():
        if running == 0:
            groups.append([])
        groups[-1].append(str(value))
        running = 0 if running + n >= least else running + int(n)
    if running and len(groups) > 1:
        last = groups.pop()
        groups[-1] += last
    return {(g[0] if len(g) == 1 else f"{g[0]}{JOIN}{g[-1]}"): g for g in groups}


def _rare_kinds(frame: pd.DataFrame, kinds: tuple[str, ...], least: int) -> set[tuple[str, ...]]:
    """Kinds that have to become one another's company, rarest first."""
    counts = frame.groupby(list(kinds), sort=True)["n"].sum().sort_values(kind="stable")
    if counts.iloc[0] >= least:
        return set()
    rare = counts[(counts < least) | (counts.cumsum() - counts < least)]
    return {tuple(map(str, kind if isinstance(kind, tuple) else (kind,))) for kind in rare.index}
