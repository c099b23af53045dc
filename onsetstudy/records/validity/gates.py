"""Whether the cold tests can bear a claim: each doubt with its counts, found before anybody looks at the answer.

Three doubts shut a claim: the control tooth went numb with the target, in all cases or in those of one arm (then what
was tested was the field, or nothing), first planned tests that are not recorded, or tests long after the last one, and
teeth that were not tested again once they were not felt, so that most onsets were never confirmed. The
others qualify it: the sentence says why. The thresholds are fixed here and not chosen by what they do to an answer;
honest studies are to be stopped by all of them together in at most one of twenty (simulated in the tests). Harms and
doses are never withheld.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray, FloatArray, StrArray
from onsetstudy.protocol.estimands import estimand_of
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.records.derived.onset import target_tests
from onsetstudy.records.derived.planned_minutes import nearest
from onsetstudy.records.derived.results import QUALIFIES, SHUTS, Doubt
from onsetstudy.records.model import Records
from onsetstudy.records.numb_field import INSIDE, controls_in_field
from onsetstudy.records.validity.between_arms import ArmTests, Shares, given_up, ratios_of, shares_of, unconfirmed

_LOST = ("cases in which the control tooth was lost with the target", "cases with a control where the target was numb")
_UNCONFIRMED = ("teeth that stopped feeling without a confirmed onset", "teeth that stopped feeling")
_NOT_AGAIN = ("teeth not felt at their last test", "teeth that stopped feeling", "tests that make an onset")
_POSITIVE = ("tests off schedule at which the tooth was numb", "expected", "such tests")
COUNTED = {
    "control_lost": (SHUTS, _LOST),
    "control_lost_in_arm": (SHUTS, _LOST * 2),
    "clock": (SHUTS, ("cases whose minutes cannot be the planned tests", "cases tested")),
    "not_tested_again": (SHUTS, _NOT_AGAIN),
    "some_not_tested_again": (QUALIFIES, _NOT_AGAIN),
    "control_in_field": (QUALIFIES, ("cases with a control tooth inside the field of the injection", "cases")),
    "off_schedule_positive": (QUALIFIES, _POSITIVE),
    "tested_differently": (QUALIFIES, ("tests off schedule",) * 2),
    "tests_vanished": (QUALIFIES, ("planned tests not done in time",) * 2),
    "tested_later": (QUALIFIES, ("planned tests that were felt and done after their minute", "such tests") * 2),
    "given_up": (QUALIFIES, ("teeth still feeling whose tests ended before the horizon", "teeth still feeling") * 2),
    "onset_unconfirmed": (QUALIFIES, _UNCONFIRMED * 2),
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
ROUNDS = 60
"""Of fitting their hazard."""


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
    (:mod:`~onsetstudy.records.validity.between_arms`). What a lost control tooth or tests not recorded explain is told
    once.
    """
    tests = _tests(records, protocol)
    controlled = protocol.schedule.control_tooth != "none"
    lost = (_lost(tests) or _lost_in_arm(tests)) if controlled else None
    clock = _clock(tests)
    found = [
        lost,
        clock,
        # Where tests were not recorded, those that would have confirmed an onset may be among them.
        _not_again(tests) if clock is None else None,
        _in_field(records, protocol) if controlled else None,
        _reactive(tests),
        *_differently(tests),
        _later(tests) if protocol.schedule.window_min is not None else None,
        _given_up(tests, records, protocol),
        *(_spoilt(tests) if lost is None else ()),
    ]
    return tuple(doubt for doubt in found if doubt is not None)


def doubts_of_practice(records: Records, protocol: Protocol, practice: str, *, through: Quarter) -> tuple[Doubt, ...]:
    """Doubts about one practice's tests, up to the end of a quarter, as they travel with its counts."""
    cases = records.cases
    own = (cases["practice_id"] == practice) & (cases["quarter"].astype(str) <= through.label)
    return doubts_of(replace(records, cases=cases[own].reset_index(drop=True)), protocol)


