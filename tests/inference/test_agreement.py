"""Cohen's kappa and its score limits: against statsmodels, by another road, and the coverage summed."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize
from scipy.special import xlogy
from statsmodels.stats.inter_rater import cohens_kappa

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.seeds import stream
from onsetstudy.inference.agreement import FEWEST_JUDGED, cohen_kappa, constrained_shares, kappa_variance
from tests.simulation import agreement as simulated

TABLES = [(20, 5, 10, 15), (8, 2, 1, 13), (5, 7, 7, 5), (20, 3, 1, 0), (3, 0, 4, 17), (118, 5, 10, 12)]
Z = 1.959963984540054


@pytest.mark.parametrize("table", TABLES)
def test_kappa_and_its_large_sample_error_are_those_of_statsmodels(table):
    ours, theirs = cohen_kappa(*table), cohens_kappa(np.reshape(table, (2, 2)))
    assert ours.kappa == pytest.approx(theirs.kappa, abs=1e-12)
    assert ours.std_error == pytest.approx(theirs.std_kappa, abs=1e-12)


def test_kappa_by_hand():
    # 17 of 24 alike; yes by 10 and by 15: chance gives (10 * 15 + 14 * 9) / 576 = 276 / 576.
    found = cohen_kappa(9, 1, 6, 8)
    assert (found.observed, found.expected) == pytest.approx((17 / 24, 276 / 576))
    assert found.kappa == pytest.approx((408 - 276) / (576 - 276))


def most_likely(table, kappa):
    """The constrained table by another road: a simplex search over the two shares of yes, from many beginnings."""

    def against(yes):
        truth = simulated.cells(kappa, *yes)
        outside = min(yes) < 0 or max(yes) > 1 or truth.min() < 0
        return 1e9 if outside else -xlogy(table, truth).sum()

    starts = [(a, b) for a in np.linspace(0.05, 0.95, 7) for b in np.linspace(0.05, 0.95, 7)]
    begun = sorted(starts, key=against)[:4]
    best = min((optimize.minimize(against, s, method="Nelder-Mead", tol=1e-10) for s in begun), key=lambda r: r.fun)
    return simulated.cells(kappa, *best.x)


@pytest.mark.parametrize("table", TABLES)
def test_at_a_limit_kappa_lies_z_errors_of_the_most_likely_table_away(table):
    found, n = cohen_kappa(*table), sum(table)
    for limit in (found.interval.low, found.interval.high):
        truth = most_likely(table, limit)
        assert xlogy(table, constrained_shares(np.array(table, float), limit)).sum() == pytest.approx(
            xlogy(table, truth).sum(), abs=1e-5
        )
        away = abs(found.kappa - limit) / math.sqrt(kappa_variance(truth) / n)
        assert away == pytest.approx(Z, abs=2e-3)


def test_no_table_of_the_same_kappa_is_likelier_anywhere():
    """Tables and kappas by chance, also where little is possible, against a fine grid over all that is."""
    rng = stream(20261127, "constrained shares")
    first, second = np.meshgrid(np.linspace(0, 1, 801), np.linspace(0, 1, 801), indexing="ij")
    for _ in range(40):
        table = rng.multinomial(24, rng.dirichlet([0.6] * 4))
        kappa = rng.uniform(-0.95, 0.95)
        if table.max() < 24:
            every = simulated.cells(kappa, first, second).reshape(4, -1)
            every = every[:, (every >= 0).all(axis=0)]
            found = constrained_shares(table.astype(float), kappa)
            assert found.sum() == pytest.approx(1)
            assert xlogy(table, found).sum() >= xlogy(table[:, None], every).sum(axis=0).max() - 1e-5


def test_the_most_likely_table_of_the_observed_kappa_is_the_observed_one():
    for table in TABLES:
        counts = np.array(table, float)
        shares = constrained_shares(counts, cohen_kappa(*table).kappa)
        assert shares == pytest.approx(counts / counts.sum(), abs=2e-4)


@pytest.mark.parametrize("table", TABLES)
def test_names_of_judges_and_of_answers_change_nothing(table):
    a, b, c, d = table
    limits = {
        tuple(round(v, 5) for v in (k.kappa, k.interval.low, k.interval.high))
        for k in (cohen_kappa(*t) for t in ((a, b, c, d), (a, c, b, d), (d, b, c, a), (d, c, b, a)))
    }
    assert len(limits) == 1


def test_who_always_agree_still_have_an_interval_that_narrows_with_more_judged():
    lows = [cohen_kappa(n // 2, 0, 0, n // 2).interval.low for n in (10, 24, 100, 1000)]
    assert lows == sorted(lows)
    assert lows[0] < 0.5
    assert lows[-1] > 0.99
    assert cohen_kappa(12, 0, 0, 12).interval.high == 1.0


def test_with_many_judged_the_limits_are_walds():
    """The score and Wald's limits share their limit; with 40,000 judged they differ by far less than their width."""
    found = cohen_kappa(16000, 4000, 8000, 12000)
    wald = (found.kappa - Z * found.std_error, found.kappa + Z * found.std_error)
    assert (found.interval.low, found.interval.high) == pytest.approx(wald, abs=1e-4)


