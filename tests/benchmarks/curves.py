"""Nonparametric curves, timed against the yardstick, a plain self-consistency loop and lifelines.

Run ``python -m tests.benchmarks.curves``; ``--growth`` goes on to 10,000,000 cases and writes
``tests/benchmarks/growth.csv`` and ``growth.svg``.
"""

from __future__ import annotations

import sys
import time
import warnings
from pathlib import Path

import numpy as np
import pandas as pd

from onsetstudy import Intervals, fit_npmle
from onsetstudy.survival.curve.innermost import innermost_intervals, support_index
from tests.benchmarks.yardstick import seconds, show, yardstick


def continuous(n: int, seed: int = 2) -> Intervals:
    """Weibull onset, one in ten never; three inspections at random moments."""
    rng = np.random.default_rng(seed)
    onset = 5 * rng.weibull(1.5, n)
    onset[rng.random(n) < 0.1] = np.inf
    tests = np.sort(rng.uniform(0, 15, (n, 3)), axis=1)
    ends = np.column_stack((np.zeros(n), tests, np.full(n, np.inf)))
    cell = (tests < onset[:, None]).sum(axis=1)
    rows = np.arange(n)
    return Intervals(ends[rows, cell], ends[rows, cell + 1])


def minute_grid(n: int, seed: int = 3) -> Intervals:
    """The same onset, tested every minute to 15."""
    onset = 5 * np.random.default_rng(seed).weibull(1.5, n)
    ticks = np.concatenate((np.arange(16.0), [np.inf]))
    cell = np.searchsorted(ticks[1:-1], onset)
    return Intervals(ticks[cell], ticks[cell + 1])


def plain_loop(times: Intervals, steps: int) -> float:
    """Turnbull's self-consistency for a stated number of steps; gives the log-likelihood reached."""
    support = innermost_intervals(times)
    first, last = support_index(times, support)
    mass = np.full(len(support), 1 / len(support))
    for _ in range(steps):
        total = np.concatenate(([0.0], np.cumsum(mass)))
        chance = total[last + 1] - total[first]
        rate = np.zeros(len(support) + 1)
        np.add.at(rate, first, 1 / chance)
        np.add.at(rate, last + 1, -1 / chance)
        mass = mass * np.cumsum(rate)[:-1] / len(times)
    total = np.concatenate(([0.0], np.cumsum(mass)))
    return float(np.log(total[last + 1] - total[first]).sum())


def lifelines_curve(times: Intervals) -> None:
    """The general library's curve of the same cases."""
    from lifelines import KaplanMeierFitter

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        KaplanMeierFitter().fit_interval_censoring(np.maximum(times.left, 1e-9), times.right)


def growth(stick: float) -> None:
    """From a thousand to ten million cases, and what each costs per case."""
    rows = []
    for power in range(3, 8):
        times = continuous(10**power)
        start = time.perf_counter()
        curve = fit_npmle(times)
        taken = time.perf_counter() - start
        rows.append((10**power, taken, taken / stick, 1e6 * taken / 10**power, curve.certificate.gap, curve.mass.size))
        show(f"continuous, {10**power} cases", taken, stick)
    columns = ["cases", "seconds", "yardsticks", "microseconds_per_case", "gap", "masses"]
    table = pd.DataFrame(rows, columns=columns)
    table.to_csv(Path(__file__).with_name("growth.csv"), index=False)
    draw_growth(table)


def draw_growth(table: pd.DataFrame) -> None:
    """Seconds against cases beside a line that grows as n log n, both axes logarithmic."""
    import matplotlib

    matplotlib.use("agg")
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5, 3.4))
    ax = figure.subplots()
    n = table["cases"].to_numpy(dtype=float)
    pace = n * np.log(n)
    ax.loglog(n, table["seconds"], "o-", color="#155e75", label="certified curve")
    ax.loglog(n, pace / pace[3] * table["seconds"].iloc[3], "--", color="#8c5a1e", label="as n log n from 1,000,000")
    ax.set(xlabel="cases, continuous test times", ylabel="seconds")
    ax.legend(frameon=False)
    figure.tight_layout()
    figure.savefig(Path(__file__).with_name("growth.svg"), metadata={"Date": None})


def main() -> None:
    stick = yardstick()
    print(f"yardstick: {stick:.3f} s")
    few = continuous(500)
    ours, theirs = seconds(lambda: fit_npmle(few)), seconds(lambda: lifelines_curve(few), 1)
    show("500 continuous cases", ours, stick)
    show("the same by lifelines", theirs, stick, f"{theirs / ours:.0f} times as long")
    times = continuous(2_000)
    ours = seconds(lambda: fit_npmle(times))
    show("2,000 continuous cases, certified", ours, stick)
    best = fit_npmle(times).log_likelihood
    loop = seconds(lambda: plain_loop(times, 1000), 1)
    show("the same, 1,000 self-consistency steps", loop, stick, f"still {best - plain_loop(times, 1000):.4f} below")
    grid, large = minute_grid(1_000_000), continuous(1_000_000)
    show("1,000,000 cases on a one-minute grid, certified", seconds(lambda: fit_npmle(grid)), stick, "aim 1")
    show("1,000,000 continuous cases, certified", seconds(lambda: fit_npmle(large), 1), stick, "aim 8")
    if "--growth" in sys.argv:
        growth(stick)


if __name__ == "__main__":
    main()
