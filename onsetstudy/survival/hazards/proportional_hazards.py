"""Semiparametric proportional hazards for interval-censored times."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special, stats

from onsetstudy.core.arrays import FloatArray, IndexArray
from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Caution, Counts, Estimate, Fit, HypothesisTest, Interval
from onsetstudy.inference.assumptions import SCHEDULE
from onsetstudy.inference.clusters import too_few_clusters, too_narrow
from onsetstudy.inference.design_matrix import Coded, code_covariates
from onsetstudy.inference.likelihood import wald_ratio
from onsetstudy.inference.parameter import Told
from onsetstudy.inference.proportions import normal_quantile
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.hazards.ph_fit import GRADIENT_TOLERANCE, SUSPICIOUS, HazardsProblem, Maximum, maximise, set_up
from onsetstudy.survival.hazards.ph_inference import (
    cluster_covariance,
    information,
    one_sided_bound,
    profile_limit,
    score_statistic,
)
from onsetstudy.survival.hazards.separation import is_flat, rising_direction, unseen

METHOD = "semiparametric proportional hazards for interval-censored times, maximum likelihood"
SOURCE = "Finkelstein 1986, Biometrics 42:845-854; Huang & Wellner 1997, Lecture Notes in Statistics 123:123-169"
ASSUMPTIONS = (
    Assumption(name="proportional hazards", detail="the hazard ratio of becoming numb is the same at all times"),
    SCHEDULE,
)
SMALL_SAMPLE = 40
"""Below it profile intervals at 95 % were seen to hold in 93 % of simulated studies (tests/simulation/hazards.csv)."""
FEW_CLUSTERS = 30
SMALL_STRATUM = 20
"""Cases a stratum holds on average below which the ratio leans away from 1 by 5 % and more, and its interval holds less
often than stated (tests/simulation/sparse_strata.csv): every baseline is estimated too."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Setting:
    """Cases as the fit needs them: coded covariates, the likelihood's problem, counts, weights and clusters."""

    coded: Coded
    problem: HazardsProblem
    counts: Counts
    weight: FloatArray
    cluster: IndexArray | None
    conf_level: float

    @property
    def clusters(self) -> int:
        """Number of clusters; 0 without."""
        return 0 if self.cluster is None else int(self.cluster.max()) + 1


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
        ``"not_converged"``: the certificate was not met. ``"too_few_clusters"``: fewer than coefficients, or as many.
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
    n = len(times)
    if n == 0:
        raise NotEstimable("hazard_ratio", "there is no case", code="no_cases")
    if not 0.5 < conf_level < 1:
        raise OnsetStudyError(f"the confidence level must lie between 0.5 and 1, not {conf_level:g}")
    coded = code_covariates(covariates, n, reference, reference_arm=reference_arm)
    w = np.ones(n) if weight is None else np.asarray(weight, dtype=np.float64)
    if cluster is not None and times.tested.any():
        # Cases that were never tested have no errors, and make no clusters to learn from.
        cluster = np.where(times.tested, cluster, np.asarray(cluster)[times.tested][0])
    strata, groups = (None if v is None else np.unique(v, return_inverse=True)[1] for v in (stratum, cluster))
    if groups is not None and groups.max() + 1 <= coded.x.shape[1]:
        reason = "there are too few clusters for an error that takes them together"
        raise NotEstimable("hazard_ratio", reason, code="too_few_clusters")
    arm = np.asarray(covariates["arm"]).astype(str) if "arm" in covariates else None
    setting = Setting(
        coded=coded,
        problem=set_up(times, coded.x, strata, w, curves),
        counts=Counts.of(np.isfinite(times.right), arm, cases=w if weight_kind == "counts" else None),
        weight=w,
        cluster=groups,
        conf_level=conf_level,
    )
    _refuse_no_information(setting)
    _refuse_no_contrast(setting, unseen(setting.problem))
    maximum = _maximum(setting)
    covariance = _covariance(setting, maximum)
    told = Told(method=METHOD, n=setting.counts, assumptions=ASSUMPTIONS, source=SOURCE)
    return Fit(
        estimates=tuple(_estimate(setting, maximum, covariance, j, told) for j in range(maximum.b.size)),
        covariance=tuple(tuple(float(v) for v in row) for row in covariance),
        log_likelihood=maximum.log_likelihood,
        log_likelihood_null=setting.problem.log_likelihood_null,
        certificate=maximum.certificate(
            "largest gradient or gain of a coefficient or baseline increment, relative to the total weight"
        ),
        tests=_overall_tests(setting, maximum, covariance),
        caution=_cautions(setting),
        **told,
    )


