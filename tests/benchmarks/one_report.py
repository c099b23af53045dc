"""One report of the demo: how often onset is derived, curves are fitted and intervals checked, and how long it takes.

Run ``python -m tests.benchmarks.one_report`` from the folder of the README. The earlier way is carried out in the
same run: every question derives and fits for itself, and every part of the cases is checked anew.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from onsetstudy.study.practice.analyse import analyse
from tests.benchmarks.yardstick import show, yardstick
from tests.study.once import counted, demo, sharing_nothing

RUNS = 3


def best(work: Callable[[], object]) -> float:
    """Shortest of a few runs, seconds of this process: what else runs on the machine only adds."""
    times = []
    for _ in range(RUNS):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def main() -> None:
    protocol, records, beside = demo()

    def once() -> object:
        return analyse(protocol, records, quarter="2026Q3", beside=beside)

    with sharing_nothing():
        with counted() as earlier:
            once()
        before = best(once)
    with counted() as now:
        once()
    after = best(once)
    stick = yardstick()
    for name, was, does in (
        ("onset derived", earlier.derived, now.derived),
        ("curves fitted", earlier.fitted, now.fitted),
        ("intervals checked", earlier.checked, now.checked),
    ):
        print(f"{name:<20} {len(was):5d} times before, {len(does):5d} now, of {len(set(does)):4d} distinct inputs")
    show("analysis of 420 cases, sharing nothing", before, stick)
    show("analysis of 420 cases", after, stick, f"{after / before:.2f} of it")


if __name__ == "__main__":
    main()
