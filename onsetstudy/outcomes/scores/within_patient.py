"""Scores of patients who had both arms: means and signed ranks within patients, period and sequence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from scipy import stats

from onsetstudy.core.arrays import FloatArray, IntArray, StrArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.results import PATIENTS, Assumption, Counts, EstimateLike, HypothesisTest, NotAvailable
from onsetstudy.inference.means import LEAST, does_not_vary
from onsetstudy.inference.parameter import Parameter
from onsetstudy.inference.ranks import DIGITS
from onsetstudy.outcomes.scores.pain import MISSING, shift_of
from onsetstudy.outcomes.scores.pain_results import PainComparison
from onsetstudy.outcomes.scores.paired_results import OrderEffects, PairedComparison
from onsetstudy.outcomes.scores.signed_ranks import EXACT_PAIRS, p_values, rank_sum, signed_ranks
from onsetstudy.outcomes.summaries import mean_of

SOURCE = "Hollander & Wolfe 1999, Nonparametric Statistical Methods, chapter 3"
ORDER_SOURCE = (
    "Hills M, Armitage P. British Journal of Clinical Pharmacology 1979;8:7-20 (from memory), by ranks (Koch 1972)"
)
SYMMETRIC = Assumption(name="symmetry", detail="differences within patients spread alike to both sides of their middle")
MEAN = "mean difference within patients, Student's t"


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
    difference = np.round((other - reference)[whole], DIGITS)
    n = Counts(cases=2 * int(reference.size), onsets=2 * int(whole.sum()))
    of = Parameter(quantity="pain_shift", contrast=f"{arms[1]} - {arms[0]}", unit=unit, n=n, conf_level=conf_level)
    shift, test = _shift_and_test(difference, of)
    return PairedComparison(shift=shift, test=test, pairs=int(whole.sum()), incomplete=int((~whole).sum()))


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
    m = difference.size
    of = replace(of, n=Counts(cases=2 * len(pairs), onsets=2 * m))
    if m < LEAST:
        reason = f"it takes {LEAST} patients with a score in both arms"
        return of.absent(reason, code="too_few", method=MEAN)
    if does_not_vary(float(difference.std(ddof=1)), score[pairs][~np.isnan(score[pairs])]):
        return of.absent("the differences within patients do not vary", code="no_spread", method=MEAN)
    found = mean_of(difference, of, by="Student's t, differences within patients", method=MEAN)
    p_value = float(stats.ttest_1samp(difference, 0.0).pvalue)
    return replace(found, p_value=p_value, assumptions=(PATIENTS,), source="Student 1908, Biometrika 6:1-25")


def _shift_and_test(difference: FloatArray, of: Parameter) -> tuple[EstimateLike, HypothesisTest | NotAvailable]:
    absent = partial(of.absent, method="signed ranks")
    if difference.size == 0:
        return absent("no patient has a score in both arms", code="no_pairs"), _test(difference, of, None)
    try:
        found = signed_ranks(difference, of.conf_level)
    except NotEstimable as error:
        return absent(error.reason, code=error.code), _test(difference, of, None)
    if found.low == found.high:
        reason = "the differences within patients are all alike"
        return absent(reason, code="scores_alike"), _test(difference, of, found.p_value)
    shift = of.estimate(
        found.middle,
        (found.low, found.high),
        by="signed-rank test turned round, ties and differences of 0 as in the test",
        method="Hodges-Lehmann shift within patients",
        assumptions=(SYMMETRIC, PATIENTS),
        source=SOURCE,
    )
    return shift, _test(difference, of, found.p_value)


def _test(difference: FloatArray, of: Parameter, p_value: float | None) -> HypothesisTest | NotAvailable:
    """The test, with the P of the limits where there are any."""
    if not difference.any():
        asked = replace(of, quantity="pain_test", unit="")
        return asked.absent("no patient's scores differ", code="no_difference", method="signed ranks")
    exact = difference.size <= EXACT_PAIRS
    return HypothesisTest(
        quantity="pain_test",
        contrast=of.contrast,
        statistic=rank_sum(difference),
        statistic_name="V",
        df=1,
        p_value=float(p_values(difference, np.zeros(1))[0]) if p_value is None else p_value,
        alternative="two-sided",
        method="Wilcoxon signed-rank test, pairs without a difference left out, "
        + ("exact over all signs, given the ties" if exact else "normal approximation with ties"),
        n=of.n,
        assumptions=(SYMMETRIC, PATIENTS),
        source=SOURCE,
    )


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
    between = partial(
        shift_of,
        by="Mann-Whitney test turned round",
        method="Hodges-Lehmann shift between the orders",
        assumptions=(PATIENTS,),
        source=ORDER_SOURCE,
    )
    return OrderEffects(
        period=between(step[1], -step[0], of, scale=0.5),
        sequence=between(total[1], total[0], whole_of),
        sequences=tuple((name, int(g.sum())) for name, g in zip(orders, groups, strict=True)),
    )
