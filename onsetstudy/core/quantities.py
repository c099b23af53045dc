"""One table of what is measured: direction, good side, unit, scale, digits and names of every quantity.

Takes a key such as ``rmst_difference``; gives its :class:`Quantity`. An estimate leaves its verb in the direction of
this table (other arm first, reference arm last) and keeps it in every result, file and page. Readers may be shown it
by a factor, such as minutes *saved*: :meth:`Quantity.as_shown` applies the factor and orders the ends. No other line
above the estimators negates, inverts or rescales an estimate. This module must not know a protocol, a case or a page.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import partial
from typing import NamedTuple

MORE_PLACES = 2
LAST_DIGIT = 1e-12


def places_for(values: Iterable[float], landmarks: Iterable[float] = (0.0,), *, base: int = 1) -> int:
    """Fewest decimals, from ``base`` to two more, with which no value seems to lie on a landmark or on its other side.

    ``0.04`` beside the landmark 0 needs two decimals: as ``0.0`` it would read like no difference at all.
    """
    marks = list(landmarks)
    # What sums leave beside a landmark as their last digit lies on it.
    apart = [(v, m) for v in values if math.isfinite(v) for m in marks if abs(v - m) > LAST_DIGIT]
    for places in range(base, base + MORE_PLACES):
        if all((round(v, places) - m) * (v - m) > 0 for v, m in apart):
            return places
    return base + MORE_PLACES


class Seen(NamedTuple):
    """An estimate with its interval as readers see it: ``low <= value <= high`` in the unit shown."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """How readers see it: times ``factor``, in ``unit`` (empty: the quantity's own), ``places`` decimals or more."""

    factor: float = 1.0
    unit: str = ""
    places: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One quantity of the study.

    Parameters
    ----------
    key : str
        Its one name in code and files.
    name : str
        The standard term.
    outcome : str
        What is measured, of a contrast: what is compared between the arms.
    plain : str
        Plain gloss, given once on a page; ``{tau_min:g}`` and ``{target_min:g}``, without which the number means
        nothing, are filled in.
    unit : str
        ``min``, ``proportion``, ``ratio``, ``score`` (the protocol's instrument), ``cases``.
    contrast : str
        ``-`` or ``/``: other arm first, reference arm last; empty: of one arm.
    favours : int
        Side of no difference on which the other arm did better: -1 or 1; 0: neither is better.
    words : tuple of str
        What the other arm is on its better and on its worse side: ``("sooner", "later")``.
    shown : Shown
        How readers see it.
    rests_on : str
        Table of the record whose doubts bear on it.
    earlier : tuple of (str, int)
        Keys under which files kept it before, with the sign they had; read for ever.
    """

    key: str
    name: str
    plain: str
    unit: str
    contrast: str = ""
    outcome: str = ""
    favours: int = 0
    words: tuple[str, ...] = ()
    shown: Shown = field(default_factory=Shown)
    rests_on: str = "cold_tests"
    earlier: tuple[tuple[str, int], ...] = ()

    @property
    def null(self) -> float | None:
        """Value of no difference: 0 or 1; ``None`` of one arm."""
        return {"-": 0.0, "/": 1.0}.get(self.contrast)

    @property
    def scale(self) -> str:
        """Where the standard error lives and the interval is made: ``identity``, or for ratios ``log``."""
        return "log" if self.contrast == "/" else "identity"

    @property
    def unit_shown(self) -> str:
        """Unit that readers see."""
        return self.shown.unit or self.unit

    def contrast_of(self, other_arm: str, reference_arm: str) -> str | None:
        """``buffered - plain``; ``None`` for a quantity of one arm."""
        return f"{other_arm} {self.contrast} {reference_arm}" if self.contrast else None

    @property
    def to_horizon(self) -> bool:
        """Whether it is counted up to the horizon, without which the number means nothing."""
        return "{tau_min" in self.plain

    def as_shown(self, value: float, low: float, high: float) -> Seen:
        """Value and interval times the factor of the table, ends in order."""
        ends = sorted((low * self.shown.factor, high * self.shown.factor))
        return Seen(value * self.shown.factor + 0.0, ends[0] + 0.0, ends[1] + 0.0)

    def side(self, low: float, high: float) -> int:
        """1 where the whole interval favours the other arm, -1 where it favours the reference arm, else 0.

        An end that touches no difference does not exclude it.
        """
        if self.null is None:
            return 0
        return self.favours * ((low > self.null) - (high < self.null))

    def toward(self, value: float, std_error: float) -> float:
        """Z statistic of an estimate, positive where the other arm did better; ``std_error`` on the quantity's scale.

        Raises
        ------
        ValueError
            If the quantity has no better side or no value of no difference.
        """
        if self.null is None or not self.favours:
            raise ValueError(f"{self.key} has no better side")
        distance = math.log(value / self.null) if self.scale == "log" else value - self.null
        return self.favours * distance / std_error

    def word(self, side: int) -> str:
        """``sooner`` for 1, ``later`` for -1."""
        return self.words[0] if side > 0 else self.words[1]

    def places(self, seen: Iterable[float], landmarks: Iterable[float] = ()) -> int:
        """Fewest decimals, up to two more than the table's, with which no shown value seems to lie on a landmark.

        ``seen`` and ``landmarks`` are as shown. No difference is always a landmark: 0.04 beside 0 needs two decimals,
        as 0.0 would read like no difference at all.
        """
        marks = [*landmarks, *(() if self.null is None else (self.null * self.shown.factor,))]
        return places_for(seen, marks, base=self.shown.places)


PER_HUNDRED = Shown(factor=100.0, unit="percentage points", places=0)
PER_CENT = Shown(factor=100.0, unit="%", places=0)
SAVED = Shown(factor=-1.0, unit="min", places=1)

_minutes_saved = partial(Quantity, unit="min", contrast="-", favours=-1, shown=SAVED)
_more_of_a_hundred = partial(Quantity, unit="proportion", contrast="-", shown=PER_HUNDRED)
_proportion = partial(Quantity, unit="proportion", shown=PER_CENT)
_ratio = partial(Quantity, unit="ratio", contrast="/", shown=Shown(places=2))
_score_difference = partial(Quantity, unit="score", contrast="-", words=("lower", "higher"), rests_on="cases")

_ROWS = (
    Quantity(
        key="rmst",
        name="restricted mean time to onset",
        plain="average wait, up to {tau_min:g} minutes",
        unit="min",
        earlier=(("restricted_wait", 1),),
    ),
    _minutes_saved(
        key="rmst_difference",
        name="difference in restricted mean time to onset",
        outcome="restricted mean time to onset",
        plain="difference in the average wait, up to {tau_min:g} minutes",
        words=("sooner", "later"),
        earlier=(("restricted_wait_difference", 1),),
    ),
    _ratio(
        key="rmst_ratio",
        name="ratio of restricted mean times to onset",
        plain="average wait of one arm over that of the other, up to {tau_min:g} minutes",
        favours=-1,
        words=("sooner", "later"),
        earlier=(("restricted_wait_ratio", 1),),
    ),
    _ratio(
        key="hazard_ratio",
        name="hazard ratio",
        outcome="rate of becoming numb",
        plain="becoming numb at so many times the rate",
        favours=1,
        words=("sooner", "later"),
    ),
    _proportion(
        key="success_by_target",
        name="proportion numb by the target minute",
        plain="numb by {target_min:g} minutes",
    ),
    _more_of_a_hundred(
        key="success_difference",
        name="difference in the proportion numb by the target minute",
        outcome="proportion numb by the target minute",
        plain="more or fewer of a hundred teeth numb by {target_min:g} minutes",
        favours=1,
        words=("more", "fewer"),
    ),
    _proportion(
        key="not_numb",
        name="proportion not numb",
        plain="not numb within {tau_min:g} minutes",
        earlier=(("never_numb", 1),),
    ),
    _more_of_a_hundred(
        key="not_numb_difference",
        name="difference in the proportion not numb",
        outcome="proportion not numb",
        plain="more or fewer of a hundred teeth not numb within {tau_min:g} minutes",
        favours=-1,
        words=("fewer", "more"),
        earlier=(("never_numb_difference", 1),),
    ),
    _ratio(
        key="not_numb_ratio",
        name="ratio of the proportions not numb",
        plain="proportion not numb of one arm over that of the other, within {tau_min:g} minutes",
        favours=-1,
        words=("fewer", "more"),
        earlier=(("never_numb_ratio", 1),),
    ),
    _proportion(
        key="treatment_success",
        name="proportion of successful treatments",
        plain="treated with no or mild pain and without a supplemental injection",
        rests_on="cases",
    ),
    _more_of_a_hundred(
        key="treatment_success_difference",
        name="difference in the proportion of successful treatments",
        outcome="proportion of successful treatments",
        plain="more or fewer of a hundred treated with no or mild pain and without a supplemental injection",
        favours=1,
        words=("more", "fewer"),
        rests_on="cases",
    ),
    _score_difference(
        key="pain_difference",
        name="difference in mean pain",
        outcome="mean pain",
        plain="difference of the average scores",
        favours=-1,
    ),
    _score_difference(
        key="pain_shift",
        name="shift in pain between the arms",
        outcome="pain",
        plain="the middle of all differences between a score of one arm and a score of the other",
        favours=-1,
    ),
    _minutes_saved(
        key="chair_time_difference",
        name="difference in chair time, mixing included",
        outcome="chair time, mixing included",
        plain="minutes waited and mixed, up to {tau_min:g} minutes",
        words=("saved", "lost"),
        rests_on="cases",
        earlier=(("minutes_saved", -1),),
    ),
    _minutes_saved(
        key="chair_time_before_mixing_difference",
        name="difference in chair time, mixing left out",
        plain="minutes waited, up to {tau_min:g} minutes",
        words=("saved", "lost"),
        rests_on="cases",
        earlier=(("minutes_saved_before_mixing", -1),),
    ),
    _minutes_saved(
        key="visit_time_difference",
        name="difference in the length of the visit",
        plain="minutes from the injection to the end of the visit",
        words=("saved", "lost"),
        rests_on="cases",
        earlier=(("visit_minutes_saved", -1),),
    ),
    _proportion(
        key="power",
        name="power",
        plain="chance that the planned test shows the assumed difference",
        rests_on="",
    ),
    Quantity(
        key="cases_needed",
        name="cases needed",
        plain="cases of both arms together",
        unit="cases",
        shown=Shown(places=0),
        rests_on="",
    ),
)

QUANTITIES: dict[str, Quantity] = {row.key: row for row in _ROWS}
"""The table, by key."""

_EARLIER = {old: (row.key, sign) for row in _ROWS for old, sign in row.earlier}


def quantity_of(key: str) -> Quantity:
    """Row of the table for a key.

    Raises
    ------
    KeyError
        If no quantity has that key.
    """
    return QUANTITIES[key]


def read_earlier(key: str) -> tuple[str, int]:
    """Today's key and the sign by which a value kept under ``key`` is turned: ``("rmst_difference", 1)``."""
    return _EARLIER.get(key, (key, 1))
