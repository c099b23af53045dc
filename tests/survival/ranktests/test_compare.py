"""The comparison of arms: published and other software's values, laws, pooling from pieces, words of errors."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kruskal, pearsonr

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Counts, HypothesisTest, ScorePiece
from onsetstudy.core.serialise import from_dict
from onsetstudy.survival.ranktests.compare import compare_arms
from onsetstudy.survival.ranktests.label_exchange import label_cases
from onsetstudy.survival.ranktests.rank_scores import SCORE_FAMILY
from onsetstudy.survival.ranktests.score_statistics import (
    arm_direction,
    combine_pieces,
    pool_score_pieces,
    score_pieces,
)
from tests.examples import examples
from tests.survival.build import cases, grid, inf, interval_rows

KINDS = tuple(SCORE_FAMILY)
SOFTWARE = ("logrank", "finkelstein", "wilcoxon")


def random_cases(seed, n, arms=2, missed=0.2, never=0.1):
    """Cases on a one-minute schedule to 8 min with missed tests."""
    rng = np.random.default_rng(seed)
    tests = np.arange(1.0, 9.0)
    onset = np.where(rng.random(n) < never, inf, rng.weibull(1.3, n) * 4)
    seen = rng.random((n, tests.size)) >= missed
    numb = onset[:, None] <= tests
    left = np.where(seen & ~numb, tests, 0.0).max(axis=1)
    right = np.where(seen & numb, tests, inf).min(axis=1)
    arm = np.array([f"arm{i}" for i in rng.permutation(np.arange(n) % arms)])
    return Intervals(left, right), arm


# --- published and other software -----------------------------------------------------------------------------------


def test_cosmesis_as_printed(reference):
    ref = reference("fay_shaw_2010_cosmesis_tests")
    times = Intervals(ref.data["left"], ref.data["right"])

    def ours(scores, method="asymptotic"):
        return compare_arms(times, ref.data["treatment"], reference_arm="Rad", scores=scores, method=method)

    for kind in SOFTWARE:
        ref.check(f"{kind}_sum", ours(kind).observed_minus_expected[0])
        ref.check(f"{kind}_p", ours(kind).p_value)
    ref.check("logrank_z", ours("logrank").statistic)
    ref.check("wilcoxon_z", ours("wilcoxon").statistic)
    score = ours("finkelstein", "score")
    ref.check("finkelstein_score_chi_square", score.statistic**2)
    ref.check("finkelstein_score_p", score.p_value)


@pytest.mark.parametrize(
    ("name", "arms"),
    [
        ("interval_cosmesis_tests", ("left", "right", "treatment", "Rad")),
        ("interval_mice_tests", ("l", "u", "grp", "ce")),
        ("interval_diabetes_tests", ("left", "right", "gender", "female")),
    ],
)
@pytest.mark.parametrize("kind", SOFTWARE)
def test_sums_z_and_p_equal_those_of_r(reference, name, arms, kind):
    ref = reference(name)
    left, right, group, base = arms
    ours = compare_arms(Intervals(ref.data[left], ref.data[right]), ref.data[group], reference_arm=base, scores=kind)
    ref.check(f"{kind}_sum", ours.observed_minus_expected[0])
    ref.check(f"{kind}_z", ours.statistic)
    ref.check(f"{kind}_p", ours.p_value)


@pytest.mark.parametrize("kind", SOFTWARE)
def test_score_tests_equal_those_of_r(reference, kind):
    ref = reference("interval_cosmesis_tests")
    ours = compare_arms(
        Intervals(ref.data["left"], ref.data["right"]),
        ref.data["treatment"],
        reference_arm="Rad",
        scores=kind,
        method="score",
    )
    ref.check(f"{kind}_score_chi_square", ours.statistic**2)
    ref.check(f"{kind}_score_p", ours.p_value)


def test_arms_inspected_at_different_ages_part_the_methods(reference):
    # Mice of one arm died or were looked at 226 days later on average: rearranged labels would bring late
    # looks into both arms, so the permutation test asks another question than the likelihood does.
    data = reference("interval_mice_tests").data
    looked = np.where(np.isfinite(data["u"]), data["u"], data["l"])
    late = data["grp"] == "ge"
    assert looked[late].mean() - looked[~late].mean() > 200
    times = Intervals(data["l"], data["u"])
    permuted = compare_arms(times, data["grp"], reference_arm="ce")
    score = compare_arms(times, data["grp"], reference_arm="ce", method="score")
    assert permuted.observed_minus_expected == pytest.approx(score.observed_minus_expected, abs=1e-9)
    assert permuted.statistic**2 == pytest.approx(1.1618, abs=5e-5)
    assert score.statistic**2 == pytest.approx(2.8234, abs=5e-5)
    assert "same_schedule" in {a.name for a in permuted.assumptions}
    assert "same_schedule" not in {a.name for a in score.assumptions}


def test_right_censored_limit_is_the_log_rank_test(reference):
    ref = reference("survival_freireich_logrank")
    time, status = ref.data["time"].to_numpy(float), ref.data["status"].to_numpy()
    ours = compare_arms(Intervals(time, np.where(status == 1, time, inf)), ref.data["trt"], reference_arm="6MP")
    (difference,) = ours.observed_minus_expected
    assert difference == pytest.approx(ref.value("observed") - ref.value("expected"), abs=1e-8)
    ref.check("chi_square", difference**2 / ref.value("variance"))
    # The permutation variance is another one: it conditions on all cases, not on those at risk.
    assert ours.variance[0] > ref.value("variance")


@pytest.mark.parametrize("arms", [2, 3, 4])
def test_wilcoxon_scores_on_exact_times_are_the_kruskal_wallis_test(arms):
    rng = np.random.default_rng(arms)
    time = rng.integers(1, 12, 31).astype(float)
    arm = np.array([f"a{i % arms}" for i in range(31)])
    ours = compare_arms(Intervals(time, time), arm, reference_arm="a0", scores="wilcoxon")
    outside = kruskal(*(time[arm == name] for name in ours.arms))
    chi_square = ours.statistic**2 if arms == 2 else ours.statistic
    assert chi_square == pytest.approx(outside.statistic, rel=1e-9)
    assert ours.p_value == pytest.approx(outside.pvalue, rel=1e-8)
    assert ours.df == arms - 1


def test_trend_is_the_correlation_of_scores_with_the_order_of_the_arms():
    # Linear-by-linear association: Z squared = (n - 1) r squared.
    times, arm = random_cases(1, 60, arms=3)
    order = {"arm0": 0.0, "arm1": 1.0, "arm2": 4.0}
    ours = compare_arms(times, arm, reference_arm="arm0", trend=order)
    from onsetstudy.survival.ranktests.rank_scores import case_scores

    r = pearsonr(case_scores(times).value, [order[a] for a in arm]).statistic
    assert ours.statistic == pytest.approx(np.sqrt(59) * r, rel=1e-7)
    assert (ours.df, ours.statistic_name) == (1, "Z")
    assert ours.contrast == "trend over arm0 = 0, arm1 = 1, arm2 = 4"


# --- by hand --------------------------------------------------------------------------------------------------------


def test_worked_to_fractions():
    # Pooled: three in (0, 1], two in (1, 2], one never: scores 1/2, -1/6, -7/6 (see test_scores).
    # buffered has 2, 1, 0 of them: sum 5/6. Squares: 3/4 + 2/36 + 49/36 = 13/6; variance 3*3/(6*5) * 13/6 = 13/20.
    times, arm = cases(plain=[(0, 1, 1), (1, 2, 1), (2, inf, 1)], buffered=[(0, 1, 2), (1, 2, 1)])
    ours = compare_arms(times, arm, reference_arm="plain")
    assert ours.observed_minus_expected[0] == pytest.approx(5 / 6, abs=1e-12)
    assert ours.variance[0] == pytest.approx(13 / 20, abs=1e-12)
    assert ours.statistic == pytest.approx(5 / 6 / np.sqrt(13 / 20), abs=1e-12)
    assert ours.contrast == "buffered - plain"
    assert ours.n == Counts.of(np.isfinite(times.right), arm, ("plain", "buffered"))


# --- laws -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", ["asymptotic", "score"])
@pytest.mark.parametrize("kind", KINDS)
def test_swapping_the_arms_turns_the_sign(kind, method):
    times, arm = random_cases(2, 50)
    kwargs = {"scores": kind, "method": method, "target_min": 3.0}
    one = compare_arms(times, arm, reference_arm="arm0", **kwargs)
    other = compare_arms(times, arm, reference_arm="arm1", **kwargs)
    assert other.statistic == pytest.approx(-one.statistic, rel=1e-8)
    assert other.p_value == pytest.approx(one.p_value, rel=1e-7)


@examples(300, usual=25)
@given(rows=interval_rows(min_size=4), kind=st.sampled_from(KINDS), seed=st.integers(0, 99))
def test_row_order_weights_time_unit_and_empty_cases_change_nothing(rows, kind, seed):
    rng = np.random.default_rng(seed)
    arm = rng.permutation(np.arange(len(rows)) % 2).astype(str)
    weight = rng.integers(1, 4, len(rows))
    times = Intervals([a for a, _ in rows], [b for _, b in rows])

    def ours(times, arm, factor=1.0, weight=None):
        try:
            test = compare_arms(
                times.rescale(factor),
                arm,
                reference_arm="0",
                scores=kind,
                weight=weight,
                target_min=3.0 * factor if kind == "by_target" else None,
            )
        except NotEstimable as error:
            return error.code
        return pytest.approx(np.array([test.statistic, *test.observed_minus_expected, *test.variance]), abs=1e-5)

    def same(a, b):
        return a == b if isinstance(a, str) or isinstance(b, str) else a.expected == b

    plain = ours(times, arm)
    order = rng.permutation(len(rows))
    assert same(plain, ours(times.take(order), arm[order]))
    assert same(plain, ours(times, arm, factor=60.0))
    split = np.repeat(np.arange(len(rows)), weight)
    assert same(ours(times, arm, weight=weight), ours(times.take(split), arm[split]))
    if not np.any(times.right == 0):
        more = Intervals([*times.left, 0.0, 0.0], [*times.right, inf, inf])
        assert same(plain, ours(more, [*arm, "0", "1"]))


def test_a_sooner_arm_has_a_positive_sum():
    times, arm = cases(plain=grid([1, 3, 5, 6, 4]), buffered=grid([6, 6, 4, 2, 1]))
    for kind in KINDS:
        ours = compare_arms(times, arm, reference_arm="plain", scores=kind, target_min=4.0)
        assert ours.statistic > 2, kind


def test_early_weights_see_an_early_difference_that_is_lost_later():
    # Same share numb at 8 min; buffered sooner in the first two tests only.
    times, arm = cases(plain=grid([2, 6, 12, 8, 2]), buffered=grid([10, 8, 2, 2, 8]))
    z = {kind: compare_arms(times, arm, reference_arm="plain", scores=kind, target_min=2.0).statistic for kind in KINDS}
    assert z["by_target"] > z["early"] > z["wilcoxon"] > z["logrank"]


# --- strata and pieces ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("arms", [2, 3])
@pytest.mark.parametrize("method", ["asymptotic", "score"])
def test_strata_add_up_and_can_be_pooled_from_pieces_alone(arms, method):
    practices = [random_cases(seed, 40 + seed, arms=arms) for seed in range(4)]
    times = Intervals(*(np.concatenate([getattr(t, end) for t, _ in practices]) for end in ("left", "right")))
    arm = np.concatenate([a for _, a in practices])
    practice = np.repeat([f"p{i}" for i in range(4)], [len(t) for t, _ in practices])
    whole = compare_arms(times, arm, reference_arm="arm0", stratum=practice, method=method)
    apart = [piece for t, a in practices for piece in score_pieces(t, a, reference_arm="arm0", method=method)]
    pooled = pool_score_pieces(apart, arms=whole.arms, n=whole.n, method=method)
    assert pooled == combine_pieces(apart, whole.arms, arm_direction(whole.arms, None), whole.n, method, None)
    assert pooled.statistic == pytest.approx(whole.statistic, rel=1e-10)
    assert pooled.p_value == pytest.approx(whole.p_value, rel=1e-10)
    assert pooled.df == whole.df == (1 if arms == 2 else arms - 1)
    assert pooled.observed_minus_expected == pytest.approx(whole.observed_minus_expected, rel=1e-10)
    assert pooled.variance == pytest.approx(whole.variance, rel=1e-10)
    assert [p.stratum for p in whole.pieces] == ["p0", "p1", "p2", "p3"]
    # The way through JSON is exact.
    again = pool_score_pieces(from_dict(whole.to_dict()).pieces)
    assert again.statistic == pytest.approx(whole.statistic, rel=1e-12)
    assert {c.code for c in again.caution} == {"onsets_unknown"}
    assert (again.n.cases, pooled.n, pooled.caution) == (whole.n.cases, whole.n, ())


def test_a_trend_can_be_pooled_from_pieces():
    order = {"arm0": 0.0, "arm1": 1.0, "arm2": 2.0}
    times, arm = random_cases(5, 80, arms=3)
    practice = np.arange(80) % 2
    whole = compare_arms(times, arm, reference_arm="arm0", stratum=practice, trend=order)
    pooled = pool_score_pieces(whole.pieces, arms=whole.arms, trend=order)
    assert pooled.contrast == "trend over arm0 = 0, arm1 = 1, arm2 = 2"
    assert (pooled.statistic, pooled.p_value) == pytest.approx((whole.statistic, whole.p_value), rel=1e-12)


def test_strata_without_two_arms_add_nothing_and_are_named():
    times, arm = random_cases(3, 40)
    more = Intervals([*times.left, 0, 1, 2], [*times.right, 1, 2, 3])
    stratum = np.array(["ianb"] * 40 + ["mental"] * 3)
    ours = compare_arms(more, [*arm, "arm0", "arm0", "arm0"], reference_arm="arm0", stratum=stratum)
    alone = compare_arms(times, arm, reference_arm="arm0")
    assert ours.statistic == pytest.approx(alone.statistic, rel=1e-12)
    assert [p.stratum for p in ours.pieces] == ["ianb"]
    assert [c.text for c in ours.caution if c.code == "stratum_without_arm"] == [
        "3 cases in strata where fewer than two arms have cases add nothing to the test: mental."
    ]


def test_cases_without_a_reading_are_told():
    times, arm = random_cases(3, 40)
    more = Intervals([*times.left, 0, 0], [*times.right, inf, inf])
    ours = compare_arms(more, [*arm, "arm0", "arm1"], reference_arm="arm0")
    assert [c.text for c in ours.caution if c.code == "cases_without_reading"] == [
        "2 cases without any reading that narrows their onset are not used by the test."
    ]
    assert ours.n.cases == 42


# --- result and words -----------------------------------------------------------------------------------------------


def test_result_travels_and_frames():
    times, arm = random_cases(4, 30)
    ours = compare_arms(times, arm, reference_arm="arm0", method="permutation", seed=1, max_enumeration=10)
    assert from_dict(ours.to_dict()) == ours
    assert isinstance(ours, HypothesisTest)
    row = ours.to_frame().iloc[0]
    assert (row["quantity"], row["contrast"], row["unit"], row["n"]) == ("onset_test", "arm1 - arm0", "Z", 30)
    assert ours.method == "log-rank (Sun) scores; permutation test, 9,999 arrangements drawn"
    assert ours.source == "sun_1996"


def test_few_onsets_are_told():
    times, arm = cases(plain=grid([2, 1, 20]), buffered=grid([6, 6, 11]))
    ours = compare_arms(times, arm, reference_arm="plain")
    assert [c.text for c in ours.caution] == ["Few onsets were seen (3 in plain): the P value is approximate."]


NOTHING = (
    "The onset test is not estimable: there is nothing to compare: no group of cases holds two arms whose cases differ "
    "in when they became numb (for example, all were numb at the first test, or none became numb)."
)


@pytest.mark.parametrize("method", ["asymptotic", "permutation", "score"])
@pytest.mark.parametrize(
    "gaps",
    [
        [(0, 2, 5)],  # all numb at the first test
        [(8, inf, 5)],  # none became numb
        [(0, inf, 5)],  # no reading at all
        [(2, 2, 5)],  # all at the same moment
    ],
)
def test_nothing_to_compare_is_said_so(gaps, method):
    times, arm = cases(plain=gaps, buffered=gaps)
    with pytest.raises(NotEstimable) as found:
        compare_arms(times, arm, reference_arm="plain", method=method)
    assert (found.value.code, str(found.value)) == ("no_information", NOTHING)
    assert score_pieces(times, arm, reference_arm="plain") == ()


def test_strata_that_each_hold_one_arm_cannot_be_compared():
    times, arm = random_cases(1, 20)
    with pytest.raises(NotEstimable, match="nothing to compare"):
        compare_arms(times, arm, reference_arm="arm0", stratum=arm)


def test_all_problems_of_the_labels_come_at_once():
    times = Intervals([0, 1, 2, 3], [1, 2, 3, inf])
    with pytest.raises(OnsetStudyError) as found:
        compare_arms(
            times,
            ["buffered", None, "plain", "plain"],
            reference_arm="plain",
            stratum=["a", "b"],
            block=np.ones((4, 2)),
            cluster=["x", "y", "z", np.nan],
            weight=[1, 0.5, -1, 2],
        )
    assert str(found.value) == "\n".join(
        [
            "key arm: arm is missing for case 1 (counted from 0). Name the arm of every case or leave the case out.",
            "key stratum: stratum has 2 entries for 4 cases. Give one stratum per case.",
            "key cluster: cluster is missing for case 3 (counted from 0). "
            "Name the cluster of every case or leave the case out.",
            "key block: block has the shape (4, 2) for 4 cases. Give one block per case.",
            "key weight: weight is not a whole number of 0 or more: 0.5 for case 1, -1 for case 2 (counted from 0). "
            "A weight says how many like cases a row stands for.",
        ]
    )


@pytest.mark.parametrize(
    ("kwargs", "words"),
    [
        (
            {"reference_arm": "saline"},
            "key reference_arm: no case belongs to the reference arm 'saline'; arms seen: buffered, plain. "
            "Name the arm that the others are compared with, as it stands in the records.",
        ),
        (
            {"arm": ["plain"] * 4},
            "key arm: all 4 cases belong to the arm 'plain'. A comparison needs cases of at least two arms.",
        ),
        (
            {"arm": ["plain"] * 3},
            "key arm: arm has 3 entries for 4 cases. Give one arm per case.",
        ),
        (
            {"method": "exact"},
            'key method: the method \'exact\' is not known. Choose "asymptotic", "permutation" or "score".',
        ),
        (
            {"method": "score", "block": [1, 1, 2, 2]},
            "key method: the score test takes all cases as independent, which blocks and clusters say they are not. "
            'Choose "asymptotic" or "permutation" where block or cluster is given.',
        ),
        (
            {"cluster": ["x", "x", "y", "z"]},
            "key cluster: cluster x holds more than one arm. Whole clusters change places, so each must lie in one "
            "arm; where the arms were allocated within it, give it as block instead.",
        ),
        (
            {"trend": {"plain": 0.0, "half": 1.0}},
            "key trend: trend has no score for the arm 'buffered'. Give one.\n"
            "key trend: trend gives 1.0 for the arm 'half'. Give a finite number for an arm that occurs.",
        ),
        (
            {"trend": {"plain": 1.0, "buffered": 1.0}},
            "key trend: trend gives all arms the same score. Give scores in the order in which onset may change, "
            "for example 0, 1, 2.",
        ),
        (
            {"method": "permutation", "max_enumeration": 1},
            "key seed: there are too many arrangements of the arms (6) to go through all of them. "
            "Give a seed, so that the arrangements drawn at random can be drawn again.",
        ),
        (
            {"method": "permutation", "max_enumeration": 1, "seed": 1, "n_resamples": 0},
            "key n_resamples: n_resamples is 0. Write a whole number from 1 to 100 million; 9999 is usual.",
        ),
    ],
)
def test_words_of_errors(kwargs, words):
    times = Intervals([0, 1, 2, 3], [1, 2, 3, inf])
    given_ = {"arm": ["buffered", "plain", "buffered", "plain"], "reference_arm": "plain", **kwargs}
    with pytest.raises(OnsetStudyError) as found:
        compare_arms(times, **given_)
    assert str(found.value) == words


def test_pieces_of_unlike_tests_are_refused():
    two = ScorePiece(stratum="a", cases=10, observed_minus_expected=(1.0,), variance=(2.0,))
    three = ScorePiece(stratum="b", cases=10, observed_minus_expected=(1.0, 0.0), variance=(2.0, 0.0, 0.0, 2.0))
    with pytest.raises(OnsetStudyError) as found:
        pool_score_pieces([two, three])
    assert str(found.value) == (
        "key pieces: the pieces are of 2, 3 arms, not all of 3. Pool only pieces with the same arms in the same order."
    )
    with pytest.raises(NotEstimable):
        pool_score_pieces([])
    with pytest.raises(OnsetStudyError, match="not all of 3"):
        pool_score_pieces([two], arms=("a", "b", "c"))


@pytest.mark.parametrize(
    ("observed", "variance"),
    [
        ((1.0,), (-2.0,)),
        ((1.0,), (inf,)),
        ((math.nan,), (2.0,)),
        ((1.0, 0.0), (2.0, 0.5, 0.0, 2.0)),
        ((1.0, 0.0), (1.0, 2.0, 2.0, 1.0)),
    ],
)
def test_pieces_that_hold_no_covariance_are_refused(observed, variance):
    bad = ScorePiece(stratum="b", cases=10, observed_minus_expected=observed, variance=variance)
    sound = tuple(np.eye(len(observed)).ravel().tolist())
    good = ScorePiece(stratum="a", cases=10, observed_minus_expected=(1.0,) * len(observed), variance=sound)
    with pytest.raises(OnsetStudyError, match="the stratum 'b' holds no covariance of its scores"):
        pool_score_pieces([good, bad])


def test_labels_are_numbered_in_order_of_their_names_and_arms_from_the_reference():
    found = label_cases(Intervals([0, 1, 2], [1, 2, 3]), ["b", "a", "b"], reference_arm="b", stratum=["y", "x", "y"])
    assert (found.arm.tolist(), found.arms) == ([0, 1, 0], ("b", "a"))
    assert (found.stratum.tolist(), found.strata) == ([1, 0, 1], ("x", "y"))
