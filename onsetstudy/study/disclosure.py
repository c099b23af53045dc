"""What somebody who reads a practice's file of counts could learn."""

from __future__ import annotations

import json

import numpy as np

from onsetstudy.core.errors import Problem, RecordsError, Where
from onsetstudy.pool.small_groups import OTHER
from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.study.exchange_results import Exchange

__all__ = ["learned_by_subtraction", "what_can_be_learned"]


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
        f"in {_counted(len(groups), 'group')} by {' and '.join(keys)}; the smallest holds {int(groups.min())}.",
        f"{int((cells['n'] == 1).sum())} of {_counted(len(cells), 'count')} are of a single case: its quarter, "
        "technique, arm and onset, with the times of its tests as written down. The file does not say whose case it "
        "is; whoever has the records can find it.",
    ]
    found += _single_scores(exchange)
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
            f"{_counted(len(few), 'count')} of events or supplements {'is' if len(few) == 1 else 'are'} below "
            f"{held.least}; harms are never merged away. They carry no quarter and no technique."
        )
    if held.steps:
        kept = "unknown" if held.information_kept is None else f"{100 * min(held.information_kept, 1.0):.1f} %"
        found.append(
            f"Merged to protect patients: {'; '.join(held.steps)}. {_counted(held.moved, 'case')} changed their group; "
            f"information on the ratio of rates kept: {kept}."
        )
    if held.scores_kept_back:
        found.append(f"{held.scores_kept_back} scores or waits were kept back, because their arm had too few.")
    if exchange.operators is not None:
        found.append("Failures are counted by operator under numbers; colleagues may recognise themselves.")
    found.append(
        "A file sent before, taken from this one, shows the cases that were added since. Ask that the older one be "
        "deleted."
    )
    found.append(
        "No code of a patient or a case, no date finer than the quarter, no age, no tooth and no free text is in the "
        "file. Treat it as confidential all the same."
    )
    return tuple(found)


def learned_by_subtraction(before: Exchange, after: Exchange) -> tuple[str, ...]:
    """What somebody who has two files of a practice could learn by taking one from the other.

    Parameters
    ----------
    before, after : Exchange
        Of the same practice and study, the earlier one first.

    Returns
    -------
    tuple of str
        One sentence for each group in which fewer cases were added than may stand alone; then one on what remains.
    """
    least = after.held_back.least
    found = []
    kinds, old, new = _by_kind(before, after)
    for kind in sorted(set(old) | set(new)):
        added = new.get(kind, 0) - old.get(kind, 0)
        if 0 < abs(added) < least:
            what = "more" if added > 0 else "fewer"
            found.append(
                f"{_counted(abs(added), 'case')} {what} of {kind} than in the file sent before: each stands alone."
            )
    total = sum(new.values()) - sum(old.values())
    found.append(
        f"By subtraction from the file sent before, {_counted(abs(total), 'case')} {'more' if total >= 0 else 'fewer'} "
        f"in all, by {' and '.join(kinds)}."
        + (f" Wait until every group has grown by {least}, or have the older file deleted first." if found else "")
    )
    return tuple(found)


def _by_kind(before: Exchange, after: Exchange) -> tuple[list[str], dict[str, int], dict[str, int]]:
    """Cases by everything that tells groups apart but the quarter, whose borders may have moved."""
    frames = [before.cells.to_frame(), after.cells.to_frame()]
    keys = [c for c in frames[1].columns if c not in ("quarter", "arm", "n") and not c.startswith(("left_", "right_"))]
    counts = []
    for frame in frames:
        kind = frame[keys].astype(str).agg(" ".join, axis=1)
        counts.append({str(name): int(n) for name, n in frame["n"].groupby(kind).sum().items()})
    return keys, counts[0], counts[1]


def _single_scores(exchange: Exchange) -> list[str]:
    values = exchange.values.to_frame()
    if not len(values):
        return []
    alone = values[values["n"] == 1].groupby("quantity", sort=True).size()
    if not len(alone):
        return []
    named = ", ".join(f"{str(name).replace('_', ' ')} {n}" for name, n in alone.items())
    return [f"Scores and minutes of a single case, by arm, without quarter or technique: {named}."]


def _counted(n: int, one: str) -> str:
    return f"{n} {one if n == 1 else one + 's'}"


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
