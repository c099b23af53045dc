"""Accelerated-time models: onset takes so many times as long.

Fits start from moments; a Weibull that does not settle from there starts where a search without slopes ends. In every
case the result is the point at which our own interval likelihood has no gradient left.

References
----------
.. [1] Kalbfleisch JD, Prentice RL (2002). The Statistical Analysis of Failure Time Data, 2nd ed., chapter 3. Wiley.
.. [2] Prentice RL (1974). A log gamma model and its maximum likelihood estimation. Biometrika 61, 539-544.
.. [3] Burridge J (1981). A note on maximum likelihood estimation for regression models using grouped data. JRSS B 43,
   41-45, from memory (the likelihood is concave in one over the scale, and in location and log ratios over it).
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, sparse, stats

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Counts, Estimate, Interval
from onsetstudy.inference.assumptions import SCHEDULE
from onsetstudy.inference.design_matrix import Coded, code_covariates
from onsetstudy.inference.likelihood import wald_ratio
from onsetstudy.inference.proportions import normal_quantile
from onsetstudy.survival.hazards.separation import freedom
from onsetstudy.survival.parametric.time_models import (
    FAMILIES,
    FLAT,
    LogLikelihood,
    Optimum,
    chance_rows,
    check_asked,
    observed_information,
    polish,
)
from onsetstudy.survival.results import ParametricFit

SOURCE = "Kalbfleisch & Prentice 2002, The Statistical Analysis of Failure Time Data, chapter 3"
Profile = Callable[[float], float]
SHAPED = "generalised_gamma"
REACH = np.log(1e6)
"""Logarithm of the time ratio up to which limits are sought where there is no estimate."""


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
        Limits by profile likelihood, P values of its ratio; by curvature (Wald) for the generalised gamma, whose
        likelihood may have several hills.

    Raises
    ------
    NotEstimable
        ``"no_information"`` without onsets, ``"separation"`` if a ratio runs away, ``"not_converged"``, ``"flat"``
        where a model without spread fits best, or the scale is hardly determined; ``bound`` then holds the limits of
        the ratio by profile likelihood, if there is one ratio, no exact time, no shape to be estimated, and the profile
        settles: the one thing that can be said.
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
    try:
        refuse_endless(times, spanned.x, "time_ratio")
        optimum = _optimum(value, times, spanned, family)
        covariance = observed_information(value, optimum.theta, "time_ratio", log_scale=span.size + 1)
    except NotEstimable as error:
        if error.code == "flat" and span.size == 1 and family != SHAPED and not times.exact.any():
            error.bound = _bound(_profile(times, spanned, family, 0), span[0], conf_level)
        raise
    unit = np.concatenate(([1.0], span, np.ones(optimum.theta.size - span.size - 1)))
    theta, errors = optimum.theta / unit, np.sqrt(np.diag(covariance)) / unit
    model = f"accelerated time, {family.replace('_', ' ')}"
    names = ("location", *(f"log ratio {c}" for c in coded.contrasts), "log scale", "shape")
    ratios = [
        wald_ratio("time_ratio", name, theta[j], errors[j], conf_level, method=model, n=counts, source=SOURCE)
        for j, name in enumerate(coded.contrasts, start=1)
    ]
    if family != SHAPED:
        ratios = [
            _by_profile(ratio, _profile(times, spanned, family, j), optimum, span[j]) for j, ratio in enumerate(ratios)
        ]
    return ParametricFit(
        family=family,
        estimates=tuple(ratios),
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


def refuse_endless(times: Intervals, x: FloatArray, quantity: str) -> None:
    """Raise where the likelihood rises without end: as a ratio runs away, or as the scale goes to 0.

    Each end of an interval asks that ``(log time - location - x'b) / scale`` be small or large. If one over the scale,
    and location and log ratios over it, can move without end so that no case is contradicted, likelihood is greatest at
    the end of that way, whatever the family; if they cannot it has a maximum, for it is concave in them. Neither unit
    of time nor reference level has a part in it.
    """
    design = np.column_stack((np.ones(len(times)), x))
    waited, became = times.left > 0, np.isfinite(times.right)
    small = np.column_stack((np.log(times.left[waited]), -design[waited]))
    large = np.column_stack((-np.log(times.right[became]), design[became]))
    sides = sparse.csr_matrix(np.unique(np.vstack((small, large)), axis=0))
    first = np.eye(1, sides.shape[1])
    at_rest, free = sparse.csr_matrix(np.vstack((first, -first))), sparse.csr_matrix((0, sides.shape[1]))
    if any(freedom(sides, at_rest, j, sign) == "rises" for j in range(2, sides.shape[1]) for sign in (1, -1)):
        raise NotEstimable(quantity, "a ratio runs away: the cases are separated", code="separation")
    if freedom(sides, free, 0, 1) != "held":
        raise NotEstimable(quantity, FLAT, code="flat")


def _profile(times: Intervals, coded: Coded, family: str, column: int) -> Profile:
    """Largest log-likelihood as a function of one log ratio: that of times which are undone of it.

    It is sought where it is concave, so that a likelihood without a maximum comes near its limit all the same.
    """
    x, others = coded.x[:, column], replace(coded, x=np.delete(coded.x, column, axis=1))

    @functools.cache  # An end of a bracket is asked of again.
    def highest(ratio: float) -> float:
        undone = Intervals(times.left * np.exp(-ratio * x), times.right * np.exp(-ratio * x))
        found = _concave(_log_likelihood(undone, others, family), _moments(undone, others), len(times))
        return found.log_likelihood - ratio * float(x[times.exact].sum())

    return highest


def _limits(profile: Profile, best: float, top: float, conf_level: float) -> FloatArray:
    """Log ratios at which the profile has fallen from its ``top`` by half the chi-square quantile."""

    def beyond(ratio: float) -> float:
        return float(np.sqrt(2 * max(0.0, top - profile(ratio)))) - normal_quantile(conf_level)

    ends = []
    for sign in (-1.0, 1.0):
        inner, stride = best, sign * 0.25
        while beyond(inner + stride) < 0 and abs(inner - best) < REACH:
            inner, stride = inner + stride, 2 * stride
        far = abs(inner - best) >= REACH
        # No closer: where the profile falls all at once no search settles beside the edge.
        ends.append(sign * np.inf if far else optimize.brentq(beyond, inner, inner + stride, xtol=1e-4))
    return np.array(ends, dtype=np.float64)


def _by_profile(wald: Estimate, profile: Profile, optimum: Optimum, span: float) -> Estimate:
    """The ratio with limits and P value by its profile, whose log ratio is per ``span``."""
    level, top = wald.interval.level, optimum.log_likelihood
    low, high = np.exp(_limits(profile, np.log(wald.estimate) * span, top, level) / span)
    return replace(
        wald,
        interval=Interval(low=float(low), high=float(high), level=level, method="profile likelihood, log scale"),
        p_value=float(stats.chi2.sf(max(0.0, 2 * (top - profile(0.0))), 1)),
    )


def _bound(profile: Profile, span: float, conf_level: float) -> tuple[float, float] | None:
    """Limits of a ratio that has no estimate; none where the profile does not settle beside an edge."""
    with suppress(NotEstimable):
        best = optimize.minimize_scalar(lambda ratio: -profile(ratio), bracket=(0.0, 0.1), tol=1e-5)
        low, high = np.exp(_limits(profile, best.x, -best.fun, conf_level) / span)
        return float(low), float(high)
    return None


def _optimum(value: LogLikelihood, times: Intervals, coded: Coded, family: str) -> Optimum:
    """Certified maximum.

    A Weibull that does not settle by its slopes begins once more where a search without them ends. Its likelihood has
    one maximum [3]_, so that the start decides nothing but the way.
    """
    starts, n = [_moments(times, coded)], len(times)
    if family == SHAPED:
        weibull, lognormal = (
            polish(_log_likelihood(times, coded, special), starts, n, "time_ratio").theta
            for special in ("weibull", "lognormal")
        )
        starts = [np.append(weibull, 0.9), np.append(lognormal, 0.1), np.append(lognormal, -0.3)]
    try:
        return polish(value, starts, n, "time_ratio")
    except NotEstimable:
        if family != "weibull":
            raise

        def fallen(theta: FloatArray) -> float:
            return -value(theta)

        near = optimize.minimize(fallen, starts[0], method="Nelder-Mead")
        return polish(value, [near.x], n, "time_ratio")


def _concave(value: LogLikelihood, start: FloatArray, n: int) -> Optimum:
    """Maximum in location and log ratios over the scale and one over it, in which the likelihood is concave [3]_."""

    def steep(u: FloatArray) -> float:
        return value(np.append(u[:-1] / u[-1], -np.log(u[-1]))) if u[-1] > 0 else -np.inf

    return polish(steep, [np.append(start[:-1], 1.0) / np.exp(start[-1])], n, "time_ratio")


def _moments(times: Intervals, coded: Coded) -> FloatArray:
    """Location, log ratios of 0 and log scale by the middles of the intervals."""
    finite = np.isfinite(times.right)
    middle = np.log((times.left[finite] + times.right[finite]) / 2)
    spread = max(float(np.std(middle)), 0.2)
    return np.concatenate(([float(np.mean(middle)) + 0.3], np.zeros(coded.x.shape[1]), [np.log(spread)]))


def _log_likelihood(times: Intervals, coded: Coded, family: str) -> LogLikelihood:
    """Function of location, log ratios, log scale and (generalised gamma) shape."""
    p = coded.x.shape[1]

    def value(theta: FloatArray) -> float:
        shape = float(theta[-1]) if family == SHAPED else 1.0
        # A scale next to 0 is no mistake: beside the edge of what fits exactly nothing else does.
        if not -30 < theta[p + 1] < 8 or abs(shape) > 12:
            return -np.inf
        gap, before, never = chance_rows(
            family, times, theta[0] + coded.x @ theta[1 : p + 1], float(np.exp(theta[p + 1])), shape
        )
        total = float(np.where(never, before, gap).sum())
        return total if not np.isnan(total) else -np.inf

    return value
