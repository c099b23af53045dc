"""What may be said of one quantity, as one value that every page, table, figure and file draws from.

A :class:`Claim` holds the answer with the interval that allows for the looks, the interval without, what it bears, and
where its evidence stands. It is made in ``study.answer.claims`` and told in ``report.sentences``. This module must not
know a protocol or a page.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from onsetstudy.core.quantities import QUANTITIES, Quantity, Seen
from onsetstudy.core.results import PATIENTS, Counts, Estimate, HypothesisTest, Interval, NotAvailable

EARLIER_PATIENTS = "independent patients"
"""Name of :data:`~onsetstudy.core.results.PATIENTS` in files from before."""


def within_patients(answer: Estimate | NotAvailable) -> bool:
    """Whether each patient is compared with themselves."""
    names = () if isinstance(answer, NotAvailable) else [a.name for a in answer.assumptions]
    return PATIENTS.name in names or EARLIER_PATIENTS in names


def counted_in(answer: Estimate | NotAvailable) -> tuple[int, str]:
    """How many an answer is of, and of what: patients compared with themselves, scores, else cases."""
    row = None if isinstance(answer, NotAvailable) else QUANTITIES.get(answer.quantity)
    scores = row is not None and row.unit == "score"
    n = answer.n.onsets if scores else answer.n.cases
    return (n // 2, "patient") if within_patients(answer) else (n, "score" if scores else "case")


ROUNDING = 1e-9
DECIDED = ("crossed", "ended", "futile")
"""Verdicts with which a study has come to its decision."""


def first_decided(codes: Iterable[str]) -> int | None:
    """Place of the first of these verdicts with which the study has come to its decision."""
    return next((place for place, code in enumerate(codes) if code in DECIDED), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bearing:
    """What an interval bears about a difference.

    ``side`` is 1 where the whole interval favours the other arm, -1 where it favours the reference arm, else 0.
    ``size`` compares it with the difference that matters: ``beyond`` (every value is larger), ``from`` (its nearer end
    is that very difference), ``within`` (every value is smaller), ``open`` (some values matter, some do not) or
    ``unnamed`` (the protocol names none).
    """

    side: int
    size: str


def bearing(quantity: Quantity, low: float, high: float, *, matters: float | None = None) -> Bearing:
    """What an interval from ``low`` to ``high`` bears; an end that touches no difference does not exclude it.

    ``matters`` is a positive distance from no difference, in the quantity's own unit.
    """
    side, null = quantity.side(low, high), quantity.null or 0.0
    if matters is None:
        return Bearing(side=side, size="unnamed")
    near, far = sorted((abs(low - null), abs(high - null)))
    # Sums of scores leave a last digit of rounding, which is no difference.
    if side and math.isclose(near, matters, rel_tol=ROUNDING):
        return Bearing(side=side, size="from")
    if side and near > matters:
        return Bearing(side=side, size="beyond")
    return Bearing(side=side, size="within" if far < matters * (1 - ROUNDING) else "open")


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """How an interim analysis bears on a claim.

    ``number`` of ``planned`` analyses decides, at the quarter ``label`` with ``counted`` of ``planned_count`` ``unit``;
    ``code`` is that of the verdict. ``side`` is 1 where its boundary was crossed in favour of the other arm, -1 against
    it, else 0. ``stopped`` says that the study has come to its decision; ``later`` that further cases
    came after. ``critical`` is the boundary on the z scale, infinite where none was reached for, of a plan of one or
    two sides (``sided``); ``other`` says that it is of another analysis, at which the records may have decided.
    """

    number: int
    planned: int
    label: str
    code: str
    side: int
    counted: float
    planned_count: float
    unit: str
    critical: float
    sided: int = 2
    later: bool = False
    other: bool = False

    @property
    def stopped(self) -> bool:
        """Whether the study has come to its decision."""
        return self.code in DECIDED


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """One quantity of one population, and what may be said of it.

    Parameters
    ----------
    quantity : Quantity
        Row of the table of quantities.
    population : str
        Whose cases, in words: ``412 cases``, ``412 cases of 6 practices``; of scores ``407 scores``, within patients
        ``23 patients``.
    subset : str
        Empty for all cases, else the letter or code of the part.
    answer : Estimate or NotAvailable
        In the direction of the table; its interval allows for the looks where they are planned.
    n : Counts
        Cases behind it.
    arms : tuple
        The same of each arm, reference first; empty where it has none.
    test : HypothesisTest or None
        The test that belongs to the number shown, and no other.
    looks : Look or None
        The deciding interim analysis.
    leads : bool
        Whether the verdict of that analysis is about this very quantity and all cases.
    alone : Interval or None
        Interval that does not allow for the looks; ``None`` where none are planned.
    matters : float or None
        The difference that matters, positive, in the quantity's own unit.
    bears : Bearing or None
        What the answer bears; ``None`` without an estimate. Its side is 0 where an interim analysis withholds it.
    places : int
        Decimals with which it is shown.
    evidence : str
        Section where the evidence stands.
    """

    quantity: Quantity
    population: str
    answer: Estimate | NotAvailable
    n: Counts
    subset: str = ""
    arms: tuple[Estimate | NotAvailable, ...] = ()
    test: HypothesisTest | None = None
    looks: Look | None = None
    leads: bool = False
    alone: Interval | None = None
    matters: float | None = None
    bears: Bearing | None = None
    places: int = 1
    evidence: str = ""

    @property
    def seen(self) -> Seen | None:
        """Value and interval as readers see them; ``None`` without an estimate."""
        if isinstance(self.answer, NotAvailable):
            return None
        span = self.answer.interval
        return self.quantity.as_shown(self.answer.estimate, span.low, span.high)

    @property
    def seen_alone(self) -> Seen | None:
        """The same with the interval that does not allow for the looks."""
        if isinstance(self.answer, NotAvailable) or self.alone is None:
            return None
        return self.quantity.as_shown(self.answer.estimate, self.alone.low, self.alone.high)

    @property
    def matters_shown(self) -> float | None:
        """The difference that matters in the unit shown, positive."""
        return None if self.matters is None else abs(self.matters * self.quantity.shown.factor)

    @property
    def matters_at(self) -> float | None:
        """Where a figure has it: in the unit shown, on the side on which the other arm did better."""
        better = self.quantity.favours * self.quantity.shown.factor
        return None if self.matters_shown is None else math.copysign(self.matters_shown, better)


@dataclass(frozen=True, slots=True, kw_only=True)
class Claims:
    """Every claim of one study, the primary one first named."""

    lead: str
    claims: tuple[Claim, ...]

    def __iter__(self) -> Iterator[Claim]:
        return iter(self.claims)

    def get(self, quantity: str, subset: str = "") -> Claim | None:
        """The claim about one quantity, of all cases or of a part."""
        return next((c for c in self.claims if c.quantity.key == quantity and c.subset == subset), None)

    def primary(self, subset: str = "") -> Claim:
        """The claim about the protocol's primary outcome.

        Raises
        ------
        KeyError
            If that part has none.
        """
        if (found := self.get(self.lead, subset)) is None:
            raise KeyError(f"{self.lead} of {subset or 'all cases'}")
        return found

    def page_one(self) -> tuple[Claim, ...]:
        """The claims of the first page: the primary one, then the others of all cases that compare the arms."""
        others = (c for c in self.claims if not c.subset and c.quantity.contrast and c.quantity.key != self.lead)
        return (self.primary(), *others)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanClaim:
    """What a plan may say of one outcome before the first case: a size, or the power of a size.

    Parameters
    ----------
    kind : str
        ``size`` by formula, ``simulated_size``; ``power_at_size`` (of the size by formula, analysed once),
        ``power_planned`` (of the planned information with its interim analyses), ``error_planned`` (the same without a
        difference).
    outcome : str
        Which line of the sizes it is of: ``onset_test``, ``success``, ``paired_success``, ``wait`` or ``pain``.
    quantity : Quantity
        Row of the table of quantities.
    value, low, high : float or None
        In ``unit``: ``cases`` or ``patients`` to include, or ``proportion``; limits by the error of the simulation.
        Without a value ``reason`` says why.
    cases : int or None
        Analysed cases that it is of.
    test : str
        The test that the power is of.
    power : float or None
        Power that a size is for.
    effect, method : str
        Effect in words; how it was found.
    leads : bool
        Whether it is the size of the protocol's main outcome, which page 1 and every report tell.
    """

    kind: str
    outcome: str
    quantity: Quantity
    value: float | None
    unit: str
    test: str = ""
    low: float | None = None
    high: float | None = None
    cases: int | None = None
    power: float | None = None
    effect: str = ""
    method: str = ""
    source: str = ""
    reason: str = ""
    leads: bool = False

    @property
    def key(self) -> str:
        """Kind and quantity, and for sizes of one outcome by several formulas their source."""
        parts = (self.kind, self.quantity.key, self.source if self.kind == "size" else "")
        return "/".join(p for p in parts if p)
