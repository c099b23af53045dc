"""Power by simulation: 10,000 trials of 120 cases, and the same decision trial by trial through ``compare_arms``.

Run from the project's root::

    python -m tests.benchmarks.power
"""

from __future__ import annotations

import dataclasses
import time

import numpy as np

from onsetstudy.cluster.mapper import ProcessMapper
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.seeds import stream
from onsetstudy.design.trials.draws import draw_trials
from onsetstudy.design.trials.trial_power import simulate_power
from onsetstudy.survival.ranktests.compare import compare_arms
from tests.benchmarks.yardstick import yardstick
from tests.design.trials.test_trials import BASE

SCENARIO = dataclasses.replace(BASE, cases=120, missed_share=0.05)
TRIALS, LOOPED = 10_000, 100


def seconds(work) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def looped() -> None:
    drawn = draw_trials(SCENARIO, LOOPED, stream(1, "benchmark"))
    for k in range(LOOPED):
        arm = np.where(drawn.other[k], "buffered", "plain")
        compare_arms(Intervals(drawn.left[k], drawn.right[k]), arm, reference_arm="plain", method="asymptotic")


def main() -> None:
    stick = yardstick()
    alone = min(seconds(lambda: simulate_power(SCENARIO, trials=TRIALS, seed=1)) for _ in range(2))
    two = seconds(lambda: simulate_power(SCENARIO, trials=TRIALS, seed=1, mapper=ProcessMapper(2)))
    each = seconds(looped) / LOOPED
    print(f"yardstick (argsort of 2,000,000 numbers): {stick:.3f} s")
    told = f"{TRIALS} trials of {SCENARIO.cases} cases: {alone:.2f} s, {alone / stick:.1f} yardsticks"
    print(f"{told}; two processes {two:.2f} s")
    print(f"one trial through compare_arms: {1000 * each:.1f} ms; {each * TRIALS / alone:.0f} times as long as here")


if __name__ == "__main__":
    main()
