"""When an entry of the recorder was made: every page counts by a clock of its own, tied to the computer's by anchors.

A page's monotonic clock starts with the page and stops while its machine sleeps; the computer's clock runs on. An
anchor is a pair of readings of both at one moment. Between two anchors that agree, an entry is placed by them. Where
they disagree (asleep in between), the page's wall clock says on which side of the sleep the entry lies, if it tells
the same story; otherwise the entry is only known to lie between two moments, and is flagged. Nothing is guessed.
"""

from __future__ import annotations

import bisect
import datetime as dt
import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from onsetstudy.records.chair.event import Event

TOLERANCE_S = 0.25
"""Clocks that differ by less agree (practice decision: a tap is no better timed)."""
RESTART_S = 2.0
"""What the battery clock of a computer that was restarted is trusted to (own choice: it is read to the second)."""
WATCHED_S = 60.0
"""A page watched for less tells nothing of its clock's rate."""
WALL_APART_S = 60.0
"""Times of day that differ by more are told (own choice: by less, a case hardly ever changes its day)."""
MOST_DRIFT = 1e-3
"""A clock that is out by more than a thousandth stood still (own choice: ten times what quartz clocks are out by)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """What has to be added to a page load's monotonic clock, when it stood at ``page_s``, for the time by another one.

    ``wall_s`` for the page's own wall clock; ``server_s`` for the computer's clock, which runs on through sleep and was
    started at ``boot``.
    """

    page_s: float
    wall_s: float
    server_s: float
    boot: str
    seq: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """Seconds of the computer's clock between which an entry lies; equal where the clocks agree."""

    low_s: float
    high_s: float
    flagged: bool = False


def local_time(event: Event, moment: Moment) -> dt.datetime:
    """Date and time of day of an entry: of its moment, by the page's offset from UTC.

    A page's own wall clock decides only where its moment leaves that open.
    """
    at_s = min(max(event.wall_s, moment.low_s), moment.high_s)
    return dt.datetime.fromtimestamp(round(at_s, 3), dt.datetime.fromisoformat(event.at_wall).tzinfo)


SOME_TIME = Moment(low_s=-math.inf, high_s=math.inf, flagged=True)
"""Of an entry of which nothing tells when it was made."""


def _anchors(events: Iterable[Event]) -> dict[str, list[Anchor]]:
    """Anchors of every page load, on one axis: seconds of the computer's wall clock when each of its starts began."""
    began: dict[str, float] = {}
    found: dict[str, list[Anchor]] = {}
    for event in events:
        # Where question and answer took long, nobody knows at which moment the two clocks were read.
        if event.kind == "anchor" and event.payload["half_s"] <= TOLERANCE_S:
            page_s, told = event.at_monotonic, event.payload
            boot = str(told["boot"])
            server_s = began.setdefault(boot, told["server_wall_s"] - told["server_s"]) + told["server_s"] - page_s
            wall_s = event.wall_s - page_s
            anchor = Anchor(page_s=page_s, wall_s=wall_s, server_s=server_s, boot=boot, seq=event.seq)
            found.setdefault(event.clock, []).append(anchor)
    return {clock: sorted(anchors, key=_place) for clock, anchors in found.items()}


def _place(anchor: Anchor) -> tuple[float, int]:
    """The order of entry decides between equal readings: a clock that slept may not have moved."""
    return anchor.page_s, anchor.seq


def place_events(events: Iterable[Event]) -> dict[str, Moment]:
    """Moment of every entry, by its ``id``.

    Parameters
    ----------
    events : iterable of Event
        In the order in which they were stored; anchors are events of the kind ``anchor``.

    Returns
    -------
    dict of Moment
        Seconds on the axis of the computer's clock. An entry whose clock was never tied to the computer's lies between
        its neighbours of the same device; with none it lies between minus and plus infinity.
    """
    ordered = list(events)
    anchors = _anchors(ordered)
    found = {event.id: _by_anchors(event, anchors.get(event.clock, [])) for event in ordered}
    _between_neighbours(ordered, found)
    return found


def _by_anchors(event: Event, anchors: Sequence[Anchor]) -> Moment:
    """By the anchors of the entry's own page load; an open end is infinite."""
    if not anchors:
        return SOME_TIME
    page_s, wall = event.at_monotonic, event.wall_s - event.at_monotonic
    place = bisect.bisect_right(anchors, (page_s, event.seq), key=_place)
    before, after = (anchors[place - 1] if place else None), (anchors[place] if place < len(anchors) else None)
    if before is None or after is None:
        only = before or after
        assert only is not None
        at = page_s + only.server_s
        if abs(wall - only.wall_s) <= TOLERANCE_S:
            return exactly(at)
        return Moment(low_s=at if before else -math.inf, high_s=math.inf if before else at, flagged=True)
    apart = after.server_s - before.server_s
    if abs(apart) > TOLERANCE_S:
        return _around_sleep(page_s, wall, before, after)
    part = (page_s - before.page_s) / max(after.page_s - before.page_s, 1e-9)
    return exactly(page_s + before.server_s + part * apart)


