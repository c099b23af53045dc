"""Cases, covariates, strata and clusters set up for the fit of proportional hazards."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import (
    Counts,
)
from onsetstudy.inference.design_matrix import Coded, code_covariates
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.hazards.ph_fit import Problem, set_up

__all__ = ["Setting", "setting_of"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Setting:
    """Cases as the fit needs them: coded covariates, the likelihood's problem, counts, weights and clusters."""

    coded: Coded
    problem: Problem
    counts: Counts
    weight: FloatArray
    cluster: NDArray[np.intp] | None
    conf_level: float


def setting_of(
    times: Intervals,
    covariates: Mapping[str, Any] | pd.DataFrame,
    stratum: ArrayLike | None,
    cluster: ArrayLike | None,
    weight: ArrayLike | None,
    weight_kind: str,
    reference: Mapping[str, str] | None,
    conf_level: float,
    curves: Curves | None,
) -> Setting:
    """Checked cases; parameters as of ``fit_proportional_hazards``.

    Raises
    ------
    NotEstimable
        If there is no case.
    OnsetStudyError
        If strata, clusters or level do not fit.
    """
    n = len(times)
    if n == 0:
        raise NotEstimable("hazard_ratio", "there is no case", code="no_cases")
    if not 0.5 < conf_level < 1:
        raise OnsetStudyError(f"the confidence level must lie between 0.5 and 1, not {conf_level:g}")
    coded = code_covariates(covariates, n, reference)
    w = np.ones(n) if weight is None else np.asarray(weight, dtype=np.float64)
    strata = _numbered(stratum, n, "stratum")
    groups = None if cluster is None else _numbered(cluster, n, "cluster")
    if groups is not None and int(groups.max()) + 1 <= coded.x.shape[1]:
        raise OnsetStudyError("there are too few clusters for an error that takes them together")
    arm = np.asarray(covariates["arm"]).astype(str) if "arm" in covariates else None
    return Setting(
        coded=coded,
        problem=set_up(times, coded.x, np.zeros(n, dtype=np.intp) if strata is None else strata, w, curves),
        counts=Counts.of(np.isfinite(times.right), arm, cases=w if weight_kind == "counts" else None),
        weight=w,
        cluster=groups,
        conf_level=conf_level,
    )


def _numbered(values: ArrayLike | None, n: int, name: str) -> NDArray[np.intp] | None:
    if values is None:
        return None
    array = np.asarray(values)
    if array.shape != (n,):
        raise OnsetStudyError(f"{name} must have one value per case: {n}, not {array.shape}")
    codes, _ = pd.factorize(array, sort=True)
    if np.any(codes < 0):
        raise OnsetStudyError(f"{name} has missing values")
    return np.asarray(codes, dtype=np.intp)
