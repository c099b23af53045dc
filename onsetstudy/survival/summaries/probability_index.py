"""Chance that a random case of one arm is numb before a random case of another."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Caution, Estimate
from onsetstudy.inference.assumptions import INDEPENDENT_CASES, SCHEDULE
from onsetstudy.inference.means import satterthwaite
from onsetstudy.inference.proportions import Limits
from onsetstudy.inference.ranks import superiority_limits
from onsetstudy.survival.curve.functionals import functional_variance
from onsetstudy.survival.results import OnsetCurve
from onsetstudy.survival.summaries.standardisation import Compared, Value, sort_arms
from onsetstudy.survival.testing.unlike_gaps import Gaps, mean_gaps

_EVEN = Assumption(
    name="even_within_gaps",
    detail="onset is taken as spread evenly over the gap between two tests in which it lies; two cases never seen "
    "numb count half",
)
_SOURCE = "Newcombe 2006, Stat Med 25:559-573, method 5; Hanley & McNeil 1982, Radiology 143:29-36"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """One stratum: chance, bounds, and the variance of the chance that the arms contribute."""

    chance: float
    bounds: Limits
    variance: tuple[float, float]
    n: tuple[int, int]
    gaps: tuple[Gaps, Gaps]

    def moved(self, minutes: float) -> float:
        """The chance if the onsets of the first arm lay so much later in their gaps than spread evenly."""
        one, two = (g.curve for g in self.gaps)
        later = replace(one, left=one.left + minutes, right=one.right + minutes)
        _, even, _ = ordered_chances(later, two)
        return float(one.mass @ even @ two.mass)


def _evenly_before(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray) -> FloatArray:
    """Chance that a time spread evenly from a to b lies before one from c to d; equal exact times count half.

    Finite ends, shapes that broadcast.
    """
    width, span = np.where(b > a, b - a, 1.0), np.where(d > c, d - c, 1.0)

    def area(x: FloatArray) -> FloatArray:
        # Integral up to x of the chance that the first time has come.
        rising = (np.clip(x, a, b) - a) ** 2 / (2.0 * width)
        return np.asarray(np.where(b > a, rising, 0.0) + np.maximum(x - b, 0.0), dtype=np.float64)

    at_point = np.where(b > a, np.clip((c - a) / width, 0.0, 1.0), 0.5 * (a < c) + 0.5 * (a <= c))
    return np.asarray(np.where(d > c, (area(d) - area(c)) / span, at_point), dtype=np.float64)


def ordered_chances(first: OnsetCurve, second: OnsetCurve) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Chance that a mass of the first curve comes before a mass of the second, shape (k, m).

    Returns
    -------
    tuple of ndarray of float
        Least, with mass spread evenly, and greatest. Never numb comes after every onset that was seen; two never
        numb tie, unless one may have become numb while the other was still being tested.
    """
    a, b = first.left[:, None], first.right[:, None]
    c, d = second.left[None, :], second.right[None, :]
    never, other_never = np.isinf(b), np.isinf(d)
    even = _evenly_before(a, np.where(never, a, b), c, np.where(other_never, c, d))
    even = np.where(never, np.where(other_never, 0.5, 0.0), np.where(other_never, 1.0, even))
    # Surely before, if the one gap has ended where the other begins; only two exact times can be equal.
    tie = (a == b) & (c == d) & (a == c)
    least = np.where(tie, 0.5, 1.0 * (b <= c))
    most = np.where(tie, 0.5, 1.0 - 1.0 * (d <= a))
    both = never & other_never
    least = np.where(both, np.where(a > c, 0.0, 0.5), least)
    most = np.where(both, np.where(a < c, 1.0, 0.5), most)
    return least, np.clip(even, least, most), most


