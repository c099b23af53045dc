"""Which named shape fits: families by Akaike's criterion, and a fitted one beside the curve that assumes no shape."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import real_numbers
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals, require_intervals
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.parametric.accelerated_time import fit_accelerated_time
from onsetstudy.survival.parametric.time_models import FAMILIES, log_survival
from onsetstudy.survival.results import ParametricComparison, ParametricFit


def compare_families(
    times: Intervals,
    covariates: Mapping[str, Any] | pd.DataFrame | None = None,
    *,
    reference_arm: str = "",
    reference: Mapping[str, str] | None = None,
    families: tuple[str, ...] = FAMILIES,
) -> ParametricComparison:
    """Families by Akaike's criterion, best first; those that cannot be fitted are named with the reason.

    Parameters
    ----------
    times : Intervals, n cases, or Cases
    covariates, reference_arm, reference
        As for :func:`~onsetstudy.survival.parametric.accelerated_time.fit_accelerated_time`.
    families : tuple of str
        Those to compare; default: all.

    Raises
    ------
    NotEstimable
        If no family can be fitted, with the reason of the first.
    OnsetStudyError
        If no family is named, or as the fit.

    Examples
    --------
    >>> from onsetstudy import Intervals
    >>> from onsetstudy.survival.parametric.families import compare_families
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> found = compare_families(times, families=("weibull", "lognormal", "loglogistic"))
    >>> [f"{fit.family} {fit.aic:.1f}" for fit in found.fits]
    ['weibull 40.8', 'lognormal 41.1', 'loglogistic 41.3']
    """
    if not families:
        raise OnsetStudyError.of_key("families", "no family is named", f"choose among {', '.join(FAMILIES)}")
    fits, failed = [], []
    for family in families:
        try:
            fits.append(
                fit_accelerated_time(times, covariates, family=family, reference_arm=reference_arm, reference=reference)
            )
        except NotEstimable as error:
            failed.append((family, error))
    if not fits:
        raise failed[0][1]
    return ParametricComparison(
        fits=tuple(sorted(fits, key=lambda fit: fit.aic)),
        failed=tuple((family, error.reason) for family, error in failed),
    )


def fitted_against_curve(fit: ParametricFit, times: Intervals, t_min: ArrayLike) -> pd.DataFrame:
    """Proportion not yet numb by a fit without covariates beside the bounds of the nonparametric curve, for a figure.

    Parameters
    ----------
    fit : ParametricFit
        Of the same cases, without covariates: each arm is fitted alone.
    times : Intervals, n cases
    t_min : array_like of float, shape (m,)
        Minutes at which the two are compared.

    Returns
    -------
    DataFrame
        Columns ``minute, fitted, low, high``, m rows. A shape that fits stays within ``low`` and ``high``, or near.

    Raises
    ------
    OnsetStudyError
        If the fit has covariates or is of other cases, or a minute is missing or no number.

    Examples
    --------
    >>> from onsetstudy import Intervals, fit_accelerated_time
    >>> from onsetstudy.survival.parametric.families import fitted_against_curve
    >>> times = Intervals([0, 2, 2, 4, 6, 8], [2, 4, 4, 6, 8, float("inf")])
    >>> fitted_against_curve(fit_accelerated_time(times), times, [2.0, 4.0, 8.0]).round(2)
       minute  fitted   low  high
    0     2.0    0.81  0.83  0.83
    1     4.0    0.54  0.50  0.50
    2     8.0    0.16  0.17  0.17
    """
    require_intervals(times)
    if fit.estimates:
        what = "the fit has covariates, and so as many curves as there are cases"
        raise OnsetStudyError.of_key("fit", what, "give a fit without covariates, of each arm alone")
    if fit.n.cases != len(times) or fit.n.onsets != int(np.isfinite(times.right).sum()):
        what = f"the fit is of {fit.n.cases} cases with {fit.n.onsets} onsets, and not of these {len(times)}"
        raise OnsetStudyError.of_key("times", what, "give the cases that were fitted")
    minutes = np.atleast_1d(real_numbers(t_min, "t_min"))
    low, high = fit_npmle(times).at(minutes)
    value = {name: v for name, v, _ in fit.parameters}
    with np.errstate(divide="ignore"):
        w = (np.log(np.maximum(minutes, 0)) - value["location"]) / np.exp(value["log scale"])
    fitted = np.exp(log_survival(fit.family, w, value.get("shape", 1.0)))
    return pd.DataFrame({"minute": minutes, "fitted": fitted, "low": low, "high": high})
