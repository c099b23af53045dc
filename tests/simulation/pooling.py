"""Coverage of the average over practices and of the prediction for a further one, with few practices.

Run from the project's root::

    python -m tests.simulation.pooling                      # writes pooling.csv beside this file (about ten minutes)
    python -m tests.simulation.pooling --groups 200 --to other.csv

True values of practices are normal around 0 with standard deviation ``tau``; standard errors are those of practices of
unequal size (0.15 to 0.6 on the log scale of the ratio of rates), taken as known. ``predicted`` asks whether the true
value of one more practice lies in the prediction interval.
"""

from __future__ import annotations

import argparse
import csv
import math
from pathlib import Path

import numpy as np

from onsetstudy.core.results import Counts, Estimate, Interval
from onsetstudy.core.seeds import stream
from onsetstudy.pool.combine import ADJUSTMENTS, PoolOptions, combine_estimates

SEED = 20261126
PRACTICES, SPREADS = (3, 5, 10), (0.0, 0.2, 0.5)
SMALLEST, LARGEST = 0.15, 0.6


def estimates(values, errors) -> list[Estimate]:
    nobody = Counts(cases=0, onsets=0)
    return [
        Estimate(
            quantity="log_ratio", contrast="buffered / plain", estimate=float(v), std_error=float(e), unit="log ratio",
            interval=Interval(low=0.0, high=0.0, level=0.95, method=""), method="drawn", n=nobody,
        )
        for v, e in zip(values, errors, strict=True)
    ]  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--groups", type=int, default=4000)
    parser.add_argument("--to", type=Path, default=Path(__file__).with_suffix(".csv"))
    options = parser.parse_args()
    columns = ("practices", "tau", "between", "interval", "groups", "covered", "predicted", "mc_error", "mean_width")
    with options.to.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        for k in PRACTICES:
            for tau in SPREADS:
                rng = stream(SEED, f"pooling.{k}.{tau}")
                errors = np.exp(rng.uniform(math.log(SMALLEST), math.log(LARGEST), (options.groups, k)))
                truth = tau * rng.standard_normal((options.groups, k + 1))
                seen = truth[:, :k] + errors * rng.standard_normal((options.groups, k))
                for between, adjustment in (*(("reml", a) for a in ADJUSTMENTS), ("paule_mandel", "wider")):
                    chosen = PoolOptions(between=between, adjustment=adjustment)
                    covered = predicted = width = 0.0
                    for values, e, true in zip(seen, errors, truth, strict=True):
                        found = combine_estimates(estimates(values, e), [str(i) for i in range(k)], chosen)
                        i, p = found.average.interval, found.prediction
                        covered += i.low <= 0 <= i.high
                        predicted += p.low <= true[k] <= p.high
                        width += i.high - i.low
                    n = options.groups
                    row = (k, tau, between, adjustment, n, f"{covered / n:.4f}", f"{predicted / n:.4f}",
                           f"{math.sqrt(0.05 * 0.95 / n):.4f}", f"{width / n:.4f}")  # fmt: skip
                    writer.writerow(row)
                    file.flush()
                    print(*row, flush=True)


if __name__ == "__main__":
    main()
