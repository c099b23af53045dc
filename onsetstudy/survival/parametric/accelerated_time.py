"""Accelerated-time models: onset takes so many times as long.

Fits start from moments; a Weibull that does not settle from there starts where a search without slopes ends. In every
case the result is the point at which our own interval likelihood has no gradient left.

References
----------
.. [1] Kalbfleisch JD, Prentice RL (2002). The Statistical Analysis of Failure Time Data, 2nd ed., chapter 3. Wiley.
.. [2] Prentice RL (1974). A log gamma model and its maximum likelihood estimation. Biometrika 61, 539-544.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Counts
from onsetstudy.inference.assumptions import SCHEDULE
from onsetstudy.inference.design_matrix import Coded, code_covariates
from onsetstudy.inference.likelihood import wald_ratio
from onsetstudy.survival.parametric.time_models import (
    FAMILIES,
    LogLikelihood,
    Optimum,
    chance_rows,
    check_asked,
    observed_information,
    polish,
)
from onsetstudy.survival.results import ParametricFit

SOURCE = "Kalbfleisch & Prentice 2002, The Statistical Analysis of Failure Time Data, chapter 3"
CERTAIN = 1e-6


@takes_cases(second="covariates")
def fit_accelerated_time(
    times: Intervals,
    covariates: Mapping[str, Any] | pd.DataFrame | None = None,
    *,
    family: str = "weibull",
    reference_arm: str = "",
    reference: Mapping[str, str] | None = None,
    conf_level: float = 0.95,
) -> ParametricFit:
    """Time ratios under a parametric distribution of onset.

    Parameters
    ----------
    times : Intervals, n cases, or Cases
        Onset in (left, right], minutes; ``left = 0`` is allowed.
    covariates : DataFrame or mapping, n rows, optional
    family : str
        ``weibull``, ``lognormal``, ``loglogistic`` or ``generalised_gamma``.
    reference_arm : str
        Reference level of the covariate ``arm``.
    reference : mapping, optional
        Reference level by factor.
    conf_level : float
        Two-sided level.

    Returns
    -------
    ParametricFit
        Estimates ``time_ratio``, contrast ``buffered / plain``: below 1 means onset takes less time. ``parameters``:
        location of log time of the reference, log scale, and the shape of the generalised gamma, with their errors.

    Raises
    ------
    NotEstimable
        ``"no_information"`` without onsets, ``"separation"`` if a ratio runs away, ``"not_converged"``, ``"flat"``.
    OnsetStudyError
        If the family is not known, or covariates cannot be used.

    Examples
    --------
    >>> from onsetstudy import Intervals, fit_accelerated_time
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> arm = ["plain"] * 6 + ["buffered"] * 6
    >>> (ratio,) = fit_accelerated_time(times, {"arm": arm}, reference_arm="plain").estimates
    >>> f"{ratio.contrast}: {ratio.estimate:.2f}"
    'buffered / plain: 0.67'
    """
    check_asked(times, family, FAMILIES, conf_level)
    n = len(times)
    counts = Counts.of(np.isfinite(times.right))
    if counts.onsets < 2:
        raise NotEstimable("time_ratio", "fewer than two onsets were seen", code="no_information")
    coded = (
        Coded(x=np.zeros((n, 0)), names=(), contrasts=())
        if covariates is None
        else code_covariates(covariates, n, reference, reference_arm=reference_arm)
    )
    _refuse_silent_arm(times, coded)
    # Per unit of what a column spans the search is as good for years as for days.
    span = np.ptp(coded.x, axis=0)
    spanned = replace(coded, x=coded.x / span)
    value = _log_likelihood(times, spanned, family)
    optimum = _optimum(value, times, spanned, family)
    if optimum.log_likelihood > -CERTAIN * n:
        # A model that says every interval with certainty is no maximum but a step on the way to a scale of nought.
        raise NotEstimable("time_ratio", "the likelihood is flat: these data do not determine the model", code="flat")
    if np.any(np.abs(optimum.theta[1 : span.size + 1]) > 8 * np.maximum(span, 1.0)):
        raise NotEstimable("time_ratio", "a ratio runs away: the cases are separated", code="separation")
    unit = np.concatenate(([1.0], span, np.ones(optimum.theta.size - span.size - 1)))
    covariance = observed_information(value, optimum.theta, "time_ratio") / np.outer(unit, unit)
    theta, model = optimum.theta / unit, f"accelerated time, {family.replace('_', ' ')}"
    names = ("location", *(f"log ratio {c}" for c in coded.contrasts), "log scale", "shape")
    errors = np.sqrt(np.diag(covariance))
    return ParametricFit(
        family=family,
        estimates=tuple(
            wald_ratio("time_ratio", name, theta[j], errors[j], conf_level, method=model, n=counts, source=SOURCE)
            for j, name in enumerate(coded.contrasts, start=1)
        ),
        parameters=tuple((name, float(v), float(e)) for name, v, e in zip(names, theta, errors, strict=False)),
        log_likelihood=optimum.log_likelihood,
        aic=2 * theta.size - 2 * optimum.log_likelihood,
        certificate=optimum.certificate,
        method=f"{model}, maximum likelihood on intervals",
        n=counts,
        assumptions=(
            Assumption(name="distribution of onset", detail=f"log time follows the {family.replace('_', ' ')} model"),
            Assumption(name="accelerated time", detail="a covariate stretches time by the same factor everywhere"),
            SCHEDULE,
        ),
        source=SOURCE,
    )


def _refuse_silent_arm(times: Intervals, coded: Coded) -> None:
    """A group in which nothing was seen to happen, or all before the first test, has a ratio without end."""
    for column, contrast in zip(coded.x.T, coded.contrasts, strict=True):
        levels = np.unique(column)
        for group in (column == level for level in levels if set(levels) <= {0.0, 1.0}):
            silent = not np.isfinite(times.right[group]).any()
            # Numb before anybody looked: any shorter time fits better still.
            if silent or not np.any(times.left[group] > 0):
                what = f"one side of {contrast} has no onset"
                if not silent:
                    what = f"on one side of {contrast} every case was numb at its first test"
                reason = f"{what}, so that its ratio has no finite estimate"
                raise NotEstimable("time_ratio", reason, code="separation")


def _optimum(value: LogLikelihood, times: Intervals, coded: Coded, family: str) -> Optimum:
    """Certified maximum.

    A Weibull that does not settle by its slopes begins once more where a search without them ends. Its likelihood has
    one maximum (Burridge 1981, JRSS B 43:41-5, from memory), so that the start decides nothing but the way.
    """
    starts, n = _starts(times, coded, family), len(times)
    try:
        return polish(value, starts, n, "time_ratio")
    except NotEstimable:
        if family != "weibull":
            raise

        def fallen(theta: FloatArray) -> float:
            return -value(theta)

        near = optimize.minimize(fallen, starts[0], method="Nelder-Mead")
        return polish(value, [near.x], n, "time_ratio")


def _starts(times: Intervals, coded: Coded, family: str) -> list[FloatArray]:
    p = coded.x.shape[1]
    finite = np.isfinite(times.right)
    middle = np.log((times.left[finite] + times.right[finite]) / 2)
    spread = max(float(np.std(middle)), 0.2)
    own = np.concatenate(([float(np.mean(middle)) + 0.3], np.zeros(p), [np.log(spread)]))
    if family == "generalised_gamma":
        weibull, lognormal = (
            polish(_log_likelihood(times, coded, special), [own], len(times), "time_ratio").theta
            for special in ("weibull", "lognormal")
        )
        return [np.append(weibull, 0.9), np.append(lognormal, 0.1), np.append(lognormal, -0.3)]
    return [own]


def _log_likelihood(times: Intervals, coded: Coded, family: str) -> LogLikelihood:
    """Function of location, log ratios, log scale and (generalised gamma) shape."""
    p = coded.x.shape[1]

    def value(theta: FloatArray) -> float:
        shape = float(theta[-1]) if family == "generalised_gamma" else 1.0
        if abs(theta[p + 1]) > 8 or abs(shape) > 12:
            return -np.inf
        gap, before, never = chance_rows(
            family, times, theta[0] + coded.x @ theta[1 : p + 1], float(np.exp(theta[p + 1])), shape
        )
        total = float(np.where(never, before, gap).sum())
        return total if not np.isnan(total) else -np.inf

    return value
