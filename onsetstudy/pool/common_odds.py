"""One odds ratio and one difference of shares for all practices, each practice compared within itself.

References
----------
.. [1] Breslow NE, Day NE. Statistical Methods in Cancer Research I. IARC 1980, chapter 4 (conditional maximum
   likelihood of a common odds ratio).
.. [2] Sato T, Greenland S, Robins JM. Biometrics 1989;45:1323-4 (variance of the Mantel-Haenszel difference).
.. [3] Robins J, Breslow N, Greenland S. Biometrics 1986;42:311-23 (variance of the Mantel-Haenszel odds ratio).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

from onsetstudy.core.arrays import FloatArray, IntArray
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.results import ArmCount, Assumption, Caution, Counts, EstimateLike, HypothesisTest, Interval
from onsetstudy.inference.likelihood import wald_ratio
from onsetstudy.inference.parameter import Parameter, Told
from onsetstudy.inference.proportions import mover_difference, wilson_limits
from onsetstudy.pool.results import CommonOdds

FARTHEST = 40.0
STEP = 1.0
MOST_STEPS = 200
CONDITIONAL = "conditional maximum likelihood"
UNDECIDED = "the cases do not decide it: too few were tested on both sides of the minute"
SAME = Assumption(name="same odds ratio", detail="the odds ratio is the same in all practices")
SAME_DIFFERENCE = Assumption(name="weights of the tables", detail="the difference is an average over practices")


class _Tables:
    """Fourfold tables with fixed margins: successes of the other arm are noncentral hypergeometric.

    The supports of all tables stand in one row; ``first`` is where each begins.
    """

    def __init__(self, success: IntArray, cases: IntArray) -> None:
        total = success.sum(axis=1)
        lowest, highest = np.maximum(0, total - cases[:, 0]), np.minimum(cases[:, 1], total)
        size = highest - lowest + 1
        self.first = (np.cumsum(size) - size).astype(np.intp)
        self.table = np.repeat(np.arange(size.size), size)
        self.lowest, self.highest, self.observed = lowest, highest, success[:, 1]
        self.support = (np.arange(self.table.size) - self.first[self.table] + lowest[self.table]).astype(np.float64)
        other = total[self.table] - self.support
        self.log_ways = _log_choose(cases[self.table, 1], self.support) + _log_choose(cases[self.table, 0], other)
        if size.size:
            self.log_ways -= self._log_sum(self.log_ways)[self.table]

    def __len__(self) -> int:
        return int(self.first.size)

    def _log_sum(self, log: FloatArray) -> FloatArray:
        most = np.maximum.reduceat(log, self.first)
        return np.asarray(most + np.log(np.add.reduceat(np.exp(log - most[self.table]), self.first)), dtype=np.float64)

    def each(self, beta: FloatArray | float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log-likelihood, score and information of every table, at a log odds ratio for each or for all."""
        log = self.log_ways + np.broadcast_to(beta, self.first.shape)[self.table] * self.support
        whole = self._log_sum(log)
        chance = np.exp(log - whole[self.table])
        mean = np.add.reduceat(chance * self.support, self.first)
        seen = log[self.first + (self.observed - self.lowest)]
        information = np.add.reduceat(chance * (self.support - mean[self.table]) ** 2, self.first)
        return np.asarray(seen - whole), np.asarray(self.observed - mean), np.asarray(information)

    def moments(self, beta: float) -> tuple[float, float, float]:
        """Log-likelihood, score and information at a log odds ratio."""
        value, score, information = (float(part.sum()) for part in self.each(beta))
        return value, score, information

    def best_of_each(self) -> float:
        """Log-likelihood with an odds ratio for every table, ``nan`` if the search did not end.

        No table may be as extreme as it can be.
        """
        low, high = np.full(len(self), -FARTHEST), np.full(len(self), FARTHEST)
        beta = np.zeros(len(self))
        for _ in range(MOST_STEPS):
            value, score, information = self.each(beta)
            if np.all(np.abs(score) < 1e-10 * np.maximum(1.0, information)):
                return float(value.sum())
            low, high = np.where(score > 0, beta, low), np.where(score < 0, beta, high)
            newton = beta + score / np.maximum(information, 1e-300)
            beta = np.where((newton > low) & (newton < high), newton, (low + high) / 2)
        return float("nan")

    @property
    def at_edge(self) -> int:
        """-1 or 1 where every table is as extreme as it can be, else 0."""
        if np.array_equal(self.observed, self.lowest):
            return -1
        return int(np.array_equal(self.observed, self.highest))


def _log_choose(n: NDArray[Any], x: FloatArray) -> FloatArray:
    return np.asarray(special.gammaln(n + 1) - special.gammaln(x + 1) - special.gammaln(n - x + 1), dtype=np.float64)


