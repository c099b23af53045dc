"""Tests from pieces: each stratum's observed minus expected and its covariance, which simply add up.

So practices can be pooled, number for number, without anyone's cases changing hands.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from scipy.stats import chi2, norm

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError, Problem, Where
from onsetstudy.core.results import Caution, Counts, HypothesisTest, ScorePiece

__all__ = ["NO_SPREAD", "arm_direction", "combine_pieces", "pool_score_pieces", "sum_pieces", "whitening"]


NO_SPREAD = 1e-16
"""Variance per case below which scores differ by the rounding of the curve only."""


def pool_score_pieces(
    pieces: Iterable[ScorePiece],
    *,
    arms: Sequence[str] = (),
    trend: Mapping[str, float] | None = None,
    n: Counts | None = None,
    method: str = "stratified score test from the pieces of strata",
) -> HypothesisTest:
    """Stratified test from pieces alone, of one practice or of many.

    Equal to :func:`compare_arms` (``"asymptotic"`` or ``"score"``) on the cases of all of them with the practices as
    strata: observed minus expected and covariances of strata simply add up.

    Parameters
    ----------
    pieces : iterable of ScorePiece
        Of the same scores, the same method and the same arms in the same order.
    arms : sequence of str
        Names of the arms, reference arm first.
    trend : mapping of arm to number, optional
        Needs ``arms``.
    n : Counts, optional
        Cases and onsets; without it the onsets are not known and a caution says so.
    method : str
        Readable line for the result.

    Raises
    ------
    OnsetStudyError
        If pieces belong to different numbers of arms.
    NotEstimable
        If there is no piece, or the pieces have no variance.
    """
    pieces = tuple(pieces)
    lengths = {len(piece.observed_minus_expected) for piece in pieces}
    k = len(arms) or (max(lengths, default=1) + 1)
    if lengths - {k - 1} or any(len(piece.variance) != (k - 1) ** 2 for piece in pieces):
        raise OnsetStudyError(
            Problem(
                what=f"the pieces are of {', '.join(str(m + 1) for m in sorted(lengths))} arms, not all of {k}",
                where=Where(key="pieces"),
                mend="pool only pieces with the same arms in the same order",
                code="arms",
            )
        )
    direction = arm_direction(tuple(arms) or tuple(f"arm {i}" for i in range(k)), trend)
    cautions: tuple[Caution, ...] = ()
    if n is None:
        n = Counts(cases=sum(piece.cases for piece in pieces), onsets=0)
        text = "The pieces do not say how many onsets were seen; the count of onsets is left at 0."
        cautions = (Caution(code="onsets_unknown", text=text),)
    return combine_pieces(pieces, tuple(arms), direction, n, method, trend, cautions)


def arm_direction(arms: Sequence[str], trend: Mapping[str, float] | None) -> FloatArray | None:
    """Weights of the arms other than the reference in a sum of one degree of freedom, shape (k - 1,)."""
    if trend is None:
        return np.ones(1) if len(arms) == 2 else None
    problems = [
        Problem(
            what=f"trend has no score for the arm {name!r}", where=Where(key="trend"), mend="give one", code="trend"
        )
        for name in arms
        if name not in trend
    ]
    problems += [
        Problem(
            what=f"trend gives {trend[name]!r} for the arm {name!r}",
            where=Where(key="trend"),
            mend="give a finite number for an arm that occurs",
            code="trend",
        )
        for name in trend
        if name not in arms or not math.isfinite(trend[name])
    ]
    if not problems and len({trend[name] for name in arms}) == 1:
        problems = [
            Problem(
                what="trend gives all arms the same score",
                where=Where(key="trend"),
                mend="give scores in the order in which onset may change, for example 0, 1, 2",
                code="trend",
            )
        ]
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
    caution: tuple[Caution, ...] = (),
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
        caution=caution,
    )
