"""What somebody who reads a practice's file of counts could learn."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.errors import Problem, RecordsError
from onsetstudy.records.derived.results import ArmStanding
from onsetstudy.study.counts.exchange_check import strange_words
from onsetstudy.study.counts.small_groups import OTHER
from onsetstudy.study.exchange_results import CountTable, Exchange

EVENTS = {"event": "an adverse event", "serious": "a serious adverse event", "supplement": "a supplement"}
"""Words for the kinds of events; the other rows of that table say of how many cases."""

Kind = Callable[[dict[str, Any]], str]
"""Name of the kind that a row of cells is of."""


def what_can_be_learned(exchange: Exchange, before: Exchange | None = None) -> tuple[str, ...]:
    """What somebody who reads the file, and with it the one sent before if it is given, could learn; a sentence each.

    Raises
    ------
    RecordsError
        If the file holds a word that is no code of the study, or a group smaller than it says: all of them are named.
    """
    problems, held = strange_words(exchange), exchange.held_back
    cells = exchange.cells.to_frame()
    keys = _keys(exchange.cells)
    groups = cells.groupby(keys, sort=True)["n"].sum()
    for name, n in groups[groups < held.least].items():
        what = f"the group {_told(name)} holds {n} cases only"
        problems.append(Problem(what=what, mend="make the file anew", code="small_group"))
    if problems:
        raise RecordsError(problems)
    kept = "unknown" if held.information_kept is None else f"{100 * min(held.information_kept, 1.0):.1f} %"
    doubts = tuple(d.code.replace("_", " ") for d in exchange.doubts or ())
    found = (
        f"Practice {exchange.practice} treated {int(cells['n'].sum())} analysed cases in {_listed(exchange.quarters)}, "
        f"in {_counted(len(groups), 'group')} by {' and '.join(keys)}; the smallest holds {int(groups.min())}.",
        f"{int((cells['n'] == 1).sum())} of {_counted(len(cells), 'count')} are of a single case: its quarter, "
        "technique, arm and onset, with the times of its tests as written down. The file does not say whose case it "
        "is; whoever has the records can find it.",
        *_single_scores(exchange),
        *_ended_alike(cells, keys),
        _few_events(exchange.safety, held.least),
        f"Merged to protect patients: {'; '.join(held.steps)}. {_counted(held.moved, 'case')} changed their group; "
        f"information on the hazard ratio kept: {kept}."
        if held.steps
        else "",
        *_control_teeth(exchange),
        f"{held.scores_kept_back} scores or waits were kept back, because their arm had too few."
        if held.scores_kept_back
        else "",
        _arms(exchange.arms),
        f"{exchange.slips_without_record} of {exchange.slips_opened} opened slips have no record; which, is not told."
        if exchange.slips_without_record
        else "",
        f"How the cold tests were done raised doubts, which the file tells with their counts: {_listed(doubts)}."
        if doubts
        else "",
        "Failures are counted by operator under numbers; colleagues may recognise themselves."
        if exchange.operators is not None
        else "",
        "A newer version made it and added what this one cannot judge: "
        f"{_listed(tuple(name for name, _ in exchange.newer))}."
        if exchange.newer
        else "",
        "A file sent before, taken from this one, shows the cases that were added since. Ask that the older one be "
        "deleted."
        if before is None
        else "",
        "No code of a patient or a case, no date finer than the quarter, no age, no tooth and no free text but "
        "the reason for a missing list is in the file. Treat it as confidential all the same.",
        *(() if before is None else learned_by_subtraction(before, exchange)),
    )
    return tuple(text for text in found if text)


def _told(group: object) -> str:
    return " ".join(map(str, group if isinstance(group, tuple) else (group,)))


def _ended_alike(cells: pd.DataFrame, keys: list[str]) -> list[str]:
    """Groups of which who was in them tells how it ended."""
    right = cells["right_hazard"].astype(float)
    never = cells.assign(never=np.where(right.isna(), cells["n"], 0)).groupby(keys)[["never", "n"]].sum()
    alike = never[(never["never"] == never["n"]) | (cells.groupby(keys)["left_hazard"].nunique() == 1)].index
    return [
        f"All cases of {_told(name)} ended alike: who knows that a patient was among them knows how it ended."
        for name in alike
    ]


def _few_events(counts: CountTable, least: int) -> str:
    safety = counts.to_frame()
    few = int(((safety["what"] != "cases") & (safety["n"] < least)).sum())
    if not few:
        return ""
    return (
        f"{_counted(few, 'count')} of events or supplements {'is' if few == 1 else 'are'} below {least}; harms are "
        "never merged away. They carry no quarter and no technique."
    )


def _arms(arms: ArmStanding | None) -> str:
    if arms is None:
        return ""
    if arms.verified:
        return (
            f"{arms.other_arm} of {arms.verified} cases with a known slip received another arm than was allocated; in "
            "which arm, quarter or group is not told."
        )
    why = f", with the reason given: {arms.reason}" if arms.reason else ""
    return f"No case was checked against the list or log of slips; the file says so{why}."


def learned_by_subtraction(before: Exchange, after: Exchange) -> tuple[str, ...]:
    """What somebody who has two files of a practice could learn by taking one from the other.

    Parameters
    ----------
    before, after : Exchange
        Of the same practice and study, the earlier one first.

    Returns
    -------
    tuple of str
        One sentence for each group in which fewer cases were added than may stand alone, in all and by quarter (once
        if it is the same number); for each whose added cases ended alike; for events, and scores and minutes, of fewer;
        then one on what remains.

    Notes
    -----
    Quarters and kinds that either file joined are compared as joined: their sum is what both tell.
    """
    if not set(before.quarters) & set(after.quarters):
        return ("The file sent before is of other quarters: taking one from the other tells nothing more.",)
    least = after.held_back.least
    # Everything that tells groups apart but the quarter, whose borders may have moved.
    of_kind = [c for c in _keys(after.cells) if c != "quarter" and c in before.cells.columns]
    kind_of = _joined_kinds(before.cells, after.cells, of_kind)
    old, new = (_summed(e.cells, kind_of) for e in (before, after))
    by_quarter = _added_by_quarter(before, after, kind_of, least)
    in_all = [f"{_grown(added, 'case')} of {kind} " for kind, added in _changed(old, new, set(old) | set(new), least)]
    found = [
        f"{more}than in the file sent before: each stands alone."
        for more in in_all
        if not any(sentence.startswith(f"{more}in ") for sentence in by_quarter)
    ]
    total = new.total() - old.total()
    if 0 < abs(total) < least and not in_all:
        found.append(f"{_grown(total, 'case')} in all than in the file sent before: each stands alone.")
    found += by_quarter
    found += _added_events(before.safety, after.safety, least)
    found += _added_values(before.values, after.values, least)
    found += _added_controls(before, after, least)
    rest = (
        f"Wait until every group has grown by {least} that did not all end alike, or have the older file deleted first."
        if found
        else f"No group, event or score changed by fewer than {least}, and no cases added to a group all ended alike."
    )
    found.append(
        f"By subtraction from the file sent before, {_grown(total, 'case')} in all, by {' and '.join(of_kind)}. {rest}"
    )
    return tuple(found)


def _added_by_quarter(before: Exchange, after: Exchange, kind_of: Kind, least: int) -> list[str]:
    """Groups by quarter that both files hold, if few cases came or went, or all that came ended alike."""
    joined = _joined_quarters((before.cells, after.cells), kind_of)

    def group(row: dict[str, Any]) -> str:
        kind = kind_of(row)
        return f"{kind} in {joined[kind, row['quarter']]}"

    shared = [c for c in after.cells.columns if c in before.cells.columns]
    ends = [c for c in shared if c == "arm" or c.startswith(("left_", "right_"))]
    old, new = (_split(e.cells, group, ends) for e in (before, after))
    found = []
    for name in sorted(set(old) & set(new)):
        came, went = new[name] - old[name], old[name] - new[name]
        found += _few(came.total(), went.total(), "case", name, "each stands alone", least)
        if came.total() >= least and (ended := _alike(came, ends)):
            found.append(
                f"The {came.total()} cases added to {name} since the file sent before all ended alike ({ended}): who "
                "knows that a patient was among them knows how it ended."
            )
    return found


def _added_events(before: CountTable, after: CountTable, least: int) -> list[str]:
    def group(row: dict[str, Any]) -> str:
        return f"the arm {row['arm']}: {EVENTS[row['what']]}" if row["what"] in EVENTS else ""

    old, new = (_summed(table, group) for table in (before, after))
    return [
        f"{_grown(added, 'case')} with {what} in {arm} than in the file sent before: who knows whose cases "
        f"were {'added' if added > 0 else 'taken out'} may know whose it is."
        for name, added in _changed(old, new, (set(old) | set(new)) - {""}, least)
        for arm, what in [name.split(": ")]
    ]


def _added_values(before: CountTable, after: CountTable, least: int) -> list[str]:
    def group(row: dict[str, Any]) -> str:
        quantity = "minutes spent" if row["quantity"] == "spent" else str(row["quantity"]).replace("_", " ")
        return f"{quantity} in the arm {row['arm']}"

    old, new = (_split(table, group, ["known", "value"]) for table in (before, after))
    found = []
    for name in sorted(set(old) | set(new)):
        came, went = (a.get(name, Counter()) - b.get(name, Counter()) for a, b in ((new, old), (old, new)))
        found += _few(came.total(), went.total(), "value", name, "each can be read off", least)
    return found


def _added_controls(before: Exchange, after: Exchange, least: int) -> list[str]:
    """Arms whose control teeth grew by fewer cases than may stand alone; nothing where a file does not count them."""
    if before.controls is None or after.controls is None:
        return []

    def group(row: dict[str, Any]) -> str:
        return str(row["arm"]) if row["what"] == "cases" else ""

    old, new = (_summed(table, group) for table in (before.controls, after.controls))
    return [
        f"{_grown(added, 'case')} with a control tooth in the arm {arm} than in the file sent before: how the tests of "
        "these ended can be read off."
        for arm, added in _changed(old, new, (set(old) & set(new)) - {""}, least)
    ]


def _changed(old: Counter[str], new: Counter[str], names: set[str], least: int) -> list[tuple[str, int]]:
    """Groups that grew or shrank by fewer cases than may stand alone, and by how many."""
    grown = [(name, new[name] - old[name]) for name in sorted(names)]
    return [(name, added) for name, added in grown if 0 < abs(added) < least]


def _few(came: int, went: int, one: str, name: str, how: str, least: int) -> list[str]:
    """A sentence if fewer than may stand alone came or went; a record that was mended does both."""
    if not (0 < came < least or 0 < went < least):
        return []
    if came and went:
        return [f"Of {name}, {_counted(came, one)} came and {went} went since the file sent before: {how}."]
    return [f"{_grown(came - went, one)} of {name} than in the file sent before: {how}."]


def _alike(came: Counter[tuple[Any, ...]], ends: list[str]) -> str:
    """How all of them ended; empty if they did not end alike."""
    left, right = ({row[ends.index(f"{side}_hazard")] for row in came} for side in ("left", "right"))
    if right == {None}:
        return "never numb while tested"
    if len(left) > 1 or None in right:
        return ""
    start, end = left.pop(), max(right)
    return f"numb at {start:g} min" if start == end else f"not yet numb at {start:g} min, numb by {end:g} min"


def _joined_kinds(before: CountTable, after: CountTable, of_kind: list[str]) -> Kind:
    """How a row's kind is called where both files tell it apart; those that either put into others go together.

    A kind that only one file names was among the others of the other one, or had no case in it yet.
    """
    other = _named(dict.fromkeys(of_kind, OTHER), of_kind)
    old, new = ({_named(row, of_kind) for row in _rows(table)} for table in (before, after))
    mixed = (old ^ new) | {other} if other in old | new else set()
    together = f"{_listed((*sorted(mixed - {other}), other))} together" if len(mixed) > 1 else other

    def kind_of(row: dict[str, Any]) -> str:
        name = _named(row, of_kind)
        return together if name in mixed else name

    return kind_of


def _joined_quarters(tables: Iterable[CountTable], kind_of: Kind) -> dict[tuple[str, str], str]:
    """Which quarters have to be taken together, by kind and quarter as written, so that all tables can be compared."""
    written: dict[str, set[str]] = {}
    for row in (row for table in tables for row in _rows(table)):
        written.setdefault(kind_of(row), set()).add(row["quarter"])
    joined = {}
    for kind, labels in written.items():
        parts: list[set[str]] = []
        for label in sorted(labels):
            touching = [p for p in parts if p & set(label.split("+"))]
            parts = [p for p in parts if p not in touching] + [set(label.split("+")).union(*touching)]
        for label in labels:
            (part,) = (p for p in parts if p & set(label.split("+")))
            joined[kind, label] = "+".join(sorted(part))
    return joined


def _rows(table: CountTable) -> list[dict[str, Any]]:
    return [dict(zip(table.columns, row, strict=True)) for row in table.rows]


def _summed(table: CountTable, group: Callable[[dict[str, Any]], str]) -> Counter[str]:
    counts: Counter[str] = Counter()
    for row in _rows(table):
        counts[group(row)] += int(row["n"])
    return counts


def _split(
    table: CountTable, group: Callable[[dict[str, Any]], str], within: list[str]
) -> dict[str, Counter[tuple[Any, ...]]]:
    """Counts by group, and within it by these columns."""
    counts: dict[str, Counter[tuple[Any, ...]]] = {}
    for row in _rows(table):
        counts.setdefault(group(row), Counter())[tuple(row[c] for c in within)] += int(row["n"])
    return counts


def _keys(cells: CountTable) -> list[str]:
    """Everything that tells groups apart."""
    return [c for c in cells.columns if c not in ("arm", "n") and not c.startswith(("left_", "right_"))]


def _named(row: dict[str, Any], columns: list[str]) -> str:
    return " ".join(str(row[c]) for c in columns)


def _grown(added: int, one: str) -> str:
    return f"{_counted(abs(added), one)} {'more' if added >= 0 else 'fewer'}"


def _single_scores(exchange: Exchange) -> list[str]:
    alone = Counter(str(row["quantity"]) for row in _rows(exchange.values) if row["n"] == 1)
    named = ", ".join(f"{name.replace('_', ' ')} {n}" for name, n in sorted(alone.items()))
    return [f"Scores and minutes of a single case, by arm, without quarter or technique: {named}."] if alone else []


def _control_teeth(exchange: Exchange) -> list[str]:
    """Sums over all cases of an arm tell of nobody; that they are there is said all the same."""
    found = []
    if exchange.controls is not None and exchange.controls.rows:
        found.append("Tests of control teeth are counted by arm, over all its cases, without quarter or technique.")
    if kept := exchange.held_back.controls_kept_back:
        found.append(f"Control teeth of {_counted(kept, 'case')} were kept back, because their arm had too few.")
    return found


def _counted(n: int, one: str) -> str:
    return f"{n} {one if n == 1 else one + 's'}"


def _listed(values: tuple[str, ...]) -> str:
    return values[0] if len(values) == 1 else f"{', '.join(values[:-1])} and {values[-1]}"
