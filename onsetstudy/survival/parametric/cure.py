"""The share that never becomes numb: a mixture of never and of a parametric time to onset.

Never-numb cases are told from late ones by the shape of the curve at its end only. When testing stops while the
model still expects onsets, share and time cannot be told apart, and the result says so.

References
----------
.. [1] Farewell VT (1982). The use of mixture models for the analysis of survival data with long-term survivors.
   Biometrics 38, 1041-1046.
.. [2] Maller RA, Zhou X (1996). Survival Analysis with Long-Term Survivors. Wiley (test at the boundary; follow-up).
.. [3] Feldman GJ, Cousins RD (1998). Unified approach to the classical statistical analysis of small signals. Physical
   Review D 57, 3873-3889 (limits of what cannot be below 0).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import optimize, special

from onsetstudy.core.arrays import FloatArray, one_per_case
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Caution, Counts, Estimate
from onsetstudy.inference.assumptions import SCHEDULE
from onsetstudy.inference.design_matrix import Coded, code_covariates
from onsetstudy.inference.likelihood import boundary_test, fall_to_lower_limit, wald_ratio
from onsetstudy.inference.parameter import Parameter
from onsetstudy.inference.proportions import normal_quantile
from onsetstudy.survival.parametric.accelerated_time import fit_accelerated_time, refuse_endless
from onsetstudy.survival.parametric.time_models import (
    LogLikelihood,
    Optimum,
    chance_rows,
    check_asked,
    log_survival,
    observed_information,
    polish,
)
from onsetstudy.survival.results import NeverNumbFit, ParametricFit

SHARE = "never_numb_share"
CURE_FAMILIES = ("weibull", "lognormal", "loglogistic")
SOURCE = "Farewell 1982, Biometrics 38:1041-1046; Maller & Zhou 1996, Survival Analysis with Long-Term Survivors"
LIMITS = "profile likelihood, with a bound at 0"
STILL_EXPECTED = 0.05
CORRELATED = 0.9
NOUGHT = 1e-4
"""A share below it is at its bound of 0, where the likelihood goes on rising towards it."""


def fit_never_numb(
    times: Intervals,
    arm: ArrayLike | None = None,
    *,
    reference_arm: str = "",
    family: str = "weibull",
    conf_level: float = 0.95,
) -> NeverNumbFit:
    """Share never numb per arm, with onset of the others following an accelerated-time model.

    Parameters
    ----------
    times : Intervals, n cases
        Onset in (left, right], minutes.
    arm : array_like of str, shape (n,), optional
        Arms differ in the share and in time; without it one share is estimated.
    reference_arm : str
        By default the first in sorted order.
    family : str
        ``weibull``, ``lognormal`` or ``loglogistic``.
    conf_level : float
        Two-sided level.

    Returns
    -------
    NeverNumbFit
        ``shares``: ``never_numb_share`` per arm, limits by profile likelihood, which begin at 0 exactly where a test
        at the boundary does not reject that the arm has none; ``time_ratio`` among those who become numb, with more
        than two arms of the first against the reference, and of the others in ``more``; ``test``
        of no never-numb cases at all (boundary: half the chi-square p-value for one share). An arm whose share is
        greatest in likelihood at 0 has the estimate 0.

    Raises
    ------
    NotEstimable
        ``"not_converged"``, ``"flat"``, or ``"boundary"`` where the likelihood is greatest without never-numb cases
        in any arm; its ``bound`` ends with the upper limit by profile likelihood, of several arms the largest.
    OnsetStudyError
        If the family or the arms cannot be used.

    Notes
    -----
    The chance of a case never seen numb is ``share + (1 - share) S(left)``; leaving out the first part would count
    never-numb cases out of the likelihood altogether.

    Examples
    --------
    >>> from onsetstudy import Intervals, fit_never_numb
    >>> left = [0, 1, 1, 2, 2, 2, 3, 3, 4, 20, 20, 20]
    >>> right = [1, 2, 2, 3, 3, 3, 4, 4, 5] + [float("inf")] * 3
    >>> (share,) = fit_never_numb(Intervals(left, right)).shares
    >>> f"{share.estimate:.2f}"
    '0.25'
    """
    check_asked(times, family, CURE_FAMILIES, conf_level)
    n = len(times)
    arm = None if arm is None else _labels(arm, n)
    coded, arms = _coded(arm, n, reference_arm)
    counts = Counts.of(np.isfinite(times.right), None if arm is None else np.asarray(arm).astype(str))
    without = fit_accelerated_time(
        times, None if arm is None else {"arm": arm}, family=family, reference_arm=reference_arm
    )
    # Who was without onset when the last was seen is explained by the share, however small the scale.
    told = ~times.right_censored | (times.left < times.right[~times.right_censored].max())
    refuse_endless(times.take(told), coded.x[told], SHARE)
    model = _Mixture(times=times, family=family, coded=coded, arms=arms)
    optimum, free = _with_some_at_nought(model, without, conf_level)
    covariance = observed_information(model.value(free), optimum.theta, SHARE, log_scale=-1)
    errors, timing = np.sqrt(np.diag(covariance)), f"accelerated time among those who become numb, {family}"
    ratios = [
        wald_ratio(
            "time_ratio", contrast, optimum.theta[j], errors[j], conf_level, method=timing, n=counts, source=SOURCE
        )
        for j, contrast in enumerate(coded.contrasts, start=len(free) + 1)
    ]
    return NeverNumbFit(
        family=family,
        shares=_shares(model, optimum, free, covariance, counts, conf_level),
        time_ratio=ratios[0] if ratios else None,
        more=tuple(ratios[1:]),
        test=boundary_test(
            optimum.log_likelihood - without.log_likelihood,
            quantity="never_numb_test",
            alternative="some never become numb",
            null="never-numb cases",
            n=counts,
            bounds=len(arms),
            source="Maller & Zhou 1996, chapter 5",
        ),
        log_likelihood=optimum.log_likelihood,
        certificate=optimum.certificate,
        method=f"mixture of never and {family} onset, maximum likelihood on intervals",
        n=counts,
        assumptions=(
            Assumption(name="distribution of onset", detail=f"among those who become numb onset is {family}"),
            Assumption(name="long follow-up", detail="testing went on until hardly any onset was still to come"),
            SCHEDULE,
        ),
        caution=_cautions(model, optimum.theta, covariance, len(free)),
        source=SOURCE,
    )


def _labels(arm: ArrayLike, n: int) -> ArrayLike:
    """Arms as text, one for every case; a categorical as it is, for the order of its levels."""
    text = one_per_case(arm, n, "arm").astype(str)
    return arm if isinstance(getattr(arm, "dtype", None), pd.CategoricalDtype) else text


def _coded(arm: ArrayLike | None, n: int, reference_arm: str) -> tuple[Coded, tuple[str, ...]]:
    if arm is None:
        return Coded(x=np.zeros((n, 0)), names=(), contrasts=()), ("all",)
    coded = code_covariates({"arm": arm}, n, reference_arm=reference_arm)
    others = [level for level in coded.levels["arm"] if level in coded.level]
    return coded, (*(level for level in coded.levels["arm"] if level not in others), *others)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Mixture:
    """Likelihood with the logit of the share of each free arm first, then location, its contrasts and log scale."""

    times: Intervals
    family: str
    coded: Coded
    arms: tuple[str, ...]

    @property
    def member(self) -> FloatArray:
        """Arm of each case as columns of 0 and 1, shape (n, arms)."""
        others = self.coded.x
        return np.column_stack((1.0 - others.sum(axis=1), others))

    def value(self, free: Sequence[int], held: tuple[int, float] | None = None) -> LogLikelihood:
        """Log-likelihood with the share of arms that are not ``free`` at 0; ``held``: an arm and its logit."""
        columns = self.member[:, list(free)]
        fixed = np.zeros(len(self.times)) if held is None else self.member[:, held[0]]
        apart = np.where((columns.sum(axis=1) + fixed) > 0, 0.0, -np.inf)
        design = np.column_stack((np.ones(len(self.times)), self.coded.x))
        k, logit = len(free), 0.0 if held is None else held[1]

        def log_likelihood(theta: FloatArray) -> float:
            share, rest = theta[:k], theta[k:]
            if np.any(np.abs(share) > 30) or abs(rest[-1]) > 8:
                return -np.inf
            gap, before, never = chance_rows(self.family, self.times, design @ rest[:-1], float(np.exp(rest[-1])))
            odds = columns @ share + fixed * logit + apart
            log_never, log_ever = -np.logaddexp(0, -odds), -np.logaddexp(0, odds)
            total = float(np.where(never, np.logaddexp(log_never, log_ever + before), log_ever + gap).sum())
            return total if not np.isnan(total) else -np.inf

        return log_likelihood


def _with_some_at_nought(model: _Mixture, without: ParametricFit, conf_level: float) -> tuple[Optimum, list[int]]:
    """Maximum with the arms whose share is above 0, and these arms; raises if there is none of them."""
    n, free = len(model.times), list(range(len(model.arms)))
    location = np.array([v for _, v, _ in without.parameters])
    starts = _starts(model, location, free)
    while free:
        optimum = polish(model.value(free), starts, n, SHARE)
        above = special.expit(optimum.theta[: len(free)]) >= NOUGHT
        if above.all() and optimum.log_likelihood > without.log_likelihood + 1e-7:
            return optimum, free
        if above.all():
            break
        keep = np.append(above, np.ones(location.size, dtype=bool))
        free, starts = [k for k, up in zip(free, above, strict=True) if up], [optimum.theta[keep]]
    none = polish(model.value([]), [location], n, SHARE)
    highest = max(_profile_limits(model, none, [], k, conf_level)[1] for k in range(len(model.arms)))
    reason = "the likelihood is greatest without never-numb cases"
    raise NotEstimable(SHARE, reason, code="boundary", bound=(0.0, highest))


def _starts(model: _Mixture, location: FloatArray, free: Sequence[int]) -> list[FloatArray]:
    """From the share never seen numb in each arm, halved and as it is, around the fit without never-numb cases."""
    member = model.member[:, list(free)]
    seen = (member.T @ model.times.right_censored) / member.sum(axis=0)
    shares = (np.clip(part * seen, 0.005, 0.95) for part in (0.4, 0.9, 0.1))
    return [np.concatenate((special.logit(share), location[:-1], [location[-1] - 0.2])) for share in shares]


def _shares(
    model: _Mixture, optimum: Optimum, free: Sequence[int], covariance: FloatArray, counts: Counts, conf_level: float
) -> tuple[Estimate, ...]:
    method, estimates = f"mixture of never and {model.family} onset", []
    for k, name in enumerate(model.arms):
        of = Parameter(quantity=SHARE, contrast=name, unit="proportion", n=counts, conf_level=conf_level)
        limits, share, error, how = _profile_limits(model, optimum, free, k, conf_level), 0.0, None, LIMITS
        if k in free:
            place = list(free).index(k)
            share, error = float(special.expit(optimum.theta[place])), float(np.sqrt(covariance[place, place]))
        else:
            how += "; the estimate is at its bound"
        estimates.append(of.estimate(share, limits, by=how, method=method, std_error=error, source=SOURCE))
    return tuple(estimates)


def _profile_limits(
    model: _Mixture, optimum: Optimum, free: Sequence[int], arm: int, conf_level: float
) -> tuple[float, float]:
    """Limits of the share of an arm, free or at 0, where the profile likelihood has fallen by so much."""
    n, others = len(model.times), [k for k in free if k != arm]
    place = list(free).index(arm) if arm in free else None
    best = float(special.logit(NOUGHT)) if place is None else float(optimum.theta[place])
    start = optimum.theta if place is None else np.delete(optimum.theta, place)

    def reached(lost: float, step: float, end: float) -> float:
        """Share at which so much is lost, sought in steps from the best; at the ``end`` none or all."""
        near = [start]

        def left(logit: float) -> float:
            found = polish(model.value(others, (arm, logit)), [near[0]], n, SHARE)
            near[0] = found.theta
            return lost - (optimum.log_likelihood - found.log_likelihood)

        inner, outer = best, best + step
        while left(outer) > 0:
            inner, outer = outer, outer + step
            if abs(outer) >= end:
                return float(step > 0)
        near[0] = start
        return float(special.expit(optimize.brentq(left, inner, outer, xtol=1e-4)))

    low = 0.0
    if place is not None:
        at_nought = polish(model.value(others), [start], n, SHARE)
        gain = optimum.log_likelihood - at_nought.log_likelihood
        lost = fall_to_lower_limit(gain, conf_level)
        low = reached(lost, -3.0, 30.0) if lost < gain else 0.0
    return low, reached(normal_quantile(conf_level) ** 2 / 2, 3.0, 12.0)


def _cautions(model: _Mixture, theta: FloatArray, covariance: FloatArray, shares: int) -> tuple[Caution, ...]:
    """Whether testing went on long enough in every arm to tell never from late."""
    times, rest = model.times, theta[shares:]
    z = np.column_stack((np.ones(len(times)), model.coded.x))
    with np.errstate(divide="ignore"):
        w = (np.log(times.left) - z @ rest[:-1]) / np.exp(rest[-1])
    expected, never = np.exp(log_survival(model.family, w)), times.right_censored & (times.left > 0)
    ends = [
        (float(expected[rows].min()), float(times.left[rows].max()))
        for rows in (model.member.T == 1) & never
        if rows.any()
    ]
    if not ends:
        return ()
    still, last = max(ends)
    spread = np.sqrt(np.diag(covariance))
    tied = float(np.abs(covariance / np.outer(spread, spread))[:shares, shares:].max())
    if still <= STILL_EXPECTED and tied <= CORRELATED:
        return ()
    text = (
        f"Testing ended at {last:g} min, when {still:.0%} of the onsets were still to come under the model: never "
        "and late can hardly be told apart, and the share depends on the model's tail."
    )
    return (Caution(code="short_follow_up", text=text),)
