"""Coverage of the wait and of its difference where teeth that never become numb are rare, or there are none.

Run ``python -m tests.simulation.rare_never_numb``; it writes ``rare_never_numb.csv`` beside the script. Onset is
Weibull (shape 1.5) but for a share of teeth that never become numb. An arm then often holds no tooth that reaches the
horizon, and its variance does not know of one. One test in ten is missed. Columns that end with ``_before`` are of
intervals that know nothing of one case more at the horizon. ``excludes_none`` is the share of intervals without no
difference: the error rate where both arms are alike, else the power.
"""

from __future__ import annotations

from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
from scipy import integrate

from onsetstudy import Intervals, NotEstimable, estimate_rmst
from onsetstudy.core.seeds import stream
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.results import ArmContrast
from onsetstudy.survival.summaries import rmst

SEED, STUDIES, SHAPE, MISSED = 20261128, 500, 1.5, 0.1
SCHEDULES = {
    "infiltration": ((0.5, 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 11), 10.0),
    "block": ((1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 16), 15.0),
}
SETTINGS = (
    *(("infiltration", (n, n), (1.2, 0.8), (0.04, 0.0)) for n in (14, 20, 30, 40, 100)),
    ("infiltration", (14, 14), (2.0, 1.3), (0.03, 0.0)),
    *(("infiltration", (n, n), (2.0, 1.3), (0.1, 0.02)) for n in (20, 40)),
    *(("infiltration", (n, n), (2.0, 1.3), (never, never)) for never in (0.0, 0.02, 0.1) for n in (20, 40)),
    *(("infiltration", n, (1.2, 1.2), (0.04, 0.04)) for n in ((30, 10), (12, 40), (20, 20), (40, 40), (100, 20))),
    *(("infiltration", n, (1.2, 1.2), (0.1, 0.1)) for n in ((30, 10), (100, 20))),
    *(("block", n, (4.2, 4.2), (never, never)) for never in (0.0, 0.06, 0.14) for n in ((20, 20), (12, 40))),
)
"""Schedule; cases, medians in minutes and shares never numb, of the reference arm and the other."""


def true_wait(median: float, never: float, tau: float) -> float:
    return integrate.quad(lambda t: never + (1 - never) * 0.5 ** ((t / median) ** SHAPE), 0, tau)[0]


def arm_of(rng: np.random.Generator, n: int, median: float, never: float, minutes: np.ndarray) -> list[np.ndarray]:
    """Last minute felt and first not felt of every case."""
    onset = median / np.log(2) ** (1 / SHAPE) * rng.weibull(SHAPE, n)
    onset[rng.random(n) < never] = np.inf
    done, felt = rng.random((n, minutes.size)) >= MISSED, minutes < onset[:, None]
    return [np.where(done & felt, minutes, 0.0).max(axis=1), np.where(done & ~felt, minutes, np.inf).min(axis=1)]


def compared(times: Intervals, arm: list[str], tau: float) -> tuple[ArmContrast, ArmContrast]:
    """With what one case more at the horizon adds, and without."""
    asked = {"reference_arm": "plain", "tau_min": tau, "curves": Curves()}
    with mock.patch.object(rmst, "one_more", return_value=0.0):
        before = estimate_rmst(times, arm, **asked)
    return estimate_rmst(times, arm, **asked), before


def setting(
    schedule: str, n: tuple[int, int], median: tuple[float, float], never: tuple[float, float], studies: int = STUDIES
) -> dict[str, object]:
    """One row: coverage, widths, and how often no difference was excluded."""
    minutes, tau = np.array(SCHEDULES[schedule][0]), SCHEDULES[schedule][1]
    wait = [true_wait(*law, tau) for law in zip(median, never, strict=True)]
    truth, arm = wait[1] - wait[0], ["plain"] * n[0] + ["buffered"] * n[1]
    rows = []
    for study in range(studies):
        rng = stream(SEED, f"rare never numb: {schedule}, {n}, {median}, {never}", study)
        parts = [arm_of(rng, *law, minutes) for law in zip(n, median, never, strict=True)]
        times = Intervals(*(np.concatenate(ends) for ends in zip(*parts, strict=True)))
        try:
            both = compared(times, arm, tau)
        except NotEstimable:
            continue
        row = []
        for found in both:
            span, own = found.difference.interval, found.arms[0].interval
            holds = own.low <= wait[0] <= own.high
            row += [truth < span.low, truth > span.high, span.high - span.low, span.low > 0 or span.high < 0, holds]
        rows.append(row)
    below, above, width, excludes, arm_holds, *before = np.mean(rows, axis=0)
    return {
        "schedule": schedule, "reference": n[0], "other": n[1],
        "median_reference": median[0], "median_other": median[1],
        "never_reference": never[0], "never_other": never[1], "true_difference": round(truth, 3), "studies": len(rows),
        "coverage_before": round(1 - before[0] - before[1], 3), "coverage": round(1 - below - above, 3),
        "truth_below": round(below, 3), "truth_above": round(above, 3),
        "wider": round(width / before[2] - 1, 3),
        "excludes_none_before": round(before[3], 3), "excludes_none": round(excludes, 3),
        "reference_arm_coverage_before": round(before[4], 3), "reference_arm_coverage": round(arm_holds, 3),
    }  # fmt: skip


def main() -> None:
    """Every setting."""
    rows = [setting(*each) for each in SETTINGS]
    pd.DataFrame(rows).to_csv(Path(__file__).with_suffix(".csv"), index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
