"""What somebody who reads a practice's file of counts could learn."""

from __future__ import annotations

import pandas as pd

from onsetstudy.core.errors import Problem, RecordsError
from onsetstudy.records.derived.results import ArmStanding
from onsetstudy.study.counts.exchange import JOIN, OTHER, quarters_of
from onsetstudy.study.counts.exchange_check import frame_of, strange_words
from onsetstudy.study.exchange_results import CountTable, Exchange

EVENTS = {"serious": "a serious adverse event", "supplement": "a supplement", "event": "an adverse event"}
"""Words for the kinds of events; the other rows of that table say of how many cases."""


def what_can_be_learned(exchange: Exchange, before: Exchange | None = None) -> tuple[str, ...]:
    """What somebody who reads the file, and with it the one sent before if it is given, could learn; a sentence each.

    Raises
    ------
    RecordsError
        If the file holds a word that is no code of the study, or a group smaller than it says: all of them are named.
    """
    problems, held = strange_words(exchange), exchange.held_back
    keys = _keys(exchange.cells)
    cells = _grouped(exchange.cells.to_frame(), keys)
    groups = cells.groupby("group")["n"].sum()
    for name, n in groups[groups < held.least].items():
        what = f"the group {name} holds {n} cases only"
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
        *_ended_alike(cells),
        _few_events(frame_of(exchange, "safety"), held.least),
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
        "the reason for a missing list and how its own estimates are worded, which no page shows, is in the file. "
        "Treat it as confidential all the same.",
        *(() if before is None else learned_by_subtraction(before, exchange)),
    )
    return tuple(text for text in found if text)


def _ended_alike(cells: pd.DataFrame) -> list[str]:
    """Groups of which who was in them tells how it ended."""
    return [
        f"All cases of {name} ended alike: who knows that a patient was among them knows how it ended."
        for name, rows in cells.groupby("group")
        if _alike(rows)
    ]


