"""How often the 95 % limits of a difference of proportions within strata leave out no difference where there is none.

Run ``python -m tests.simulation.stratified_shares`` (minutes); it writes ``stratified_shares.csv`` beside this file.

``decided``: every case is known at the minute. Each stratum has as many cases, shared out between the arms in the
same ratio; the chance of success is the same in both arms, ``low`` in the first stratum, ``high`` in the last and
evenly between. Counts are drawn, and compared as ``success_by`` does. ``undecided``: onset is exponential, the target
2 min, teeth are tested every minute to minute 5, and 15 % of tests are missed. Beside it stands Newcombe's interval
without strata. ``unequal``: two strata of the cases named, counts as in ``decided``; the large one is nearly all numb,
the small one hardly.
"""

from __future__ import annotations

from collections.abc import Iterator
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
UNEQUAL = [
    ((20, 3), (20, 3), 0.9, 0.1), ((60, 9), (20, 3), 0.9, 0.1), ((30, 5), (30, 5), 0.95, 0.1),
    ((20, 5), (20, 5), 0.9, 0.1), ((40, 6), (40, 6), 0.95, 0.1), ((40, 10), (40, 10), 0.95, 0.1),
]  # fmt: skip
UNDECIDED = [(5, 20, 1 / 2, 0.5, 0.5), (4, 24, 1 / 4, 0.45, 0.45), (6, 10, 1 / 2, 0.45, 0.45), (5, 20, 1 / 2, 0.1, 0.1)]


def cases_of(size: int, of_size: float) -> tuple[int, int]:
    """Cases of the reference arm and of the other in each stratum."""
    other = round(size * of_size)
    return size - other, other


def left_out(rng: np.random.Generator, arms: tuple[np.ndarray, ...], low: float, high: float) -> np.ndarray:
    """Whether limits leave out no difference, within strata and without, of many studies; arms by stratum."""
    strata, studies = arms[0].size, STUDIES["decided"]
    counts = [rng.binomial(n, np.linspace(low, high, strata), (studies, strata)) for n in arms]
    weight = sum(arms) / np.sum(arms)
    found = []
    for pooled in (False, True):
        share, limits = [], []
        for count, n in zip(counts, arms, strict=True):
            mean = count.sum(axis=1) / n.sum() if pooled else (count / n) @ weight
            cases = n.sum() if pooled else cases_of_mean(weight, count / n, n)
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


def told(kind: str, strata: int, arms: tuple[object, object], shares: tuple[float, ...], found: np.ndarray):
    """One line of the table."""
    return {
        "cases": kind, "strata": strata, "reference": arms[0], "other": arms[1], "low": shares[0], "high": shares[1],
        "studies": found.shape[1], "within_strata": f"{found[0].mean():.4f}", "without": f"{found[1].mean():.4f}",
        "mc_error": f"{np.sqrt(0.05 * 0.95 / found.shape[1]):.4f}",
    }  # fmt: skip


def lines() -> Iterator[dict[str, object]]:
    for setting in DECIDED:
        strata, size, of_size, *shares = setting
        arms = cases_of(size, of_size)
        found = left_out(stream(SEED, f"decided|{setting}"), tuple(np.full(strata, n) for n in arms), *shares)
        yield told("decided", strata, arms, shares, found)
    for setting in UNDECIDED:
        drawn = []
        for k in range(STUDIES["undecided"]):
            try:
                drawn.append(left_out_of_one(stream(SEED, f"undecided|{setting}", k), *setting))
            except NotEstimable:
                continue
        yield told("undecided", setting[0], cases_of(*setting[1:3]), setting[3:], np.array(drawn).T)
    for setting in UNEQUAL:
        *arms, low, high = setting
        found = left_out(stream(SEED, f"unequal|{setting}"), tuple(map(np.array, arms)), low, high)
        yield told("unequal", 2, tuple("+".join(map(str, n)) for n in arms), (low, high), found)


def main() -> None:
    pd.DataFrame(lines()).to_csv(Path(__file__).with_suffix(".csv"), index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
