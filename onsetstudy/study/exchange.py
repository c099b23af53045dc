"""One practice's counts made ready for its group, and what a reader of them could learn."""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.errors import NotEstimable, OnsetStudyError, Problem, RecordsError, Where
from onsetstudy.core.serialise import to_dict
from onsetstudy.pool.small_groups import OTHER, merge_small_groups
from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.study.cell_estimates import cell_stratum, cell_times, estimates_of_counts
from onsetstudy.study.exchange_results import CountTable, Exchange, HeldBack
from onsetstudy.study.tally import Tally, group_columns
from onsetstudy.survival.compare import score_pieces

__all__ = ["LEAST_CASES", "SendOptions", "make_exchange", "terms_of", "what_can_be_learned"]

LEAST_CASES = 5
"""Fewest cases of a group that is sent by itself (common practice, no source)."""
TEXTS = ("title", "question", "label", "preparation", "include", "exclude", "ethics_status", "invented", "practices")
PARTS = ("study", "arms", "reference_arm", "eligibility", "schedule", "onset", "rescue", "pain", "anxiety", "plan")
NOT_BINDING = ("seed", "planned_hazard_ratio", "planned_power", "min_stratum_cases", "sensitivity")


@dataclass(frozen=True, slots=True, kw_only=True)
class SendOptions:
    """How a practice's counts are made ready.

    Parameters
    ----------
    least_cases : int
        Fewest cases of a group (quarter and technique) that is told apart.
    operators : bool
        Whether failures are counted by operator, under letters; few colleagues know each other.
    """

    least_cases: int = LEAST_CASES
    operators: bool = False


DEFAULT = SendOptions()


def terms_of(protocol: Protocol) -> tuple[tuple[str, str], ...]:
    """What decides the meaning of the counts: key and value as JSON text, without any free text."""
    flat: dict[str, str] = {}

    def walk(value: Any, name: str) -> None:
        key = name.rsplit(".", 1)[-1]
        if key in TEXTS or key in NOT_BINDING or key in ("kind", "version"):
            return
        if isinstance(value, dict):
            for inner, content in value.items():
                walk(content, f"{name}.{inner}" if name else inner)
        elif isinstance(value, list) and any(isinstance(v, dict) for v in value):
            for place, content in enumerate(value):
                walk(content, f"{name}.{place + 1}")
        else:
            flat[name] = json.dumps(value, sort_keys=True)

    content = to_dict(protocol)
    for part in PARTS:
        walk(content[part], part)
    return tuple(sorted(flat.items()))


def make_exchange(
    tally: Tally, protocol: Protocol, practice: str, *, records_digest: str, options: SendOptions = DEFAULT
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
    options : SendOptions

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
        known = ", ".join(tally.practices) or "none"
        raise RecordsError(
            Problem(
                what=f"the practice {practice} has no analysed case",
                where=Where(),
                mend=f"practices with cases: {known}",
                value=practice,
                code="practice",
            )
        )
    estimates = estimates_of_counts(own.cells, own.values, protocol)
    keys = group_columns(protocol)
    try:
        merged = merge_small_groups(
            own.cells.drop(columns="practice_id"), least=options.least_cases, period=keys[0], kinds=keys[1:]
        )
    except OnsetStudyError as error:
        raise RecordsError(
            [Problem(what=f"{practice}: {p.what}", where=p.where, mend=p.mend, code="too_few") for p in error.problems]
        ) from None
    values, kept_back = _without_small(own.values.drop(columns="practice_id"), options.least_cases)
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
        operators=_operators(own.operators, records_digest, options.least_cases) if options.operators else None,
        estimates=estimates,
        held_back=HeldBack(
            least=options.least_cases,
            moved=merged.moved,
            steps=merged.steps,
            information_kept=_information_kept(own.cells, merged.frame, protocol) if merged.moved else 1.0,
            scores_kept_back=kept_back,
        ),
        records_digest=records_digest,
        made_with=f"onsetstudy {importlib.metadata.version('onsetstudy')}",
        invented=protocol.study.invented,
    )


def _without_small(values: pd.DataFrame, least: int) -> tuple[pd.DataFrame, int]:
    """Scores and minutes of an arm are sent where there are enough of them; how many were not."""
    total = values.groupby(["quantity", "arm"])["n"].transform("sum")
    return values[total >= least].reset_index(drop=True), int(values.loc[total < least, "n"].sum())


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
        used = cells[cells["arm"].isin(protocol.arm_codes[:2])]
        pieces = score_pieces(
            cell_times(used, "hazard"),
            used["arm"].to_numpy(dtype=str),
            reference_arm=protocol.reference_arm,
            stratum=cell_stratum(used, protocol),
            weight=used["n"].to_numpy(),
        )
        return float(sum(p.variance[0] for p in pieces))

    try:
        whole = information(before)
        return information(after) / whole if whole > 0 else None
    except (NotEstimable, OnsetStudyError):
        return None


