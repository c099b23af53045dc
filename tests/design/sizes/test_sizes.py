"""Sizes: printed values, the four numbers solved round, laws, exact power by brute force, and simulation."""

import math
from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.power import NormalIndPower, TTestIndPower, TTestPower

from onsetstudy.core.errors import DesignError
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.design.expected_wait import expected_wait, refuse_contradiction
from onsetstudy.design.precision import expected_precision, size_for_width
from onsetstudy.design.size_results import OnsetExpectation
from onsetstudy.design.sizes.exact import exact_cases, exact_mcnemar_power, exact_shares_power
from onsetstudy.design.sizes.frame import Frame, design_effect, size_table
from onsetstudy.design.sizes.plans import onset_share, plan_onset_test, plan_paired_success, plan_success, plan_wait
from onsetstudy.design.sizes.ranks import plan_pain_ranks, plan_pain_words
from tests.reference import load_reference

PRINTED = load_reference("sample_sizes")
ALL_SEEN = OnsetExpectation(median_min=4, tau_min=1e9)
USUAL = OnsetExpectation(median_min=4.2, never_reference=0.12, never_other=0.10)


@pytest.mark.parametrize("formula", ["schoenfeld", "freedman"])
@pytest.mark.parametrize("ratio", [1.5, 2.0, 2.5])
@pytest.mark.parametrize("power", [0.8, 0.9])
def test_onsets_of_the_log_rank_test(formula, ratio, power):
    found = plan_onset_test(hazard_ratio=ratio, power=power, expected=ALL_SEEN, formula=formula)
    name = f"{formula} {ratio} {power}"
    if name in set(PRINTED.expected["name"]):
        PRINTED.check(name, found.events)
    turned = plan_onset_test(hazard_ratio=1 / ratio, power=power, expected=ALL_SEEN, formula=formula)
    assert turned.events == pytest.approx(found.events)


def test_printed_sizes_of_the_others():
    for chance in ("0.65", "0.70", "0.75"):
        PRINTED.check(f"noether {chance}", plan_pain_ranks(superiority=float(chance)).unrounded)
    words = plan_pain_words(categories=[0.2, 0.5, 0.2, 0.1], odds_ratio=math.exp(0.887), power=0.9)
    PRINTED.check("whitehead", words.unrounded)
    assert words.total == 188  # 187 in all, rounded up in each of two arms
    PRINTED.check("design effect 10 0.05", design_effect(10, 0.05))
    PRINTED.check("design effect 20 0.10", design_effect(20, 0.10))
    PRINTED.check("1.26 min, sd 3, per arm", plan_wait(sd_min=3, difference_min=1.26).cases[0])
    PRINTED.check("0.8 min, sd 3, per arm", plan_wait(sd_min=3, difference_min=0.8).cases[0])
    PRINTED.check("10 mm, sd 20, per arm", plan_wait(sd_min=20, difference_min=10).cases[0])
    PRINTED.check("47.5 v 62.5, per arm", plan_success(reference=0.475, difference=0.15).cases[0])
    PRINTED.check("44 v 78, per arm", plan_success(reference=0.44, difference=0.34).cases[0])


def test_means_and_shares_against_statsmodels():
    """statsmodels TTestIndPower, TTestPower, NormalIndPower; a rejection on the wrong side does not count here."""
    right = {"alpha": 0.025, "alternative": "larger"}
    n = TTestIndPower().solve_power(effect_size=0.4, power=0.85, ratio=2.0, **right)
    ours = plan_wait(sd_min=1, difference_min=0.4, power=0.85, frame=Frame(ratio=(1, 2)))
    assert ours.unrounded == pytest.approx(3 * n, rel=1e-6)
    pairs = TTestPower().solve_power(effect_size=0.3, power=0.9, **right)
    assert plan_wait(sd_min=1, difference_min=0.3, power=0.9, paired=True).unrounded == pytest.approx(pairs, rel=1e-6)
    # With equal variances under both hypotheses the share formula is the plain normal one.
    normal = NormalIndPower().solve_power(effect_size=0.02 / 0.5, alpha=0.05, power=0.8)
    assert plan_success(reference=0.49, difference=0.02).unrounded == pytest.approx(2 * normal, rel=2e-3)


