"""The ratio of rates with many small strata, and within patients who had both arms.

Run ``python -m tests.simulation.sparse_strata``; it writes ``sparse_strata.csv`` and ``within_patients.csv``.
Exponential onset, mean 4 min with plain, tests every minute to 10 min, at 12 and at 15. ``strata``: 240 cases in strata
of equal size that do not differ. ``patients``: two teeth of each patient, whose rates differ by a factor: none, normal
on the log scale (spread 0.5 and 1), gamma (shape 2), or two kinds of patients (three in ten with a quarter of the
rate).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from onsetstudy import Intervals, NotEstimable, fit_proportional_hazards
from onsetstudy.core.seeds import stream
from onsetstudy.survival.hazards.frailty import fit_shared_frailty

SEED = 20261125
STUDIES = {"strata": 200, "patients": 50}
TESTS = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15.0])
RATIOS = (1.0, 1.6)
CASES = 240
SIZES = (4, 6, 10, 16, 20, 30, 60, 120)
PATIENTS = (20, 60)
FACTORS = {
    "none": lambda rng, n: np.ones(n),
    "normal 0.5": lambda rng, n: np.exp(rng.normal(0, 0.5, n)),
    "normal 1": lambda rng, n: np.exp(rng.normal(0, 1.0, n)),
    "gamma": lambda rng, n: rng.gamma(2, 0.5, n),
    "two kinds": lambda rng, n: np.where(rng.random(n) < 0.3, 0.25, 1.3),
}
REFERENCE = {"arm": "plain"}
COMPARED = "normal 0.5"
"""Where the ratio 1 is tried as well."""


def observed(onset: np.ndarray) -> Intervals:
    cell = np.searchsorted(TESTS, onset)
    return Intervals(TESTS[cell - 1], np.append(TESTS, np.inf)[cell])


def in_strata(rng: np.random.Generator, ratio: float, size: int):
    arm = np.tile(["plain", "buffered"], CASES // 2)
    times = observed(rng.exponential(4 / np.where(arm == "buffered", ratio, 1.0)))
    stratum = np.repeat(np.arange(CASES // size), size)
    yield "a baseline for each", fit_proportional_hazards(times, {"arm": arm}, reference=REFERENCE, stratum=stratum)


def in_patients(rng: np.random.Generator, ratio: float, patients: int, factor: str):
    rate = FACTORS[factor](rng, patients)
    times = observed(np.concatenate((rng.exponential(4 / rate), rng.exponential(4 / (rate * ratio)))))
    arm, patient = np.repeat(["plain", "buffered"], patients), np.tile(np.arange(patients), 2)
    yield "a shared effect", fit_shared_frailty(times, {"arm": arm}, cluster=patient, reference=REFERENCE)


def setting(design: str, ratio: float, size: int, factor: str | None = None) -> list[dict[str, object]]:
    found: dict[str, list[tuple[float, bool]]] = {}
    for k in range(STUDIES[design]):
        rng = stream(SEED, f"{design} {ratio} {size} {factor}", k)
        drawn = in_strata(rng, ratio, size) if factor is None else in_patients(rng, ratio, size, factor)
        while True:
            try:
                name, fit = next(drawn)
            except StopIteration:
                break
            except NotEstimable:
                break
            e = fit.estimates[0]
            found.setdefault(name, []).append((np.log(e.estimate / ratio), e.interval.low <= ratio <= e.interval.high))
    return [
        {
            "design": design, "size": size, "patients_differ": factor, "true_ratio": ratio, "with": name,
            "studies": STUDIES[design], "estimable": len(values),
            "median_over_true": np.exp(np.median([b for b, _ in values])),
            "mean_log_off": np.mean([b for b, _ in values]), "coverage_95": np.mean([c for _, c in values]),
        }
        for name, values in found.items()
    ]  # fmt: skip


def write(name: str, rows: list[dict[str, object]]) -> None:
    table = pd.DataFrame(rows).dropna(axis=1, how="all").round(4)
    table.to_csv(Path(__file__).with_name(name), index=False, lineterminator="\n")


def strata() -> None:
    write("sparse_strata.csv", [row for ratio in RATIOS for size in SIZES for row in setting("strata", ratio, size)])


def patients() -> None:
    rows = [r for n in PATIENTS for r in setting("patients", 1.0, n, COMPARED)]
    rows += [r for n in PATIENTS for factor in FACTORS for r in setting("patients", 1.6, n, factor)]
    write("within_patients.csv", rows)


def main() -> None:
    strata()
    patients()


if __name__ == "__main__":
    main()
