"""Hazard ratio by the grouped-time model: complementary log-log regression on the scheduled grid.

An independent road to the ratio of :mod:`onsetstudy.survival.hazards.proportional_hazards`: each case becomes one row
per gap that it was followed through, and statsmodels fits ``log(-log(1 - p)) = a_gap + x'b``. A case whose gap is not
known because tests were missed is shared out over its gaps by the current fit, and the regression is repeated until
the gradient of the likelihood of what was observed vanishes (EM; the regression is its maximisation step). Steps of EM
are short where many tests were missed: they begin where a search by slopes and curvature of that likelihood ends, and
the regression has to stay there.

References
----------
.. [1] Prentice RL, Gloeckler LA (1978). Regression analysis of grouped survival data with application to breast
   cancer data. Biometrics 34, 57-67.
.. [2] Dempster AP, Laird NM, Rubin DB (1977). Maximum likelihood from incomplete data via the EM algorithm. Journal
   of the Royal Statistical Society B 39, 1-38.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy import optimize

from onsetstudy.core.arrays import FloatArray, IndexArray
from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Certificate, Counts, Fit
from onsetstudy.inference.design_matrix import code_covariates
from onsetstudy.inference.likelihood import wald_ratio
from onsetstudy.inference.parameter import Told
from onsetstudy.survival.curve.innermost import innermost_intervals, support_index
from onsetstudy.survival.hazards.proportional_hazards import ASSUMPTIONS

TOLERANCE = 1e-6
CLOSE = 1e-10
"""Gradient per case at which the search ends; far below the tolerance, so that gaps without onset have emptied."""
EMPTY = 1e-7
"""Onsets per case that a gap is given where it has emptied."""
ROUNDS = 2000
LARGEST = 12.0
METHOD = "complementary log-log regression on the scheduled gaps (statsmodels)"
SOURCE = "Prentice & Gloeckler 1978, Biometrics 34:57-67"


@dataclass(frozen=True, slots=True, eq=False)
class _Kinds:
    """Distinct kinds of cases: onset in gaps ``first`` to ``last`` (``gaps`` is the rest), covariates, how many."""

    first: IndexArray
    last: IndexArray
    x: FloatArray
    count: FloatArray
    gaps: int

    def hazard(self, theta: FloatArray) -> FloatArray:
        """Hazard of each gap for each kind, shape (c, gaps)."""
        predictor = theta[: self.gaps] + (self.x @ theta[self.gaps :])[:, None]
        return np.asarray(np.exp(np.clip(predictor, -40, 5)), dtype=np.float64)


@takes_cases(second="covariates")
def fit_grouped_hazards(
    times: Intervals, covariates: Mapping[str, Any] | pd.DataFrame, *, reference_arm: str = "",
    reference: Mapping[str, str] | None = None, conf_level: float = 0.95,
) -> Fit:  # fmt: skip
    """Hazard ratios by complementary log-log regression on the gaps of the schedule.

    Parameters
    ----------
    times : Intervals, n cases, or Cases
        Onset in (left, right] on a schedule that cases share; missed tests may span several gaps.
    covariates : DataFrame or mapping, n rows
    reference_arm : str
        Reference level of the covariate ``arm``.
    reference : mapping, optional
        Reference level by factor.
    conf_level : float
        Two-sided level.

    Returns
    -------
    Fit
        Estimates ``hazard_ratio`` with Wald intervals on the log scale; certificate: the largest gradient of the
        log-likelihood of what was observed, per case.

    Raises
    ------
    NotEstimable
        ``"separation"`` if a coefficient runs away, ``"no_information"`` without an onset, ``"not_converged"``.

    Notes
    -----
    Errors are from the observed information of the likelihood of what was observed, so that missed tests widen them.

    Examples
    --------
    >>> from onsetstudy import Intervals, fit_grouped_hazards
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> arm = ["plain"] * 6 + ["buffered"] * 6
    >>> (ratio,) = fit_grouped_hazards(times, {"arm": arm}, reference_arm="plain").estimates
    >>> f"{ratio.contrast}: {ratio.estimate:.2f}"
    'buffered / plain: 1.97'
    """
    coded = code_covariates(covariates, len(times), reference, reference_arm=reference_arm)
    counts = Counts.of(np.isfinite(times.right))
    if counts.onsets == 0:
        raise NotEstimable("hazard_ratio", "no case was seen to become numb", code="no_information")
    # Per unit of what a column spans the search is as good for years as for days.
    span = np.ptp(coded.x, axis=0)
    kinds = _kinds(times, coded.x / span)
    theta, rounds, gap = _em(kinds)
    information = _information(kinds, theta)
    told_of = _of_coefficients(information, kinds.gaps)
    far = np.any(np.abs(theta[kinds.gaps :]) > LARGEST * np.maximum(span, 1.0))
    if far or np.linalg.eigvalsh(told_of)[0] <= 1e-8 * np.diag(information).max():
        raise NotEstimable("hazard_ratio", "a coefficient runs away: the cases are separated", code="separation")
    covariance = np.asarray(np.linalg.inv(told_of), dtype=np.float64) / np.outer(span, span)
    alone = replace(kinds, x=np.zeros((kinds.first.size, 0)))
    told = Told(method=METHOD, n=counts, assumptions=ASSUMPTIONS, source=SOURCE)
    found = zip(coded.contrasts, theta[kinds.gaps :] / span, np.sqrt(np.diag(covariance)), strict=True)
    return Fit(
        estimates=tuple(wald_ratio("hazard_ratio", name, b, error, conf_level, **told) for name, b, error in found),
        covariance=tuple(tuple(float(v) for v in row) for row in covariance),
        log_likelihood=_log_likelihood(kinds, theta),
        log_likelihood_null=_log_likelihood(alone, _em(alone)[0]),
        certificate=Certificate(
            converged=True,
            iterations=rounds,
            gap=gap,
            tolerance=TOLERANCE,
            condition="largest gradient of the observed log-likelihood per case",
        ),
        **told,
    )


def _kinds(times: Intervals, x: FloatArray) -> _Kinds:
    """Gaps are the innermost intervals; the last of them takes whatever is left and has no parameter of its own."""
    support = innermost_intervals(times)
    first, last = support_index(times, support)
    gaps = len(support) - 1
    if gaps == 0:
        raise NotEstimable("hazard_ratio", "no case is known to be sooner than another", code="no_information")
    rows, row = np.unique(np.column_stack((first, last, x)), axis=0, return_inverse=True)
    return _Kinds(
        first=rows[:, 0].astype(np.intp),
        last=rows[:, 1].astype(np.intp),
        x=np.asarray(rows[:, 2:], dtype=np.float64),
        count=np.bincount(np.asarray(row).reshape(-1)).astype(np.float64),
        gaps=gaps,
    )


def _chances(kinds: _Kinds, theta: FloatArray) -> FloatArray:
    """Chance of onset in each gap, and of none in any, for each kind: shape (c, gaps + 1)."""
    hazard = kinds.hazard(theta)
    before = np.cumsum(hazard, axis=1) - hazard
    chance = np.exp(-before) * -np.expm1(-hazard)
    return np.column_stack((chance, np.exp(-hazard.sum(axis=1))))


def _covered(kinds: _Kinds) -> NDArray[np.bool_]:
    place = np.arange(kinds.gaps + 1)
    return np.asarray((place >= kinds.first[:, None]) & (place <= kinds.last[:, None]))


def _log_likelihood(kinds: _Kinds, theta: FloatArray) -> float:
    seen = (_chances(kinds, theta) * _covered(kinds)).sum(axis=1)
    return float(kinds.count @ np.log(np.maximum(seen, 1e-300)))


def _expected(kinds: _Kinds, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Expected onsets and cases at risk of each kind in each gap, given what was observed: shape (c, gaps)."""
    share = _chances(kinds, theta) * _covered(kinds)
    share = share / np.maximum(share.sum(axis=1, keepdims=True), 1e-300)
    onset = share[:, : kinds.gaps]
    risk = np.cumsum(share[:, ::-1], axis=1)[:, ::-1][:, : kinds.gaps]
    return onset * kinds.count[:, None], risk * kinds.count[:, None]


