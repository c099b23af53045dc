"""Everything the report of a study group needs, and what may be said of it."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from onsetstudy.core.claims import Claims
from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Caution, Counts, EstimateLike, HypothesisTest, NotAvailable, complement_of
from onsetstudy.core.serialise import Serialisable, result_kind
from onsetstudy.inference.estimate_or_reason import not_asked
from onsetstudy.outcomes.harm_results import ArmEvents
from onsetstudy.pool.results import CommonOdds, Funnel, Pooled, Step, Subgroups
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.flow import too_many_refused
from onsetstudy.records.derived.results import ArmStanding, Doubt
from onsetstudy.study.answer.claims import (
    Told,
    cases_told,
    claims_among,
    deciding_look,
    shown_test,
    shutting,
)
from onsetstudy.study.results import ArmCurve, LooksTaken, NegativeControl, Provenance
from onsetstudy.survival.results import SharedFrailty

COMPARED = (
    "rmst_difference", "hazard_ratio", "success_difference", "not_numb_difference", "pain_difference", "pain_shift",
    "chair_time_difference", "treatment_success_difference",
)  # fmt: skip
OTHERS = " others"
"""Ends the name of those operators of a practice who have too few cases to be told apart."""
LOOKS_NOT_KNOWN = frozenset({"first_look", "beyond"})
"""Reasons of ``unlike_rows`` for which the files do not tell at which looks the records may have decided."""


def in_order(letter: str) -> tuple[int, str]:
    """What letters of practices are sorted by: A to Z come before AA."""
    return len(letter), letter


@result_kind("group_practice")
class GroupPractice:
    """One practice: its code, the letter under which the others see it, what it sent and how complete that is.

    ``by_quarter`` counts analysed cases, periods that were joined with their last quarter. The numbers of rows, of pain
    scores and of cases moved are ``None`` where the practice's files reach beyond the report: they carry no quarter.
    ``digest`` is of everything that is counted of it, to see that it was corrected; empty there too, and in results
    from before it was kept.
    """

    code: str
    letter: str
    quarters: tuple[str, ...]
    files: tuple[str, ...]
    n: Counts
    by_quarter: tuple[tuple[str, int], ...]
    recorded: int | None
    refused: int | None
    left_out: int | None
    scores: int | None
    moved: int | None
    digest: str = ""

    @property
    def much_refused(self) -> bool:
        """Whether so large a share of its cases is known to be refused that its counts could mislead."""
        refused, recorded = self.refused or 0, self.recorded or 0
        return too_many_refused(refused, recorded - refused)


@result_kind("group_gate")
class GroupGate:
    """Whether the cold tests of one practice can bear the group's claim.

    ``verdict`` is ``open``, ``qualified``, ``shut`` or ``not_told`` (its file was made before this was told);
    ``doubts`` are the reasons with their counts over all that it sent. ``left_out``: its cases are not in the answer.
    """

    letter: str
    verdict: str
    doubts: tuple[Doubt, ...]
    left_out: bool


def none_can_answer(gates: tuple[GroupGate, ...]) -> bool:
    """Whether no practice's cold tests can bear a claim."""
    return bool(gates) and all(gate.verdict == "shut" for gate in gates)


@result_kind("group_harm")
class GroupHarm:
    """One kind of harm by arm (``any`` or ``serious``), among the cases that recorded whether it happened."""

    event: str
    arms: tuple[ArmEvents, ...]


@result_kind("group_success")
class GroupSuccess:
    """Success by the target (or the horizon) over practices.

    ``undecided`` counts cases by arm that were tested neither numb before nor not numb after the minute. ``if_for``
    and ``if_against`` are the results had those of the other arm alone been numb in time, or those of the reference arm
    alone: the most they can do to the difference either way. ``None`` where there are none or nobody asked.
    """

    undecided: tuple[tuple[str, int], ...]
    pooled: CommonOdds
    if_against: CommonOdds | None = None
    if_for: CommonOdds | None = None


