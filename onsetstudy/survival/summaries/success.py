"""Share numb by a target minute, and share never numb, compared between arms."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Caution
from onsetstudy.inference.assumptions import INDEPENDENT_CASES, SCHEDULE
from onsetstudy.inference.proportions import (
    EDGE,
    SHARE_LIMITS,
    Limits,
    cases_of_mean,
    miettinen_nurminen_limits,
    mover_difference,
    mover_ratio,
    normal_quantile,
)
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.results import ArmContrast
from onsetstudy.survival.summaries.npmle_proportion import Share, decided, share_numb_by
from onsetstudy.survival.summaries.standardisation import ArmedCases, Compared, Value, sort_arms

_NAMES = {"wilson": "Wilson score", "exact": "Clopper-Pearson", "score": "Wilson score"}
_SOURCE = "Newcombe 1998, Stat Med 17:873-890, method 10; Wilson 1927"


@dataclass(frozen=True, slots=True, kw_only=True)
class _ArmShare:
    """One arm's share, standardised over strata: bounds, a value between them, limits and Wald error."""

    estimate: float
    bounds: Limits
    limits: Limits
    wald: float | None
    parts: tuple[Share, ...]

    def turned(self) -> _ArmShare:
        """The share of the others: 1 minus everything."""
        (low, high), (lower, upper) = self.bounds, self.limits
        return replace(
            self, estimate=1.0 - self.estimate, bounds=(1.0 - high, 1.0 - low), limits=(1.0 - upper, 1.0 - lower)
        )

    def error(self, conf_level: float) -> float:
        """Wald's standard error, or where there is none the half width of the limits in units of the quantile."""
        if self.wald is not None:
            return self.wald
        return (self.limits[1] - self.limits[0]) / 2.0 / normal_quantile(conf_level)

    @property
    def undecided(self) -> int:
        return sum(part.undecided for part in self.parts)


@takes_cases("stratum", "weight")
def success_by(
    times: Intervals,
    arm: ArrayLike,
    *,
    reference_arm: str,
    target_min: float,
    conf_level: float = 0.95,
    stratum: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    weight_kind: str = "counts",
    grace_min: float | None = None,
    limits: str = "wilson",
    curves: Curves | None = None,
) -> ArmContrast:
    """Share numb by ``target_min`` per arm, with difference and ratio to the reference arm.

    Parameters
    ----------
    times : Intervals, n rows, or Cases
        Onset in (left, right], minutes from clock zero. With :class:`~onsetstudy.core.cases.Cases`, arm, reference arm,
        strata, weights and level stand in them.
    arm : array_like of str, shape (n,)
    reference_arm : str
        Arm that the others are compared with.
    target_min : float
        Target minute, above 0.
    conf_level : float
        Two-sided level of all intervals.
    stratum : array_like of str, shape (n,), optional
        Shares are standardised to the mix of strata in all arms together (strata in which an arm has
        no case are left out, with a caution).
    weight : array_like of float, shape (n,), optional
        How many like cases a row stands for, whole numbers; default 1.
    weight_kind : str
        ``"counts"``; there is no robust error for weights of another kind.
    grace_min : float, optional
        If nobody of an arm (and stratum) felt the cold at or after ``target_min``, cases never seen numb and
        last felt at most this long before it count as not numb by it. Default: the usual gap between
        two tests (median width of the gaps in which onset was seen). 0 switches this off.
    limits : str
        Of the share in each arm: ``"wilson"``, close to the level on average, or ``"exact"`` (Clopper and Pearson),
        never below it for counts of one stratum. The difference and the ratio are built from them. ``"score"``:
        Wilson's, and of the difference the score limits of Miettinen and Nurminen where every case is decided and
        there is one stratum.
    curves : Curves, optional
        Those of the work that this belongs to; default: fitted for this call only.

    Returns
    -------
    ArmContrast
        ``arms``: quantity ``success_by_target`` (a share), ``contrast`` the arm, counts of cases and of those
        surely numb by the target. ``difference``: ``success_difference``, arm minus reference, above 0 when
        more were numb in time. ``ratio``: ``success_ratio``, ``None`` when the reference share is 0.

    Raises
    ------
    NotEstimable
        If no case of an arm (and stratum) says anything about the target minute.

    Notes
    -----
    Every case decided at the target: counts, Wilson's limits, Newcombe's difference (method 10). Some undecided (a gap
    that spans the target, follow-up that ended before it): the nonparametric maximum likelihood share and limits by
    :func:`~onsetstudy.survival.summaries.npmle_proportion.share_numb_by`, the difference by the same recovery of
    variances. Where the target lies inside an innermost interval the data give only bounds: limits then enclose what
    is true at either bound, and a caution names the numbers.
    Wilson's limits of one share fall short of their level where the true share is near 0.2/n or 1 - 0.2/n
    (84 % instead of 95 %); exact limits do not.
    Strata count as one share, of as many cases as have the variance of their mean
    (:func:`~onsetstudy.inference.proportions.cases_of_mean`).
    The standard error of the difference is Wald's; an arm whose Wald error is 0 enters with the half width of
    its limits over the normal quantile.

    References
    ----------
    .. [1] R. G. Newcombe, Stat Med 1998;17:873-890.
    .. [2] G. Y. Zou, A. Donner, Stat Med 2008;27:1693-1702.
    .. [3] A. Donner, G. Y. Zou, Stat Methods Med Res 2012;21:347-359 (ratio).
    .. [4] O. Miettinen, M. Nurminen, Stat Med 1985;4:213-226.

    Examples
    --------
    >>> from onsetstudy import Intervals, success_by
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> arm = ["plain"] * 6 + ["buffered"] * 6
    >>> found = success_by(times, arm, reference_arm="plain", target_min=4)
    >>> [f"{e.contrast} {e.estimate:.2f}" for e in found.arms]
    ['plain 0.50', 'buffered 0.67']
    """
    cases = sort_arms(times, arm, reference_arm=reference_arm, stratum=stratum, weight=weight)
    return _compared(cases, _Asked(target_min, conf_level, limits, numb=True), grace_min, curves)


