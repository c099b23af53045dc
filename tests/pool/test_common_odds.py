import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.discrete.conditional_models import ConditionalLogit
from statsmodels.stats.contingency_tables import StratifiedTable

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.pool.common_odds import common_odds

ARMS = ("plain", "buffered")
SUCCESS, CASES = np.array([[3, 8], [5, 6], [2, 9]]), np.array([[12, 14], [15, 11], [9, 16]])


def rows(success, cases):
    y, x, group = [], [], []
    for k, (s, n) in enumerate(zip(success, cases, strict=True)):
        for arm in (0, 1):
            y += [1] * s[arm] + [0] * (n[arm] - s[arm])
            x += [arm] * n[arm]
            group += [k] * n[arm]
    return np.array(y), np.array(x, dtype=float), np.array(group)


def test_conditional_odds_ratio_equals_statsmodels_conditional_logit():
    y, x, group = rows(SUCCESS, CASES)
    fit = ConditionalLogit(y, x[:, None], groups=group).fit(disp=False)
    ours = common_odds(SUCCESS, CASES, arms=ARMS).odds_ratio
    assert math.log(ours.estimate) == pytest.approx(float(fit.params[0]), abs=1e-5)
    assert ours.std_error == pytest.approx(float(fit.bse[0]), rel=1e-4)


def test_one_table_is_the_conditional_odds_ratio_of_fishers_test():
    ours = common_odds([[3, 8]], [[12, 14]], arms=ARMS)
    other = stats.contingency.odds_ratio([[8, 6], [3, 9]], kind="conditional")
    assert ours.odds_ratio.estimate == pytest.approx(other.statistic, rel=1e-5)
    assert ours.homogeneity is None


def test_difference_lies_where_the_weights_put_it_and_its_error_is_satos():
    ours = common_odds(SUCCESS, CASES, arms=ARMS).difference
    # By hand: weights n0 n1 / n.
    w = [12 * 14 / 26, 15 * 11 / 26, 9 * 16 / 25]
    d = [8 / 14 - 3 / 12, 6 / 11 - 5 / 15, 9 / 16 - 2 / 9]
    assert ours.estimate == pytest.approx(sum(a * b for a, b in zip(w, d, strict=True)) / sum(w))
    rng = np.random.default_rng(5)
    p = SUCCESS / CASES
    draws = rng.binomial(CASES, p, size=(20000, 3, 2)) / CASES
    spread = np.std((draws[:, :, 1] - draws[:, :, 0]) @ np.array(w) / sum(w))
    assert ours.std_error == pytest.approx(spread, rel=0.06)


def test_split_outcomes_give_the_odds_ratio_of_mantel_and_haenszel():
    success = SUCCESS + np.array([[0.25, 0.5], [0.0, 0.75], [0.4, 0.1]])
    table = [np.array([[s[1], n[1] - s[1]], [s[0], n[0] - s[0]]]) for s, n in zip(success, CASES, strict=True)]
    other = StratifiedTable(table)
    ours = common_odds(success, CASES, arms=ARMS).odds_ratio
    assert ours.estimate == pytest.approx(other.oddsratio_pooled, rel=1e-12)
    assert ours.std_error == pytest.approx(other.logodds_pooled_se, rel=1e-9)
    assert (ours.interval.low, ours.interval.high) == pytest.approx(other.oddsratio_pooled_confint(), rel=1e-9)


def test_less_information_widens_by_its_root():
    plain = common_odds(SUCCESS + 0.1, CASES, arms=ARMS)
    wider = common_odds(SUCCESS + 0.1, CASES, arms=ARMS, inflation=(4.0, 4.0))
    for before, after in ((plain.odds_ratio, wider.odds_ratio), (plain.difference, wider.difference)):
        assert after.estimate == before.estimate
        assert after.std_error == pytest.approx(2 * before.std_error)
    with pytest.raises(OnsetStudyError, match="Variances can only be multiplied by 1 or more"):
        common_odds(SUCCESS, CASES, arms=ARMS, inflation=(1.0, 0.5))


def test_homogeneity_is_close_to_breslow_and_day_in_large_tables():
    success, cases = np.array([[30, 80], [50, 60], [20, 90]]), np.array([[120, 140], [150, 110], [90, 160]])
    table = [np.array([[s[1], n[1] - s[1]], [s[0], n[0] - s[0]]]) for s, n in zip(success, cases, strict=True)]
    other = StratifiedTable(table).test_equal_odds()
    ours = common_odds(success, cases, arms=ARMS).homogeneity
    assert ours.df == 2
    assert ours.statistic == pytest.approx(other.statistic, rel=0.05)


def test_separation_gives_a_bound_and_no_number():
    found = common_odds([[0, 4], [0, 3]], [[5, 4], [6, 3]], arms=ARMS).odds_ratio
    assert isinstance(found, NotAvailable)
    assert found.code == "separation"
    assert math.isinf(found.bound.high)
    # At the bound the tables seen have the likelihood exp(-1.645^2 / 2).
    beta = math.log(found.bound.low)
    chance = 1.0
    for (s0, s1), (n0, n1) in zip([(0, 4), (0, 3)], [(5, 4), (6, 3)], strict=True):
        chance *= stats.nchypergeom_fisher(n0 + n1, n1, s0 + s1, math.exp(beta)).pmf(s1)
    assert math.log(chance) == pytest.approx(-(stats.norm.ppf(0.95) ** 2) / 2, abs=1e-6)


def test_nothing_to_compare():
    found = common_odds([[0, 0], [5, 4]], [[5, 4], [5, 4]], arms=ARMS)
    assert found.odds_ratio.code == "no_information"
    assert found.difference.code == "no_spread"
    assert common_odds([[0, 1]], [[0, 4]], arms=ARMS).difference.code == "arm_missing"
    with pytest.raises(OnsetStudyError, match="Successes must be numbers from 0 to the number of cases"):
        common_odds([[5, 1]], [[4, 4]], arms=ARMS)


tables = st.lists(
    st.tuples(st.integers(0, 6), st.integers(0, 6), st.integers(0, 6), st.integers(0, 6)), min_size=1, max_size=5
)


@given(tables)
def test_swapping_the_arms_inverts_the_ratio_and_turns_the_difference(drawn):
    s = np.array([(a, b) for a, _, b, _ in drawn])
    n = s + np.array([(a, b) for _, a, _, b in drawn])
    one = common_odds(s, n, arms=ARMS)
    other = common_odds(s[:, ::-1], n[:, ::-1], arms=ARMS[::-1])
    assert type(one.odds_ratio) is type(other.odds_ratio)
    if isinstance(one.odds_ratio, Estimate):
        assert one.odds_ratio.estimate * other.odds_ratio.estimate == pytest.approx(1, rel=1e-8)
        assert one.odds_ratio.interval.low * other.odds_ratio.interval.high == pytest.approx(1, rel=1e-6)
    if isinstance(one.difference, Estimate):
        assert one.difference.estimate == pytest.approx(-other.difference.estimate, abs=1e-12)
        assert one.difference.std_error == pytest.approx(other.difference.std_error, rel=1e-9)


def test_a_search_that_does_not_end_gives_no_test(monkeypatch):
    from onsetstudy.pool import common_odds as room

    assert common_odds(SUCCESS, CASES, arms=ARMS).homogeneity is not None
    monkeypatch.setattr(room, "MOST_STEPS", 1)
    assert common_odds(SUCCESS, CASES, arms=ARMS).homogeneity is None