def _gradient(kinds: _Kinds, theta: FloatArray) -> FloatArray:
    """Gradient of the observed log-likelihood: that of the expected complete one (Fisher's identity)."""
    onset, risk = _expected(kinds, theta)
    hazard = kinds.hazard(theta)
    # d/d eta of onset log(1 - exp(-h)) - (risk - onset) h, with h = exp(eta)
    slope = onset * hazard / np.maximum(np.expm1(hazard), 1e-300) - (risk - onset) * hazard
    return np.concatenate((slope.sum(axis=0), kinds.x.T @ slope.sum(axis=1)))


def _curvature(kinds: _Kinds, theta: FloatArray) -> FloatArray:
    """Second derivatives of the observed log-likelihood.

    A kind adds ``-A + log(1 - exp(-B))``: A is its hazard before its gaps, B that in them (no end: nothing of B).
    """
    place, hazard = np.arange(kinds.gaps), kinds.hazard(theta)
    inside = np.where((place >= kinds.first[:, None]) & (place <= kinds.last[:, None]), hazard, 0.0)
    inside[kinds.last == kinds.gaps] = 0.0
    before = np.where(place < kinds.first[:, None], hazard, 0.0)
    total = inside.sum(axis=1)
    rate = np.divide(1.0, np.expm1(total), out=np.zeros(total.size), where=total > 0)
    slope = kinds.count[:, None] * (rate[:, None] * inside - before)
    pull = kinds.count * rate * (1.0 + rate)
    gaps = np.diag(slope.sum(axis=0)) - inside.T @ (pull[:, None] * inside)
    across = (slope - (pull * total)[:, None] * inside).T @ kinds.x
    rest = kinds.x.T @ ((slope.sum(axis=1) - pull * total**2)[:, None] * kinds.x)
    return np.asarray(np.block([[gaps, across], [across.T, rest]]), dtype=np.float64)


