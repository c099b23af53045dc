"""Whether the cold tests can bear a claim: each doubt with its counts, found before anybody looks at the answer.

Two doubts shut a claim: the control tooth went numb with the target, in all cases or in those of one arm (then what was
tested was the field, or nothing), and minutes that cannot be the planned tests. The others qualify it: the sentence
says why. The thresholds are fixed here and not chosen by what they do to an answer; honest studies are to be stopped by
all of them together in at most one of twenty (simulated in the tests). Harms and doses are never withheld.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray
from onsetstudy.protocol.estimands import estimand_of
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.records.derived.onset import nearest_control, recorded_as_extra
from onsetstudy.records.derived.results import QUALIFIES, SHUTS, Doubt
from onsetstudy.records.model import Records
from onsetstudy.records.numb_field import INSIDE, controls_in_field
from onsetstudy.records.validity.between_arms import Shares, confirmed, given_up, shares_of, unconfirmed
from onsetstudy.records.validity.off_schedule import expected_onsets, poisson_tail

__all__ = ["COUNTED", "doubts_of", "doubts_of_practice"]


COUNTED = {
    "control_lost": (
        SHUTS,
        (
            "cases in which the control tooth was lost with the target",
            "cases with a control where the target was numb",
        ),
    ),
    "control_lost_in_arm": (
        SHUTS,
        (
            "cases in which the control tooth was lost with the target",
            "cases with a control where the target was numb",
        )
        * 2,
    ),
    "clock": (SHUTS, ("cases whose minutes cannot be the planned tests", "cases tested")),
    "control_in_field": (QUALIFIES, ("cases with a control tooth inside the field of the injection", "cases")),
    "off_schedule_positive": (
        QUALIFIES,
        ("tests off schedule at which the tooth was numb", "expected", "such tests"),
    ),
    "tested_differently": (QUALIFIES, ("tests off schedule",) * 2),
    "tests_vanished": (QUALIFIES, ("planned tests not done in time",) * 2),
    "tested_later": (QUALIFIES, ("planned tests that were felt and done after their minute", "such tests") * 2),
    "given_up": (QUALIFIES, ("teeth still feeling whose tests ended before the horizon", "teeth still feeling") * 2),
    "onset_unconfirmed": (
        QUALIFIES,
        ("teeth that stopped feeling without a confirmed onset", "teeth that stopped feeling") * 2,
    ),
    "tests_discarded": (QUALIFIES, ("tests of numb teeth discarded for the control tooth",) * 2),
}
"""What each doubt does to a claim, and what it counts; what compares arms counts reference first."""
MOST = 0.5
"""Proportion of cases that is "most"."""
ALL_OF_FEW = 3
FEW = 8
"""From so many cases on, most of them decide; with fewer, all of them have to agree."""
STRANGE = 0.2
STRANGE_CASES = 5
SKIPPED = 3
"""So many planned tests before the first one done are no lateness."""
LEVEL = 0.01
"""Level of each statistical doubt; six of them are asked, three of these exactly and so seldom at their level, and one
more where tests answer for planned minutes."""
EXACT_LEVEL = 0.02
"""Level of teeth given up: by its steps the exact test is reached in under half of that."""
LATER = 0.05
"""Minutes: arms that were tested that much later or earlier, on average, were not tested alike (project's choice)."""
WINDOW = 0.35
"""A test further from every planned minute than this part of the smallest gap is off schedule (no source), unless the
protocol says how far."""
ALIKE = 20
"""Cases of a kind from which on their own tests say how fast they are."""
COMPARED = 20
"""Cases of an arm from which on the normal approximation of a ratio of sums keeps its level."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Tests:
    """Target tests sorted by case and minute, arrays of shape (m,); arm and kind of each of the n cases.

    ``kind`` is practice, technique and arm, coarser where there are few cases alike. ``valid``: the control tooth felt
    the cold where the protocol asks for it.
    """

    case: IntArray
    minute: FloatArray
    felt: BoolArray
    control: IntArray
    valid: BoolArray
    at_risk: BoolArray
    off: BoolArray
    arm: NDArray[np.str_]
    kind: NDArray[np.str_]
    planned: FloatArray


def doubts_of(records: Records, protocol: Protocol) -> tuple[Doubt, ...]:
    """What makes these cold tests doubtful, the gravest first; empty if nothing was found.

    Parameters
    ----------
    records : Records
        Checked records; ``arm`` as it will be compared. Exclusions change little here and may be left in.
    protocol : Protocol
        Planned minutes, control tooth, arms.

    Notes
    -----
    ``control`` of each cycle is the control reading nearest in the protocol's window. A case is *lost* where in every
    cycle in which the target did not feel the cold the control tooth did not either. Whether tests off schedule were
    positive too often is asked against a hazard in steps on the planned grid, with the minutes since the last test as
    exposure, so that a late test is not taken for a reactive one, and for each kind of case (practice, technique, arm)
    by itself, so that a fast practice that tests off schedule is not either; counts are compared with their
    expectation (Poisson, one-sided). Arms are compared by the ratio of sums over cases with its linearised variance
    (Cochran, Sampling Techniques, 3rd edition, section 6.5; from memory), and where few cases decide exactly
    (:mod:`~onsetstudy.records.validity.between_arms`). What a lost control tooth explains is told once.
    """
    tests = _tests(records, protocol)
    practice = records.cases["practice_id"].to_numpy(dtype=str)
    lost = _lost(tests, practice, protocol) or _lost_in_arm(tests, practice, protocol)
    found = [
        lost,
        _clock(tests, practice),
        _in_field(records, protocol),
        _reactive(tests),
        *_differently(tests, protocol),
        _given_up(tests, records, protocol),
        *(_spoilt(tests, practice, protocol) if lost is None else ()),
    ]
    return tuple(doubt for doubt in found if doubt is not None)


def doubts_of_practice(records: Records, protocol: Protocol, practice: str, *, through: Quarter) -> tuple[Doubt, ...]:
    """Doubts about one practice's tests, up to the end of a quarter, as they travel with its counts."""
    cases = records.cases
    last = cases["quarter"].astype(str) <= through.label
    own = (cases["practice_id"] == practice) & last
    return doubts_of(replace(records, cases=cases[own].reset_index(drop=True)), protocol)


def _tests(records: Records, protocol: Protocol) -> _Tests:
    readings, cases = records.readings, records.cases
    number = pd.Index(cases["case_id"]).get_indexer(readings["case_id"])
    minute = readings["minute"].to_numpy(dtype=np.float64)
    felt = (readings["response"] == "felt").to_numpy(dtype=bool)
    target = (readings["tooth_role"] == "target").to_numpy(dtype=bool)
    order = np.lexsort((minute, number))
    order = order[number[order] >= 0]
    number, minute, felt, target = number[order].astype(np.int64), minute[order], felt[order], target[order]
    extra = recorded_as_extra(readings)[order][target]
    case, at, response = number[target], minute[target], felt[target]
    paired, control_felt = nearest_control(
        case, at, number[~target], minute[~target], felt[~target], protocol.schedule.control_window_min
    )
    planned = np.asarray(protocol.schedule.tests_min, dtype=np.float64)
    gaps, window = np.diff(np.concatenate([[0.0], planned])), protocol.schedule.window_min
    apart = np.min(np.abs(at[:, None] - planned[None, :]), axis=1) if at.size else np.zeros(0)
    first = np.ones(case.size, dtype=bool)
    first[1:] = case[1:] != case[:-1]
    # At risk up to and with the first test that was not felt: later ones say nothing of onset.
    before = np.cumsum(~response) - ~response
    start = np.maximum.accumulate(np.where(first, np.arange(case.size), 0)) if case.size else np.zeros(0, dtype=int)
    asked = protocol.schedule.control_tooth
    return _Tests(
        case=case,
        minute=at,
        felt=response,
        control=np.where(paired, control_felt.astype(np.int64), -1),
        valid=np.ones(case.size, dtype=bool)
        if asked == "none"
        else np.where(paired, control_felt, asked != "required"),
        at_risk=(before - before[start]) == 0,
        off=extra | (apart > (WINDOW * float(gaps.min()) if window is None else window) + 1e-9),
        arm=cases["arm"].to_numpy(dtype=str),
        kind=_kinds([cases[name].astype(str).to_numpy(dtype=str) for name in ("practice_id", "technique", "arm")]),
        planned=planned,
    )


def _kinds(columns: list[NDArray[np.str_]]) -> NDArray[np.str_]:
    """Practice, technique and arm of each case, with fewer of these where fewer than so many cases are alike."""
    practice, technique, arm = columns
    found = np.full(practice.size, "", dtype=object)
    open_ = np.ones(practice.size, dtype=bool)
    for parts in ((practice, technique, arm), (practice, technique), (practice,), ()):
        rows = zip(*parts, strict=True) if parts else [()] * found.size
        code = np.array([" | ".join(row) for row in rows], dtype=object)
        names, group = np.unique(code.astype(str), return_inverse=True)
        enough = np.bincount(group, minlength=names.size)[group] >= ALIKE
        found[open_ & enough] = code[open_ & enough]
        open_ &= ~enough
    return found.astype(str)


def _most(yes: int, of: int) -> bool:
    return yes == of if ALL_OF_FEW <= of < FEW else of >= FEW and yes > MOST * of


def _lost(tests: _Tests, practice: NDArray[np.str_], protocol: Protocol) -> Doubt | None:
    if protocol.schedule.control_tooth == "none":
        return None
    lost, asked = _lost_cases(tests)
    counts = _named("control_lost", int(lost.sum()), int(asked.sum()))
    whose = tuple(
        str(p) for p in np.unique(practice)
        if _most(int(lost[practice == p].sum()), int(asked[practice == p].sum()))
    )  # fmt: skip
    if whose or _most(int(lost.sum()), int(asked.sum())):
        return _doubt("control_lost", counts, whose)
    return None


def _lost_cases(tests: _Tests) -> tuple[BoolArray, BoolArray]:
    """Cases in which the control tooth was lost in every cycle without feeling, and those that had such a cycle."""
    n = tests.arm.size
    numb = ~tests.felt & (tests.control >= 0)
    cycles = np.bincount(tests.case[numb], minlength=n)
    gone = np.bincount(tests.case[numb & (tests.control == 0)], minlength=n)
    return (cycles > 0) & (gone == cycles), cycles > 0


def _lost_in_arm(tests: _Tests, practice: NDArray[np.str_], protocol: Protocol) -> Doubt | None:
    """The control lost in most cases of one arm, or in many of it and in fewer of the other than chance lets expect.

    Tests that are lost with onset leave teeth of that arm without one: the other arm seems to be numb sooner.
    """
    if protocol.schedule.control_tooth == "none":
        return None
    lost, asked = _lost_cases(tests)
    confirmations = protocol.onset.confirmations
    numb = confirmed(tests.case, tests.minute, tests.felt, tests.arm.size, confirmations)
    kept = tests.valid
    spoilt = numb & ~confirmed(tests.case[kept], tests.minute[kept], tests.felt[kept], tests.arm.size, confirmations)
    # A control tooth lost at every other test is not lost with the target, and still lets no onset be confirmed.
    for gone, of, least in ((lost, asked, STRANGE), (spoilt, numb, MOST)):
        found = shares_of(gone, of, tests.arm, _two_arms(protocol), practice)
        pairs = tuple(zip(found.happened, found.could, strict=True))
        many = found.p_value < LEVEL and any(yes > least * whole for yes, whole in pairs)
        if many or (gone is lost and any(_most(yes, whole) for yes, whole in pairs)):
            counts = _named("control_lost_in_arm", *pairs[0], *pairs[1])
            return _doubt("control_lost_in_arm", counts, p_value=found.p_value)
    return None


def _clock(tests: _Tests, practice: NDArray[np.str_]) -> Doubt | None:
    """Cases that begin where the fourth planned test or a later one stands, or go on long after the last."""
    n = tests.arm.size
    has = np.bincount(tests.case, minlength=n) > 0
    earliest, latest = np.full(n, np.inf), np.zeros(n)
    np.minimum.at(earliest, tests.case, tests.minute)
    np.maximum.at(latest, tests.case, tests.minute)
    skipped = np.searchsorted(tests.planned, earliest - 1e-9)
    gap = float(np.diff(np.concatenate([[0.0], tests.planned])).max())
    odd = has & ((skipped >= min(SKIPPED, tests.planned.size)) | (latest > tests.planned[-1] + 2 * gap))
    whose = tuple(
        str(p) for p in np.unique(practice)
        if odd[practice == p].sum() >= STRANGE_CASES and odd[practice == p].sum() > STRANGE * has[practice == p].sum()
    )  # fmt: skip
    if not whose:
        return None
    return _doubt("clock", _named("clock", int(odd.sum()), int(has.sum())), whose)


def _in_field(records: Records, protocol: Protocol) -> Doubt | None:
    cases = records.cases
    if "control_tooth" not in cases or protocol.schedule.control_tooth == "none":
        return None
    inside = controls_in_field(cases, notation=protocol.schedule.tooth_notation) == INSIDE
    if inside.sum() < ALL_OF_FEW or inside.sum() <= STRANGE * len(cases):
        return None
    counts = _named("control_in_field", int(inside.sum()), len(cases))
    whose = np.unique(cases["practice_id"].to_numpy(dtype=str)[inside])
    return _doubt("control_in_field", counts, tuple(map(str, whose)))


def _reactive(tests: _Tests) -> Doubt | None:
    """Tests off schedule that were not felt more often than their minutes let expect."""
    used = tests.at_risk
    off = tests.off & used
    if not off.any():
        return None
    before = np.zeros(tests.case.size)
    same = tests.case[1:] == tests.case[:-1]
    before[1:][same] = tests.minute[:-1][same]
    # Who tests off schedule may also have the faster or slower cases: each kind of case has a hazard of its own.
    e = 0.0
    kind = tests.kind[tests.case]
    for name in np.unique(kind[off]):
        rows = used & (kind == name)
        expected = expected_onsets(before[rows], tests.minute[rows], ~tests.felt[rows], tests.planned)
        e += float(expected[tests.off[rows]].sum())
    o = int((~tests.felt & off).sum())
    p = poisson_tail(o, e)
    if p >= LEVEL:
        return None
    counts = _named("off_schedule_positive", o, round(e), int(off.sum()))
    return _doubt("off_schedule_positive", counts, p_value=p)


def _differently(tests: _Tests, protocol: Protocol) -> list[Doubt]:
    """Arms that were not tested alike: more tests off schedule in one, or more planned tests missing."""
    n = tests.arm.size
    done = np.bincount(tests.case[tests.at_risk], minlength=n).astype(np.float64)
    off = np.bincount(tests.case[tests.at_risk & tests.off], minlength=n).astype(np.float64)
    end = np.zeros(n)
    np.maximum.at(end, tests.case[tests.at_risk], tests.minute[tests.at_risk])
    due = np.searchsorted(tests.planned, end + 1e-9, side="right").astype(np.float64)
    on_time = np.bincount(tests.case[tests.at_risk & ~tests.off], minlength=n).astype(np.float64)
    missed = np.clip(due - on_time, 0.0, None)
    found = []
    for code, part, whole in (("tested_differently", off, done), ("tests_vanished", missed, due)):
        p, counts = _compared(part, whole, tests.arm, protocol)
        if p < LEVEL:
            found.append(_doubt(code, _named(code, *counts), p_value=p))
    later = _later(tests, protocol)
    return found if later is None else [*found, later]


def _later(tests: _Tests, protocol: Protocol) -> Doubt | None:
    """One arm tested later than the other, where it is planned minutes that date onset and not those of the tests.

    Asked of tests that were felt alone: these nobody did because the tooth had gone numb.
    """
    used = tests.felt & tests.at_risk & ~tests.off
    if protocol.schedule.window_min is None or not used.any():
        return None
    n, case = tests.arm.size, tests.case[used]
    apart = tests.minute[used][:, None] - tests.planned[None, :]
    late = apart[np.arange(case.size), np.abs(apart).argmin(axis=1)]
    done = np.bincount(case, minlength=n).astype(np.float64)
    after = np.bincount(case[late > 0], minlength=n).astype(np.float64)
    p, counts = _compared(after, done, tests.arm, protocol)
    own = [tests.arm[case] == code for code in protocol.arm_codes[:2]]
    if p >= LEVEL or abs(float(late[own[0]].mean() - late[own[1]].mean())) < LATER:
        return None
    each = [n for count, rows in zip(counts, own, strict=True) for n in (count, int(rows.sum()))]
    return _doubt("tested_later", _named("tested_later", *each), p_value=p)


def _given_up(tests: _Tests, records: Records, protocol: Protocol) -> Doubt | None:
    """Teeth that still felt the cold and were tested no more, in one arm more than in the other.

    The curve takes them for teeth like those that were tested on: who gives up on the hopeless ones of an arm makes it
    numb sooner.
    """
    asked, cases = estimand_of(protocol, "rmst_difference"), records.cases
    supplement = cases["rescue_min"].notna().to_numpy(dtype=bool) if "rescue_min" in cases else tests.arm == ""
    found = given_up(
        tests.case, tests.minute, tests.felt, tests.arm, cases["practice_id"].to_numpy(dtype=str), supplement,
        arms=_two_arms(protocol), planned=tests.planned, until=asked.minute - (asked.grace_min or 0.0),
        confirmations=protocol.onset.confirmations,
    )  # fmt: skip
    return _more_in_one("given_up", found, EXACT_LEVEL)


def _spoilt(tests: _Tests, practice: NDArray[np.str_], protocol: Protocol) -> list[Doubt]:
    """Onsets that nothing confirmed, and tests of numb teeth that the control tooth discards, unlike in the arms."""
    shares = unconfirmed(
        tests.case, tests.minute, tests.felt, tests.valid, tests.arm, practice,
        arms=_two_arms(protocol), planned=tests.planned, confirmations=protocol.onset.confirmations,
    )  # fmt: skip
    n = tests.arm.size
    numb = np.bincount(tests.case[~tests.felt], minlength=n).astype(np.float64)
    discarded = np.bincount(tests.case[~tests.felt & ~tests.valid], minlength=n).astype(np.float64)
    p, counts = _compared(discarded, numb, tests.arm, protocol)
    more = [_doubt("tests_discarded", _named("tests_discarded", *counts), p_value=p)] if p < LEVEL else []
    less = _more_in_one("onset_unconfirmed", shares)
    return more if less is None else [less, *more]


def _more_in_one(code: str, found: Shares, level: float = LEVEL) -> Doubt | None:
    if found.p_value >= level:
        return None
    counts = found.happened[0], found.could[0], found.happened[1], found.could[1]
    return _doubt(code, _named(code, *counts), p_value=found.p_value)


def _two_arms(protocol: Protocol) -> tuple[str, str]:
    return protocol.arm_codes[0], protocol.arm_codes[1]


def _named(code: str, *counts: int) -> tuple[tuple[str, int], ...]:
    return tuple(zip(COUNTED[code][1], counts, strict=True))


def _doubt(
    code: str, counts: tuple[tuple[str, int], ...], practices: tuple[str, ...] = (), p_value: float | None = None
) -> Doubt:
    return Doubt(code=code, effect=COUNTED[code][0], counts=counts, practices=practices, p_value=p_value)


def _compared(
    part: FloatArray, whole: FloatArray, arm: NDArray[np.str_], protocol: Protocol
) -> tuple[float, list[int]]:
    """Two-sided P of equal ratios of sums in the two arms, and the sums; P is 1 where an arm has too few cases."""
    ratio, variance, counts = [], [], list[int]()
    for code in protocol.arm_codes[:2]:
        own = (arm == code) & (whole > 0)
        n, total = int(own.sum()), float(whole[own].sum())
        counts.append(int(part[own].sum()))
        if n < COMPARED or total == 0:
            return 1.0, counts
        r = float(part[own].sum()) / total
        rest = part[own] - r * whole[own]
        ratio.append(r)
        variance.append(n / (n - 1) * float(np.sum(rest**2)) / total**2)
    spread = sum(variance)
    if spread <= 0:
        return 1.0, counts
    z = (ratio[1] - ratio[0]) / float(np.sqrt(spread))
    return math.erfc(abs(z) / math.sqrt(2)), counts