@takes_cases("stratum", "weight")
def never_numb_share(
    times: Intervals,
    arm: ArrayLike,
    *,
    reference_arm: str,
    tau_min: float,
    conf_level: float = 0.95,
    stratum: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    weight_kind: str = "counts",
    grace_min: float | None = None,
    limits: str = "wilson",
    curves: Curves | None = None,
) -> ArmContrast:
    """Share not numb by ``tau_min`` per arm, with difference and ratio to the reference arm.

    The complement of :func:`success_by` at the horizon, by the same methods and with the same parameters.

    Returns
    -------
    ArmContrast
        ``arms``: quantity ``not_numb``, counts of cases and of those surely not numb at the horizon.
        ``difference``: ``not_numb_difference``, arm minus reference, below 0 when fewer stayed without
        numbness. ``ratio``: ``not_numb_ratio``.

    Raises
    ------
    NotEstimable
        As :func:`success_by`.

    Examples
    --------
    >>> from onsetstudy import Intervals, never_numb_share
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> arm = ["plain"] * 6 + ["buffered"] * 6
    >>> found = never_numb_share(times, arm, reference_arm="plain", tau_min=8)
    >>> [f"{e.contrast} {e.estimate:.2f}" for e in found.arms]
    ['plain 0.17', 'buffered 0.00']
    """
    cases = sort_arms(times, arm, reference_arm=reference_arm, stratum=stratum, weight=weight)
    return _compared(cases, _Asked(tau_min, conf_level, limits, numb=False), grace_min, curves)


@dataclass(frozen=True, slots=True)
class _Asked:
    """Whose share is asked for, of those numb by a minute or of the others, and with which limits."""

    minute: float
    conf_level: float
    limits: str
    numb: bool

    def __post_init__(self) -> None:
        if not isinstance(self.limits, str) or self.limits not in _NAMES:
            raise OnsetStudyError.of_key("limits", f"limits is {self.limits!r}", f"write {' or '.join(_NAMES)}")

    @property
    def share_limits(self) -> str:
        """Which limits a single share has."""
        return "exact" if self.limits == "exact" else "wilson"

    @property
    def quantities(self) -> tuple[str, str, str]:
        """Keys of the share, of the difference and of the ratio."""
        if self.numb:
            return "success_by_target", "success_difference", "success_ratio"
        return "not_numb", "not_numb_difference", "not_numb_ratio"


def _compared(cases: ArmedCases, asked: _Asked, grace_min: float | None, curves: Curves | None) -> ArmContrast:
    cases, followed = cases.follow_to(asked.minute, grace_min, "by then")
    curves = curves or Curves()
    shares = {arm: _arm_share(cases, arm, asked, curves) for arm in cases.arms}
    undecided = any(share.undecided for share in shares.values())
    how = "by nonparametric maximum likelihood" if undecided else "from counts, every case decided"
    compared = Compared(
        cases=cases,
        events=decided(cases.times, asked.minute)[0 if asked.numb else 1],
        unit="proportion",
        method=f"share by {asked.minute:g} min {how}{cases.how}",
        conf_level=asked.conf_level,
        assumptions=(INDEPENDENT_CASES, SCHEDULE) if undecided else (INDEPENDENT_CASES,),
        cautions={arm: (*_arm_cautions(arm, share, asked), *followed[arm]) for arm, share in shares.items()},
        source=_SOURCE,
    )
    name = _NAMES[asked.limits]

    def per_arm(arm: str) -> Value:
        share = shares[arm]
        how = name + (" for the effective number of decided cases" if share.undecided else "")
        how += ", strata as one share of as many cases as have its variance" if cases.stratified else ""
        return Value(share.estimate, share.limits, how, share.wald)

    def difference(arm: str, reference_arm: str) -> Value:
        share, reference = shares[arm], shares[reference_arm]
        low, high = mover_difference(share.bounds, share.limits, reference.bounds, reference.limits)
        newcombe = asked.limits == "wilson" and not undecided and not cases.stratified
        how = f"recovery of variances from {name} limits" + (" (Newcombe method 10)" if newcombe else "")
        if asked.limits == "score" and not undecided and not cases.stratified:
            (count, n), (ref, ref_n) = ((s.estimate * s.parts[0].n, s.parts[0].n) for s in (share, reference))
            low, high = miettinen_nurminen_limits(count, n, ref, ref_n, asked.conf_level)
            how = "score limits of a difference (Miettinen and Nurminen)"
        error = math.hypot(share.error(asked.conf_level), reference.error(asked.conf_level))
        return Value(share.estimate - reference.estimate, (max(-1.0, low), min(1.0, high)), how, error)

    return compared.contrast(asked.quantities, per_arm, difference, lambda arm, ref: _ratio(shares[arm], shares[ref]))


