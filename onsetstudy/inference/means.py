"""Difference of two means within strata, from values or from counts of values: the one place that knows Welch's t.

References
----------
.. [1] Welch BL. The generalization of Student's problem when several different population variances are involved.
       Biometrika 1947;34:28-35.
.. [2] Satterthwaite FE. An approximate distribution of estimates of variance components. Biometrics Bulletin
       1946;2:110-114 (degrees of freedom of a weighted sum of variances).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from onsetstudy.core.results import NO_SPREAD, Assumption, Caution, Counts, Estimate, NotAvailable
from onsetstudy.inference.parameter import Parameter

WELCH = "difference of means, Welch's t"

LEAST = 2
"""Fewest values of an arm (and stratum) that have a spread."""


ROUNDING = 1e-9
"""Part of the largest value below which a spread is what computing left of none."""


def does_not_vary(spread: float, values: ArrayLike) -> bool:
    """Whether a spread of values (range, standard deviation, standard error) is rounding on their scale."""
    return bool(spread <= ROUNDING * np.max(np.abs(values), initial=0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Number, mean and variance of values; ``variance`` is ``nan`` below two of them."""

    n: int
    mean: float
    variance: float

    @classmethod
    def of(cls, values: ArrayLike, weight: ArrayLike | None = None) -> Moments:
        """Of values, each standing for ``weight`` cases (whole numbers; default 1).

        The sum of squares is taken about the mean, so that copies and weights agree to rounding.
        """
        v = np.asarray(values, dtype=np.float64)
        w = np.ones(v.size) if weight is None else np.asarray(weight, dtype=np.float64)
        n = float(w.sum())
        if n == 0:
            return cls(n=0, mean=math.nan, variance=math.nan)
        mean = float(w @ v / n)
        squares = float(w @ (v - mean) ** 2)
        # Equal values differ from each other and from their mean by rounding only.
        squares = 0.0 if does_not_vary(float(np.ptp(v)), v) else squares
        return cls(n=round(n), mean=mean, variance=squares / (n - 1) if n >= LEAST else math.nan)

    @property
    def error2(self) -> float:
        """Squared standard error of the mean."""
        return self.variance / self.n if self.n >= LEAST else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanDifference:
    """Second arm less reference, with limits; ``df`` infinite and limits closed where nothing varies."""

    estimate: float
    std_error: float
    df: float
    low: float
    high: float
    p_value: float


def satterthwaite(parts: Iterable[tuple[float, float]]) -> float:
    """Degrees of freedom of a sum of variances, each given with its own (Welch); infinite where all are 0."""
    told = list(parts)
    below = sum(variance**2 / freedom for variance, freedom in told)
    return float(sum(variance for variance, _ in told) ** 2 / below) if below > 0 else math.inf


def mean_difference(pairs: Sequence[tuple[Moments, Moments]], *, conf_level: float) -> MeanDifference | None:
    """Difference of means within strata, combined by their numbers of cases.

    Parameters
    ----------
    pairs : sequence of (Moments, Moments)
        Of each stratum, reference first. One stratum gives Welch's t.
    conf_level : float

    Returns
    -------
    MeanDifference or None
        ``None`` if an arm of a stratum has fewer than two values: its spread is not known.
    """
    if not pairs or any(m.n < LEAST for pair in pairs for m in pair):
        return None
    size = np.array([reference.n + other.n for reference, other in pairs], dtype=np.float64)
    share = size / size.sum()
    estimate = float(share @ np.array([other.mean - reference.mean for reference, other in pairs]))
    parts: NDArray[np.float64] = np.array([[m.error2 for m in pair] for pair in pairs]) * share[:, None] ** 2
    freedom = np.array([[m.n - 1 for m in pair] for pair in pairs], dtype=np.float64)
    variance = float(parts.sum())
    error, df, half, p_value = 0.0, math.inf, 0.0, 1.0 if estimate == 0 else 0.0
    if variance > 0:
        error, df = math.sqrt(variance), variance**2 / float((parts**2 / freedom).sum())
        half = float(stats.t.isf((1 - conf_level) / 2, df)) * error
        p_value = float(2 * stats.t.sf(abs(estimate) / error, df))
    return MeanDifference(
        estimate=estimate,
        std_error=error,
        df=df,
        low=estimate - half,
        high=estimate + half,
        p_value=p_value,
    )


