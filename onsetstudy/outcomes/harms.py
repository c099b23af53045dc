"""Harms by arm with exact limits; what "nothing happened" allows one to say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.results import ArmCount, Caution, Counts, Estimate, EstimateLike, Interval, NotAvailable
from onsetstudy.outcomes.harm_results import ArmEvents, EventLine, Safety

__all__ = [
    "FINDING",
    "EventRecorded",
    "EventsOfCases",
    "SafetyRecords",
    "events_of_cases",
    "exact_share",
    "nothing_seen_limit",
    "summarise_safety",
]

NONE = "none"
FINDING = "positive_aspiration"
"""A finding that the needle is drawn back for, and no harm (common practice, no source)."""
EXACT = "Clopper-Pearson, exact"
HYBRID = "Newcombe's hybrid of Wilson limits"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SafetyRecords:
    """What happened in each case; arrays of text of shape (n,), empty where not recorded.

    Parameters
    ----------
    arm : array of str
    event : array of str
        Code of the adverse event, ``none`` if there was none.
    serious : array of str
        ``yes``, ``no``, ``not_recorded`` or empty, which means the same.
    supplement : array of bool
        A supplemental injection before onset.
    lip_numb : array of str
        ``yes``, ``no`` or empty, after a block.
    technique : array of str
    treatment : array of str or None
        ``yes`` where the treatment went with no or mild pain and without a supplement, ``no`` where not, empty where
        that is not known; ``None`` where the study does not ask.
    recorded : tuple of EventRecorded
        Events one by one, of the cases that have several or a table of events.
    """

    arm: NDArray[np.str_]
    event: NDArray[np.str_]
    serious: NDArray[np.str_]
    supplement: NDArray[np.bool_]
    lip_numb: NDArray[np.str_]
    technique: NDArray[np.str_]
    treatment: NDArray[np.str_] | None = None
    recorded: tuple[EventRecorded, ...] = ()


class EventRecorded(NamedTuple):
    """One of a case's events: row of the case, kind and whether it was serious (``yes``, ``no`` or not known)."""

    row: int
    kind: str
    serious: str


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class EventsOfCases:
    """What each case tells of its events; arrays of bool of shape (n,).

    ``told`` something about events at all; ``happened``, an event that is no finding; ``serious``, one that was;
    ``rated``, it is known whether one was. ``listed`` are the events one by one.
    """

    told: NDArray[np.bool_]
    happened: NDArray[np.bool_]
    serious: NDArray[np.bool_]
    rated: NDArray[np.bool_]
    listed: tuple[EventRecorded, ...]

    def of_kind(self, kind: str) -> NDArray[np.bool_]:
        """Cases in which it happened, once or more."""
        found = np.zeros(self.told.size, dtype=bool)
        found[[e.row for e in self.listed if e.kind == kind]] = True
        return found


def events_of_cases(
    event: NDArray[np.str_], serious: NDArray[np.str_], recorded: Sequence[EventRecorded] = ()
) -> EventsOfCases:
    """All events of every case: those of the table of events, where it has one there, else what its row says.

    Parameters
    ----------
    event, serious : array of str, shape (n,)
        As in :class:`SafetyRecords`: room for one event a case.
    recorded : sequence of EventRecorded
        Events one by one, several a case; ``none`` says that nothing happened.
    """
    n = event.size
    with_table = {e.row for e in recorded}
    own = [EventRecorded(i, str(event[i]), str(serious[i])) for i in range(n)
           if i not in with_table and (event[i] != "" or serious[i] == "yes")]  # fmt: skip
    every = sorted([*recorded, *own], key=lambda e: e.row)
    told, happened, grave, open_ = (np.zeros(n, dtype=bool) for _ in range(4))
    listed = []
    for e in every:
        told[e.row] = True
        # A serious mark without a named event counts as an event, and so does a serious finding.
        if e.serious == "yes" or e.kind not in ("", NONE, FINDING):
            happened[e.row] = True
            grave[e.row] |= e.serious == "yes"
            open_[e.row] |= e.serious not in ("yes", "no")
        if e.kind != NONE or e.serious == "yes":
            listed.append(e)
    # Of an event that does not say whether it was serious it is not known that none was, unless another one was.
    return EventsOfCases(
        told=told, happened=happened, serious=grave, rated=told & (grave | ~open_), listed=tuple(listed)
    )


def nothing_seen_limit(cases: int, conf_level: float = 0.95) -> float:
    """One-sided upper limit of a share when none of ``cases`` had the event: ``1 - (1 - level)^(1/n)``, about 3/n.

    References
    ----------
    .. [1] Hanley JA, Lippman-Hand A. If nothing goes wrong, is everything all right? JAMA 1983;249:1743-5
       (from memory).
    """
    return 1.0 if cases == 0 else float(1 - (1 - conf_level) ** (1 / cases))


def exact_share(
    count: int, cases: int, *, quantity: str, arm: str, n: Counts, conf_level: float = 0.95
) -> EstimateLike:
    """Share with Clopper-Pearson limits (statsmodels)."""
    if cases == 0:
        error = NotEstimable(quantity, "nobody recorded whether it happened", code="not_recorded")
        return NotAvailable.because(error, contrast=arm, unit="proportion", method=EXACT, n=n, level=conf_level)
    low, high = proportion_confint(count, cases, alpha=1 - conf_level, method="beta")
    return Estimate(
        quantity=quantity,
        contrast=arm,
        estimate=count / cases,
        interval=Interval(low=float(low), high=float(high), level=conf_level, method=EXACT),
        unit="proportion",
        method=f"{count} of {cases} cases",
        n=n,
    )


