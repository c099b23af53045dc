"""Does the test that may be looked at whenever one likes keep its error, with a look after every block?

Run from the project's root::

    python -m tests.simulation.anytime               # writes anytime.csv beside this file (about ten minutes)
    python -m tests.simulation.anytime --studies 2000 --to other.csv

Null: 200,000 studies of 200 cases, teeth Weibull with a share that never becomes numb, tests each minute to 10 and at
12, 15, 16 min, one in ten missed, arms in pairs or in blocks of four. Effects: 2,000 studies of 400 cases.
Success: coverage of the limits of the difference at all blocks at once, 1,000 studies.
"""

from __future__ import annotations

import argparse
import csv
import math
from pathlib import Path

import numpy as np

from onsetstudy.core.intervals import Intervals
from onsetstudy.core.seeds import stream
from onsetstudy.design.size_results import OnsetExpectation
from onsetstudy.design.trials.draws import draw_trials
from onsetstudy.design.trials.results import TrialScenario
from onsetstudy.design.trials.trial_power import scores_of
from onsetstudy.survival.sequential.confidence_sequences import success_sequence
from tests.survival.sequential.anytime_paths import many_anytime_paths

SEED = 20261125
GRID = tuple(float(t) for t in (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 16))
CHUNK = 2000
COLUMNS = (
    "what",
    "block",
    "ratio",
    "never_numb",
    "cases",
    "studies",
    "alpha",
    "share",
    "mc_error",
    "mean_cases",
    "fixed",
)


def scenario(cases: int, ratio: float, never: float) -> TrialScenario:
    expected = OnsetExpectation(median_min=4.2, never_reference=never, never_other=never)
    return TrialScenario(cases=cases, expected=expected, hazard_ratio=ratio, tests_min=GRID, missed_share=0.1)


def sequential_lines(studies: int):
    for never in (0.0, 0.15, 0.4):
        for block in (2, 4):
            yield line("error rate", block, 1.0, never, 200, studies)
    for ratio in (1.3, 1.5, 2.0):
        for never in (0.0, 0.1):
            yield line("power", 2, ratio, never, 400, max(200, studies // 100))


def line(what: str, block: int, ratio: float, never: float, cases: int, studies: int):
    over = dict.fromkeys((0.05, 0.01), 0)
    fixed, used, done = 0, 0.0, 0
    shape = (-1, cases // block, block)
    for number in range(math.ceil(studies / CHUNK)):
        count = min(CHUNK, studies - done)
        rng = stream(SEED, f"anytime: {what} {block} {ratio} {never}", number)
        drawn = draw_trials(scenario(cases, ratio, never), count, rng)
        left, right, other = (v.reshape(shape) for v in (drawn.left, drawn.right, drawn.other))
        paths = many_anytime_paths(left, right, other, grid_min=GRID)
        for alpha in over:
            over[alpha] += int((paths >= 1 / alpha).any(axis=1).sum())
        first = np.argmax(paths >= 20, axis=1) + 1
        used += float(np.where((paths >= 20).any(axis=1), first * block, cases).sum())
        if what == "power":
            fixed += int((np.abs(scores_of(scenario(cases, ratio, never), drawn)) > 1.959964).sum())
        done += count
    for alpha, hits in over.items():
        share = hits / studies
        yield {
            "what": what, "block": block, "ratio": ratio, "never_numb": never, "cases": cases, "studies": studies,
            "alpha": alpha, "share": f"{share:.5f}", "mc_error": f"{math.sqrt(share * (1 - share) / studies):.5f}",
            "mean_cases": f"{used / studies:.1f}", "fixed": f"{fixed / studies:.4f}" if what == "power" else "",
        }  # fmt: skip


def success_lines(studies: int):
    for ratio in (1.0, 2.0):
        hit = 0
        shares = [1 - 2 ** (-((2 / 4.2) ** 1.5) * r) for r in (1.0, ratio)]
        for number in range(studies):
            drawn = draw_trials(scenario(200, ratio, 0.0), 1, stream(SEED, f"anytime: success {ratio}", number))
            found = success_sequence(
                Intervals(drawn.left[0], drawn.right[0]),
                np.where(drawn.other[0], "b", "a"),
                reference_arm="a",
                block=np.repeat(np.arange(100), 2),
                target_min=2.0,
            )
            true = shares[1] - shares[0]
            hit += bool(((found.low <= true) & (true <= found.high)).all())
        share = hit / studies
        yield {
            "what": "coverage of success", "block": 2, "ratio": ratio, "never_numb": 0.0, "cases": 200,
            "studies": studies,
            "alpha": 0.05, "share": f"{share:.5f}", "mc_error": f"{math.sqrt(share * (1 - share) / studies):.5f}",
            "mean_cases": "", "fixed": "",
        }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=200_000)
    parser.add_argument("--to", type=Path, default=Path(__file__).with_suffix(".csv"))
    options = parser.parse_args()
    with options.to.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        for group in sequential_lines(options.studies):
            for row in group:
                writer.writerow(row)
                file.flush()
                print(*row.values(), sep="  ")
        for row in success_lines(max(100, options.studies // 200)):
            writer.writerow(row)
            print(*row.values(), sep="  ")


if __name__ == "__main__":
    main()