@takes_cases("stratum", "weight")
def probability_numb_sooner(
    times: Intervals,
    arm: ArrayLike,
    *,
    reference_arm: str,
    contrast_arm: str | None = None,
    conf_level: float = 0.95,
    stratum: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    weight_kind: str = "counts",
) -> Estimate:
    """Chance that a random case of an arm is numb before a random case of the reference arm.

    Parameters
    ----------
    times : Intervals, n rows, or Cases
        Onset in (left, right], minutes from clock zero. With :class:`~onsetstudy.core.cases.Cases`, arm, reference arm,
        strata, weights and level stand in them.
    arm : array_like of str, shape (n,)
    reference_arm : str
        Arm that the other is compared with.
    contrast_arm : str, optional
        The other arm; may be left out when there are two.
    conf_level : float
        Two-sided level of the interval.
    stratum : array_like of str, shape (n,), optional
        The chance within strata, averaged by the mix of strata in both arms together.
    weight : array_like of float, shape (n,), optional
        How many like cases a row stands for, whole numbers; default 1.
    weight_kind : str
        ``"counts"``; there is no robust error for weights of another kind.

    Returns
    -------
    Estimate
        Quantity ``probability_numb_sooner``; above 0.5 when the arm is numb sooner. Ties count half, as do two cases
        of which neither was seen to become numb. A caution holds the bounds that the gaps between tests
        leave.

    Raises
    ------
    OnsetStudyError
        For faulty labels, or if ``contrast_arm`` is needed or unknown.
    NotEstimable
        If an arm has fewer than two cases.

    Notes
    -----
    Sum over the masses of both maximum likelihood curves, mass spread evenly inside its innermost interval. With exact
    times and no censoring it is the Mann-Whitney count over the product of the arms' sizes. Variance by
    the delta method from the observed information of both curves, times ``n/(n - 1)`` in each arm; interval on
    the logit with Student's t. Where the arms are wholly apart, or show no spread, Newcombe's method 5. Where the gaps
    between tests are not alike in the arms, the interval is wider by what that leaves open
    (:mod:`~onsetstudy.survival.testing.unlike_gaps`).

    References
    ----------
    .. [1] R. G. Newcombe, Stat Med 2006;25:559-573.
    .. [2] J. A. Hanley, B. J. McNeil, Radiology 1982;143:29-36.

    Examples
    --------
    >>> from onsetstudy import Intervals, probability_numb_sooner
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> arm = ["plain"] * 6 + ["buffered"] * 6
    >>> found = probability_numb_sooner(times, arm, reference_arm="plain")
    >>> f"{found.contrast}: {found.estimate:.2f}"
    'buffered before plain: 0.64'
    """
    cases = sort_arms(
        times,
        arm,
        reference_arm=reference_arm,
        stratum=stratum,
        weight=weight,
        contrast_arm=None if contrast_arm is None else str(contrast_arm),
        two_arms=True,
    )
    reference, other = cases.arms
    parts = [_part(one, two) for one, two in zip(cases.gaps(other), cases.gaps(reference), strict=True)]
    mix = cases.mix
    chance = float(min(1.0, max(0.0, mix @ np.array([p.chance for p in parts]))))
    bounds = mix @ np.array([p.bounds for p in parts])
    limits, error, how = _limits(parts, mix, chance, conf_level)
    below, above = _opened(parts, mix, chance)
    if below or above:
        limits = (max(0.0, limits[0] - below), min(1.0, limits[1] + above))
        how += ", and what unlike gaps between tests leave open"
    compared = Compared(
        cases=cases,
        events=np.isfinite(cases.times.right),
        unit="proportion",
        method="Mann-Whitney chance from two nonparametric maximum likelihood curves"
        + (f", averaged over {len(parts)} strata" if cases.stratified else ""),
        conf_level=conf_level,
        assumptions=(INDEPENDENT_CASES, SCHEDULE, _EVEN),
        cautions={},
        source=_SOURCE,
    )
    found = Value(chance, limits, how, error, _cautions(float(bounds[0]), float(bounds[1])))
    return compared.estimate("probability_numb_sooner", f"{other} before {reference}", found)


def _part(first: Gaps, second: Gaps) -> _Part:
    """One stratum of both arms, the first the one that may be sooner."""
    if min(first.n, second.n) < 2:
        raise NotEstimable(
            "probability_numb_sooner", "an arm (in a stratum) has fewer than two cases", code="too_few_cases"
        )
    one, two = first.curve, second.curve
    least, even, most = ordered_chances(one, two)
    errors = [
        functional_variance(cell.times, curve, value, cell.weight) * cell.n / (cell.n - 1)
        for cell, curve, value in ((first, one, even @ two.mass), (second, two, one.mass @ even))
    ]
    return _Part(
        chance=float(one.mass @ even @ two.mass),
        bounds=(float(one.mass @ least @ two.mass), float(one.mass @ most @ two.mass)),
        variance=(errors[0], errors[1]),
        n=(first.n, second.n),
        gaps=(first, second),
    )


def _opened(parts: list[_Part], mix: FloatArray, chance: float) -> Limits:
    """How far the chance could lie below and above, because the gaps between tests are not alike in the arms.

    In which part of a gap onset lies moves the onsets of the coarser arm further, by half of what the gaps differ
    (:mod:`~onsetstudy.survival.testing.unlike_gaps`).
    """
    ends = np.concatenate([g.times.right for p in parts for g in p.gaps])
    last = float(np.max(ends[np.isfinite(ends)], initial=0.0))
    if last <= 0:
        return 0.0, 0.0
    one, two = mean_gaps([(float(w), p.gaps[1], p.gaps[0]) for w, p in zip(mix, parts, strict=True)], last)
    moves = abs(one - two) / 2
    if not moves:
        return 0.0, 0.0
    late, early = (float(mix @ np.array([p.moved(m) for p in parts])) for m in (moves, -moves))
    return max(0.0, chance - late), max(0.0, early - chance)


def _limits(parts: list[_Part], mix: FloatArray, chance: float, conf_level: float) -> tuple[Limits, float | None, str]:
    terms = [(w * w * v, n - 1) for w, p in zip(mix, parts, strict=True) for v, n in zip(p.variance, p.n, strict=True)]
    total = float(sum(v for v, _ in terms))
    if total <= 1e-14 or not 1e-9 < chance < 1 - 1e-9:
        sizes = np.sum([p.n for p in parts], axis=0)
        return superiority_limits(chance, int(sizes[0]), int(sizes[1]), conf_level), None, "Newcombe method 5"
    error = math.sqrt(total)
    centre = math.log(chance / (1 - chance))
    half = float(stats.t.ppf(0.5 + conf_level / 2, satterthwaite(terms))) * error / (chance * (1 - chance))
    low, high = (float(special.expit(end)) for end in (centre - half, centre + half))
    return (low, high), error, "Student t on the logit; standard error of the chance, from the observed information"


def _cautions(low: float, high: float) -> tuple[Caution, ...]:
    if high - low < 1e-9:
        return ()
    text = (
        f"Depending on where onset lies in the gaps between tests, the chance is between {low:.2f} and {high:.2f}. "
        "The estimate spreads it evenly."
    )
    return (Caution(code="between_tests", text=text),)
