"""Pain in ordered bands: one odds ratio for all of them, and whether one fits."""

from __future__ import annotations

import math
import warnings

import numpy as np
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy import stats
from statsmodels.miscmodels.ordinal_model import OrderedModel

from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.results import Assumption, Counts, Estimate, HypothesisTest, Interval, NotAvailable
from onsetstudy.outcomes.comfort_results import ProportionalOdds

__all__ = ["BANDS", "proportional_odds", "to_bands"]

FloatArray = NDArray[np.float64]
EstimateLike = Estimate | NotAvailable
METHOD = "proportional odds (ordered logit), maximum likelihood"
ONE_RATIO = Assumption(name="proportional odds", detail="one odds ratio at every cut between bands")
GRADIENT = 1e-4
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
    ends = np.array(BANDS[scale][0])
    band = np.searchsorted(ends, score, side="left").astype(np.float64)
    return np.where(np.isnan(score), np.nan, band)


def proportional_odds(
    score: FloatArray,
    arm: NDArray[np.str_],
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
    n = Counts.of(rows, arm, (reference_arm, contrast_arm))
    contrast = f"{contrast_arm} / {reference_arm}"
    names = BANDS[scale][1]
    used = np.unique(y)
    cuts = [(f"above {names[c]}", y > c) for c in used[:-1]]
    single = [(name, _logit(hit, x, contrast, n, conf_level)) for name, hit in cuts]
    return ProportionalOdds(
        moment=moment,
        bands=names,
        odds_ratio=_ordered(y, x, contrast, n, conf_level),
        by_band=tuple(single),
        check=_brant(cuts, x, contrast, n),
    )


def _gone(reason: str, contrast: str, n: Counts, code: str) -> NotAvailable:
    error = NotEstimable("pain_odds_ratio", reason, code=code)
    return NotAvailable.because(error, contrast=contrast, unit="ratio", method=METHOD, n=n)


def _estimate(beta: float, error: float, contrast: str, n: Counts, level: float, method: str) -> Estimate:
    half = float(stats.norm.isf((1 - level) / 2)) * error
    return Estimate(
        quantity="pain_odds_ratio",
        contrast=contrast,
        estimate=math.exp(beta),
        std_error=error,
        interval=Interval(low=math.exp(beta - half), high=math.exp(beta + half), level=level, method="Wald, log scale"),
        p_value=float(2 * stats.norm.sf(abs(beta) / error)),
        unit="ratio",
        method=method,
        n=n,
        assumptions=(ONE_RATIO,),
        source="McCullagh 1980",
    )


def _separated(y: NDArray[np.int64], x: FloatArray) -> bool:
    """Whether one arm's bands all lie at or beyond the other's, so that no finite ratio fits best."""
    a, b = y[x == 0], y[x == 1]
    return bool(a.max() <= b.min() or b.max() <= a.min())


def _ordered(y: NDArray[np.int64], x: FloatArray, contrast: str, n: Counts, level: float) -> EstimateLike:
    if np.unique(x).size < 2 or np.unique(y).size < 2:
        return _gone("one arm has no score, or all scores lie in one band", contrast, n, "no_scores")
    if _separated(y, x):
        return _gone(
            "the arms' bands do not overlap, so that the ratio has no bound on one side", contrast, n, "separation"
        )
    codes = np.unique(y, return_inverse=True)[1]
    model = OrderedModel(codes, x[:, None], distr="logit")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = model.fit(method="bfgs", disp=False, maxiter=500, gtol=1e-8)
    gradient = float(np.max(np.abs(model.score(fit.params))))
    error = float(fit.bse[0])
    if gradient > GRADIENT * max(1, codes.size) or not math.isfinite(error) or error <= 0:
        return _gone("the fit did not reach its optimum", contrast, n, "not_converged")
    return _estimate(float(fit.params[0]), error, contrast, n, level, METHOD)


def _logit(hit: NDArray[np.bool_], x: FloatArray, contrast: str, n: Counts, level: float) -> EstimateLike:
    """Odds ratio at one cut, from the fourfold table."""
    a, b = int(np.sum(hit & (x == 1))), int(np.sum(~hit & (x == 1)))
    c, d = int(np.sum(hit & (x == 0))), int(np.sum(~hit & (x == 0)))
    if min(a, b, c, d) == 0:
        return _gone("one arm has nobody on one side of this cut", contrast, n, "separation")
    error = math.sqrt(1 / a + 1 / b + 1 / c + 1 / d)
    return _estimate(math.log(a * d / (b * c)), error, contrast, n, level, "odds ratio of one fourfold table")


def _brant(
    cuts: list[tuple[str, NDArray[np.bool_]]], x: FloatArray, contrast: str, n: Counts
) -> HypothesisTest | NotAvailable:
    """Whether the log odds ratios at the cuts differ by more than chance, their correlation allowed for."""
    if len(cuts) < 2 or np.unique(x).size < 2:
        return _gone("it takes three bands to compare their ratios", contrast, n, "one_cut")
    design = sm.add_constant(x)
    beta, chance = [], []
    for _, hit in cuts:
        if any(np.unique(hit[x == v]).size < 2 for v in (0, 1)):
            return _gone(
                "one arm has nobody on one side of a cut, so that the ratios cannot be compared",
                contrast,
                n,
                "separation",
            )
        fit = sm.GLM(hit.astype(np.float64), design, family=sm.families.Binomial()).fit()
        beta.append(float(fit.params[1]))
        chance.append(np.asarray(fit.fittedvalues, dtype=np.float64))
    k = len(cuts)
    covariance = np.empty((k, k))
    inverse = [np.linalg.inv(design.T @ (p * (1 - p) * design.T).T) for p in chance]
    for i in range(k):
        for j in range(i, k):
            # Exceeding the later cut implies exceeding the earlier one.
            weight = chance[j] * (1 - chance[i])
            part = inverse[i] @ (design.T @ (weight[:, None] * design)) @ inverse[j]
            covariance[i, j] = covariance[j, i] = part[1, 1]
    apart = np.diff(np.eye(k), axis=0)
    difference = apart @ np.array(beta)
    statistic = float(difference @ np.linalg.solve(apart @ covariance @ apart.T, difference))
    return HypothesisTest(
        quantity="proportional_odds_check",
        contrast=contrast,
        statistic=statistic,
        statistic_name="chi-square",
        df=k - 1,
        p_value=float(stats.chi2.sf(statistic, k - 1)),
        alternative="the ratios differ between cuts",
        method="Brant's test of proportional odds",
        n=n,
        source="Brant 1990",
    )
