"""Onset where a cold test may err: the wait and the proportion numb over a grid of sensitivity and specificity.

Neither can be read off the target teeth of a study that stops testing at onset. Control teeth, which are not numb, tell
how often a tooth that feels is said not to; published values stand for the rest.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.results import Counts, Estimate
from onsetstudy.outcomes.harms import exact_share
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.onset import target_tests
from onsetstudy.records.derived.planned_minutes import nearest
from onsetstudy.records.model import Records
from onsetstudy.study.results import ColdTestErrors, ErrorRow
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.survival.erring.misclassified import GRID, ErrorKernel, fit_kernel, kernel_of_tests
from onsetstudy.survival.erring.profile_limits import profile_limits

FEWEST = 10
"""Cases of an arm from which on a curve with errors is fitted."""
WORST = 0.5
"""A test that is right no more often than this says nothing."""
Tests = tuple[IntArray, FloatArray, BoolArray]
"""Case, minute and whether it was felt, of each test."""


def cold_test_errors(data: AnalysisSet, records: Records) -> ColdTestErrors | None:
    """The grid of a study's own tests; ``None`` where an arm has few cases.

    Parameters
    ----------
    data : AnalysisSet
        Analysed cases.
    records : Records
        Their readings.

    Notes
    -----
    Every valid test of the target before a supplement is used, on the planned minute nearest to it, so that a curve
    has as many gaps as the plan. A supplement ends the follow-up. Arms are taken whole, not within practices.
    """
    protocol = data.protocol
    arms = protocol.arm_codes[:2]
    if min(int((data.arm == a).sum()) for a in arms) < FEWEST:
        return None
    case, minute, felt = _tests(data, records)
    own = [np.isin(case, np.flatnonzero(data.arm == a)) for a in arms]
    if not all(o.any() for o in own):
        return None
    tests = [(case[o], minute[o], felt[o]) for o in own]
    grid = [(se, sp, False) for se, sp in GRID]
    share, level, (not_felt, control_tests) = None, protocol.plan.conf_level, _control_tests(data, records)
    if control_tests:
        n = Counts(cases=control_tests, onsets=not_felt)
        share = exact_share(not_felt, control_tests, quantity="false_not_felt", arm="", n=n, conf_level=level)
    if isinstance(share, Estimate) and WORST < (felt_rightly := (control_tests - not_felt) / control_tests) < 1:
        grid += [(se, felt_rightly, True) for se in dict.fromkeys(se for se, _ in GRID)]
    return ColdTestErrors(
        rows=tuple(_row(tests, se, sp, protocol, from_control) for se, sp, from_control in grid),
        false_not_felt=share,
        conf_level=level,
    )


def _tests(data: AnalysisSet, records: Records) -> Tests:
    """Valid tests of the target in the analysed cases, on planned minutes, before a supplement."""
    schedule, tests = data.protocol.schedule, target_tests(records, data.protocol)
    tests = tests.take(tests.valid(schedule.control_tooth))
    number = pd.Index(data.frame["case_id"]).get_indexer(records.cases["case_id"])[tests.case]
    rescue = data.numbers("rescue_min")
    until = np.where(np.isnan(rescue), np.inf, rescue)
    kept = (number >= 0) & (tests.minute < until[np.maximum(number, 0)])
    planned = np.asarray(schedule.tests_min, dtype=np.float64)
    return number[kept], planned[nearest(planned, tests.minute[kept])], tests.felt[kept]


def _control_tests(data: AnalysisSet, records: Records) -> tuple[int, int]:
    """How often the control tooth was said not to feel, and of how many tests."""
    if data.protocol.schedule.control_tooth == "none":
        return 0, 0
    _, readings = data.readings(records, "control")
    return int((readings["response"] == "not_felt").sum()), len(readings)


def _row(tests: list[Tests], se: float, sp: float, protocol: Protocol, from_control: bool) -> ErrorRow:
    row = partial(ErrorRow, sensitivity=se, specificity=sp, from_control=from_control)
    try:
        arms = [kernel_of_tests(*each, sensitivity=se, specificity=sp) for each in tests]
        curves = [fit_kernel(kernel) for kernel in arms]
        minutes = [minutes_of_gaps(curve.edges, protocol.onset.tau_min) for curve in curves]
        start, level = [curve.mass for curve in curves], protocol.plan.conf_level
        apart = profile_limits(arms, [-minutes[0], minutes[1]], conf_level=level, start=start)
        target = protocol.onset.target_min
        numb = tuple(_numb_limits(*arm, target, level) for arm in zip(arms, start, strict=True))
    except NotEstimable as error:
        return row(reason=error.reason)
    wait = tuple(float(curve.mass @ c) for curve, c in zip(curves, minutes, strict=True))
    found = tuple(curve.numb_by(target) for curve in curves)
    difference = wait[1] - wait[0]
    return row(numb=found, wait=wait, difference=difference, numb_limits=numb, difference_limits=apart)


def _numb_limits(kernel: ErrorKernel, mass: FloatArray, target_min: float, level: float) -> tuple[float, float]:
    """Limits of the share numb by a minute; between two tests, of the least there and of the largest."""
    least = (kernel.edges[1:] <= target_min).astype(np.float64)
    largest = (kernel.edges[:-1] < target_min).astype(np.float64)
    low, high = profile_limits([kernel], [least], conf_level=level, start=[mass], largest=[largest])
    return max(low, 0.0), min(high, 1.0)


def minutes_of_gaps(edges: FloatArray, tau_min: float) -> FloatArray:
    """Time to onset up to a horizon, minutes, of each gap: spread evenly over it, the horizon where it has no end."""
    left, right = np.minimum(edges[:-1], tau_min), np.minimum(edges[1:], tau_min)
    return np.where(np.isinf(edges[1:]), tau_min, (left + right) / 2)
