"""Pointwise confidence limits of the share numb by chosen minutes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from onsetstudy.core.cases import merge_alike, takes_cases
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Caution, Counts, Estimate, Interval, NotAvailable
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.summaries.npmle_proportion import decided, share_numb_by

__all__ = ["curve_limits"]

_METHOD = "nonparametric maximum likelihood share numb by a minute"
_ASSUMPTIONS = (
    Assumption(name="cases are independent"),
    Assumption(name="times of testing do not depend on onset"),
)


@takes_cases("weight", second="")
def curve_limits(
    times: Intervals,
    t_min: ArrayLike,
    *,
    conf_level: float = 0.95,
    weight: ArrayLike | None = None,
    weight_kind: str = "counts",
    seed: int | None = None,
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
    seed : int, optional
        Seed of the bootstrap where one is needed.
    curves : Curves, optional
        Those of the work that this belongs to; default: fitted for this call only.

    Returns
    -------
    tuple of Estimate or NotAvailable, length m
        Quantity ``share_numb``, unit ``proportion``, in the order of ``t_min``.

    Raises
    ------
    OnsetStudyError
        If a minute is missing, infinite or negative.
    """
    minutes = np.atleast_1d(np.asarray(t_min, dtype=np.float64))
    if minutes.ndim != 1 or not np.all(np.isfinite(minutes)) or np.any(minutes < 0):
        raise OnsetStudyError("t_min must be finite minutes of 0 or more")
    times, many = merge_alike(times, None if weight is None else np.asarray(weight))
    curves = curves or Curves()
    return tuple(_limits_at(times, many, float(t), conf_level, curves) for t in minutes)


def _limits_at(
    times: Intervals, many: NDArray[np.float64], minute: float, conf_level: float, curves: Curves
) -> Estimate | NotAvailable:
    numb, not_numb = decided(times, minute)
    counts = Counts.of(numb, cases=many)
    nothing = len(times) == 0 or (not numb.any() and not not_numb.any())
    if nothing:
        return NotAvailable(
            quantity="share_numb",
            contrast=None,
            code="undecided",
            reason=f"no case shows whether it was numb at {minute:g} min or not",
            unit="proportion",
            method=_METHOD,
            n=counts,
            bound=Interval(low=0.0, high=1.0, level=conf_level, method="no information"),
            assumptions=_ASSUMPTIONS,
        )
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
    return Estimate(
        quantity="share_numb",
        contrast=None,
        estimate=share.estimate,
        std_error=math.sqrt(spread / share.effective_n) if share.effective_n > 0 and spread > 0 else None,
        interval=Interval(low=share.limits[0], high=share.limits[1], level=conf_level, method=how),
        unit="proportion",
        method=_METHOD,
        n=counts,
        assumptions=_ASSUMPTIONS,
        caution=cautions,
        source="wilson_1927",
    )
