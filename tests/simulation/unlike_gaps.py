"""Error rate of the difference in waiting where the arms are tested at different, coarse minutes and do not differ.

Run ``python -m tests.simulation.unlike_gaps``; it writes ``unlike_gaps.csv`` beside the script. Onset of both arms is
Weibull: ``block`` (shape 1.6, mean 6.6 min, one case in ten never numb), ``infiltration`` (shape 1.6, mean 2 min) or
``alike`` (shape 3, mean 3 min). The reference arm is tested by one schedule and the other by another; ``same`` has one
schedule for both. One test in twenty is missed. ``excluded`` is the share of intervals without no difference,
``ignored`` the same without what unlike gaps leave open; 95 % intervals, so that 0.05 is what should be.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from onsetstudy import Intervals, NotEstimable, estimate_rmst
from onsetstudy.core.seeds import stream

SEED = 20261126
TRIALS = 1000
TAU = 15.0
LAWS = {"block": (1.6, 7.384, 0.1), "infiltration": (1.6, 2.212, 0.0), "alike": (3.0, 3.36, 0.0)}
SCHEDULES = {
    "same": (np.arange(2.0, 17.0, 2.0),) * 2,
    "2 against 3 min": (np.arange(2.0, 17.0, 2.0), np.arange(3.0, 17.0, 3.0)),
    "2 against 4 min": (np.arange(2.0, 17.0, 2.0), np.arange(4.0, 17.0, 4.0)),
    "1 against 5 min": (np.arange(1.0, 17.0, 1.0), np.arange(5.0, 17.0, 5.0)),
}
MISSED = 0.05


def tested(rng: np.random.Generator, onset: np.ndarray, minutes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Last minute felt and first not felt of every case."""
    done = rng.random((onset.size, minutes.size)) >= MISSED
    felt = done & (minutes < onset[:, None])
    numb = done & ~(minutes < onset[:, None])
    left = np.where(felt, minutes, 0.0).max(axis=1)
    return left, np.where(numb, minutes, np.inf).min(axis=1)


def study(rng: np.random.Generator, law: str, schedules: tuple[np.ndarray, np.ndarray], n: int) -> Intervals:
    """Cases of the reference arm, then of the other."""
    shape, scale, never = LAWS[law]
    parts = []
    for minutes in schedules:
        onset = np.where(rng.random(n) < never, np.inf, scale * rng.weibull(shape, n))
        parts.append(tested(rng, onset, minutes))
    return Intervals(*(np.concatenate(ends) for ends in zip(*parts, strict=True)))


def rates(law: str, name: str, n: int, trials: int = TRIALS) -> dict[str, object]:
    """Shares of the intervals that exclude no difference, with and without what unlike gaps leave open."""
    excluded = ignored = answered = 0
    arm = ["plain"] * n + ["buffered"] * n
    for trial in range(trials):
        times = study(stream(SEED, f"unlike gaps: {law}, {name}, {n}", trial), law, SCHEDULES[name], n)
        try:
            found = estimate_rmst(times, arm, reference_arm="plain", tau_min=TAU, grace_min=5.0).difference
        except NotEstimable:
            continue
        answered += 1
        low, high = found.interval.low, found.interval.high
        excluded += low > 0 or high < 0
        ignored += abs(found.estimate) > 1.96 * (found.std_error or np.inf)
    return {
        "law": law, "schedules": name, "cases_of_an_arm": n, "trials": answered,
        "ignored": round(ignored / answered, 3), "excluded": round(excluded / answered, 3),
    }  # fmt: skip


def main() -> None:
    """Every law and pair of schedules, 50 and 100 cases of an arm."""
    rows = [rates(law, name, n) for law in LAWS for name in SCHEDULES for n in (50, 100)]
    pd.DataFrame(rows).to_csv(Path(__file__).with_suffix(".csv"), index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
