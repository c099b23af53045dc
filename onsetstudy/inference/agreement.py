"""Agreement of two who judge the same things by yes or no, beyond what chance alone would give: Cohen's kappa."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize
from scipy.special import xlogy

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError, Problem
from onsetstudy.core.results import Interval
from onsetstudy.inference.proportions import normal_quantile

FEWEST_JUDGED = 10
"""Fewer things judged by both say nothing about chance: the limits would reach from nothing to nearly all."""
QUANTITY = "agreement_beyond_chance"
METHOD = "score limits of Cohen's kappa, variance at the most likely table of that kappa"
COARSE, FINE, ZOOMS = 61, 13, 14
EDGE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Kappa:
    """Agreement beyond chance.

    Parameters
    ----------
    kappa : float
        0 where both agree as often as chance gives, 1 where always; below 0, less often than by chance.
    interval : Interval
        Score limits.
    std_error : float
        Large-sample standard error at the observed table, for those who compare; the limits do not use it.
    observed, expected : float
        Share of things judged alike, and the share that chance gives two who say yes as often as these.
    n : int
        Things that both judged.
    """

    kappa: float
    interval: Interval
    std_error: float
    observed: float
    expected: float
    n: int


def cohen_kappa(both: int, first_only: int, second_only: int, neither: int, *, conf_level: float = 0.95) -> Kappa:
    """Cohen's kappa of two judges who say yes or no, with score limits.

    A value belongs to the interval if the observed kappa lies within ``z`` standard errors of it, the error being the
    large-sample one at the table that makes the counts most likely among all tables with that kappa. Wald's limits
    shrink to a point where both always agree, and hold the truth far too seldom with few things judged; what these
    hold is summed over all tables in ``tests/simulation/agreement.csv``.

    Parameters
    ----------
    both, first_only, second_only, neither : int
        Things to which both said yes, the first alone, the second alone, nobody.
    conf_level : float
        Level of the limits.

    Raises
    ------
    NotEstimable
        If fewer than ``FEWEST_JUDGED`` things were judged, or each judge gave one answer throughout.
    OnsetStudyError
        If a count is negative or no whole number.

    References
    ----------
    .. [1] J. Cohen, Educ Psychol Meas 1960;20:37-46.
    .. [2] J. L. Fleiss, J. Cohen, B. S. Everitt, Psychol Bull 1969;72:323-327 (variance).
    .. [3] E. B. Wilson, J Am Stat Assoc 1927;22:209-212: limits by turning the test round; here
       the two shares of yes are looked for as well.
    """
    z = normal_quantile(conf_level)
    counts = _checked((both, first_only, second_only, neither))
    n = int(counts.sum())
    if n < FEWEST_JUDGED:
        raise NotEstimable(
            QUANTITY, f"both judged {n} of the same things, and it takes {FEWEST_JUDGED}", code="too_few"
        )
    first, second = both + first_only, both + second_only
    if first in (0, n) and second in (0, n):
        reason = "each gave one answer throughout, so that agreement and chance cannot be told apart"
        raise NotEstimable(QUANTITY, reason, code="one_answer")
    observed = counts / n
    kappa, share, expected = _kappa(observed)
    low, high = _score_limits(counts, kappa, z)
    return Kappa(
        kappa=kappa,
        interval=Interval(low=low, high=high, level=conf_level, method=METHOD),
        std_error=math.sqrt(kappa_variance(observed) / n),
        observed=share,
        expected=expected,
        n=n,
    )


def _checked(counts: tuple[int, ...]) -> FloatArray:
    wrong = [c for c in counts if isinstance(c, bool) or not isinstance(c, int | np.integer) or c < 0]
    if wrong:
        raise OnsetStudyError(Problem(what=f"{wrong[0]!r} is no count", mend="give whole numbers from 0", code="count"))
    return np.array(counts, dtype=float)


def _kappa(shares: FloatArray) -> tuple[float, float, float]:
    first, second = shares[0] + shares[1], shares[0] + shares[2]
    observed, expected = shares[0] + shares[3], first * second + (1 - first) * (1 - second)
    return float((observed - expected) / (1 - expected)), float(observed), float(expected)


def kappa_variance(shares: FloatArray) -> float:
    """Large-sample variance of kappa times n, at the four shares of a table (Fleiss, Cohen and Everitt 1969)."""
    kappa, _, expected = _kappa(shares)
    first, second = shares[0] + shares[1], shares[0] + shares[2]
    alike = shares[0] * (1 - (first + second) * (1 - kappa)) ** 2
    alike += shares[3] * (1 - (2 - first - second) * (1 - kappa)) ** 2
    # A cell off the diagonal has the share with which its column is said by the first, and its row by the second.
    apart = shares[1] * (second + 1 - first) ** 2 + shares[2] * (first + 1 - second) ** 2
    minus = (kappa - expected * (1 - kappa)) ** 2
    return max(0.0, float((alike + (1 - kappa) ** 2 * apart - minus) / (1 - expected) ** 2))


def _score_limits(counts: FloatArray, kappa: float, z: float) -> tuple[float, float]:
    n = counts.sum()

    def score(value: float) -> float:
        variance = kappa_variance(constrained_shares(counts, value))
        return (kappa - value) / math.sqrt(max(variance, EDGE**2) / n)

    def limit(edge: float, at: float) -> float:
        inside = kappa + (EDGE if edge > kappa else -EDGE)
        if abs(edge - kappa) < 2 * EDGE or abs(score(edge)) <= z:
            return float(round(edge, 6))
        return float(optimize.brentq(lambda value: score(value) - at, inside, edge, xtol=1e-7))

    return limit(-1 + EDGE, z), limit(1 - EDGE, -z)


def constrained_shares(counts: FloatArray, kappa: float) -> FloatArray:
    """FloatArray of the table that makes counts most likely among all tables with a given kappa.

    With ``m`` the mean of the two shares of yes and ``d`` their difference, the cells are ``k m + (1 - k)(m² - d²/4)``,
    the same with ``1 - m``, and ``(1 - k)(m (1 - m) + d²/4) ± d/2``. The likelihood may have several tops in ``m`` and
    ``d``: it is looked over on a coarse grid of what is possible, then closer and closer round the best.
    """
    far = max(0.0, -kappa / (1 - kappa))  # no mean nearer to 0 or 1 has a table with this kappa
    middle, reach, points = np.array([0.5, 0.0]), np.array([0.5, 1.0]), COARSE
    best = np.full(4, 0.25)
    for _ in range(ZOOMS):
        u = np.clip(middle[0] + reach[0] * np.linspace(-1, 1, points), 0, 1)
        v = np.clip(middle[1] + reach[1] * np.linspace(-1, 1, points), -1, 1)
        # Sines lay the grid closer towards the edges, where all that is possible may be a narrow corner.
        share, part = np.meshgrid(np.sin(u * math.pi / 2) ** 2, np.sin(v * math.pi / 2), indexing="ij")
        mean = far + (1 - 2 * far) * share
        cells = _cells(kappa, mean, part * _widest(kappa, mean))
        with np.errstate(divide="ignore", invalid="ignore"):
            likely = xlogy(counts, np.where(cells < 0, np.nan, cells)).sum(axis=-1)
        place = np.unravel_index(int(np.nanargmax(likely)), likely.shape)
        best, middle = cells[place], np.array([u[place[0]], v[place[1]]])
        reach, points = reach * (4.0 / (points - 1)), FINE
    return best


def _cells(kappa: float, mean: FloatArray, apart: FloatArray) -> FloatArray:
    rest, square = 1 - kappa, apart**2 / 4
    off = rest * (mean * (1 - mean) + square)
    yes = kappa * mean + rest * (mean**2 - square)
    no = kappa * (1 - mean) + rest * ((1 - mean) ** 2 - square)
    cells = np.stack((yes, off + apart / 2, off - apart / 2, no), axis=-1)
    # What is possible ends where a cell is 0; there it may come out a little below by rounding alone.
    cells[np.abs(cells) < 1e-14] = 0.0
    return cells


def _widest(kappa: float, mean: FloatArray) -> FloatArray:
    """How far apart the two shares of yes can be at most."""
    rest = 1 - kappa
    nearer = np.minimum(mean, 1 - mean)
    within = 2 * np.sqrt(np.maximum(nearer**2 + kappa * nearer / rest, 0.0))
    bend = 0.25 - rest**2 * mean * (1 - mean)
    # Stable form of the smaller root of rest d²/4 - d/2 + rest m (1 - m) = 0; without a root nothing binds.
    smaller = 2 * rest * mean * (1 - mean) / (0.5 + np.sqrt(np.maximum(bend, 0.0)))
    widest: FloatArray = np.minimum(np.minimum(2 * nearer, within), np.where(bend >= 0, smaller, 2.0))
    return widest
