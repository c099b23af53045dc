"""Results of watching."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from onsetstudy.core.results import Assumption, Caution, Estimate, NotAvailable
from onsetstudy.core.serialise import result_kind


@result_kind("run_length")
class RunLength:
    """Cases up to a signal at a limit: on ``average`` where nothing changed, ``when_changed`` by the chart's ratio."""

    limit: float
    average: float
    when_changed: float


@result_kind("watch_signal")
class Signal:
    """A chart passed its limit at ``case`` (from 1): the last ``cases`` had ``failures``; ``expected`` is usual."""

    case: int
    cases: int
    failures: int
    expected: float


@result_kind("cusum_chart", arrays=True)
class Chart:
    """A risk-adjusted cumulative sum for one kind of failure and one direction of change.

    ``path`` has one value per case counted, shape (n,), before it is set back to 0 by a signal. ``direction`` is
    ``worse`` or ``better``.
    """

    failure: str
    direction: str
    odds_ratio: float
    path: NDArray[np.float64]
    limit: float
    run_length: RunLength
    signals: tuple[Signal, ...]


@result_kind("window_wait")
class WindowWait:
    """Mean wait of consecutive cases ``first`` to ``last`` (from 1)."""

    first: int
    last: int
    wait: Estimate | NotAvailable


@result_kind("shrunken_share")
class Shrunken:
    """Failures of one operator: as counted, and drawn to the others by as much as chance explains."""

    code: str
    cases: int
    failures: int
    share: float
    shrunken: float
    low: float
    high: float
    level: float


@result_kind("watch")
class Watch:
    """Everything about watching one arm.

    ``usual`` lists ``(failure, group, usual share)``; ``undecided`` lists how many cases, for each failure, could not
    be said to have failed or not and are not in its charts.
    """

    arm: str
    baseline_cases: int
    watched_cases: int
    undecided: tuple[tuple[str, int], ...]
    usual: tuple[tuple[str, str, float], ...]
    charts: tuple[Chart, ...]
    windows: tuple[WindowWait, ...]
    operators: tuple[Shrunken, ...]
    method: str
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