PLANS = {
    "onset": lambda n, e, p, a: plan_onset_test(cases=n, hazard_ratio=e, power=p, alpha=a, expected=USUAL),
    "freedman": lambda n, e, p, a: plan_onset_test(
        cases=n, hazard_ratio=e, power=p, alpha=a, expected=USUAL, formula="freedman"
    ),
    "success": lambda n, e, p, a: plan_success(cases=n, reference=0.3, difference=e, power=p, alpha=a),
    "wait": lambda n, e, p, a: plan_wait(cases=n, sd_min=3, difference_min=e, power=p, alpha=a),
    "paired wait": lambda n, e, p, a: plan_wait(cases=n, sd_min=3, difference_min=e, power=p, alpha=a, paired=True),
    "pain": lambda n, e, p, a: plan_pain_ranks(cases=n, superiority=e, power=p, alpha=a),
    "paired pain": lambda n, e, p, a: plan_pain_ranks(cases=n, superiority=e, power=p, alpha=a, paired=True),
    "words": lambda n, e, p, a: plan_pain_words(
        cases=n, odds_ratio=None if e is None else math.exp(e), power=p, alpha=a, categories=[0.2, 0.5, 0.2, 0.1]
    ),
}
EFFECTS = {
    "onset": 1.4, "freedman": 1.4, "success": 0.12, "wait": 1.1, "paired wait": 1.1, "pain": 0.62, "paired pain": 0.62,
    "words": 0.6,
}  # fmt: skip


@pytest.mark.parametrize("name", PLANS)
def test_any_one_of_four_can_be_solved(name):
    plan, effect = PLANS[name], EFFECTS[name]
    n = plan(None, effect, 0.85, 0.04)
    included = n.unrounded
    assert n.solved == "n"
    assert plan(included, None, 0.85, 0.04).effect == pytest.approx(effect, rel=1e-6)
    assert plan(included, effect, None, 0.04).power == pytest.approx(0.85, abs=1e-8)
    assert plan(included, effect, 0.85, None).alpha == pytest.approx(0.04, abs=1e-7)
    assert from_dict(to_dict(n)) == n


@pytest.mark.parametrize("name", PLANS)
@settings(max_examples=15, deadline=None)
@given(n=st.floats(20, 3000), more=st.floats(1.05, 3), alpha=st.floats(0.005, 0.2))
def test_power_grows_with_size_effect_and_error_rate(name, n, more, alpha):
    plan, effect = PLANS[name], EFFECTS[name]
    power = plan(n, effect, None, alpha).power
    assert plan(n * more, effect, None, alpha).power >= power - 1e-12
    assert plan(n, effect, None, min(0.3, alpha * more)).power >= power - 1e-12
    larger = effect + 0.05
    assert plan(n, larger, None, alpha).power >= power - 1e-12


def test_losses_and_clusters_are_added():
    plain = plan_wait(sd_min=3, difference_min=1)
    framed = plan_wait(sd_min=3, difference_min=1, frame=Frame(lost_share=0.2, design_effect=1.5))
    assert framed.unrounded == pytest.approx(plain.unrounded)
    assert framed.total == pytest.approx(plain.unrounded * 1.5 / 0.8, abs=2)
    assert plan_wait(sd_min=3, difference_min=1, frame=Frame(ratio=(2, 1))).total > plain.total


def test_onsets_to_cases_by_hand():
    """Median 4, shape 1, horizon 8: 1 - 2^-2 = .75; ratio 2: 1 - 2^-4 = .9375; never .2 and 0: .6 and .9375."""
    expected = OnsetExpectation(median_min=4, shape=1, never_reference=0.2, never_other=0.0, tau_min=8)
    assert onset_share(expected, 2.0) == pytest.approx((0.6 + 0.9375) / 2)
    assert onset_share(expected, 2.0, share=0.25) == pytest.approx(0.75 * 0.6 + 0.25 * 0.9375)


def test_not_inferior():
    """Hand: p .8 both, margin .1, one-sided .025, 80 %: (z)^2 * 2 * .16 / .01 = 251.2 in each arm."""
    found = plan_success(reference=0.8, difference=0.0, margin=0.1, alpha=0.025, frame=Frame(sided=1))
    assert found.unrounded / 2 == pytest.approx(251.16, abs=0.01)


