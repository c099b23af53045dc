"""Power by simulation: invented trials decided by the test that the report uses; what other schedules cost in cases."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy import special
from statsmodels.stats.proportion import proportion_confint

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import DesignError, Problem
from onsetstudy.core.parallel import Mapper, Progress, serial
from onsetstudy.core.results import Caution, Interval
from onsetstudy.core.seeds import stream
from onsetstudy.design.planning_values import implausible
from onsetstudy.design.trials.draws import Drawn, cells_of, draw_trials, place_of
from onsetstudy.design.trials.mean_scores import counted, pain_scores, share_scores, wait_scores
from onsetstudy.design.trials.results import ScheduleComparison, ScheduleLine, SimulatedPower, TrialScenario
from onsetstudy.inference.strata import LEAST_OF_AN_ARM
from onsetstudy.survival.ranktests.batched_rank_tests import compare_many, compare_many_pairs, z_of

CHUNK_CASES = 100_000
DESIGNS, DECISIONS = ("parallel", "paired"), ("log_rank", "success", "wait", "pain", "treatment")
TESTS = {
    "log_rank": "log-rank test",
    "success": "interval of two proportions by Wilson's limits, within practices, of the cases decided at the target",
    "wait": "interval of the difference in restricted mean time to onset, within practices",
    "pain": "Welch interval of the difference in mean pain, within practices",
    "treatment": "interval of two proportions by Wilson's limits, within practices",
}
PAIRED_TESTS = {
    "log_rank": "log-rank test, labels exchanged within patients",
    "success": "test of two proportions, labels exchanged within patients",
}
METHODS = {
    "log_rank": "simulated trials through the onset rule and the interval-censored log-rank score",
    "success": "simulated trials through the onset rule and the report's difference of proportions",
    "wait": "simulated trials through the onset rule and the report's restricted mean time to onset",
    "pain": "simulated scores, normal, through the report's difference in means",
    "treatment": "simulated treatments through the report's difference of proportions",
}
FIRST_TEST_CAUTION = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class TrialScores:
    """What one chunk of trials gives: scores, shape (trials, looks), and counts of cases."""

    z: FloatArray
    numb_at_first: float
    onsets: float
    cases: int


def check_scenario(scenario: TrialScenario) -> TrialScenario:
    """The scenario itself.

    Raises
    ------
    DesignError
        With every number that makes no sense.
    """
    s, e = scenario, scenario.expected
    tests, fractions = s.tests_min, [look[0] for look in s.looks]
    shares = (s.missed_share, s.control_failure_share, e.never_reference, e.never_other)
    faults = [
        (s.cases >= 4, "cases", f"{s.cases} cases are too few to compare", "give 4 or more"),
        (s.design in DESIGNS, "design", f"the design {s.design!r} is not known", f"choose {' or '.join(DESIGNS)}"),
        (s.decision in DECISIONS, "decision", f"{s.decision!r} is not known", f"choose {' or '.join(DECISIONS)}"),
        (s.hazard_ratio > 0, "hazard_ratio", f"a hazard ratio of {s.hazard_ratio:g}", "give one above 0"),
        (_grows(tests) and tests[0] > 0, "tests_min", "the test minutes do not increase", "write each once, in order"),
        (1 <= s.confirmations <= len(tests), "confirmations", f"{s.confirmations} of them", "ask for fewer than tests"),
        (all(0 <= v < 1 for v in shares), "shares", "a share is not between 0 and 1", "give shares such as 0.05"),
        (0 <= s.rescue_share <= 1, "rescue_share", f"a share of {s.rescue_share:g}", "give one between 0 and 1"),
        (min(e.median_min, e.shape) > 0, "expected", "median and shape must be above 0", "give minutes above 0"),
        (min(s.operator_spread, s.patient_spread) >= 0, "spread", "a spread is negative", "give 0 or more"),
        (min(s.ratio) >= 1, "ratio", "the ratio has a part below 1", "give whole numbers such as 3 and 1"),
        (
            not s.paired or s.ratio[0] == s.ratio[1],
            "ratio", "pairs have one case of each arm", "leave the ratio at 1 and 1",
        ),
        (
            not s.paired or s.decision in ("log_rank", "success"),
            "decision", "means of pairs are not simulated", "choose log_rank or success",
        ),
        (s.decision != "pain" or s.pain_sd > 0, "pain_sd", "the spread of pain must be above 0", "give points above 0"),
        (
            s.decision != "treatment" or (0 < s.treated_reference < 1 and 0 < s.treated_other < 1),
            "treated_other", "a share of successful treatments is not between 0 and 1", "give shares such as 0.7",
        ),
        (s.decision != "wait" or e.tau_min > 0, "tau_min", "the horizon must be above 0", "give minutes above 0"),
        (0 < s.alpha < 1, "alpha", f"an error rate of {s.alpha:g}", "give one between 0 and 1"),
        (
            not fractions or (_grows(fractions) and fractions[0] > 0 and fractions[-1] <= 1),
            "looks", "the looks do not grow to 1", "give fractions in order",
        ),
    ]  # fmt: skip
    problems = [Problem.of_key(key, what, mend, code="scenario") for fine, key, what, mend in faults if not fine]
    if problems:
        raise DesignError(problems)
    return scenario


def _grows(values: Sequence[float]) -> bool:
    return bool(values) and all(b > a for a, b in itertools.pairwise(values))


def seconds_of(scenario: TrialScenario) -> float:
    """About how long one trial takes on one core (measured from 400 to a million cases, 5 to 40 practices)."""
    cases, tests, looks = scenario.cases, len(scenario.tests_min), max(1, len(scenario.looks))
    judged = 1.5e-6 * tests**2 + 1e-7 * cases
    if scenario.decision == "wait":
        # Curves of every practice, fitted together for the trials of a chunk: few of them share what a fit takes.
        judged = 2e-6 * scenario.operators * tests**2 * (1 + cases / 5000)
    return 4e-7 * cases + looks * judged


def simulate_power(
    scenario: TrialScenario,
    *,
    trials: int = 2000,
    seed: int = 1,
    mapper: Mapper = serial,
    progress: Progress | None = None,
) -> SimulatedPower:
    """Share of trials that find a difference.

    Parameters
    ----------
    scenario : TrialScenario
    trials : int
    seed : int
    mapper : Mapper
        Hands out chunks of trials; the numbers are the same whoever works.
    progress : callable or None
        Called as ``(done, total, label)`` when all chunks are in, or chunk by chunk in this process.

    Returns
    -------
    SimulatedPower
        ``power`` is the share rejected in the direction of the effect (both directions if there is none).

    Raises
    ------
    DesignError
        If the scenario makes no sense.

    Notes
    -----
    Intervals come from the same onset rule and scores from the same curve and permutation variance as in the report,
    which uses exact permutation in small studies: below 50 cases the report is a little more careful. Means are decided
    by the interval of their difference, at the report's interim analyses and in the report of a single one.
    """
    scores = simulate_scores(scenario, trials=trials, seed=seed, mapper=mapper, progress=progress)
    return summarise(scenario, scores, trials, seed)


def simulate_scores(
    scenario: TrialScenario, *, trials: int, seed: int, mapper: Mapper = serial, progress: Progress | None = None
) -> list[TrialScores]:
    """Scores of all trials, chunk by chunk; the same seed gives the same teeth whatever the schedule of tests."""
    check_scenario(scenario)
    size = max(1, min(trials, CHUNK_CASES // scenario.cases))
    counts = [min(size, trials - start) for start in range(0, trials, size)]
    tasks = list(enumerate(counts))
    work = partial(_chunk, scenario, seed)
    if mapper is not serial or progress is None:
        return mapper.map(work, tasks)
    found = []
    for done, task in enumerate(tasks):
        progress(done, len(tasks), "simulating trials")
        found.append(work(task))
    progress(len(tasks), len(tasks), "simulating trials")
    return found


def _chunk(scenario: TrialScenario, seed: int, task: tuple[int, int]) -> TrialScores:
    number, trials = task
    drawn = draw_trials(scenario, trials, stream(seed, "power: trials", number))
    z = np.column_stack([scores_of(scenario, drawn, look[0]) for look in scenario.looks or ((1.0,),)])
    first = scenario.tests_min[0]
    return TrialScores(
        z=z,
        numb_at_first=float(np.sum((drawn.left == 0) & (drawn.right <= first))),
        onsets=float(np.isfinite(drawn.right).sum()),
        cases=drawn.left.size,
    )


def scores_of(scenario: TrialScenario, drawn: Drawn, fraction: float = 1.0) -> FloatArray:
    """Z of every trial after a fraction of its cases, shape (trials,); nan where there is nothing to compare.

    As in the report, means are not judged at an interim analysis in which an arm has few cases.
    """
    cases = max(2, round(fraction * scenario.cases))
    z = _scores(scenario, drawn, cases)
    if fraction < 1 and scenario.decision in ("wait", "pain") and not scenario.paired:
        others = drawn.first(cases).other.sum(axis=1)
        z = np.where(np.minimum(others, cases - others) < LEAST_OF_AN_ARM, np.nan, z)
    return z


def _scores(scenario: TrialScenario, drawn: Drawn, cases: int) -> FloatArray:
    if scenario.paired:
        return _paired_scores(scenario, drawn, cases)
    seen, level = drawn.first(cases), scenario.conf_level
    if scenario.decision == "success":
        numb = seen.right <= scenario.target_min
        decided = numb | (seen.left >= scenario.target_min)
        return share_scores(numb, seen.other, seen.stratum, decided=decided, conf_level=level)
    if scenario.decision == "pain" and seen.score is not None:
        return pain_scores(seen.score, seen.other, seen.stratum, conf_level=level)
    if scenario.decision == "treatment" and seen.score is not None:
        return share_scores(seen.score == 1, seen.other, seen.stratum, conf_level=level)
    cells = cells_of(scenario.tests_min)
    place = place_of(seen.left, seen.right, scenario.tests_min)
    if scenario.decision == "wait":
        return wait_scores(
            cells, place, seen.other, seen.stratum, tau_min=scenario.expected.tau_min, grace_min=scenario.grace_min,
            conf_level=level,
        )  # fmt: skip
    counts = counted((seen.other, 2), (place, len(cells)))
    used = counts.any(axis=(0, 1))
    return compare_many(cells.take(used), counts[..., used])


def _paired_scores(scenario: TrialScenario, drawn: Drawn, patients: int) -> FloatArray:
    place = place_of(drawn.left, drawn.right, scenario.tests_min)
    a, b = slice(0, patients), slice(scenario.cases, scenario.cases + patients)
    if scenario.decision == "log_rank":
        return compare_many_pairs(cells_of(scenario.tests_min), place[:, a], place[:, b])
    numb = drawn.right <= scenario.target_min
    decided = numb | (drawn.left >= scenario.target_min)
    apart = np.where(decided[:, a] & decided[:, b], numb[:, b].astype(np.float64) - numb[:, a], 0.0)
    return z_of(apart.sum(axis=1), np.abs(apart).sum(axis=1))


def summarise(scenario: TrialScenario, found: list[TrialScores], trials: int, seed: int) -> SimulatedPower:
    """What the trials say together."""
    z = np.concatenate([t.z for t in found])
    cases = sum(t.cases for t in found)
    looks = scenario.looks or ((1.0, float(-special.ndtri(scenario.alpha / 2))),)
    fractions, upper = (np.array([look[k] for look in looks]) for k in (0, 1))
    lower = np.array([look[2] if len(look) > 2 else -look[1] for look in looks])
    answered = np.where(np.isnan(z), 0.0, z)
    passed = (answered >= upper) | (answered <= lower)
    stopped = passed.any(axis=1)
    first = np.argmax(passed, axis=1)
    sign = np.sign(answered[np.arange(len(z)), first])
    wanted = scenario.side
    right = stopped & (sign == wanted if wanted else True)
    count = int(right.sum())
    low, high = proportion_confint(count, trials, method="wilson")
    share = count / trials
    used = np.where(stopped, fractions[first], fractions[-1])
    last = z[:, -1][~np.isnan(z[:, -1])]
    numb = sum(t.numb_at_first for t in found) / cases
    return SimulatedPower(
        scenario=scenario,
        test=(PAIRED_TESTS if scenario.paired else TESTS)[scenario.decision],
        power=share,
        interval=Interval(low=float(low), high=float(high), level=0.95, method="Wilson, of the simulation"),
        mc_error=math.sqrt(max(share * (1 - share), 0.25 / trials) / trials),
        trials=trials,
        without_answer=int(np.isnan(z[:, -1]).sum()),
        by_look=tuple(float(np.mean(stopped & (first == k))) for k in range(z.shape[1])),
        expected_cases=float(used.mean() * scenario.cases),
        mean_z=float(last.mean()) if last.size else float("nan"),
        mean_z_error=float(last.std(ddof=1) / math.sqrt(last.size)) if last.size > 1 else float("nan"),
        numb_at_first=numb,
        onset_share=sum(t.onsets for t in found) / cases,
        seed=seed,
        method=METHODS[scenario.decision],
        caution=_cautions(scenario, numb),
    )


def _cautions(scenario: TrialScenario, numb_at_first: float) -> tuple[Caution, ...]:
    found = list(implausible("hazard_ratio", scenario.hazard_ratio))
    first = scenario.tests_min[0]
    if first > scenario.target_min:
        text = (
            f"The first test is at {first:g} min: nobody can be seen to be numb by {scenario.target_min:g} min, and "
            f"{numb_at_first:.0%} of teeth are numb before anybody looks."
        )
        found.append(Caution(code="first_test_late", text=text))
    elif numb_at_first > FIRST_TEST_CAUTION:
        text = f"{numb_at_first:.0%} of teeth are already numb at the first test; test earlier to see when."
        found.append(Caution(code="numb_at_first_test", text=text))
    return tuple(found)


def compare_schedules(
    scenario: TrialScenario,
    schedules: Mapping[str, tuple[float, ...]],
    *,
    trials: int = 2000,
    seed: int = 1,
    mapper: Mapper = serial,
    progress: Progress | None = None,
) -> ScheduleComparison:
    """Power under each schedule, and the share of cases that it costs against the first.

    Parameters
    ----------
    scenario : TrialScenario
        With an effect; its own schedule is not used.
    schedules : mapping
        Name to test minutes, the first being the one measured against.

    Notes
    -----
    Information grows with cases and with the square of the mean score, so that a schedule with a mean score lower by a
    factor f needs 1 / f^2 times the cases. The same teeth are tested under every schedule, so that the error of the
    factor is that of paired scores.

    Raises
    ------
    DesignError
        If there is no schedule, or no effect to see.
    """
    if not schedules or scenario.hazard_ratio == 1:
        raise DesignError("comparing schedules takes one schedule or more, and an effect to be seen")
    lines: list[ScheduleLine] = []
    base: FloatArray | None = None
    for done, (name, tests) in enumerate(schedules.items()):
        if progress is not None:
            progress(done, len(schedules), f"schedule: {name}")
        this = replace(scenario, tests_min=tuple(float(t) for t in tests))
        scores = simulate_scores(this, trials=trials, seed=seed, mapper=mapper)
        found = summarise(this, scores, trials, seed)
        z = np.concatenate([t.z[:, -1] for t in scores])
        base = z if base is None else base
        more, error = _more_cases(base, z)
        lines.append(
            ScheduleLine(
                name=name,
                tests_min=this.tests_min,
                power=found,
                more_cases=more,
                more_cases_error=error,
                caution=found.caution,
            )
        )
    return ScheduleComparison(lines=tuple(lines))


def _more_cases(base: FloatArray, z: FloatArray) -> tuple[float, float]:
    """Share of cases more, and its error by the delta method from paired scores."""
    both = ~(np.isnan(base) | np.isnan(z))
    a, b = base[both], z[both]
    if a.size < 2 or b.mean() == 0:
        return float("inf"), float("nan")
    ratio = float(a.mean() / b.mean())
    spread = np.var(a / a.mean() - b / b.mean(), ddof=1) / a.size
    return ratio**2 - 1, float(2 * ratio**2 * np.sqrt(spread))
