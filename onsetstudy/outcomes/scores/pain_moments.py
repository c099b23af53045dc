"""Pain at one moment beyond its ranks: painless injections, what is noticeable, adjustment, and missing scores."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy import optimize, stats
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.results import Assumption, Counts, Estimate, EstimateLike, Interval, NotAvailable
from onsetstudy.inference.clusters import too_few_clusters, too_narrow
from onsetstudy.inference.means import Moments, contrast_of_means
from onsetstudy.outcomes.scores.pain import compare_pain
from onsetstudy.outcomes.scores.pain_moment_results import Anxiety, MissingScores, MomentOfPain

__all__ = ["PainRecords", "anxiety_change", "moment_of_pain"]

LEAST = 2
HYBRID = "Newcombe's hybrid of Wilson limits"
ROBUST = "linear model, robust standard errors"
LINEAR = Assumption(name="additive", detail="arm and covariates add up on the scale of the score")
HIGH = {"mdas": 19.0, "das": 15.0}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PainRecords:
    """Scores of one moment; arrays of shape (n,), scores ``nan`` where missing.

    Parameters
    ----------
    score : array of float
    arm : array of str
    reason : array of str
        Why a score is missing, empty where nobody said.
    patient : array of str
        Cases of a patient belong together.
    covariates : mapping of str to array of str
        Codes adjusted for.
    """

    score: FloatArray
    arm: NDArray[np.str_]
    reason: NDArray[np.str_]
    patient: NDArray[np.str_]
    covariates: Mapping[str, NDArray[np.str_]]


def moment_of_pain(
    records: PainRecords,
    *,
    moment: str,
    arms: Sequence[str],
    unit: str,
    painless_at_most: float = 0.0,
    important_difference: float | None = None,
    conf_level: float = 0.95,
) -> MomentOfPain:
    """Everything about pain at one moment.

    Parameters
    ----------
    records : PainRecords, n cases
    moment : str
    arms : sequence of str
        Reference first; differences are second minus first.
    unit : str
    painless_at_most : float
        The highest score that counts as no pain.
    important_difference : float or None
        In units of the scale.
    conf_level : float

    Notes
    -----
    The adjusted difference is of means, by a linear model with standard errors robust to unequal spread (HC3), or to
    cases of one patient (clusters) where patients repeat.
    """
    contrast = f"{arms[1]} - {arms[0]}"
    known = ~np.isnan(records.score)
    n = Counts.of(known, records.arm, arms)
    scores = [records.score[(records.arm == a) & known] for a in arms]
    none = [s <= painless_at_most for s in scores]
    median = float(np.median(scores[0])) if scores[0].size else math.nan
    gain = math.nan if important_difference is None else median - important_difference
    return MomentOfPain(
        moment=moment,
        comparison=compare_pain(
            records.score, records.arm, reference_arm=arms[0], contrast_arm=arms[1], moment=moment, unit=unit,
            conf_level=conf_level,
        ),
        painless=tuple(_share(x, "painless_share", a, n, conf_level) for x, a in zip(none, arms, strict=True)),
        painless_difference=_difference(none, "painless_difference", contrast, n, conf_level),
        noticeably_less=()
        if math.isnan(gain)
        else tuple(
            _share(s <= gain, "noticeably_less", a, n, conf_level) for s, a in zip(scores, arms, strict=True)
        ),
        adjusted=_adjusted(records, known, arms, contrast, unit, n, conf_level),
        missing=_missing(records, known, scores, arms, contrast, unit, n, conf_level),
    )  # fmt: skip


def _gone(quantity: str, contrast: str, unit: str, reason: str, method: str, n: Counts, code: str) -> NotAvailable:
    error = NotEstimable(quantity, reason, code=code)
    return NotAvailable.because(error, contrast=contrast, unit=unit, method=method, n=n)


def _share(hit: NDArray[np.bool_], quantity: str, arm: str, n: Counts, level: float) -> EstimateLike:
    if hit.size == 0:
        return _gone(quantity, arm, "proportion", "no score was recorded", "Wilson", n, "no_scores")
    count = int(hit.sum())
    low, high = proportion_confint(count, hit.size, alpha=1 - level, method="wilson")
    return Estimate(
        quantity=quantity,
        contrast=arm,
        estimate=count / hit.size,
        interval=Interval(low=float(low), high=float(high), level=level, method="Wilson"),
        unit="proportion",
        method=f"{count} of {hit.size} cases with a score",
        n=n,
    )


def _difference(hits: list[NDArray[np.bool_]], quantity: str, contrast: str, n: Counts, level: float) -> EstimateLike:
    reference, other = hits
    if min(reference.size, other.size) == 0:
        return _gone(quantity, contrast, "proportion", "one arm has no score", HYBRID, n, "no_scores")
    counts = (int(other.sum()), other.size, int(reference.sum()), reference.size)
    low, high = confint_proportions_2indep(*counts, compare="diff", method="newcomb", alpha=1 - level)
    return Estimate(
        quantity=quantity,
        contrast=contrast,
        estimate=counts[0] / counts[1] - counts[2] / counts[3],
        interval=Interval(low=float(low), high=float(high), level=level, method=HYBRID),
        p_value=_p_of_interval(counts),
        unit="proportion",
        method=f"{counts[0]} of {counts[1]} against {counts[2]} of {counts[3]}; p by the same interval",
        n=n,
        source="Newcombe 1998, Statistics in Medicine 17:873-890, method 10",
    )


def _p_of_interval(counts: tuple[int, int, int, int]) -> float:
    """Two-sided P: one less the level at which the interval just reaches no difference.

    A test of another kind beside the interval would now and then contradict it.
    """
    difference = counts[0] / counts[1] - counts[2] / counts[3]

    def beyond(alpha: float) -> float:
        low, high = confint_proportions_2indep(*counts, compare="diff", method="newcomb", alpha=alpha)
        return float(low if difference > 0 else -high)

    if difference == 0 or beyond(1 - 1e-9) <= 0:
        return 1.0
    return float(optimize.brentq(beyond, 1e-15, 1 - 1e-9)) if beyond(1e-15) < 0 else 0.0


def _adjusted(
    records: PainRecords,
    known: NDArray[np.bool_],
    arms: Sequence[str],
    contrast: str,
    unit: str,
    n: Counts,
    level: float,
) -> EstimateLike:
    rows = known & np.isin(records.arm, arms)
    columns: dict[str, Any] = {"arm": (records.arm[rows] == arms[1]).astype(np.float64)}
    for name, values in records.covariates.items():
        levels = sorted(set(values[rows]))
        for code in levels[1:]:
            columns[f"{name}={code}"] = (values[rows] == code).astype(np.float64)
    design = pd.DataFrame({"one": np.ones(int(rows.sum())), **columns})
    arm = design["arm"]
    if len(design) <= design.shape[1] + 1 or arm.nunique() < 2:
        return _gone("pain_adjusted", contrast, unit, "too few scores for the covariates", ROBUST, n, "too_few")
    if np.linalg.matrix_rank(design.to_numpy()) < design.shape[1]:
        reason = "the covariates say which arm it was, or each other"
        return _gone("pain_adjusted", contrast, unit, reason, ROBUST, n, "collinear")
    q, _ = np.linalg.qr(design.to_numpy())
    if np.max(np.sum(q**2, axis=1)) > 1 - 1e-9:
        # A case that is alone in what its covariates say fits exactly, and tells nothing of the spread.
        return _gone("pain_adjusted", contrast, unit, "a case is alone with its covariates", ROBUST, n, "too_few")
    patient = records.patient[rows]
    repeats = np.unique(patient).size < patient.size
    model = sm.OLS(records.score[rows], design)
    if repeats:
        fit = model.fit(cov_type="cluster", cov_kwds={"groups": np.unique(patient, return_inverse=True)[1]}, use_t=True)
    else:
        fit = model.fit(cov_type="HC3", use_t=True)
    low, high = (float(v) for v in fit.conf_int(1 - level).loc["arm"])
    error = float(fit.bse["arm"])
    if not math.isfinite(error) or error == 0:
        return _gone("pain_adjusted", contrast, unit, "the scores do not vary", ROBUST, n, "no_spread")
    names = ", ".join(records.covariates) or "nothing"
    clusters = np.unique(patient).size
    few = repeats and too_few_clusters(clusters)
    return Estimate(
        quantity="pain_adjusted",
        contrast=contrast,
        estimate=float(fit.params["arm"]),
        std_error=error,
        interval=Interval(low=low, high=high, level=level, method="clustered" if repeats else "HC3"),
        p_value=None if few else float(fit.pvalues["arm"]),
        unit=unit,
        caution=too_narrow(clusters) if repeats else (),
        method=f"{ROBUST} ({'by patient' if repeats else 'HC3'}), adjusted for {names}",
        n=n,
        assumptions=(LINEAR,),
    )


def _missing(
    records: PainRecords,
    known: NDArray[np.bool_],
    scores: list[FloatArray],
    arms: Sequence[str],
    contrast: str,
    unit: str,
    n: Counts,
    level: float,
) -> MissingScores:
    """Counts by reason and arm, and the tipping points: how far off the missing scores would have to be."""
    lines: dict[tuple[str, str], int] = {}
    for arm, reason in zip(records.arm[~known], records.reason[~known], strict=True):
        if arm in arms:
            key = (str(arm), str(reason) or "not said")
            lines[key] = lines.get(key, 0) + 1
    difference = welch_difference(scores[0], scores[1], "pain_mean_difference", contrast, unit, n, level)
    cases = [int(np.sum(records.arm == a)) for a in arms]
    gone = [all_of - found.size for all_of, found in zip(cases, scores, strict=True)]
    share = [lost / all_of if all_of else 0.0 for lost, all_of in zip(gone, cases, strict=True)]
    tipping: list[float | None] = [None, None, None]
    if isinstance(difference, Estimate) and not difference.interval.low <= 0 <= difference.interval.high:
        bound = difference.interval.high if difference.estimate < 0 else difference.interval.low
        # The mean of all cases of an arm moves by the shift times the share that is missing; up in one arm is as down
        # in the other.
        tipping = [-bound / w if w else math.inf for w in (share[1], -share[0], sum(share))]
    order = {a: k for k, a in enumerate(arms)}
    listed = tuple((*key, count) for key, count in sorted(lines.items(), key=lambda i: (order[i[0][0]], i[0][1])))
    return MissingScores(
        by_reason=listed,
        tipping=tipping[0],
        mean_difference=difference,
        by_arm=tuple((a, lost, all_of) for a, lost, all_of in zip(arms, gone, cases, strict=True)),
        tipping_reference=tipping[1],
        tipping_both=tipping[2],
    )


def welch_difference(
    reference: FloatArray, other: FloatArray, quantity: str, contrast: str, unit: str, n: Counts, level: float
) -> EstimateLike:
    """Difference of the means of two sets of scores, other less reference, by Welch's t."""
    return contrast_of_means(
        [(Moments.of(reference), Moments.of(other))],
        quantity=quantity, contrast=contrast, unit=unit, n=n, conf_level=level, what="scores",
    )  # fmt: skip


