"""Onset curves predicted by proportional hazards: for stated covariates, and standardised over the observed cases."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Counts
from onsetstudy.inference.design_matrix import code_covariates
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.hazards.ph_fit import RUN_AWAY, HazardsProblem, Maximum, maximise, set_up
from onsetstudy.survival.hazards.ph_likelihood import LARGEST_PREDICTOR
from onsetstudy.survival.results import OnsetCurve

PROPORTIONAL = Assumption(
    name="proportional hazards", detail="the curve is the baseline's, raised to the relative hazard"
)
SOURCE = "Finkelstein 1986, Biometrics 42:845-854"


def standardise_curves(
    times: Intervals,
    covariates: Mapping[str, Any] | pd.DataFrame,
    *,
    by: str = "arm",
    reference: Mapping[str, str] | None = None,
    curves: Curves | None = None,
) -> dict[str, OnsetCurve]:
    """Curve for each level of ``by``, as if every observed case had had that level (g-computation).

    Parameters
    ----------
    by : str
        A factor among the covariates.
    curves : Curves, optional
        Those of the work that this belongs to; default: fitted for this call only.

    Returns
    -------
    dict
        Level to curve, in sorted order. The average is of survival curves, not of covariates.

    References
    ----------
    .. [1] Robins JM (1986). Mathematical Modelling 7, 1393-1512 (standardisation over the observed covariates).
    """
    frame = pd.DataFrame({str(key): np.asarray(values) for key, values in covariates.items()})
    if by not in frame:
        raise OnsetStudyError(f"{by} is not among the covariates {', '.join(frame.columns)}")
    coded = code_covariates(frame, len(times), reference)
    problem = set_up(times, coded.x, curves=curves)
    maximum = maximise(problem)
    counts = Counts.of(np.isfinite(times.right))
    standardised = {}
    for level in sorted(frame[by].astype(str).unique()):
        x = coded.x.copy()
        for j, (name, contrast) in enumerate(zip(coded.names, coded.contrasts, strict=True)):
            if name == by:
                x[:, j] = float(contrast.split(": ")[-1].split(" / ")[0] == level)
        rows, share = np.unique(x, axis=0, return_counts=True)
        method = f"proportional hazards, standardised over the observed cases as if all were {level}"
        standardised[level] = _curve(problem, maximum, rows, share / share.sum(), counts, method)
    return standardised


def _curve(
    problem: HazardsProblem, maximum: Maximum, rows: FloatArray, share: FloatArray, counts: Counts, method: str
) -> OnsetCurve:
    """Average over rows of covariates of the curves they predict."""
    position, cumulative = maximum.active.position, np.append(np.cumsum(maximum.h), np.inf)
    predictor = (rows - problem.centre) @ maximum.b
    if not np.max(np.abs(predictor), initial=0.0) <= LARGEST_PREDICTOR:
        raise NotEstimable("standardised_curve", RUN_AWAY, code="run_away")
    relative = np.exp(predictor)
    surv = share @ np.exp(-relative[:, None] * cumulative[None, :])
    mass = -np.diff(np.concatenate(([1.0], surv)))
    keep = mass > 0
    return OnsetCurve(
        left=problem.support_left[position][keep],
        right=problem.support_right[position][keep],
        mass=mass[keep],
        determined=np.ones(int(keep.sum())),
        log_likelihood=maximum.log_likelihood,
        certificate=maximum.certificate("largest gradient or gain, relative to the total weight"),
        n=counts,
        method=method,
        assumptions=(PROPORTIONAL,),
        source=SOURCE,
    )
