"""Score statistics of strata: observed minus expected of every arm, with their covariance, and tests made of them.

They simply add up over strata, so practices can be pooled, number for number, without anyone's cases changing hands.
"""

from __future__ import annotations

import math
import numbers
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2, norm

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import NotEstimable, OnsetStudyError, Problem
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Caution, Counts, HypothesisTest, ScorePiece
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.ranktests.label_exchange import LabelledCases, Units, group_moments, label_cases, make_units
from onsetstudy.survival.ranktests.rank_scores import CaseScores, case_scores, score_variance, untold

NO_SPREAD = 1e-16
"""Variance per case below which scores differ by the rounding of the curve only."""


@dataclass(frozen=True, slots=True, eq=False)
class Scored:
    """Scores of all cases, and those of each stratum that tells something."""

    cases: LabelledCases
    value: FloatArray
    by_stratum: dict[int, tuple[NDArray[np.int64], CaseScores]]
    caution: tuple[Caution, ...]


@takes_cases("stratum", "weight")
def score_pieces(
    times: Intervals,
    arm: ArrayLike,
    *,
    reference_arm: str,
    stratum: ArrayLike | None = None,
    method: Literal["asymptotic", "score"] = "asymptotic",
    weight: ArrayLike | None = None,
    weight_kind: str = "counts",
) -> tuple[ScorePiece, ...]:
    """Each stratum's observed minus expected and covariance by log-rank scores, for pooling with other practices.

    As :func:`compare_arms`, but a practice whose cases tell nothing by themselves gives no piece instead of an error.
    """
    cases = label_cases(times, arm, reference_arm=reference_arm, stratum=stratum, weight=weight)
    return pieces_of(score_cases(cases, "logrank", None), method)[0]


def score_cases(cases: LabelledCases, scores: str, target_min: float | None, curves: Curves | None = None) -> Scored:
    """Scores within each stratum; those that cannot tell anything are left at 0 and named in a caution."""
    times = cases.times
    says_something = ~untold(times)
    value = np.zeros(len(times))
    by_stratum, mute, undetermined = {}, list[int](), False
    for place in range(len(cases.strata)):
        rows = np.flatnonzero(says_something & (cases.stratum == place))
        if np.unique(cases.arm[rows]).size < 2:
            mute.append(place)
            continue
        found = case_scores(
            times.take(rows), scores=scores, weight=cases.weight[rows], target_min=target_min, curves=curves
        )
        undetermined |= not found.determined
        value[rows] = found.value
        by_stratum[place] = (rows, found)
    cautions = []
    if unused := round(float(cases.weight[~says_something].sum())):
        text = f"{unused} cases without any reading that narrows their onset are not used by the test."
        cautions.append(Caution(code="cases_without_reading", text=text))
    if mute and cases.strata != ("",):
        count, named = round(float(cases.weight[np.isin(cases.stratum, mute)].sum())), (cases.strata[m] for m in mute)
        text = (
            f"{count} cases in strata where fewer than two arms have cases add nothing to the test: {', '.join(named)}."
        )
        cautions.append(Caution(code="stratum_without_arm", text=text))
    if undetermined:
        text = "The data do not fix the pooled curve everywhere; the scores use one of the equally likely curves."
        cautions.append(Caution(code="curve_not_determined", text=text))
    return Scored(cases, value, by_stratum, tuple(cautions))


def pieces_of(scored: Scored, method: str) -> tuple[tuple[ScorePiece, ...], Units]:
    """Piece of every informative stratum, and the units whose labels may change places."""
    rows = np.sort(np.concatenate([r for r, _ in scored.by_stratum.values()] or [np.zeros(0, dtype=np.int64)]))
    cases = scored.cases
    units = make_units(cases, scored.value, rows)
    sums, mean, covariance = group_moments(units)
    k = len(cases.arms)
    pieces = []
    for place, (members, found) in scored.by_stratum.items():
        weight = cases.weight[members]
        if method == "score":
            member = (cases.arm[members][:, None] == np.arange(1, k)) * weight[:, None]
            observed, variance = found.value @ member, score_variance(found, member, weight)
        else:
            groups = units.group_stratum == place
            observed = (sums - mean)[groups].sum(axis=0)[1:]
            variance = covariance[groups].sum(axis=0)[1:, 1:]
        if np.trace(variance) <= NO_SPREAD * weight.sum():
            continue
        pieces.append(
            ScorePiece(
                stratum=cases.strata[place],
                cases=round(float(weight.sum())),
                observed_minus_expected=tuple(observed.tolist()),
                variance=tuple(variance.ravel().tolist()),
            )
        )
    return tuple(pieces), units