def wald_power(n, reference, other, margin, higher_is_better, alpha=0.025):
    """Chance that Wald's z statistic against the margin passes, over every outcome of two binomials of n cases each."""
    x = np.arange(n + 1) / n
    p0, p1 = x[:, None], x[None, :]
    gain = (p1 - p0 if higher_is_better else p0 - p1) + margin
    spread = np.sqrt(np.maximum(p0 * (1 - p0) / n + p1 * (1 - p1) / n, 1e-12))
    chance = np.outer(stats.binom.pmf(np.arange(n + 1), n, reference), stats.binom.pmf(np.arange(n + 1), n, other))
    return float(chance[gain / spread > stats.norm.isf(alpha)].sum())


@pytest.mark.parametrize(("difference", "n"), [(0.0, 150), (0.04, 200), (-0.04, 200)])
def test_alike_within_a_margin(difference, n):
    """Two one-sided tests of 20,000 drawn studies."""
    ask = {"reference": 0.5, "difference": difference, "margin": 0.2, "equivalence": True}
    found = plan_success(**ask, cases=2 * n, power=None, alpha=0.05)
    rng = np.random.default_rng(5)
    p0, p1 = rng.binomial(n, 0.5, 20000) / n, rng.binomial(n, 0.5 + difference, 20000) / n
    error = np.sqrt(p0 * (1 - p0) / n + p1 * (1 - p1) / n)
    alike = np.abs(p1 - p0) < 0.2 - stats.norm.isf(0.05) * error
    assert found.power == pytest.approx(alike.mean(), abs=0.015)
    size = plan_success(**ask, power=found.power, alpha=0.05)
    assert size.unrounded == pytest.approx(2 * n, rel=1e-6)
    assert "two one-sided" in size.test


@pytest.mark.parametrize(
    ("reference", "difference", "higher_is_better"),
    [(0.8, -0.2, True), (0.8, 0.0, True), (0.8, -0.05, True), (0.8, 0.05, True), (0.2, 0.2, False), (0.2, 0.0, False),
     (0.2, 0.05, False), (0.2, -0.05, False), (0.8, -0.1, True)],
)  # fmt: skip
def test_not_inferior_in_both_directions(reference, difference, higher_is_better):
    """Against every outcome of two binomials: an arm beyond the margin is found not inferior next to never."""
    frame = Frame(sided=1)
    asked = {"reference": reference, "difference": difference, "margin": 0.1, "alpha": 0.025, "frame": frame}
    found = plan_success(cases=500, power=None, higher_is_better=higher_is_better, **asked)
    true = wald_power(250, reference, reference + difference, 0.1, higher_is_better)
    assert found.power == pytest.approx(true, abs=0.02)
    worse = -difference if higher_is_better else difference
    if worse > 0.1:
        assert found.power < 1e-4
        with pytest.raises(DesignError, match=r"beyond the margin of 0\.1: no size"):
            plan_success(higher_is_better=higher_is_better, **asked)
    elif worse < 0.1:
        size = plan_success(higher_is_better=higher_is_better, **asked)
        again = plan_success(cases=size.unrounded, power=None, higher_is_better=higher_is_better, **asked)
        assert again.power == pytest.approx(0.8)
        assert size.effect == pytest.approx(difference)


def test_an_effect_solved_against_a_margin_has_its_sign():
    """The two directions are mirror images: proportions numb, and the same teeth as proportions not numb."""
    asked = {"cases": 300, "margin": 0.1, "alpha": 0.025, "frame": Frame(sided=1)}
    up = plan_success(reference=0.8, **asked)
    down = plan_success(reference=0.2, higher_is_better=False, **asked)
    assert down.effect == pytest.approx(-up.effect)
    assert wald_power(150, 0.8, 0.8 + up.effect, 0.1, True) == pytest.approx(0.8, abs=0.03)


