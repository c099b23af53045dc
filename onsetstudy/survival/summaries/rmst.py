"""Restricted mean time to onset: minutes waited on average up to a horizon, compared between arms."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Caution
from onsetstudy.inference.assumptions import SPREAD_EVENLY
from onsetstudy.inference.means import satterthwaite
from onsetstudy.inference.proportions import Limits, normal_quantile, wilson_limits
from onsetstudy.survival.curve.functionals import functional_bounds, functional_variance
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.results import ArmContrast, OnsetCurve
from onsetstudy.survival.summaries.standardisation import ArmedCases, Compared, Value, sort_arms
from onsetstudy.survival.testing.unlike_gaps import Gaps, mean_gaps

NO_SPREAD = 1e-18
"""Variance, as a share of the squared horizon, up to which an arm counts as one without spread."""
LARGEST = 700.0
"""Logarithm beyond which a limit of a ratio is no number any more."""
_SOURCE = "restricted mean as in Royston & Parmar 2013, BMC Med Res Methodol 13:152, of the interval-censored curve"


def waits_of_masses(curve: OnsetCurve, tau_min: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Wait up to ``tau_min`` per innermost interval: mass at its beginning, spread evenly, at its end.

    Returns
    -------
    tuple of ndarray of float, shape (k,)
        Minutes. An interval without end counts as ``tau_min`` when spread evenly.
    """
    low, high = np.minimum(curve.left, tau_min), np.minimum(curve.right, tau_min)
    return low, even_waits(curve.left, curve.right, tau_min), high


def even_waits(left: FloatArray, right: FloatArray, tau_min: float) -> FloatArray:
    """Mean wait up to ``tau_min`` of a mass spread evenly from ``left`` to ``right``, of one shape."""
    ended = np.isfinite(right)
    low, high = np.minimum(left, tau_min), np.minimum(right, tau_min)
    width = np.where(ended & (right > left), np.where(ended, right, 0.0) - left, 1.0)
    # Of an interval cut by the horizon, the part before it waits its mean and the part after it tau.
    before = np.where(ended & (left < tau_min) & (right > tau_min), (tau_min - left) / width, 1.0)
    even = before * (low + high) / 2.0 + (1.0 - before) * tau_min
    return np.asarray(np.where(ended, even, tau_min), dtype=np.float64)


