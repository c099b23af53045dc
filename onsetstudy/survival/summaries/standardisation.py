"""Cases sorted into arms and strata, checked once for every clinical quantity."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from onsetstudy.core.arrays import FloatArray, label_codes
from onsetstudy.core.cases import merge_alike
from onsetstudy.core.errors import OnsetStudyError, Problem
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Caution, Counts

__all__ = [
    "EVEN_WITHIN_GAPS",
    "INDEPENDENT_CASES",
    "SCHEDULE_ASSUMPTION",
    "ArmedCases",
    "Cell",
    "follow_to",
    "sort_arms",
    "usual_gap",
]


SCHEDULE_ASSUMPTION = Assumption(
    name="uninformative_schedule",
    detail="when a tooth was tested, and when testing stopped, does not depend on when it became numb",
)
EVEN_WITHIN_GAPS = Assumption(
    name="even_within_gaps", detail="onset is taken as spread evenly over the gap between two tests in which it lies"
)
INDEPENDENT_CASES = Assumption(
    name="independent_cases", detail="cases are independent; repeated patients count as separate cases"
)


@dataclass(frozen=True, slots=True, eq=False)
class Cell:
    """Cases of one arm in one stratum: distinct intervals in order, and how many cases have each."""

    times: Intervals
    weight: FloatArray

    @property
    def n(self) -> int:
        """Number of cases."""
        return round(float(self.weight.sum()))


@dataclass(frozen=True, slots=True, eq=False)
class ArmedCases:
    """Intervals with an arm and a stratum each.

    Parameters
    ----------
    times : Intervals, n rows
    arm, stratum : ndarray of str, shape (n,)
        Without strata, ``stratum`` holds one empty name.
    weight : ndarray of float, shape (n,)
        How many like cases a row stands for.
    arms : tuple of str
        Reference arm first, the others sorted.
    strata : tuple of str
        Strata in which every arm has a case, sorted.
    mix : ndarray of float, shape (len(strata),)
        Share of each stratum among the cases of ``strata``, all arms together.
    caution : tuple of Caution
        Names the strata left out since an arm has no case there.
    """

    times: Intervals
    arm: NDArray[np.str_]
    stratum: NDArray[np.str_]
    weight: FloatArray
    arms: tuple[str, ...]
    strata: tuple[str, ...]
    mix: FloatArray
    caution: tuple[Caution, ...]

    @property
    def stratified(self) -> bool:
        """Whether more than one stratum is standardised over."""
        return len(self.strata) > 1

    def rows(self, arm: str) -> Iterator[NDArray[np.intp]]:
        """Rows of one arm, stratum by stratum in the order of ``strata``."""
        for stratum in self.strata:
            yield np.flatnonzero((self.arm == arm) & (self.stratum == stratum))

    def cells(self, arm: str) -> Iterator[Cell]:
        """Cases of one arm, stratum by stratum in the order of ``strata``."""
        for rows in self.rows(arm):
            yield Cell(*merge_alike(self.times.take(rows), self.weight[rows]))

    def follow_to(self, tau_min: float, grace_min: float) -> tuple[ArmedCases, dict[str, int]]:
        """The same cases with :func:`follow_to` applied in every arm and stratum, and how many moved per arm."""
        times, moved = self.times, dict.fromkeys(self.arms, 0)
        for arm in self.arms:
            for rows in self.rows(arm):
                carried = rows[follow_to(self.times.take(rows), tau_min, grace_min)]
                times = times.felt_until(carried, tau_min)
                moved[arm] += round(float(self.weight[carried].sum()))
        return replace(self, times=times), moved

    def counts(self, events: NDArray[np.bool_], *arms: str) -> Counts:
        """Counts of the cases that are analysed, of the named arms or of all."""
        chosen = np.isin(self.arm, arms or self.arms) & np.isin(self.stratum, self.strata)
        return Counts.of(events[chosen], self.arm[chosen], arms or self.arms, cases=self.weight[chosen])


def _labels(values: ArrayLike, n: int, name: str) -> NDArray[np.str_]:
    problems = list[Problem]()
    code, names = label_codes(values, n, name, problems)
    if problems:
        raise OnsetStudyError(problems)
    return np.array(names, dtype=str)[code] if names else np.zeros(0, dtype=str)


def sort_arms(
    times: Intervals,
    arm: ArrayLike,
    *,
    reference_arm: str,
    stratum: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    contrast_arm: str | None = None,
    two_arms: bool = False,
) -> ArmedCases:
    """Cases with checked arms and strata.

    Parameters
    ----------
    times : Intervals, n cases
    arm, stratum : array_like of str, shape (n,)
    reference_arm : str
        Arm that the others are compared with.
    weight : array_like of float, shape (n,), optional
        How many like cases a row stands for; default 1.
    contrast_arm : str, optional
        Keeps only the cases of this arm and the reference arm.
    two_arms : bool
        Whether exactly two arms are wanted.

    Raises
    ------
    OnsetStudyError
        If a label is missing, the reference arm has no case, or no other arm has one, or
        no stratum holds a case of every arm, or there are more than two arms where two are wanted.
    """
    arm_of = _labels(arm, len(times), "arm")
    stratum_of = np.full(len(times), "") if stratum is None else _labels(stratum, len(times), "stratum")
    many = np.ones(len(times)) if weight is None else np.asarray(weight, dtype=np.float64)
    if contrast_arm is not None:
        kept = np.isin(arm_of, [reference_arm, contrast_arm])
        times, arm_of, stratum_of, many = times.take(kept), arm_of[kept], stratum_of[kept], many[kept]
    others = sorted(set(arm_of.tolist()) - {reference_arm})
    problems = [
        Problem.of_key("arm", what, mend, code=code)
        for what, mend, code, wrong in (
            (
                f"no case belongs to the reference arm {reference_arm!r}; arms seen: {', '.join(others) or 'none'}",
                "name the arm that the others are compared with, as it stands in the records",
                "reference_arm",
                reference_arm not in arm_of,
            ),
            (
                f"no case belongs to an arm other than {reference_arm!r}",
                "a comparison needs cases of at least two arms",
                "one_arm",
                not others and reference_arm in arm_of,
            ),
            (
                f"{len(others)} arms could be compared with {reference_arm!r}: {', '.join(others)}",
                "name one of them as contrast_arm",
                "many_arms",
                two_arms and len(others) > 1,
            ),
        )
        if wrong
    ]
    if problems:
        raise OnsetStudyError(problems)
    arms = (reference_arm, *others)
    names = sorted(set(stratum_of.tolist()))
    full = [s for s in names if all(np.any((stratum_of == s) & (arm_of == a)) for a in arms)]
    if not full:
        raise OnsetStudyError.of_key(
            "stratum",
            "no stratum holds a case of every arm, so the arms cannot be compared within strata",
            "use fewer or wider strata",
            code="strata",
        )
    sizes = np.array([many[stratum_of == s].sum() for s in full], dtype=np.float64)
    return ArmedCases(
        times=times,
        arm=arm_of,
        stratum=stratum_of,
        weight=many,
        arms=arms,
        strata=tuple(full),
        mix=sizes / sizes.sum(),
        caution=_left_out(names, full, stratum_of, many),
    )


def _left_out(names: list[str], full: list[str], stratum_of: NDArray[np.str_], many: FloatArray) -> tuple[Caution, ...]:
    left_out = [s for s in names if s not in full]
    if not left_out:
        return ()
    count = round(float(many[np.isin(stratum_of, left_out)].sum()))
    return (
        Caution(
            code="stratum_without_arm",
            text=(
                f"{count} cases in strata where an arm has no case are left out: {', '.join(left_out)}. "
                "The result speaks of the other strata only."
            ),
        ),
    )


def usual_gap(times: Intervals, weight: FloatArray | None = None) -> float:
    """Median width of the gaps in which onset was seen, minutes; 0 when all times are exact or never seen.

    ``weight`` says how many cases a row stands for; default 1.
    """
    seen = np.isfinite(times.right) & ~times.exact
    if weight is not None:
        seen &= weight > 0
    if not seen.any():
        return 0.0
    width = (times.right - times.left)[seen]
    if weight is None:
        return float(np.median(width))
    order = np.argsort(width)
    up_to = np.cumsum(weight[seen][order])
    # The middle case, or the two in the middle, counted from 1.
    half = up_to[-1] / 2.0
    middle = np.searchsorted(up_to, (np.ceil(half), np.floor(half) + 1.0))
    return float(np.mean(width[order][middle]))


def follow_to(times: Intervals, tau_min: float, grace_min: float) -> NDArray[np.bool_]:
    """Cases of one group whose follow-up ended a little before the horizon, to be taken as not numb up to it.

    Only where the data stop: if nobody was still being tested at ``tau_min``, those last felt within
    ``grace_min`` before it. Where anybody was, none, since the curve itself then says how the
    others may have gone on.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if len(times) == 0 or times.left.max() >= tau_min:
        return np.zeros(len(times), dtype=np.bool_)
    near = times.left >= tau_min - grace_min * (1 + 1e-9)
    return np.asarray(times.right_censored & near, dtype=np.bool_)
