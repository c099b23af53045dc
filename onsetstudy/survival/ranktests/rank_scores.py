"""Scores of the weighted log-rank family for times known only to lie in an interval.

Each case gets one number from the curve of all arms together; a test then asks whether an arm's
numbers add up to more or less than chance would give. Every score is the derivative of the case's log-likelihood
``log(S(left) - S(right))`` when the curve is moved towards earlier onset, so that a positive sum means *sooner*.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csc_array, diags_array
from scipy.sparse.linalg import splu
from scipy.special import xlogy

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.curve.innermost import support_index
from onsetstudy.survival.curve.npmle import Curves

SCORE_FAMILY: dict[str, str] = {
    "logrank": "log-rank (Sun) scores",
    "finkelstein": "log-rank (Finkelstein) scores",
    "wilcoxon": "Wilcoxon-type (proportional odds) scores",
    "early": "early-weighted log-rank scores",
    "by_target": "log-rank scores up to the target minute",
}
"""Readable name of every kind of score."""

EARLY_POWER = 2.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CaseScores:
    """Scores of the cases of one stratum and the curve they come from.

    Parameters
    ----------
    value : ndarray of float, shape (n,)
        Score of each case; the weighted sum over all cases is 0.
    first, last : ndarray of int, shape (n,)
        A case's interval holds the masses ``first`` to ``last - 1`` of the curve.
    survival : ndarray of float, shape (m + 1,)
        Chance of not yet numb before the first mass (1) and after each mass; the last is 0.
    emphasis : ndarray of float, shape (m,)
        Weight of each mass in the log-rank sum.
    kind : str
        A key of :data:`SCORE_FAMILY`.
    determined : bool
        Whether every mass is the same in every maximiser of the likelihood.
    """

    value: FloatArray
    first: IntArray
    last: IntArray
    survival: FloatArray
    emphasis: FloatArray
    kind: str
    determined: bool

    @property
    def chance(self) -> FloatArray:
        """Probability of each case's interval under the pooled curve."""
        return np.asarray(self.survival[self.first] - self.survival[self.last], dtype=np.float64)


def untold(times: Intervals) -> BoolArray:
    """Cases that say nothing: (0, inf] leaves out an onset at 0 only, and there must be one to leave out."""
    anywhere = (times.left == 0) & np.isinf(times.right)
    return np.asarray(anywhere & ~np.any(times.exact & (times.right == 0)), dtype=np.bool_)


def emphasis_of(
    kind: str, survival: FloatArray, left: FloatArray, right: FloatArray, target: float | None
) -> FloatArray:
    """Weight of each mass in the log-rank sum, shape (..., m).

    Parameters
    ----------
    kind : str
        A key of :data:`SCORE_FAMILY`.
    survival : ndarray of float, shape (..., m + 1)
    left, right : ndarray of float, shape (m,) or (..., m)
        The interval that holds each mass.
    target : float or None
        Target minute of ``"by_target"``.

    Raises
    ------
    OnsetStudyError
        If the kind is not known, or its target minute is missing.
    """
    if kind not in SCORE_FAMILY:
        raise OnsetStudyError.of_key(
            "scores", f"the scores {kind!r} are not known", f"choose one of {', '.join(SCORE_FAMILY)}"
        )
    before = survival[..., :-1]
    if kind == "wilcoxon":
        return before
    if kind == "early":
        return np.asarray(before**EARLY_POWER, dtype=np.float64)
    if kind == "by_target":
        if target is None:
            what, mend = 'the scores "by_target" need a target minute', "give target_min, for example target_min=2.0"
            raise OnsetStudyError.of_key("target_min", what, mend)
        width = np.where(right > left, right - left, 1.0)
        share = np.clip((target - left) / width, 0.0, 1.0)
        return np.asarray(np.where(right > left, share, left <= target), dtype=np.float64)
    return np.ones_like(before)


