"""Everything the report of a study group needs."""

from __future__ import annotations

from onsetstudy.core.claims import Claims
from onsetstudy.core.results import Caution, EstimateLike, NotAvailable
from onsetstudy.core.serialise import Serialisable, result_kind
from onsetstudy.pool.results import Funnel, Pooled, Step, Subgroups
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.results import ArmStanding
from onsetstudy.study.answer.claims import claims_of_group
from onsetstudy.study.cold_test_results import ColdTestErrors
from onsetstudy.study.control_results import NegativeControl
from onsetstudy.study.group_results import Agreement, GroupGate, GroupHarm, GroupOverall, GroupPractice, Reconciled
from onsetstudy.study.results import LooksTaken, Provenance

__all__ = ["GroupResults"]


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
    quarter. ``test_errors`` is what the answer would be if cold tests erred. ``slips`` holds
    for each practice whose files tell its letter, the slips opened and those of them without a record; ``one_practice``
    names techniques of which one practice alone has cases, where there are others.
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
    agreement: Agreement
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
    test_errors: ColdTestErrors | None = None
    slips: tuple[tuple[str, int, int], ...] = ()
    one_practice: tuple[str, ...] = ()

    @property
    def shut(self) -> bool:
        """Whether no practice's cold tests can bear a claim, so that there is no answer."""
        return bool(self.gates) and all(gate.verdict == "shut" for gate in self.gates)

    @property
    def answering(self) -> tuple[GroupPractice, ...]:
        """Practices whose cases are in the answer."""
        out = {gate.letter for gate in self.gates if gate.left_out}
        return tuple(p for p in self.practices if p.letter not in out)

    @property
    def claims(self) -> Claims:
        """What may be said of these results, and with which number."""
        return claims_of_group(self)

    def letter(self, code: str) -> str | None:
        """Letter of a practice, ``None`` for a code that is not among them."""
        return next((p.letter for p in self.practices if p.code == code), None)

    def quantity(self, name: str) -> Pooled | None:
        """Pooled result of one quantity."""
        return next((p for p in self.pooled if p.quantity == name), None)
