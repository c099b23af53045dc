"""Pain in ordered bands: one odds ratio for all of them, and whether one fits."""

from __future__ import annotations

import math

import numpy as np
from scipy import special, stats

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray, StrArray
from onsetstudy.core.results import Assumption, Counts, Estimate, EstimateLike, HypothesisTest, NotAvailable
from onsetstudy.inference.likelihood import wald_ratio
from onsetstudy.inference.parameter import Parameter, Told
from onsetstudy.outcomes.scores.pain_moment_results import ProportionalOdds

METHOD = "proportional odds (ordered logit), maximum likelihood"
ONE_RATIO = Assumption(name="proportional odds", detail="one odds ratio at every cut between bands")
GRADIENT = 1e-4
STEPS, SMALL_GRADIENT, SHORTEST = 100, 1e-10, 1e-10
BANDS: dict[str, tuple[tuple[float, ...], tuple[str, ...]]] = {
    "hp170": ((0.0, 54.0, 113.999), ("none", "mild", "moderate", "severe")),
    "vrs4": ((0.0, 1.0, 2.0), ("none", "mild", "moderate", "severe")),
    "nrs11": ((0.0, 3.0, 6.0), ("0", "1 to 3", "4 to 6", "7 to 10")),
    "vas100": ((0.0, 30.0, 60.0), ("0", "up to 30", "up to 60", "above 60")),
    "faces": ((0.0, 2.0, 6.0), ("0", "2", "4 to 6", "8 to 10")),
}
"""Upper ends of all bands but the last, and their names.

Heft-Parker line: none 0, mild to 54, moderate below 114, severe from 114 (Heft & Parker 1984; 54 found, the rest from
memory). The bands of the other scales are common practice, no source.
"""


def to_bands(score: FloatArray, scale: str) -> FloatArray:
    """Number of the band of each score, from 0; ``nan`` where missing."""
    band = np.searchsorted(np.array(BANDS[scale][0]), score, side="left").astype(np.float64)
    return np.where(np.isnan(score), np.nan, band)


def proportional_odds(
    score: FloatArray,
    arm: StrArray,
    *,
    scale: str,
    moment: str,
    reference_arm: str,
    contrast_arm: str,
    conf_level: float = 0.95,
) -> ProportionalOdds:
    """Odds of a higher band, contrast arm over reference arm.

    Parameters
    ----------
    score : ndarray of float, shape (n,)
        ``nan`` where missing.
    arm : ndarray of str, shape (n,)
    scale : str
        A key of ``BANDS``.

    Returns
    -------
    ProportionalOdds
        Below 1: less pain. ``check`` compares the ratios at the single cuts (Brant's test with one covariate).

    References
    ----------
    .. [1] McCullagh P. Regression models for ordinal data. Journal of the Royal Statistical Society B 1980;42:109-42.
    .. [2] Brant R. Biometrics 1990;46:1171-8 (from memory).
    """
    band = to_bands(np.asarray(score, dtype=np.float64), scale)
    rows = ~np.isnan(band) & np.isin(arm, (reference_arm, contrast_arm))
    y, x = band[rows].astype(np.int64), (arm[rows] == contrast_arm).astype(np.float64)
    n, contrast = Counts.of(rows, arm, (reference_arm, contrast_arm)), f"{contrast_arm} / {reference_arm}"
    of = Parameter(quantity="pain_odds_ratio", contrast=contrast, unit="ratio", n=n, conf_level=conf_level)
    names = BANDS[scale][1]
    cuts = [(f"above {names[c]}", y > c) for c in np.unique(y)[:-1]]
    return ProportionalOdds(
        moment=moment,
        bands=names,
        odds_ratio=_ordered(y, x, of),
        by_band=tuple((name, _logit(hit, x, of)) for name, hit in cuts),
        check=_brant([hit for _, hit in cuts], x, of),
    )


def _estimate(beta: float, error: float, of: Parameter, method: str) -> Estimate:
    told = Told(method=method, n=of.n, assumptions=(ONE_RATIO,), source="McCullagh 1980")
    return wald_ratio(of.quantity, of.contrast, beta, error, of.conf_level, **told)


def _ordered(y: IntArray, x: FloatArray, of: Parameter) -> EstimateLike:
    if np.unique(x).size < 2 or np.unique(y).size < 2:
        reason = "one arm has no score, or all scores lie in one band"
        return of.absent(reason, code="no_scores", method=METHOD)
    reference, other = y[x == 0], y[x == 1]
    if reference.max() <= other.min() or other.max() <= reference.min():
        reason = "one arm's bands all lie at or beyond the other's, so that the ratio has no bound on one side"
        return of.absent(reason, code="separation", method=METHOD)
    codes = np.unique(y, return_inverse=True)[1]
    table = np.stack([np.bincount(codes[x == a], minlength=codes.max() + 1) for a in (0, 1)]).astype(np.float64)
    beta, error, gradient = _maximum(table)
    if gradient > GRADIENT * max(1, codes.size) or not math.isfinite(error) or error <= 0:
        return of.absent("the fit did not reach its optimum", code="not_converged", method=METHOD)
    return _estimate(beta, error, of, METHOD)


