"""Coverage of the limits of Cohen's kappa for few things judged: score, Wald's and bootstrap limits side by side.

Run ``python -m tests.simulation.agreement`` (minutes); it writes ``tests/simulation/agreement.csv``. Nothing is drawn
for the score and Wald's limits: the chances of all tables in which kappa is told are summed, so that their coverage has
no error. The percentile bootstrap draws 400 times from each table. A truth is a kappa, and how often either says yes.
"""

from __future__ import annotations

import itertools
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import gammaln, xlogy

from onsetstudy.core.seeds import stream
from onsetstudy.inference.agreement import cohen_kappa

SEED = 20261127
SIZES = (10, 16, 24, 40)
DRAWS = 400
TRUTHS = tuple(
    (kappa, *yes)
    for kappa in (0.0, 0.2, 0.4, 0.6, 0.7, 0.8, 0.9, 0.95)
    for yes in ((0.5, 0.5), (0.35, 0.35), (0.45, 0.55), (0.2, 0.2))
)


def cells(kappa: float, first: float, second: float) -> np.ndarray:
    """Shares of both, first only, second only, neither; some are negative if there is no such table."""
    both = kappa * (first + second) / 2 + (1 - kappa) * first * second
    return np.array([both, first - both, second - both, 1 - first - second + both])


def tables(n: int) -> np.ndarray:
    """All tables of n things in which at least one judge gave both answers."""
    found = [t for t in itertools.product(range(n + 1), repeat=3) if sum(t) <= n]
    whole = [(*t, n - sum(t)) for t in found]
    return np.array([t for t in whole if not {t[0] + t[1], t[0] + t[2]} <= {0, n}])


@cache
def _limits(table: tuple[int, int, int, int]) -> tuple[float, float, float, float]:
    found = cohen_kappa(*table)
    half = 1.959964 * found.std_error
    return found.interval.low, found.interval.high, found.kappa - half, found.kappa + half


def limits(table: np.ndarray) -> tuple[float, float, float, float]:
    """Score and Wald's limits; tables that differ in the names of judges or answers have the same."""
    a, b, c, d = (int(v) for v in table)
    return _limits((max(a, d), max(b, c), min(b, c), min(a, d)))


def bootstrap(table: np.ndarray) -> tuple[float, float]:
    """Percentile limits; draws without a kappa are left out."""
    n = int(table.sum())
    drawn = stream(SEED, f"bootstrap {table.tolist()}").multinomial(n, table / n, DRAWS) / n
    first, second = drawn[:, 0] + drawn[:, 1], drawn[:, 0] + drawn[:, 2]
    expected = first * second + (1 - first) * (1 - second)
    kept = expected < 1
    kappa = ((drawn[:, 0] + drawn[:, 3] - expected)[kept]) / (1 - expected[kept])
    low, high = np.quantile(kappa, (0.025, 0.975)) if kappa.size else (-1.0, 1.0)
    return float(low), float(high)


def chances(every: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Chance of each of all tables of a size under a truth."""
    n = every[0].sum()
    return np.exp(gammaln(n + 1) - gammaln(every + 1).sum(axis=1) + xlogy(every, truth).sum(axis=1))


def of_size(n: int) -> list[dict[str, float]]:
    every = tables(n)
    found = np.array([limits(t) + bootstrap(t) for t in every])
    rows = []
    for kappa, first, second in TRUTHS:
        truth = cells(kappa, first, second)
        if truth.min() < 0:
            continue
        chance = chances(every, truth)
        row = {"n": n, "kappa": kappa, "first_yes": first, "second_yes": second, "estimable": chance.sum()}
        chance /= chance.sum()
        for k, name in enumerate(("score", "wald", "bootstrap")):
            low, high = found[:, 2 * k], found[:, 2 * k + 1]
            row[f"coverage_95_{name}"] = chance @ ((low <= kappa + 1e-9) & (kappa - 1e-9 <= high))
        row["mean_low_score"], row["mean_high_score"] = chance @ found[:, 0], chance @ found[:, 1]
        rows.append(row)
    return rows


def main() -> None:
    table = pd.DataFrame([row for n in SIZES for row in of_size(n)]).round(3)
    table.insert(0, "seed", SEED)
    table.to_csv(Path(__file__).with_suffix(".csv"), index=False)
    print(table.to_string())
    print(table.groupby("n")[[c for c in table if c.startswith("coverage")]].agg(["min", "max"]).to_string())


if __name__ == "__main__":
    main()