def wait_to(curve: OnsetCurve, tau_min: float) -> float:
    """Restricted mean time to onset up to a horizon, minutes, masses spread evenly."""
    return float(np.sum(curve.mass * even_waits(curve.left, curve.right, tau_min)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """How the mean is found; parameters as of :func:`~onsetstudy.survival.summaries.rmst.estimate_rmst`."""

    tau_min: float
    conf_level: float
    small_sample: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CellWait:
    """Restricted mean time to onset of the cases of one arm in one stratum, already times the weight of the stratum.

    ``spread`` is ``(variance, degrees of freedom)``, with the variance as large as the small-sample interval
    needs it; ``None`` without spread between cases. ``reach`` is how far below and above the mean may lie for what
    no variance knows of.
    """

    mean: float
    bounds: tuple[float, float]
    share: float
    gaps: Gaps
    variance: float = 0.0
    spread: tuple[float, float] | None = None
    reach: tuple[float, float] = (0.0, 0.0)


def cell_wait(gaps: Gaps, carried_min: float, name: str, stratum: str, weight: float, options: Options) -> CellWait:
    """Restricted mean of an arm in a stratum; ``carried_min``: by how much its follow-up was carried forward at most.

    Raises
    ------
    NotEstimable
        If the curve is undefined before the horizon.
    """
    times, curve = gaps.times, gaps.curve
    tau, n = options.tau_min, gaps.n
    if np.isinf(curve.right[-1]) and curve.left[-1] < tau:
        place = f"the arm {name}" + (f" in the stratum {stratum}" if stratum else "")
        raise NotEstimable(
            "rmst",
            f"in {place} onset is known up to {curve.left[-1]:g} min only, with {curve.mass[-1]:.0%} not yet numb, "
            f"and not up to the horizon of {tau:g} min",
            code="curve_undefined",
        )
    low, even, high = waits_of_masses(curve, tau)
    # Cases carried forward to the horizon may have become numb as soon as they were last tested.
    low = np.where(np.isinf(curve.right), low - carried_min, low)
    mean = min(float(curve.mass @ even), tau)
    bounds = functional_bounds(times, curve, low, high)
    variance = functional_variance(times, curve, even, gaps.weight)
    found = CellWait(mean=weight * mean, bounds=(weight * bounds[0], weight * bounds[1]), share=weight, gaps=gaps)
    if n < 2 or variance <= NO_SPREAD * tau * tau:
        outside = wilson_limits(0, n, options.conf_level)[1]
        return replace(found, reach=(weight * outside * mean, weight * outside * (tau - mean)))
    used = weight * weight * variance
    inflated = used * n / (n - 1) if options.small_sample else used
    return replace(found, variance=used, spread=(inflated, n - 1.0))


@takes_cases("stratum", "weight")
def estimate_rmst(
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
    small_sample: bool = True,
    curves: Curves | None = None,
) -> ArmContrast:
    """Restricted mean time to onset up to ``tau_min`` per arm, with difference and ratio to the reference arm.

    Parameters
    ----------
    times : Intervals, n rows, or Cases
        Onset in (left, right], minutes from clock zero. With :class:`~onsetstudy.core.cases.Cases`, arm, reference arm,
        strata, weights and level stand in them.
    arm : array_like of str, shape (n,)
    reference_arm : str
        Arm that the others are compared with.
    tau_min : float
        Horizon in minutes; who is not numb by then has waited ``tau_min``.
    conf_level : float
        Two-sided level of all intervals.
    stratum : array_like of str, shape (n,), optional
        Means are standardised to the mix of strata in all arms together (strata in which an arm has
        no case are left out, with a caution).
    weight : array_like of float, shape (n,), optional
        How many like cases a row stands for, whole numbers; default 1.
    weight_kind : str
        ``"counts"``; there is no robust error for weights of another kind.
    grace_min : float, optional
        If nobody of an arm (and stratum) felt the cold at or after ``tau_min``, cases never seen numb and
        last felt at most this long before it count as not numb up to it. Default: the usual gap between
        two tests (median width of the gaps in which onset was seen). 0 switches this off.
    small_sample : bool
        Intervals by Student's t with Welch's degrees of freedom and variances enlarged by ``n/(n - 1)`` in each
        arm, those of the arms on the logit of wait / tau; otherwise by the normal distribution.
    curves : Curves, optional
        Those of the work that this belongs to; default: fitted for this call only.

    Returns
    -------
    ArmContrast
        ``arms``: quantity ``rmst`` in minutes, ``contrast`` the arm, counts of cases and of onsets
        seen by ``tau_min``. ``difference``: ``rmst_difference``, arm minus reference, below 0 when
        the arm was numb sooner. ``ratio``: ``rmst_ratio``. ``bounds``: what the gaps between tests
        leave open, with all onsets at the beginning or at the end of their innermost interval.

    Raises
    ------
    NotEstimable
        If the curve of an arm (in a stratum) is undefined before ``tau_min``: testing ended earlier, by
        more than ``grace_min``, with cases not yet numb.

    Notes
    -----
    The mean is an exact sum over the innermost intervals of the nonparametric maximum likelihood curve, mass spread
    evenly inside each; its variance comes by the delta method from the observed information. On exact and
    right-censored times it is the area under the Kaplan-Meier curve, and the standard error Greenwood's. With no spread
    between the cases of an arm (all in one gap) there is no standard error; the interval then allows a share of the
    cases as large as Wilson's limit for 0 of n to lie at 0 or at ``tau_min``. Where no case of an arm reaches
    ``tau_min``, the interval knows on the side of longer waits, by the root of the sum of squares, of as much as one
    case more that does would lengthen the mean. Where the gaps between tests are not alike in the arms, the interval
    of the difference is wider by what that leaves open (:mod:`~onsetstudy.survival.testing.unlike_gaps`).

    References
    ----------
    .. [1] P. Royston, M. K. B. Parmar, BMC Med Res Methodol 2013;13:152.
    .. [2] H. Uno and others, J Clin Oncol 2014;32:2380-2385.
    .. [3] B. W. Turnbull, J R Stat Soc B 1976;38:290-295.
    .. [4] R. Geskus, P. Groeneboom, Ann Stat 1999;27:627-674 (smooth functionals are estimable at the usual rate).
    .. [5] B. L. Welch, Biometrika 1947;34:28-35.

    Examples
    --------
    >>> from onsetstudy import Intervals, estimate_rmst
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> arm = ["plain"] * 6 + ["buffered"] * 6
    >>> found = estimate_rmst(times, arm, reference_arm="plain", tau_min=8)
    >>> [f"{e.contrast} {e.estimate:.2f}" for e in found.arms]
    ['plain 4.50', 'buffered 3.33']
    >>> f"{found.difference.contrast}: {found.difference.estimate:.2f} min"
    'buffered - plain: -1.17 min'
    """
    options = Options(tau_min=tau_min, conf_level=conf_level, small_sample=small_sample)
    cases = sort_arms(times, arm, reference_arm=reference_arm, stratum=stratum, weight=weight)
    followed, told = cases.follow_to(tau_min, grace_min, f"up to {tau_min:g} min")
    curves = curves or Curves()
    cells = {name: _cells(cases, followed, name, options, curves) for name in cases.arms}
    what = f"restricted mean time to onset up to {tau_min:g} min under the nonparametric maximum likelihood curve"
    compared = Compared(
        cases=followed,
        events=followed.times.right <= tau_min,
        unit="min",
        method=what + cases.how,
        conf_level=conf_level,
        assumptions=SPREAD_EVENLY,
        cautions={name: _arm_cautions(name, cells[name], told[name], tau_min) for name in cases.arms},
        source=_SOURCE,
    )
    return compared.contrast(
        ("rmst", "rmst_difference", "rmst_ratio"),
        lambda arm: _mean(cells[arm], options),
        lambda arm, reference: _difference(cells, (arm, reference), options),
        lambda arm, reference: _ratio(cells[arm], cells[reference], options),
        {arm: _sum_bounds(parts) for arm, parts in cells.items()},
    )


def _cells(cases: ArmedCases, followed: ArmedCases, name: str, options: Options, curves: Curves) -> list[CellWait]:
    forward = followed.times.left - cases.times.left
    parts = zip(followed.gaps(name, curves), cases.rows(name), cases.strata, cases.mix, strict=True)
    cells = [
        cell_wait(gaps, float(forward[rows].max()), name, stratum, float(share), options)
        for gaps, rows, stratum, share in parts
    ]
    if any(cell.spread is None or cell.gaps.curve.left[-1] >= options.tau_min for cell in cells):
        return cells
    further = float(one_more(sum(cell.mean for cell in cells), sum(cell.gaps.n for cell in cells), options.tau_min))
    # Shared out among strata so that the squares add up to that of the arm.
    return [replace(cell, reach=(0.0, further * math.sqrt(cell.share))) for cell in cells]


def one_more(mean: ArrayLike, n: ArrayLike, tau_min: float) -> FloatArray:
    """By how much one case more, not numb by the horizon, would lengthen the mean wait of ``n`` cases.

    An arm without such a case may owe that to chance, and its variance does not know of it.
    """
    return np.asarray((tau_min - np.asarray(mean)) / (1.0 + np.asarray(n)), dtype=np.float64)


def _margins(cells: Sequence[tuple[CellWait, float]], options: Options) -> tuple[float, float, float | None, str]:
    """How far the limits of a signed sum of cells reach below and above it, its standard error, and their method."""
    spreads = [cell.spread for cell, _ in cells if cell.spread is not None]
    total = sum(variance for variance, _ in spreads)
    if total > 0 and options.small_sample:
        quantile = float(stats.t.ppf(0.5 + options.conf_level / 2.0, satterthwaite(spreads)))
    else:
        quantile = normal_quantile(options.conf_level)
    reach = np.array([cell.reach if sign > 0 else cell.reach[::-1] for cell, sign in cells])
    below, above = np.sqrt(quantile**2 * total + np.sum(reach**2, axis=0))
    how = ("Student t, Welch" if options.small_sample else "normal") + ", variance from the observed information"
    if any(cell.spread is not None and cell.reach[1] > 0 for cell, _ in cells):
        how += ", and one case more at the horizon where an arm has none there"
    if len(spreads) < len(cells):
        return float(below), float(above), None, how + ", and Wilson's limit for 0 of n where an arm has no spread"
    return float(below), float(above), math.sqrt(sum(cell.variance for cell, _ in cells)), how


def _mean(cells: list[CellWait], options: Options) -> Value:
    mean, tau = sum(cell.mean for cell in cells), options.tau_min
    below, above, error, how = _margins([(cell, 1.0) for cell in cells], options)
    if error is not None and options.small_sample and 0.0 < mean < tau:
        # Waits are skewed: long tails when most are short, the reverse when many reach the horizon.
        centre, slope = math.log(mean / (tau - mean)), tau / (mean * (tau - mean))
        low, high = (tau * float(special.expit(centre + slope * by)) for by in (-below, above))
        return Value(mean, (low, high), how + ", on the logit of the share of the horizon", error)
    return Value(mean, (max(0.0, mean - below), min(tau, mean + above)), how, error)


def _difference(cells: dict[str, list[CellWait]], arms: tuple[str, str], options: Options) -> Value:
    own, ref = cells[arms[0]], cells[arms[1]]
    value = sum(cell.mean for cell in own) - sum(cell.mean for cell in ref)
    below, above, error, how = _margins([(cell, 1.0) for cell in own] + [(cell, -1.0) for cell in ref], options)
    pairs = [(a.share, b.gaps, a.gaps) for a, b in zip(own, ref, strict=True)]
    found = Value(value, (value - below, value + above), how, error)
    return open_by_gaps(found, pairs, arms, options.tau_min)[0]


def open_by_gaps(
    found: Value, strata: Sequence[tuple[float, Gaps, Gaps]], arms: tuple[str, str], tau_min: float
) -> tuple[Value, float]:
    """A difference of waits, wider by what unlike gaps between tests leave open, cut at the horizon; and by how much.

    Parameters
    ----------
    strata : sequence of (share, Gaps, Gaps)
        As :func:`~onsetstudy.survival.testing.unlike_gaps.mean_gaps` takes them, the reference arm first.
    arms : tuple of str
        The other arm, then the reference.
    """
    value, how = found.value, found.how
    gap_ref, gap = mean_gaps(strata, tau_min)
    # In which part of a gap onset lies moves the mean of the coarser arm further, by half of what the gaps differ.
    moves = abs(gap - gap_ref) / 2
    low, high = max(-tau_min, found.limits[0] - moves), min(tau_min, found.limits[1] + moves)
    if not moves:
        return found._replace(limits=(low, high)), 0.0
    saved = quantity_of("rmst_difference").as_shown(value, value - moves, value + moves)
    text = (
        f"The gaps between tests in which onset lies are {gap:.1f} min wide on average in the arm {arms[0]} and "
        f"{gap_ref:.1f} min in the arm {arms[1]}: depending on where in them it lies, the arm {arms[0]} saves from "
        f"{saved.low:.1f} to {saved.high:.1f} min of waiting, and the interval of the difference allows for both."
    )
    alone = (low + moves > 0) or (high - moves < 0)
    if alone and low <= 0 <= high:
        text += " Without that the interval would exclude no difference: no direction is claimed."
    how += ", and what unlike gaps between tests leave open"
    caution = (*found.caution, Caution(code="unlike_gaps", text=text))
    return found._replace(limits=(low, high), how=how, caution=caution), moves


def _ratio(cells: list[CellWait], reference: list[CellWait], options: Options) -> Value | None:
    mean, mean_ref = sum(cell.mean for cell in cells), sum(cell.mean for cell in reference)
    if mean <= 0 or mean_ref <= 0:
        return None
    # On the log scale every variance and reach is relative to its arm's mean.
    relative = [(_over(cell, mean), 1.0) for cell in cells] + [(_over(cell, mean_ref), -1.0) for cell in reference]
    below, above, error, how = _margins(relative, options)
    ratio, most = mean / mean_ref, math.exp(above) if above < LARGEST else math.inf
    return Value(ratio, (ratio * math.exp(-below), ratio * most), how + ", log scale", error)


def _over(cell: CellWait, mean: float) -> CellWait:
    spread = None if cell.spread is None else (cell.spread[0] / mean**2, cell.spread[1])
    reach = (-math.log1p(-min(cell.reach[0] / mean, 1 - 1e-12)), math.log1p(cell.reach[1] / mean))
    return replace(cell, variance=cell.variance / mean**2, spread=spread, reach=reach)


def _sum_bounds(cells: list[CellWait]) -> Limits:
    return sum(cell.bounds[0] for cell in cells), sum(cell.bounds[1] for cell in cells)


def _arm_cautions(name: str, cells: list[CellWait], told: tuple[Caution, ...], tau_min: float) -> tuple[Caution, ...]:
    cautions = []
    low, high = _sum_bounds(cells)
    if high - low > 1e-9 * tau_min:
        text = (
            f"Onset in the arm {name} is known only to the gap between two tests: depending on where in the gaps "
            f"it lies, the restricted mean time to onset is between {low:.2f} and {high:.2f} min. The "
            f"estimate spreads it evenly."
        )
        cautions.append(Caution(code="between_tests", text=text))
    cautions += told
    if any(cell.spread is None for cell in cells):
        text = (
            f"All cases of the arm {name}{' in a stratum' if len(cells) > 1 else ''} waited equally long as far as "
            "the tests can tell, so that their spread is unknown; the interval is a cautious one."
        )
        cautions.append(Caution(code="no_spread", text=text))
    return tuple(cautions)
