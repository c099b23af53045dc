"""Results of the outcomes room beyond single estimates."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.core.results import Assumption, Caution, Counts, Estimate, HypothesisTest, NotAvailable, estimates_frame
from onsetstudy.core.serialise import Serialisable, result_kind


@result_kind("pain_scores", arrays=True)
class PainScores:
    """Scores of one arm in increasing order, and how many cases have none."""

    arm: str
    scores: NDArray[np.float64]
    missing: int


@result_kind("pain_comparison")
class PainComparison(Serialisable):
    """Scores of two arms at one moment, their shift and its test.

    ``n.onsets`` counts the cases with a score.
    """

    moment: str
    unit: str
    scores: tuple[PainScores, ...]
    shift: Estimate | NotAvailable
    test: HypothesisTest | NotAvailable
    superiority: Estimate | NotAvailable
    method: str
    n: Counts
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """Shift, probability of superiority and test."""
        return estimates_frame([self.shift, self.superiority, self.test])
