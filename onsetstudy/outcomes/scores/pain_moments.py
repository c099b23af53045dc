"""Pain at one moment beyond its ranks: painless injections, what is noticeable, adjustment, and missing scores."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
import statsmodels.api as sm

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray, StrArray
from onsetstudy.core.results import Assumption, Counts, Estimate, EstimateLike
from onsetstudy.inference.clusters import too_few_clusters, too_narrow
from onsetstudy.inference.means import LEAST, Moments, contrast_of_means, does_not_vary
from onsetstudy.inference.parameter import Parameter
from onsetstudy.inference.proportions import newcombe_difference, p_of_limits
from onsetstudy.outcomes.scores.pain import compare_pain
from onsetstudy.outcomes.scores.pain_moment_results import Anxiety, MissingScores, MomentOfPain
from onsetstudy.outcomes.scores.within_patient import compared_within, mean_within_patients
from onsetstudy.outcomes.summaries import HYBRID, WILSON, mean_of, share_difference, share_of

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
    pairs : array of int, shape (patients, 2), or None
        Row of each patient's case in either arm, reference first, where each has both: compared within patients.
    """

    score: FloatArray
    arm: StrArray
    reason: StrArray
    patient: StrArray
    covariates: Mapping[str, StrArray]
    pairs: IntArray | None = None


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
    known = ~np.isnan(records.score)
    n = Counts.of(known, records.arm, arms)
    scores = [records.score[(records.arm == a) & known] for a in arms]
    none = [s <= painless_at_most for s in scores]
    noticeable = {}
    if important_difference is not None and scores[0].size:
        gain = float(np.median(scores[0])) - important_difference
        noticeable = {a: s <= gain for a, s in zip(arms, scores, strict=True)}

    def of(quantity: str, contrast: str = f"{arms[1]} - {arms[0]}", unit: str = "proportion") -> Parameter:
        return Parameter(quantity=quantity, contrast=contrast, unit=unit, n=n, conf_level=conf_level)

    comparison = compare_pain(
        records.score, records.arm, reference_arm=arms[0], contrast_arm=arms[1], moment=moment, unit=unit,
        conf_level=conf_level,
    )  # fmt: skip
    if records.pairs is not None:
        comparison = compared_within(comparison, records.score, records.pairs, arms=arms, conf_level=conf_level)
    return MomentOfPain(
        moment=moment,
        comparison=comparison,
        painless=tuple(_share(x, of("painless_share", a)) for a, x in zip(arms, none, strict=True)),
        painless_difference=_difference(none, of("painless_difference")),
        noticeably_less=tuple(_share(x, of("noticeably_less", a)) for a, x in noticeable.items()),
        adjusted=_adjusted(records, known, arms, of("pain_adjusted", unit=unit)),
        missing=_missing(records, known, scores, arms, of("pain_mean_difference", unit=unit)),
    )


def _share(hit: BoolArray, of: Parameter) -> EstimateLike:
    if hit.size == 0:
        return of.absent("no score was recorded", code="no_scores", method=WILSON)
    count = int(hit.sum())
    return share_of((count, hit.size), of, method=f"{count} of {hit.size} cases with a score")


def _difference(hits: list[BoolArray], of: Parameter) -> EstimateLike:
    reference, other = ((int(hit.sum()), hit.size) for hit in hits)
    if min(reference[1], other[1]) == 0:
        return of.absent("one arm has no score", code="no_scores", method=HYBRID)
    # A test of another kind beside the interval would now and then contradict it.
    difference = other[0] / other[1] - reference[0] / reference[1]
    p_value = p_of_limits(lambda alpha: newcombe_difference(*other, *reference, 1 - alpha), difference)
    return share_difference(other, reference, of, p_value=p_value, p_method="; p by the same interval")


