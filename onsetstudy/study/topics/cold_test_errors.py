"""Onset where a cold test may err: the wait and the proportion numb over a grid of sensitivity and specificity.

Neither can be read off the target teeth of a study that stops testing at onset. Control teeth, which are not numb, tell
how often a tooth that feels is said not to; published values stand for the rest.
"""

from __future__ import annotations

import numpy as np

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.results import Counts, Estimate, EstimateLike
from onsetstudy.outcomes.harms import exact_share
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.onset import valid_tests
from onsetstudy.records.model import Records
from onsetstudy.study.cold_test_results import ColdTestErrors, ErrorRow
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.survival.testing.misclassified import GRID, MisclassifiedCurve, fit_misclassified

__all__ = ["cold_test_errors", "mean_wait"]

FEWEST = 10
"""Cases of an arm from which on a curve with errors is fitted."""
WORST = 0.5
"""A test that is right no more often than this says nothing."""


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
    share, tests = _false_not_felt(data, records)
    grid = [(se, sp, False) for se, sp in GRID]
    if isinstance(share, Estimate) and WORST < (own_sp := (tests - share.n.onsets) / tests) < 1:
        grid += [(se, own_sp, True) for se in dict.fromkeys(se for se, _ in GRID)]
    groups = [(case[o], minute[o], felt[o]) for o in own]
    rows = tuple(_row(groups, se, sp, protocol, from_control) for se, sp, from_control in grid)
    return ColdTestErrors(rows=rows, control_tests=tests, false_not_felt=share)


def _tests(data: AnalysisSet, records: Records) -> tuple[IntArray, FloatArray, BoolArray]:
    """Valid tests of the target in the analysed cases, on planned minutes, before a supplement."""
    case, minute, felt = valid_tests(records, data.protocol)
    place = {code: i for i, code in enumerate(data.frame["case_id"])}
    number = np.array([place.get(code, -1) for code in records.cases["case_id"]], dtype=np.int64)[case]
    rescue = data.frame["rescue_min"].to_numpy(dtype=np.float64, na_value=np.nan)
    until = np.where(np.isnan(rescue), np.inf, rescue)
    kept = (number >= 0) & (minute < until[np.maximum(number, 0)])
    planned = np.asarray(data.protocol.schedule.tests_min, dtype=np.float64)
    slot = np.searchsorted((planned[1:] + planned[:-1]) / 2, minute[kept])
    return number[kept], planned[slot], felt[kept]


def _false_not_felt(data: AnalysisSet, records: Records) -> tuple[EstimateLike | None, int]:
    """How often the control tooth was said not to feel, and of how many tests."""
    readings = records.readings
    mine = (readings["tooth_role"] == "control") & readings["case_id"].isin(data.frame["case_id"])
    tests = int(mine.sum())
    if not tests or data.protocol.schedule.control_tooth == "none":
        return None, 0
    lost = int((mine & (readings["response"] == "not_felt")).sum())
    n = Counts(cases=tests, onsets=lost)
    level = data.protocol.plan.conf_level
    return exact_share(lost, tests, quantity="false_not_felt", arm="", n=n, conf_level=level), tests


def _row(
    groups: list[tuple[IntArray, FloatArray, BoolArray]], se: float, sp: float, protocol: Protocol, from_control: bool
) -> ErrorRow:
    try:
        curves = [fit_misclassified(*group, sensitivity=se, specificity=sp) for group in groups]
    except NotEstimable as error:
        return ErrorRow(sensitivity=se, specificity=sp, reason=error.reason, from_control=from_control)
    wait = tuple(mean_wait(curve, protocol.onset.tau_min) for curve in curves)
    return ErrorRow(
        sensitivity=se,
        specificity=sp,
        numb=tuple(curve.numb_by(protocol.onset.target_min) for curve in curves),
        wait=wait,
        difference=wait[1] - wait[0],
        from_control=from_control,
    )


def mean_wait(curve: MisclassifiedCurve, tau_min: float) -> float:
    """Restricted mean time to onset, minutes: onset spread evenly over its gap, the horizon where it has no end."""
    left, right = np.minimum(curve.edges[:-1], tau_min), np.minimum(curve.edges[1:], tau_min)
    return float(curve.mass @ np.where(np.isinf(curve.edges[1:]), tau_min, (left + right) / 2))