@pytest.mark.parametrize("difference", [-0.5, 0.0, 0.4, 1.0, 2.0])
@pytest.mark.parametrize("paired", [False, True])
def test_a_time_not_inferior_is_one_that_is_not_later(difference, paired):
    """Minutes: less is better. By the noncentral t distribution of scipy, written out here."""
    n, sd, margin = 120, 3.0, 1.0
    df, shift = (n - 1, math.sqrt(n)) if paired else (n - 2, math.sqrt(n) / 2)
    true = stats.nct.sf(stats.t.isf(0.025, df), df, (margin - difference) / sd * shift)
    asked = {"sd_min": sd, "difference_min": difference, "margin_min": margin, "alpha": 0.025, "paired": paired}
    found = plan_wait(cases=n, power=None, frame=Frame(sided=1), **asked)
    assert found.power == pytest.approx(float(true), abs=1e-9)
    if difference >= margin:
        assert found.power <= 0.025 + 1e-9
        with pytest.raises(DesignError, match="no size can show it not inferior"):
            plan_wait(frame=Frame(sided=1), **asked)


def test_a_time_not_inferior_by_simulation():
    """20,000 studies of two normal arms: 1.5 min later, against a margin of 1 min, is next to never not inferior."""
    rng = np.random.default_rng(8)
    for difference in (1.5, 0.0):
        x, y = rng.normal(difference, 3, (20_000, 60)), rng.normal(0, 3, (20_000, 60))
        seen = np.mean(stats.ttest_ind(x, y + 1.0, axis=1, alternative="less").pvalue <= 0.025)
        found = plan_wait(
            sd_min=3, difference_min=difference, margin_min=1, cases=120, power=None, alpha=0.025, frame=Frame(sided=1)
        )
        assert found.power == pytest.approx(seen, abs=0.015)


def test_the_spread_of_the_restricted_time_follows_from_the_curve():
    """By simulated teeth: Weibull onset, some never, operators apart, all cut at 15 min."""
    rng = np.random.default_rng(5)
    n = 400_000
    wait = expected_wait(USUAL, 1.6, operator_spread=0.1, share=0.25)
    found = []
    for ratio, never in ((1.0, 0.12), (1.6, 0.10)):
        scale = 4.2 / math.log(2) ** (1 / 1.5) * np.exp(rng.normal(0, 0.1, n))
        onset = scale * (rng.exponential(size=n) / ratio) ** (1 / 1.5)
        found.append(np.minimum(np.where(rng.random(n) < never, np.inf, onset), 15.0))
    assert wait.reference_mean_min == pytest.approx(found[0].mean(), abs=0.03)
    assert wait.other_mean_min == pytest.approx(found[1].mean(), abs=0.03)
    assert wait.reference_sd_min == pytest.approx(found[0].std(), abs=0.02)
    assert wait.other_sd_min == pytest.approx(found[1].std(), abs=0.02)
    error = math.sqrt(found[1].var() / 25 + found[0].var() / 75)
    assert wait.sd_min * math.sqrt(1 / 25 + 1 / 75) == pytest.approx(error, rel=0.01)


def test_a_spread_that_contradicts_the_curve_is_refused():
    wait = expected_wait(USUAL, 1.6)
    with pytest.raises(DesignError, match=r"contradicts the expected curves.*wait_sd_min = 4\.3"):
        refuse_contradiction(3, wait)
    with pytest.raises(DesignError, match="contradicts"):
        refuse_contradiction(6, wait)
    for near in (0.92, 1.08):
        refuse_contradiction(near * wait.sd_min, wait)
        assert plan_wait(sd_min=near * wait.sd_min, difference_min=0.5).total > 1192


def test_mcnemar_by_hand():
    """Connor: .15 against .05, 80 %: (1.96 sqrt(.2) + .8416 sqrt(.2 - .01))^2 / .01 = 154.4 pairs."""
    z, b = stats.norm.isf(0.025), stats.norm.isf(0.2)
    hand = (z * math.sqrt(0.2) + b * math.sqrt(0.19)) ** 2 / 0.01
    found = plan_paired_success(only_other=0.15, only_reference=0.05)
    assert found.unrounded == pytest.approx(hand, rel=1e-6)
    assert found.cases == (math.ceil(hand),)
    exact = exact_mcnemar_power(found.total, 0.15, 0.05)
    assert 0.7 < exact < 0.8  # the exact test is more careful than the formula


