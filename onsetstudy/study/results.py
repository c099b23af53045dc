"""Everything a report needs, in the order of the plan."""

from __future__ import annotations

import dataclasses
import importlib.metadata
from collections.abc import Iterable

import pandas as pd

from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import (
    Caution,
    Counts,
    Estimate,
    EstimateLike,
    HypothesisTest,
    NotAvailable,
    Result,
    estimates_frame,
)
from onsetstudy.core.serialise import result_kind
from onsetstudy.design.interim.results import LookPlan, LookSeen, LookVerdict, StoppedEstimate
from onsetstudy.inference.estimate_or_reason import not_asked
from onsetstudy.outcomes.scores.pain_results import PainComparison
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.results import MissingField
from onsetstudy.survival.results import (
    AnytimeTest,
    ConfidenceSequence,
    FinenessOfTesting,
    OnsetCurve,
    ProportionalityCheck,
    ScheduleCheck,
)


@result_kind("arm_curve")
class ArmCurve:
    """Onset curve of one arm.

    ``curve`` is of the first injection alone (a supplement before onset counts as never numb, if the plan
    says so); ``still_tested`` pairs each scheduled minute with the cases whose testing was still going on
    and who were not numb before it. ``limits`` are pointwise limits of the share *numb* at scheduled minutes.
    """

    arm: str
    curve: OnsetCurve | NotAvailable
    still_tested: tuple[tuple[float, int], ...]
    limits: tuple[tuple[float, Estimate | NotAvailable], ...] = ()


@result_kind("naive_stopwatch")
class NaiveStopwatch:
    """The mean first not-felt minute among confirmed onsets: shown beside the right answer, never instead.

    One entry per arm: ``(arm, mean minutes or None, cases counted, cases left out)``.
    """

    means: tuple[tuple[str, float | None, int, int], ...]
    difference: float | None
    text: str


@result_kind("population")
class Population:
    """One set of cases, analysed as the plan says.

    ``dimension`` is ``overall``, ``quarter``, ``technique`` or ``practice``; ``level`` the code of the member.
    Per-arm tuples have the reference arm first. Every contrast is ``buffered - plain`` or ``buffered / plain``.
    Differences are taken within strata (practices, and what the plan names) and combined by their numbers of cases.
    ``pain_difference`` is that of the mean scores; ``None`` in results from before it was kept. ``treatment`` and
    ``treatment_difference`` are of successful treatments, empty where the protocol does not say which pain is mild.
    """

    label: str
    dimension: str
    level: str
    n: Counts
    curves: tuple[ArmCurve, ...]
    onset_test: HypothesisTest | NotAvailable
    hazard_ratio: EstimateLike
    success: tuple[EstimateLike, ...]
    success_difference: EstimateLike
    wait: tuple[EstimateLike, ...]
    wait_difference: EstimateLike
    never_numb: tuple[EstimateLike, ...]
    never_numb_difference: EstimateLike
    pain: PainComparison | NotAvailable
    naive: NaiveStopwatch
    caution: tuple[Caution, ...] = ()
    pain_difference: EstimateLike | None = None
    treatment: tuple[EstimateLike, ...] = ()
    treatment_difference: EstimateLike | None = None

    def difference(self, key: str) -> EstimateLike:
        """What compares the arms in one quantity."""
        asked = (self.hazard_ratio, self.success_difference, self.wait_difference, self.never_numb_difference)
        return _kept(key, (*asked, self.pain_difference, self.treatment_difference), self.n)

    def to_frame(self) -> pd.DataFrame:
        """All estimates of this set, in the order of its fields, with the estimate columns."""
        values = (getattr(self, each.name) for each in dataclasses.fields(self))
        told = (each for value in values for each in (value if isinstance(value, tuple) else (value,)))
        return estimates_frame(each for each in told if isinstance(each, Result))


def _kept(key: str, asked: Iterable[EstimateLike | None], n: Counts) -> EstimateLike:
    """The one of a quantity; results from before a quantity was asked do not hold it."""
    why, unit = "results from before it was asked do not hold it", quantity_of(key).unit
    absent = not_asked(key, why, code="not_kept", contrast=None, unit=unit, n=n)
    return next((e for e in asked if e is not None and e.quantity == key), absent)