def pool_score_pieces(
    pieces: Iterable[ScorePiece],
    *,
    arms: Sequence[str] = (),
    trend: Mapping[str, float] | None = None,
    n: Counts | None = None,
    method: str = "stratified score test from the pieces of strata",
) -> HypothesisTest:
    """Stratified test from pieces alone, of one practice or of several.

    Equal to :func:`~onsetstudy.survival.ranktests.compare.compare_arms` (``"asymptotic"`` or ``"score"``) on the cases
    of all of them with the practices as strata: observed minus expected and covariances of strata simply add up.

    Parameters
    ----------
    pieces : iterable of ScorePiece
        Of the same scores, the same method and the same arms in the same order.
    arms : sequence of str
        Names of the arms, reference arm first; default: ``arm 0``, ``arm 1`` and so on.
    trend : mapping of arm to number, optional
        Needs ``arms``.
    n : Counts, optional
        Cases and onsets; without it the onsets are not known and a caution says so.
    method : str
        Readable line for the result.

    Raises
    ------
    OnsetStudyError
        If pieces belong to different numbers of arms, or hold what is no covariance.
    NotEstimable
        If there is no piece, or the pieces have no variance.

    Examples
    --------
    >>> from onsetstudy import Intervals
    >>> from onsetstudy.survival.ranktests.score_statistics import pool_score_pieces, score_pieces
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> arm = ["plain"] * 6 + ["buffered"] * 6
    >>> here = score_pieces(times, arm, reference_arm="plain")
    >>> there = score_pieces(times.rescale(1.5), arm, reference_arm="plain")
    >>> test = pool_score_pieces([*here, *there], arms=["plain", "buffered"])
    >>> f"{test.contrast}: {test.statistic_name} = {test.statistic:.2f}, p = {test.p_value:.3f}"
    'buffered - plain: Z = 1.35, p = 0.177'
    """
    pieces, names = tuple(pieces), tuple(arms)
    lengths = {len(piece.observed_minus_expected) for piece in pieces}
    k = len(names) or max(lengths, default=1) + 1
    if lengths - {k - 1} or any(len(piece.variance) != (k - 1) ** 2 for piece in pieces):
        what = f"the pieces are of {', '.join(str(m + 1) for m in sorted(lengths))} arms, not all of {k}"
        mend = "pool only pieces with the same arms in the same order"
        raise OnsetStudyError.of_key("pieces", what, mend, code="arms")
    if broken := [piece.stratum for piece in pieces if not _adds_up(piece, k)]:
        what = f"the piece of the stratum {broken[0]!r} holds no covariance of its scores"
        raise OnsetStudyError.of_key("pieces", what, "give pieces as score_pieces makes them", code="variance")
    names = names or tuple(f"arm {place}" for place in range(k))
    direction = arm_direction(names, trend)
    if n is not None:
        return combine_pieces(pieces, names, direction, n, method, trend)
    test = combine_pieces(pieces, names, direction, Counts(cases=sum(p.cases for p in pieces), onsets=0), method, trend)
    text = "The pieces do not say how many onsets were seen; the count of onsets is left at 0."
    return replace(test, caution=(Caution(code="onsets_unknown", text=text),))


def _adds_up(piece: ScorePiece, k: int) -> bool:
    """Whether the numbers of a piece of ``k`` arms are finite and its covariance is one, to its rounding."""
    variance = np.array(piece.variance, dtype=np.float64).reshape(k - 1, k - 1)
    if not (np.isfinite(variance).all() and np.isfinite(piece.observed_minus_expected).all()):
        return False
    rounding = 1e-8 * float(np.abs(variance).max(initial=0.0))
    symmetric = bool(np.abs(variance - variance.T).max(initial=0.0) <= rounding)
    return symmetric and float(np.linalg.eigvalsh(variance).min(initial=0.0)) >= -rounding