@result_kind("group_overall")
class GroupOverall:
    """All cases of all practices in one stage, every practice compared within itself.

    ``by_target``, ``never_numb``, ``wait`` and ``treatment`` are those of each arm over the mix of strata of both arms,
    reference first. ``differences`` are taken within strata (practices, and what the plan names, as counts allow) and
    combined by their numbers of cases, as in a report from the rows; empty in results from before they were kept.
    """

    n: Counts
    curves: tuple[ArmCurve, ...]
    onset_test: HypothesisTest | NotAvailable
    hazard_ratio: EstimateLike
    frailty: SharedFrailty | NotAvailable
    success: GroupSuccess
    numb_at_all: GroupSuccess
    by_target: tuple[EstimateLike, ...]
    never_numb: tuple[EstimateLike, ...]
    wait: tuple[EstimateLike, ...] = ()
    differences: tuple[EstimateLike, ...] = ()
    treatment: tuple[EstimateLike, ...] = ()

    def difference(self, key: str) -> EstimateLike | None:
        """What compares the arms within practices, the ratio in one stage too; ``None`` if it was not asked."""
        if key == "hazard_ratio" and self.differences:
            return self.hazard_ratio
        return next((e for e in self.differences if e.quantity == key), None)


@result_kind("reconciled")
class Reconciled:
    """One quantity of which the mean of practices is another number than the answer.

    ``reasons`` say why, by code: ``left_out``, ``spread``, ``weights``.
    """

    quantity: str
    reasons: tuple[str, ...]