def what_can_be_learned(exchange: Exchange) -> tuple[str, ...]:
    """What somebody who reads the file, and nothing else, could learn; one sentence each.

    Raises
    ------
    RecordsError
        If the file holds a word that is no code of the study, or a group smaller than it says: all of them are named.
    """
    problems = _strangers(exchange)
    cells = exchange.cells.to_frame()
    keys = [c for c in cells.columns if c not in ("arm", "n") and not c.startswith(("left_", "right_"))]
    groups = cells.groupby(keys, sort=True)["n"].sum()
    for name, n in groups[groups < exchange.held_back.least].items():
        told = " ".join(map(str, name if isinstance(name, tuple) else (name,)))
        problems.append(_problem(f"the group {told} holds {n} cases only", "make the file anew", "small_group"))
    if problems:
        raise RecordsError(problems)
    held = exchange.held_back
    found = [
        f"Practice {exchange.practice} treated {int(cells['n'].sum())} analysed cases in {_listed(exchange.quarters)}, "
        f"in {len(groups)} groups by {' and '.join(keys)}; the smallest holds {int(groups.min())}.",
        f"{int((cells['n'] == 1).sum())} of {len(cells)} counts are of one case: they say what happened to somebody of "
        "the group, not to whom.",
    ]
    right = cells["right_hazard"].astype(float)
    never = cells.assign(never=np.where(right.isna(), cells["n"], 0)).groupby(keys)[["never", "n"]].sum()
    alike = never[(never["never"] == never["n"]) | (cells.groupby(keys)["left_hazard"].nunique() == 1)]
    for name in alike.index:
        told = " ".join(map(str, name if isinstance(name, tuple) else (name,)))
        found.append(f"All cases of {told} ended alike: who knows that a patient was among them knows how it ended.")
    safety = exchange.safety.to_frame()
    few = safety[(safety["what"] != "cases") & (safety["n"] < held.least)]
    if len(few):
        found.append(
            f"{len(few)} counts of events or supplements are below {held.least}; harms are never merged away. They "
            "carry no quarter and no technique."
        )
    if held.steps:
        kept = "unknown" if held.information_kept is None else f"{100 * held.information_kept:.1f} %"
        found.append(
            f"Merged to protect patients: {'; '.join(held.steps)}. {held.moved} cases changed their group; information "
            f"on the ratio of rates kept: {kept}."
        )
    if held.scores_kept_back:
        found.append(f"{held.scores_kept_back} scores or waits were kept back, because their arm had too few.")
    if exchange.operators is not None:
        found.append("Failures are counted by operator under numbers; colleagues may recognise themselves.")
    found.append(
        "No patient, no row, no date finer than the quarter, no age, no tooth and no free text is in the file."
    )
    return tuple(found)


def _listed(values: tuple[str, ...]) -> str:
    return values[0] if len(values) == 1 else f"{', '.join(values[:-1])} and {values[-1]}"


def _problem(what: str, mend: str, code: str) -> Problem:
    return Problem(what=what, where=Where(), mend=mend, code=code)


def _strangers(exchange: Exchange) -> list[Problem]:
    """Words in the counts that are no code of the study, and columns that should not be there."""
    terms = dict(exchange.terms)
    arms = {json.loads(v) for k, v in terms.items() if k.startswith("arms.") and k.endswith(".code")}
    codes = {c for values in CODES.values() for c in values} | {OTHER, "not recorded"}
    known: dict[str, set[str]] = {
        "arm": arms,
        "technique": codes,
        "what": {"cases", "recorded", "event", "serious", "supplement"},
        "known": {"exactly", "at_least"},
        "outcome": {"numb", "not_numb", "undecided"},
        "stage": {"recorded", "refused", "left_out", "analysed"},
        "quantity": {"spent", *(f"pain_{m}" for m in ("insertion", "placement", "deposition", "treatment"))},
    }
    problems = []
    for table in ("cells", "values", "safety", "flow", "operators"):
        content = getattr(exchange, table)
        if content is None:
            continue
        frame = content.to_frame()
        for column in frame.columns:
            if column.startswith(("left_", "right_")) or column in ("n", "value"):
                wrong = [v for v in frame[column] if isinstance(v, str)]
            elif column == "quarter":
                parts = {q for v in frame[column] for q in str(v).split("+")}
                wrong = sorted(parts - set(exchange.quarters))
            elif column == "operator":
                wrong = sorted({str(v) for v in frame[column] if not (str(v).isdigit() or v == OTHER)})
            else:
                wrong = sorted({str(v) for v in frame[column]} - known.get(column, codes))
            if wrong:
                what = f"the table {table} holds {', '.join(map(str, wrong[:3]))} under {column}, no code of the study"
                problems.append(_problem(what, "mend the records and make the file anew; do not send this one", "word"))
    return problems
