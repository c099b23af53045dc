"""Coverage where cold tests err, now and then or again and again in one tooth: rules of confirmation, and the model.

Run ``python -m tests.simulation.erring_tests``; it writes ``erring_tests.csv`` beside the script. Onset is Weibull
(shape 1.6, mean 6.6 min, one case in ten never numb: planning values of a block), in the other arm a quarter sooner.
Teeth are tested at the demo protocol's minutes, all of them, until the rule that reads them is content.

Errors: ``independent``; ``tooth``, one tooth in five errs in up to half of its tests, the rest so
seldom that the average is the same.

Readers: ``one``, ``two``, ``three`` not-felt tests in a row, dated at the first; ``two of three``, the first of two
not-felt tests of which at most one felt lies between (no rule that a protocol can state); ``model``, maximum likelihood
with the true sensitivity and specificity, errors taken as independent, of tests that go on until two in a row were not
felt. Limits of the rules are those of ``estimate_rmst``; of the model it is asked whether the likelihood ratio at the
truth stays below its 95 % point, as it does where profile likelihood limits hold the truth.
"""

from __future__ import annotations

import itertools
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize, stats

from onsetstudy import Intervals, NotEstimable, estimate_rmst
from onsetstudy.core.intervals import derive_intervals
from onsetstudy.core.seeds import stream
from tests.survival.erring.test_misclassified import fit_misclassified

SEED = 20261127
STUDIES = 300
MINUTES = np.array([1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 16], dtype=float)
EDGES = np.concatenate([[0.0], MINUTES, [np.inf]])
TAU, TARGET = 15.0, 5.0
SHAPE, SCALE, NEVER, RATIO = 1.6, 7.384, 0.1, 0.75
KINDS = ("independent", "tooth")
VALUES = ((1.0, 0.95), (1.0, 0.87), (0.95, 0.91), (0.91, 0.87))
"""Sensitivity and specificity: those of the grid, and few false "not felt" as of control teeth."""
READERS = ("one", "two", "three", "two of three", "model")
OFTEN, TEETH = 0.5, 0.2
"""How often a tooth errs that often errs, and how many teeth are such."""


def waits() -> np.ndarray:
    """Minutes waited up to the horizon in each gap, spread evenly."""
    low, high = np.minimum(EDGES[:-1], TAU), np.minimum(EDGES[1:], TAU)
    return np.where(np.isinf(EDGES[1:]), TAU, (low + high) / 2)


def truth(arm: int) -> np.ndarray:
    """Chance of each gap."""
    by = (1 - NEVER) * stats.weibull_min(SHAPE, scale=SCALE * (RATIO if arm else 1.0)).cdf(EDGES)
    by[-1] = 1.0
    return np.diff(by)


def errors(rng: np.random.Generator, kind: str, shape: tuple[int, int], chance: float) -> np.ndarray:
    """Which tests would err in a state in which tests err with such a chance on average; shape (teeth, tests)."""
    if kind == "tooth":
        often = rng.random((shape[0], 1)) < TEETH
        rest = max((chance - TEETH * OFTEN) / (1 - TEETH), 0.0)
        high = (chance - (1 - TEETH) * rest) / TEETH
        return rng.random(shape) < np.where(often, high, rest)
    return rng.random(shape) < chance