def test_one_who_says_the_same_throughout_agrees_as_chance_does():
    found = cohen_kappa(12, 0, 12, 0)
    assert found.kappa == 0.0
    assert found.interval.low < 0 < found.interval.high


@pytest.mark.parametrize("table", [(24, 0, 0, 0), (0, 0, 0, 24), (0, 24, 0, 0), (0, 0, 24, 0)])
def test_one_answer_throughout_by_both_is_not_estimable(table):
    with pytest.raises(NotEstimable, match="one answer throughout") as told:
        cohen_kappa(*table)
    assert told.value.code == "one_answer"


def test_too_few_are_not_estimable():
    with pytest.raises(NotEstimable, match=f"judged {FEWEST_JUDGED - 1} of") as told:
        cohen_kappa(4, 1, 0, FEWEST_JUDGED - 6)
    assert told.value.code == "too_few"
    assert cohen_kappa(4, 1, 0, FEWEST_JUDGED - 5).n == FEWEST_JUDGED


@pytest.mark.parametrize("count", [-1, 2.5, True, "4"])
def test_what_is_no_count_is_refused(count):
    with pytest.raises(OnsetStudyError, match="no count"):
        cohen_kappa(count, 5, 5, 5)


def stored():
    with Path("tests/simulation/agreement.csv").open(newline="") as file:
        return [{k: float(v) for k, v in row.items()} for row in csv.DictReader(file)]


@pytest.mark.slow
def test_the_stored_coverage_is_what_the_limits_hold():
    """Ten judged, three truths, all 284 tables summed anew."""
    n = FEWEST_JUDGED
    every = simulated.tables(n)
    found = np.array([simulated.limits(t)[:2] for t in every])
    rows = [r for r in stored() if r["n"] == n and r["kappa"] in (0.0, 0.6, 0.9) and r["first_yes"] == 0.35]
    assert len(rows) == 3
    for row in rows:
        truth = simulated.cells(row["kappa"], row["first_yes"], row["second_yes"])
        chance = simulated.chances(every, truth)
        held = (found[:, 0] <= row["kappa"]) & (row["kappa"] <= found[:, 1])
        assert chance @ held / chance.sum() == pytest.approx(row["coverage_95_score"], abs=6e-4)


def test_of_the_three_the_limits_that_are_shown_hold_what_they_say_best():
    rows = [r for r in stored() if r["n"] == 24]  # moments of a training sequence
    assert min(r["coverage_95_score"] for r in rows) > 0.92
    for other in ("wald", "bootstrap"):
        assert min(r[f"coverage_95_{other}"] for r in rows) < 0.6
