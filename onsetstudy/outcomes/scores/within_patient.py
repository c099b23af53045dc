"""Scores of patients who had both arms: means and signed ranks within patients, period and sequence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import special, stats

from onsetstudy.core.arrays import FloatArray, IntArray, StrArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.results import Assumption, Counts, EstimateLike, HypothesisTest, NotAvailable
from onsetstudy.inference.means import LEAST, Moments
from onsetstudy.inference.parameter import Parameter
from onsetstudy.outcomes.scores.pain import MISSING, hodges_lehmann
from onsetstudy.outcomes.scores.pain_results import PainComparison
from onsetstudy.outcomes.scores.paired_results import PATIENTS, OrderEffects, PairedComparison

SOURCE = "Hollander & Wolfe 1999, Nonparametric Statistical Methods, chapter 3"
ORDER_SOURCE = (
    "Hills M, Armitage P. British Journal of Clinical Pharmacology 1979;8:7-20 (from memory), by ranks (Koch 1972)"
)
SYMMETRIC = Assumption(name="symmetry", detail="differences within patients spread alike to both sides of their middle")
EXACT_PAIRS = 50
MEAN = "mean difference within patients, Student's t"


def signed_rank_shift(difference: FloatArray, conf_level: float = 0.95) -> tuple[float, float, float]:
    """Hodges-Lehmann middle of paired differences with limits from the signed-rank distribution.

    Parameters
    ----------
    difference : ndarray of float, shape (n,)

    Returns
    -------
    tuple of float
        Median of all means of two (Walsh averages), lower and upper limit.

    Raises
    ------
    NotEstimable
        If there are too few pairs for limits at this level.
    """
    n = difference.size
    walsh = np.sort((difference[:, None] + difference[None, :])[np.triu_indices(n)] / 2)
    rank = _limit_rank(n, conf_level)
    if rank == 0:
        raise NotEstimable(
            "pain_shift", f"{n} pairs are too few for an interval at {100 * conf_level:g} %", code="too_few_pairs"
        )
    return float(np.median(walsh)), float(walsh[rank - 1]), float(walsh[walsh.size - rank])


def _limit_rank(n: int, level: float) -> int:
    """Largest k with P(V < k) at most half of one minus the level: the k-th Walsh average from either end."""
    tail = (1 - level) / 2
    if n <= EXACT_PAIRS:
        below = np.cumsum(_chance_of_sums(np.arange(1, n + 1)))
        return int(np.searchsorted(below, tail, side="right"))
    mean, spread = n * (n + 1) / 4, np.sqrt(n * (n + 1) * (2 * n + 1) / 24)
    return max(0, int(np.floor(mean + special.ndtri(tail) * spread)))


def _chance_of_sums(steps: IntArray) -> FloatArray:
    """Chance of every sum, from 0, of whole numbers each of which counts or does not with the same chance."""
    chance = np.ones(1)
    for step in steps:
        longer = np.zeros(chance.size + step)
        longer[: chance.size] += chance / 2
        longer[step:] += chance / 2
        chance = longer
    return chance


def compare_pairs(
    reference: FloatArray, other: FloatArray, *, arms: Sequence[str], unit: str, conf_level: float = 0.95
) -> PairedComparison:
    """Scores of the same patients in both arms.

    Parameters
    ----------
    reference, other : ndarray of float, shape (patients,)
        ``nan`` where missing: the pair is left out and counted.
    arms : sequence of str
        Reference first.
    unit : str
    conf_level : float

    Raises
    ------
    OnsetStudyError
        If the arrays differ in length.
    """
    if reference.shape != other.shape:
        raise OnsetStudyError("both arms need one score for each patient, missing or not")
    whole = ~np.isnan(reference) & ~np.isnan(other)
    difference = (other - reference)[whole]
    n = Counts(cases=2 * int(reference.size), onsets=2 * int(whole.sum()))
    of = Parameter(quantity="pain_shift", contrast=f"{arms[1]} - {arms[0]}", unit=unit, n=n, conf_level=conf_level)
    return PairedComparison(
        shift=_shift(difference, of), test=_test(difference, of), pairs=int(whole.sum()), incomplete=int((~whole).sum())
    )


def compared_within(
    found: PainComparison, score: FloatArray, pairs: IntArray, *, arms: Sequence[str], conf_level: float = 0.95
) -> PainComparison:
    """A comparison of all scores with its shift and test within patients.

    The chance that a case of one arm has less pain than one of the other is of two patients, and stays.

    Parameters
    ----------
    found : PainComparison
        Of all cases.
    score : ndarray of float, shape (n,)
    pairs : ndarray of int, shape (patients, 2)
        Row of each patient's case in either arm, reference first.
    """
    within = compare_pairs(*score[pairs].T, arms=arms, unit=found.unit, conf_level=conf_level)
    return replace(
        found,
        shift=within.shift,
        test=within.test,
        method="Hodges-Lehmann shift and signed-rank test within patients",
        assumptions=(SYMMETRIC, PATIENTS, MISSING),
    )


def mean_within_patients(score: FloatArray, pairs: IntArray, of: Parameter) -> EstimateLike:
    """Mean of the other arm's score less the reference's of the same patient, with Student's limits.

    Parameters
    ----------
    score : ndarray of float, shape (n,)
        ``nan`` where missing: the pair is left out.
    pairs : ndarray of int, shape (patients, 2)
        Row of each patient's case in either arm, reference first.
    of : Parameter
        What is asked; its counts become those of the pairs.
    """
    reference, other = score[pairs].T
    difference = (other - reference)[~np.isnan(other - reference)]
    found = Moments.of(difference)
    of = replace(of, n=Counts(cases=2 * len(pairs), onsets=2 * found.n))
    if found.n < LEAST:
        reason = f"it takes {LEAST} patients with a score in both arms"
        return of.absent(reason, code="too_few", method=MEAN)
    if found.variance == 0:
        return of.absent("the differences within patients do not vary", code="no_spread", method=MEAN)
    error = math.sqrt(found.error2)
    half = float(stats.t.isf((1 - of.conf_level) / 2, found.n - 1)) * error
    return of.estimate(
        found.mean,
        (found.mean - half, found.mean + half),
        by="Student's t, differences within patients",
        method=MEAN,
        std_error=error,
        p_value=float(2 * stats.t.sf(abs(found.mean) / error, found.n - 1)),
        assumptions=(PATIENTS,),
        source="Student 1908, Biometrika 6:1-25",
    )


def _shift(difference: FloatArray, of: Parameter) -> EstimateLike:
    if difference.size == 0:
        return of.absent("no patient has a score in both arms", code="no_pairs", method="signed ranks")
    try:
        middle, low, high = signed_rank_shift(difference, of.conf_level)
    except NotEstimable as error:
        return of.absent(error.reason, code=error.code, method="signed ranks")
    return of.estimate(
        middle,
        (low, high),
        by="Walsh averages, signed-rank distribution",
        method="Hodges-Lehmann shift within patients",
        assumptions=(SYMMETRIC, PATIENTS),
        source=SOURCE,
    )


def _test(difference: FloatArray, of: Parameter) -> HypothesisTest | NotAvailable:
    moved = difference[difference != 0]
    if moved.size == 0:
        asked = replace(of, quantity="pain_test", unit="")
        return asked.absent("no patient's scores differ", code="no_difference", method="signed ranks")
    ranks = stats.rankdata(np.abs(moved))
    value = float(ranks[moved > 0].sum())
    exact = moved.size <= EXACT_PAIRS
    if exact:
        p_value = _sign_p(ranks, value)
    else:
        p_value = float(stats.wilcoxon(moved, method="asymptotic", correction=False).pvalue)  # type: ignore[call-overload]
    return HypothesisTest(
        quantity="pain_test",
        contrast=of.contrast,
        statistic=value,
        statistic_name="V",
        df=1,
        p_value=p_value,
        alternative="two-sided",
        method="Wilcoxon signed-rank test, pairs without a difference left out, "
        + ("exact over all signs, given the ties" if exact else "normal approximation with ties"),
        n=of.n,
        assumptions=(SYMMETRIC, PATIENTS),
        source=SOURCE,
    )


def _sign_p(ranks: FloatArray, value: float) -> float:
    """Two-sided p-value over all signs of these ranks, tied or not; the distribution is symmetric."""
    doubled = np.rint(2 * ranks).astype(np.int64)
    chance = _chance_of_sums(doubled)
    middle = doubled.sum() / 2
    away = np.abs(np.arange(chance.size) - middle) >= abs(2 * value - middle) - 1e-9
    return min(1.0, float(chance[away].sum()))


def order_effects(
    first: FloatArray,
    second: FloatArray,
    order: StrArray,
    *,
    orders: Sequence[str],
    unit: str,
    conf_level: float = 0.95,
) -> OrderEffects:
    """Period effect (second minus first injection) and sequence effect of a two-period design.

    Parameters
    ----------
    first, second : ndarray of float, shape (patients,)
        Scores of the first and second injection; ``nan`` where missing.
    order : ndarray of str, shape (patients,)
        Which of two ``orders`` the patient had.

    Notes
    -----
    Half the difference between the orders in second-minus-first is free of the arms: the period effect. The difference
    between the orders in first-plus-second is carry-over, if there is any; the test is weak, and a carry-over cannot be
    told from orders that differ by chance.
    """
    whole = ~np.isnan(first) & ~np.isnan(second)
    groups = [whole & (order == name) for name in orders]
    n = Counts(cases=2 * int(order.size), onsets=2 * int(whole.sum()))
    # In one order the arm's effect adds to the step between periods, in the other it is taken off: the middle is it.
    step, total = [(second - first)[g] for g in groups], [(second + first)[g] for g in groups]
    of = Parameter(quantity="period_effect", contrast="second - first", unit=unit, n=n, conf_level=conf_level)
    whole_of = replace(of, quantity="sequence_effect", contrast=f"{orders[1]} - {orders[0]}")
    return OrderEffects(
        period=_between_orders(-step[0], step[1], of, scale=0.5),
        sequence=_between_orders(total[0], total[1], whole_of, scale=1.0),
        sequences=tuple((name, int(g.sum())) for name, g in zip(orders, groups, strict=True)),
    )


def _between_orders(reference: FloatArray, other: FloatArray, of: Parameter, *, scale: float) -> EstimateLike:
    found = hodges_lehmann(other, reference, of.conf_level)
    if found is None:
        return of.absent("too few patients in one of the orders", code="too_few", method="signed ranks")
    shift, low, high = found
    return of.estimate(
        scale * shift,
        (scale * low, scale * high),
        by="ordered differences",
        method="Hodges-Lehmann shift between the orders",
        assumptions=(PATIENTS,),
        source=ORDER_SOURCE,
    )
