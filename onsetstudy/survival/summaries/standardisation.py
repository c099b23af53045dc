"""Cases sorted into arms and strata in one way for every quantity, and its numbers in all arms put together."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from onsetstudy.core.arrays import BoolArray, FloatArray, StrArray, middle_case
from onsetstudy.core.cases import compared_with, order_arms
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Caution, Counts, Estimate, Interval
from onsetstudy.inference.proportions import Limits
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.results import ArmContrast, Bounds
from onsetstudy.survival.testing.unlike_gaps import Gaps


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
    arm: StrArray
    stratum: StrArray
    weight: FloatArray
    arms: tuple[str, ...]
    strata: tuple[str, ...]
    mix: FloatArray
    caution: tuple[Caution, ...]

    @property
    def stratified(self) -> bool:
        """Whether more than one stratum is standardised over."""
        return len(self.strata) > 1

    @property
    def how(self) -> str:
        """The end of a method's name: over how many strata it is standardised."""
        return f", standardised over {len(self.strata)} strata" if self.stratified else ""

    def rows(self, arm: str) -> Iterator[NDArray[np.intp]]:
        """Rows of one arm, stratum by stratum in the order of ``strata``."""
        for stratum in self.strata:
            yield np.flatnonzero((self.arm == arm) & (self.stratum == stratum))

    def gaps(self, arm: str, curves: Curves | None = None) -> Iterator[Gaps]:
        """Cases of one arm with their curve, stratum by stratum in the order of ``strata``."""
        for rows in self.rows(arm):
            yield Gaps.of(self.times.take(rows), self.weight[rows], curves)

    def follow_to(
        self, tau_min: float, grace_min: float | None, until: str = ""
    ) -> tuple[ArmedCases, dict[str, tuple[Caution, ...]]]:
        """The same cases, followed to a horizon where testing stopped shortly before it, and what to say of it by arm.

        Only where the data stop: if nobody of an arm and stratum felt the cold at ``tau_min`` or later, those last
        felt within ``grace_min`` (default: the usual gap) before it count as not numb ``until`` then. Where anybody
        did, none, since the curve itself then says how the others may have gone on.
        """
        if grace_min is None:
            grace, shortly = _usual_gap(self.times, self.weight), "less than one usual gap"
        else:
            grace, shortly = grace_min, f"at most {grace_min:g} min"
        times, told = self.times, dict[str, tuple[Caution, ...]]()
        for arm in self.arms:
            moved = 0
            for rows in self.rows(arm):
                left = self.times.left[rows]
                if left.size == 0 or left.max() >= tau_min:
                    continue
                near = left >= tau_min - grace * (1 + 1e-9)
                # Who was never tested was not felt either.
                carried = rows[near & (self.times.right_censored & self.times.tested)[rows]]
                times = times.felt_until(carried, tau_min)
                moved += round(float(self.weight[carried].sum()))
            counts = (f"cases last felt {shortly} before it count", f"case last felt {shortly} before it counts")
            text = (
                f"In the arm {arm}{' (in a stratum)' if self.stratified else ''} nobody felt the cold at {tau_min:g} "
                f"min or later; {moved} {counts[moved == 1]} as not numb {until}."
            )
            told[arm] = (Caution(code="last_test_before_minute", text=text),) if moved else ()
        return replace(self, times=times), told

    def counts(self, events: BoolArray, *arms: str) -> Counts:
        """Counts of the cases that are analysed, of the named arms or of all."""
        chosen = np.isin(self.arm, arms or self.arms) & np.isin(self.stratum, self.strata)
        return Counts.of(events[chosen], self.arm[chosen], arms or self.arms, cases=self.weight[chosen])


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
    """Cases in arms and strata, whose labels :class:`~onsetstudy.core.cases.Cases` has checked one by one.

    Parameters
    ----------
    times : Intervals, n cases
    arm, stratum : array_like of str, shape (n,)
    reference_arm : str
        Arm that the others are compared with.
    weight : array_like of float, shape (n,), optional
        How many like cases a row stands for; default 1.
    contrast_arm : str, optional
        Of more than two arms the one whose cases are kept beside those of the reference arm.
    two_arms : bool
        Whether exactly two arms are wanted.

    Raises
    ------
    OnsetStudyError
        If the reference arm has no case, or no other arm has one, or no stratum holds a case of every arm, or there
        are more than two arms where two are wanted.
    """
    arm_of = np.asarray(arm).astype(str)
    stratum_of = np.full(len(times), "") if stratum is None else np.asarray(stratum).astype(str)
    many = np.ones(len(times)) if weight is None else np.asarray(weight, dtype=np.float64)
    arms = order_arms(arm_of, many, reference_arm)
    if two_arms:
        arms = reference_arm, compared_with(arms, contrast_arm)
        kept = np.isin(arm_of, arms)
        times, arm_of, stratum_of, many = times.take(kept), arm_of[kept], stratum_of[kept], many[kept]
    names = sorted(set(stratum_of.tolist()))
    full = [s for s in names if all(np.any((stratum_of == s) & (arm_of == a)) for a in arms)]
    if not full:
        what = "no stratum holds a case of every arm, so the arms cannot be compared within strata"
        raise OnsetStudyError.of_key("stratum", what, "use fewer or wider strata", code="strata")
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