def test_a_demonstration_is_not_planned_for():
    for found in (
        plan_wait(sd_min=3, difference_min=4.8),
        plan_onset_test(hazard_ratio=4, expected=USUAL),
        plan_success(reference=0.12, difference=0.59),
    ):
        assert [c.code for c in found.caution] == ["demonstration_effect"]
    assert plan_wait(sd_min=3, difference_min=1.2).caution == ()
    assert plan_onset_test(hazard_ratio=0.2, expected=USUAL).caution


def test_tables_are_over_a_grid():
    table = size_table(lambda d, p: plan_wait(sd_min=3, difference_min=d, power=p), effects=[0.5, 1.0, 1.5])
    frame = table.to_frame()
    assert frame.shape == (3, 2)
    assert frame.loc[1.0, 0.8] == plan_wait(sd_min=3, difference_min=1.0).total
    assert (frame.diff().dropna() < 0).all().all()
    assert from_dict(to_dict(table)) == table


@pytest.mark.parametrize(
    ("ask", "words"),
    [
        (lambda: plan_wait(sd_min=3), "difference_min|effect, n are all missing|all missing"),
        (lambda: plan_wait(sd_min=3, difference_min=1, cases=50), "nothing is left to solve for"),
        (lambda: plan_wait(sd_min=0, difference_min=1), "standard deviation must be above 0"),
        (lambda: plan_wait(sd_min=3, difference_min=1, power=1.2), "must lie between 0 and 1"),
        (lambda: plan_wait(sd_min=3, difference_min=1, power=0.04), "not above the error rate"),
        (lambda: plan_onset_test(hazard_ratio=1, expected=USUAL), "one above or below 1"),
        (lambda: plan_onset_test(hazard_ratio=2, expected=USUAL, formula="x"), "choose schoenfeld or freedman"),
        (lambda: plan_success(reference=0.9, difference=0.2), "leaves no share"),
        (lambda: plan_success(reference=0.9, cases=4), "no effect up to"),
        (lambda: plan_success(reference=0.5, difference=0.2, margin=0.2, equivalence=True), "within it"),
        (lambda: plan_success(reference=0.5, cases=90, margin=0.2, equivalence=True), "within it"),
        (lambda: plan_pain_ranks(superiority=0.5), "other than 0.5"),
        (lambda: plan_pain_words(categories=[0.5, 0.6], odds_ratio=2), "sum to 1"),
        (lambda: size_for_width(0, lambda n: 1 / n), "above 0"),
        (lambda: size_for_width(1, lambda n: 2.0), "not even 1000000"),
        (lambda: plan_paired_success(only_other=0.7, only_reference=0.6), "at most 1 together"),
        (lambda: Frame(lost_share=1.0).checked(), "lost share"),
        (lambda: expected_precision(3, sd_min=3, numb=(0.3, 0.3)), "fewer than two"),
        (lambda: exact_cases(0.5, 0.5001, most=50), "not even 50"),
    ],
)  # fmt: skip
def test_questions_without_an_answer(ask, words):
    with pytest.raises(DesignError, match=f"(?i){words}"):
        ask()


def brute_force_power(n0, n1, p0, p1, test):
    total = 0.0
    for x0 in range(n0 + 1):
        for x1 in range(n1 + 1):
            table = [[x1, n1 - x1], [x0, n0 - x0]]
            if test == "fisher":
                p = stats.fisher_exact(table)[1]
            elif 0 < x0 + x1 < n0 + n1:
                p = stats.chi2_contingency(table, correction=False)[1]
            else:
                p = 1.0
            if p <= 0.05:
                total += stats.binom.pmf(x0, n0, p0) * stats.binom.pmf(x1, n1, p1)
    return total


@pytest.mark.parametrize("test", ["score", "fisher"])
@pytest.mark.parametrize("sizes", [(9, 9), (7, 12)])
def test_exact_power_by_brute_force(test, sizes):
    """Every outcome through scipy.stats.fisher_exact and chi2_contingency."""
    assert exact_shares_power(*sizes, 0.3, 0.8, test=test) == pytest.approx(
        brute_force_power(*sizes, 0.3, 0.8, test), abs=1e-12
    )