def _of_coefficients(information: FloatArray, gaps: int) -> FloatArray:
    """What is told of the coefficients once the rates of the gaps are estimated with them (Schur complement).

    A gap that emptied tells next to nothing of its own rate, and may: only coefficients are asked about.
    """
    own = np.diag(information)[:gaps]
    used = own > 1e-10 * own.max()
    rates, across = information[:gaps, :gaps][np.ix_(used, used)], information[:gaps, gaps:][used]
    return np.asarray(information[gaps:, gaps:] - across.T @ np.linalg.solve(rates, across), dtype=np.float64)


def _search(kinds: _Kinds, theta: FloatArray) -> tuple[FloatArray, int]:
    """Maximum of the observed log-likelihood from a start, and the steps that it took."""
    found = optimize.minimize(  # type: ignore[call-overload]
        lambda t: -_log_likelihood(kinds, t),
        theta,
        jac=lambda t: -_gradient(kinds, t),
        hess=lambda t: -_curvature(kinds, t),
        method="trust-exact",
        options={"gtol": CLOSE * float(kinds.count.sum()), "maxiter": ROUNDS},
    )
    return np.asarray(found.x, dtype=np.float64), int(found.nit)


def _em(kinds: _Kinds) -> tuple[FloatArray, int, float]:
    k, p = kinds.gaps, kinds.x.shape[1]
    total = float(kinds.count.sum())
    theta = np.concatenate((np.full(k, -1.5), np.zeros(p)))
    onset, risk = (e.sum(axis=0) for e in _expected(kinds, theta))
    crude = np.clip(onset / np.maximum(risk, 1e-12), 1e-4, 1 - 1e-4)
    theta[:k] = np.log(-np.log1p(-crude))
    theta, steps = _search(kinds, theta)
    # Cases alike in their covariates are one row of each gap: their shares add up.
    alike, group = np.unique(kinds.x, axis=0, return_inverse=True)
    together = np.zeros((len(alike), kinds.first.size))
    together[np.asarray(group).reshape(-1), np.arange(kinds.first.size)] = 1.0
    kind, gap_of = np.indices((len(alike), k)).reshape(2, -1)
    design = np.hstack((np.eye(k)[gap_of], alike[kind]))
    gap = np.inf
    for rounds in range(1, ROUNDS + 1):
        onset, risk = (together @ e for e in _expected(kinds, theta))
        weight = risk.reshape(-1)
        used = weight > 1e-10
        theta = _regression(design[used], (onset.reshape(-1)[used] / weight[used]), weight[used], theta)
        gradient = _gradient(kinds, theta)
        # A gap that empties sinks towards minus infinity; its gradient vanishes on the way.
        gap = float(np.abs(gradient).max() / total)
        if gap <= TOLERANCE:
            return theta, steps + rounds, gap
        if np.any(np.abs(theta[k:]) > 2 * LARGEST):
            raise NotEstimable("hazard_ratio", "a coefficient runs away: the cases are separated", code="separation")
    raise NotEstimable("hazard_ratio", f"the gradient left is {gap:.1e} per case", code="not_converged")


def _regression(design: FloatArray, share: FloatArray, weight: FloatArray, start: FloatArray) -> FloatArray:
    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    with warnings.catch_warnings():
        # Shares of 0 or 1 in single rows are expected here; what matters is certified by the gradient afterwards.
        warnings.simplefilter("ignore")
        model = sm.GLM(np.clip(share, 0.0, 1.0), design, family=family, var_weights=weight)
        try:
            found = model.fit(start_params=np.clip(start, -25, 25), tol=1e-10, maxiter=50)
        except (ValueError, np.linalg.LinAlgError, sm.tools.sm_exceptions.PerfectSeparationError):
            raise NotEstimable("hazard_ratio", "the regression has no maximum", code="separation") from None
    return np.asarray(found.params, dtype=np.float64)


def _information(kinds: _Kinds, theta: FloatArray) -> FloatArray:
    """Curvature of the observed log-likelihood; gaps that emptied are held."""
    rows = -_curvature(kinds, theta)
    # Emptied gaps carry nothing and are left as they are.
    onsets = _expected(kinds, theta)[0].sum(axis=0)
    empty = np.flatnonzero((theta[: kinds.gaps] < -20) | (onsets < EMPTY * kinds.count.sum()))
    rows[empty, :] = rows[:, empty] = 0.0
    rows[empty, empty] = 1.0
    return rows
