"""The share that never becomes numb: a mixture of never and of a parametric time to onset.

Never-numb cases are told from late ones by the shape of the curve at its end only. When testing stops while the
model still expects onsets, share and time cannot be told apart, and the result says so.

References
----------
.. [1] Farewell VT (1982). The use of mixture models for the analysis of survival data with long-term survivors.
   Biometrics 38, 1041-1046.
.. [2] Maller RA, Zhou X (1996). Survival Analysis with Long-Term Survivors. Wiley (test at the boundary; follow-up).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Caution, Certificate, Counts, Estimate, HypothesisTest, Interval
from onsetstudy.survival.coding import Coded, code_covariates
from onsetstudy.survival.parametric import fit_accelerated_time
from onsetstudy.survival.results import NeverNumbFit
from onsetstudy.survival.time_models import (
    GRADIENT_TOLERANCE,
    chance_rows,
    log_survival,
    observed_information,
    polish,
)

__all__ = ["fit_never_numb"]

FloatArray = NDArray[np.float64]
CURE_FAMILIES = ("weibull", "lognormal", "loglogistic")
SOURCE = "Farewell 1982, Biometrics 38:1041-1046; Maller & Zhou 1996, Survival Analysis with Long-Term Survivors"
STILL_EXPECTED = 0.05
CORRELATED = 0.9


def fit_never_numb(
    times: Intervals,
    arm: Any = None,
    *,
    reference_arm: str | None = None,
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
    reference_arm : str, optional
    family : str
        ``weibull``, ``lognormal`` or ``loglogistic``.
    conf_level : float
        Two-sided level.

    Returns
    -------
    NeverNumbFit
        ``shares``: ``never_numb`` per arm (logit interval); ``time_ratio`` among those who become numb; ``test`` of no
        never-numb cases at all (boundary: half the chi-square p-value for one share).

    Raises
    ------
    NotEstimable
        ``"not_converged"``, ``"flat"``, or ``"boundary"`` where the likelihood is greatest without never-numb cases.
    OnsetStudyError
        If the family or the arms cannot be used.

    Notes
    -----
    The chance of a case never seen numb is ``share + (1 - share) S(left)``; leaving out the first part would count
    never-numb cases out of the likelihood altogether.
    """
    if family not in CURE_FAMILIES:
        raise OnsetStudyError(f"the family {family!r} is not known; choose among {', '.join(CURE_FAMILIES)}")
    n = len(times)
    coded, arms = _coded(arm, n, reference_arm)
    counts = Counts.of(np.isfinite(times.right), None if arm is None else np.asarray(arm).astype(str))
    p = coded.x.shape[1]
    z = np.column_stack((np.ones(n), coded.x))

    def value(theta: FloatArray) -> float:
        share, rest = theta[: p + 1], theta[p + 1 :]
        if np.any(np.abs(share) > 30) or abs(rest[-1]) > 8:
            return -np.inf
        gap, before, never = chance_rows(family, times, z @ rest[:-1], float(np.exp(rest[-1])))
        log_never, log_ever = -np.logaddexp(0, -(z @ share)), -np.logaddexp(0, z @ share)
        total = float(np.where(never, np.logaddexp(log_never, log_ever + before), log_ever + gap).sum())
        return total if not np.isnan(total) else -np.inf

    without = fit_accelerated_time(
        times, None if arm is None else {"arm": arm}, family=family, reference=_named(reference_arm)
    )
    optimum = polish(value, _starts(times, without, p), n, "never_numb")
    if (
        np.any(special.expit(z @ optimum.theta[: p + 1]) < 1e-4)
        or optimum.log_likelihood <= without.log_likelihood + 1e-7
    ):
        raise NotEstimable(
            "never_numb", "the likelihood is greatest without never-numb cases", code="boundary", bound=(0.0, 1.0)
        )
    covariance = observed_information(value, optimum.theta, "never_numb")
    return NeverNumbFit(
        family=family,
        shares=_shares(optimum.theta, covariance, arms, counts, conf_level, family),
        time_ratio=_time_ratio(optimum.theta, covariance, coded, counts, conf_level, family),
        test=_boundary_test(optimum.log_likelihood, without.log_likelihood, p + 1, counts),
        log_likelihood=optimum.log_likelihood,
        log_likelihood_without=without.log_likelihood,
        certificate=Certificate(
            converged=True,
            iterations=optimum.iterations,
            gap=optimum.gap,
            tolerance=GRADIENT_TOLERANCE,
            condition="largest gradient of the interval log-likelihood per case",
        ),
        method=f"mixture of never and {family} onset, maximum likelihood on intervals",
        n=counts,
        assumptions=(
            Assumption(name="distribution of onset", detail=f"among those who become numb onset is {family}"),
            Assumption(name="long follow-up", detail="testing went on until hardly any onset was still to come"),
            Assumption(name="times of testing do not depend on onset"),
        ),
        caution=_cautions(times, optimum.theta, covariance, z, p, family),
        source=SOURCE,
    )