def test_exact_sizes_hold_from_there_on():
    n = exact_cases(0.44, 0.78)
    assert all(exact_shares_power(k, k, 0.44, 0.78) >= 0.8 for k in range(n, n + 6))
    assert exact_shares_power(n - 1, n - 1, 0.44, 0.78) < 0.8
    assert exact_cases(0.44, 0.78, test="fisher") > n
    assert abs(n - 32) <= 2


def test_exact_mcnemar_by_brute_force():
    """Every split of twelve pairs, p by scipy.stats.binomtest."""
    total = 0.0
    for a in range(13):
        for b in range(13 - a):
            if a + b and stats.binomtest(a, a + b).pvalue <= 0.05:
                total += stats.multinomial.pmf([a, b, 12 - a - b], 12, [0.5, 0.1, 0.4])
    assert exact_mcnemar_power(12, 0.5, 0.1) == pytest.approx(total, abs=1e-12)


def test_how_narrow_an_answer_is():
    found = expected_precision(180, sd_min=3, numb=(0.3, 0.3))
    assert found.wait_half_min == pytest.approx(1.973 * 3 * math.sqrt(2 / 90), abs=0.005)
    # Newcombe 1998, method 10: 56/70 less 48/80 has (.0524, .3339).
    uneven = expected_precision(150, sd_min=3, numb=(0.6, 0.8), share=70 / 150)
    assert uneven.success_half == pytest.approx((0.3339 - 0.0524) / 2, abs=5e-5)
    assert expected_precision(720, sd_min=3, numb=(0.3, 0.3)).wait_half_min == pytest.approx(
        found.wait_half_min / 2, rel=0.01
    )
    assert expected_precision(180, sd_min=3, numb=(0.3, 0.3), conf_level=0.99).success_half > found.success_half

    def wait_half(n):
        return expected_precision(n, sd_min=3, numb=(0.2, 0.3)).wait_half_min

    # Student's interval of two arms of 70 and 71: 1.977 times 3 times the root of 1/70 + 1/71.
    assert size_for_width(1.0, wait_half) == 141
    assert wait_half(141) <= 1.0 < wait_half(140)
    # Of 8 cases two are in the smaller arm of one in five; fewer have no interval, however wide a one is asked for.
    half_of = partial(expected_precision, sd_min=3, numb=(0.2, 0.3))
    assert size_for_width(1000, lambda n: half_of(n, share=0.8).wait_half_min) == 8
    with pytest.raises(DesignError, match="leave an arm with fewer than two"):
        size_for_width(1000, lambda n: half_of(n, share=1 - 1e-7).wait_half_min)


def test_formulas_hold_in_simulation():
    """4,000 studies each: rank sum and signed ranks of normals, Student's t, two shares; within Monte Carlo error."""
    rng = np.random.default_rng(3)
    trials, error = 4000, 4 * math.sqrt(0.16 / 4000)
    chance = 0.65
    shift = stats.norm.ppf(chance) * math.sqrt(2)
    n = plan_pain_ranks(superiority=chance).cases[0]
    x, y = rng.normal(shift, 1, (trials, n)), rng.normal(0, 1, (trials, n))
    p = stats.mannwhitneyu(x, y, axis=1, method="asymptotic").pvalue
    assert abs(np.mean(p <= 0.05) - 0.8) < error + 0.01  # Noether's formula is off by about a point here
    # Two differences of mean .3 and spread 1 add up to more than 0 as often as a normal lies below .3 times root 2.
    n = plan_pain_ranks(superiority=float(stats.norm.cdf(0.3 * math.sqrt(2))), paired=True).total
    p = stats.wilcoxon(rng.normal(0.3, 1, (trials, n)), axis=1, method="approx").pvalue
    assert abs(np.mean(p <= 0.05) - 0.818) < error  # of pairs it asks for too many: .818, by 20,000 studies
    n = plan_wait(sd_min=3, difference_min=1.26).cases[0]
    p = stats.ttest_ind(rng.normal(1.26, 3, (trials, n)), rng.normal(0, 3, (trials, n)), axis=1).pvalue
    assert abs(np.mean(p <= 0.05) - 0.8) < error
    n = plan_success(reference=0.475, difference=0.15).cases[0]
    assert exact_shares_power(n, n, 0.475, 0.625) == pytest.approx(0.8, abs=0.01)
