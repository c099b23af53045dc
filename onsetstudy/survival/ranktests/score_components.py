"""Tests from pieces: each stratum's observed minus expected and its covariance, which simply add up.

So practices can be pooled, number for number, without anyone's cases changing hands.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from scipy.stats import chi2, norm

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError, Problem
from onsetstudy.core.results import Caution, Counts, HypothesisTest, ScorePiece

__all__ = ["NO_SPREAD", "arm_direction", "combine_pieces", "sum_pieces", "whitening"]


NO_SPREAD = 1e-16
"""Variance per case below which scores differ by the rounding of the curve only."""


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
        if name not in arms or not math.isfinite(trend[name])
    ]
    if not problems and len({trend[name] for name in arms}) == 1:
        problems = [
            Problem.of_key(
                "trend",
                "trend gives all arms the same score",
                "give scores in the order in which onset may change, for example 0, 1, 2",
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