def _named(reference_arm: str | None) -> Mapping[str, str] | None:
    return None if reference_arm is None else {"arm": reference_arm}


def _coded(arm: Any, n: int, reference_arm: str | None) -> tuple[Coded, tuple[str, ...]]:
    if arm is None:
        return Coded(x=np.zeros((n, 0)), names=(), contrasts=()), ("all",)
    coded = code_covariates({"arm": np.asarray(arm).astype(str)}, n, _named(reference_arm))
    first = coded.contrasts[0].split(" / ")[1]
    return coded, (first, *(c.split(" / ")[0] for c in coded.contrasts))


def _starts(times: Intervals, without: Any, p: int) -> list[FloatArray]:
    """From the share never seen numb, halved and as it is, around the fit without never-numb cases."""
    seen = float(np.mean(times.right_censored))
    location = np.array([v for _, v, _ in without.parameters])
    starts = []
    for part in (0.4, 0.9, 0.1):
        share = np.clip(part * seen, 0.005, 0.95)
        starts.append(np.concatenate(([special.logit(share)], np.zeros(p), location[:-1], [location[-1] - 0.2])))
    return starts


def _shares(
    theta: FloatArray, covariance: FloatArray, arms: tuple[str, ...], counts: Counts, conf_level: float, family: str
) -> tuple[Estimate, ...]:
    z = float(stats.norm.ppf(0.5 + conf_level / 2))
    estimates = []
    for k, name in enumerate(arms):
        pick = np.zeros(theta.size)
        pick[0] = 1.0
        if k:
            pick[k] = 1.0
        logit, error = float(pick @ theta), float(np.sqrt(pick @ covariance @ pick))
        low, high = (float(special.expit(logit + sign * z * error)) for sign in (-1, 1))
        estimates.append(
            Estimate(
                quantity="never_numb",
                contrast=name,
                estimate=float(special.expit(logit)),
                std_error=error,
                interval=Interval(low=low, high=high, level=conf_level, method="Wald, logit scale"),
                unit="proportion",
                method=f"mixture of never and {family} onset",
                n=counts,
                source=SOURCE,
            )
        )
    return tuple(estimates)


def _time_ratio(
    theta: FloatArray, covariance: FloatArray, coded: Coded, counts: Counts, conf_level: float, family: str
) -> Estimate | None:
    if not coded.contrasts:
        return None
    place = coded.x.shape[1] + 2
    z = float(stats.norm.ppf(0.5 + conf_level / 2))
    b, error = float(theta[place]), float(np.sqrt(covariance[place, place]))
    return Estimate(
        quantity="time_ratio",
        contrast=coded.contrasts[0],
        estimate=float(np.exp(b)),
        std_error=error,
        interval=Interval(
            low=float(np.exp(b - z * error)),
            high=float(np.exp(b + z * error)),
            level=conf_level,
            method="Wald, log scale",
        ),
        p_value=float(2 * stats.norm.sf(abs(b) / error)),
        unit="ratio",
        method=f"accelerated time among those who become numb, {family}",
        n=counts,
        source=SOURCE,
    )


def _boundary_test(value: float, without: float, shares: int, counts: Counts) -> HypothesisTest:
    ratio = max(0.0, 2 * (value - without))
    # One share at its boundary: half the chi-square. Several: the chi-square with as many, which is conservative.
    p_value = float(stats.chi2.sf(ratio, 1)) / 2 if shares == 1 else float(stats.chi2.sf(ratio, shares))
    return HypothesisTest(
        quantity="never_numb_test",
        contrast=None,
        statistic=ratio,
        statistic_name="likelihood ratio",
        df=shares,
        p_value=p_value if ratio > 0 else 1.0,
        alternative="some never become numb",
        method="likelihood ratio of no never-numb cases"
        + (", half the chi-square p-value at the boundary" if shares == 1 else ", conservative at the boundary"),
        n=counts,
        source="Maller & Zhou 1996, chapter 5",
    )


def _cautions(
    times: Intervals, theta: FloatArray, covariance: FloatArray, z: FloatArray, p: int, family: str
) -> tuple[Caution, ...]:
    """Whether testing went on long enough to tell never from late."""
    rest = theta[p + 1 :]
    last = float(np.max(np.where(times.right_censored, times.left, 0.0), initial=0.0))
    if last <= 0:
        return ()
    w = (np.log(last) - z @ rest[:-1]) / np.exp(rest[-1])
    expected = float(np.exp(log_survival(family, w)).max())
    spread = np.sqrt(np.diag(covariance))
    tied = float(np.abs(covariance[0, p + 1 :] / (spread[0] * spread[p + 1 :])).max())
    if expected <= STILL_EXPECTED and tied <= CORRELATED:
        return ()
    text = (
        f"Testing ended at {last:g} min, when {expected:.0%} of the onsets were still to come under the model: never "
        "and late can hardly be told apart, and the share depends on the model's tail."
    )
    return (Caution(code="short_follow_up", text=text),)