def survival_moves(kind: str, survival: FloatArray, emphasis: FloatArray) -> FloatArray:
    """Derivative of the chance of not yet numb when onset is moved sooner, at effect 0.

    Parameters
    ----------
    kind : str
        A key of :data:`SCORE_FAMILY`.
    survival : ndarray of float, shape (..., m + 1)
        From 1 down to 0.
    emphasis : ndarray of float, shape (..., m)
        Weight of each mass; used by the log-rank sums only.

    Returns
    -------
    ndarray of float, shape (..., m + 1)
        0 at either end. A case's score is the difference of the derivatives at its two ends over its probability.

    Notes
    -----
    With hazards ``h_j = (S_{j-1} - S_j) / S_{j-1}`` it is ``-S_j sum_{i<=j} w_i h_i``: Sun's score for ``w = 1``,
    the Wilcoxon-type score for ``w_i = S_{i-1}`` (the sum telescopes to ``-S_j (1 - S_j)``). Finkelstein's is
    ``S_j log S_j``.
    """
    if kind == "finkelstein":
        return np.asarray(xlogy(survival, survival), dtype=np.float64)
    before, after = survival[..., :-1], survival[..., 1:]
    hazard = np.divide(before - after, before, where=before > 0, out=np.zeros_like(before))
    moves = np.zeros_like(survival)
    moves[..., 1:] = -after * np.cumsum(emphasis * hazard, axis=-1)
    return moves


def case_scores(
    times: Intervals,
    *,
    scores: str = "logrank",
    weight: FloatArray | None = None,
    target_min: float | None = None,
    curves: Curves | None = None,
) -> CaseScores:
    """Scores of the cases of one stratum under the curve of all of them together.

    Parameters
    ----------
    times : Intervals, n cases
        Onset in (left, right], minutes.
    scores : str
        A key of :data:`SCORE_FAMILY`.
    weight : ndarray of float, shape (n,), optional
        How many like cases each row stands for; positive.
    target_min : float, optional
        Target minute of the scores ``"by_target"``; a gap between tests that holds it counts by its share before it.
    curves : Curves, optional
        Those of the work that this belongs to; default: fitted for this call only.

    Returns
    -------
    CaseScores

    Raises
    ------
    OnsetStudyError
        If the kind of scores is not known, or its target minute is missing.

    Notes
    -----
    With ``S`` the pooled curve before and after a case's interval, ``L`` the running sum of hazards:

    - ``"logrank"``: ``(S_r L_r - S_l L_l) / (S_l - S_r)`` [1]_;
    - ``"finkelstein"``: ``(S_l log S_l - S_r log S_r) / (S_l - S_r)``, the score of the grouped proportional hazards
      model at log hazard ratio 0 [2]_;
    - ``"wilcoxon"``: ``S_l + S_r - 1``, the score of proportional odds [3]_;
    - ``"early"``: as ``"logrank"``, each hazard weighted by the square of the chance of not yet numb before it:
      a hazard counts in full at the start, half when 29 % are numb, a quarter when half are numb (the power is
      this package's choice within the family of Harrington and Fleming);
    - ``"by_target"``: as ``"logrank"``, hazards after the target minute count 0: what happens later is
      used to place a case before or after the target only.

    An exact time is the limit of a short interval that ends there.

    References
    ----------
    .. [1] Sun J. Statistics in Medicine 1996; 15:1387-1395.
    .. [2] Finkelstein DM. Biometrics 1986; 42:845-854.
    .. [3] Fay MP. Biometrics 1996; 52:811-822; Fay MP, Shaw PA. Journal of Statistical Software 2010; 36(2).
    """
    curve = (curves or Curves()).fit(times, weight=weight)
    first, inclusive = support_index(times, curve)
    last = inclusive + 1
    # Summed from the late end, so that small late chances keep their digits.
    survival = np.concatenate((np.cumsum(curve.mass[::-1])[::-1], [0.0]))
    survival[0] = 1.0
    emphasis = emphasis_of(scores, survival, curve.left, curve.right, target_min)
    moves = survival_moves(scores, survival, emphasis)
    return CaseScores(
        value=(moves[first] - moves[last]) / (survival[first] - survival[last]),
        first=first,
        last=last,
        survival=survival,
        emphasis=emphasis,
        kind=scores,
        determined=bool(np.all(curve.determined)),
    )