def _around_sleep(page_s: float, wall: float, before: Anchor, after: Anchor) -> Moment:
    """Between two anchors that disagree: before or after the sleep if the wall clock tells of the same sleep."""
    slept, restarted = after.server_s - before.server_s, before.boot != after.boot
    if not restarted and abs((after.wall_s - before.wall_s) - slept) <= TOLERANCE_S:
        for anchor in (before, after):
            if abs(wall - anchor.wall_s) <= TOLERANCE_S:
                return exactly(page_s + anchor.server_s)
    spare = RESTART_S if restarted else 0.0
    low, high = sorted((page_s + before.server_s, page_s + after.server_s))
    return Moment(low_s=low - spare, high_s=high + spare, flagged=True)


def exactly(at_s: float) -> Moment:
    """The moment of an entry where the clocks agree."""
    return Moment(low_s=at_s, high_s=at_s)


def _between_neighbours(ordered: list[Event], found: dict[str, Moment]) -> None:
    """Close open ends by what the same device entered before and after."""
    by_device: dict[str, list[Event]] = {}
    for event in ordered:
        by_device.setdefault(event.device, []).append(event)
    for entries in by_device.values():
        _by_wall(entries, found)
        latest = -math.inf
        for event in entries:
            moment = found[event.id]
            if math.isinf(moment.low_s):
                found[event.id] = replace(moment, low_s=min(latest, moment.high_s), flagged=True)
            else:
                latest = max(latest, moment.low_s)
        earliest = math.inf
        for event in reversed(entries):
            moment = found[event.id]
            if math.isinf(moment.high_s):
                found[event.id] = replace(moment, high_s=max(earliest, moment.low_s), flagged=True)
            else:
                earliest = min(earliest, moment.high_s)


def _by_wall(entries: list[Event], found: dict[str, Moment]) -> None:
    """Entries of page loads without anchors: by the device's wall clock where it ran alike before and after.

    A wall clock that was set in between and set back is alike before and after as well. Where it puts the entries in
    another order than they were made in, none of them is placed by it.
    """
    moments = [found[event.id] for event in entries]
    known = [(place, moment.low_s) for place, moment in enumerate(moments) if not moment.flagged]
    for (earlier, low), (later, high) in itertools.pairwise(known):
        first, second = low - entries[earlier].wall_s, high - entries[later].wall_s
        if abs(first - second) > TOLERANCE_S:
            continue
        between = [event for event in entries[earlier + 1 : later] if found[event.id] is SOME_TIME]
        placed = [event.wall_s + (first + second) / 2 for event in between]
        if all(b >= a - TOLERANCE_S for a, b in itertools.pairwise((low, *placed, high))):
            found.update((event.id, exactly(at)) for event, at in zip(between, placed, strict=True))


def largest_drift(events: Iterable[Event]) -> Mapping[str, float]:
    """Parts per million by which each page's clock ran apart from the computer's.

    Summed over all stretches between two anchors but those with a sleep or a restart in them, so that an hour of drift
    counts whatever it comes to. Page loads watched for less than a minute are left out.
    """
    drift = {}
    for clock, anchors in _anchors(events).items():
        watched, apart = 0.0, 0.0
        for before, after in itertools.pairwise(anchors):
            if _only_drifted(before, after):
                watched += after.page_s - before.page_s
                apart += after.server_s - before.server_s
        if watched >= WATCHED_S:
            drift[clock] = 1e6 * apart / watched
    return drift


def _only_drifted(before: Anchor, after: Anchor) -> bool:
    """Whether clocks that moved apart between two anchors drifted, rather than one of them stood still.

    After a sleep the page's wall clock has run on by what its monotonic clock lost; a clock that only runs slow takes
    the wall clock of its machine with it, and stays within what such clocks are out by.
    """
    change = abs(after.server_s - before.server_s)
    if before.boot != after.boot or change <= TOLERANCE_S:
        return before.boot == after.boot
    same_wall = abs(after.wall_s - before.wall_s) <= TOLERANCE_S
    return same_wall and change <= MOST_DRIFT * (after.page_s - before.page_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseDrift:
    """How the clock of one page that timed a case ran against the computer's.

    ``drift_ppm`` in parts per million, ``apart_s`` in seconds from the first to the last entry of the case on that
    page; ``None`` where it could not be measured (:func:`largest_drift`). One second in ten minutes is 1667.
    ``wall_apart_s`` are seconds by which the page's time of day was before (below 0) or behind the computer's, the most
    of these entries: 0 where their moments are not known better than by that time of day.
    """

    case_id: str
    clock: str
    drift_ppm: float | None
    apart_s: float | None
    wall_apart_s: float


def case_drift(events: Sequence[Event], moments: Mapping[str, Moment]) -> tuple[CaseDrift, ...]:
    """How each page's clocks that timed a case ran apart from the computer's, by case and page.

    ``moments`` are those of the entries (:func:`place_events`).
    """
    measured = largest_drift(events)
    entered: dict[tuple[str, str], list[Event]] = {}
    for event in events:
        if event.case_id is not None:
            entered.setdefault((event.case_id, event.clock), []).append(event)
    found = []
    for (case_id, clock), entries in sorted(entered.items()):
        drift, at = measured.get(clock), [e.at_monotonic for e in entries]
        apart = None if drift is None else abs(drift) * 1e-6 * (max(at) - min(at))
        wall = max((e.wall_s - local_time(e, moments[e.id]).timestamp() for e in entries), key=abs)
        found.append(CaseDrift(case_id=case_id, clock=clock, drift_ppm=drift, apart_s=apart, wall_apart_s=wall))
    return tuple(found)