def common_odds(
    success: ArrayLike,
    cases: ArrayLike,
    *,
    arms: Sequence[str],
    conf_level: float = 0.95,
    inflation: tuple[float, float] = (1.0, 1.0),
) -> CommonOdds:
    """Conditional odds ratio and Mantel-Haenszel difference over practices.

    Parameters
    ----------
    success, cases : array_like of int, shape (k, 2)
        Successes and cases of the reference arm and of the other, one row per practice (or practice and stratum).
        Successes may be fractions, where cases were split between the two outcomes.
    arms : sequence of str
        Reference arm and other arm.
    conf_level : float
        Two-sided level.
    inflation : tuple of float
        What the variances of the difference and of the log odds ratio are multiplied by, 1 or more, where outcomes are
        split and less is known than counts would say.

    Returns
    -------
    CommonOdds
        Odds ratio above 1 and difference above 0: more successes in the other arm. Where every table is as extreme as
        it can be the odds ratio has no finite estimate; the one-sided bound is given.

    Raises
    ------
    OnsetStudyError
        If counts are not whole numbers with successes among the cases.

    Notes
    -----
    Odds ratio: conditional maximum likelihood, which eliminates each practice's own level exactly; interval by the
    profile (here: the whole) conditional likelihood. Homogeneity: likelihood ratio against an odds ratio for each
    informative practice where all of these are finite, else Cochran's Q is not given. Split outcomes have no
    conditional likelihood: then the odds ratio is that of Mantel and Haenszel, with the variance of reference 3.
    """
    s, n = np.asarray(success), np.asarray(cases)
    if s.ndim != 2 or s.shape[1] != 2 or s.shape != n.shape:
        raise OnsetStudyError("successes and cases must be two tables with two columns and equally many rows")
    s, n = s.astype(np.float64), n.astype(np.int64)
    if np.any(s < 0) or np.any(s > n + 1e-9):
        raise OnsetStudyError("successes must be numbers from 0 to the number of cases")
    if min(inflation) < 1:
        raise OnsetStudyError(f"variances can only be multiplied by 1 or more, not by {min(inflation):g}")
    s = np.minimum(s, n)
    split = bool(np.any(s != np.round(s))) or max(inflation) > 1
    counts = Counts(
        cases=int(n.sum()),
        onsets=round(float(s.sum())),
        by_arm=tuple(
            ArmCount(arm=a, cases=int(n[:, j].sum()), onsets=round(float(s[:, j].sum()))) for j, a in enumerate(arms)
        ),
    )
    contrast = f"{arms[1]} / {arms[0]}"
    of = Parameter(quantity="success_odds_ratio", contrast=contrast, unit="ratio", n=counts, conf_level=conf_level)
    total = s.sum(axis=1)
    tells = (n.min(axis=1) > 0) & (total > 0) & (total < n.sum(axis=1))
    ratio: EstimateLike
    if split:
        ratio, test = _split_ratio(s[tells], n[tells], of, inflation[1]), None
    else:
        ratio, test = _odds_ratio(_Tables(s[tells].astype(np.int64), n[tells]), of)
    apart = replace(of, quantity="success_difference", contrast=f"{arms[1]} - {arms[0]}", unit="proportion")
    return CommonOdds(
        odds_ratio=ratio, difference=_difference(s, n, apart, inflation[0]), homogeneity=test, tables=int(tells.sum())
    )


def _odds_ratio(tables: _Tables, of: Parameter) -> tuple[EstimateLike, HypothesisTest | None]:
    absent, level = partial(of.absent, method=CONDITIONAL), of.conf_level
    if not len(tables):
        return absent("no practice has both arms and both outcomes", code="no_information"), None
    if tables.at_edge:
        drop = float(special.ndtri(level)) ** 2 / 2
        limit = _limit(tables, drop, -tables.at_edge, tables.at_edge * FARTHEST, 0.0)
        ends = (0.0, float(np.exp(limit))) if tables.at_edge < 0 else (float(np.exp(limit)), np.inf)
        bound = Interval(low=ends[0], high=ends[1], level=level, method="one-sided conditional likelihood bound")
        reason = "every practice is as extreme as it can be, so the ratio is not finite"
        return absent(reason, code="separation", bound=bound), None
    beta = float(optimize.brentq(lambda b: tables.moments(b)[1], -FARTHEST, FARTHEST, xtol=1e-13))
    top, _, information = tables.moments(beta)
    drop = float(stats.chi2.ppf(level, 1)) / 2
    low, high = (float(np.exp(_limit(tables, drop, way, beta, top))) for way in (-1, 1))
    deviance = max(0.0, 2 * (top - tables.moments(0.0)[0]))
    estimate = of.estimate(
        float(np.exp(beta)),
        (low, high),
        by="conditional likelihood, log scale",
        std_error=float(1 / np.sqrt(information)),
        p_value=float(stats.chi2.sf(deviance, 1)),
        method=f"{CONDITIONAL}, {len(tables)} tables",
        assumptions=(SAME,),
        source="Breslow & Day 1980, chapter 4",
    )
    return estimate, _homogeneity(tables, top, of)


