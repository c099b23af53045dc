"""Success and wait of weighted cases, from the weighted curve of onset."""

from __future__ import annotations

import numpy as np

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.results import OnsetCurve
from onsetstudy.survival.summaries.restricted_mean import waits_of_masses

__all__ = ["share_by", "wait_to", "weighted_curve"]


def weighted_curve(times: Intervals, weight: FloatArray) -> OnsetCurve:
    """Curve of cases with weights above 0.

    Raises
    ------
    NotEstimable
        If no weight is above 0, or the fit is not certified.
    """
    used = weight > 0
    if not used.any():
        raise NotEstimable("onset_curve", "no case has a weight", code="no_cases")
    return fit_npmle(times.take(np.flatnonzero(used)), weight=weight[used], weight_kind="probabilities")


def share_by(curve: OnsetCurve, target_min: float) -> float:
    """Share numb by a minute; a mass whose interval spans it counts with the part before it."""
    width = curve.right - curve.left
    finite = np.isfinite(width) & (width > 0)
    part = np.where(finite, (target_min - curve.left) / np.where(finite, width, 1.0), curve.right <= target_min)
    return float(np.sum(curve.mass * np.clip(part, 0.0, 1.0)))


def wait_to(curve: OnsetCurve, tau_min: float) -> float:
    """Restricted restricted mean time to onset up to a horizon, minutes, masses spread evenly."""
    return float(np.sum(curve.mass * waits_of_masses(curve, tau_min)[1]))
