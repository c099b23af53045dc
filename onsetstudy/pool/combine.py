"""Pooling practices' estimates of one quantity: the average of practices like these, and one true value for all.

References
----------
.. [1] Hartung J, Knapp G. Stat Med 2001;20:3875-89; Knapp G, Hartung J. Stat Med 2003;22:2693-710.
.. [2] IntHout J, Ioannidis JPA, Borm GF. BMC Med Res Methodol 2014;14:25.
.. [3] Higgins JPT, Thompson SG, Spiegelhalter DJ. J R Stat Soc A 2009;172:137-59 (prediction interval).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import TypeGuard

import numpy as np
from scipy import special, stats

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError, Problem
from onsetstudy.core.results import (
    ArmCount,
    Assumption,
    Caution,
    Counts,
    Estimate,
    EstimateLike,
    Interval,
    NotAvailable,
)
from onsetstudy.inference.estimate_or_reason import not_asked
from onsetstudy.inference.parameter import cut_at_possible
from onsetstudy.pool.heterogeneity import BETWEEN, between_variance, describe_heterogeneity, weighted_mean
from onsetstudy.pool.results import Member, Pooled, Step

ADJUSTMENTS = {
    "wider": "Hartung and Knapp, never narrower than without",
    "hartung_knapp": "Hartung and Knapp",
    "none": "normal",
}
"""How the interval of the average allows for a between-practice variance known from few practices."""
FEW_PRACTICES = 5
MOST = 1e100
"""A number beyond this is none of a study, and its square none of a computer."""
ASSUMPTIONS = (
    Assumption(name="practices like these", detail="their true values are spread like a normal distribution"),
    Assumption(name="errors within practices known", detail="each practice's standard error is taken as true"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolOptions:
    """How estimates are pooled.

    Parameters
    ----------
    between : str
        Variance between practices: a key of :data:`~onsetstudy.pool.heterogeneity.BETWEEN`.
    adjustment : str
        A key of :data:`ADJUSTMENTS`.
    conf_level : float
        Two-sided level.
    prediction_df : int
        Degrees of freedom of the prediction interval are the number of practices less this: 1 or 2.
    most : float or None
        Largest difference that there can be, where something bounds it: limits are cut there.
    """

    between: str = "reml"
    adjustment: str = "wider"
    conf_level: float = 0.95
    prediction_df: int = 1
    most: float | None = None

    def __post_init__(self) -> None:
        if self.between not in BETWEEN:
            raise OnsetStudyError(f"between must be one of {', '.join(BETWEEN)}, not {self.between!r}")
        if self.adjustment not in ADJUSTMENTS:
            raise OnsetStudyError(f"adjustment must be one of {', '.join(ADJUSTMENTS)}, not {self.adjustment!r}")
        if not 0.5 < self.conf_level < 1:
            raise OnsetStudyError(f"the confidence level must lie between 0.5 and 1, not {self.conf_level:g}")
        if self.prediction_df not in (1, 2):
            raise OnsetStudyError(f"prediction_df is 1 or 2, not {self.prediction_df}")


DEFAULT = PoolOptions()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Average:
    """A weighted mean; ``df`` are the degrees of freedom of its limits, ``None`` where these are normal."""

    mean: float
    error: float
    tau2: float
    weight: FloatArray
    df: int | None


def _quantile(conf_level: float, df: int | None) -> float:
    half = 0.5 + conf_level / 2
    return float(special.ndtri(half) if df is None else special.stdtrit(df, half))


def _average(effect: FloatArray, variance: FloatArray, options: PoolOptions) -> _Average:
    tau2 = between_variance(effect, variance, options.between)
    mean, weight = weighted_mean(effect, variance, tau2)
    factor, df = 1.0, None
    if options.adjustment != "none":
        df = effect.size - 1
        factor = float(np.sum(weight * (effect - mean) ** 2)) / df
        factor = max(1.0, factor) if options.adjustment == "wider" else factor
    error = math.sqrt(factor / float(weight.sum()))
    return _Average(mean=mean, error=error, tau2=tau2, weight=weight, df=df)


def combine_estimates(
    estimates: Sequence[EstimateLike], labels: Sequence[str], options: PoolOptions = DEFAULT
) -> Pooled:
    """Two-stage pooled estimate of one quantity.

    Parameters
    ----------
    estimates : sequence of Estimate or NotAvailable, length k
        Of one quantity, contrast and unit. Ratios are pooled on the log scale. A result that is not available, or has
        no value or standard error that is finite and above 0 where it has to be, is kept with weight 0.
    labels : sequence of str, length k
        Codes of the practices, each once.
    options : PoolOptions

    Returns
    -------
    Pooled
        One usable practice gives no average. Two or three give one whose interval is wide, as it should be.

    Raises
    ------
    OnsetStudyError
        If quantities, contrasts or units differ (all of them are named), labels repeat, or there is nothing.
    """
    _refuse_unlike(estimates, labels)
    log = estimates[0].unit == "ratio"
    usable = [k for k, e in enumerate(estimates) if _usable(e, log)]
    used = [e for e in estimates if _usable(e, log)]
    effect = np.array([math.log(e.estimate) if log else e.estimate for e in used], dtype=np.float64)
    variance = np.array([float(e.std_error or 0.0) ** 2 for e in used], dtype=np.float64)
    counts = _summed([e.n for e in used])
    scale = _Scale(estimates[0], log, counts, options)
    if len(used) < 2:
        reason = f"{'one' if used else 'no'} practice of {len(estimates)} has an estimate of its own"
        return _without_average(estimates, labels, scale, f"{reason}; an average over practices takes two")
    try:
        found = _average(effect, variance, options)
    except NotEstimable as error:
        return _without_average(estimates, labels, scale, error.reason)
    mean, weight = weighted_mean(effect, variance, 0.0)
    common = _Average(mean=mean, error=1 / math.sqrt(weight.sum()), tau2=0.0, weight=weight, df=None)
    share = np.zeros(len(estimates))
    share[usable] = found.weight / found.weight.sum()
    return scale.pooled(
        average=scale.random_effects(found, counts),
        common=scale.estimate(common, "normal", "common effect, inverse variance", counts),
        members=tuple(
            Member(label=label, result=e, weight=float(w)) for label, e, w in zip(labels, estimates, share, strict=True)
        ),
        heterogeneity=describe_heterogeneity(
            effect, variance, found.tau2, method=options.between, conf_level=options.conf_level
        ),
        prediction=_prediction(found, effect.size, scale),
        without=_without([labels[k] for k in usable], used, effect, variance, scale),
        caution=_cautions(effect.size, len(estimates)),
    )


def _usable(e: EstimateLike, log: bool) -> TypeGuard[Estimate]:
    if isinstance(e, NotAvailable):
        return False
    error = e.std_error or 0.0
    return 0 < error < MOST and abs(e.estimate) < MOST and (e.estimate > 0 or not log)


@dataclass(frozen=True, slots=True)
class _Scale:
    """The scale on which results are quoted, and what they share."""

    like: EstimateLike
    log: bool
    counts: Counts
    options: PoolOptions

    @property
    def method(self) -> str:
        return (
            f"two stages, {'log scale, ' if self.log else ''}variance between practices by "
            f"{BETWEEN[self.options.between]}, interval by {ADJUSTMENTS[self.options.adjustment]}"
        )

    @property
    def pooled(self) -> partial[Pooled]:
        """The result, but for what was found."""
        like = self.like
        named = partial(Pooled, quantity=like.quantity, contrast=like.contrast, unit=like.unit)
        return partial(named, n=self.counts, method=self.method, assumptions=ASSUMPTIONS)

    def back(self, value: float) -> float:
        return math.exp(min(value, 700.0)) if self.log else value

    def around(self, centre: float, reach: float, method: str) -> Interval:
        low, high = self.back(centre - reach), self.back(centre + reach)
        span = Interval(low=low, high=high, level=self.options.conf_level, method=method)
        return cut_at_possible(span, self.options.most)

    def random_effects(self, found: _Average, n: Counts) -> Estimate:
        name = ADJUSTMENTS[self.options.adjustment]
        return self.estimate(found, name, f"random effects, {BETWEEN[self.options.between]}", n)

    def estimate(self, found: _Average, interval_method: str, method: str, n: Counts) -> Estimate:
        name = f"{interval_method}, log scale" if self.log else interval_method
        p_value = None
        if found.error > 0:
            ratio = abs(found.mean) / found.error
            p_value = float(2 * (special.ndtr(-ratio) if found.df is None else stats.t.sf(ratio, found.df)))
        return Estimate(
            quantity=self.like.quantity,
            contrast=self.like.contrast,
            estimate=self.back(found.mean),
            std_error=found.error,
            interval=self.around(found.mean, _quantile(self.options.conf_level, found.df) * found.error, name),
            p_value=p_value,
            unit=self.like.unit,
            method=method,
            n=n,
            assumptions=ASSUMPTIONS,
            source="Hartung & Knapp 2001, Stat Med 20:3875-89",
        )

    def absent(self, reason: str, code: str, n: Counts) -> NotAvailable:
        like = self.like
        return not_asked(
            like.quantity, reason, code=code, contrast=like.contrast, unit=like.unit, n=n, method=self.method
        )


def _prediction(found: _Average, k: int, scale: _Scale) -> Interval | None:
    df = k - scale.options.prediction_df
    if k < 3 or df < 1:
        return None
    reach = _quantile(scale.options.conf_level, df) * math.sqrt(found.tau2 + found.error**2)
    method = f"Student's t, {df} degrees of freedom (practices less {scale.options.prediction_df})"
    span, most = scale.around(found.mean, reach, method), scale.options.most
    return None if most is not None and span.high - span.low >= 2 * most else span


def _without(
    labels: Sequence[str], used: Sequence[Estimate], effect: FloatArray, variance: FloatArray, scale: _Scale
) -> tuple[Step, ...]:
    steps = []
    if effect.size < 3:
        return ()
    for k, label in enumerate(labels):
        kept = np.arange(effect.size) != k
        n = _summed([e.n for j, e in enumerate(used) if j != k])
        try:
            found = _average(effect[kept], variance[kept], scale.options)
        except NotEstimable as error:
            steps.append(Step(label=label, result=scale.absent(error.reason, "not_converged", n)))
            continue
        steps.append(Step(label=label, result=scale.random_effects(found, n), tau2=found.tau2))
    return tuple(steps)


def _without_average(estimates: Sequence[EstimateLike], labels: Sequence[str], scale: _Scale, reason: str) -> Pooled:
    absent = scale.absent(reason, "too_few_practices", scale.counts)
    members = tuple(Member(label=label, result=e, weight=0.0) for label, e in zip(labels, estimates, strict=True))
    return scale.pooled(average=absent, common=absent, members=members)


def _cautions(used: int, given: int) -> tuple[Caution, ...]:
    found = []
    if used < FEW_PRACTICES:
        text = f"{used} practices say little about how much practices differ; the interval is wide for that reason."
        found.append(Caution(code="few_practices", text=text))
    if used < given:
        text = (
            f"{given - used} of {given} practices have no estimate of their own and count only where rows are pooled."
        )
        found.append(Caution(code="practices_left_out", text=text))
    return tuple(found)


def _summed(counts: Sequence[Counts]) -> Counts:
    arms = tuple(dict.fromkeys(a.arm for c in counts for a in c.by_arm))
    return Counts(
        cases=sum(c.cases for c in counts),
        onsets=sum(c.onsets for c in counts),
        by_arm=tuple(
            ArmCount(arm=a, cases=sum(c.arm(a).cases for c in counts), onsets=sum(c.arm(a).onsets for c in counts))
            for a in arms
        ),
    )


def _refuse_unlike(estimates: Sequence[EstimateLike], labels: Sequence[str]) -> None:
    if not estimates or len(estimates) != len(labels):
        raise OnsetStudyError(f"pooling takes one label for each estimate, and at least one: {len(labels)} were given")
    problems = []
    for name in ("quantity", "contrast", "unit"):
        values = [str(getattr(e, name)) for e in estimates]
        if len(set(values)) > 1:
            told = ", ".join(f"{label} {value}" for label, value in zip(labels, values, strict=True))
            what = f"estimates of different {name} cannot be pooled: {told}"
            problems.append(Problem(what=what, mend="give estimates of one quantity, contrast and unit", code="unlike"))
    repeated = sorted({label for label in labels if list(labels).count(label) > 1})
    if repeated:
        what = f"{', '.join(repeated)} {'stands' if len(repeated) == 1 else 'stand'} there more than once"
        problems.append(Problem(what=what, mend="give every practice once", code="repeated"))
    if problems:
        raise OnsetStudyError(problems)