def _grouped(cells: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    """Cells with the name of the group that these columns make."""
    return cells.assign(group=[" ".join(map(str, row)) for row in cells[columns].to_numpy()])


def _few_events(safety: pd.DataFrame, least: int) -> str:
    few = int((safety["what"].isin(EVENTS) & (safety["n"] < least)).sum())
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
    old, new = _by_joined_kind(frame_of(before, "cells"), frame_of(after, "cells"), of_kind)
    by_quarter, total = _added_by_quarter(old, new, least), int(new["n"].sum() - old["n"].sum())
    in_all = [f"{_grown(added, 'case')} of {kind} " for kind, added in _changed(old, new, "kind", least)]
    found = [
        f"{more}than in the file sent before: each stands alone."
        for more in in_all
        if not any(sentence.startswith(f"{more}in ") for sentence in by_quarter)
    ]
    if 0 < abs(total) < least and not in_all:
        found.append(f"{_grown(total, 'case')} in all than in the file sent before: each stands alone.")
    found += by_quarter
    for table, added_to in (("safety", _added_events), ("values", _added_values), ("controls", _added_controls)):
        found += added_to(frame_of(before, table), frame_of(after, table), least)
    rest = (
        f"Wait until every group has grown by {least} that did not all end alike, or have the older file deleted first."
        if found
        else f"No group, event or score changed by fewer than {least}, and no cases added to a group all ended alike."
    )
    found.append(
        f"By subtraction from the file sent before, {_grown(total, 'case')} in all, by {' and '.join(of_kind)}. {rest}"
    )
    return tuple(found)


def _added(old: pd.DataFrame, new: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """How many came to each group of these columns, or went (below 0)."""
    # A table without rows has no types of its own.
    filled = [frame for frame in (new, old.assign(n=-old["n"])) if len(frame)] or [new]
    return pd.DataFrame(pd.concat(filled, ignore_index=True).groupby(keys, dropna=False, as_index=False)["n"].sum())


def _changed(old: pd.DataFrame, new: pd.DataFrame, key: str, least: int) -> list[tuple[str, int]]:
    """Groups that grew or shrank by fewer cases than may stand alone, and by how many."""
    added = _added(old, new, [key])
    few = added[(added["n"] != 0) & (added["n"].abs() < least)]
    return [(str(name), int(n)) for name, n in zip(few[key], few["n"], strict=True)]


def _added_by_quarter(old: pd.DataFrame, new: pd.DataFrame, least: int) -> list[str]:
    """Groups by quarter that both files hold, if few cases came or went, or all that came ended alike."""
    joined = _joined_quarters(pd.concat([old, new]))
    old, new = (
        f.assign(group=[joined[k, q] for k, q in zip(f["kind"], f["quarter"], strict=True)]) for f in (old, new)
    )
    ends = [c for c in new.columns if c in old.columns and (c == "arm" or c.startswith(("left_", "right_")))]
    found = []
    for name, rows in _added(old, new, ["group", *ends]).groupby("group"):
        if not (old["group"].eq(name).any() and new["group"].eq(name).any()):
            continue
        came = rows[rows["n"] > 0]
        n = came["n"].sum()
        found += _few(rows, "case", str(name), "each stands alone", least)
        if n >= least and (ended := _alike(came)):
            found.append(
                f"The {n} cases added to {name} since the file sent before all ended alike ({ended}): who "
                "knows that a patient was among them knows how it ended."
            )
    return found


def _added_events(old: pd.DataFrame, new: pd.DataFrame, least: int) -> list[str]:
    return [
        f"{_grown(added, 'case')} with {what} in the arm {arm} than in the file sent before: who knows whose cases "
        f"were {'added' if added > 0 else 'taken out'} may know whose it is."
        for kind, what in EVENTS.items()
        for arm, added in _changed(old[old["what"] == kind], new[new["what"] == kind], "arm", least)
    ]


def _added_values(old: pd.DataFrame, new: pd.DataFrame, least: int) -> list[str]:
    def named(values: pd.DataFrame) -> pd.DataFrame:
        what = values["quantity"].replace("spent", "minutes spent").str.replace("_", " ")
        return values.assign(group=what + " in the arm " + values["arm"])

    groups = _added(named(old), named(new), ["group", "known", "value"]).groupby("group")
    return [told for name, rows in groups for told in _few(rows, "value", str(name), "each can be read off", least)]


def _added_controls(old: pd.DataFrame, new: pd.DataFrame, least: int) -> list[str]:
    """Arms whose control teeth grew by fewer cases than may stand alone, where both files count them."""
    old, new = (frame[frame["what"] == "cases"] for frame in (old, new))
    return [
        f"{_grown(added, 'case')} with a control tooth in the arm {arm} than in the file sent before: how the tests of "
        "these ended can be read off."
        for arm, added in _changed(old, new, "arm", least)
        if old["arm"].eq(arm).any() and new["arm"].eq(arm).any()
    ]


def _few(rows: pd.DataFrame, one: str, name: str, how: str, least: int) -> list[str]:
    """A sentence if fewer than may stand alone came or went; a record that was mended does both."""
    came, went = int(rows["n"].clip(lower=0).sum()), -int(rows["n"].clip(upper=0).sum())
    if not (0 < came < least or 0 < went < least):
        return []
    if came and went:
        return [f"Of {name}, {_counted(came, one)} came and {went} went since the file sent before: {how}."]
    return [f"{_grown(came - went, one)} of {name} than in the file sent before: {how}."]


def _alike(came: pd.DataFrame) -> str:
    """How all of them ended; empty if they did not end alike."""
    left, right = came["left_hazard"], came["right_hazard"]
    if right.isna().all():
        return "never numb while tested"
    if left.nunique() > 1 or right.isna().any():
        return ""
    start, end = left.iloc[0], right.max()
    return f"numb at {start:g} min" if start == end else f"not yet numb at {start:g} min, numb by {end:g} min"


def _by_joined_kind(old: pd.DataFrame, new: pd.DataFrame, of_kind: list[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Cells with their kind where both files tell it apart; kinds that either put into others go together.

    A kind that only one file names was among the others of the other one, or had no case in it yet.
    """
    old, new = (_grouped(f, of_kind).rename(columns={"group": "kind"}) for f in (old, new))
    other = " ".join([OTHER] * len(of_kind))
    before, after = set(old["kind"]), set(new["kind"])
    mixed = (before ^ after) | {other} if other in before | after else set()
    together = f"{_listed((*sorted(mixed - {other}), other))} together" if len(mixed) > 1 else other
    first, second = (f.assign(kind=f["kind"].where(~f["kind"].isin(mixed), together)) for f in (old, new))
    return first, second


def _joined_quarters(cells: pd.DataFrame) -> dict[tuple[str, str], str]:
    """Name of the group of each kind and quarter as written: with the quarters that have to be taken together."""
    joined = {}
    for kind, labels in cells.groupby("kind")["quarter"].unique().items():
        parts: list[set[str]] = []
        for label in sorted(labels):
            touching = [p for p in parts if p & quarters_of(label)]
            parts = [p for p in parts if p not in touching] + [quarters_of(label).union(*touching)]
        for label in labels:
            (part,) = (p for p in parts if p & quarters_of(label))
            joined[str(kind), label] = f"{kind} in {JOIN.join(sorted(part))}"
    return joined


def _keys(cells: CountTable) -> list[str]:
    """Everything that tells groups apart."""
    return [c for c in cells.columns if c not in ("arm", "n") and not c.startswith(("left_", "right_"))]


def _grown(added: int, one: str) -> str:
    return f"{_counted(abs(added), one)} {'more' if added >= 0 else 'fewer'}"


def _single_scores(exchange: Exchange) -> list[str]:
    values = frame_of(exchange, "values")
    alone = values[values["n"] == 1].groupby("quantity").size()
    named = ", ".join(f"{str(name).replace('_', ' ')} {n}" for name, n in alone.items())
    return [f"Scores and minutes of a single case, by arm, without quarter or technique: {named}."] if named else []


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
