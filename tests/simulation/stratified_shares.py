"""How often the 95 % limits of a difference of proportions within strata leave out no difference where there is none.

Run ``python -m tests.simulation.stratified_shares`` (minutes); it writes ``stratified_shares.csv`` beside this file.

``decided``: every case is known at the minute. Each stratum has as many cases, shared out between the arms in the
same ratio; the chance of success is the same in both arms, ``low`` in the first stratum, ``high`` in the last and
evenly between. Counts are drawn, and compared as ``success_by`` does. ``undecided``: onset is exponential, the target
2 min, teeth are tested every minute to minute 5, and 15 % of tests are missed. Beside it stands Newcombe's interval
without strata.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from onsetstudy import Intervals, NotEstimable, success_by
from onsetstudy.core.seeds import stream
from onsetstudy.inference.proportions import cases_of_mean

SEED = 20260311
STUDIES = {"decided": 40_000, "undecided": 1000}
SHARES = ((0.1, 0.1), (0.25, 0.25), (0.5, 0.5), (0.1, 0.9))
DECIDED = [
    (strata, size, of_size, *share)
    for strata in (4, 5, 6, 10)
    for size in (10, 20, 40)
    for of_size in (1 / 2, 1 / 4)
    for share in SHARES
]
DECIDED += [(4, 25, 1 / 5, 0.45, 0.45), (4, 25, 12 / 25, 0.33, 0.74)]
UNDECIDED = [(5, 20, 1 / 2, 0.5, 0.5), (4, 24, 1 / 4, 0.45, 0.45), (6, 10, 1 / 2, 0.45, 0.45), (5, 20, 1 / 2, 0.1, 0.1)]


def cases_of(size: int, of_size: float) -> tuple[int, int]:
    """Cases of the reference arm and of the other in each stratum."""
    other = round(size * of_size)
    return size - other, other


def left_out(rng: np.random.Generator, strata: int, size: int, of_size: float, low: float, high: float) -> np.ndarray:
    """Whether limits leave out no difference, within strata and without, of many studies."""
    chance, arms = np.linspace(low, high, strata), cases_of(size, of_size)
    counts = [rng.binomial(n, chance, (STUDIES["decided"], strata)) for n in arms]
    found = []
    for pooled in (False, True):
        share, limits = [], []
        for count, n in zip(counts, arms, strict=True):
            weight = np.full(strata, 1 / strata)
            mean = (count / n) @ weight
            cases = np.array(n * strata) if pooled else cases_of_mean(weight, count / n, np.full(strata, n))
            share.append(mean)
            limits.append(proportion_confint(mean * cases, cases, method="wilson"))
        apart = share[1] - share[0]
        below = np.hypot(share[1] - limits[1][0], limits[0][1] - share[0])
        above = np.hypot(limits[1][1] - share[1], share[0] - limits[0][0])
        found.append((apart - below > 1e-12) | (apart + above < -1e-12))
    return np.array(found)


def left_out_of_one(
    rng: np.random.Generator, strata: int, size: int, of_size: float, low: float, high: float
) -> tuple[bool, bool]:
    """Whether limits leave out no difference, within strata and without, of one study of teeth tested now and then."""
    arm = np.tile(np.repeat(["plain", "buffered"], cases_of(size, of_size)), strata)
    stratum = np.repeat(np.arange(strata), size)
    onset = rng.exponential(-2 / np.log1p(-np.linspace(low, high, strata)[stratum]))[:, None]
    test, seen = np.arange(1.0, 6.0), rng.random((arm.size, 5)) >= 0.15
    times = Intervals(
        np.where(seen & (test < onset), test, 0.0).max(axis=1),
        np.where(seen & (test >= onset), test, np.inf).min(axis=1),
    )
    spans = [
        success_by(times, arm, reference_arm="plain", target_min=2, stratum=within).difference.interval
        for within in (stratum.astype(str), None)
    ]
    within, without = (not span.low <= 0 <= span.high for span in spans)
    return within, without


def line(kind: str, setting: tuple[int, int, float, float, float]) -> dict[str, object]:
    """One line of the table."""
    if kind == "decided":
        found = left_out(stream(SEED, f"{kind}|{setting}"), *setting)
    else:
        drawn = []
        for k in range(STUDIES[kind]):
            try:
                drawn.append(left_out_of_one(stream(SEED, f"{kind}|{setting}", k), *setting))
            except NotEstimable:
                continue
        found = np.array(drawn).T
    strata, size, of_size, low, high = setting
    reference, other = cases_of(size, of_size)
    return {
        "cases": kind, "strata": strata, "reference": reference, "other": other, "low": low, "high": high,
        "studies": found.shape[1], "within_strata": f"{found[0].mean():.4f}", "without": f"{found[1].mean():.4f}",
        "mc_error": f"{np.sqrt(0.05 * 0.95 / found.shape[1]):.4f}",
    }  # fmt: skip


def main() -> None:
    table = [line("decided", setting) for setting in DECIDED] + [line("undecided", setting) for setting in UNDECIDED]
    pd.DataFrame(table).to_csv(Path(__file__).with_suffix(".csv"), index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
