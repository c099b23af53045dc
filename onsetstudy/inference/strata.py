"""Strata that hold enough cases of both arms, by a rule that sees counts and nothing else.

Strata decide verdicts, so that they are fixed before anybody sees an outcome: the rule is the same for rows, for counts
of a practice's file and for every interim analysis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

LEAST_OF_AN_ARM = 10
"""Fewest cases of either arm of a stratum by itself (a compromise: fewer have no dependable spread; no source)."""
OTHERS = "others"
ALL = "all"
JOIN = " | "


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Strata:
    """A code per row, and which codes hold strata that were put together for want of cases.

    ``crossed`` counts the cases whose value of the first column shares a stratum with another value of it: a
    difference between practices may there pass for one between arms.
    """

    code: NDArray[np.str_]
    merged: tuple[str, ...]
    crossed: int = 0

    @property
    def names(self) -> tuple[str, ...]:
        """Codes in order."""
        return tuple(sorted(set(self.code.tolist())))

    @property
    def one(self) -> bool:
        """Whether all cases are in one stratum."""
        return len(set(self.code.tolist())) < 2


def merge_small(
    columns: Sequence[ArrayLike],
    arm: ArrayLike,
    arms: tuple[str, str],
    *,
    weight: ArrayLike | None = None,
    least: int = LEAST_OF_AN_ARM,
) -> Strata:
    """Strata of which each holds at least ``least`` cases of both arms, as far as there are so many.

    Combinations of the columns with fewer are put together with the other small ones that are alike in all columns but
    the last; those that are still small join a large stratum that is alike so far, the one with which most else is
    shared; where there is none they are put together with those alike in all but the last two columns; and so on. So a
    practice keeps its cases to itself as long as it has enough of them.

    Parameters
    ----------
    columns : sequence of array_like of str, shape (n,)
        What tells strata apart; what matters most first. None: one stratum.
    arm : array_like of str, shape (n,)
    arms : tuple of two str
        Rows of other arms count nowhere.
    weight : array_like of float, shape (n,), optional
        How many like cases a row stands for.
    least : int
    """
    labels = np.asarray(arm).astype(str)
    n = labels.size
    w = np.ones(n) if weight is None else np.asarray(weight, dtype=np.float64)
    parts = [np.asarray(c).astype(str) for c in columns]
    code = np.full(n, "", dtype=object)
    # A column that is the same everywhere tells nothing apart and would only lengthen names.
    parts = [p for p in parts if n and np.unique(p).size > 1]
    if not parts:
        return Strata(code=code.astype(str), merged=())
    small = np.ones(n, dtype=bool)
    joined: set[str] = set()
    for kept in range(len(parts), -1, -1):
        here = np.flatnonzero(small)
        if not here.size:
            break
        tail = () if kept == len(parts) else (OTHERS,)
        names = [JOIN.join((*(p[i] for p in parts[:kept]), *tail)) for i in here]
        code[here] = names
        fits = _large(code[here], labels[here], w[here], arms, least)
        small[here] = [name not in fits for name in names]
        if tail:
            joined |= fits
            joined |= _join_siblings(code, small, parts, kept, w)
    told = code.astype(str)
    mixed = [name for name in set(told.tolist()) if np.unique(parts[0][told == name]).size > 1]
    return Strata(
        code=told,
        merged=tuple(sorted(joined & set(told.tolist()))),
        crossed=round(float(w[np.isin(told, mixed) & np.isin(labels, arms)].sum())),
    )


def _join_siblings(
    code: NDArray[np.object_],
    small: NDArray[np.bool_],
    parts: list[NDArray[np.str_]],
    kept: int,
    weight: NDArray[np.float64],
) -> set[str]:
    """Gives what is still small to a large stratum that is alike in the first ``kept`` columns.

    Of several it is the one with which most of the other columns are shared, then the smallest. Where none is large
    enough all cases are one stratum.
    """
    joined: set[str] = set()
    # Those that were put together stay together: each such group looks for a home as one.
    for name in sorted(set(code[small])):
        group = small & (code == name)
        first = int(np.argmax(group))
        alike = ~small & np.all([p == p[first] for p in parts[:kept]], axis=0)
        homes = sorted(
            set(code[alike]),
            key=lambda c: (-_shared(parts[kept:], group, code == c, weight), weight[code == c].sum(), c),
        )
        if homes:
            code[group] = homes[0]
            small[group] = False
            joined.add(homes[0])
    if not kept and small.any():
        code[:], small[:] = ALL, False
        joined.add(ALL)
    return joined


def _shared(
    columns: list[NDArray[np.str_]], group: NDArray[np.bool_], home: NDArray[np.bool_], weight: NDArray[np.float64]
) -> float:
    """Cases of a group that have at least one case alike in the home, added up over the columns."""
    return float(sum(weight[group & np.isin(column, list(set(column[home])))].sum() for column in columns))


def _large(
    code: NDArray[np.object_], arm: NDArray[np.str_], weight: NDArray[np.float64], arms: tuple[str, str], least: int
) -> set[str]:
    """Codes with enough cases of both arms."""
    names, number = np.unique(code.astype(str), return_inverse=True)
    enough = [np.bincount(number[arm == a], weight[arm == a], names.size) >= least for a in arms]
    return set(names[np.all(enough, axis=0)].tolist())
