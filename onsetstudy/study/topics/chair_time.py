"""Time at the chair, from the clock times of the analysed cases."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.core.arrays import FloatArray
from onsetstudy.outcomes.chair_results import ChairTime
from onsetstudy.outcomes.chair_time import ChairRecords, Prices, compare_chair_time
from onsetstudy.protocol.vocabulary import MIXED_ARM
from onsetstudy.study.sets.analysis_set import AnalysisSet

__all__ = ["chair_time_of"]

STAGES = ("seated to needle", "injection", "wait", "treatment", "until dismissed")


def chair_time_of(data: AnalysisSet) -> ChairTime | None:
    """Chair time of the plan's two arms; ``None`` where the protocol states no caseload."""
    protocol = data.protocol
    rule = protocol.chair_time
    if rule is None:
        return None
    return compare_chair_time(
        chair_records(data),
        Prices(
            cases_per_month=rule.cases_per_month,
            mixing_min=rule.mixing_min,
            chair_hour_cost=rule.chair_hour_cost,
            material_cost=rule.material_cost,
            currency=rule.currency,
        ),
        reference_arm=protocol.reference_arm,
        contrast_arm=protocol.contrast_arm,
        conf_level=protocol.plan.conf_level,
    )


def chair_records(data: AnalysisSet) -> ChairRecords:
    """Waits, mixing, use of the wait and stages of every analysed case.

    A wait ends with the start of treatment: the chair is not free when a supplement is given, it is taken for longer.
    A wait of which the start of treatment is not recorded lasted at least to the supplement, or to the last test of the
    first injection. In an arm of which nobody recorded a start there are no waits: how long teeth were tested is the
    plan's choice, not the chair's time.
    """
    frame = data.frame
    zero = _minutes(frame, data.protocol.schedule.clock_zero)
    start, end = _minutes(frame, "injection_start"), _minutes(frame, "injection_end")
    treated, rescued = _minutes(frame, "treatment_start_min"), _minutes(frame, "rescue_min")
    last = _minutes(frame, "last_test_min")
    seen = ~np.isnan(treated)
    # fmax: a minute and nothing is the minute.
    least = np.fmax(rescued, np.where(last > 0, last, np.nan))
    told = np.isin(data.arm, np.unique(data.arm[seen]))
    wait = np.where(seen, treated, np.where(told, least, np.nan))
    seated, finished, dismissed = (_minutes(frame, c) for c in ("seated_time", "treatment_end_time", "dismissed_time"))
    stages = (
        start - seated,
        end - start,
        np.where(seen, wait, np.nan),
        finished - zero - treated,
        dismissed - finished,
    )
    return ChairRecords(
        arm=data.arm,
        wait_min=wait,
        at_least=~seen & ~np.isnan(wait),
        mixing_min=_minutes(frame, "mixing_min"),
        wait_used=_codes(frame["wait_used"]),
        patient=data.column("patient_id"),
        visit_min=dismissed - seated,
        stages=tuple(zip(STAGES, stages, strict=True)),
        practice=data.column("practice_id"),
        mixed_arm=MIXED_ARM,
    )


def _minutes(frame: pd.DataFrame, column: str) -> FloatArray:
    return frame[column].to_numpy(dtype=np.float64, na_value=np.nan)


def _codes(values: pd.Series) -> NDArray[np.str_]:
    return values.astype(object).where(values.notna(), "").astype(str).to_numpy(dtype=str)