def _split_ratio(s: FloatArray, n: IntArray, of: Parameter, inflation: float) -> EstimateLike:
    """Mantel-Haenszel odds ratio of split tables."""
    method = "Mantel-Haenszel, split outcomes"
    total = n.sum(axis=1) if len(n) else np.ones(0)
    f = n - s
    up, down = s[:, 1] * f[:, 0] / total, s[:, 0] * f[:, 1] / total
    if up.sum() <= 0 or down.sum() <= 0 or not np.isfinite(inflation):
        return of.absent(UNDECIDED, code="no_information", method=method)
    like, unlike = (s[:, 1] + f[:, 0]) / total, (s[:, 0] + f[:, 1]) / total
    variance = inflation * float(
        (like @ up) / (2 * up.sum() ** 2)
        + (like @ down + unlike @ up) / (2 * up.sum() * down.sum())
        + (unlike @ down) / (2 * down.sum() ** 2)
    )
    beta, error = float(np.log(up.sum() / down.sum())), float(np.sqrt(variance))
    told = Told(
        method=f"{method}, {len(n)} tables",
        n=of.n,
        assumptions=(SAME,),
        source="Robins, Breslow & Greenland 1986, Biometrics 42:311-23",
    )
    return wald_ratio(of.quantity, of.contrast, beta, error, of.conf_level, how="normal, log scale", **told)


def _limit(tables: _Tables, drop: float, way: int, beta: float, top: float) -> float:
    """Log odds ratio on one side of the maximum at which the log-likelihood has fallen by ``drop``."""

    def fallen(b: float) -> float:
        return top - tables.moments(b)[0] - drop

    far = beta + way * STEP
    while fallen(far) < 0:
        far += way * STEP
    return float(optimize.brentq(fallen, far - way * STEP, far, xtol=1e-12))


def _homogeneity(tables: _Tables, top: float, of: Parameter) -> HypothesisTest | None:
    k = len(tables)
    if k < 2 or not np.all((tables.lowest < tables.observed) & (tables.observed < tables.highest)):
        return None
    best = tables.best_of_each()
    if np.isnan(best):
        return None
    value = max(0.0, 2 * (best - top))
    return HypothesisTest(
        quantity="homogeneity of the odds ratio",
        contrast=of.contrast,
        statistic=value,
        statistic_name="chi-square",
        df=k - 1,
        p_value=float(stats.chi2.sf(value, k - 1)),
        alternative="two-sided",
        method="conditional likelihood ratio",
        n=of.n,
    )


def _least_difference(s: FloatArray, n: IntArray, level: float) -> Interval:
    """One-sided bound of a difference as large as there can be, from the cases of all practices together."""
    shares = [(x / m, x / m) for x, m in zip(s, n, strict=True)]
    limits = [wilson_limits(x, m, 2 * level - 1) for x, m in zip(s, n, strict=True)]
    low, high = mover_difference(shares[1], limits[1], shares[0], limits[0])
    low, high = (low, 1.0) if s[1] else (-1.0, high)
    return Interval(low=low, high=high, level=level, method="one-sided, recovery of variances from Wilson's limits")


def _difference(s: FloatArray, n: IntArray, of: Parameter, inflation: float) -> EstimateLike:
    """Mantel-Haenszel difference of shares, other arm minus reference, with Sato's variance."""
    method = "Mantel-Haenszel over practices"
    both = n.min(axis=1) > 0
    s, n = s[both], n[both]
    if not len(n):
        return of.absent("no practice has cases of both arms", code="arm_missing", method=method)
    total = n.sum(axis=1)
    weight = n[:, 0] * n[:, 1] / total
    share = s / n
    value = float(np.sum(weight * (share[:, 1] - share[:, 0])) / weight.sum())
    p = (n[:, 1] ** 2 * s[:, 0] - n[:, 0] ** 2 * s[:, 1] + n[:, 0] * n[:, 1] * (n[:, 0] - n[:, 1]) / 2) / total**2
    q = (s[:, 1] * (n[:, 0] - s[:, 0]) + s[:, 0] * (n[:, 1] - s[:, 1])) / (2 * total)
    variance = inflation * float((value * p.sum() + q.sum()) / weight.sum() ** 2)
    if not np.isfinite(variance):
        return of.absent(UNDECIDED, code="no_information", method=method)
    if variance <= 0:
        how = "the arms ended so differently" if value else "all cases ended so much alike"
        reason = f"{how} that the difference over practices has no standard error"
        bound = _least_difference(s.sum(axis=0), n.sum(axis=0), of.conf_level) if abs(value) == 1 else None
        return of.absent(reason, code="no_spread", method=method, bound=bound)
    error = float(np.sqrt(variance))
    reach = float(special.ndtri(0.5 + of.conf_level / 2)) * error
    text = f"{int((~both).sum())} practices or strata have one arm only and are not used."
    return of.estimate(
        value,
        (max(-1.0, value - reach), min(1.0, value + reach)),
        by="normal",
        std_error=error,
        p_value=float(2 * special.ndtr(-abs(value) / error)),
        method=f"{method}, {len(n)} tables",
        assumptions=(SAME_DIFFERENCE,),
        caution=() if both.all() else (Caution(code="one_arm", text=text),),
        source="Sato, Greenland & Robins 1989, Biometrics 45:1323-4",
    )