def study(kind: str, se: float, sp: float, n: int, k: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Arm and true onset of each tooth, and whether each test would be felt."""
    rng = stream(SEED, f"erring {kind} {se} {sp} {n}", k)
    arm = np.arange(2 * n) % 2
    onset = SCALE * np.where(arm == 1, RATIO, 1.0) * rng.weibull(SHAPE, 2 * n)
    onset[rng.random(2 * n) < NEVER] = np.inf
    numb = MINUTES[None, :] >= onset[:, None]
    wrong = np.where(numb, errors(rng, kind, numb.shape, 1 - se), errors(rng, kind, numb.shape, 1 - sp))
    return arm, onset, numb == wrong


def stopped(felt: np.ndarray, reader: str) -> np.ndarray:
    """Number of tests of each tooth until the rule is content, all of them where it never is."""
    run = {"one": 1, "two": 2, "three": 3, "model": 2, "two of three": 2}[reader]
    of = 3 if reader == "two of three" else run
    no = np.pad(~felt, ((0, 0), (of - 1, 0)))
    counted = np.lib.stride_tricks.sliding_window_view(no, of, axis=1).sum(axis=2)
    content = (counted >= run) & ~felt
    return np.where(content.any(axis=1), content.argmax(axis=1) + 1, felt.shape[1])


def done(tests: np.ndarray) -> np.ndarray:
    """Which of the planned tests are the first so many of each tooth."""
    return np.arange(MINUTES.size) < tests[:, None]


def chances(felt: np.ndarray, tests: np.ndarray, se: float, sp: float) -> np.ndarray:
    """Chance of what was seen of each tooth for an onset in each gap, errors independent; shape (teeth, gaps)."""
    numb = MINUTES[None, :] >= EDGES[1:, None]
    each = np.where(felt[:, None, :], np.where(numb, 1 - se, sp), np.where(numb, se, 1 - sp))
    return np.where(done(tests)[:, None, :], each, 1.0).prod(axis=2)


def ruled(felt: np.ndarray, reader: str) -> Intervals:
    """Onset by a rule."""
    tests = stopped(felt, reader)
    if reader != "two of three":
        case, place = np.nonzero(done(tests))
        found = derive_intervals(case, MINUTES[place], felt[case, place], n_cases=len(felt),
                                 confirmations=("one", "two", "three").index(reader) + 1)  # fmt: skip
        return Intervals(found.left, found.right)
    left, right = np.zeros(len(felt)), np.full(len(felt), np.inf)
    for i, (row, last) in enumerate(zip(felt, tests, strict=True)):
        first = last - 1 - (1 if not row[last - 2] else 2) if last > 1 else 0
        no = ~row[max(last - 3, 0) : last]
        shown = bool(no[-1] and no.sum() >= 2)
        before = np.flatnonzero(row[: first if shown else last])
        left[i] = MINUTES[before[-1]] if before.size else 0.0
        right[i] = MINUTES[first] if shown else np.inf
    return Intervals(left, right)


def by_rule(arm: np.ndarray, onset: np.ndarray, felt: np.ndarray, reader: str) -> dict[str, float]:
    times = ruled(felt, reader)
    label = np.where(arm == 1, "other", "reference")
    found = estimate_rmst(times, label, reference_arm="reference", tau_min=TAU)
    wait = found.arms[0]
    numb = np.mean((times.right <= TARGET)[arm == 0])
    asked = {"wait": (wait, waits() @ truth(0)), "difference": (found.difference, waits() @ (truth(1) - truth(0)))}
    row = {f"bias_{name}": e.estimate - true for name, (e, true) in asked.items()}
    row |= {f"covers_{name}": e.interval.low <= true <= e.interval.high for name, (e, true) in asked.items()}
    return row | {
        "bias_numb_by_5": float(numb - truth(0)[:5].sum()),
        "true_inside": float(np.mean((times.left < onset) & (onset <= times.right))),
    }


def likeliest(kernels: list[np.ndarray], sums: list[np.ndarray], value: float, start: np.ndarray) -> float:
    """Largest log-likelihood of masses whose sum has a value: sequential quadratic programming on all masses."""
    ends = np.cumsum([0, *(c.size for c in sums)])
    parts = [slice(a, b) for a, b in itertools.pairwise(ends)]
    scale = sum(len(k) for k in kernels)

    def loss(mass: np.ndarray) -> tuple[float, np.ndarray]:
        total, slope = 0.0, np.zeros(mass.size)
        for kernel, part in zip(kernels, parts, strict=True):
            density = np.maximum(kernel @ mass[part], 1e-300)
            total -= np.log(density).sum() / scale
            slope[part] = -(kernel / density[:, None]).sum(axis=0) / scale
        return total, slope

    whole = np.zeros((len(parts), ends[-1]))
    for row, part in zip(whole, parts, strict=True):
        row[part] = 1.0
    level = np.concatenate(sums)
    constraints = [
        {"type": "eq", "fun": lambda m: whole @ m - 1, "jac": lambda m: whole},
        {"type": "eq", "fun": lambda m: level @ m - value, "jac": lambda m: level},
    ]
    found = optimize.minimize(loss, start, jac=True, method="SLSQP", bounds=[(0.0, 1.0)] * level.size,
                              constraints=constraints, options={"maxiter": 300, "ftol": 1e-10})  # fmt: skip
    if not found.success:
        raise NotEstimable("erring_tests", found.message, code="not_converged")
    return -float(found.fun) * scale


def by_model(arm: np.ndarray, felt: np.ndarray, se: float, sp: float) -> dict[str, float]:
    tests, kernels, masses, edges = stopped(felt, "model"), [], [], []
    for a in (0, 1):
        own = felt[arm == a]
        case, place = np.nonzero(done(tests[arm == a]))
        readings = (case, MINUTES[place], own[case, place])
        curve = fit_misclassified(*readings, sensitivity=se, specificity=sp)
        kernels.append(chances(own, tests[arm == a], se, sp))
        masses.append(curve.mass), edges.append(curve.edges)
    if any(e.size != EDGES.size for e in edges):
        raise NotEstimable("erring_tests", "a planned minute nobody came to", code="no_test")
    numb, wait = (EDGES[1:] <= TARGET).astype(float), waits()
    asked: dict[str, tuple[list[int], list[np.ndarray]]] = {
        "wait": ([0], [wait]), "difference": ([0, 1], [-wait, wait]), "numb_by_5": ([0], [numb]),
    }  # fmt: skip
    row: dict[str, float] = {}
    for name, (arms, sums) in asked.items():
        true = float(sum(c @ truth(a) for a, c in zip(arms, sums, strict=True)))
        best = sum(np.log(np.maximum(kernels[a] @ masses[a], 1e-300)).sum() for a in arms)
        held = likeliest([kernels[a] for a in arms], sums, true, np.concatenate([truth(a) for a in arms]))
        row[f"bias_{name}"] = float(sum(c @ masses[a] for a, c in zip(arms, sums, strict=True))) - true
        row[f"covers_{name}"] = 2 * (best - held) <= stats.chi2.ppf(0.95, 1)
    return row


def line(kind: str, se: float, sp: float, n: int, reader: str) -> dict[str, object]:
    """What one reader makes of so many studies."""
    rows, missing = [], 0
    for k in range(STUDIES):
        arm, onset, felt = study(kind, se, sp, n, k)
        try:
            rows.append(by_model(arm, felt, se, sp) if reader == "model" else by_rule(arm, onset, felt, reader))
        except NotEstimable:
            missing += 1
    means = pd.DataFrame(rows).astype(float).mean() if rows else pd.Series(dtype=float)
    names = ("bias_wait", "covers_wait", "bias_difference", "covers_difference", "bias_numb_by_5", "covers_numb_by_5",
             "true_inside")  # fmt: skip
    return {
        "errors": kind, "sensitivity": se, "specificity": sp, "cases_per_arm": n, "reader": reader, "studies": STUDIES,
        "not_estimable": missing, **{name: means.get(name, np.nan) for name in names},
        "mc_error": np.sqrt(0.05 * 0.95 / STUDIES),
    }  # fmt: skip


def jobs() -> list[tuple[str, float, float, int, str]]:
    """Errors, sensitivity, specificity, cases of an arm and reader of each line."""
    lines = [(kind, *values, 40, reader) for kind in KINDS for values in VALUES for reader in READERS]
    lines += [(kind, 0.91, 0.87, 150, reader) for kind in KINDS for reader in ("two", "model")]
    return [("independent", 1.0, 1.0, 40, reader) for reader in READERS] + lines


def markdown(table: pd.DataFrame) -> str:
    """Of 40 cases an arm: bias of a wait, and how often the intervals of the wait and of the difference held."""
    rows = ["| errors | se, sp | " + " | ".join(READERS) + " |", "| --- " * (2 + len(READERS)) + "|"]
    small = table[table["cases_per_arm"] == 40]
    for (kind, se, sp), lines in small.groupby(["errors", "sensitivity", "specificity"], sort=False):
        told = lines.set_index("reader")
        cells = [
            f"{told.bias_wait[reader]:+.2f}; {100 * told.covers_wait[reader]:.0f}, "
            f"{100 * told.covers_difference[reader]:.0f} %"
            for reader in READERS
        ]
        none = se == sp == 1.0
        rows.append(f"| {'none' if none else kind} | {se:g}, {sp:g} | {' | '.join(cells)} |".replace("-", "−"))
    return "\n".join(rows)


def main() -> None:
    rows = []
    with ProcessPoolExecutor(2) as hands:
        for found in hands.map(line, *zip(*jobs(), strict=True)):
            rows.append(found)
            table = pd.DataFrame(rows).round(4)
            table.insert(0, "seed", SEED)
            table.to_csv(Path(__file__).with_suffix(".csv"), index=False, lineterminator="\n")
    print(table.to_string())


if __name__ == "__main__":
    main()
