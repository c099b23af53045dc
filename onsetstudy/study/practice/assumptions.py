"""The assumptions of the main results, looked at in the same cases."""

from __future__ import annotations

import numpy as np
import pandas as pd

from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import EstimateLike, NotAvailable
from onsetstudy.records.derived.planned_minutes import nearest
from onsetstudy.records.model import Records
from onsetstudy.study.results import Diagnostics
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.sets.contrasts import ask
from onsetstudy.survival.hazards.grouped import fit_grouped_hazards
from onsetstudy.survival.hazards.proportionality import check_proportionality
from onsetstudy.survival.results import ScheduleCheck
from onsetstudy.survival.testing.schedule_checks import check_schedule, summarise_testing


def diagnose(data: AnalysisSet, records: Records, onset: pd.DataFrame) -> Diagnostics | None:
    """Diagnostics of the analysed cases; ``None`` where there are not two arms to compare.

    Parameters
    ----------
    data : AnalysisSet
        Analysed cases.
    records : Records
        Their readings.
    onset : DataFrame
        Derived onset of the analysed cases, in the order of ``data``.
    """
    protocol = data.protocol
    if len(data.arms_present) < 2:
        return None
    times, covariates, reference = data.times("hazard"), {"arm": data.arm}, {"arm": protocol.reference_arm}
    level = protocol.plan.conf_level

    def grouped() -> EstimateLike:
        planned = _on_schedule(times, protocol.schedule.tests_min)
        return fit_grouped_hazards(planned, covariates, reference=reference, conf_level=level).estimates[0]

    return Diagnostics(
        proportionality=ask(
            data,
            "proportionality_test",
            lambda: check_proportionality(
                times, covariates, reference=reference, conf_level=level, curves=data.work.curves
            ),
            method="score test of proportional hazards",
            sign="/",
        ),
        grouped_ratio=ask(data, "hazard_ratio", grouped, method="complementary log-log regression"),
        schedule=_schedule(data, records),
        fineness=summarise_testing(
            times, data.arm, target_min=protocol.onset.target_min, missed=onset["missed_tests"].to_numpy()
        ),
    )


def _on_schedule(times: Intervals, tests_min: tuple[float, ...]) -> Intervals:
    """Ends of the intervals moved to the nearest planned test, for a model that knows planned gaps only."""
    ticks = np.concatenate(([0.0], tests_min))
    left = nearest(ticks, times.left)
    seen = np.isfinite(times.right)
    right = np.where(seen, nearest(ticks, np.where(seen, times.right, 0.0)), ticks.size)
    # Two tests nearest to the same planned minute leave the gap before it.
    left = np.minimum(left, right - 1)
    return Intervals(ticks[np.maximum(left, 0)], np.append(ticks, np.inf)[np.maximum(right, 1)])


def _schedule(data: AnalysisSet, records: Records) -> ScheduleCheck | NotAvailable:
    case, readings = data.readings(records, "target")
    minute = readings["minute"].to_numpy(dtype=np.float64)
    return ask(
        data,
        "schedule_test",
        lambda: check_schedule(case, minute, data.arm, reference_arm=data.protocol.reference_arm),
        method="minutes of the first tests",
        sign="-",
    )
