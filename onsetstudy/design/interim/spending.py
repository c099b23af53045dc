"""How much of the error rate may have been spent by a share of the information."""

from __future__ import annotations

import math

from scipy import stats

from onsetstudy.core.errors import DesignError

__all__ = ["SPENDING", "spent"]

SPENDING = ("obrien_fleming", "obrien_fleming_total", "pocock", "power")
"""Names of the spending functions.

``obrien_fleming`` spends ``2 (1 - Phi(z_(a/2) / sqrt(t)))`` on each side for the error rate ``a`` of that side: with
0.05 two-sided the first of five equal looks has the boundary 4.877. ``obrien_fleming_total`` reads the same formula
with the error rate of both sides together, and has 4.383 there.
"""


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
    if kind == "obrien_fleming":
        return float(2 * stats.norm.sf(stats.norm.isf(alpha / 2) / math.sqrt(t)))
    if kind == "obrien_fleming_total":
        whole = sided * alpha
        return float(2 * stats.norm.sf(stats.norm.isf(whole / 2) / math.sqrt(t)) / sided)
    if kind == "pocock":
        return alpha * math.log1p((math.e - 1) * t)
    return float(alpha * t**rho)
