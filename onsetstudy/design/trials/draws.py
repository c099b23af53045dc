"""Many trials at once: onset, tests, supplements, and the interval of every case by the same rule as for records."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from functools import cache

import numpy as np

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray
from onsetstudy.core.intervals import Intervals, derive_intervals
from onsetstudy.design.trials.results import TrialScenario


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Drawn:
    """Cases of many trials, arrays of shape (trials, cases).

    In a paired design the cases are patients' injections: first all of the reference arm, then all of the other.
    ``other`` says which cases are of the other arm; ``onset_min`` is the truth. ``stratum`` is the practice of each
    case, one operator each; ``score`` its pain, or 1 if the treatment succeeded and 0 if not; ``None`` unless one of
    these decides.
    """

    left: FloatArray
    right: FloatArray
    other: BoolArray
    onset_min: FloatArray
    stratum: IntArray
    score: FloatArray | None = None

    def first(self, cases: int) -> Drawn:
        """The same trials after so many cases."""
        parts = {field.name: getattr(self, field.name) for field in fields(self)}
        return replace(self, **{name: part[:, :cases] for name, part in parts.items() if part is not None})


def draw_trials(scenario: TrialScenario, trials: int, rng: np.random.Generator) -> Drawn:
    """Trials of a scenario.

    Notes
    -----
    Onset of a case that can become numb is Weibull; the hazard ratio multiplies its hazard, operators and patients
    multiply its time. Arms are allocated at random in the ratio of the scenario. Readings are felt before onset and not
    felt after;
    missed tests and those whose control tooth did not feel the cold are not there. A supplement ends what counts.
    Pain is normal with the stated spread; the ends of a scale are not drawn, as no plan states where on it scores lie.
    """
    n = scenario.cases * (2 if scenario.paired else 1)
    other = _arms(trials, scenario, rng)
    onset, stratum = _onsets(scenario, other, rng)
    tests = np.asarray(scenario.tests_min, dtype=np.float64)
    total = trials * n
    gone = scenario.missed_share + (1 - scenario.missed_share) * scenario.control_failure_share
    felt = (tests < onset.reshape(total, 1)).ravel()
    minute, done = np.tile(tests, total), np.full(total, tests.size)
    if gone > 0:
        valid = rng.random((total, tests.size)) >= gone
        done = np.count_nonzero(valid, axis=1)
        felt, minute = felt[valid.ravel()], minute[valid.ravel()]
    case = np.repeat(np.arange(total), done)
    rescue = None
    if scenario.rescue_min is not None and scenario.rescue_share > 0:
        rescue = _rescued(scenario, case, minute, felt, total, rng)
    derived = derive_intervals(
        case, minute, felt, n_cases=total, confirmations=scenario.confirmations, rescue_min=rescue
    )
    shape = (trials, n)
    score = None
    if scenario.decision == "pain":
        score = rng.normal(0.0, scenario.pain_sd, shape) - np.where(other, scenario.pain_less, 0.0)
    if scenario.decision == "treatment":
        share = np.where(other, scenario.treated_other, scenario.treated_reference)
        score = (rng.random(shape) < share).astype(np.float64)
    return Drawn(
        left=derived.left.reshape(shape),
        right=derived.right.reshape(shape),
        other=other,
        onset_min=onset,
        stratum=stratum,
        score=score,
    )


def _arms(trials: int, scenario: TrialScenario, rng: np.random.Generator) -> BoolArray:
    cases = scenario.cases
    if scenario.paired:
        return np.broadcast_to(np.arange(2 * cases) >= cases, (trials, 2 * cases))
    divisor = math.gcd(*scenario.ratio)
    reference, others = (r // divisor for r in scenario.ratio)
    if (reference, others) != (1, 1):
        size = reference + others
        block = np.broadcast_to(np.arange(size) >= reference, (trials, math.ceil(cases / size), size))
        return rng.permuted(block, axis=2).reshape(trials, -1)[:, :cases]
    # Balanced within the whole trial and, so that looks are balanced too, within pairs of neighbours.
    first = rng.random((trials, (cases + 1) // 2)) < 0.5
    return np.stack((first, ~first), axis=2).reshape(trials, -1)[:, :cases]


def _onsets(scenario: TrialScenario, other: BoolArray, rng: np.random.Generator) -> tuple[FloatArray, IntArray]:
    """Minutes of onset and the operator of every case."""
    e = scenario.expected
    trials, n = other.shape
    who = np.zeros((trials, n), dtype=np.int64)
    scale = e.median_min / np.log(2) ** (1 / e.shape)
    shift = np.zeros((trials, n))
    if scenario.operator_spread > 0 and scenario.operators > 1:
        hands = rng.normal(0, scenario.operator_spread, (trials, scenario.operators))
        times = 2 if scenario.paired else 1
        who = np.tile(rng.integers(0, scenario.operators, (trials, n // times)), times)
        shift += np.take_along_axis(hands, who, axis=1)
    if scenario.paired and scenario.patient_spread > 0:
        shift += np.tile(rng.normal(0, scenario.patient_spread, (trials, n // 2)), 2)
    ratio = np.where(other, scenario.hazard_ratio, 1.0)
    onset = scale * np.exp(shift) * (rng.exponential(size=(trials, n)) / ratio) ** (1 / e.shape)
    never = np.where(other, e.never_other, e.never_reference)
    if e.never_other > 0 or e.never_reference > 0:
        onset = np.where(rng.random((trials, n)) < never, np.inf, onset)
    if scenario.operator_spread == 0 and scenario.operators > 1:
        # Practices that do not differ are compared within all the same.
        who = rng.integers(0, scenario.operators, (trials, n))
    return np.asarray(onset, dtype=np.float64), who


def _rescued(
    scenario: TrialScenario, case: IntArray, minute: FloatArray, felt: BoolArray, total: int, rng: np.random.Generator
) -> FloatArray:
    """Minute of the supplement, nan where none was given: only cases not confirmed numb by then may get one."""
    before = minute < (scenario.rescue_min or 0.0)
    seen = derive_intervals(
        case[before], minute[before], felt[before], n_cases=total, confirmations=scenario.confirmations
    )
    given = np.isinf(seen.right) & (rng.random(total) < scenario.rescue_share)
    return np.where(given, scenario.rescue_min or np.nan, np.nan)


@cache
def cells_of(tests_min: tuple[float, ...]) -> Intervals:
    """Every interval that a case can have under a schedule, in the order of ``place_of``."""
    minutes = np.array([0.0, *tests_min, np.inf])
    i, j = np.triu_indices(minutes.size, 1)
    return Intervals(minutes[i], minutes[j])


def place_of(left: FloatArray, right: FloatArray, tests_min: tuple[float, ...]) -> IntArray:
    """Number of the cell of each interval."""
    minutes = np.array([0.0, *tests_min, np.inf])
    i, j = np.searchsorted(minutes, left), np.searchsorted(minutes, right)
    last = minutes.size - 1
    # Cells are listed by left end: those before left end i are last + (last - 1) + ... of them.
    return np.asarray(i * last - i * (i - 1) // 2 + (j - i - 1), dtype=np.int64)
