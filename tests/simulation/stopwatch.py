"""Why the average of a stopwatch misleads: simulated studies in which the truth is known.

Run ``python -m tests.simulation.stopwatch``; it writes ``tests/simulation/stopwatch.csv`` and puts the table
into ``docs/stopwatch.md``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from onsetstudy import Intervals, estimate_rmst
from onsetstudy.core.seeds import stream

SEED = 20261125
STUDIES = 400
BEGIN, END = "<!-- table -->", "<!-- end of table -->"
CASES = 120
HORIZON = 15.0
EVERY_MINUTE = np.arange(1.0, HORIZON + 1)
ARMS = ("plain", "buffered")


@dataclass(frozen=True)
class Scenario:
    """Onset is Weibull with the given median in those who go numb; ``never`` never do."""

    name: str
    median: tuple[float, float]
    never: tuple[float, float]
    tests: tuple[np.ndarray, np.ndarray] = (EVERY_MINUTE, EVERY_MINUTE)
    shape: float = 1.6


COARSE = np.array([4.0, 6, 8, 10, 12, 15])
SCENARIOS = (
    Scenario("no effect at all, tested alike", (5.0, 5.0), (0.15, 0.15)),
    Scenario("buffering a minute sooner, fewer never numb", (5.5, 4.5), (0.20, 0.08)),
    Scenario("buffering only rescues slow teeth", (4.0, 4.6), (0.30, 0.10)),
    Scenario("buffering leaves more teeth un-numb", (5.0, 5.0), (0.10, 0.30)),
    Scenario("no effect, plain arm tested from minute 4", (4.0, 4.0), (0.15, 0.15), (COARSE, EVERY_MINUTE)),
)


def onsets(scenario: Scenario, arm: int, n: int, rng: np.random.Generator) -> np.ndarray:
    scale = scenario.median[arm] / np.log(2) ** (1 / scenario.shape)
    times = scale * rng.weibull(scenario.shape, n)
    return np.where(rng.random(n) < scenario.never[arm], np.inf, times)


def observed(times: np.ndarray, tests: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    first = np.searchsorted(tests, times)
    grid = np.concatenate(([0.0], tests, [np.inf]))
    return grid[first], grid[first + 1]


def one_study(scenario: Scenario, replicate: int) -> tuple[float, float, bool]:
    rng = stream(SEED, scenario.name, replicate)
    left, right, arm = [], [], []
    for index, name in enumerate(ARMS):
        times = onsets(scenario, index, CASES // 2, rng)
        low, high = observed(times, scenario.tests[index])
        left.append(low)
        right.append(high)
        arm += [name] * low.size
    intervals, arm = Intervals(np.concatenate(left), np.concatenate(right)), np.array(arm)
    seen = np.isfinite(intervals.right)
    naive = [intervals.right[seen & (arm == name)].mean() for name in ARMS]
    wait = estimate_rmst(intervals, arm, reference_arm="plain", tau_min=HORIZON).difference
    return naive[1] - naive[0], wait.estimate, wait.interval.low <= truth(scenario) <= wait.interval.high


def truth(scenario: Scenario) -> float:
    """True difference in waiting to the horizon, by numerical integration of the share not yet numb."""
    t = np.linspace(0, HORIZON, 20_001)
    scale = [m / np.log(2) ** (1 / scenario.shape) for m in scenario.median]
    wait = [
        np.trapezoid(never + (1 - never) * np.exp(-((t / s) ** scenario.shape)), t)
        for s, never in zip(scale, scenario.never, strict=True)
    ]
    return float(wait[1] - wait[0])


def markdown(table: pd.DataFrame) -> str:
    """The table as the page shows it."""

    def signed(value: float) -> str:
        return f"{value:+.2f}".replace("-", "−") if abs(value) >= 0.005 else "0.00"

    lines = [
        "| what is true | true difference, min | stopwatch says | restricted wait says | its 95 % interval held |",
        "| --- | ---: | ---: | ---: | ---: |",
    ]
    # The name is what chance is drawn by, and stays; the arm is shown as pages show it.
    for row in table.assign(scenario=table["scenario"].str.replace("plain", "not buffered")).itertuples():
        lines.append(
            f"| {row.scenario} | {signed(row.true_difference_min)} | {signed(row.stopwatch_mean)} | "
            f"{signed(row.restricted_wait_mean)} | {100 * row.coverage_95:.0f} % |"
        )
    return "\n".join(lines)


def main() -> None:
    rows = []
    for scenario in SCENARIOS:
        results = [one_study(scenario, k) for k in range(STUDIES)]
        naive, wait, covered = (np.array(column, dtype=float) for column in zip(*results, strict=True))
        rows.append(
            {
                "scenario": scenario.name,
                "true_difference_min": truth(scenario),
                "stopwatch_mean": naive.mean(),
                "stopwatch_mc_error": naive.std(ddof=1) / np.sqrt(STUDIES),
                "restricted_wait_mean": wait.mean(),
                "restricted_wait_mc_error": wait.std(ddof=1) / np.sqrt(STUDIES),
                "coverage_95": covered.mean(),
            }
        )
    table = pd.DataFrame(rows).round(3)
    table.insert(1, "seed", SEED)
    table.insert(2, "studies", STUDIES)
    table.to_csv(Path(__file__).with_suffix(".csv"), index=False)
    page = Path(__file__).parents[2] / "docs" / "stopwatch.md"
    before, rest = page.read_text(encoding="utf-8").split(BEGIN)
    page.write_text(f"{before}{BEGIN}\n{markdown(table)}\n{END}{rest.split(END)[1]}", encoding="utf-8")
    print(table.to_string())


if __name__ == "__main__":
    main()
