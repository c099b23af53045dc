"""What happened to the analysed cases besides onset."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.outcomes.harm_results import Safety
from onsetstudy.outcomes.harms import EventRecorded, SafetyRecords, summarise_safety
from onsetstudy.records.model import Companions
from onsetstudy.study.sets.analysis_set import AnalysisSet

__all__ = ["recorded_events", "safety_of"]

NO_COMPANIONS = Companions()


def recorded_events(data: AnalysisSet, companions: Companions) -> tuple[EventRecorded, ...]:
    """The events of the analysed cases one by one, from the table of events; none where there is no such table."""
    table = companions.adverse_events
    if table is None:
        return ()
    row = pd.Index(data.frame["case_id"]).get_indexer(_text(table["case_id"]))
    kinds, serious = _text(table["kind"]), _text(table["serious"])
    return tuple(EventRecorded(int(r), str(k), str(s)) for r, k, s in zip(row, kinds, serious, strict=True) if r >= 0)


def safety_of(data: AnalysisSet, companions: Companions = NO_COMPANIONS) -> Safety:
    """Adverse events, supplements and missed blocks by arm; by what was injected where that is known.

    Harms follow the syringe, not the list: with an allocation list, cases are counted in the arm that was injected.
    """
    frame = data.frame
    arm = frame["arm_received"] if "arm_received" in frame else frame["arm"]
    return summarise_safety(
        SafetyRecords(
            arm=arm.to_numpy(dtype=str),
            event=_text(frame["adverse_event"]),
            serious=_text(frame["adverse_serious"]),
            supplement=frame["rescue_min"].notna().to_numpy(),
            lip_numb=_text(frame["lip_numb"]),
            technique=_text(frame["technique"]),
            recorded=recorded_events(data, companions),
            treatment=data.treatment() if data.protocol.tells_treatment else None,
        ),
        arms=data.protocol.arm_codes[:2],
        conf_level=data.protocol.plan.conf_level,
    )


def _text(values: pd.Series) -> NDArray[np.str_]:
    return values.astype(object).where(values.notna(), "").astype(str).str.strip().to_numpy(dtype=str)