def summarise_safety(records: SafetyRecords, *, arms: Sequence[str], conf_level: float = 0.95) -> Safety:
    """Adverse events in all, serious ones, each kind; then supplements before onset and missed blocks.

    Parameters
    ----------
    records : SafetyRecords
    arms : sequence of str
        Reference first; differences are of the second minus the first.
    conf_level : float

    Raises
    ------
    OnsetStudyError
        If the arrays differ in length.

    Notes
    -----
    A serious mark without a named event counts as an event. A case that recorded nothing about events does not count
    as a case without one. Small differences in rare events cannot be seen in a study of this size, and p-values would
    only seem to say so: there are none.
    """
    columns = (getattr(records, name) for name in records.__dataclass_fields__ if name != "recorded")
    if len({len(column) for column in columns if column is not None}) > 1:
        raise OnsetStudyError("arms, events and supplements must be equally long rows")
    events = events_of_cases(records.event, records.serious, records.recorded)
    told, any_event = events.told, events.happened
    counts = Counts(
        cases=len(records.arm),
        onsets=int(any_event.sum()),
        by_arm=tuple(
            ArmCount(arm=a, cases=int(np.sum(records.arm == a)), onsets=int(np.sum(any_event & (records.arm == a))))
            for a in arms
        ),
    )

    def line(event: str, happened: NDArray[np.bool_], known: NDArray[np.bool_], among: NDArray[np.bool_]) -> EventLine:
        return _line(event, happened, known, among, records.arm, arms, counts, conf_level)

    everyone = np.ones(len(records.arm), dtype=bool)
    kinds = sorted({e.kind for e in events.listed} - {"", NONE, FINDING})
    harms = [line("any", any_event, told, everyone), line("serious", events.serious, events.rated, everyone)]
    harms += [line(kind, events.of_kind(kind), told, everyone) for kind in kinds]
    course = [line("supplement", records.supplement, everyone, everyone)]
    if (finding := events.of_kind(FINDING)).any():
        course.append(line(FINDING, finding, told, everyone))
    asked = records.lip_numb != ""
    if asked.any():
        course.append(line("missed_block", records.lip_numb == "no", asked, asked))
    if records.treatment is not None and (records.treatment != "").any():
        course.append(line("treatment_success", records.treatment == "yes", records.treatment != "", everyone))
    return Safety(
        harms=tuple(harms),
        course=tuple(course),
        listing=_listing(records, events, arms),
        method=f"{EXACT}; differences: {HYBRID}",
        n=counts,
        caution=_cautions(int((~told).sum()), len(records.arm)),
    )


def _line(
    event: str,
    happened: NDArray[np.bool_],
    known: NDArray[np.bool_],
    among: NDArray[np.bool_],
    arm: NDArray[np.str_],
    arms: Sequence[str],
    n: Counts,
    level: float,
) -> EventLine:
    found = []
    for code in arms:
        rows = (arm == code) & among
        count, cases = int(np.sum(happened & rows & known)), int(np.sum(rows & known))
        nothing = count == 0 and cases > 0
        found.append(
            ArmEvents(
                arm=code,
                count=count,
                cases=cases,
                not_recorded=int(np.sum(rows & ~known)),
                share=exact_share(count, cases, quantity=f"event_{event}", arm=code, n=n, conf_level=level),
                at_most=nothing_seen_limit(cases) if nothing else None,
                rule_of_three=min(3 / cases, 1.0) if nothing else None,
            )
        )
    return EventLine(event=event, arms=tuple(found), difference=_difference(event, found, n, level))


def _difference(event: str, found: list[ArmEvents], n: Counts, level: float) -> EstimateLike:
    reference, other = found[0], found[1]
    contrast = f"{other.arm} - {reference.arm}"
    if min(reference.cases, other.cases) == 0:
        error = NotEstimable(f"event_{event}_difference", "one arm has no case that recorded it", code="not_recorded")
        return NotAvailable.because(error, contrast=contrast, unit="proportion", method=HYBRID, n=n, level=level)
    low, high = confint_proportions_2indep(
        other.count, other.cases, reference.count, reference.cases, compare="diff", method="newcomb", alpha=1 - level
    )
    return Estimate(
        quantity=f"event_{event}_difference",
        contrast=contrast,
        estimate=other.count / other.cases - reference.count / reference.cases,
        interval=Interval(low=float(low), high=float(high), level=level, method=HYBRID),
        unit="proportion",
        method=f"{other.count} of {other.cases} against {reference.count} of {reference.cases}",
        n=n,
        source="Newcombe 1998, Statistics in Medicine 17:873-890, method 10",
    )


def _listing(
    records: SafetyRecords, events: EventsOfCases, arms: Sequence[str]
) -> tuple[tuple[str, str, str, str, int], ...]:
    """Every event by itself: a case with two events is in two lines."""
    lines: dict[tuple[str, str, str, str], int] = {}
    for row, kind, serious in events.listed:
        if kind == FINDING and serious != "yes":
            continue
        named = kind if kind not in ("", NONE) else "not named"
        rated = serious.replace("_", " ") or "not recorded"
        key = (str(records.arm[row]), named, rated, str(records.technique[row]))
        lines[key] = lines.get(key, 0) + 1
    order = {a: k for k, a in enumerate(arms)}
    return tuple((*key, count) for key, count in sorted(lines.items(), key=lambda i: (order.get(i[0][0], 99), i[0])))


def _cautions(untold: int, cases: int) -> tuple[Caution, ...]:
    found = [
        Caution(
            code="rare_harms",
            text="Rare harms cannot be seen in so few cases: that none was seen does not mean that none occurs.",
        )
    ]
    if untold:
        text = f"{untold} of {cases} cases did not record whether anything happened; they count in no share."
        found.append(Caution(code="events_not_recorded", text=text))
    return tuple(found)