def _tests(records: Records, protocol: Protocol) -> ArmTests:
    cases, schedule = records.cases, protocol.schedule
    tests = target_tests(records, protocol)
    case, at = tests.case, tests.minute
    planned = np.asarray(schedule.tests_min, dtype=np.float64)
    window = WINDOW * float(np.diff(planned, prepend=0.0).min()) if schedule.window_min is None else schedule.window_min
    apart = np.abs(at - planned[nearest(planned, at)])
    numb = pd.Series(~tests.felt).astype(int)
    practice, technique, arm = (cases[c].astype(str).to_numpy(dtype=str) for c in ("practice_id", "technique", "arm"))
    return ArmTests(
        case=case,
        minute=at,
        felt=tests.felt,
        control=tests.control,
        valid=tests.valid(schedule.control_tooth),
        # Up to and with the first test that was not felt: later ones say nothing of onset.
        at_risk=(numb.groupby(case).cumsum() == numb).to_numpy(dtype=bool),
        off=tests.extra | (apart > window + 1e-9),
        arm=arm,
        practice=practice,
        kind=_kinds(practice, technique, arm),
        planned=planned,
        arms=(protocol.arm_codes[0], protocol.arm_codes[1]),
        confirmations=protocol.onset.confirmations,
    )


def _kinds(practice: StrArray, technique: StrArray, arm: StrArray) -> StrArray:
    """Practice, technique and arm of each case, with fewer of these where fewer than so many cases are alike."""
    found = np.full(practice.size, "", dtype=object)
    open_ = np.ones(practice.size, dtype=bool)
    for parts in ((practice, technique, arm), (practice, technique), (practice,)):
        code = np.array([" | ".join(row) for row in zip(*parts, strict=True)], dtype=object)
        names, group = np.unique(code.astype(str), return_inverse=True)
        enough = np.bincount(group, minlength=names.size)[group] >= ALIKE
        found[open_ & enough] = code[open_ & enough]
        open_ &= ~enough
    return found.astype(str)


def _most(yes: int, of: int) -> bool:
    return yes == of if ALL_OF_FEW <= of < FEW else of >= FEW and yes > MOST * of


def _groups(happened: BoolArray, could: BoolArray, of: StrArray, many: Callable[[int, int], bool]) -> tuple[str, ...]:
    """Practices, or arms, in which something happened to many of the cases to which it could."""
    own = {str(name): of == name for name in np.unique(of)}
    return tuple(name for name, rows in own.items() if many(int(happened[rows].sum()), int(could[rows].sum())))


def _lost(tests: ArmTests) -> Doubt | None:
    lost, asked = _lost_cases(tests)
    counts = int(lost.sum()), int(asked.sum())
    whose = _groups(lost, asked, tests.practice, _most)
    return _doubt("control_lost", *counts, practices=whose) if whose or _most(*counts) else None


def _lost_cases(tests: ArmTests) -> tuple[BoolArray, BoolArray]:
    """Cases in which the control tooth was lost in every cycle without feeling, and those that had such a cycle."""
    numb = ~tests.felt & (tests.control >= 0)
    cycles, gone = tests.by_case(numb), tests.by_case(numb & (tests.control == 0))
    return (cycles > 0) & (gone == cycles), cycles > 0


def _lost_in_arm(tests: ArmTests) -> Doubt | None:
    """The control lost in most cases of one arm, or in many of it and in fewer of the other than chance lets expect.

    Tests that are lost with onset leave teeth of that arm without one: the other arm seems to be numb sooner.
    """
    lost, asked = _lost_cases(tests)
    numb = tests.confirmed()
    spoilt = numb & ~tests.confirmed(tests.valid)
    # A control tooth lost at every other test is not lost with the target, and still lets no onset be confirmed.
    for gone, of, least in ((lost, asked, STRANGE), (spoilt, numb, MOST)):
        found = shares_of(gone, of, tests.arm, tests.arms, tests.practice)
        pairs = tuple(zip(found.happened, found.could, strict=True))
        many = found.p_value < LEVEL and any(yes > least * whole for yes, whole in pairs)
        if many or (gone is lost and any(_most(yes, whole) for yes, whole in pairs)):
            return _doubt("control_lost_in_arm", *pairs[0], *pairs[1], p_value=found.p_value)
    return None


