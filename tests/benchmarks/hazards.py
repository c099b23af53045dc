"""Proportional hazards and the permutation test, timed; 2,000 bootstrap fits.

Run ``python -m tests.benchmarks.hazards`` from the folder of the README.
"""

from __future__ import annotations

import numpy as np

from onsetstudy import Intervals, compare_arms, fit_proportional_hazards
from onsetstudy.survival.hazards.ph_fit import maximise, set_up
from tests.benchmarks.yardstick import seconds, show, yardstick


def study(n: int, *, grid: bool, seed: int = 1):
    """Weibull onset, one in ten never numb; tests each minute to 15, or at four random moments."""
    rng = np.random.default_rng(seed)
    x = rng.integers(0, 2, n).astype(float)
    onset = 5 * (rng.exponential(size=n) * np.exp(-0.5 * x)) ** (1 / 1.5)
    onset[rng.random(n) < 0.1] = np.inf
    if grid:
        ticks = np.concatenate((np.arange(16.0), [np.inf]))
        cell = np.searchsorted(ticks[1:-1], onset)
        return Intervals(ticks[cell], ticks[cell + 1]), x
    tests = np.sort(rng.uniform(0, 15, (n, 4)), axis=1)
    ends = np.column_stack((np.zeros(n), tests, np.full(n, np.inf)))
    cell = (tests < onset[:, None]).sum(axis=1)
    rows = np.arange(n)
    return Intervals(ends[rows, cell], ends[rows, cell + 1]), x


def main() -> None:
    stick = yardstick()
    print(f"yardstick: {stick:.3f} s")
    for n, grid, aim in (
        (200, True, ""),
        (20_000, True, "aim 0.05 s"),
        (2_000, False, ""),
        (20_000, False, "aim about 1 s"),
    ):
        times, x = study(n, grid=grid)
        kind = "grid" if grid else "continuous"
        taken = seconds(lambda times=times, x=x: fit_proportional_hazards(times, {"x": x}))
        show(f"fit with profile interval and tests, {n} cases, {kind}", taken, stick, aim)
    times, x = study(200, grid=True)
    arm = np.where(x > 0, "buffered", "plain")
    taken = seconds(
        lambda: compare_arms(
            times, arm, reference_arm="plain", method="permutation", seed=1, n_resamples=9_999, max_enumeration=0
        )
    )
    show("log-rank test, 9,999 permutations of 200 cases", taken, stick, "aim 0.2 s")
    rng = np.random.default_rng(2)
    zero = np.zeros(200, dtype=np.intp)

    def bootstrap() -> None:
        for _ in range(2_000):
            rows = rng.integers(0, 200, 200)
            maximise(set_up(times.take(rows), x[rows, None], zero, np.ones(200)))

    show("2,000 bootstrap fits of 200 cases on a grid", seconds(bootstrap, 1), stick, "aim 10 s")


if __name__ == "__main__":
    main()
