"""How much wider intervals become where cases of a cluster, such as a patient, are taken together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats

from onsetstudy.core.arrays import BoolArray, FloatArray
from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.inference.means import satterthwaite
from onsetstudy.survival.curve.functionals import influence_values
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.results import OnsetCurve
from onsetstudy.survival.summaries.rmst import waits_of_masses
from onsetstudy.survival.summaries.standardisation import ArmedCases, sort_arms


@dataclass(frozen=True, slots=True, kw_only=True)
class ClusterSpread:
    """Standard error with cases of a cluster together over that with every case by itself, and degrees of freedom.

    ``ratio`` is 1 at the least: a gain of patients who had both arms is not taken, as few clusters tell it badly.
    ``freedom`` is Welch's with clusters as units, ``alone`` with cases.
    """

    ratio: float
    freedom: float
    alone: float

    def stretch(self, conf_level: float, *, student: bool) -> float:
        """Factor for the distance of either limit from the estimate.

        ``student``: the interval to be stretched is by Student's t with cases as units, otherwise by the normal
        distribution.
        """
        p = 0.5 + conf_level / 2
        before = stats.t.ppf(p, self.alone) if student and np.isfinite(self.alone) else special.ndtri(p)
        after = stats.t.ppf(p, self.freedom) if np.isfinite(self.freedom) else special.ndtri(p)
        return float(self.ratio * max(1.0, after / before))


def numb_by(curve: OnsetCurve, minute: float) -> FloatArray:
    """Whether each innermost interval has ended by the minute; half where it goes on beyond it."""
    found: FloatArray = (curve.right <= minute) + 0.5 * ((curve.left < minute) & (curve.right > minute))
    # Onset that was never seen comes after the minute.
    return np.where(np.isinf(curve.right), 0.0, found)


def case_influences(
    followed: ArmedCases, name: str, minute: float, *, waits: bool, curves: Curves
) -> tuple[FloatArray, BoolArray]:
    """What each case adds to the error of an arm's wait up to the minute, or of its proportion by it; who was tested.

    Returns
    -------
    tuple of ndarray, shapes (n,)
        0 for the cases of other arms.
    """
    own, inside = np.zeros(len(followed.times)), np.zeros(len(followed.times), dtype=bool)
    for rows, share in zip(followed.rows(name), followed.mix, strict=True):
        part = followed.times.take(rows)
        curve = curves.fit(part)
        value = waits_of_masses(curve, minute)[1] if waits else numb_by(curve, minute)
        own[rows], inside[rows] = share * influence_values(part, curve, value), part.tested
    return own, inside


@takes_cases("stratum", "cluster")
def cluster_spread(
    times: Intervals,
    arm: ArrayLike,
    cluster: ArrayLike,
    *,
    reference_arm: str,
    minute: float,
    grace_min: float,
    waits: bool,
    stratum: ArrayLike | None = None,
    curves: Curves | None = None,
) -> tuple[ClusterSpread, ...]:
    """Spread of each arm's number, reference first, then of the difference of the first two.

    Parameters
    ----------
    times : Intervals, n rows
    arm, cluster, stratum : array_like of str, shape (n,)
    minute : float
        The horizon of the restricted mean (``waits``), or the minute of the proportion.
    grace_min, curves
        As in the estimate whose interval is stretched.

    Raises
    ------
    NotEstimable
        If all cases of an arm belong to one cluster.

    Notes
    -----
    Influence values of the curve's functional are added up within clusters, over arms and strata (Williams 2000,
    Biometrics 56:645; from memory), with G/(G - 1) in each arm. Shares of the strata are taken as fixed.
    """
    cases = sort_arms(times, arm, reference_arm=reference_arm, stratum=stratum)
    followed, _ = cases.follow_to(minute, grace_min)
    whose = np.unique(np.asarray(cluster), return_inverse=True)[1]
    curves = curves or Curves()
    single, summed = list[tuple[FloatArray, int]](), list[tuple[FloatArray, int]]()
    for name in cases.arms[:2]:
        own, inside = case_influences(followed, name, minute, waits=waits, curves=curves)
        if np.unique(whose[inside]).size < 2:
            raise NotEstimable(
                "rmst" if waits else "success", f"all cases of the arm {name} belong to one patient or cluster",
                code="too_few_clusters",
            )  # fmt: skip
        single.append((own[inside], int(inside.sum())))
        summed.append((np.bincount(whose, own).astype(np.float64), int(np.unique(whose[inside]).size)))
    shared = 2 * float(summed[0][0] @ summed[1][0])
    # What a patient's two arms share enters the difference with the other sign.
    return (*(_spread([s], [c], 0.0) for s, c in zip(single, summed, strict=True)), _spread(single, summed, -shared))


def _spread(
    single: Sequence[tuple[FloatArray, int]], summed: Sequence[tuple[FloatArray, int]], shared: float
) -> ClusterSpread:
    alone = [(float(psi @ psi) * n / (n - 1), n - 1) for psi, n in single]
    together = [(float(psi @ psi) * g / (g - 1), g - 1) for psi, g in summed]
    before, after = sum(v for v, _ in alone), sum(v for v, _ in together) + shared
    ratio = float(np.sqrt(max(1.0, after / before))) if before > 0 else 1.0
    return ClusterSpread(ratio=ratio, freedom=satterthwaite(together), alone=satterthwaite(alone))