def _clock(tests: ArmTests) -> Doubt | None:
    """Cases that begin where the fourth planned test or a later one stands, or go on long after the last."""
    n = tests.arm.size
    has = np.bincount(tests.case, minlength=n) > 0
    earliest, latest = np.full(n, np.inf), np.zeros(n)
    np.minimum.at(earliest, tests.case, tests.minute)
    np.maximum.at(latest, tests.case, tests.minute)
    gap = float(np.diff(tests.planned, prepend=0.0).max())
    # By the planned minute that the first test stands for, or one behind the last.
    skipped = nearest(np.append(tests.planned, tests.planned[-1] + gap), earliest)
    odd = has & ((skipped >= min(SKIPPED, tests.planned.size)) | (latest > tests.planned[-1] + 2 * gap))
    whose = _groups(odd, has, tests.practice, lambda strange, of: strange >= STRANGE_CASES and strange > STRANGE * of)
    return _doubt("clock", int(odd.sum()), int(has.sum()), practices=whose) if whose else None


def _not_again(tests: ArmTests) -> Doubt | None:
    """Teeth that were not felt at their last test, with planned minutes left that could have confirmed it.

    The curve takes them for teeth that would have become numb like the rest after their last felt test, and they are
    the ones that just did. It is how busy practices test. Where they are most of the teeth that stopped feeling, of all
    or of one arm, nothing can be told of onset; a fifth of them is told (thresholds of this project, no source).
    """
    numb = tests.confirmed()
    ended = ~numb & (tests.by_case(tests.last & ~tests.felt & tests.in_time(tests.minute)) > 0)
    stopped = numb | ended
    n, of = int(ended.sum()), int(stopped.sum())
    whose = _groups(ended, stopped, tests.practice, _most)
    if _most(n, of) or _groups(ended, stopped, tests.arm, _most):
        return _doubt("not_tested_again", n, of, tests.confirmations)
    if whose or 1 < n == of or (n >= ALL_OF_FEW and n > STRANGE * of):
        return _doubt("some_not_tested_again", n, of, tests.confirmations, practices=whose)
    return None


def _in_field(records: Records, protocol: Protocol) -> Doubt | None:
    cases = records.cases
    inside = controls_in_field(cases, notation=protocol.schedule.tooth_notation) == INSIDE
    if inside.sum() < ALL_OF_FEW or inside.sum() <= STRANGE * len(cases):
        return None
    whose = np.unique(cases["practice_id"].to_numpy(dtype=str)[inside])
    return _doubt("control_in_field", int(inside.sum()), len(cases), practices=tuple(map(str, whose)))


def _reactive(tests: ArmTests) -> Doubt | None:
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
        expected = _expected_onsets(before[rows], tests.minute[rows], ~tests.felt[rows], tests.planned)
        e += float(expected[tests.off[rows]].sum())
    o = int((~tests.felt & off).sum())
    p = poisson_tail(o, e)
    return _doubt("off_schedule_positive", o, round(e), int(off.sum()), p_value=p) if p < LEVEL else None


def _expected_onsets(before: FloatArray, at: FloatArray, numb: BoolArray, planned: FloatArray) -> FloatArray:
    """Probability of each test to be the first without feeling, under one hazard in steps on the planned grid.

    Fitted by expectation and maximisation: an onset between two tests is shared out over the steps as the hazard of
    the last round has it. The rounds are many enough for a threshold, not for a likelihood.
    """
    edges = np.concatenate([[0.0], planned, [max(float(at.max()), float(planned[-1])) + 1.0]])
    inside = np.clip(np.minimum(at[:, None], edges[1:]) - np.maximum(before[:, None], edges[:-1]), 0.0, None)
    rate = np.full(edges.size - 1, max(1, numb.sum()) / max(inside.sum(), 1e-9))
    for _ in range(ROUNDS):
        mass = inside * rate
        total = mass.sum(axis=1, keepdims=True)
        chance = -np.expm1(-total)
        share = np.divide(mass, total, out=np.zeros_like(mass), where=total > 0)
        # Within a positive gap the time lived before onset is, on average, this part of it.
        lived = np.where(numb[:, None], chance / np.maximum(total, 1e-12) - (1 - chance), 1.0)
        lived = np.where(numb[:, None], lived / np.maximum(chance, 1e-12), lived)
        exposure = (inside * np.clip(lived, 0.0, 1.0)).sum(axis=0)
        onsets = (share * numb[:, None]).sum(axis=0)
        rate = np.divide(onsets, exposure, out=np.zeros_like(rate), where=exposure > 0)
    found: FloatArray = -np.expm1(-(inside * rate).sum(axis=1))
    return found