@result_kind("arm_table_row")
class ArmTableRow:
    """One line of the table of cases by arm.

    ``cells`` holds one text-free value per arm: ``(count, of, mean, sd)`` with ``None`` where not used.
    ``standardised_difference`` is buffered against plain, in standard deviations.
    """

    variable: str
    level: str
    cells: tuple[tuple[int | None, int | None, float | None, float | None], ...]
    standardised_difference: float | None


@result_kind("arm_table")
class ArmTable:
    """Who was in the arms, with standardised differences and no p-values."""

    arms: tuple[str, ...]
    rows: tuple[ArmTableRow, ...]


@result_kind("notice")
class Notice:
    """One line about the data: how often something was seen, and what was done about it."""

    code: str
    text: str
    count: int


@result_kind("chair_clocks")
class ChairClocks:
    """How the clocks of pages at the chair ran against the computer's, in analysed cases that were recorded there.

    ``apart_s`` is the most by which a page's clock ran from the computer's while it timed a case (s), over the
    ``measured`` of ``cases``; ``None`` where it was measured in none. ``widened`` intervals of onset are wider because
    the clocks could not be reconciled.
    """

    cases: int
    measured: int
    apart_s: float | None
    widened: int


@result_kind("data_quality")
class DataQuality:
    """How the records were: refused, queried, read although unusual; tests missed; cycles not valid.

    ``missing``: fields of the last quarter's cases that an analysis needs and nobody entered. ``clocks``: of cases that
    were recorded at the chair, where there are any.
    """

    rows_read: int
    rows_refused: int
    readings_read: int
    readings_refused: int
    refused: tuple[Notice, ...]
    queried: tuple[Notice, ...]
    repaired: tuple[Notice, ...]
    testing: tuple[Notice, ...]
    onset_reasons: tuple[tuple[str, str, tuple[int, ...]], ...] = ()
    missing: tuple[MissingField, ...] = ()
    clocks: ChairClocks | None = None


@result_kind("more_needed")
class MoreNeeded:
    """What it would take to know more, at the plan's effect.

    The size of the plan's main outcome by its own test, ``effect`` in words, by formula or by simulated trials; where
    the plan has none, the onsets of the log-rank test at ``hazard_ratio``. ``test`` names what ``power`` is of.
    ``cases_needed`` are analysed cases, ``cases_to_include`` the same before losses. ``quarters_more`` is at the pace
    of the last quarters; ``None`` where no pace can be told. Where each patient has both arms, a size of the plan, what
    has been seen of it and the pace are counted in patients with both.
    """

    hazard_ratio: float | None
    test: str = "log-rank test"
    effect: str = ""
    power: float
    alpha: float
    events_needed: int | None = None
    events_seen: int
    cases_to_include: int | None = None
    cases_needed: int | None
    cases_seen: int
    cases_per_quarter: float | None = None
    quarters_more: int | None = None
    text: str
    source: str


@result_kind("variation")
class Variation:
    """The main results under one other choice that the plan names.

    ``code`` is ``main`` for the plan's own choice, with which the others are compared; ``label`` is short, ``text``
    says what is different. ``main_difference`` is of the plan's main outcome, where that is none of the others.
    """

    code: str
    label: str
    text: str
    n: Counts
    hazard_ratio: EstimateLike
    success_difference: EstimateLike
    wait_difference: EstimateLike
    main_difference: EstimateLike | None = None

    def difference(self, key: str) -> EstimateLike:
        """What compares the arms in one quantity."""
        asked = (self.hazard_ratio, self.success_difference, self.wait_difference, self.main_difference)
        return _kept(key, asked, self.n)


@result_kind("diagnostics")
class Diagnostics:
    """What the main results rest on, looked at: same ratio at all times, another road to it, arms tested alike."""

    proportionality: ProportionalityCheck | NotAvailable
    grouped_ratio: EstimateLike
    schedule: ScheduleCheck | NotAvailable
    fineness: FinenessOfTesting


@result_kind("looks_taken")
class LooksTaken:
    """The looks so far at the primary outcome, each with what it allows, and the estimate once the study has stopped.

    ``scale`` is of ``stopped``: ``log ratio``, ``min``, ``proportion``, or empty where only a test was made.
    ``seen`` are the statistics that the verdicts are of, as the ledger keeps them; empty in files from before.
    """

    primary: str
    plan: LookPlan
    verdicts: tuple[LookVerdict, ...]
    stopped: StoppedEstimate | None
    scale: str
    caution: tuple[Caution, ...] = ()
    seen: tuple[LookSeen, ...] = ()