def _covariance(setting: Setting, maximum: Maximum) -> FloatArray:
    """Covariance of the coefficients; raises where the curvature is not that of a maximum."""
    curvature = information(maximum)
    spread = np.ptp(setting.problem.x, axis=0)
    # Whether covariates are told apart does not depend on the units in which they are written.
    values = np.linalg.eigvalsh(curvature / np.outer(spread, spread))
    flat = values[0] <= 1e-9 * max(values[-1], 1e-300) or values[-1] <= 0
    covariance = np.full_like(curvature, np.inf) if flat else np.asarray(np.linalg.inv(curvature), dtype=np.float64)
    if np.any(np.abs(maximum.b) * spread > SUSPICIOUS) or np.any(np.diag(covariance) * spread**2 > SUSPICIOUS**2):
        _refuse_no_maximum(setting)
    if not np.all(np.isfinite(covariance)):
        raise NotEstimable("hazard_ratio", "the cases do not tell the covariates apart", code="no_contrast")
    if setting.cluster is None:
        return covariance
    return cluster_covariance(setting.problem, maximum, setting.cluster, setting.weight)


def _refuse_no_information(setting: Setting) -> None:
    if setting.counts.onsets == 0:
        raise NotEstimable("hazard_ratio", "no case was seen to become numb", code="no_information")
    if setting.problem.mass.size == np.unique(setting.problem.stratum_of).size:
        reason = "the cases' intervals overlap so much that no case is known to be sooner than another"
        raise NotEstimable("hazard_ratio", reason, code="no_information")


def _maximum(setting: Setting) -> Maximum:
    """Certified maximum; separation is told where it is the reason that there is none."""
    try:
        maximum = maximise(setting.problem)
    except NotEstimable:
        _refuse_no_maximum(setting)
        maximum = maximise(setting.problem, patient=True)
    # The curves without covariates are a special case: a maximum below them would be none.
    if maximum.log_likelihood < setting.problem.log_likelihood_null - GRADIENT_TOLERANCE * setting.problem.total:
        raise NotEstimable("hazard_ratio", "the search ended below the fit without covariates", code="not_converged")
    return maximum


def _refuse_no_maximum(setting: Setting) -> None:
    """Raise where the likelihood rises without end, or is the same whatever a ratio."""
    _refuse_separation(setting)
    _refuse_no_contrast(setting, [j for j in range(len(setting.coded.names)) if is_flat(setting.problem, j)])


def _refuse_no_contrast(setting: Setting, unseen: list[int]) -> None:
    """Raise where cases do not speak of a ratio."""
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
        z = float(special.ndtri(setting.conf_level))
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


def _estimate(setting: Setting, maximum: Maximum, covariance: FloatArray, index: int, told: Told) -> Estimate:
    problem, level, contrast = setting.problem, setting.conf_level, setting.coded.contrasts[index]
    b, error = float(maximum.b[index]), float(np.sqrt(covariance[index, index]))
    how, caution = "cluster-robust normal, log scale", _cautions(setting)
    wald = wald_ratio("hazard_ratio", contrast, b, error, level, how=how, caution=caution, **told)
    if setting.cluster is not None:
        return replace(wald, p_value=None) if too_few_clusters(setting.clusters) else wald
    z, top = normal_quantile(level), maximum.log_likelihood
    low, high = (
        float(np.exp(profile_limit(problem, maximum, index, drop=z * z / 2, step=z * error, upwards=upwards)))
        for upwards in (False, True)
    )
    span = Interval(low=low, high=high, level=level, method="profile likelihood, log scale")
    without = problem.log_likelihood_null
    if maximum.b.size > 1:
        without = maximise(problem, maximum, held={index: 0.0}).log_likelihood
    return replace(wald, interval=span, p_value=float(stats.chi2.sf(max(0.0, 2 * (top - without)), 1)))


def _overall_tests(setting: Setting, maximum: Maximum, covariance: FloatArray) -> tuple[HypothesisTest, ...]:
    """Tests of all coefficients; with clusters only the one that takes them together, and none if they are too few."""
    robust = setting.cluster is not None
    if robust and too_few_clusters(setting.clusters):
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
        ("Wald", wald, "coefficients over their covariance" + (", cluster-robust" if robust else "")),
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
        if not robust or name == "Wald"
    )


def _cautions(setting: Setting) -> tuple[Caution, ...]:
    found = []
    if few := setting.counts.few_onsets:
        found.append(Caution(code="few_onsets", text=f"Few onsets ({few}): the interval is approximate."))
    n = setting.counts.cases
    if n < SMALL_SAMPLE:
        text = f"{n} cases: in samples this small the interval of the ratio holds a little less often than stated."
        found.append(Caution(code="small_sample", text=text))
    strata = int(setting.problem.stratum_of.max()) + 1
    if strata > 1 and n / strata < SMALL_STRATUM:
        text = (
            f"{strata} strata hold {n / strata:.0f} cases each on average: below {SMALL_STRATUM} the ratio leans away "
            "from 1, and its interval holds less often than stated."
        )
        found.append(Caution(code="small_strata", text=text))
    groups = setting.clusters
    if setting.cluster is not None and groups < FEW_CLUSTERS:
        text = f"Only {groups} clusters: the robust error may be too small."
        found += too_narrow(groups) or (Caution(code="few_clusters", text=text),)
    return tuple(found)