def _left_out(names: list[str], full: list[str], stratum_of: StrArray, many: FloatArray) -> tuple[Caution, ...]:
    left_out = [s for s in names if s not in full]
    if not left_out:
        return ()
    count = round(float(many[np.isin(stratum_of, left_out)].sum()))
    text = (
        f"{count} cases in strata where an arm has no case are left out: {', '.join(left_out)}. "
        "The result speaks of the other strata only."
    )
    return (Caution(code="stratum_without_arm", text=text),)


class Value(NamedTuple):
    """A number with its limits, how these were found, its standard error, and what must be said of it alone."""

    value: float
    limits: Limits
    how: str
    error: float | None = None
    caution: tuple[Caution, ...] = ()


def _usual_gap(times: Intervals, weight: FloatArray) -> float:
    """Median width of the gaps in which onset was seen, minutes; 0 when all times are exact or never seen."""
    seen = np.isfinite(times.right) & ~times.exact
    return middle_case((times.right - times.left)[seen], weight[seen]) if seen.any() else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """What the numbers of one comparison have in common.

    Parameters
    ----------
    cases : ArmedCases
    events : ndarray of bool, shape (n,)
        Cases that count as seen.
    unit : str
        Of the arms and their differences; a quantity whose name ends with ``ratio`` has the unit ``ratio``.
    cautions : mapping of arm to tuple of Caution
        Stand beside every number that the arm is in.
    """

    cases: ArmedCases
    events: BoolArray
    unit: str
    method: str
    conf_level: float
    assumptions: tuple[Assumption, ...]
    cautions: Mapping[str, tuple[Caution, ...]]
    source: str

    def estimate(self, quantity: str, contrast: str, found: Value, *arms: str) -> Estimate:
        """A number of one arm or of a contrast of arms."""
        return Estimate(
            quantity=quantity,
            contrast=contrast,
            estimate=found.value,
            std_error=found.error,
            interval=Interval(low=found.limits[0], high=found.limits[1], level=self.conf_level, method=found.how),
            unit="ratio" if quantity.endswith("ratio") else self.unit,
            method=self.method,
            n=self.cases.counts(self.events, *arms),
            assumptions=self.assumptions,
            caution=(*self.cases.caution, *(c for arm in arms for c in self.cautions[arm]), *found.caution),
            source=self.source,
        )

    def contrast(
        self,
        quantities: tuple[str, str, str],
        per_arm: Callable[[str], Value],
        difference: Callable[[str, str], Value],
        ratio: Callable[[str, str], Value | None],
        bounds: Mapping[str, Limits] | None = None,
    ) -> ArmContrast:
        """The arms, the differences and the ratio of the first to the reference arm, under their ``quantities``.

        The functions take an arm, or an arm and the reference arm. ``bounds`` are what the gaps leave open of the arms.
        """
        reference, *others = self.cases.arms
        differences = [
            self.estimate(quantities[1], f"{arm} - {reference}", difference(arm, reference), reference, arm)
            for arm in others
        ]
        found, first = ratio(others[0], reference), f"{others[0]} / {reference}"
        return ArmContrast(
            arms=tuple(self.estimate(quantities[0], arm, per_arm(arm), arm) for arm in self.cases.arms),
            difference=differences[0],
            more=tuple(differences[1:]),
            ratio=None if found is None else self.estimate(quantities[2], first, found, reference, others[0]),
            method=self.method,
            n=self.cases.counts(self.events),
            bounds=() if bounds is None else self._bounds(bounds),
            assumptions=self.assumptions,
            caution=(*self.cases.caution, *(c for arm in self.cases.arms for c in self.cautions[arm])),
            source=self.source,
        )

    def _bounds(self, arms: Mapping[str, Limits]) -> tuple[Bounds, ...]:
        reference, *others = self.cases.arms
        low, high = arms[reference]
        differences = {f"{arm} - {reference}": (arms[arm][0] - high, arms[arm][1] - low) for arm in others}
        return tuple(Bounds(contrast=name, low=b[0], high=b[1]) for name, b in {**arms, **differences}.items())
