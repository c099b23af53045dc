"""Semiparametric proportional hazards for interval-censored times."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import (
    Assumption,
    Caution,
    Certificate,
    Estimate,
    Fit,
    HypothesisTest,
    Interval,
)
from onsetstudy.inference.clusters import too_few_clusters, too_narrow
from onsetstudy.inference.design_matrix import with_arm
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.hazards.ph_fit import GRADIENT_TOLERANCE, SUSPICIOUS, Maximum, Problem, maximise
from onsetstudy.survival.hazards.ph_inference import (
    cluster_covariance,
    information,
    one_sided_bound,
    profile_limit,
    score_statistic,
)
from onsetstudy.survival.hazards.ph_setting import Setting, setting_of
from onsetstudy.survival.hazards.separation import is_flat, rising_direction

__all__ = ["fit_proportional_hazards"]

METHOD = "semiparametric proportional hazards for interval-censored times, maximum likelihood"
SOURCE = "Finkelstein 1986, Biometrics 42:845-854; Huang & Wellner 1997, Lecture Notes in Statistics 123:123-169"
ASSUMPTIONS = (
    Assumption(name="proportional hazards", detail="the hazard ratio of becoming numb is the same at all times"),
    Assumption(name="times of testing do not depend on onset"),
)
FEW_ONSETS = 10
SMALL_SAMPLE = 40
"""Below it profile intervals at 95 % were seen to hold in 93 % of simulated studies (tests/simulation/hazards.csv)."""
FEW_CLUSTERS = 30
SMALL_STRATUM = 20
"""Cases a stratum holds on average below which the ratio leans away from 1 by 5 % and more, and its interval holds less
often than stated (tests/simulation/sparse_strata.csv): every baseline is estimated too."""


@takes_cases("stratum", "cluster", "weight", second="covariates", robust=True)
def fit_proportional_hazards(
    times: Intervals,
    covariates: Mapping[str, Any] | pd.DataFrame,
    *,
    stratum: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    weight_kind: str = "counts",
    reference_arm: str = "",
    reference: Mapping[str, str] | None = None,
    conf_level: float = 0.95,
    curves: Curves | None = None,
) -> Fit:
    """Hazard ratios of becoming numb, with a baseline of its own for each stratum.

    Parameters
    ----------
    times : Intervals, n rows, or Cases
        Onset in (left, right], minutes from clock zero. With :class:`~onsetstudy.core.cases.Cases`, everything but
        ``reference`` stands in them; the arm is the covariate ``arm``.
    covariates : DataFrame or mapping of str to array_like, n rows
        Numbers, or factors (text) against a reference level.
    stratum : array_like, shape (n,), optional
        Each stratum has its own baseline.
    cluster : array_like, shape (n,), optional
        Cases of a cluster (a patient, an operator) are taken together: errors and intervals by the sandwich.
    weight : array_like of float, shape (n,), optional
        How many like cases a row stands for, whole numbers; default 1.
    weight_kind : {"counts", "probabilities"}
        ``"probabilities"``: weights need not be whole, and ``cluster`` must be given: errors are then robust.
    reference_arm : str
        Reference level of the covariate ``arm``.
    reference : mapping, optional
        Reference level by other factors; by default the first in sorted order.
    conf_level : float
        Two-sided level.
    curves : Curves, optional
        Those of the work that this belongs to; default: fitted for this call only.

    Returns
    -------
    Fit
        One estimate per coefficient: ``hazard_ratio``, contrast ``buffered / plain``; above 1 means sooner.
        ``std_error`` and ``covariance`` are of the logarithm. ``tests``: likelihood ratio, score and Wald test of all
        coefficients; with ``cluster`` only the Wald test, since the others take cases as independent, and with fewer
        than 16 clusters neither test nor P value: the interval is then too narrow, and says so.

    Raises
    ------
    NotEstimable
        ``"no_onset_in_arm"`` or ``"separation"``: the likelihood rises without end in one direction; ``bound`` is then
        the one-sided confidence limit at ``conf_level``. ``"no_information"``: the times do not tell cases apart.
        ``"no_contrast"``: within strata, and given the other covariates, no two cases differ in a covariate.
        ``"not_converged"``: the certificate was not met.
    OnsetStudyError
        If lengths, weights or covariates cannot be used.

    Notes
    -----
    Interval: profile likelihood; standard error: curvature of the profile likelihood. With ``cluster``: sandwich with
    the factor g/(g - 1), normal interval on the log scale.

    Every stratum's baseline is estimated with the ratio. With many small strata the ratio leans away from 1 (the
    incidental parameters of Neyman and Scott), by a fifth with four cases in each; a baseline for every patient is not
    to be had this way: use :func:`~onsetstudy.survival.hazards.frailty.fit_shared_frailty`.

    References
    ----------
    .. [1] Finkelstein DM (1986). Biometrics 42, 845-854.
    .. [2] Murphy SA, van der Vaart AW (2000). On profile likelihood. JASA 95, 449-465.
    .. [3] Heinze G, Schemper M (2001). A solution to the problem of monotone likelihood in Cox regression.
       Biometrics 57, 114-119 (what monotone likelihood is).
    .. [4] Neyman J, Scott EL (1948). Consistent estimates based on partially consistent observations. Econometrica
       16, 1-32.

    Examples
    --------
    >>> from onsetstudy import Intervals, fit_proportional_hazards
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> arm = ["plain"] * 6 + ["buffered"] * 6
    >>> (ratio,) = fit_proportional_hazards(times, {"arm": arm}, reference_arm="plain").estimates
    >>> f"{ratio.contrast}: {ratio.estimate:.2f}"
    'buffered / plain: 1.97'
    """
    reference = with_arm(reference_arm, reference)
    setting = setting_of(times, covariates, stratum, cluster, weight, weight_kind, reference, conf_level, curves)
    _refuse_no_information(setting)
    _refuse_no_contrast(setting, _unseen(setting.problem))
    problem = setting.problem
    maximum = _maximum(setting)
    covariance = _inverse(information(maximum))
    spread = np.ptp(problem.x, axis=0)
    if np.any(np.abs(maximum.b) * spread > SUSPICIOUS) or np.any(np.diag(covariance) * spread**2 > SUSPICIOUS**2):
        _refuse_separation(setting)
    if not np.all(np.isfinite(covariance)):
        _refuse_no_contrast(setting)
        raise NotEstimable("hazard_ratio", "the cases do not tell the covariates apart", code="no_contrast")
    if setting.cluster is not None:
        covariance = cluster_covariance(problem, maximum, setting.cluster, setting.weight)
    estimates = tuple(_estimate(setting, maximum, covariance, j) for j in range(problem.x.shape[1]))
    return Fit(
        estimates=estimates,
        covariance=tuple(tuple(float(v) for v in row) for row in covariance),
        log_likelihood=maximum.log_likelihood,
        log_likelihood_null=problem.log_likelihood_null,
        certificate=Certificate(
            converged=True,
            iterations=maximum.iterations,
            gap=maximum.gap,
            tolerance=GRADIENT_TOLERANCE,
            condition="largest gradient or gain of a coefficient or baseline increment, relative to the total weight",
        ),
        method=METHOD,
        n=setting.counts,
        tests=_overall_tests(setting, maximum, covariance),
        assumptions=ASSUMPTIONS,
        caution=_cautions(setting),
        source=SOURCE,
    )


def _inverse(curvature: FloatArray) -> FloatArray:
    """Covariance; infinite where the curvature is not that of a maximum."""
    values = np.linalg.eigvalsh(curvature)
    if values[0] <= 1e-9 * max(values[-1], 1e-300) or values[-1] <= 0:
        return np.full_like(curvature, np.inf)
    return np.asarray(np.linalg.inv(curvature), dtype=np.float64)


def _refuse_no_information(setting: Setting) -> None:
    if setting.counts.onsets == 0:
        raise NotEstimable("hazard_ratio", "no case was seen to become numb", code="no_information")
    problem = setting.problem
    informative = problem.mass.size - np.unique(problem.stratum_of).size
    if informative == 0:
        raise NotEstimable(
            "hazard_ratio",
            "the cases' intervals overlap so much that no case is known to be sooner than another",
            code="no_information",
        )


def _maximum(setting: Setting) -> Maximum:
    """Certified maximum; separation is told where it is the reason that there is none."""
    try:
        maximum = maximise(setting.problem)
    except NotEstimable:
        _refuse_separation(setting)
        _refuse_no_contrast(setting)
        maximum = maximise(setting.problem, patient=True)
    # The curves without covariates are a special case: a maximum below them would be none.
    if maximum.log_likelihood < setting.problem.log_likelihood_null - GRADIENT_TOLERANCE * setting.problem.total:
        raise NotEstimable("hazard_ratio", "the search ended below the fit without covariates", code="not_converged")
    return maximum


def _unseen(problem: Problem) -> list[int]:
    """Covariates in which cases of a stratum do not differ, or do only together with others."""
    begin, pattern = np.unique(np.column_stack((problem.begin, problem.pattern)), axis=0).T
    _, stratum = np.unique(begin, return_inverse=True)
    x = problem.x[pattern]
    size = np.bincount(stratum)
    means = np.column_stack([np.bincount(stratum, weights=column) / size for column in x.T])
    inner = (x - means[stratum]) / np.maximum(np.ptp(x, axis=0), 1e-300)
    strength, axes = np.linalg.eigh(inner.T @ inner)
    # A coefficient is unseen if it takes part in a direction in which nothing within strata changes.
    still = axes[:, strength <= 1e-12 * max(1.0, float(strength[-1]))]
    return [j for j in range(x.shape[1]) if np.abs(still[j]).max(initial=0.0) > 1e-6]


def _refuse_no_contrast(setting: Setting, unseen: list[int] | None = None) -> None:
    """Raise where the likelihood is the same whatever a ratio."""
    if unseen is None:
        unseen = [j for j in range(len(setting.coded.names)) if is_flat(setting.problem, j)]
    if unseen:
        contrast = setting.coded.contrasts[unseen[0]]
        reason = (
            f"the cases say nothing of the ratio {contrast}: within a stratum, and given the other covariates, no two "
            "of them differ in it"
        )
        raise NotEstimable("hazard_ratio", reason, code="no_contrast")


def _refuse_separation(setting: Setting) -> None:
    """Raise with a one-sided bound where the likelihood rises without end."""
    for index, name in enumerate(setting.coded.names):
        rising = rising_direction(setting.problem, index)
        if rising == 0:
            continue
        z = float(stats.norm.ppf(setting.conf_level))
        try:
            limit = one_sided_bound(setting.problem, index, rising=rising, drop=z * z / 2)
            bound = (float(np.exp(limit)), np.inf) if rising > 0 else (0.0, float(np.exp(limit)))
        except NotEstimable:
            bound = None
        contrast = setting.coded.contrasts[index]
        silent = [a.arm for a in setting.counts.by_arm if a.onsets == 0 and a.cases > 0]
        if name == "arm" and silent:
            reason = f"no onset was seen in the arm {silent[0]}, so the ratio {contrast} has no finite estimate"
            raise NotEstimable("hazard_ratio", reason, code="no_onset_in_arm", bound=bound)
        side = "grows" if rising > 0 else "shrinks"
        reason = f"the likelihood keeps rising as the ratio {contrast} {side}: the cases are separated completely"
        raise NotEstimable("hazard_ratio", reason, code="separation", bound=bound)


def _estimate(setting: Setting, maximum: Maximum, covariance: FloatArray, index: int) -> Estimate:
    problem, level = setting.problem, setting.conf_level
    b, error = float(maximum.b[index]), float(np.sqrt(covariance[index, index]))
    z = float(stats.norm.ppf(0.5 + level / 2))
    p_value: float | None
    if setting.cluster is None:
        top, drop = maximum.log_likelihood, z * z / 2
        low, high = (
            profile_limit(problem, maximum, index, drop=drop, top=top, step=z * error, upwards=upwards)
            for upwards in (False, True)
        )
        how, p_value = "profile likelihood, log scale", _profile_p(problem, maximum, index)
    else:
        low, high, how = b - z * error, b + z * error, "cluster-robust normal, log scale"
        few = too_few_clusters(int(setting.cluster.max()) + 1)
        p_value = None if few else float(2 * stats.norm.sf(abs(b) / error))
    return Estimate(
        quantity="hazard_ratio",
        contrast=setting.coded.contrasts[index],
        estimate=float(np.exp(b)),
        std_error=error,
        interval=Interval(low=float(np.exp(low)), high=float(np.exp(high)), level=level, method=how),
        p_value=p_value,
        unit="ratio",
        method=METHOD,
        n=setting.counts,
        assumptions=ASSUMPTIONS,
        caution=_cautions(setting),
        source=SOURCE,
    )


def _profile_p(problem: Problem, maximum: Maximum, index: int) -> float:
    """Likelihood-ratio p-value of one coefficient, the others free."""
    p = maximum.b.size
    if p == 1:
        without = problem.log_likelihood_null
    else:
        fixed = np.zeros(p, dtype=bool)
        fixed[index] = True
        b = maximum.b.copy()
        b[index] = 0.0
        without = maximise(problem, b=b, fixed=fixed, start=maximum.baseline).log_likelihood
    return float(stats.chi2.sf(max(0.0, 2 * (maximum.log_likelihood - without)), 1))


def _overall_tests(setting: Setting, maximum: Maximum, covariance: FloatArray) -> tuple[HypothesisTest, ...]:
    """Tests of all coefficients; with clusters only the one that takes them together, and none if they are too few."""
    clusters = None if setting.cluster is None else int(setting.cluster.max()) + 1
    if clusters is not None and too_few_clusters(clusters):
        return ()
    problem = setting.problem
    p = maximum.b.size
    ratio = max(0.0, 2 * (maximum.log_likelihood - problem.log_likelihood_null))
    gradient, variance = score_statistic(problem)
    score = float(gradient @ np.linalg.lstsq(variance, gradient)[0])
    wald = float(maximum.b @ np.linalg.solve(covariance, maximum.b))
    named = (
        ("likelihood ratio", ratio, "2 (log-likelihood - log-likelihood without covariates)"),
        ("score", score, "gradient at ratio 1 over its observed information"),
        (
            "Wald",
            wald,
            "coefficients over their covariance" + (", cluster-robust" if setting.cluster is not None else ""),
        ),
    )
    return tuple(
        HypothesisTest(
            quantity=f"{name} test",
            contrast=setting.coded.contrasts[0] if p == 1 else None,
            statistic=value,
            statistic_name="chi-square",
            df=p,
            p_value=float(stats.chi2.sf(value, p)),
            alternative="two-sided",
            method=f"{METHOD}; {how}",
            n=setting.counts,
            assumptions=ASSUMPTIONS,
            source=SOURCE,
        )
        for name, value, how in named
        if clusters is None or name == "Wald"
    )


def _cautions(setting: Setting) -> tuple[Caution, ...]:
    found = []
    few = [f"{a.onsets} in {a.arm}" for a in setting.counts.by_arm if a.onsets < FEW_ONSETS]
    if few:
        found.append(Caution(code="few_onsets", text=f"Few onsets ({', '.join(few)}): the interval is approximate."))
    if setting.counts.cases < SMALL_SAMPLE:
        n = setting.counts.cases
        text = f"{n} cases: in samples this small the interval of the ratio holds a little less often than stated."
        found.append(Caution(code="small_sample", text=text))
    strata = int(setting.problem.stratum_of.max()) + 1
    average = setting.counts.cases / strata
    if strata > 1 and average < SMALL_STRATUM:
        text = (
            f"{strata} strata hold {average:.0f} cases each on average: below {SMALL_STRATUM} the ratio leans away "
            "from 1, and its interval holds less often than stated."
        )
        found.append(Caution(code="small_strata", text=text))
    groups = None if setting.cluster is None else int(setting.cluster.max()) + 1
    if groups is not None and too_few_clusters(groups):
        found += too_narrow(groups)
    elif groups is not None and groups < FEW_CLUSTERS:
        found.append(Caution(code="few_clusters", text=f"Only {groups} clusters: the robust error may be too small."))
    return tuple(found)
