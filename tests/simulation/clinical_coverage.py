"""Coverage of the intervals for what clinicians ask: success by a target, never numb, wait, median, who is sooner.

Run from the project's root::

    python -m tests.simulation.clinical_coverage            # writes clinical_coverage.csv beside this file
    python -m tests.simulation.clinical_coverage --replicates 200 --to other.csv

Truth: onset is log-normal (median 3.5 min plain, 2.5 min buffered, log-sd 0.6) but for a share that never becomes
numb (the same in both arms). Teeth are tested each minute to minute 15 (``grid``), or at random gaps of 0.5 to
1.5 min (``irregular``); one test in ten is missed. Target 2 min, horizon 15 min. The slower medians are
computed on a fifth of the data sets.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

import numpy as np
from scipy import integrate, stats

from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Estimate
from onsetstudy.core.seeds import stream
from onsetstudy.survival.summaries.probability_index import probability_numb_sooner
from onsetstudy.survival.summaries.quantiles import estimate_quantile
from onsetstudy.survival.summaries.rmst import estimate_rmst
from onsetstudy.survival.summaries.success import never_numb_share, success_by
from tests.survival.build import quantile_alone

SEED = 20260101
MEDIAN = {"plain": 3.5, "buffered": 2.5}
LOG_SD, TARGET, HORIZON, MISSED = 0.6, 2.0, 15.0, 0.1
SIZES, SCHEDULES, NEVER = (20, 40, 100), ("grid", "irregular"), (0.0, 0.15, 0.4)
COLUMNS = (
    "quantity",
    "contrast",
    "schedule",
    "never_numb",
    "n_per_arm",
    "data_sets",
    "truth",
    "bias",
    "coverage",
    "mc_error",
    "below",
    "above",
    "median_width",
)


def simulate(chance: np.random.Generator, n: int, median: float, never: float, schedule: str) -> Intervals:
    """Intervals of ``n`` cases of one arm."""
    onset = median * np.exp(LOG_SD * chance.standard_normal(n))
    onset[chance.random(n) < never] = np.inf
    if schedule == "grid":
        visits = np.tile(np.arange(1.0, HORIZON + 1), (n, 1))
    else:
        visits = np.cumsum(chance.uniform(0.5, 1.5, (n, 30)), axis=1)
    seen = (visits <= HORIZON) & (chance.random(visits.shape) >= MISSED)
    before = np.where(seen & (visits < onset[:, None]), visits, 0.0).max(axis=1)
    after = np.where(seen & (visits >= onset[:, None]), visits, np.inf).min(axis=1)
    return Intervals(before, after)


DIFFERENCES = {
    "success_by_target": "success_difference",
    "never_numb": "not_numb_difference",
    "never_numb, exact limits": "never_numb_difference, exact limits",
    "restricted_wait": "rmst_difference",
    "onset_quantile": "onset_quantile_difference",
}


def truths(never: float) -> dict[tuple[str, str], float]:
    """True values of every quantity."""
    values: dict[tuple[str, str], float] = {}
    onset = {arm: stats.lognorm(LOG_SD, scale=median) for arm, median in MEDIAN.items()}
    for arm, law in onset.items():
        values["success_by_target", arm] = (1 - never) * law.cdf(TARGET)
        values["never_numb", arm] = values["never_numb, exact limits", arm] = 1 - (1 - never) * law.cdf(HORIZON)
        values["restricted_wait", arm] = never * HORIZON + (1 - never) * integrate.quad(law.sf, 0, HORIZON)[0]
        values["onset_quantile", arm] = law.ppf(0.5 / (1 - never))
    for quantity, difference in DIFFERENCES.items():
        values[difference, "buffered - plain"] = values[quantity, "buffered"] - values[quantity, "plain"]

    def sooner(t: float) -> float:
        return (1 - never) * onset["buffered"].pdf(t) * (never + (1 - never) * onset["plain"].sf(t))

    tied = values["never_numb", "buffered"] * values["never_numb", "plain"]
    values["probability_numb_sooner", "buffered before plain"] = integrate.quad(sooner, 0, HORIZON)[0] + tied / 2
    return values


def quick_estimates(times: Intervals, arm: np.ndarray):
    """Name, contrast and estimate of every quantity but the medians; those not estimable are absent."""
    common = {"reference_arm": "plain"}
    calls = {
        "": lambda: success_by(times, arm, target_min=TARGET, **common),
        " ": lambda: never_numb_share(times, arm, tau_min=HORIZON, **common),
        ", exact limits": lambda: never_numb_share(times, arm, tau_min=HORIZON, limits="exact", **common),
        "  ": lambda: estimate_rmst(times, arm, tau_min=HORIZON, **common),
    }
    for name, call in calls.items():
        try:
            result = call()
        except NotEstimable:
            continue
        yield from ((e.quantity + name.strip(" "), e) for e in (*result.arms, result.difference))
    yield "probability_numb_sooner", probability_numb_sooner(times, arm, **common)


def medians(times: Intervals, arm: np.ndarray):
    """Medians of the arms, reached or not, and their difference where both are reached."""
    try:
        result = estimate_quantile(times, arm, reference_arm="plain")
    except NotEstimable:
        for name in MEDIAN:
            found = quantile_alone(times.take(arm == name))
            yield name, (found.estimate, *found.limits)
    else:
        yield from ((str(e.contrast), numbers_of(e)) for e in (*result.arms, result.difference))


def numbers_of(e: Estimate) -> tuple[float, float, float]:
    return e.estimate, e.interval.low, e.interval.high


def scenario(schedule: str, never: float, n: int, replicates: int) -> list[dict[str, object]]:
    """One row per quantity."""
    found: dict[tuple[str, str], list[tuple[float, float, float]]] = {key: [] for key in truths(never)}

    for replicate in range(replicates):
        chance = stream(SEED, f"clinical_coverage|{schedule}|{never}|{n}", replicate)
        parts = {arm: simulate(chance, n, median, never, schedule) for arm, median in MEDIAN.items()}
        times = Intervals(
            np.concatenate([p.left for p in parts.values()]), np.concatenate([p.right for p in parts.values()])
        )
        arm = np.repeat(list(parts), n)
        for quantity, e in quick_estimates(times, arm):
            found[quantity, str(e.contrast)].append(numbers_of(e))
        if replicate % 5 == 0:
            for contrast, numbers in medians(times, arm):
                quantity = "onset_quantile" if contrast in MEDIAN else "onset_quantile_difference"
                found[quantity, contrast].append(numbers)
    return [
        row(key, (schedule, never, n), truth, np.array(found[key]).T)
        for key, truth in truths(never).items()
        if found[key]
    ]


def row(key: tuple[str, str], place: tuple[str, float, int], truth: float, seen: np.ndarray) -> dict[str, object]:
    """One line of the table from estimates and limits, shape (3, replicates)."""
    value, low, high = seen
    # A limit equal to the truth but for rounding covers it.
    below, above = high < truth - 1e-9, low > truth + 1e-9
    coverage = float(np.mean(~below & ~above))
    finite = np.isfinite(value)
    bias = value[finite].mean() - truth if finite.all() else np.nan
    width = float(np.median(high - low))
    error = np.sqrt(coverage * (1 - coverage) / value.size)
    numbers = (truth, bias, coverage, error, below.mean(), above.mean(), width)
    return dict(zip(COLUMNS, (*key, *place, value.size, *(f"{x:.4f}" for x in numbers)), strict=True))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--replicates", type=int, default=1000)
    parser.add_argument("--to", type=Path, default=Path(__file__).with_suffix(".csv"))
    options = parser.parse_args()
    with options.to.open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        table.writeheader()
        for schedule in SCHEDULES:
            for never in NEVER:
                for n in SIZES:
                    table.writerows(scenario(schedule, never, n, options.replicates))
                    file.flush()


if __name__ == "__main__":
    main()
