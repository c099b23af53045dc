"""One piece of work that every benchmark is told against, so that figures from different machines can be compared."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np


def seconds(work: Callable[[], object], repeats: int = 3) -> float:
    """Median wall time of ``work``."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return float(np.median(times))


def yardstick() -> float:
    """Seconds of one ``numpy.argsort`` of 2,000,000 random doubles."""
    values = np.random.default_rng(1).random(2_000_000)
    return seconds(lambda: np.argsort(values))


def show(name: str, taken: float, stick: float, aim: str = "") -> None:
    """One line: what, seconds, yardsticks, aim."""
    print(f"{name:<52} {taken:9.3f} s {taken / stick:9.2f} yardsticks  {aim}")
