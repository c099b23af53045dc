"""A group's answer if cold tests erred: the grid of sensitivity and specificity, from counted onset intervals."""

from __future__ import annotations

import pandas as pd

from onsetstudy.core.results import Counts
from onsetstudy.outcomes.harms import exact_share
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.cold_test_results import ColdTestErrors
from onsetstudy.study.counts.counted_estimates import cell_times
from onsetstudy.study.group.controls import false_not_felt_counts
from onsetstudy.study.group.pool_files import Gathered
from onsetstudy.study.topics.cold_test_errors import FEWEST, error_grid
from onsetstudy.survival.testing.misclassified import ErrorKernel, kernel_of_intervals

__all__ = ["group_test_errors"]


def group_test_errors(counts: Gathered, protocol: Protocol) -> ColdTestErrors | None:
    """The grid of a group's counted intervals; ``None`` where an arm has few cases.

    Parameters
    ----------
    counts : Gathered
        Of the practices in the answer, up to the quarter.
    protocol : Protocol

    Notes
    -----
    Intervals are those of the rate, which a supplement ends. Arms are taken whole, as in a practice's own report.
    """
    cells = counts.cells
    arms = [cells[cells["arm"] == code] for code in protocol.arm_codes[:2]]
    if min(int(arm["n"].sum()) for arm in arms) < FEWEST:
        return None

    def kernel(arm: pd.DataFrame, se: float, sp: float) -> ErrorKernel:
        return kernel_of_intervals(
            cell_times(arm, "hazard"),
            protocol.schedule.tests_min,
            confirmations=protocol.onset.confirmations,
            sensitivity=se,
            specificity=sp,
            weight=arm["n"].to_numpy(dtype=float),
        )

    lost, tests = false_not_felt_counts(counts)
    share = None
    if tests:
        n = Counts(cases=tests, onsets=lost)
        share = exact_share(lost, tests, quantity="false_not_felt", arm="", n=n, conf_level=protocol.plan.conf_level)
    return error_grid(
        lambda se, sp: [kernel(arm, se, sp) for arm in arms],
        protocol,
        false_not_felt=share,
        control_tests=tests,
        from_intervals=True,
    )
