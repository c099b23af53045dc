"""Error rate of the tests of onset: every family of scores, asymptotic and by permutation, stratified, small and large.

Run ``python -m tests.simulation.onset_tests``; it writes ``tests/simulation/onset_tests.csv``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from onsetstudy import NotEstimable, compare_arms
from onsetstudy.survival.ranktests.rank_scores import SCORE_FAMILY
from tests.simulation.hazards import SEED, study

STUDIES = {"asymptotic": 1000, "permutation": 300}
SIZES = (20, 40, 100, 400)
DRAWS = 499
# "by_target" looks up to minute 4.


def setting(n: int, never: float, grid: bool, scores: str, method: str, stratified: bool) -> dict[str, object]:
    name = f"tests {n} {never} {grid}"
    rejected, missing = [], 0
    for k in range(STUDIES[method]):
        times, number = study(name, k, n, log_ratio=0.0, never=never, grid=grid)
        arm = np.where(number == 1, "b", "a")
        stratum = (np.arange(n) // 2) % 3 if stratified else None
        try:
            found = compare_arms(
                times, arm, reference_arm="a", stratum=stratum, scores=scores, method=method, n_resamples=DRAWS,
                seed=k, max_enumeration=0, target_min=4.0 if scores == "by_target" else None,
            )  # fmt: skip
        except NotEstimable:
            missing += 1
            continue
        rejected.append(found.p_value <= 0.05)
    rate = float(np.mean(rejected))
    return {
        "n": n, "never": never, "tests": "grid" if grid else "irregular", "scores": scores, "method": method,
        "stratified": stratified, "studies": STUDIES[method], "not_estimable": missing, "rejects_5": rate,
        "mc_error": float(np.sqrt(0.05 * 0.95 / STUDIES[method])),
    }  # fmt: skip


def main() -> None:
    rows = [
        setting(n, never, grid, scores, "asymptotic", stratified)
        for n in SIZES
        for never in (0.0, 0.15, 0.4)
        for grid in (True, False)
        for scores in SCORE_FAMILY
        for stratified in (False, True)
        if not (stratified and scores != "logrank")
    ]
    rows += [setting(n, 0.15, grid, "logrank", "permutation", False) for n in SIZES[:3] for grid in (True, False)]
    table = pd.DataFrame(rows).round(4)
    table.insert(0, "seed", SEED)
    table.to_csv(Path(__file__).with_suffix(".csv"), index=False)
    print(table.groupby(["n", "scores", "method", "stratified"])["rejects_5"].agg(["min", "mean", "max"]))


if __name__ == "__main__":
    main()
