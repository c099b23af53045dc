"""Share numb by a target minute, and share never numb, compared between arms."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Caution, Estimate
from onsetstudy.inference.proportions import (
    SHARE_LIMITS,
    Limits,
    mover_difference,
    mover_ratio,
    mover_weighted_sum,
    normal_quantile,
)
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.results import ArmContrast
from onsetstudy.survival.summaries.arm_contrast import Compared
from onsetstudy.survival.summaries.npmle_proportion import Share, decided, share_numb_by
from onsetstudy.survival.summaries.standardisation import (
    INDEPENDENT_CASES,
    SCHEDULE_ASSUMPTION,
    ArmedCases,
    sort_arms,
    usual_gap,
)

__all__ = ["never_numb_share", "success_by"]

_NAMES = {"wilson": "Wilson score", "exact": "Clopper-Pearson"}
_SOURCE = "Newcombe 1998, Stat Med 17:873-890, method 10; Wilson 1927"


@dataclass(frozen=True, slots=True, kw_only=True)
class _ArmShare:
    """One arm's share, standardised over strata: bounds, a value between them, limits and Wald error."""

    arm: str
    estimate: float
    bounds: Limits
    limits: Limits
    wald: float | None
    parts: tuple[Share, ...]
    carried: int

    def turned(self) -> _ArmShare:
        """The share of the others: 1 minus everything."""
        return _ArmShare(
            arm=self.arm,
            estimate=1.0 - self.estimate,
            bounds=(1.0 - self.bounds[1], 1.0 - self.bounds[0]),
            limits=(1.0 - self.limits[1], 1.0 - self.limits[0]),
            wald=self.wald,
            parts=self.parts,
            carried=self.carried,
        )

    @property
    def undecided(self) -> int:
        return sum(part.undecided for part in self.parts)

    @property
    def bounded(self) -> bool:
        return self.bounds[1] - self.bounds[0] > 1e-9


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
        If nobody of an arm (and stratum) was tested at or after ``target_min``, cases never seen numb and
        last felt at most this long before it count as not numb by it. Default: the usual gap between
        two tests (median width of the gaps in which onset was seen). 0 switches this off.
    limits : str
        Of the share in each arm: ``"wilson"``, close to the level on average, or ``"exact"`` (Clopper and Pearson),
        never below it for counts. The difference and the ratio are built from them.
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
    The standard error of the difference is Wald's; an arm whose Wald error is 0 enters with the half width of
    its limits over the normal quantile.

    References
    ----------
    .. [1] R. G. Newcombe, Stat Med 1998;17:873-890.
    .. [2] G. Y. Zou, A. Donner, Stat Med 2008;27:1693-1702.
    .. [3] A. Donner, G. Y. Zou, Stat Methods Med Res 2012;21:347-359 (ratio).
    .. [4] X. Yan, X. G. Su, Stat Biopharm Res 2010;2:329-335 (strata).

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
    cases, carried = _followed(cases, target_min, grace_min, limits, "target_min")
    shares = _arm_shares(cases, carried, target_min, conf_level, limits, "success_by_target", curves)
    numb, _ = decided(cases.times, target_min)
    return _contrast(
        cases,
        shares,
        numb,
        ("success_by_target", "success_difference", "success_ratio"),
        target_min,
        conf_level,
        limits,
    )


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
        ``arms``: quantity ``never_numb``, counts of cases and of those surely not numb at the horizon.
        ``difference``: ``never_numb_difference``, arm minus reference, below 0 when fewer stayed without
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
    cases, carried = _followed(cases, tau_min, grace_min, limits, "tau_min")
    shares = _arm_shares(cases, carried, tau_min, conf_level, limits, "not_numb", curves)
    _, not_numb = decided(cases.times, tau_min)
    return _contrast(
        cases,
        [share.turned() for share in shares],
        not_numb,
        ("not_numb", "not_numb_difference", "not_numb_ratio"),
        tau_min,
        conf_level,
        limits,
    )


def _followed(
    cases: ArmedCases, minute: float, grace_min: float | None, limits: str, key: str
) -> tuple[ArmedCases, dict[str, int]]:
    """Cases with follow-up carried to the minute where the rule of :func:`follow_to` allows it, and how many."""
    if not (math.isfinite(minute) and minute > 0):
        raise OnsetStudyError.of_key(key, f"{key} is {minute!r}", "write minutes above 0, for example 2")
    if limits not in SHARE_LIMITS:
        raise OnsetStudyError.of_key("limits", f"limits is {limits!r}", "write wilson or exact")
    return cases.follow_to(minute, usual_gap(cases.times, cases.weight) if grace_min is None else grace_min)


def _arm_shares(
    cases: ArmedCases,
    carried: dict[str, int],
    minute: float,
    conf_level: float,
    limits: str,
    quantity: str,
    curves: Curves | None,
) -> list[_ArmShare]:
    shares, curves = [], curves or Curves()
    for name in cases.arms:
        parts = tuple(
            share_numb_by(cell.times, minute, conf_level, limits, weight=cell.weight, curves=curves)
            for cell in cases.cells(name)
        )
        if all(part.low < 1e-12 and part.high > 1 - 1e-12 and part.undecided for part in parts):
            raise NotEstimable(
                quantity,
                f"no case of the arm {name} shows whether it was numb at {minute:g} min or not",
                code="undecided",
                bound=(0.0, 1.0),
            )
        shares.append(_standardised(name, parts, cases.mix, carried[name]))
    return shares


