"""From records to the analysis set: onset intervals for each estimand, joined to the cases."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from onsetstudy.protocol.estimands import Estimand, questions_of
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.records.derived.flow import analysed_cases, recorded_in
from onsetstudy.records.derived.onset import Onsets
from onsetstudy.records.model import Records
from onsetstudy.study.sets.analysis_set import ESTIMANDS, AnalysisSet
from onsetstudy.study.sets.work import Work


def prepare(
    protocol: Protocol,
    records: Records,
    *,
    through: Quarter,
    asked: Mapping[str, Estimand] | None = None,
    onsets: Onsets | None = None,
    work: Work | None = None,
) -> tuple[AnalysisSet, pd.DataFrame]:
    """Analysed cases up to a quarter with their onset intervals for each question, and the derived onset itself.

    ``asked`` are the estimands of :data:`onsetstudy.protocol.estimands.QUESTIONS`: each says how onset is read off the
    tests and what a supplement before it means; default: those of the protocol. ``onsets`` are those of ``records``,
    and ``work`` is what this belongs to: what was derived, fitted and asked before is not done again.
    """
    asked = asked or questions_of(protocol)
    onsets = onsets or Onsets(records=records, protocol=protocol)
    frame = analysed_cases(records, protocol, through=through).set_index("case_id", drop=False)
    onset = {
        name: onsets.table(estimand=name, rescue=asked[name].strategy, rule=asked[name].rule).set_index("case_id")
        for name in ESTIMANDS
    }
    for name, derived in onset.items():
        frame[[f"left_{name}", f"right_{name}"]] = derived[["left_min", "right_min"]].reindex(frame.index)
    frame["last_test_min"] = _last_test(records, frame)
    derived = onset["hazard"].reindex(frame.index).reset_index(drop=False)
    missing = [arm for arm in protocol.arm_codes if arm not in set(frame["arm"])]
    unused = {arm: recorded_in(arm, records, protocol, through=through) for arm in missing}
    frame = frame.reset_index(drop=True)
    return AnalysisSet(frame=frame, protocol=protocol, work=work or Work(), unused=unused), derived


def _last_test(records: Records, frame: pd.DataFrame) -> pd.Series:
    """Last target test of the first injection alone, minutes; 0 where there was none."""
    target = records.readings[records.readings["tooth_role"] == "target"]
    limit = target["case_id"].map(frame["rescue_min"]).fillna(np.inf)
    last = target[target["minute"] < limit].groupby("case_id")["minute"].max()
    return last.reindex(frame.index).fillna(0.0)
