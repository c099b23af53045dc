"""How much of the error rate may have been spent by a share of the information, and the boundaries that spend it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import DesignError
from onsetstudy.design.interim.crossing import begin, carry, crossing_chances, solve_lower, solve_upper, tail_chances

INF = float("inf")
SPENDING = ("obrien_fleming", "obrien_fleming_total", "pocock", "power")
"""Names of the spending functions.

``obrien_fleming`` spends ``2 (1 - Phi(z_(a/2) / sqrt(t)))`` on each side for the error rate ``a`` of that side: with
0.05 two-sided the first of five equal looks has the boundary 4.877. ``obrien_fleming_total`` reads the same formula
with the error rate of both sides together, and has 4.383 there.
"""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Bounds:
    """Boundaries on the Z scale, arrays of shape (k,), and the error rate of one side spent up to each look."""

    information: FloatArray
    upper: FloatArray
    lower: FloatArray
    spent: FloatArray


def spent(kind: str, alpha: float, fraction: float, *, rho: float = 3.0, sided: int = 1) -> float:
    """Error rate of one side spent by a fraction of the information.

    Parameters
    ----------
    kind : str
        One of ``SPENDING``.
    alpha : float
        Error rate of one side.
    fraction : float
        Information so far over the planned, 0 or more; beyond 1 everything is spent.
    rho : float
        Power of the ``power`` family: ``alpha t^rho``.
    sided : int
        Of the test, 1 or 2; matters to ``obrien_fleming_total`` only.

    Raises
    ------
    DesignError
        If the name is not known or a number is out of range.

    References
    ----------
    .. [1] Lan KKG, DeMets DL. Discrete sequential boundaries for clinical trials. Biometrika 1983;70:659-63.
    .. [2] Kim K, DeMets DL. Biometrika 1987;74:149-54 (the power family; from memory).
    """
    if kind not in SPENDING:
        raise DesignError(f"the spending function {kind!r} is not known; choose among {', '.join(SPENDING)}")
    if not 0 < alpha < 0.5 or fraction < 0 or rho <= 0:
        raise DesignError("alpha must lie between 0 and 0.5, the fraction be 0 or more and rho above 0")
    t = min(fraction, 1.0)
    if t == 0:
        return 0.0
    if kind in ("obrien_fleming", "obrien_fleming_total"):
        sides = sided if kind == "obrien_fleming_total" else 1
        return float(2 * special.ndtr(special.ndtri(sides * alpha / 2) / math.sqrt(t)) / sides)
    if kind == "pocock":
        return alpha * math.log1p((math.e - 1) * t)
    return float(alpha * t**rho)


def spending_bounds(
    information: ArrayLike,
    fraction: ArrayLike,
    *,
    kind: str,
    alpha: float,
    sided: int = 2,
    rho: float = 3.0,
    final: bool = False,
    floors: Sequence[float] | FloatArray = (),
) -> Bounds:
    """Efficacy boundaries of looks at any information, planned or not.

    Parameters
    ----------
    information : sequence of float, k looks
        Statistical information at each look: fixes how the looks are correlated.
    fraction : sequence of float
        Share of the planned information on which the error rate is spent; the same if information is what was planned.
    kind : str
        Name of the spending function.
    alpha : float
        Error rate of the whole test, both sides together if ``sided`` is 2.
    sided : int
        1 or 2; a two-sided test has the lower boundary at minus the upper.
    rho : float
        Of the power family.
    final : bool
        The last look is the last of all: whatever was not spent is spent there.
    floors : sequence of float, shape (m,)
        Binding futility boundaries of the first ``m`` looks: studies below them have stopped, and their error rate is
        free to be spent later.

    Returns
    -------
    Bounds
        Where nothing may be spent at a look, its boundary is infinite.

    Raises
    ------
    DesignError
        If information or fractions do not grow.
    """
    steps, shares = _growing(information, fraction)
    side = alpha / sided
    spent(kind, side, 1.0, rho=rho, sided=sided)  # refuses what cannot be spent, also where nothing is looked up
    upper, used = np.empty(steps.size), np.empty(steps.size)
    carried, before = begin(), 0.0
    for k, level in enumerate(steps.tolist()):
        last = final and k == steps.size - 1
        may = side if last else spent(kind, side, float(shares[k]), rho=rho, sided=sided)
        bound = solve_upper(carried, level, may - before)
        before = max(may, before)
        upper[k], used[k] = bound, before
        if k + 1 < steps.size:
            floor = max(-bound if sided == 2 else -INF, float(floors[k]) if k < len(floors) else -INF)
            carried = carry(carried, level, lower=floor, upper=bound, following=float(steps[k + 1]))
    lower = -upper if sided == 2 else np.full(steps.size, -INF)
    return Bounds(information=steps, upper=upper, lower=lower, spent=used)


def _growing(information: ArrayLike, fraction: ArrayLike) -> tuple[FloatArray, FloatArray]:
    steps, shares = (np.asarray(v, dtype=np.float64) for v in (information, fraction))
    if steps.ndim != 1 or steps.shape != shares.shape or not steps.size:
        raise DesignError("give the information and the planned fraction of every look, one look or more")
    for name, values in (("information", steps), ("fraction", shares)):
        if not np.all(np.isfinite(values)) or np.any(np.diff(values, prepend=0.0) <= 0):
            raise DesignError(f"the {name} must be above 0 and grow from look to look, not {values.tolist()}")
    return steps, shares


def power_at(bounds: Bounds, drift: float) -> float:
    """Chance of ever passing the upper boundary when the score drifts by ``drift`` for each unit of information."""
    return crossing_chances(bounds.information, bounds.lower, bounds.upper, drift=drift).above


def drift_for_power(bounds: Bounds, power: float) -> float:
    """Drift at which the upper boundary is passed with a chance.

    Raises
    ------
    DesignError
        If the power is not above the error rate and below 1.
    """
    if not bounds.spent[-1] < power < 1:
        raise DesignError(f"a power of {power:g} must lie above the error rate {bounds.spent[-1]:g} and below 1")
    scale = 1 / np.sqrt(bounds.information[-1])
    found = optimize.brentq(lambda d: power_at(bounds, d * scale) - power, 0.0, 20.0, xtol=1e-10)
    return float(found * scale)


def spending_futility(
    bounds: Bounds, fraction: ArrayLike, *, power: float, kind: str = "obrien_fleming", rho: float = 3.0
) -> tuple[FloatArray, float]:
    """Futility boundaries that spend the chance of missing a true effect, and the drift they are tuned to.

    Non-binding: the efficacy boundaries are as if there were none, so that going on against the rule costs nothing of
    the error rate. The last futility boundary meets the efficacy boundary.

    Parameters
    ----------
    bounds : Bounds
        Efficacy boundaries of all looks, the last of them final.
    fraction : sequence of float
        Share of the planned information at each look.
    power : float
        With the futility rule followed.
    kind, rho
        Spending function for one minus the power.

    Returns
    -------
    tuple of (ndarray of float, shape (k,), float)

    References
    ----------
    .. [1] Pampallona S, Tsiatis AA, Kim K. Drug Information Journal 2001;35:1113-21 (from memory).
    """
    missed = 1 - power
    steps, shares = _growing(bounds.information, fraction)
    may_miss = [spent(kind, missed, share, rho=rho) for share in shares[:-1].tolist()]

    def rule(drift: float) -> tuple[FloatArray, float]:
        carried, before = begin(), 0.0
        floor = np.full(steps.size, -INF)
        for k, level in enumerate(steps[:-1].tolist()):
            upper = float(bounds.upper[k])
            chance = min(may_miss[k] - before, float(carried.mass.sum()))
            floor[k] = min(solve_lower(carried, level, chance, drift=drift), upper)
            before = max(may_miss[k], before)
            following = float(steps[k + 1])
            carried = carry(carried, level, lower=floor[k], upper=upper, drift=drift, following=following)
        floor[-1] = bounds.upper[-1]
        _, below = tail_chances(carried, float(steps[-1]), lower=float(floor[-1]), upper=INF, drift=drift)
        return floor, before + below - missed

    start = drift_for_power(bounds, power)
    drift = float(optimize.brentq(lambda d: rule(d)[1], start, 2.5 * start, xtol=1e-9))
    return rule(drift)[0], drift


def naive_error(looks: int, *, alpha: float = 0.05, sided: int = 2, fraction: ArrayLike | None = None) -> float:
    """True error rate of looking again and again with the boundary of one look (Armitage and others 1969).

    Parameters
    ----------
    looks : int
    alpha : float
        Error rate of one look, both sides if ``sided`` is 2.
    sided : int
    fraction : sequence of float, optional
        Growing information of the looks, on any scale; by default equal steps.
    """
    steps = np.arange(1, looks + 1) / looks if fraction is None else np.asarray(fraction, dtype=np.float64)
    bound = np.full(len(steps), float(-special.ndtri(alpha / sided)))
    found = crossing_chances(steps, -bound if sided == 2 else np.full(len(steps), -INF), bound)
    return found.above + found.below
