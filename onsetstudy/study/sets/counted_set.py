"""Counts of like cases, as files hold them, in the form in which rows are analysed."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import FloatArray, IntArray
from onsetstudy.core.intervals import Intervals
from onsetstudy.study.sets.analysis_set import PRACTICE, AnalysisSet, by_one_minute

VALUES = (PRACTICE, "quantity", "arm", "known", "value", "n")
TREATMENT = "treatment_success"
"""Values of treatments: 1 of one that succeeded, 0 of one that did not."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CountedSet(AnalysisSet):
    """Counts of the cases of one practice or of several.

    ``frame`` holds the cells: a row stands for ``n`` cases that are alike in all its other columns. ``values`` are the
    scores, minutes and treatments, which carry no quarter and belong to no cell. Of like cases nobody knows which are
    of the same patient: clusters, blocks and covariates are those of rows alone.
    """

    values: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=VALUES))

    def _interval(self, name: str) -> Intervals:
        left, right = (np.asarray(self.frame[f"{end}_{name}"], dtype=np.float64) for end in ("left", "right"))
        return Intervals(left, np.where(np.isnan(right), np.inf, right))

    def two_arms(self) -> CountedSet:
        """The cases of the arms that are compared."""
        return self.where(np.isin(self.arm, self.protocol.arm_codes[:2]))

    def of_practice(self, practice: str) -> CountedSet:
        """What one practice has sent."""
        chosen = self.values[self.values[PRACTICE] == practice]
        return replace(self.where(self.frame[PRACTICE] == practice), values=chosen)

    @property
    def weight(self) -> IntArray:
        """How many like cases each row stands for."""
        return self.frame["n"].to_numpy(dtype=np.int64)

    @property
    def watched(self) -> FloatArray:
        """Until which minute each case was tested, and had not been seen numb, as far as its interval tells."""
        times = self.times("hazard")
        return np.where(np.isfinite(times.right), times.right, times.left)

    def cluster(self) -> None:
        """Nobody's: counts do not tell who came again."""

    def block(self) -> None:
        """None: counts do not tell which cases are of one patient."""

    def pairs(self) -> None:
        """None, for the same reason."""

    def covariates(self) -> dict[str, Any]:
        """None: cells are of what the plan compares within, and of nothing else."""
        return {}

    def treated(self) -> CountedSet:
        """The cases of which it is known whether their treatment succeeded, with that in place of onset."""
        rows = self.values[
            (self.values["quantity"] == TREATMENT) & self.values["arm"].isin(self.protocol.arm_codes[:2])
        ]
        return replace(self, frame=rows, onset={"treatment": by_one_minute(rows["value"].to_numpy() == 1)})