def _standardised(name: str, parts: tuple[Share, ...], weight: NDArray[np.float64], carried: int) -> _ArmShare:
    """An arm's share as the weighted mean of its shares in the strata."""
    bounds, limits = mover_weighted_sum(
        weight, np.array([part.bounds for part in parts]), np.array([part.limits for part in parts])
    )
    if len(parts) == 1:
        limits = parts[0].limits
    estimates = np.array([part.estimate for part in parts])
    information = np.array([part.effective_n for part in parts])
    # Without information a stratum has no Wald error; neither has a share of none or of all.
    spread = estimates * (1 - estimates)
    wald = None
    if np.all(information > 0):
        variance = float(weight**2 @ (spread / np.where(information > 0, information, 1.0)))
        wald = math.sqrt(variance) if variance > 0 else None
    return _ArmShare(
        arm=name,
        estimate=float(weight @ estimates),
        bounds=bounds,
        limits=(max(0.0, limits[0]), min(1.0, limits[1])),
        wald=wald,
        parts=parts,
        carried=carried,
    )


def _contrast(
    cases: ArmedCases,
    shares: list[_ArmShare],
    events: NDArray[np.bool_],
    quantities: tuple[str, str, str],
    minute: float,
    conf_level: float,
    limits_name: str,
) -> ArmContrast:
    reference, *others = shares
    undecided = any(share.undecided for share in shares)
    assumptions = (INDEPENDENT_CASES, SCHEDULE_ASSUMPTION) if undecided else (INDEPENDENT_CASES,)
    method = f"share by {minute:g} min " + (
        "by nonparametric maximum likelihood" if undecided else "from counts, every case decided"
    )
    method += f", standardised over {len(cases.strata)} strata" if cases.stratified else ""
    compared = Compared(
        cases=cases,
        events=events,
        unit="proportion",
        method=method,
        conf_level=conf_level,
        assumptions=assumptions,
        cautions={share.arm: _arm_cautions(share, minute, quantities[0]) for share in shares},
        source=_SOURCE,
    )

    def per_arm(share: _ArmShare) -> Estimate:
        how = _NAMES[limits_name] + (" for the effective number of decided cases" if share.undecided else "")
        how += ", strata combined by recovery of variances" if cases.stratified else ""
        return compared.estimate(quantities[0], share.arm, share.estimate, share.limits, how, share.wald, share.arm)

    def difference(share: _ArmShare) -> Estimate:
        low, high = mover_difference(share.bounds, share.limits, reference.bounds, reference.limits)
        newcombe = limits_name == "wilson" and not undecided and not cases.stratified
        how = f"recovery of variances from {_NAMES[limits_name]} limits" + (" (Newcombe method 10)" if newcombe else "")
        error = math.hypot(_error(share, conf_level), _error(reference, conf_level))
        value = share.estimate - reference.estimate
        name, limits = f"{share.arm} - {reference.arm}", (max(-1.0, low), min(1.0, high))
        return compared.estimate(quantities[1], name, value, limits, how, error, reference.arm, share.arm)

    ratio = _ratio(others[0], reference, quantities[2], compared)
    return compared.together([per_arm(s) for s in shares], [difference(s) for s in others], ratio)


def _error(share: _ArmShare, conf_level: float) -> float:
    """Wald error, or half the width of the limits in its units where that would be 0."""
    if share.wald is not None:
        return share.wald
    return (share.limits[1] - share.limits[0]) / 2.0 / normal_quantile(conf_level)


def _ratio(share: _ArmShare, reference: _ArmShare, quantity: str, compared: Compared) -> Estimate | None:
    if reference.estimate <= 0 or reference.bounds[0] <= 0:
        return None
    limits = mover_ratio(share.bounds, share.limits, reference.bounds, reference.limits)
    error = None
    if share.wald is not None and reference.wald is not None and share.estimate > 0:
        error = math.hypot(share.wald / share.estimate, reference.wald / reference.estimate)
    how = "recovery of variances from the limits of the arms; standard error on the log scale"
    name = f"{share.arm} / {reference.arm}"
    value = share.estimate / reference.estimate
    return compared.estimate(quantity, name, value, limits, how, error, reference.arm, share.arm)


def _arm_cautions(share: _ArmShare, minute: float, quantity: str) -> tuple[Caution, ...]:
    cautions = []
    total = sum(part.n for part in share.parts)
    if share.undecided:
        text = (
            f"{share.undecided} of {total} cases of the arm {share.arm} were tested neither numb before nor still "
            f"not numb after {minute:g} min"
        )
        if share.bounded:
            what = "numb" if quantity == "success_by_target" else "not numb"
            text += (
                f"; the data place the share {what} between {share.bounds[0]:.0%} and {share.bounds[1]:.0%}, "
                "and the interval allows for both"
            )
        cautions.append(Caution(code="bounded_share" if share.bounded else "undecided_cases", text=text + "."))
    if share.carried:
        cautions.append(
            Caution(
                code="last_test_before_minute",
                text=(
                    f"In the arm {share.arm} testing stopped before {minute:g} min; {share.carried} cases last felt "
                    "less than one usual gap before it count as not numb by then."
                ),
            )
        )
    return tuple(cautions)
