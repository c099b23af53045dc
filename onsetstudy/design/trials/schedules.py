"""What another schedule of tests would cost in cases."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import DesignError
from onsetstudy.core.parallel import Mapper, Progress, serial
from onsetstudy.design.trials.results import ScheduleComparison, ScheduleLine, TrialScenario
from onsetstudy.design.trials.trial_power import simulate_tallies, summarise

__all__ = ["compare_schedules"]


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
        tallies = simulate_tallies(this, trials=trials, seed=seed, mapper=mapper)
        found = summarise(this, tallies, trials, seed)
        z = np.concatenate([t.z[:, -1] for t in tallies])
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
