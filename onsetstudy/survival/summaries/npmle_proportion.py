"""Share of one group that is numb by a given minute, with limits that are honest at 0 and at all.

Every case decided at that minute: a count, with Wilson's limits. Otherwise the nonparametric
maximum likelihood share, with Wilson's limits for the number of fully decided cases whose
likelihood falls off as fast as the profile likelihood of the share does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import BoolArray, FloatArray, real_numbers
from onsetstudy.core.cases import merge_alike, takes_cases
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Caution, Counts, Estimate, Interval, NotAvailable
from onsetstudy.inference.assumptions import INDEPENDENT_CASES, SCHEDULE
from onsetstudy.inference.parameter import Parameter
from onsetstudy.inference.proportions import SHARE_LIMITS, Limits, normal_quantile, wilson_limits
from onsetstudy.survival.curve.innermost import Spans, reduce_cases, support_index
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.results import OnsetCurve
from onsetstudy.survival.testing.unlike_gaps import Gaps

_PROBE = 1e-6
"""Weight, relative to the cases, of the pseudo-case that finds the end of a flat likelihood."""
_ROOT_TOLERANCE = 0.01
_METHOD = "nonparametric maximum likelihood share numb by a minute"
_ASSUMPTIONS = (INDEPENDENT_CASES, SCHEDULE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """Share numb by a minute in one group.

    Parameters
    ----------
    low, high : float
        What the data determine: equal unless the minute lies where the curve is a band.
    estimate : float
        Between ``low`` and ``high``, mass spread evenly inside its innermost interval; mass that was
        never seen to become numb counts as not numb.
    limits : tuple of float
        Confidence limits; they enclose ``low`` to ``high``.
    n, undecided : int
        Cases (not rows), and those tested neither numb before nor not numb after the minute (never tested among them).
    effective : tuple of float
        Decided cases that would carry as much information: below, above.
    """

    low: float
    high: float
    estimate: float
    limits: tuple[float, float]
    n: int
    undecided: int
    effective: tuple[float, float]

    @property
    def bounds(self) -> tuple[float, float]:
        """``(low, high)``."""
        return self.low, self.high

    @property
    def effective_n(self) -> float:
        """The poorer of the two sides."""
        return min(self.effective)


def decided(times: Intervals, minute: float) -> tuple[BoolArray, BoolArray]:
    """Which cases were surely numb by the minute, and which surely not."""
    numb = times.right <= minute
    return numb, ~numb & (times.left >= minute)


def parts_by(curve: OnsetCurve, minute: float) -> FloatArray:
    """Part of each mass that lies before ``minute``, spread evenly inside its innermost interval; without end: none."""
    width = curve.right - curve.left
    inside = np.where(np.isfinite(width) & (width > 0), (minute - curve.left) / np.where(width > 0, width, 1.0), 0.0)
    return np.where(curve.right <= minute, 1.0, np.clip(inside, 0.0, 1.0))


def spread_evenly(curve: OnsetCurve, minute: float) -> float:
    """Share numb by ``minute``, masses spread evenly; of those without end nothing counts as numb."""
    return float(min(1.0, np.sum(curve.mass * parts_by(curve, minute))))


def share_numb_by(
    times: Intervals,
    minute: float,
    conf_level: float = 0.95,
    limits: str = "wilson",
    *,
    weight: FloatArray | None = None,
    curves: Curves | None = None,
) -> Share:
    """Share of the cases that is numb by ``minute``.

    Parameters
    ----------
    times : Intervals, n >= 1 rows of one group
    minute : float
        Minutes from clock zero.
    limits : str
        ``"wilson"``, or ``"exact"`` for those of Clopper and Pearson.
    weight : ndarray of float, shape (n,), optional
        How many like cases a row stands for; default 1.
    curves : Curves, optional
        Those of the work that this belongs to; default: fitted for this call only.

    Notes
    -----
    Let ``l(p)`` be the log-likelihood maximised with the share held at ``p``, and ``p_U`` the upper end of
    ``{p: 2 (max l - l(p)) <= z^2}``. Of ``m`` decided cases with the same share ``s``, the log-likelihood falls
    by ``m KL(s, p_U)``; ``m`` is chosen so that both falls are equal, and Wilson's upper limit for ``s m`` of
    ``m`` is taken (likewise below). With every case decided ``m`` is ``n``: the usual limits. Unlike the
    likelihood-ratio interval itself it does not become too short at 0 and at 1. Where the share is only
    bounded, the lower limit starts from the lower bound and the upper from the upper one. For times
    that are not on a grid the likelihood ratio has lighter tails than chi-square (reference 1), so that the
    limits are conservative.

    Like rows are put together and sorted first. The search for ``p_U`` stops within 1 % of ``z^2``, and might stop
    elsewhere for rows in another order, were they not.

    References
    ----------
    .. [1] M. Banerjee, J. A. Wellner, Ann Stat 2001;29:1699-1731.
    .. [2] E. B. Wilson, J Am Stat Assoc 1927;22:209-212.
    """
    limits_of = SHARE_LIMITS[limits]
    times, many = merge_alike(times, weight)
    cases = _total(many)
    times, many = times.take(times.tested), many[times.tested]
    n = _total(many)
    numb, not_numb = decided(times, minute)
    count = _total(many[numb])
    undecided = n - count - _total(many[not_numb])
    if n == 0:
        return Share(low=0.0, high=1.0, estimate=0.0, limits=(0.0, 1.0), n=cases, undecided=cases, effective=(0.0, 0.0))
    effective = float(n), float(n)
    if undecided == 0:
        low = high = estimate = count / n
        ends = limits_of(count, n, conf_level)
    else:
        curves = curves or Curves()
        profile = _Profile(times, many, minute, curves.fit(times, weight=many), curves)
        low, high = profile.bounds()
        estimate = min(max(spread_evenly(profile.curve, minute), low), high)
        below = profile.effective_n(low, conf_level, upwards=False)
        above = profile.effective_n(high, conf_level, upwards=True)
        effective = below, above
        lower, upper = limits_of(low * below, below, conf_level)[0], limits_of(high * above, above, conf_level)[1]
        ends = min(low, lower), max(high, upper)
    undecided += cases - n
    return Share(low=low, high=high, estimate=estimate, limits=ends, n=cases, undecided=undecided, effective=effective)


def _total(many: FloatArray) -> int:
    return round(float(many.sum()))


def share_limit(cell: Gaps, minute: float, conf_level: float, *, upwards: bool) -> Limits:
    """One side of :func:`share_numb_by`: the bound on that side and Wilson's limit beyond it.

    Parameters
    ----------
    cell : Gaps
        Distinct intervals of one group, in order, how many cases have each, and their curve.
    minute : float
    conf_level : float
        Two-sided level.
    upwards : bool
        Whether the upper side is wanted.
    """
    profile = _Profile(cell.times, cell.weight, minute, cell.curve, Curves())
    bound = profile.bounds()[int(upwards)]
    effective = float(cell.weight.sum())
    numb, not_numb = decided(cell.times, minute)
    if not np.all(numb | not_numb):
        effective = profile.effective_n(bound, conf_level, upwards=upwards)
    limit = wilson_limits(bound * effective, effective, conf_level)[int(upwards)]
    return bound, max(bound, limit) if upwards else min(bound, limit)


@takes_cases("weight", second="")
def curve_limits(
    times: Intervals,
    t_min: ArrayLike,
    *,
    conf_level: float = 0.95,
    weight: ArrayLike | None = None,
    weight_kind: str = "counts",
    curves: Curves | None = None,
) -> tuple[Estimate | NotAvailable, ...]:
    """Share numb by each minute of ``t_min``, with pointwise confidence limits.

    Parameters
    ----------
    times : Intervals, n rows of one group, or Cases
        Onset in (left, right], minutes from clock zero.
    t_min : float or array_like of float, shape (m,)
        Minutes, 0 or more.
    conf_level : float
        Two-sided level at each minute by itself, not of the curve as a whole.
    weight : array_like of float, shape (n,), optional
        How many like cases a row stands for, whole numbers; default 1.
    weight_kind : str
        ``"counts"``; there is no robust error for weights of another kind.
    curves : Curves, optional
        Those of the work that this belongs to; default: fitted for this call only.

    Returns
    -------
    tuple of Estimate or NotAvailable, length m
        Quantity ``share_numb``, unit ``proportion``, in the order of ``t_min``.

    Raises
    ------
    OnsetStudyError
        If a minute is missing, infinite, negative or no number.
    """
    minutes = np.atleast_1d(real_numbers(t_min, "t_min"))
    if minutes.ndim != 1 or not np.all(np.isfinite(minutes)) or np.any(minutes < 0):
        raise OnsetStudyError("t_min must be finite minutes of 0 or more")
    times, many = merge_alike(times, None if weight is None else np.asarray(weight))
    curves = curves or Curves()
    return tuple(_limits_at(times, many, float(t), conf_level, curves) for t in minutes)


def _limits_at(
    times: Intervals, many: FloatArray, minute: float, conf_level: float, curves: Curves
) -> Estimate | NotAvailable:
    numb, not_numb = decided(times, minute)
    counts = Counts.of(numb, cases=many)
    of = Parameter(quantity="share_numb", contrast=None, unit="proportion", n=counts, conf_level=conf_level)
    if not (numb.any() or not_numb.any()):
        reason = f"no case shows whether it was numb at {minute:g} min or not"
        nothing = Interval(low=0.0, high=1.0, level=conf_level, method="no information")
        return replace(of.absent(reason, code="undecided", method=_METHOD, bound=nothing), assumptions=_ASSUMPTIONS)
    share = share_numb_by(times, minute, conf_level, weight=many, curves=curves)
    cautions: tuple[Caution, ...] = ()
    if share.high - share.low > 1e-9:
        text = (
            f"The data place the share numb by {minute:g} min between {share.low:.0%} and {share.high:.0%}; "
            "the interval allows for both."
        )
        cautions = (Caution(code="bounded_share", text=text),)
    how = "Wilson score" + (" for the effective number of decided cases" if share.undecided else "")
    spread = share.estimate * (1.0 - share.estimate)
    return of.estimate(
        share.estimate,
        share.limits,
        by=how,
        method=_METHOD,
        std_error=math.sqrt(spread / share.effective_n) if share.effective_n > 0 and spread > 0 else None,
        assumptions=_ASSUMPTIONS,
        caution=cautions,
        source="wilson_1927",
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    """Point on the profile likelihood: the share, the log-likelihood of the cases, and the masses there."""

    share: float
    log_likelihood: float
    mass: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Path:
    """Constrained maximisers with the share pulled to one side.

    A pseudo-case of some weight, known to be numb by the minute (or not), pulls: the weight is the Lagrange multiplier
    times the share.

    Parameters
    ----------
    spans : Spans
        Weights are those of the cases, 0 for the pseudo-case where none of them is like it.
    alike : int
        Which kind of cases the pseudo-case is like.
    upwards : bool
    """

    spans: Spans
    alike: int
    upwards: bool

    def at(self, weight: float, curves: Curves, near: _Point | None = None) -> _Point:
        """Where a weight pulls the share to, sought from a point ``near`` it."""
        cases = self.spans.weight
        pulled = cases.copy()
        pulled[self.alike] += weight
        mass = curves.masses(replace(self.spans, weight=pulled), None if near is None else near.mass)
        chance = self.spans.chances(mass)
        inside = float(min(1.0, chance[self.alike]))
        return _Point(inside if self.upwards else 1.0 - inside, float(cases @ np.log(chance)), mass)


@dataclass(frozen=True, slots=True, eq=False)
class _Profile:
    """Profile likelihood of the share numb by a minute: distinct intervals, cases of each, and their curve."""

    times: Intervals
    many: FloatArray
    minute: float
    curve: OnsetCurve
    curves: Curves

    def bounds(self) -> Limits:
        """Lowest and highest share numb that every maximiser of the likelihood allows."""
        low_surv, high_surv = self.curve.at(self.minute)
        low, high = 1.0 - float(high_surv), 1.0 - float(low_surv)
        if not np.all(self.curve.determined):
            probe = _PROBE * float(self.many.sum())
            low = min(low, self.path(upwards=False).at(probe, self.curves).share)
            high = max(high, self.path(upwards=True).at(probe, self.curves).share)
        # Masses carry rounding; a share of 1e-16 is none.
        return (0.0 if low < 1e-12 else low), (1.0 if high > 1 - 1e-12 else high)

    def path(self, *, upwards: bool) -> _Path:
        """The way on which the share is pulled up, or down."""
        pseudo = (0.0, self.minute) if upwards else (self.minute, math.inf)
        pulled = self.times.with_row(*pseudo)
        spans = reduce_cases(pulled.left, pulled.right, np.append(self.many, 1.0))
        first, last = support_index(pulled.take([-1]), spans)
        alike = int(np.flatnonzero((spans.first == first) & (spans.after == last + 1))[0])
        cases = spans.weight.copy()
        cases[alike] -= 1.0
        return _Path(replace(spans, weight=cases), alike, upwards)

    def edge_log_likelihood(self, *, upwards: bool) -> float:
        """Largest log-likelihood with everybody (``upwards``) or nobody numb by then; ``-inf`` if impossible."""
        numb, not_numb = decided(self.times, self.minute)
        if (not_numb if upwards else numb).any():
            return -math.inf
        left, right, minute = self.times.left, self.times.right, self.minute
        held = Intervals(left, np.minimum(right, minute)) if upwards else Intervals(np.maximum(left, minute), right)
        return self.curves.fit(held, weight=self.many).log_likelihood

    def effective_n(self, share: float, conf_level: float, *, upwards: bool) -> float:
        """Decided cases whose likelihood falls as fast as the profile on one side of ``share``; 0 if it never does."""
        n, crit, top = float(self.many.sum()), normal_quantile(conf_level) ** 2, self.curve.log_likelihood
        if share == (1.0 if upwards else 0.0):
            return n
        if 2.0 * (top - self.edge_log_likelihood(upwards=upwards)) <= crit:
            return 0.0
        odds = (share + 0.5 / n) / (1.0 - share + 0.5 / n)
        weight = 0.5 * math.log(crit * n * (odds if upwards else 1.0 / odds))
        low, high, slope, ratio = -math.inf, math.inf, 2.0, 0.0
        path, near = self.path(upwards=upwards), None
        before: tuple[float, float] | None = None
        # The number sought varies slowly along the path, so that a coarse root of ratio = crit is enough.
        for _ in range(40):
            near = point = path.at(math.exp(weight), self.curves, near)
            ratio = max(2.0 * (top - point.log_likelihood), 1e-12)
            if abs(ratio / crit - 1.0) < _ROOT_TOLERANCE:
                break
            low, high = (weight, high) if ratio < crit else (low, weight)
            if before is not None and weight != before[0]:
                slope = min(max((math.log(ratio) - before[1]) / (weight - before[0]), 0.2), 4.0)
            before = (weight, math.log(ratio))
            weight += (math.log(crit) - before[1]) / slope
            if not low < weight < high:
                weight = 0.5 * (low + high)
        fall = _fall(share, point.share)
        return min(n, ratio / 2.0 / fall) if fall > 0 else 0.0


def _fall(share: float, other: float) -> float:
    """Fall of the mean log-likelihood of a binomial from its share to another (Kullback-Leibler)."""
    fall = 0.0
    if share > 0:
        fall += share * math.log(share / other) if other > 0 else math.inf
    if share < 1:
        fall += (1 - share) * math.log((1 - share) / (1 - other)) if other < 1 else math.inf
    return fall
