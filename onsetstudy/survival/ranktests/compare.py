"""Whether onset differs between arms: the weighted log-rank family for interval-censored times.

Takes intervals, arms and, where the design has them, strata, blocks and clusters. Gives a
:class:`~onsetstudy.core.results.HypothesisTest` whose pieces can be pooled with those of other practices.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import OnsetStudyError, require
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Caution, Counts, HypothesisTest, ScorePiece
from onsetstudy.core.seeds import checked_seed
from onsetstudy.inference.assumptions import INDEPENDENT_CASES
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.ranktests.label_exchange import LabelledCases, Units, group_moments, label_cases
from onsetstudy.survival.ranktests.permutation import PermutationP, arrangements, draw_p_value, enumerate_p_value
from onsetstudy.survival.ranktests.rank_scores import SCORE_FAMILY
from onsetstudy.survival.ranktests.score_statistics import (
    arm_direction,
    combine_pieces,
    pieces_of,
    score_cases,
    sum_pieces,
    whitening,
)

Method = Literal["asymptotic", "permutation", "score"]


SAME_SCHEDULE = Assumption(
    name="same_schedule",
    detail=(
        "the arms were tested on the same schedule; if one arm was tested earlier or more often, "
        "rearranged labels do not show what chance would do"
    ),
)
UNINFORMATIVE_SCHEDULE = Assumption(
    name="uninformative_schedule",
    detail="the arms may be tested on different schedules, but no test was given because of how numb the tooth was",
)
LARGE_SAMPLE = Assumption(name="large_sample", detail="there are enough onsets for the normal approximation")
_SOURCES = {"logrank": "sun_1996", "finkelstein": "finkelstein_1986", "wilcoxon": "fay_1996"}


@takes_cases("stratum", "block", "cluster", "weight")
def compare_arms(
    times: Intervals,
    arm: ArrayLike,
    *,
    reference_arm: str,
    stratum: ArrayLike | None = None,
    scores: str = "logrank",
    method: Method = "asymptotic",
    block: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    weight_kind: str = "counts",
    trend: Mapping[str, float] | None = None,
    target_min: float | None = None,
    n_resamples: int = 9999,
    seed: int | None = None,
    max_enumeration: int = 200_000,
    curves: Curves | None = None,
) -> HypothesisTest:
    """Test of whether onset comes equally soon in all arms.

    Parameters
    ----------
    times : Intervals, n rows, or Cases
        Onset in (left, right], minutes. With :class:`~onsetstudy.core.cases.Cases`, arm, reference arm, strata, blocks,
        clusters and weights stand in them. A case known only to lie in (0, inf] says nothing and is not used.
    arm : array_like of str, shape (n,)
    reference_arm : str
        The arm that the others are compared with; one of ``arm``.
    stratum : array_like of str, shape (n,), optional
        Scores come from the curve of each stratum, labels change places within strata, and the strata's sums are added.
    scores : str
        ``"logrank"`` (Sun), ``"finkelstein"``, ``"wilcoxon"``, ``"early"`` or ``"by_target"``: see
        :func:`~onsetstudy.survival.ranktests.rank_scores.case_scores`.
    method : {"asymptotic", "permutation", "score"}
        Normal approximation to the permutation distribution; the permutation distribution itself;
        or the score test of the likelihood, which does not ask that the arms were tested alike.
    block : array_like of str, shape (n,), optional
        Labels change places within a block only: the patient in a split-mouth or crossover study.
    cluster : array_like of str, shape (n,), optional
        Whole clusters carry a label and change places, where clusters were allocated.
    weight : array_like of float, shape (n,), optional
        How many like cases a row stands for, whole numbers; default 1.
    weight_kind : str
        ``"counts"``; there is no robust error for weights of another kind.
    trend : mapping of arm to number, optional
        Ordered scores of the arms; the test is then of a trend along them.
    target_min : float, optional
        Target minute of the scores ``"by_target"``.
    n_resamples : int
        Arrangements drawn when a complete permutation test is out of reach.
    seed : int, optional
        Needed when arrangements are drawn.
    max_enumeration : int
        Distinct outcomes up to which all arrangements are gone through instead of drawn.
    curves : Curves, optional
        Those of the work that this belongs to; default: fitted for this call only.

    Returns
    -------
    HypothesisTest
        Two arms or a trend: Z, positive when the arm other than the reference (the higher score) had onset
        *sooner*. More arms: chi-square. ``pieces`` hold each stratum's observed minus expected, of the arms other than
        the reference, and its covariance.

    Raises
    ------
    OnsetStudyError
        With all problems of the labels at once; for a missing seed, unknown scores or methods, or a
        score test asked for blocks or clusters.
    NotEstimable
        ``"no_information"``: no stratum holds cases of two arms that differ in when they became numb.

    Notes
    -----
    *Two-sided rule.* An arrangement counts as at least as extreme when the absolute value of its sum less its
    permutation mean (more arms: its chi-square) is at least the observed one; differences within 1e-10 of it are ties.

    *Signs.* Published Z values of this family often belong to the first group named; where that is the reference arm,
    the sign here is the opposite.

    *Variances.* The permutation variance in a group of n is ``n_1 n_0 / (n (n - 1)) sum (score - mean)^2`` (a
    stratum, or a block: the sums of the groups are added). On exact and right-censored times observed minus
    expected is that of the usual log-rank test, whose hypergeometric variance ``sum d (n - d) n_1 n_0 / (n^2 (n - 1))``
    over onset times conditions on those still at risk in each arm; the permutation variance conditions on all cases
    instead, and needs censoring to be alike in the arms. The two agree in large samples without a difference.
    The ``"score"`` variance is described at :func:`~onsetstudy.survival.ranktests.rank_scores.score_variance`.

    *Proportional hazards.* ``scores="finkelstein", method="score"`` is the score test at log hazard ratio 0 of the
    semiparametric proportional hazards model: its observed minus expected is the derivative of the
    log-likelihood of that model.

    References
    ----------
    .. [1] Fay MP, Shaw PA. Journal of Statistical Software 2010; 36(2).
    .. [2] Sun J. Statistics in Medicine 1996; 15:1387-1395.
    .. [3] Finkelstein DM. Biometrics 1986; 42:845-854.

    Examples
    --------
    >>> from onsetstudy import Intervals, compare_arms
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> arm = ["plain"] * 6 + ["buffered"] * 6
    >>> test = compare_arms(times, arm, reference_arm="plain")
    >>> f"{test.contrast}: {test.statistic_name} = {test.statistic:.2f}, p = {test.p_value:.3f}"
    'buffered - plain: Z = 0.95, p = 0.340'
    """
    require(scores, str, "scores", "write the name of the scores, for example logrank")
    require(method, str, "method", "write asymptotic, permutation or score")
    if trend is not None:
        require(trend, Mapping, "trend", 'give a number for every arm, for example {"plain": 0, "buffered": 1}')
    cases = label_cases(
        times, arm, reference_arm=reference_arm, stratum=stratum, block=block, cluster=cluster, weight=weight
    )
    direction = arm_direction(cases.arms, trend)
    _check_method(method, block is not None or cluster is not None)
    scored = score_cases(cases, scores, target_min, curves)
    pieces, units = pieces_of(scored, method)
    p_from: PermutationP | None = None
    if method == "permutation":
        p_from = _permutation(units, pieces, direction, n_resamples, seed, max_enumeration)
    counts = cases.counts()
    how = _method_line(scores, method, cases, units, p_from)
    test = combine_pieces(pieces, cases.arms, direction, counts, how, trend)
    return replace(
        test,
        p_value=test.p_value if p_from is None else p_from.p_value,
        p_interval=None if p_from is None else p_from.interval,
        assumptions=_assumptions(method, cases),
        caution=(*scored.caution, *_small_sample(counts, p_from)),
        source=_SOURCES.get(scores, ""),
    )


# --- scores and pieces ----------------------------------------------------------------------------------------------


def _check_method(method: str, restricted: bool) -> None:
    """Refuse a method that is not known, or that takes as independent what blocks and clusters say is not."""
    if method not in ("asymptotic", "permutation", "score"):
        raise OnsetStudyError.of_key(
            "method", f"the method {method!r} is not known", 'choose "asymptotic", "permutation" or "score"'
        )
    if method == "score" and restricted:
        what = "the score test takes all cases as independent, which blocks and clusters say they are not"
        mend = 'choose "asymptotic" or "permutation" where block or cluster is given'
        raise OnsetStudyError.of_key("method", what, mend)


def _permutation(
    units: Units,
    pieces: Sequence[ScorePiece],
    direction: FloatArray | None,
    n_resamples: int,
    seed: int | None,
    max_enumeration: int,
) -> PermutationP:
    _, variance = sum_pieces(pieces)
    sums, mean, _ = group_moments(units)
    observed, expected, turn = sums.sum(axis=0), mean.sum(axis=0), whitening(variance, direction)

    def distance(sums: FloatArray) -> FloatArray:
        """How far summed scores lie from their mean, on the scale of Z (or of the root of chi-square)."""
        turned = (sums - expected)[:, 1:] @ turn
        return np.asarray(np.sqrt(np.sum(turned**2, axis=1)), dtype=np.float64)

    complete = enumerate_p_value(units, distance, observed, max_enumeration)
    if complete is not None:
        return complete
    if seed is None:
        what = f"there are too many arrangements of the arms ({_many(units)}) to go through all of them"
        mend = "give a seed, so that the arrangements drawn at random can be drawn again"
        raise OnsetStudyError.of_key("seed", what, mend)
    checked_seed(seed)
    return draw_p_value(units, distance, observed, n_resamples=n_resamples, seed=seed)


# --- words ----------------------------------------------------------------------------------------------------------


def _many(units: Units) -> str:
    ways = arrangements(units)
    return f"{ways:,}" if ways < 10**9 else f"about 1e{len(str(ways)) - 1}"


def _method_line(scores: str, method: str, cases: LabelledCases, units: Units, p_from: PermutationP | None) -> str:
    parts = [SCORE_FAMILY[scores]]
    if cases.strata != ("",):
        parts.append(f"stratified ({len(cases.strata)} strata)")
    if method == "score":
        parts.append("score test of the likelihood")
    elif p_from is None:
        parts.append("permutation test, normal approximation")
    elif p_from.interval is None:
        parts.append(f"exact permutation test, all {_many(units)} arrangements")
    else:
        parts.append(f"permutation test, {p_from.outcomes:,} arrangements drawn")
    if cases.block is not None:
        parts.append("labels change places within blocks")
    if cases.cluster is not None:
        parts.append("whole clusters change places")
    return "; ".join(parts)


def _assumptions(method: str, cases: LabelledCases) -> tuple[Assumption, ...]:
    if cases.cluster is not None:
        unit = Assumption(
            name="clusters_exchangeable", detail="clusters are independent; each was allocated as a whole"
        )
    elif cases.block is not None:
        unit = Assumption(
            name="exchangeable_within_block",
            detail="within a block each order of the arms was equally likely; the first leaves no mark on the second",
        )
    else:
        unit = INDEPENDENT_CASES
    schedule = UNINFORMATIVE_SCHEDULE if method == "score" else SAME_SCHEDULE
    return (schedule, unit) if method == "permutation" else (schedule, unit, LARGE_SAMPLE)


def _small_sample(counts: Counts, p_from: PermutationP | None) -> tuple[Caution, ...]:
    found = []
    if few := counts.few_onsets:
        end = "the P value is approximate" if p_from is None else "only a large difference could show"
        found.append(Caution(code="few_onsets", text=f"Few onsets were seen ({few}): {end}."))
    if p_from is not None and p_from.interval is None and p_from.smallest > 0.05:
        text = (
            f"With so few cases the smallest P value that could have come out is {p_from.smallest:.2g}: "
            "this test could not have shown any difference at the 5 % level."
        )
        found.append(Caution(code="test_cannot_show", text=text))
    return tuple(found)
