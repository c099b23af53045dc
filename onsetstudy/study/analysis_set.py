"""The analysed cases as arrays: one row per case, onset intervals for each estimand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Counts
from onsetstudy.inference.strata import merge_small
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.answer.contrasts import PRACTICE, Compared, estimated_within, tested_within
from onsetstudy.study.strata import shared_baselines

__all__ = ["ESTIMANDS", "AnalysisSet"]

ESTIMANDS = ("hazard", "success", "wait")
NOT_RECORDED = "not recorded"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AnalysisSet:
    """Analysed cases of one study.

    ``frame`` has the columns of the cases, and for each estimand ``left_<estimand>`` and ``right_<estimand>`` in
    minutes, ``last_test_min`` (last test of the first injection alone) and ``quarter``.
    """

    frame: pd.DataFrame
    protocol: Protocol

    def __len__(self) -> int:
        return len(self.frame)

    @property
    def arm(self) -> NDArray[np.str_]:
        """Arm of each case, shape (n,)."""
        return self.frame["arm"].to_numpy(dtype=str)

    @property
    def arms_present(self) -> tuple[str, ...]:
        """Arms with at least one case, reference first."""
        seen = set(self.arm)
        return tuple(code for code in self.protocol.arm_codes if code in seen)

    def times(self, estimand: str) -> Intervals:
        """Onset intervals of all cases, as the estimand treats supplements."""
        return Intervals(self.frame[f"left_{estimand}"].to_numpy(), self.frame[f"right_{estimand}"].to_numpy())

    def counts(self, estimand: str = "hazard") -> Counts:
        """Cases and observed onsets by arm."""
        onset = np.isfinite(self.frame[f"right_{estimand}"].to_numpy())
        return Counts.of(onset, self.arm, self.protocol.arm_codes)

    def column(self, name: str) -> NDArray[np.str_]:
        """A column as codes; what was not recorded is a level of its own."""
        values = self.frame[name].astype(object)
        return values.where(values.notna(), NOT_RECORDED).astype(str).to_numpy(dtype=str)

    def stratum(self) -> NDArray[np.str_] | None:
        """Practices and the plan's strata as one code per case, small ones put together; ``None`` where one only."""
        arms = self.protocol.arm_codes
        columns = [self.column(name) for name in tested_within(self.protocol)]
        strata = merge_small(columns, self.arm, (arms[0], arms[1]))
        return None if strata.one else strata.code

    def plan_stratum(self) -> NDArray[np.str_] | None:
        """The plan's strata alone, none put together, as arms were allocated; ``None`` where there is one only."""
        if not self.protocol.plan.strata:
            return None
        columns = [self.column(name) for name in self.protocol.plan.strata]
        combined = np.array([" | ".join(parts) for parts in zip(*columns, strict=True)], dtype=str)
        return combined if np.unique(combined).size > 1 else None

    def baselines(self) -> NDArray[np.str_] | None:
        """The plan's strata and the practice for a hazard ratio: those with few cases share a baseline."""
        names = (*(name for name in self.protocol.plan.strata if name != PRACTICE), PRACTICE)
        return shared_baselines([self.column(name) for name in names])

    def compared(self) -> Compared:
        """The cases as the estimates within strata take them."""
        return Compared(
            times={name: self.times(name) for name in ("success", "wait")},
            arm=self.arm,
            columns={name: self.column(name) for name in estimated_within(self.protocol)},
            protocol=self.protocol,
        )

    def covariates(self) -> dict[str, NDArray[Any]]:
        """The plan's covariates that differ between cases; what was not recorded is a level of its own.

        Raises
        ------
        NotEstimable
            If a measure was not recorded in some cases: it has no level for that, and no value is made up.
        """
        found: dict[str, NDArray[Any]] = {}
        for name in self.protocol.plan.covariates:
            values = self.frame[name]
            if not pd.api.types.is_numeric_dtype(values):
                found[name] = self.column(name)
            elif values.isna().any():
                reason = f"{int(values.isna().sum())} cases have no {name}, which the plan adjusts for"
                raise NotEstimable("hazard_ratio", reason, code="covariate_missing")
            else:
                found[name] = values.to_numpy(dtype=np.float64)
        return {name: values for name, values in found.items() if np.unique(values).size > 1}

    def cluster(self) -> NDArray[np.str_] | None:
        """The plan's cluster of each case; ``None`` where nobody repeats."""
        name = self.protocol.plan.cluster
        if name is None or not len(self.frame):
            return None
        values = self.column(name)
        return values if np.unique(values).size < values.size else None

    def where(self, rows: NDArray[np.bool_] | pd.Series) -> AnalysisSet:
        """The chosen cases."""
        chosen = self.frame.loc[np.asarray(rows, dtype=bool)].reset_index(drop=True)
        return AnalysisSet(frame=chosen, protocol=self.protocol)