def poisson_tail(count: int, mean: float) -> float:
    """Probability of so many or more, summed from the count upwards so that small ones stay exact."""
    if count == 0:
        return 1.0
    if mean <= 0:
        return 0.0
    term = math.exp(count * math.log(mean) - mean - math.lgamma(count + 1))
    total, k = 0.0, count
    while term > 0 and (k <= mean or term > total * 1e-16):
        total += term
        k += 1
        term *= mean / k
    return min(1.0, total)


def _differently(tests: ArmTests) -> list[Doubt | None]:
    """Arms that were not tested alike: more tests off schedule in one, or more planned tests missing."""
    end = np.zeros(tests.arm.size)
    np.maximum.at(end, tests.case[tests.at_risk], tests.minute[tests.at_risk])
    due = np.searchsorted(tests.planned, end + 1e-9, side="right").astype(np.float64)
    missed = np.clip(due - tests.by_case(tests.at_risk & ~tests.off), 0.0, None)
    off = ratios_of(tests.by_case(tests.at_risk & tests.off), tests.by_case(tests.at_risk), tests)
    return [_more_in_one("tested_differently", off), _more_in_one("tests_vanished", ratios_of(missed, due, tests))]


def _later(tests: ArmTests) -> Doubt | None:
    """One arm tested later than the other, where it is planned minutes that date onset and not those of the tests.

    Asked of tests that were felt alone: these nobody did because the tooth had gone numb.
    """
    used = tests.felt & tests.at_risk & ~tests.off
    late = tests.minute - tests.planned[nearest(tests.planned, tests.minute)]
    doubt = _more_in_one("tested_later", ratios_of(tests.by_case(used & (late > 0)), tests.by_case(used), tests))
    if doubt is None:
        return None
    mean = [float(late[used & (tests.arm[tests.case] == code)].mean()) for code in tests.arms]
    return doubt if abs(mean[0] - mean[1]) >= LATER else None


def _given_up(tests: ArmTests, records: Records, protocol: Protocol) -> Doubt | None:
    """Teeth that still felt the cold and were tested no more, in one arm more than in the other.

    The curve takes them for teeth like those that were tested on: who gives up on the hopeless ones of an arm makes it
    numb sooner.
    """
    asked, cases = estimand_of(protocol, "rmst_difference"), records.cases
    supplement = cases["rescue_min"].notna().to_numpy(dtype=bool) if "rescue_min" in cases else tests.arm == ""
    found = given_up(tests, supplement, until=asked.minute - (asked.grace_min or 0.0))
    return _more_in_one("given_up", found, EXACT_LEVEL)


def _spoilt(tests: ArmTests) -> list[Doubt | None]:
    """Onsets that nothing confirmed, and tests of numb teeth that the control tooth discards, unlike in the arms."""
    discarded = ratios_of(tests.by_case(~tests.felt & ~tests.valid), tests.by_case(~tests.felt), tests)
    return [_more_in_one("onset_unconfirmed", unconfirmed(tests)), _more_in_one("tests_discarded", discarded)]


def _more_in_one(code: str, found: Shares, level: float = LEVEL) -> Doubt | None:
    if found.p_value >= level:
        return None
    if len(COUNTED[code][1]) == len(found.happened):
        return _doubt(code, *found.happened, p_value=found.p_value)
    (one, of_one), (other, of_other) = zip(found.happened, found.could, strict=True)
    return _doubt(code, one, of_one, other, of_other, p_value=found.p_value)


def _doubt(code: str, *counts: int, practices: tuple[str, ...] = (), p_value: float | None = None) -> Doubt:
    effect, words = COUNTED[code]
    told = tuple(zip(words, counts, strict=True))
    return Doubt(code=code, effect=effect, counts=told, practices=practices, p_value=p_value)