@result_kind("anytime_look")
class AnytimeLook:
    """Evidence up to the end of one quarter, and the limits of the difference in success."""

    label: str
    cases: int
    e_value: float
    highest: float
    low: float
    high: float


@result_kind("anytime_taken")
class AnytimeTaken:
    """The sequential test and limits of a study that is looked at whenever one likes.

    ``test`` is ``None`` where it does not hold, with the reason as a caution. ``crossed_at`` is the case after which
    the evidence had passed ``1 / alpha``.
    """

    test: AnytimeTest | None
    success: ConfidenceSequence | None
    looks: tuple[AnytimeLook, ...]
    alpha: float
    crossed_at: int | None
    caution: tuple[Caution, ...] = ()


@result_kind("provenance")
class Provenance:
    """Where the numbers come from: digests, seed and versions of everything that computed them.

    ``ledger_head`` is number and beginning of the ledger's last entry, empty where there is no ledger.
    """

    protocol_digest: str
    records_digest: str
    seed: int
    versions: tuple[tuple[str, str], ...]
    ledger_head: str = ""

    @classmethod
    def of(cls, protocol: Protocol, records_digest: str, packages: Iterable[str]) -> Provenance:
        """With the versions of these packages as they are installed."""
        versions = tuple((name, importlib.metadata.version(name)) for name in packages)
        seed, digest = protocol.plan.seed, protocol.digest
        return cls(protocol_digest=digest, records_digest=records_digest, seed=seed, versions=versions)


@result_kind("adoption_part")
class AdoptionPart:
    """One condition: ``code`` is ``met``, ``failed`` or ``open`` where the interval does not decide.

    ``name`` is ``net_min``, ``pain_margin``, ``not_numb_margin`` or ``stopping_harms``.
    """

    name: str
    code: str


@result_kind("adoption")
class Adoption:
    """``verdict`` is ``adopt``, ``do_not_adopt`` or ``undecided``; empty where the protocol says why it has no rule."""

    verdict: str
    parts: tuple[AdoptionPart, ...] = ()
    none_because: str = ""


@result_kind("negative_control")
class NegativeControl:
    """One outcome that no injected solution can change.

    ``outcome`` is ``insertion_pain`` (before any drug is given), ``control_tooth`` (outside the numb field, as many
    tests in a row as make an onset) or ``control_single`` (the same, one test). ``difference`` is the other arm minus
    the reference arm: of mean scores, or of the proportion of tests at which the control tooth began not to feel.
    ``arms`` are that proportion in each arm, reference first; empty for scores.
    """

    outcome: str
    difference: EstimateLike
    arms: tuple[EstimateLike, ...] = ()

    @property
    def differs(self) -> bool:
        """Whether the interval excludes no difference."""
        found = self.difference
        return isinstance(found, Estimate) and (found.interval.low > 0 or found.interval.high < 0)


@result_kind("error_row")
class ErrorRow:
    """Onset under one sensitivity and specificity.

    ``numb`` is the least and largest proportion numb by the target of each arm, reference first; ``wait`` the
    restricted mean time to onset of each, minutes; both empty with the ``reason``. ``difference`` is the wait of the
    other arm less that of the reference arm. ``from_control``: the specificity is that of the control teeth.
    ``numb_limits`` and ``difference_limits`` are profile likelihood limits of these; the former hold both bounds.
    """

    sensitivity: float
    specificity: float
    numb: tuple[tuple[float, float], ...] = ()
    wait: tuple[float, ...] = ()
    difference: float | None = None
    reason: str = ""
    from_control: bool = False
    numb_limits: tuple[tuple[float, float], ...] = ()
    difference_limits: tuple[float, float] | None = None


@result_kind("cold_test_errors")
class ColdTestErrors:
    """The grid, and how often control teeth, which are not numb, were said not to feel.

    ``false_not_felt`` is that proportion of their tests; ``None`` where no control tooth was recorded.
    ``conf_level`` is of the limits of the rows.
    """

    rows: tuple[ErrorRow, ...]
    false_not_felt: EstimateLike | None = None
    conf_level: float = 0.95