def _adjusted(records: PainRecords, known: BoolArray, arms: Sequence[str], of: Parameter) -> EstimateLike:
    rows = known & np.isin(records.arm, arms)
    arm = (records.arm[rows] == arms[1]).astype(np.float64)
    told = pd.DataFrame({"arm": arm, **{name: values[rows] for name, values in records.covariates.items()}})
    design = pd.get_dummies(told, drop_first=True, dtype=float).assign(one=1.0)
    gone = partial(of.absent, method=ROBUST)
    if len(design) <= design.shape[1] + 1 or np.unique(arm).size < 2:
        return gone("too few scores for the covariates", code="too_few")
    if np.linalg.matrix_rank(design.to_numpy()) < design.shape[1]:
        return gone("the covariates say which arm it was, or each other", code="collinear")
    q, _ = np.linalg.qr(design.to_numpy())
    if np.max(np.sum(q**2, axis=1)) > 1 - 1e-9:
        # A case that is alone in what its covariates say fits exactly, and tells nothing of the spread.
        return gone("a case is alone with its covariates", code="too_few")
    patients, patient = np.unique(records.patient[rows], return_inverse=True)
    repeats = patients.size < patient.size
    robust: dict[str, Any] = {"cov_type": "HC3"}
    if repeats:
        robust = {"cov_type": "cluster", "cov_kwds": {"groups": patient}}
    fit = sm.OLS(records.score[rows], design).fit(use_t=True, **robust)
    error = float(fit.bse["arm"])
    if not math.isfinite(error) or does_not_vary(error, records.score[rows]):
        return gone("the scores do not vary", code="no_spread")
    few = repeats and too_few_clusters(patients.size)
    return of.estimate(
        float(fit.params["arm"]),
        fit.conf_int(1 - of.conf_level).loc["arm"],
        by="clustered" if repeats else "HC3",
        std_error=error,
        p_value=None if few else float(fit.pvalues["arm"]),
        caution=too_narrow(patients.size) if repeats else (),
        method=f"{ROBUST} ({'by patient' if repeats else 'HC3'}), adjusted for "
        f"{', '.join(records.covariates) or 'nothing'}",
        assumptions=(LINEAR,),
    )


def _missing(
    records: PainRecords, known: BoolArray, scores: list[FloatArray], arms: Sequence[str], of: Parameter
) -> MissingScores:
    """Counts by reason and arm, and the tipping points: how far off the missing scores would have to be."""
    lines = Counter(
        (str(arm), str(reason) or "not said")
        for arm, reason in zip(records.arm[~known], records.reason[~known], strict=True)
        if arm in arms
    )
    difference = (
        welch_difference(scores, of)
        if records.pairs is None
        else mean_within_patients(records.score, records.pairs, of)
    )
    cases = [int(np.sum(records.arm == a)) for a in arms]
    gone = [all_of - found.size for all_of, found in zip(cases, scores, strict=True)]
    share = [lost / all_of if all_of else 0.0 for lost, all_of in zip(gone, cases, strict=True)]
    tipping: list[float | None] = [None, None, None]
    if isinstance(difference, Estimate) and not difference.interval.low <= 0 <= difference.interval.high:
        bound = difference.interval.high if difference.estimate < 0 else difference.interval.low
        # The mean of all cases of an arm moves by the shift times the share that is missing; up in one arm is as down
        # in the other.
        tipping = [-bound / w if w else math.inf for w in (share[1], -share[0], sum(share))]
    in_order = sorted(lines.items(), key=lambda line: (arms.index(line[0][0]), line[0][1]))
    return MissingScores(
        by_reason=tuple((*key, count) for key, count in in_order),
        tipping=tipping[0],
        mean_difference=difference,
        by_arm=tuple((a, lost, all_of) for a, lost, all_of in zip(arms, gone, cases, strict=True)),
        tipping_reference=tipping[1],
        tipping_both=tipping[2],
    )


def welch_difference(scores: Iterable[FloatArray], of: Parameter) -> EstimateLike:
    """Difference of the means of two sets of scores, the other arm's less the reference's, by Welch's t."""
    reference, other = (Moments.of(s) for s in scores)
    return contrast_of_means([(reference, other)], of, what="scores")


def anxiety_change(
    before: FloatArray,
    after: FloatArray,
    arm: StrArray,
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
    n, told_before = Counts.of(both, arm, arms), Counts.of(~np.isnan(before), arm, arms)
    limit = HIGH.get(scale)
    first = {a: before[(arm == a) & ~np.isnan(before)] for a in arms}
    change = {a: (after - before)[(arm == a) & both] for a in arms}

    def of(quantity: str, contrast: str = f"{arms[1]} - {arms[0]}", unit: str = unit, n: Counts = n) -> Parameter:
        return Parameter(quantity=quantity, contrast=contrast, unit=unit, n=n, conf_level=conf_level)

    told = partial(
        Anxiety,
        before=tuple(_mean(x, of("anxiety_before", a, n=told_before), "mean of scores") for a, x in first.items()),
        threshold=limit,
    )
    if limit is None:
        changed = tuple(_mean(x, of("anxiety_change", a), "mean change within cases") for a, x in change.items())
        return told(change=changed, difference=welch_difference(change.values(), of("anxiety_change")), high_before=())
    reason = "the scale is of a trait, which is not measured by what changes within a visit"
    none = of("anxiety_change").absent(reason, code="trait", method="none")
    high = tuple(_share(x >= limit, of("high_anxiety", a, "proportion", told_before)) for a, x in first.items())
    return told(change=(), difference=none, high_before=high)


def _mean(values: FloatArray, of: Parameter, method: str) -> EstimateLike:
    if values.size < LEAST or does_not_vary(float(values.std()), values):
        return of.absent("too few scores, or all alike", code="too_few", method="mean")
    return mean_of(values, of, by="t", method=method)
