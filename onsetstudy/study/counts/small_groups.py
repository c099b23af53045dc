"""No group of cases so small that it points at a patient: small groups are merged, by a rule that is told.

The rule is that of common practice (no source): whoever knows that a patient was among the cases must be left with at
least a stated number of cases that the patient may be.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from onsetstudy.core.errors import OnsetStudyError

OTHER = "other"
JOIN = "+"


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
    if least < 1:
        raise OnsetStudyError(f"the fewest cases of a group must be at least 1, not {least}")
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
    rare: set[tuple[str, ...]] = set()
    together = 0
    for kind, n in counts.items():
        if n >= least and together >= least:
            break
        rare.add(tuple(str(k) for k in (kind if isinstance(kind, tuple) else (kind,))))
        together += int(n)
    return rare
