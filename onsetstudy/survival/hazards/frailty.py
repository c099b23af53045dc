"""How much operators or practices differ: proportional hazards with a shared log-normal random effect.

Cases of one cluster share a factor ``exp(s u)`` on their hazard, ``u`` standard normal. The marginal likelihood is
integrated by adaptive Gauss-Hermite quadrature and maximised over coefficients, baseline increments and ``s`` together.
The nodes of a cluster stand around the most likely ``u`` given its cases: many cases leave little doubt about it, and
nodes that do not move would step over the peak.

References
----------
.. [1] McGilchrist CA, Aisbett CW (1991). Regression with frailty in survival analysis. Biometrics 47, 461-466.
.. [2] Self SG, Liang KY (1987). Likelihood ratio tests under nonstandard conditions. JASA 82, 605-610 (the spread
   at its boundary of 0: half the chi-square p-value).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import optimize, stats

from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Caution, Certificate, Counts, Estimate, Interval
from onsetstudy.inference.assumptions import SCHEDULE
from onsetstudy.inference.design_matrix import Coded, code_covariates
from onsetstudy.inference.likelihood import boundary_test, fall_to_lower_limit, wald_ratio
from onsetstudy.inference.parameter import Told
from onsetstudy.survival.hazards.frailty_likelihood import NODES, negative, negative_slopes
from onsetstudy.survival.hazards.frailty_search import LARGEST_SPREAD, TOLERANCE, Found, Frame, climb, search
from onsetstudy.survival.hazards.ph_fit import NEGLIGIBLE, Maximum, maximise, set_up
from onsetstudy.survival.hazards.proportional_hazards import fit_proportional_hazards
from onsetstudy.survival.results import SharedFrailty

STEP = 1e-4
FEW_CLUSTERS = 5
AT_BOUND = Caution(
    code="spread_at_bound",
    text="No spread between clusters was seen: 0 is the least that it can be. Its interval begins there, so that the "
    "upper limit alone tells how much clusters may differ.",
)
"""On a spread of 0."""
WITHOUT_SPREAD = Caution(
    code="ratio_without_spread",
    text="The spread between clusters (such as patients) was estimated as 0, the least that it can be: the hazard "
    "ratio and its interval are those of a model without it, and make no allowance for clusters that do differ.",
)
"""On the ratios beside it."""
METHOD = "proportional hazards with a shared log-normal effect, adaptive Gauss-Hermite quadrature with {} nodes"
SOURCE = "McGilchrist & Aisbett 1991, Biometrics 47:461-466"
ASSUMPTIONS = (
    Assumption(name="proportional hazards", detail="within a cluster the hazard ratio is the same at all times"),
    Assumption(name="normal clusters", detail="the clusters' log rates are spread like a normal distribution"),
    SCHEDULE,
)


@takes_cases("cluster", "weight", second="covariates")
def fit_shared_frailty(
    times: Intervals,
    covariates: Mapping[str, Any] | pd.DataFrame,
    *,
    cluster: ArrayLike,
    weight: ArrayLike | None = None,
    weight_kind: str = "counts",
    reference_arm: str = "",
    reference: Mapping[str, str] | None = None,
    conf_level: float = 0.95,
) -> SharedFrailty:
    """Spread of the clusters' rates, its test, and hazard ratios within clusters.

    Parameters
    ----------
    times : Intervals, n rows, or Cases
        Onset in (left, right], minutes from clock zero. With :class:`~onsetstudy.core.cases.Cases`, everything but
        ``reference`` stands in them; the arm is the covariate ``arm``.
    covariates : DataFrame or mapping, n rows
        As for :func:`~onsetstudy.survival.hazards.proportional_hazards.fit_proportional_hazards`.
    cluster : array_like, shape (n,)
        Operator or practice of each case; at least two.
    weight : array_like of float, shape (n,), optional
        How many like cases a row stands for, whole numbers; default 1.
    weight_kind : str
        ``"counts"``; there is no robust error for weights of another kind.
    reference_arm : str
        Reference level of the covariate ``arm``.
    reference : mapping, optional
        Reference level by factor.
    conf_level : float
        Two-sided level.

    Returns
    -------
    SharedFrailty
        ``spread`` on the log scale with a profile-likelihood interval, ``test`` of no spread (boundary: half the
        chi-square p-value), ``estimates``: hazard ratios for cases of one cluster.

    Raises
    ------
    NotEstimable
        As the fit without clusters; or ``"not_converged"`` with the gradient left.
    OnsetStudyError
        If there are fewer than two clusters, or lengths differ.

    Examples
    --------
    >>> from onsetstudy import Intervals, fit_shared_frailty
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> arm = ["plain"] * 6 + ["buffered"] * 6
    >>> dentist = ["d1", "d2"] * 6
    >>> found = fit_shared_frailty(times, {"arm": arm}, cluster=dentist, reference_arm="plain")
    >>> found.estimates[0].contrast
    'buffered / plain'
    """
    coded = code_covariates(covariates, len(times), reference, reference_arm=reference_arm)
    codes = np.unique(np.asarray(cluster).astype(str), return_inverse=True)[1]
    if codes.size != len(times) or codes.max(initial=0) < 1:
        raise OnsetStudyError("cluster must name at least two clusters, one per case")
    many = np.ones(len(times)) if weight is None else np.asarray(weight, dtype=np.float64)
    # A ratio that runs away does so with clusters and without; the reason and its bound are told by the plain fit.
    fit_proportional_hazards(
        times, covariates, weight=many, reference=reference, reference_arm=reference_arm, conf_level=conf_level
    )
    problem = set_up(times, coded.x, weight=many)
    plain = maximise(problem)
    clusters, counts = np.unique(codes[times.tested]).size, Counts.of(np.isfinite(times.right), cases=many)
    told = plain, coded, clusters, counts, conf_level
    try:
        return _fitted(Frame.of(problem, codes.astype(np.intp), many, NODES[0]), *told)
    except NotEstimable as error:
        if error.code != "not_converged":
            raise
        return _fitted(Frame.of(problem, codes.astype(np.intp), many, NODES[1]), *told)


def _fitted(
    frame: Frame, plain: Maximum, coded: Coded, clusters: int, counts: Counts, conf_level: float
) -> SharedFrailty:
    """All that one quadrature tells."""
    best = search(frame, plain)
    if best.theta[-1] > LARGEST_SPREAD - 1e-3:
        reason = "the clusters differ as much as can be, so that their spread has no finite estimate"
        raise NotEstimable("frailty_spread", reason, code="separation", bound=(0.0, np.inf))
    value = -negative(best.theta, best.model)
    if value < plain.log_likelihood or best.theta[-1] < 1e-3:
        theta = np.concatenate((plain.b, np.log(np.maximum(plain.h, NEGLIGIBLE)), [0.0]))
        best = replace(best, active=plain.active, model=frame.on(plain.active), theta=theta)
        value = plain.log_likelihood
    condition = "largest gradient of the marginal log-likelihood, relative to the number of cases"
    told = Told(method=METHOD.format(frame.whole.nodes), n=counts, assumptions=ASSUMPTIONS, source=SOURCE)
    spread = _spread(frame, best, value, plain.log_likelihood, conf_level, told)
    few = f"Only {clusters} clusters: how much they differ is hardly known."
    return SharedFrailty(
        spread=spread,
        test=boundary_test(
            value - plain.log_likelihood,
            quantity="frailty_test",
            alternative="clusters differ",
            null="spread",
            n=counts,
            assumptions=ASSUMPTIONS,
            source="Self & Liang 1987, JASA 82:605-610",
        ),
        estimates=_ratios(best, coded, conf_level, told),
        log_likelihood=value,
        log_likelihood_without=plain.log_likelihood,
        certificate=Certificate(
            converged=True, iterations=best.steps, gap=best.gap, tolerance=TOLERANCE, condition=condition
        ),
        caution=(Caution(code="few_clusters", text=few),) if clusters < FEW_CLUSTERS else (),
        **told,
    )


def _spread(frame: Frame, best: Found, value: float, without: float, conf_level: float, told: Told) -> Estimate:
    """Spread with profile limits; the lower is 0 exactly where the boundary test does not reject no spread."""
    drop = float(stats.chi2.ppf(conf_level, 1)) / 2
    spread = float(best.theta[-1])
    near = [best]

    def excess(s: float) -> float:
        near[0] = climb(frame, near[0], spread=s)
        return value + negative(near[0].theta, near[0].model) - drop

    fall, low = fall_to_lower_limit(value - without, conf_level), 0.0
    if fall < value - without:
        low = max(1e-3, float(optimize.brentq(lambda s: excess(s) + drop - fall, 0.0, spread, xtol=1e-4)))
    # From the fit outwards, each search from where the last one ended: far out the likelihood is hard to follow.
    near[0], inner, outer, high = best, spread, spread, np.inf
    while outer < LARGEST_SPREAD:
        inner, outer = outer, min(1.3 * outer + 0.1, LARGEST_SPREAD)
        if excess(outer) > 0:
            high = float(optimize.brentq(excess, max(inner, 1e-3), outer, xtol=1e-4))
            break
    return Estimate(
        quantity="frailty_spread",
        contrast=None,
        estimate=spread,
        interval=Interval(low=low, high=float(high), level=conf_level, method="profile likelihood"),
        unit="log ratio",
        caution=(AT_BOUND,) if spread == 0 else (),
        **told,
    )


def _ratios(best: Found, coded: Coded, conf_level: float, told: Told) -> tuple[Estimate, ...]:
    free = np.ones(best.theta.size, dtype=bool)
    free[-1] = best.theta[-1] > STEP
    curvature = negative_slopes(best.theta, best.model)[2][np.ix_(free, free)]
    errors = np.sqrt(np.maximum(np.diag(np.linalg.pinv((curvature + curvature.T) / 2)), 0.0))
    found = (
        wald_ratio("hazard_ratio", contrast, best.theta[j], errors[j], conf_level, how="normal, log scale", **told)
        for j, contrast in enumerate(coded.contrasts)
    )
    return tuple(replace(e, caution=(*e.caution, WITHOUT_SPREAD)) if best.theta[-1] == 0 else e for e in found)
