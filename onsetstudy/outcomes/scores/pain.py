"""Pain of two arms at one moment: shift, probability of less pain, and their test."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import FloatArray, real_numbers, require_level
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.results import (
    ArmCount,
    Assumption,
    Caution,
    Counts,
    Estimate,
    HypothesisTest,
    Interval,
    NotAvailable,
)
from onsetstudy.inference.ranks import ordered_differences, rank_sum_p_value, shift_rank, superiority_limits
from onsetstudy.outcomes.scores.pain_results import PainComparison, PainScores

__all__ = ["compare_pain"]


SHIFT_SOURCE = "Hollander & Wolfe 1999, Nonparametric Statistical Methods, chapter 4"
SUPERIORITY_SOURCE = "Newcombe 2006, Statistics in Medicine 25:559-573, method 5 (from memory)"
INDEPENDENT = Assumption(name="independent cases", detail="each score comes from another patient")
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

    Raises
    ------
    OnsetStudyError
        If the arrays differ in length, or scores are no numbers.

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
    scores, arms = real_numbers(score, "score"), np.asarray(arm).astype(str)
    reference_arm, contrast_arm = str(reference_arm), str(contrast_arm)
    if scores.shape != arms.shape or scores.ndim != 1:
        raise OnsetStudyError(f"score and arm must be equally long rows, not {scores.shape} and {arms.shape}")
    given = ~np.isnan(scores)
    by_arm = {name: np.sort(scores[(arms == name) & given]) for name in (reference_arm, contrast_arm)}
    counts = Counts(
        cases=int(np.isin(arms, (reference_arm, contrast_arm)).sum()),
        onsets=sum(values.size for values in by_arm.values()),
        by_arm=tuple(
            ArmCount(arm=name, cases=int((arms == name).sum()), onsets=int(values.size))
            for name, values in by_arm.items()
        ),
    )
    pain_scores = tuple(
        PainScores(arm=name, scores=values, missing=counts.arm(name).cases - counts.arm(name).onsets)
        for name, values in by_arm.items()
    )
    contrast = f"{contrast_arm} - {reference_arm}"
    shift, superiority, test = _contrasts(
        by_arm[contrast_arm], by_arm[reference_arm], contrast, unit, conf_level, counts
    )
    missing = counts.cases - counts.onsets
    caution = (
        (Caution(code="missing_scores", text=f"{missing} of {counts.cases} cases have no score at {moment}."),)
        if missing
        else ()
    )
    return PainComparison(
        moment=moment,
        unit=unit,
        scores=pain_scores,
        shift=shift,
        test=test,
        superiority=superiority,
        method="Hodges-Lehmann shift and Mann-Whitney test",
        n=counts,
        assumptions=(INDEPENDENT, SAME_SHAPE, MISSING),
        caution=caution,
    )


def _contrasts(
    x: FloatArray, y: FloatArray, contrast: str, unit: str, conf_level: float, counts: Counts
) -> tuple[Estimate | NotAvailable, Estimate | NotAvailable, HypothesisTest | NotAvailable]:
    if x.size == 0 or y.size == 0:
        error = NotEstimable("pain_shift", "one arm has no pain score", code="no_scores")

        def gone(quantity: str, unit: str, method: str) -> NotAvailable:
            return NotAvailable(
                quantity=quantity,
                contrast=contrast,
                code=error.code,
                reason=error.reason,
                unit=unit,
                method=method,
                n=counts,
            )

        return (
            gone("pain_shift", unit, "Hodges-Lehmann shift"),
            gone("probability_of_superiority", "proportion", "Mann-Whitney probability"),
            gone("pain_test", "", "Mann-Whitney test"),
        )
    u, p_value, how = rank_sum_p_value(x, y)
    return (
        _shift(x, y, contrast, unit, conf_level, counts),
        _superiority(1 - u / (x.size * y.size), x.size, y.size, contrast, conf_level, counts),
        HypothesisTest(
            quantity="pain_test",
            contrast=contrast,
            statistic=u,
            statistic_name="Mann-Whitney U",
            df=1,
            p_value=p_value,
            alternative="two-sided",
            method=f"Mann-Whitney test, {how}",
            n=counts,
            arms=tuple(reversed(contrast.split(" - "))),
            assumptions=(INDEPENDENT, MISSING),
            source=SHIFT_SOURCE,
        ),
    )


def _shift(
    x: FloatArray, y: FloatArray, contrast: str, unit: str, conf_level: float, counts: Counts
) -> Estimate | NotAvailable:
    pairs = x.size * y.size
    rank = shift_rank(x.size, y.size, conf_level)
    middle = np.array([(pairs + 1) // 2, pairs // 2 + 1])
    if rank == 0:
        return NotAvailable(
            quantity="pain_shift",
            contrast=contrast,
            code="too_few_scores",
            reason=f"{x.size} and {y.size} scores are too few for an interval at {100 * conf_level:g} %",
            unit=unit,
            method="Hodges-Lehmann shift",
            n=counts,
        )
    low, high, *median = ordered_differences(x, y, np.array([rank, pairs + 1 - rank, *middle]))
    return Estimate(
        quantity="pain_shift",
        contrast=contrast,
        estimate=float(np.mean(median)),
        interval=Interval(
            low=float(low), high=float(high), level=conf_level, method="ordered differences, Wilcoxon distribution"
        ),
        unit=unit,
        method="Hodges-Lehmann shift (median of all differences between arms)",
        n=counts,
        assumptions=(INDEPENDENT, SAME_SHAPE, MISSING),
        source=SHIFT_SOURCE,
    )


def _superiority(theta: float, m: int, n: int, contrast: str, conf_level: float, counts: Counts) -> Estimate:
    low, high = superiority_limits(theta, m, n, conf_level)
    return Estimate(
        quantity="probability_of_superiority",
        contrast=contrast,
        estimate=theta,
        interval=Interval(low=low, high=high, level=conf_level, method="score-like, Mann-Whitney variance"),
        unit="proportion",
        method="probability that a case of the first arm has less pain than one of the other, ties half",
        n=counts,
        assumptions=(INDEPENDENT, MISSING),
        source=SUPERIORITY_SOURCE,
    )