@result_kind("group_results")
class GroupResults(Serialisable):
    """A study group up to a quarter; practices are named by letters, except in ``practices``.

    ``pooled`` has one entry per quantity, ``cumulative`` the two-stage average of the rate by quarter, ``subgroups``
    the rate by technique and by practice. ``missing`` are codes of the protocol's practices without a file, ``shorter``
    practices whose files end before the quarter, ``beyond`` those whose files go on after it (what carries no quarter
    is left out of them), each with its last quarter; ``skipped`` are files that were not read. ``unrecorded`` are
    letters of practices that recorded nothing about harms, with their cases. ``arms`` holds for each file the
    letter of its practice and how its arms are known over all that it sent (``None``: the file does not tell); empty
    where arms were not randomised. ``unlike_rows`` are codes of why a report of the same cases from their rows may have
    other numbers (``quarters_merged``, ``techniques_merged``, ``scores_held_back``, ``beyond``, ``first_look``);
    ``reconciled`` has the quantities of which the mean of practices is another number than the answer. ``gates`` has
    one entry per practice, empty in results from before they were asked; of practices left out nothing but harms and
    numbers of rows is counted, and ``with_left_out`` has the differences of all practices with them.
    ``negative`` is what the injection cannot change, of the practices in the answer; ``controls_untold`` are letters of
    those whose control teeth are not among it, because a file of theirs does not count them or goes on after the
    quarter. ``slips`` holds
    for each practice whose files tell its letter, the slips opened and those of them without a record; ``one_practice``
    names techniques of which one practice alone has cases, where there are others. ``strictest`` is the critical value
    to which claims beside the verdict are held, as the records may have decided at another look; 0 where they cannot.
    """

    protocol: Protocol
    quarter: str
    period_start: str
    period_end: str
    practices: tuple[GroupPractice, ...]
    overall: GroupOverall
    pooled: tuple[Pooled, ...]
    cumulative: tuple[Step, ...]
    subgroups: tuple[Subgroups, ...]
    funnels: tuple[Funnel | NotAvailable, ...]
    looks: LooksTaken | None
    harms: tuple[GroupHarm, ...]
    unrecorded: tuple[tuple[str, int], ...]
    missing: tuple[str, ...]
    shorter: tuple[tuple[str, str], ...]
    beyond: tuple[tuple[str, str], ...]
    skipped: tuple[str, ...]
    notes: tuple[str, ...]
    caution: tuple[Caution, ...]
    provenance: Provenance
    arms: tuple[tuple[str, ArmStanding | None], ...] = ()
    unlike_rows: tuple[str, ...] = ()
    reconciled: tuple[Reconciled, ...] = ()
    gates: tuple[GroupGate, ...] = ()
    with_left_out: tuple[EstimateLike, ...] = ()
    negative: tuple[NegativeControl, ...] = ()
    controls_untold: tuple[str, ...] = ()
    slips: tuple[tuple[str, int, int], ...] = ()
    one_practice: tuple[str, ...] = ()
    strictest: float = 0.0

    def with_looks(self, looks: LooksTaken | None) -> GroupResults:
        """The same with these interim analyses."""
        return replace(self, looks=looks)

    @property
    def shut(self) -> bool:
        """Whether no practice's cold tests can bear a claim, so that there is no answer."""
        return none_can_answer(self.gates)

    @property
    def answering(self) -> tuple[GroupPractice, ...]:
        """Practices whose cases are in the answer; those without one up to the quarter are in none."""
        out = {gate.letter for gate in self.gates if gate.left_out}
        return tuple(p for p in self.practices if p.letter not in out and p.n.cases)

    @property
    def claims(self) -> Claims:
        """Every claim that the files bear, of all cases and of each practice."""
        overall, protocol = self.overall, self.protocol
        lead, look = protocol.plan.primary, deciding_look(self.looks)
        shut = shutting(d for gate in self.gates for d in gate.doubts) if self.shut else ()
        told = partial(claims_among, protocol=protocol, shut=shut, look=look, strictest=self.strictest)
        arms: dict[str, tuple[EstimateLike, ...]] = {
            "success_difference": overall.by_target,
            "not_numb_difference": overall.never_numb,
            "rmst_difference": overall.wait,
            "treatment_success_difference": overall.treatment,
        }
        found: dict[str, Told] = {
            key: (answer, arms.get(key, ()), shown_test(overall.onset_test) if key == "hazard_ratio" else None)
            for key in COMPARED
            if (answer := self.answer(key)) is not None
        }
        if lead not in found:
            quantity = quantity_of(lead)
            nothing = not_asked(
                lead,
                "no file holds it for this period",
                code="nothing_sent",
                unit=quantity.unit,
                n=overall.n,
                contrast=quantity.contrast_of(protocol.contrast_arm, protocol.reference_arm),
            )
            found[lead] = nothing, (), None
        claims = [*told(found, population=cases_told(overall.n.cases, len(self.answering)), known=overall.n)]
        for pooled in self.pooled:
            for m in pooled.members:
                whose, n = cases_told(m.result.n.cases), m.result.n
                claims += told({pooled.quantity: (m.result, (), None)}, population=whose, known=n, subset=m.label)
        return Claims(lead=lead, claims=tuple(claims))

    @property
    def hanging(self) -> tuple[str, ...]:
        """Keys of what is claimed beside the verdict and would not be had the first planned look decided.

        Only where it cannot be known from the files which look of the records may have; where quarters were joined and
        no more, ``strictest`` allows for it.
        """
        if self.looks is None or not LOOKS_NOT_KNOWN & set(self.unlike_rows):
            return ()
        held = replace(self, strictest=self.looks.plan.looks[0].upper)
        pairs = zip(self.claims.page_one()[1:], held.claims.page_one()[1:], strict=True)
        return tuple(
            ours.quantity.key
            for ours, strict in pairs
            if ours.bears and ours.bears.side and not (strict.bears and strict.bears.side)
        )

    def answer(self, key: str) -> EstimateLike | None:
        """The answer for a quantity: combined within practices where that is given, else the mean of practices.

        This is the only place that chooses. ``None`` where the group has nothing of that quantity.
        """
        within = self.overall.difference(key)
        if within is not None:
            return within
        if (pooled := self.quantity(key)) is not None:
            return pooled.average
        if key == "not_numb_difference":
            # Kept as the difference in the proportion numb at all: the same number from the other side.
            return complement_of(self.overall.numb_at_all.pooled.difference, "not_numb_difference")
        return None

    def letter(self, code: str) -> str | None:
        """Letter of a practice, ``None`` for a code that is not among them."""
        return next((p.letter for p in self.practices if p.code == code), None)

    def quantity(self, name: str) -> Pooled | None:
        """Pooled result of one quantity."""
        return next((p for p in self.pooled if p.quantity == name), None)