def _arm_share(cases: ArmedCases, arm: str, asked: _Asked, curves: Curves) -> _ArmShare:
    """Share of an arm; raises if no case of it shows whether it was numb at the minute."""
    parts = tuple(
        share_numb_by(
            cases.times.take(rows),
            asked.minute,
            asked.conf_level,
            asked.share_limits,
            weight=cases.weight[rows],
            curves=curves,
        )
        for rows in cases.rows(arm)
    )
    if all(part.low < 1e-12 and part.high > 1 - 1e-12 and part.undecided for part in parts):
        reason = f"no case of the arm {arm} shows whether it was numb at {asked.minute:g} min or not"
        raise NotEstimable(asked.quantities[0], reason, code="undecided", bound=(0.0, 1.0))
    share = _standardised(parts, cases.mix, asked)
    return share if asked.numb else share.turned()


def _standardised(parts: tuple[Share, ...], weight: FloatArray, asked: _Asked) -> _ArmShare:
    """An arm's share as the weighted mean of its shares in the strata."""
    low, high = (_bound_and_limit(parts, weight, asked, side) for side in (0, 1))
    estimates = np.array([part.estimate for part in parts])
    information = np.array([part.effective_n for part in parts])
    estimate, wald = float(weight @ estimates), None
    # Without information a stratum has no Wald error; neither has a share of none or of all.
    if np.all(information > 0) and 0 < estimate < 1:
        wald = math.sqrt(estimate * (1 - estimate) / float(cases_of_mean(weight, estimates, information)))
    return _ArmShare(
        estimate=estimate,
        bounds=(low[0], high[0]),
        limits=(max(0.0, low[1]), min(1.0, high[1])),
        wald=wald,
        parts=parts,
    )


def _bound_and_limit(parts: tuple[Share, ...], weight: FloatArray, asked: _Asked, side: int) -> Limits:
    """Lower (0) or upper (1) bound of the weighted mean, and the limit beyond it.

    Strata whose cases tell something count as one share; one whose cases do not keeps its own limit, joined by recovery
    of variances.
    """
    bounds, limits, n = np.array([(p.bounds[side], p.limits[side], p.effective[side]) for p in parts]).T
    told = n > 0
    margins = (weight * (limits - bounds))[~told]
    if told.any():
        among = weight[told].sum()
        cases = float(cases_of_mean(weight[told] / among, bounds[told], n[told]))
        mean = min(float(weight[told] @ bounds[told] / among), 1.0)
        mean = mean if EDGE < mean < 1 - EDGE else round(mean)
        limit = SHARE_LIMITS[asked.share_limits](mean * cases, cases, asked.conf_level)[side]
        margins = np.append(margins, among * (limit - mean))
    bound, margin = float(weight @ bounds), float(np.linalg.norm(margins))
    return bound, bound + margin if side else bound - margin


def _ratio(share: _ArmShare, reference: _ArmShare) -> Value | None:
    if reference.estimate <= 0 or reference.bounds[0] <= 0:
        return None
    limits = mover_ratio(share.bounds, share.limits, reference.bounds, reference.limits)
    error = None
    if share.wald is not None and reference.wald is not None and share.estimate > 0:
        error = math.hypot(share.wald / share.estimate, reference.wald / reference.estimate)
    how = "recovery of variances from the limits of the arms; standard error on the log scale"
    return Value(share.estimate / reference.estimate, limits, how, error)


def _arm_cautions(arm: str, share: _ArmShare, asked: _Asked) -> tuple[Caution, ...]:
    if not share.undecided:
        return ()
    text = (
        f"{share.undecided} of {sum(part.n for part in share.parts)} cases of the arm {arm} were tested neither numb "
        f"before nor still not numb after {asked.minute:g} min"
    )
    low, high = share.bounds
    bounded = high - low > 1e-9
    if bounded:
        what = "numb" if asked.numb else "not numb"
        text += f"; the data place the share {what} between {low:.0%} and {high:.0%}, and the interval allows for both"
    return (Caution(code="bounded_share" if bounded else "undecided_cases", text=text + "."),)
