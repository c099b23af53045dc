"""Differences among cases alike, weighted and standardised: of the cases as they are, or of cases drawn anew.

Takes an analysis set and what was recorded of its cases before the injection; gives differences by quantity, other arm
minus reference, or refuses where the arm follows from what was recorded. Limits are made by who draws the cases.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.adjustment.positivity import refuse_nearly_same, refuse_same
from onsetstudy.adjustment.propensity import Design, fit_propensity, overlap_weights
from onsetstudy.core.arrays import BoolArray, FloatArray
from onsetstudy.core.intervals import Intervals
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.hazards.ph_curves import standardise_curves
from onsetstudy.survival.results import OnsetCurve
from onsetstudy.survival.summaries.npmle_proportion import spread_evenly
from onsetstudy.survival.summaries.rmst import wait_to

WORDS = {
    "practice_id": "practice", "clinician_id": "operator", "procedure": "treatment", "pulp_status": "pulp",
    "agent": "drug", "topical": "topical", "age_band": "age",
}  # fmt: skip
EVERY = slice(None)


@dataclass(frozen=True, kw_only=True)
class AlikeCases:
    """Cases as they are, or drawn anew (``strict`` is false): who had which arm, and what was recorded of them.

    ``rows`` are those of the data, ``other`` says of each whether it had the other arm; ``design`` is of all cases.
    """

    data: AnalysisSet
    other: BoolArray
    design: Design
    rows: NDArray[np.intp]
    strict: bool = False

    @cached_property
    def matrix(self) -> FloatArray:
        """What was recorded."""
        return self.design.matrix[self.rows]

    @cached_property
    def chance(self) -> FloatArray:
        """Chance of the other arm."""
        return fit_propensity(self.other, self.matrix, strict=self.strict)

    @cached_property
    def weight(self) -> FloatArray:
        """Overlap weights."""
        return overlap_weights(self.other, self.chance)

    @cached_property
    def score(self) -> FloatArray:
        """Pain, ``nan`` where it is not known."""
        return self.data.pain[self.rows]

    def refuse_unlike(self, used: BoolArray | slice = EVERY) -> None:
        """Refuse cases of whom too few have somebody alike in the other arm, of drawn ones: of whom nobody has."""
        if self.strict:
            design = Design(matrix=self.matrix[used], names=self.design.names)
            refuse_nearly_same(self.other[used], design, WORDS)
        else:
            refuse_same(self.other[used], self.matrix[used])

    def summaries(self, curves_of: Callable[[Intervals], tuple[OnsetCurve, OnsetCurve]]) -> dict[str, float]:
        """Differences in success and wait between two curves, other arm minus reference."""
        onset = self.data.protocol.onset
        success, wait = self.data.times("success"), self.data.times("wait")
        first = curves_of(success.take(self.rows))
        alike = np.array_equal(success.left, wait.left) and np.array_equal(success.right, wait.right)
        second = first if alike else curves_of(wait.take(self.rows))
        return {
            "success_difference": spread_evenly(first[1], onset.target_min) - spread_evenly(first[0], onset.target_min),
            "rmst_difference": wait_to(second[1], onset.tau_min) - wait_to(second[0], onset.tau_min),
        }


def weighted_onset(cases: AlikeCases) -> dict[str, float]:
    """Differences in success and wait, weighted."""
    cases.refuse_unlike()
    weight, sides = cases.weight, (np.flatnonzero(~cases.other), np.flatnonzero(cases.other))

    def curves(times: Intervals) -> tuple[OnsetCurve, OnsetCurve]:
        first, second = (
            fit_npmle(times.take(side), weight=weight[side], weight_kind="probabilities") for side in sides
        )
        return first, second

    return cases.summaries(curves)


def weighted_pain(cases: AlikeCases) -> dict[str, float]:
    """Difference in mean pain, weighted."""
    known = ~np.isnan(cases.score)
    cases.refuse_unlike(known)
    counts = known & (cases.weight > 0)
    sides = [np.flatnonzero(counts & side) for side in (~cases.other, cases.other)]
    if not all(side.size for side in sides):
        return {}
    first, second = (float(np.average(cases.score[side], weights=cases.weight[side])) for side in sides)
    return {"pain_difference": second - first}


def standardised_onset(cases: AlikeCases) -> dict[str, float]:
    """Differences in success and wait, every case predicted under either arm."""
    cases.refuse_unlike()
    protocol, columns = cases.data.protocol, _independent(cases.matrix)
    names = np.array(protocol.arm_codes[:2])[cases.other.astype(np.intp)]
    frame = pd.DataFrame({"arm": names, **{f"x{k}": cases.matrix[:, k] for k in columns}})

    def curves(times: Intervals) -> tuple[OnsetCurve, OnsetCurve]:
        # Cases drawn anew are nobody else's; only the curve of the cases themselves is worth keeping.
        kept = cases.data.work.curves if cases.strict else None
        reference = {"arm": protocol.reference_arm}
        found = standardise_curves(times, frame, by="arm", reference=reference, curves=kept)
        return found[protocol.reference_arm], found[protocol.contrast_arm]

    return cases.summaries(curves)


def standardised_pain(cases: AlikeCases) -> dict[str, float]:
    """Difference in mean pain among cases alike, by a linear model."""
    known = ~np.isnan(cases.score)
    cases.refuse_unlike(known)
    arm, matrix = cases.other[known].astype(np.float64), cases.matrix[known]
    x = np.column_stack((np.ones(arm.size), arm, matrix[:, _independent(matrix)]))
    if x.shape[0] <= x.shape[1]:
        return {}
    return {"pain_difference": float(np.linalg.lstsq(x, cases.score[known], rcond=None)[0][1])}


def _independent(matrix: FloatArray) -> list[int]:
    """Columns that differ between cases and say something new, in order."""
    kept: list[int] = []
    basis = np.ones((matrix.shape[0], 1))
    for k in range(matrix.shape[1]):
        tried = np.column_stack((basis, matrix[:, k]))
        if np.linalg.matrix_rank(tried) > basis.shape[1]:
            basis = tried
            kept.append(k)
    return kept


ONSET, PAIN = ("success_difference", "rmst_difference"), ("pain_difference",)
WAYS = (
    ("weighted", ONSET, weighted_onset),
    ("weighted", PAIN, weighted_pain),
    ("standardised", ONSET, standardised_onset),
    ("standardised", PAIN, standardised_pain),
)
