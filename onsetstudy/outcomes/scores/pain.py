"""Pain of two arms at one moment: shift, probability of less pain, and their test."""

from __future__ import annotations

from dataclasses import replace
from typing import Unpack

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import FloatArray, one_per_case, real_numbers, require_level
from onsetstudy.core.cases import compared_with, order_arms
from onsetstudy.core.errors import NotEstimable, OnsetStudyError, require
from onsetstudy.core.results import Assumption, Caution, Counts, EstimateLike, HypothesisTest, NotAvailable
from onsetstudy.inference.assumptions import INDEPENDENT_CASES
from onsetstudy.inference.parameter import Beside, Parameter
from onsetstudy.inference.ranks import (
    DIGITS,
    ordered_differences,
    rank_sum_limits,
    rank_sum_p_value,
    superiority_limits,
)
from onsetstudy.outcomes.scores.pain_results import PainComparison, PainScores

SHIFT_SOURCE = "Hollander & Wolfe 1999, Nonparametric Statistical Methods, chapter 4"
SUPERIORITY_SOURCE = "Newcombe 2006, Statistics in Medicine 25:559-573, method 5 (from memory)"
SAME_SHAPE = Assumption(name="shift", detail="the arms' scores differ by a shift, if the estimate is read as one")
MISSING = Assumption(name="missing scores", detail="cases without a score are like those with one")


def compare_pain(
    score: ArrayLike,
    arm: ArrayLike,
    *,
    reference_arm: str,
    contrast_arm: str,
    moment: str,
    unit: str,
    conf_level: float = 0.95,
) -> PainComparison:
    """Pain scores of one arm against the reference arm.

    Parameters
    ----------
    score : array_like of float, shape (n,)
        One score per case, in ``unit``; ``nan`` where none was given.
    arm : array_like of str, shape (n,)
    reference_arm, contrast_arm : str
        The contrast is ``contrast_arm - reference_arm``: negative means less pain.
    moment : str
        Insertion, placement, deposition or treatment.
    unit : str
        Unit of the score, for example ``"mm"``.
    conf_level : float
        Level of the intervals.

    Returns
    -------
    PainComparison
        Parts that the scores do not determine are ``NotAvailable``; an arm without a score makes all of them so.
        Cases of other arms are left out.

    Raises
    ------
    OnsetStudyError
        If the arrays differ in length, a score is no number or infinite, an arm is missing or has no case, or both
        are the same.

    References
    ----------
    .. [1] Hollander M, Wolfe DA. Nonparametric Statistical Methods, 2nd ed., Wiley 1999, sections 4.2-4.3.

    Examples
    --------
    >>> from onsetstudy import compare_pain
    >>> score = [40, 35, 50, 45, 20, 30, 25, 38]
    >>> arm = ["plain"] * 4 + ["buffered"] * 4
    >>> found = compare_pain(score, arm, reference_arm="plain", contrast_arm="buffered", moment="insertion", unit="mm")
    >>> f"{found.shift.contrast}: {found.shift.estimate:g} {found.shift.unit}"
    'buffered - plain: -15 mm'
    """
    require_level(conf_level)
    for name, text in (("moment", moment), ("unit", unit)):
        require(text, str, name, f"write the {name} as text")
    scores = np.round(real_numbers(score, "score"), DIGITS)
    if scores.ndim != 1 or np.isinf(scores).any():
        what = "score holds an infinite number" if scores.ndim == 1 else f"score has the shape {scores.shape}"
        raise OnsetStudyError.of_key("score", what, "give one finite number per case, nan where there is none")
    arms = one_per_case(arm, scores.size, "arm").astype(str)
    reference_arm, contrast_arm = str(reference_arm), str(contrast_arm)
    compared_with(order_arms(arms, np.ones(arms.size), reference_arm), contrast_arm)
    given = ~np.isnan(scores)
    by_arm = {name: np.sort(scores[(arms == name) & given]) for name in (reference_arm, contrast_arm)}
    compared = np.isin(arms, list(by_arm))
    counts = Counts.of(given[compared], arms[compared], by_arm)
    of = Parameter(
        quantity="pain_shift", contrast=f"{contrast_arm} - {reference_arm}", unit=unit, n=counts, conf_level=conf_level
    )
    shift, superiority, test = _contrasts(by_arm[contrast_arm], by_arm[reference_arm], of)
    missing = counts.cases - counts.onsets
    text = f"{missing} of {counts.cases} cases have no score at {moment}."
    return PainComparison(
        moment=moment,
        unit=unit,
        scores=tuple(PainScores(arm=a.arm, scores=by_arm[a.arm], missing=a.cases - a.onsets) for a in counts.by_arm),
        shift=shift,
        test=test,
        superiority=superiority,
        method="Hodges-Lehmann shift and Mann-Whitney test",
        n=counts,
        assumptions=(INDEPENDENT_CASES, SAME_SHAPE, MISSING),
        caution=(Caution(code="missing_scores", text=text),) if missing else (),
    )


