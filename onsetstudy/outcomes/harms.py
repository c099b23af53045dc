"""Harms by arm with exact limits; what "nothing happened" allows one to say."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np

from onsetstudy.core.arrays import BoolArray, StrArray
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.results import Caution, Counts, EstimateLike
from onsetstudy.inference.parameter import Parameter
from onsetstudy.outcomes.harm_results import ArmEvents, EventLine, Safety
from onsetstudy.outcomes.summaries import EXACT, HYBRID, share_difference, share_of

NONE = "none"
FINDING = "positive_aspiration"
"""A finding that the needle is drawn back for, and no harm (common practice, no source)."""


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

    arm: StrArray
    event: StrArray
    serious: StrArray
    supplement: BoolArray
    lip_numb: StrArray
    technique: StrArray
    treatment: StrArray | None = None
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

    told: BoolArray
    happened: BoolArray
    serious: BoolArray
    rated: BoolArray
    listed: tuple[EventRecorded, ...]

    def of_kind(self, kind: str) -> BoolArray:
        """Cases in which it happened, once or more."""
        found = np.zeros(self.told.size, dtype=bool)
        found[[e.row for e in self.listed if e.kind == kind]] = True
        return found


def events_of_cases(event: StrArray, serious: StrArray, recorded: Sequence[EventRecorded] = ()) -> EventsOfCases:
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
    for e in every:
        told[e.row] = True
        # A serious mark without a named event counts as an event, and so does a serious finding.
        if e.serious == "yes" or e.kind not in ("", NONE, FINDING):
            happened[e.row] = True
            grave[e.row] |= e.serious == "yes"
            open_[e.row] |= e.serious not in ("yes", "no")
    # Of an event that does not say whether it was serious it is not known that none was, unless another one was.
    listed = tuple(e for e in every if e.kind != NONE or e.serious == "yes")
    return EventsOfCases(told=told, happened=happened, serious=grave, rated=told & (grave | ~open_), listed=listed)


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
    of = Parameter(quantity=quantity, contrast=arm, unit="proportion", n=n, conf_level=conf_level)
    if cases == 0:
        return of.absent("nobody recorded whether it happened", code="not_recorded", method=EXACT)
    return share_of((count, cases), of, by=EXACT, method=f"{count} of {cases} cases")


def arm_events(event: str, arm: str, count: int, recorded: int, cases: int, *, n: Counts, level: float) -> ArmEvents:
    """One kind of event in one arm: ``count`` of the ``recorded`` among all ``cases``."""
    nothing = count == 0 and recorded > 0
    return ArmEvents(
        arm=arm,
        count=count,
        cases=recorded,
        not_recorded=cases - recorded,
        share=exact_share(count, recorded, quantity=f"event_{event}", arm=arm, n=n, conf_level=level),
        at_most=nothing_seen_limit(recorded) if nothing else None,
        rule_of_three=min(3 / recorded, 1.0) if nothing else None,
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
    counts = Counts.of(any_event, records.arm, arms)

    line = partial(_line, arm=records.arm, n=counts, level=conf_level)
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
    event: str, happened: BoolArray, known: BoolArray, among: BoolArray, *, arm: StrArray, n: Counts, level: float
) -> EventLine:
    found = []
    for code in (a.arm for a in n.by_arm):
        rows = (arm == code) & among
        told = (int(np.sum(these)) for these in (happened & rows & known, rows & known, rows))
        found.append(arm_events(event, code, *told, n=n, level=level))
    return EventLine(event=event, arms=tuple(found), difference=_difference(event, found[0], found[1], n, level))


def _difference(event: str, reference: ArmEvents, other: ArmEvents, n: Counts, level: float) -> EstimateLike:
    name, contrast = f"event_{event}_difference", f"{other.arm} - {reference.arm}"
    of = Parameter(quantity=name, contrast=contrast, unit="proportion", n=n, conf_level=level)
    if min(reference.cases, other.cases) == 0:
        return of.absent("one arm has no case that recorded it", code="not_recorded", method=HYBRID)
    return share_difference((other.count, other.cases), (reference.count, reference.cases), of)


def _listing(
    records: SafetyRecords, events: EventsOfCases, arms: Sequence[str]
) -> tuple[tuple[str, str, str, str, int], ...]:
    """Every event by itself: a case with two events is in two lines."""
    lines = Counter(
        (
            str(records.arm[row]),
            kind if kind not in ("", NONE) else "not named",
            serious.replace("_", " ") or "not recorded",
            str(records.technique[row]),
        )
        for row, kind, serious in events.listed
        if kind != FINDING or serious == "yes"
    )
    order = {a: k for k, a in enumerate(arms)}
    return tuple((*key, count) for key, count in sorted(lines.items(), key=lambda i: (order.get(i[0][0], 99), i[0])))


def _cautions(untold: int, cases: int) -> tuple[Caution, ...]:
    text = "Rare harms cannot be seen in so few cases: that none was seen does not mean that none occurs."
    rare = Caution(code="rare_harms", text=text)
    of, they = "case" if cases == 1 else "cases", "it counts" if untold == 1 else "they count"
    text = f"{untold} of {cases} {of} did not record whether anything happened; {they} in no share."
    return (rare, Caution(code="events_not_recorded", text=text)) if untold else (rare,)
