"""Chance of the arm given what was recorded, and weights under which the arms are alike."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy import special

from onsetstudy.adjustment.results import OneSided, Overlap
from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable

LEAST_LEVEL = 5
OTHER = "other levels"
# Beyond this linear predictor a case's arm is as good as certain.
CERTAIN = 12.0


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """Columns of 0 and 1 (or standardised measures), with covariate and level of each."""

    matrix: FloatArray
    names: tuple[tuple[str, str], ...]


def code_columns(covariates: Mapping[str, NDArray[Any]]) -> Design:
    """Every level of every covariate as a column, rare ones (below five cases) together; measures standardised.

    The last level of a covariate has no column of its own.
    """
    columns: dict[tuple[str, str], FloatArray] = {}
    for name, raw in covariates.items():
        values = np.asarray(raw)
        if values.dtype.kind == "f":
            if (spread := float(values.std())) > 0:
                columns[name, "measure"] = (values - values.mean()) / spread
            continue
        codes = _levels(values)
        for level in sorted(set(codes))[:-1]:
            columns[name, level] = (codes == level).to_numpy(dtype=np.float64)
    size = len(next(iter(covariates.values()))) if covariates else 0
    matrix = np.column_stack(list(columns.values())) if columns else np.empty((size, 0))
    return Design(matrix=matrix, names=tuple(columns))


def _levels(values: NDArray[Any]) -> pd.Series:
    codes = pd.Series(values.astype(str))
    return codes.where(codes.map(codes.value_counts()) >= LEAST_LEVEL, OTHER)


def one_sided(
    other: NDArray[np.bool_], covariates: Mapping[str, NDArray[Any]], arms: tuple[str, str]
) -> tuple[tuple[OneSided, ...], NDArray[np.bool_]]:
    """Levels, as ``code_columns`` has them, of which nobody had one of the arms; and the cases in any of them."""
    found, inside = [], np.zeros(other.size, dtype=bool)
    for name, raw in covariates.items():
        values = np.asarray(raw)
        if values.dtype.kind == "f":
            continue
        codes = _levels(values).to_numpy()
        for level in sorted(set(codes)):
            rows = codes == level
            had = other[rows]
            if had.all() or not had.any():
                never = arms[0] if had.all() else arms[1]
                found.append(OneSided(covariate=name, level=str(level), never=never, cases=int(rows.sum())))
                inside |= rows
    return tuple(found), inside


def fit_propensity(other: NDArray[np.bool_], matrix: FloatArray, *, strict: bool = True) -> FloatArray:
    """Chance of the other arm of each case by logistic regression (statsmodels).

    Parameters
    ----------
    other : ndarray of bool, shape (n,)
    matrix : ndarray of float, shape (n, k)
    strict : bool
        Refuse a fit that says an arm for certain. Cases drawn anew for limits may do so: overlap weights stay finite,
        and those cases count for nothing.

    Raises
    ------
    NotEstimable
        If what was recorded says the arm for certain, the fit does not converge, or columns say the same.
    """
    x = np.column_stack((np.ones(other.size), matrix))
    if strict and np.linalg.matrix_rank(x) < x.shape[1]:
        raise NotEstimable(
            "propensity", "two covariates say the same, so that they cannot be told apart", code="collinear"
        )
    if other.all() or not other.any():
        raise NotEstimable("propensity", "there is one arm only", code="arm_missing")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            fit = sm.GLM(other.astype(np.float64), x, family=sm.families.Binomial()).fit(maxiter=50)
        except (np.linalg.LinAlgError, ValueError):
            raise NotEstimable("propensity", "the chance of the arm cannot be fitted", code="not_converged") from None
    predictor = x @ fit.params
    if not np.all(np.isfinite(predictor)):
        raise NotEstimable("propensity", "the chance of the arm cannot be fitted", code="not_converged")
    if strict and (not fit.converged or np.max(np.abs(predictor)) > CERTAIN):
        reason = "what was recorded says for some cases which arm they had for certain: nobody alike had the other"
        raise NotEstimable("propensity", reason, code="separation")
    return np.asarray(special.expit(predictor), dtype=np.float64)


def overlap_weights(other: NDArray[np.bool_], chance: FloatArray) -> FloatArray:
    """One minus the chance of the arm that a case had: most weight where both arms were likely.

    With a logistic fit the weighted means of every column are exactly equal in both arms (Li F, Morgan KL, Zaslavsky
    AM. Journal of the American Statistical Association 2018;113:390-400).
    """
    return np.where(other, 1 - chance, chance)


def overlap_of(other: NDArray[np.bool_], chance: FloatArray, weight: FloatArray, arms: tuple[str, str]) -> Overlap:
    """Effective cases by arm, and the share of cases whose chance lies beyond what the other arm has."""
    effective = tuple(
        (name, float(weight[rows].sum() ** 2 / (weight[rows] ** 2).sum()), int(rows.sum()))
        for name, rows in zip(arms, (~other, other), strict=True)
    )
    low = max(chance[other].min(), chance[~other].min())
    high = min(chance[other].max(), chance[~other].max())
    return Overlap(effective=effective, outside=float(np.mean((chance < low) | (chance > high))))
