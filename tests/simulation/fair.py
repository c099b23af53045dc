"""Confounding with a known truth: the difference as it is, weighted, and standardised.

Run from the project's root::

    python -m tests.simulation.fair                      # writes fair.csv beside this file (about twenty minutes)
    python -m tests.simulation.fair --studies 20 --to other.csv

Blocks and infiltrations; operators buffer blocks less often (30 % against 70 %), and blocks take longer. Buffering
makes no difference (ratio 1) or a true one (ratio 1.5). The truth of the wait is that of the weighted population: cases
for whom both arms were likely, here half blocks and half infiltrations.
"""

from __future__ import annotations

import argparse
import csv
import dataclasses
import math
from pathlib import Path

import numpy as np
from scipy import integrate

from onsetstudy.core.results import Estimate
from onsetstudy.core.seeds import stream
from onsetstudy.study.practice.subsets import analyse_population
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.confounding import fair_comparison
from tests.study.cases import case, protocol, readings_of, records

SEED = 20261125
MEDIAN = {"ianb": 6.0, "buccal_infiltration": 2.5}
SHAPE, TAU = 1.6, 15.0
GRID = tuple(range(1, 17))


def audit():
    made = protocol(plan={"sensitivity": (), "strata": (), "secondary": ()})
    study = dataclasses.replace(made.study, design="audit", allocation="clinician_choice")
    schedule = dataclasses.replace(made.schedule, tests_min=tuple(float(t) for t in GRID))
    return dataclasses.replace(
        made,
        study=study,
        schedule=schedule,
        pain=None,
        anxiety=None,
        looks=None,
        allocation=None,
        chair_time=None,
        watch=None,
    )


def one(made, n: int, ratio: float, rng: np.random.Generator) -> AnalysisSet:
    site = np.where(rng.random(n) < 0.5, "ianb", "buccal_infiltration")
    other = rng.random(n) < np.where(site == "ianb", 0.3, 0.7)
    scale = np.array([MEDIAN[s] for s in site]) / math.log(2) ** (1 / SHAPE)
    onset = scale * (rng.exponential(size=n) / np.where(other, ratio, 1.0)) ** (1 / SHAPE)
    rows, readings = [], []
    for k in range(n):
        arm = "buffered" if other[k] else "plain"
        rows.append(case(k + 1, arm, technique=site[k], allocation="clinician_choice", case_date="2026-08-03"))
        felt = "".join("f" if t < onset[k] else "n" for t in GRID)
        readings += readings_of(k + 1, felt)
    found = records(rows, readings, made)
    return prepare(made, found, through=made.quarters[-1])[0]


def true_wait(ratio: float) -> float:
    def wait(median: float, r: float) -> float:
        scale = median / math.log(2) ** (1 / SHAPE)
        return integrate.quad(lambda t: math.exp(-r * (t / scale) ** SHAPE), 0, TAU)[0]

    return float(np.mean([wait(m, ratio) - wait(m, 1.0) for m in MEDIAN.values()]))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=200)
    parser.add_argument("--to", type=Path, default=Path(__file__).with_suffix(".csv"))
    options = parser.parse_args()
    made = audit()
    columns = ("n", "ratio", "way", "studies", "truth_min", "mean", "bias", "coverage", "mc_error", "not_estimable")
    with options.to.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        for n in (200, 400):
            for ratio in (1.0, 1.5):
                truth = true_wait(ratio)
                seen = {way: [] for way in ("crude", "weighted", "standardised")}
                for number in range(options.studies):
                    data = one(made, n, ratio, stream(SEED, f"fair {n} {ratio}", number))
                    overall = analyse_population(data, label="", dimension="overall", level="all", minimum=1)
                    line = fair_comparison(data, overall).lines[1]
                    for way in seen:
                        seen[way].append(getattr(line, way))
                for way, results in seen.items():
                    told = [e for e in results if isinstance(e, Estimate)]
                    hits = np.mean([e.interval.low <= truth <= e.interval.high for e in told])
                    mean = float(np.mean([e.estimate for e in told]))
                    error = math.sqrt(hits * (1 - hits) / len(told))
                    row = (
                        n, ratio, way, options.studies, f"{truth:.4f}", f"{mean:.4f}", f"{mean - truth:.4f}",
                        f"{hits:.4f}", f"{error:.4f}", len(results) - len(told),
                    )  # fmt: skip
                    writer.writerow(row)
                    file.flush()
                    print(*row, flush=True)


if __name__ == "__main__":
    main()