def _maximum(table: FloatArray) -> tuple[float, float, float]:
    """Log odds ratio, its standard error and the gradient left, by Newton steps on counts of bands by arm.

    The log-likelihood is concave in the cuts and the log odds ratio together (Pratt 1981, JASA 76:103-6, from memory),
    so that a step that makes it smaller is only too long.
    """
    below = np.cumsum(table.sum(axis=0))[:-1] / table.sum()
    theta = np.append(special.logit(below), 0.0)
    value, gradient, curvature = _ordered_parts(theta, table)
    for _ in range(STEPS):
        if float(np.max(np.abs(gradient))) <= SMALL_GRADIENT * table.sum():
            break
        step = np.linalg.solve(curvature, gradient)
        length = 1.0
        while length > SHORTEST:
            found = _ordered_parts(theta + length * step, table)
            if found[0] >= value:
                theta, (value, gradient, curvature) = theta + length * step, found
                break
            length /= 2
        else:
            break
    variance = float(np.linalg.inv(curvature)[-1, -1])
    return float(theta[-1]), math.sqrt(max(variance, 0.0)), float(np.max(np.abs(gradient)))


def _ordered_parts(theta: FloatArray, table: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Log-likelihood, gradient and observed information; minus infinity where the cuts are out of order."""
    cuts, bands = theta.size - 1, theta.size
    if np.any(np.diff(theta[:-1]) <= 0):
        return -math.inf, np.zeros(bands), np.eye(bands)
    value, gradient, curvature = 0.0, np.zeros(bands), np.zeros((bands, bands))
    for arm, counts in enumerate(table):
        # Cut b of this arm lies at c_b less the log odds ratio; below the first band is nothing, above the last all.
        slope = np.hstack((np.eye(cuts), np.full((cuts, 1), -float(arm))))
        share = special.expit(slope @ theta)
        density = share * (1 - share)
        chance = np.diff(np.concatenate(([0.0], share, [1.0])))
        if np.any(chance <= 0):
            return -math.inf, np.zeros(bands), np.eye(bands)
        first = np.diff(density[:, None] * slope, axis=0, prepend=0, append=0)
        pull = counts / chance
        value += float(counts @ np.log(chance))
        gradient += pull @ first
        curvature += (first * (pull / chance)[:, None]).T @ first
        bend = density * (1 - 2 * share) * (pull[:-1] - pull[1:])
        curvature -= (slope * bend[:, None]).T @ slope
    return value, gradient, curvature


def _logit(hit: BoolArray, x: FloatArray, of: Parameter) -> EstimateLike:
    """Odds ratio at one cut, from the fourfold table."""
    a, b, c, d = (int(np.sum(above & (x == arm))) for arm in (1, 0) for above in (hit, ~hit))
    if min(a, b, c, d) == 0:
        return of.absent("one arm has nobody on one side of this cut", code="separation", method=METHOD)
    error = math.sqrt(1 / a + 1 / b + 1 / c + 1 / d)
    return _estimate(math.log(a * d / (b * c)), error, of, "odds ratio of one fourfold table")


def _brant(cuts: list[BoolArray], x: FloatArray, of: Parameter) -> HypothesisTest | NotAvailable:
    """Whether the log odds ratios at the cuts differ by more than chance, their correlation allowed for."""
    if len(cuts) < 2 or np.unique(x).size < 2:
        return of.absent("it takes three bands to compare their ratios", code="one_cut", method=METHOD)
    share = np.array([[float(np.mean(hit[x == v])) for hit in cuts] for v in (0, 1)])
    if np.any((share <= 0) | (share >= 1)):
        reason = "one arm has nobody on one side of a cut, so that the ratios cannot be compared"
        return of.absent(reason, code="separation", method=METHOD)
    # With two arms the fit at a cut is the share of each arm itself. Exceeding the later cut implies exceeding the
    # earlier one, so that shares i and j > i of one arm have the covariance p_j (1 - p_i) / n, and their log odds
    # 1 / (n p_i (1 - p_j)).
    k = len(cuts)
    size = np.array([np.sum(x == v) for v in (0, 1)], dtype=np.float64)
    beta = special.logit(share[1]) - special.logit(share[0])
    early, late = np.minimum.outer(np.arange(k), np.arange(k)), np.maximum.outer(np.arange(k), np.arange(k))
    covariance = np.sum(1 / (size[:, None, None] * share[:, early] * (1 - share[:, late])), axis=0)
    apart = np.diff(np.eye(k), axis=0)
    difference = apart @ beta
    statistic = float(difference @ np.linalg.solve(apart @ covariance @ apart.T, difference))
    return HypothesisTest(
        quantity="proportional_odds_check",
        contrast=of.contrast,
        statistic=statistic,
        statistic_name="chi-square",
        df=k - 1,
        p_value=float(stats.chi2.sf(statistic, k - 1)),
        alternative="the ratios differ between cuts",
        method="Brant's test of proportional odds",
        n=of.n,
        source="Brant 1990",
    )
