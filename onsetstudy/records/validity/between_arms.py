"""What must not happen in one arm more than in the other if tests are to compare them, asked exactly.

Each question is a sum of fourfold tables, one for a practice (and planned minute): the cases of two arms to which
something could happen, and those to which it did. Whatever the solution does to onset, it changes who is in the
tables and not how those in them share out, so that a true difference raises no doubt.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray, StrArray
from onsetstudy.core.intervals import derive_intervals
from onsetstudy.records.derived.planned_minutes import nearest

COMPARED = 20
"""Cases of an arm from which on the normal approximation of a ratio of sums keeps its level."""

EVERY = slice(None)
Table = tuple[int, int, int, int]
"""Happened and could have, in the reference arm; happened and could have, in the other."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ArmTests:
    """Target tests sorted by case and minute, arrays of shape (m,); arm, practice and kind of each of the n cases.

    ``control``: as of :class:`~onsetstudy.records.derived.planned_minutes.TargetTests`. ``valid``: the control tooth
    felt the cold where the protocol asks for it. ``at_risk``: up to and with the first that was not felt. ``off``: off
    schedule. ``kind`` is practice, technique and arm, coarser where there are few cases alike. ``arms``: reference
    first.
    """

    case: IntArray
    minute: FloatArray
    felt: BoolArray
    control: IntArray
    valid: BoolArray
    at_risk: BoolArray
    off: BoolArray
    arm: StrArray
    practice: StrArray
    kind: StrArray
    planned: FloatArray
    arms: tuple[str, str]
    confirmations: int

    def confirmed(self, kept: BoolArray | slice = EVERY) -> BoolArray:
        """Whether so many tests in a row, of those kept, were not felt; shape (n,)."""
        case, minute, felt = self.case[kept], self.minute[kept], self.felt[kept]
        onset = derive_intervals(case, minute, felt, n_cases=self.arm.size, confirmations=self.confirmations)
        return np.isfinite(onset.right)

    @property
    def last(self) -> BoolArray:
        """Which tests are the last of their cases."""
        last: BoolArray = np.diff(self.case, append=-1) != 0
        return last

    def in_time(self, minute: FloatArray) -> BoolArray:
        """Whether planned minutes were left, from the nearest on, that could confirm what began then."""
        left = self.planned.size - nearest(self.planned, minute)
        return np.isfinite(minute) & (left >= min(self.confirmations, self.planned.size))

    def by_case(self, kept: BoolArray) -> FloatArray:
        """How many of the tests kept each case has; shape (n,)."""
        return np.bincount(self.case[kept], minlength=self.arm.size).astype(np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shares:
    """To how many of how many it happened: the two arms, reference first, and two-sided P of no difference."""

    happened: tuple[int, int]
    could: tuple[int, int]
    p_value: float


def shares_of(happened: BoolArray, could: BoolArray, arm: StrArray, arms: tuple[str, str], within: StrArray) -> Shares:
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
        own = [could & (within == name) & (arm == code) for code in arms]
        a, n_a, b, n_b = (int(x) for rows in own for x in ((rows & happened).sum(), rows.sum()))
        tables.append((a, n_a, b, n_b))
    a, n_a, b, n_b = np.sum(np.asarray(tables, dtype=np.int64).reshape(-1, 4), axis=0).tolist()
    return Shares(happened=(a, b), could=(n_a, n_b), p_value=exact_p(tuple(tables)))


def exact_p(tables: tuple[Table, ...]) -> float:
    """Two-sided P of equal odds in all tables: twice the smaller tail, given the margins of each table.

    The sum over tables of what happened in the other arm has the convolution of their hypergeometric distributions
    (Gart 1970, Biometrika 57:471; from memory); over the risk sets of successive minutes it is a log-rank test.
    """
    spread, at = np.ones(1), 0
    for a, n_a, b, n_b in tables:
        total, n = a + b, n_a + n_b
        low, high = max(0, total - n_a), min(total, n_b)
        logs = np.array([_log_choose(n_b, k) + _log_choose(n_a, total - k) for k in range(low, high + 1)])
        spread = np.convolve(spread, np.exp(logs - _log_choose(n, total)))
        at += b - low
    return min(1.0, 2 * min(float(spread[: at + 1].sum()), float(spread[at:].sum())))


def _log_choose(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def ratios_of(part: FloatArray, whole: FloatArray, tests: ArmTests) -> Shares:
    """Ratios of sums over cases in the two arms, with two-sided P of no difference by its linearised variance.

    Parameters
    ----------
    part, whole : ndarrays, shape (n,)
        Of each case. P is 1 where an arm has too few of them with something to count.

    References
    ----------
    Cochran, Sampling Techniques, 3rd edition, section 6.5 (from memory).
    """
    own = [(tests.arm == code) & (whole > 0) for code in tests.arms]
    parts, wholes = ([float(x[rows].sum()) for rows in own] for x in (part, whole))
    p_value = 1.0
    if all(rows.sum() >= COMPARED for rows in own):
        ratio = np.divide(parts, wholes)
        variance = 0.0
        for rows, r, total in zip(own, ratio, wholes, strict=True):
            n = int(rows.sum())
            variance += n / (n - 1) * float(np.sum((part[rows] - r * whole[rows]) ** 2)) / total**2
        if variance > 0:
            p_value = math.erfc(abs(float(ratio[1] - ratio[0]) / math.sqrt(variance)) / math.sqrt(2))
    happened, could = ((int(x[0]), int(x[1])) for x in (parts, wholes))
    return Shares(happened=happened, could=could, p_value=p_value)


def given_up(tests: ArmTests, supplement: BoolArray, *, until: float) -> Shares:
    """Teeth that still felt the cold and were not tested again though the horizon had not come.

    Parameters
    ----------
    tests : ArmTests
        All of them, whatever the control tooth did.
    supplement : ndarray of bool, shape (n,)
        Of each case; a supplement ends the tests as the estimand says, and is no giving up.
    until : float
        Minute from which on a last test counts as having gone to the end.

    Notes
    -----
    At each planned minute those are at risk of being given up who felt the cold there and had no confirmed onset: an
    arm that goes numb sooner has fewer of them, and just as often one of them is left if testing is honest.
    """
    case, minute, n = tests.case, tests.minute, tests.arm.size
    right = derive_intervals(case, minute, tests.felt, n_cases=n, confirmations=tests.confirmations).right
    slot = nearest(tests.planned, minute)
    # Of several tests about one planned minute the last says whether another came after it.
    final = tests.last | (np.diff(slot, append=-1) != 0)
    risk = final & tests.felt & (minute < right[case]) & (minute < until - 1e-9)
    left = risk & tests.last & ~supplement[case]
    within = np.char.add(np.char.add(tests.practice[case], "|"), slot.astype(str))
    found = shares_of(left, risk, tests.arm[case], tests.arms, within)
    # Those who could be given up are cases, however often they were at risk.
    first, second = (int(np.count_nonzero(tests.by_case(risk)[tests.arm == code])) for code in tests.arms)
    return replace(found, could=(first, second))


def unconfirmed(tests: ArmTests) -> Shares:
    """Teeth that stopped feeling in time to be confirmed and whose tests that count confirm no onset."""
    began = np.full(tests.arm.size, np.inf)
    np.minimum.at(began, tests.case[~tests.felt], tests.minute[~tests.felt])
    in_time = tests.in_time(began)
    return shares_of(in_time & ~tests.confirmed(tests.valid), in_time, tests.arm, tests.arms, tests.practice)