def arm_direction(arms: Sequence[str], trend: Mapping[str, float] | None) -> FloatArray | None:
    """Weights of the arms other than the reference in a sum of one degree of freedom, shape (k - 1,)."""
    if trend is None:
        return np.ones(1) if len(arms) == 2 else None
    problems = [
        Problem.of_key("trend", f"trend has no score for the arm {name!r}", "give one")
        for name in arms
        if name not in trend
    ]
    problems += [
        Problem.of_key(
            "trend", f"trend gives {trend[name]!r} for the arm {name!r}", "give a finite number for an arm that occurs"
        )
        for name in trend
        if name not in arms or not (isinstance(trend[name], numbers.Real) and math.isfinite(trend[name]))
    ]
    if not problems and len({trend[name] for name in arms}) == 1:
        mend = "give scores in the order in which onset may change, for example 0, 1, 2"
        problems = [Problem.of_key("trend", "trend gives all arms the same score", mend)]
    if problems:
        raise OnsetStudyError(problems)
    return np.array([float(trend[name]) - float(trend[arms[0]]) for name in arms[1:]])


def whitening(variance: FloatArray, direction: FloatArray | None) -> FloatArray:
    """Matrix that brings sums to independent standard normal ones, shape (k - 1, degrees of freedom)."""
    if direction is not None:
        spread = float(direction @ variance @ direction)
        return (direction / math.sqrt(spread))[:, None] if spread > 0 else np.zeros((direction.size, 0))
    values, vectors = np.linalg.eigh(variance)
    kept = values > 1e-10 * max(float(values.max(initial=0.0)), NO_SPREAD)
    return np.asarray(vectors[:, kept] / np.sqrt(values[kept]), dtype=np.float64)


def sum_pieces(pieces: Sequence[ScorePiece]) -> tuple[FloatArray, FloatArray]:
    """Observed minus expected, shape (k - 1,), and covariance, shape (k - 1, k - 1), of all strata together.

    Raises
    ------
    NotEstimable
        If there is no piece.
    """
    if not pieces:
        raise NotEstimable(
            "onset_test",
            "there is nothing to compare: no group of cases holds two arms whose cases differ in when they became numb "
            "(for example, all were numb at the first test, or none became numb)",
            code="no_information",
        )
    observed = np.array([piece.observed_minus_expected for piece in pieces], dtype=np.float64).sum(axis=0)
    variance = np.array([piece.variance for piece in pieces], dtype=np.float64).sum(axis=0)
    return observed, variance.reshape(observed.size, observed.size)


def combine_pieces(
    pieces: Sequence[ScorePiece],
    arms: tuple[str, ...],
    direction: FloatArray | None,
    counts: Counts,
    method: str,
    trend: Mapping[str, float] | None,
) -> HypothesisTest:
    """Test from the summed pieces: Z along ``direction``, or chi-square of all arms when it is ``None``."""
    observed, variance = sum_pieces(pieces)
    turned = observed @ whitening(variance, direction)
    if turned.size == 0:
        sum_pieces(())
    if direction is None:
        statistic, name, df = float(turned @ turned), "chi-square", turned.size
        p_value, contrast = float(chi2.sf(statistic, df)), None
    else:
        statistic, name, df = float(turned[0]), "Z", 1
        p_value = float(2 * norm.sf(abs(statistic)))
        contrast = f"{arms[1]} - {arms[0]}" if len(arms) == 2 else None
        if trend is not None:
            contrast = "trend over " + ", ".join(f"{a} = {trend[a]:g}" for a in arms)
    return HypothesisTest(
        quantity="onset_test",
        contrast=contrast,
        statistic=statistic,
        statistic_name=name,
        df=df,
        p_value=p_value,
        alternative="two-sided",
        method=method,
        n=counts,
        arms=arms,
        pieces=tuple(pieces),
    )