def moments_by_stratum(
    values: ArrayLike,
    arm: ArrayLike,
    arms: tuple[str, str],
    *,
    stratum: ArrayLike | None = None,
    weight: ArrayLike | None = None,
) -> list[tuple[Moments, Moments]]:
    """Moments of both arms, stratum by stratum in the order of their names; missing values (``nan``) are left out.

    Parameters
    ----------
    values : array_like of float, shape (n,)
    arm, stratum : array_like of str, shape (n,)
    arms : tuple of two str
        Reference first; other arms are left out.
    weight : array_like of float, shape (n,), optional
        How many like cases a value stands for.
    """
    v = np.asarray(values, dtype=np.float64)
    a = np.asarray(arm).astype(str)
    s = np.full(v.size, "") if stratum is None else np.asarray(stratum).astype(str)
    w = np.ones(v.size) if weight is None else np.asarray(weight, dtype=np.float64)
    used = ~np.isnan(v) & np.isin(a, arms)
    found = []
    for name in np.unique(s[used]):
        reference, other = (used & (s == name) & (a == code) for code in arms)
        found.append((Moments.of(v[reference], w[reference]), Moments.of(v[other], w[other])))
    return found


def contrast_of_means(
    pairs: Sequence[tuple[Moments, Moments]],
    *,
    quantity: str,
    contrast: str | None,
    unit: str,
    n: Counts,
    conf_level: float,
    what: str = "values",
    needs_spread: bool = True,
    assumptions: tuple[Assumption, ...] = (),
    caution: tuple[Caution, ...] = (),
) -> Estimate | NotAvailable:
    """:func:`mean_difference` as a result.

    Parameters
    ----------
    pairs : sequence of (Moments, Moments)
        Of each stratum, reference first.
    quantity, contrast, unit, n
        As in every result.
    what : str
        What the values are, for the reason why there is none.
    needs_spread : bool
        Whether values that do not vary give no result; otherwise the interval is one number, with a caution.
    """
    of = Parameter(quantity=quantity, contrast=contrast, unit=unit, n=n, conf_level=conf_level)
    found = mean_difference(pairs, conf_level=conf_level)
    method = WELCH
    if found is not None and len(pairs) > 1:
        method = f"difference of means within {len(pairs)} strata, combined by numbers of cases; Welch's t"
    if found is None or (needs_spread and found.std_error == 0):
        few = found is None
        reason = f"it takes {LEAST} {what} in each arm" if few else f"the {what} do not vary"
        return of.absent(reason, code="too_few" if few else "no_spread", method=method)
    return of.estimate(
        found.estimate,
        (found.low, found.high),
        by=method,
        method=method,
        std_error=found.std_error,
        p_value=found.p_value if found.std_error > 0 else None,
        assumptions=assumptions,
        caution=caution if found.std_error > 0 else (*caution, NO_SPREAD),
        source="Welch 1947, Biometrika 34:28-35",
    )


def error_toward_null(difference: Estimate) -> float:
    """Standard error that the interval of a difference stands for on the side of no difference.

    The distance to that end over the normal quantile of the level: larger than the standard error of a small sample
    whose interval is by Student's t. Where the value is nought, half of the whole interval.
    """
    span, value = difference.interval, difference.estimate
    z = float(-special.ndtri((1 - span.level) / 2))
    if value == 0:
        return (span.high - span.low) / (2 * z)
    return (value - span.low if value > 0 else span.high - value) / z