def anxiety_change(
    before: FloatArray,
    after: FloatArray,
    arm: NDArray[np.str_],
    *,
    arms: Sequence[str],
    scale: str,
    unit: str,
    conf_level: float = 0.95,
) -> Anxiety:
    """Change within each case, by arm, and the share that was highly anxious before.

    The dental anxiety scales ask how somebody would feel in situations that they imagine: a trait, which no injection
    changes within a visit. Of them the score before is told, and no change.

    Parameters
    ----------
    before, after : ndarray of float, shape (n,)
        Scores, ``nan`` where missing; cases with both count.
    arm : ndarray of str, shape (n,)
    arms : sequence of str
        Reference first.
    scale : str
        ``mdas`` (high from 19), ``das`` (high from 15) or another without a published threshold.

    References
    ----------
    .. [1] Humphris GM and others, BMC Oral Health 2009 and 2013: modified dental anxiety scale, 19 and above high.
    .. [2] Corah NL. Journal of Dental Research 1969;48:596 (from memory): 15 and above high.
    """
    both = ~np.isnan(before) & ~np.isnan(after)
    n = Counts.of(both, arm, arms)
    change = [(after - before)[(arm == a) & both] for a in arms]
    limit = HIGH.get(scale)
    told_before = ~np.isnan(before)
    baseline = tuple(_mean(before[(arm == a) & told_before], a, unit, n, conf_level, "anxiety_before") for a in arms)
    high: tuple[EstimateLike, ...] = ()
    if limit is not None:
        high = tuple(_share(before[(arm == a) & told_before] >= limit, "high_anxiety", a, n, conf_level) for a in arms)
    if scale in HIGH:
        reason = "the scale is of a trait, which is not measured by what changes within a visit"
        contrast = f"{arms[1]} - {arms[0]}"
        gone = _gone("anxiety_change", contrast, unit, reason, "none", n, "trait")
        return Anxiety(change=(), difference=gone, high_before=high, threshold=limit, before=baseline)
    return Anxiety(
        before=baseline,
        change=tuple(_mean(c, a, unit, n, conf_level) for c, a in zip(change, arms, strict=True)),
        difference=welch_difference(
            change[0], change[1], "anxiety_change", f"{arms[1]} - {arms[0]}", unit, n, conf_level
        ),
        high_before=high,
        threshold=limit,
    )


def _mean(
    values: FloatArray, arm: str, unit: str, n: Counts, level: float, quantity: str = "anxiety_change"
) -> EstimateLike:
    if values.size < LEAST or values.std() == 0:
        return _gone(quantity, arm, unit, "too few scores, or all alike", "mean", n, "too_few")
    error = float(values.std(ddof=1) / np.sqrt(values.size))
    half = float(stats.t.ppf((1 + level) / 2, values.size - 1)) * error
    return Estimate(
        quantity=quantity,
        contrast=arm,
        estimate=float(values.mean()),
        std_error=error,
        interval=Interval(low=float(values.mean()) - half, high=float(values.mean()) + half, level=level, method="t"),
        unit=unit,
        method="mean change within cases" if quantity == "anxiety_change" else "mean of scores",
        n=n,
    )
