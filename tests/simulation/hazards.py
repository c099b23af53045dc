"""Error rate and coverage of the hazard ratio: profile likelihood, score and Wald, small and large, grid and irregular.

Run ``python -m tests.simulation.hazards``; it writes ``tests/simulation/hazards.csv``. Two arms of equal size, Weibull
onset; a share never numb is the same in both arms, under the null only (a never-numb share bends the ratio otherwise).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from onsetstudy import Intervals, NotEstimable, compare_arms, fit_proportional_hazards
from onsetstudy.core.seeds import stream

SEED = 20261125
STUDIES = 1000
SIZES = (20, 40, 100, 400)
TICKS = np.concatenate((np.arange(16.0), [np.inf]))


def study(name: str, replicate: int, n: int, *, log_ratio: float, never: float, grid: bool):
    rng = stream(SEED, name, replicate)
    arm = np.arange(n) % 2
    onset = 5 * (rng.exponential(size=n) * np.exp(-log_ratio * arm)) ** (1 / 1.5)
    onset[rng.random(n) < never] = np.inf
    if grid:
        cell = np.searchsorted(TICKS[1:-1], onset)
        return Intervals(TICKS[cell], TICKS[cell + 1]), arm
    tests = np.cumsum(rng.uniform(0.4, 2.2, (n, 12)), axis=1)
    ends = np.column_stack((np.zeros(n), tests, np.full(n, np.inf)))
    cell = (tests < onset[:, None]).sum(axis=1)
    rows = np.arange(n)
    return Intervals(ends[rows, cell], ends[rows, cell + 1]), arm


def setting(n: int, *, log_ratio: float, never: float, grid: bool, studies: int = STUDIES) -> dict[str, object]:
    name = f"hazards {n} {log_ratio} {never} {grid}"
    covered, rejected, missing = [], {"likelihood ratio": [], "score": [], "Wald": [], "log-rank": []}, 0
    for k in range(studies):
        times, arm = study(name, k, n, log_ratio=log_ratio, never=never, grid=grid)
        try:
            fit = fit_proportional_hazards(times, {"x": arm.astype(float)})
            test = compare_arms(times, np.where(arm == 1, "b", "a"), reference_arm="a")
        except NotEstimable:
            missing += 1
            continue
        e = fit.estimates[0]
        covered.append(e.interval.low <= np.exp(log_ratio) <= e.interval.high)
        for found in fit.tests:
            rejected[found.quantity.removesuffix(" test")].append(found.p_value < 0.05)
        rejected["log-rank"].append(test.p_value < 0.05)
    row: dict[str, object] = {"n": n, "log_ratio": log_ratio, "never": never, "tests": "grid" if grid else "irregular"}
    row |= {"studies": studies, "not_estimable": missing, "coverage_95_profile": np.mean(covered)}
    return row | {f"rejects_5_{key.replace(' ', '_')}": np.mean(values) for key, values in rejected.items()}


def main() -> None:
    rows = [
        setting(n, log_ratio=log_ratio, never=never, grid=grid)
        for grid in (True, False)
        for n in SIZES
        for log_ratio, never in ((0.0, 0.0), (0.0, 0.15), (0.0, 0.4), (0.7, 0.0))
    ]
    table = pd.DataFrame(rows).round(3)
    table.insert(0, "seed", SEED)
    table["mc_error"] = round(float(np.sqrt(0.05 * 0.95 / STUDIES)), 4)
    table.to_csv(Path(__file__).with_suffix(".csv"), index=False)
    print(table.to_string())
    print("two-sided 99 % of chance at 5 %:", np.round(stats.binom.interval(0.99, STUDIES, 0.05)[0] / STUDIES, 3))


if __name__ == "__main__":
    main()