def _contrasts(
    x: FloatArray, y: FloatArray, of: Parameter
) -> tuple[EstimateLike, EstimateLike, HypothesisTest | NotAvailable]:
    superior = replace(of, quantity="probability_of_superiority", unit="proportion")
    if x.size == 0 or y.size == 0:
        tested, reason = replace(of, quantity="pain_test", unit=""), "one arm has no pain score"
        return (
            of.absent(reason, code="no_scores", method="Hodges-Lehmann shift"),
            superior.absent(reason, code="no_scores", method="Mann-Whitney probability"),
            tested.absent(reason, code="no_scores", method="Mann-Whitney test"),
        )
    u, p_value, how = rank_sum_p_value(x, y)
    return (
        shift_of(
            x,
            y,
            of,
            by="Mann-Whitney test turned round, ties as in the test",
            method="Hodges-Lehmann shift (median of all differences between arms)",
            assumptions=(INDEPENDENT_CASES, SAME_SHAPE, MISSING),
            source=SHIFT_SOURCE,
        ),
        _superiority(u, x.size, y.size, p_value, superior),
        HypothesisTest(
            quantity="pain_test",
            contrast=of.contrast,
            statistic=u,
            statistic_name="Mann-Whitney U",
            df=1,
            p_value=p_value,
            alternative="two-sided",
            method=f"Mann-Whitney test, {how}",
            n=of.n,
            arms=tuple(a.arm for a in of.n.by_arm),
            assumptions=(INDEPENDENT_CASES, MISSING),
            source=SHIFT_SOURCE,
        ),
    )


def shift_of(
    x: FloatArray, y: FloatArray, of: Parameter, *, by: str, method: str, scale: float = 1.0, **beside: Unpack[Beside]
) -> EstimateLike:
    """Hodges-Lehmann shift of ``x`` against ``y``, times ``scale``, as a result."""
    try:
        shift, low, high = hodges_lehmann(x, y, of.conf_level)
    except NotEstimable as error:
        return of.absent(error.reason, code=error.code, method="Hodges-Lehmann shift")
    return of.estimate(scale * shift, (scale * low, scale * high), by=by, method=method, **beside)


def hodges_lehmann(x: FloatArray, y: FloatArray, level: float) -> tuple[float, float, float]:
    """Shift of ``x`` against ``y`` and its limits, within which it lies.

    Raises
    ------
    NotEstimable
        If there are too few values for limits at this level, or those of ``x`` are all alike and those of ``y``, too.
    """
    pairs = x.size * y.size
    limits = rank_sum_limits(x, y, 1 - level) if pairs else None
    if limits is None:
        reason = f"{x.size} and {y.size} scores are too few for an interval at {100 * level:g} %"
        raise NotEstimable("pain_shift", reason, code="too_few_scores")
    if limits[0] == limits[1]:
        raise NotEstimable("pain_shift", "the scores of each side are all alike", code="scores_alike")
    middle = np.mean(ordered_differences(x, y, np.array([(pairs + 1) // 2, pairs // 2 + 1])))
    return float(np.clip(middle, *limits)), *limits


def _superiority(u: float, m: int, n: int, p_value: float, of: Parameter) -> EstimateLike:
    """The chance with its limits, which leave out one half exactly where the test does, if need be by half a pair."""
    theta, step = 1 - u / (m * n), 0.5 / (m * n)
    low, high = found = superiority_limits(theta, m, n, of.conf_level)
    if p_value >= 1 - of.conf_level:
        low, high = min(low, 0.5), max(high, 0.5)
    else:
        low, high = (max(low, 0.5 + step), high) if theta > 0.5 else (low, min(high, 0.5 - step))
    return of.estimate(
        theta,
        (low, high),
        by="score-like, Mann-Whitney variance" + ("" if (low, high) == found else ", at one half as in its test"),
        method="probability that a case of the first arm has less pain than one of the other, ties half",
        assumptions=(INDEPENDENT_CASES, MISSING),
        source=SUPERIORITY_SOURCE,
    )