def _second_moves(scored: CaseScores, hazard: FloatArray) -> FloatArray:
    """Second derivative of the chance of not yet numb in the effect, at effect 0, shape (m + 1,)."""
    survival = scored.survival
    if scored.kind == "finkelstein":
        return np.asarray(xlogy(survival, survival) + xlogy(xlogy(survival, survival), survival), dtype=np.float64)
    if scored.kind == "wilcoxon":
        return np.asarray(survival * (1 - survival) * (1 - 2 * survival), dtype=np.float64)
    running = np.concatenate(([0.0], np.cumsum(scored.emphasis * hazard)))
    spread = np.concatenate(([0.0], np.cumsum(scored.emphasis**2 * hazard * (1 - hazard))))
    return np.asarray(survival * (running**2 - spread), dtype=np.float64)


def _through_curve(scored: CaseScores, hazard: FloatArray, slope: FloatArray) -> FloatArray:
    """Chain rule from the moves to the inner chances of the curve: (m - 1, k) from ``slope`` of shape (m + 1, k)."""
    survival = scored.survival[:, None]
    inner = survival[1:-1]
    if scored.kind == "finkelstein":
        return np.asarray((1 + np.log(inner)) * slope[1:-1], dtype=np.float64)
    if scored.kind == "wilcoxon":
        return np.asarray((2 * inner - 1) * slope[1:-1], dtype=np.float64)
    emphasis = scored.emphasis[:, None]
    running = np.cumsum(emphasis * hazard[:, None], axis=0)[:-1]
    later = np.cumsum((survival * slope)[::-1], axis=0)[::-1]
    raised = emphasis[:-1] / survival[:-2] * later[1:-1]
    lowered = emphasis[1:] * survival[2:] / inner**2 * later[2:]
    return np.asarray(-running * slope[1:-1] + raised - lowered, dtype=np.float64)


def score_variance(scored: CaseScores, member: FloatArray, weight: FloatArray) -> FloatArray:
    """Variance of the summed scores of each arm from the observed information, shape (k, k).

    Parameters
    ----------
    scored : CaseScores, n cases
    member : ndarray of float, shape (n, k)
        The weight of each row in the column of its arm, 0 elsewhere; no column for the reference arm.
    weight : ndarray of float, shape (n,)
        How many like cases each row stands for.

    Returns
    -------
    ndarray of float, shape (k, k)

    Notes
    -----
    The information on the effects less what the unknown curve takes from it, at effect 0 and at the pooled curve,
    masses at 0 held there: the curvature of the profile log-likelihood. The model is proportional hazards for
    ``"finkelstein"``, proportional odds of onset for ``"wilcoxon"``, proportional odds of each
    hazard (the discrete Cox model), its log odds moved by the weight, for the others. On exact and right-censored
    times without late entry the variance of ``"logrank"`` is the sum over onset times of
    ``d (n - d) n_1 n_0 / n^3``: the hypergeometric variance of the log-rank test times ``(n - 1) / n``, n being those
    at risk.
    """
    survival, chance = scored.survival, scored.chance
    hazard = (survival[:-1] - survival[1:]) / survival[:-1]
    second = _second_moves(scored, hazard)
    curvature = (second[scored.first] - second[scored.last]) / chance - scored.value**2
    arms = np.diag(-(curvature @ member))
    if survival.size <= 2:
        return arms

    # One row a case: 1 where its interval begins, -1 where it ends; the ends of the curve itself are known.
    ends = (
        np.repeat([1.0, -1.0], chance.size),
        (np.tile(np.arange(chance.size), 2), np.append(scored.first, scored.last)),
    )
    tied = csc_array(ends, shape=(chance.size, survival.size))
    slope = tied.T @ (member / chance[:, None])
    cross = (tied.T @ (member * (scored.value / chance)[:, None]))[1:-1] - _through_curve(scored, hazard, slope)
    inner = tied[:, 1:-1]
    curve = csc_array(inner.T @ (diags_array(weight / chance**2) @ inner))
    variance = arms - cross.T @ splu(curve).solve(cross)
    return np.asarray((variance + variance.T) / 2, dtype=np.float64)
