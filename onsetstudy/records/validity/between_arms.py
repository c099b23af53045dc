"""What must not happen in one arm more than in the other if tests are to compare them, asked exactly.

Each question is a sum of fourfold tables, one for a practice (and planned minute): the cases of two arms to which
something could happen, and those to which it did. Whatever the solution does to onset, it changes who is in the
tables and not how those in them share out, so that a true difference raises no doubt.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray
from onsetstudy.core.onset_rule import derive_intervals

__all__ = ["Shares", "confirmed", "exact_p", "given_up", "shares_of", "unconfirmed"]

Table = tuple[int, int, int, int]
"""Happened and could have, in the reference arm; happened and could have, in the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shares:
    """To how many of how many it happened: the two arms, reference first, and two-sided P of no difference."""

    happened: tuple[int, int]
    could: tuple[int, int]
    p_value: float


def shares_of(
    happened: BoolArray, could: BoolArray, arm: NDArray[np.str_], arms: tuple[str, str], within: NDArray[np.str_]
) -> Shares:
    """Shares of units by arm, compared within groups.

    Parameters
    ----------
    happened, could : ndarray of bool, shape (m,)
        Of each unit.
    arm, within : ndarray of str, shape (m,)
    arms : tuple of two str
        Reference first; units of other arms count nowhere.
    """
    tables = []
    for name in np.unique(within[could]):
        own = could & (within == name)
        rows = [own & (arm == code) for code in arms]
        a, n_a, b, n_b = (int(x) for rows_ in rows for x in ((rows_ & happened).sum(), rows_.sum()))
        tables.append((a, n_a, b, n_b))
    sums = np.sum(np.asarray(tables, dtype=np.int64).reshape(-1, 4), axis=0)
    return Shares(
        happened=(int(sums[0]), int(sums[2])), could=(int(sums[1]), int(sums[3])), p_value=exact_p(tuple(tables))
    )


def exact_p(tables: tuple[Table, ...]) -> float:
    """Two-sided P of equal odds in all tables: twice the smaller tail, given the margins of each table.

    The sum over tables of what happened in the other arm has the convolution of their hypergeometric distributions
    (Gart 1970, Biometrika 57:471; from memory); over the risk sets of successive minutes it is a log-rank test.
    """
    spread, least, seen = np.ones(1), 0, 0
    for a, n_a, b, n_b in tables:
        total, n = a + b, n_a + n_b
        low, high = max(0, total - n_a), min(total, n_b)
        if low == high:
            least, seen = least + low, seen + b
            continue
        logs = np.array([_log_choose(n_b, k) + _log_choose(n_a, total - k) for k in range(low, high + 1)])
        spread = np.convolve(spread, np.exp(logs - _log_choose(n, total)))
        least, seen = least + low, seen + b
    at = seen - least
    tails = float(spread[: at + 1].sum()), float(spread[at:].sum())
    return min(1.0, 2 * min(tails))


def _log_choose(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def confirmed(case: IntArray, minute: FloatArray, felt: BoolArray, n: int, confirmations: int) -> BoolArray:
    """Whether so many tests in a row, of those given, were not felt; shape (n,)."""
    found: BoolArray = np.isfinite(derive_intervals(case, minute, felt, n_cases=n, confirmations=confirmations).right)
    return found


def given_up(
    case: IntArray,
    minute: FloatArray,
    felt: BoolArray,
    arm: NDArray[np.str_],
    practice: NDArray[np.str_],
    supplement: BoolArray,
    *,
    arms: tuple[str, str],
    planned: FloatArray,
    until: float,
    confirmations: int,
) -> Shares:
    """Teeth that still felt the cold and were not tested again though the horizon had not come.

    Parameters
    ----------
    case, minute, felt : ndarrays, shape (m,)
        Target tests sorted by case and minute, whatever the control tooth did.
    arm, practice, supplement : ndarrays, shape (n,)
        Of each case; a supplement ends the tests as the estimand says, and is no giving up.
    until : float
        Minute from which on a last test counts as having gone to the end.

    Notes
    -----
    At each planned minute those are at risk of being given up who felt the cold there and had no confirmed onset: an
    arm that goes numb sooner has fewer of them, and just as often one of them is left if testing is honest.
    """
    n = arm.size
    right = derive_intervals(case, minute, felt, n_cases=n, confirmations=confirmations).right
    last = np.ones(case.size, dtype=bool)
    last[:-1] = case[1:] != case[:-1]
    slot = np.searchsorted((planned[1:] + planned[:-1]) / 2, minute)
    # Of several tests about one planned minute the last says whether another came after it.
    final = last.copy()
    final[:-1] |= slot[1:] != slot[:-1]
    risk = final & felt & (minute < right[case]) & (minute < until - 1e-9)
    left = risk & last & ~supplement[case]
    within = np.char.add(np.char.add(practice[case], "|"), slot.astype(str))
    found = shares_of(left, risk, arm[case], arms, within)
    # Those who could be given up are cases, however often they were at risk.
    at_risk = np.bincount(case[risk], minlength=n) > 0
    counts = tuple(int((at_risk & (arm == code)).sum()) for code in arms)
    return Shares(happened=found.happened, could=(counts[0], counts[1]), p_value=found.p_value)


def unconfirmed(
    case: IntArray,
    minute: FloatArray,
    felt: BoolArray,
    valid: BoolArray,
    arm: NDArray[np.str_],
    practice: NDArray[np.str_],
    *,
    arms: tuple[str, str],
    planned: FloatArray,
    confirmations: int,
) -> Shares:
    """Teeth that stopped feeling in time to be confirmed and whose tests that count confirm no onset.

    Parameters are those of :func:`given_up`; ``valid`` says which tests count by their control tooth.
    """
    n = arm.size
    began = np.full(n, np.inf)
    np.minimum.at(began, case[~felt], minute[~felt])
    # What begins at one of the last planned minutes has no tests left that could confirm it.
    in_time = began < planned[-min(confirmations, planned.size)] + 1e-9
    onset = confirmed(case[valid], minute[valid], felt[valid], n, confirmations)
    return shares_of(in_time & ~onset, in_time, arm, arms, practice)
