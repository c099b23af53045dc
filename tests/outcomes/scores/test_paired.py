"""Within patients: printed values, brute force over signs, order effects by hand, guesses."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.results import Counts, Estimate, HypothesisTest, NotAvailable
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.inference.parameter import Parameter
from onsetstudy.inference.proportions import newcombe_paired_difference
from onsetstudy.outcomes.scores.blinding import blinding_index
from onsetstudy.outcomes.scores.signed_ranks import _limits, _tested, _walsh, signed_ranks
from onsetstudy.outcomes.scores.within_patient import compare_pairs, mean_within_patients, order_effects

X = np.array([1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30])
Y = np.array([0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29])


def signed_rank_shift(difference, conf_level=0.95):
    """Middle, and limits before one that lies at no difference is drawn beside it."""
    return (np.median(_walsh(difference)), *_limits(difference, *_tested(difference), 1 - conf_level))


def limit_rank(n, level=0.95):
    """Largest k with P(V < k) at most half of one minus the level, without ties, by the normal approximation."""
    return int(n * (n + 1) / 4 + stats.norm.ppf((1 - level) / 2) * np.sqrt(n * (n + 1) * (2 * n + 1) / 24))


def test_the_printed_pairs():
    """Hollander & Wolfe, depression scores of nine patients: V 40, P .0390625, shift .46 (.010, .786) (base R)."""
    found = compare_pairs(Y, X, arms=("y", "x"), unit="points")
    assert found.shift.estimate == pytest.approx(0.46)
    assert (found.shift.interval.low, found.shift.interval.high) == pytest.approx((0.010, 0.786), abs=5e-4)
    assert found.test.statistic == 40
    assert found.test.p_value == pytest.approx(0.0390625)
    assert (found.pairs, found.incomplete) == (9, 0)


@pytest.mark.parametrize("n", [6, 8, 10])
def test_the_limit_is_that_of_all_signs(n):
    """P(V < k) over all 2^n signs: at most 2.5 % at the limit, more at the next."""
    ranks = np.arange(1, n + 1)
    values = np.array([ranks[np.array(s, dtype=bool)].sum() for s in itertools.product([0, 1], repeat=n)])
    difference = np.random.default_rng(n).normal(1.0, 2, n)
    walsh = np.sort((difference[:, None] + difference)[np.triu_indices(n)] / 2)
    _, low, high = signed_rank_shift(difference)
    k = int(np.argmin(np.abs(walsh - low))) + 1
    assert (low, high) == pytest.approx((walsh[k - 1], walsh[-k]))
    assert np.mean(values < k) <= 0.025 < np.mean(values < k + 1)


@pytest.mark.parametrize("level", [0.9375, 0.95])
def test_pairs_that_no_middle_is_ruled_out_by_are_too_few(level):
    """Of five pairs the smallest P is 2 of 32, which does not lie below one less 93.75 %."""
    with pytest.raises(NotEstimable) as refused:
        signed_ranks(np.arange(1.0, 6.0), level)
    assert refused.value.code == "too_few_pairs"
    assert signed_ranks(np.arange(1.0, 6.0), 0.9).low == 1.0


def test_large_samples_join_small_ones():
    for n in (50, 51):
        difference = np.random.default_rng(n).normal(1.0, 2, n)
        walsh = np.sort((difference[:, None] + difference)[np.triu_indices(n)] / 2)
        k = limit_rank(n)
        assert walsh[k - 3] <= signed_rank_shift(difference)[1] <= walsh[k + 1]
    rng = np.random.default_rng(1)
    middle, low, high = signed_rank_shift(rng.normal(1.0, 2, 200))
    assert low < 1.0 < high
    assert low < middle < high


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(-20, 20), min_size=8, max_size=16), st.integers(-5, 5))
def test_moving_and_turning(values, move):
    difference = np.array(values, dtype=float)
    middle, low, high = signed_rank_shift(difference)
    moved = signed_rank_shift(difference + move)
    turned = signed_rank_shift(-difference)
    assert moved[0] == pytest.approx(middle + move)
    # Only an end that is drawn out stops at no difference, which does not move with the scores.
    for end, other in zip(moved[1:], (low, high), strict=True):
        assert end == pytest.approx(other + move) or 0 in (end, other)
    assert turned == pytest.approx((-middle, -high, -low))
    assert low <= middle <= high


def test_missing_scores_take_their_pair_with_them():
    x, y = X.copy(), Y.copy()
    x[0], y[3] = np.nan, np.nan
    found = compare_pairs(y, x, arms=("y", "x"), unit="points")
    assert (found.pairs, found.incomplete) == (7, 2)
    few = compare_pairs(Y[:4], X[:4], arms=("y", "x"), unit="points")
    assert few.shift.code == "too_few_pairs"
    none = compare_pairs(np.full(3, np.nan), X[:3], arms=("y", "x"), unit="points")
    assert none.shift.code == "no_pairs"
    same = compare_pairs(X, X, arms=("y", "x"), unit="points")
    assert isinstance(same.test, NotAvailable)
    with pytest.raises(OnsetStudyError):
        compare_pairs(X[:3], Y, arms=("y", "x"), unit="points")
    with pytest.raises(NotEstimable):
        signed_rank_shift(X[:3])
    assert from_dict(to_dict(found)) == found


def test_ties_and_many_pairs_use_the_normal_approximation():
    rng = np.random.default_rng(2)
    found = compare_pairs(np.round(rng.normal(0, 3, 80)), np.round(rng.normal(1, 3, 80)), arms=("y", "x"), unit="mm")
    assert isinstance(found.test, HypothesisTest)
    assert "normal approximation" in found.test.method


def test_order_effects_by_construction():
    """Arm effect -10, step from first to second injection +4, carry-over 0: found whatever the patients' own level."""
    rng = np.random.default_rng(3)
    n = 40
    level = rng.normal(50, 20, n)
    plain_first = np.arange(n) % 2 == 0
    first = level + np.where(plain_first, 0, -10)
    second = level + 4 + np.where(plain_first, -10, 0)
    order = np.where(plain_first, "plain first", "buffered first")
    # Steps that are all alike in either order have a shift of no width, which nobody can be so sure of.
    sure = order_effects(first, second, order, orders=("plain first", "buffered first"), unit="mm")
    assert sure.period.code == "scores_alike"
    second = second + np.resize([-1, -1, 1, 1], second.size)
    found = order_effects(first, second, order, orders=("plain first", "buffered first"), unit="mm")
    assert found.period.estimate == pytest.approx(4)
    assert found.sequences == (("plain first", 20), ("buffered first", 20))
    assert found.sequence.interval.low < 0 < found.sequence.interval.high
    carried = order_effects(
        first, second + np.where(plain_first, 0, 60), order, orders=("plain first", "buffered first"), unit="mm"
    )
    assert carried.sequence.interval.low > 0
    few = order_effects(first[:2], second[:2], order[:2], orders=("plain first", "buffered first"), unit="mm")
    assert isinstance(few.period, NotAvailable)


def guesses(right, wrong, unsure, arm="plain"):
    other = "buffered" if arm == "plain" else "plain"
    return np.array([arm] * right + [other] * wrong + ["unsure"] * unsure)


def index(said, arm="plain"):
    found = blinding_index(
        {"patient": said}, np.full(said.size, arm), arms=("plain", "buffered"), intended={"patient": True}
    )
    return found.lines[0]


def test_the_index_by_hand():
    """12 right, 6 wrong, 12 unsure of 30: .2, standard error sqrt((.6 - .04) / 30) = .1366."""
    found = index(guesses(12, 6, 12))
    assert found.index.estimate == pytest.approx(0.2)
    assert found.index.std_error == pytest.approx(0.13663, abs=5e-6)
    assert (found.right, found.wrong, found.unsure) == (12, 6, 12)
    assert index(guesses(20, 0, 0)).index.estimate == 1
    assert index(guesses(0, 20, 0)).index.estimate == -1
    assert index(guesses(0, 0, 20)).index.estimate == 0
    assert index(guesses(2, 1, 1)).index.code == "too_few"


@pytest.mark.parametrize(("n", "least"), [(6, 0.87), (12, 0.9), (20, 0.91), (40, 0.92)])
def test_limits_of_the_index_hold(n, least):
    """Coverage of 95 % limits by counting, over a grid of chances of right and of wrong guesses."""
    said = np.array([(r, w, n - r - w) for r in range(n + 1) for w in range(n + 1 - r)])
    span = np.array([newcombe_paired_difference(0, *(int(k) for k in row)) for row in said])
    covered = []
    for right, wrong in ((r, w) for r in np.arange(0, 1.01, 0.1) for w in np.arange(0, 1.01 - r, 0.1)):
        chance = stats.multinomial.pmf(said, n, [right, wrong, max(0.0, 1 - right - wrong)])
        covered.append(chance[(span[:, 0] <= right - wrong + 1e-9) & (right - wrong - 1e-9 <= span[:, 1])].sum())
    assert min(covered) > least
    assert np.mean(covered) > 0.945
    every = index(guesses(n, 0, 0)).index
    assert (every.interval.low, every.interval.high) == newcombe_paired_difference(0, n, 0, 0)
    assert every.interval.low < 0.9


@pytest.mark.parametrize("step", [1.1, 0.1, 0.3])
def test_differences_within_patients_that_rounding_tells_apart_do_not_vary(step):
    reference = np.array([3.3, 4.7, 2.2, 5.1, 6.3, 1.2, 7.4])
    of = Parameter(quantity="pain", contrast="x - y", unit="cm", n=Counts(cases=14, onsets=14), conf_level=0.95)
    pairs = np.c_[np.arange(7), np.arange(7, 14)]
    assert mean_within_patients(np.r_[reference, reference - step], pairs, of).code == "no_spread"
    spread = mean_within_patients(np.r_[reference, reference - step - 1e-3 * np.arange(7)], pairs, of)
    assert isinstance(spread, Estimate)


def test_who_was_not_asked_does_not_count():
    said = np.array(["", "plain", "unsure", "buffered", "plain", "plain", ""])
    found = index(said)
    assert found.right + found.wrong + found.unsure == 5
    nobody = blinding_index(
        {"patient": np.array(["", ""])}, np.array(["plain", "plain"]), arms=("plain", "buffered"), intended={}
    )
    assert nobody.lines == ()
    assert isinstance(index(guesses(12, 6, 12)).index, Estimate)


@pytest.mark.parametrize(
    ("difference", "p_value"),
    [
        # By counting signs: two of the 32 are as extreme; of 128, those with the one or none, on either side.
        ([10] * 5, 2 / 32),
        ([10, 10, 10, 10, 10, 10, -10], 2 * 8 / 128),
    ],
)
def test_ties_by_counting_all_signs(difference, p_value):
    found = compare_pairs(np.zeros(len(difference)), np.array(difference, float), arms=("y", "x"), unit="points")
    assert found.test.p_value == pytest.approx(p_value, abs=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_tied_signed_ranks_against_every_permutation(seed):
    """All signs enumerated by scipy.stats.permutation_test with the rank sum as statistic."""
    rng = np.random.default_rng(seed)
    difference = np.round(rng.normal(2, 4, 11))
    difference = np.where(difference == 0, 1.0, difference)
    ranks = stats.rankdata(np.abs(difference))

    def signed(values):
        return np.sum(np.sign(values) * ranks)

    every = stats.permutation_test((difference,), signed, permutation_type="samples", n_resamples=np.inf)
    found = compare_pairs(np.zeros(11), difference, arms=("y", "x"), unit="points").test
    assert found.p_value == pytest.approx(every.pvalue, abs=1e-12)
    assert "exact over all signs" in found.method


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(-4, 4), min_size=7, max_size=20), st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.98]))
def test_limits_and_p_are_of_one_test(values, level):
    """No difference is left out where P is below one minus the level, and nowhere else, however scores are tied."""
    difference = np.array(values, dtype=float)
    found = signed_ranks(difference, level)
    assert (found.low <= 0 <= found.high) == (found.p_value >= 1 - level)
    assert found.low <= found.middle <= found.high
    turned = signed_ranks(-difference, level)
    assert turned == pytest.approx((-found.middle, -found.high, -found.low, found.p_value))
    # But for a limit that would lie at no difference they are those of every other value.
    for end, plain in zip((found.low, found.high), signed_rank_shift(difference, level)[1:], strict=True):
        assert end == plain or (plain == 0 and found.p_value < 1 - level and abs(end) <= 0.1 * 4)
    told = compare_pairs(np.zeros(len(values)), difference, arms=("y", "x"), unit="points", conf_level=level)
    assert isinstance(told.test, HypothesisTest) == difference.any()
    assert not difference.any() or told.test.p_value == found.p_value
    if isinstance(told.shift, NotAvailable):
        assert told.shift.code == "scores_alike"
        assert len(set(values)) == 1
        return
    assert found.low < found.high
    assert (told.shift.interval.low, told.shift.interval.high) == (found.low, found.high)


@pytest.mark.parametrize("step", [1, 2, 5])
@pytest.mark.parametrize("n", [9, 30, 60])
def test_limits_of_a_higher_level_hold_those_of_a_lower_one(n, step):
    """Differences in whole points, steps of two and of five, most of them alike."""
    rng = np.random.default_rng([n, step])
    for shift in (0, step) * 20:
        difference = step * np.rint(rng.normal(0, 1.3, n) / step) + shift
        if np.ptp(difference) == 0:
            continue
        found = [signed_ranks(difference, level) for level in (0.8, 0.9, 0.95, 0.99)]
        for narrow, wide in itertools.pairwise(found):
            assert wide.low <= narrow.low < narrow.high <= wide.high
            assert wide.p_value == narrow.p_value


@pytest.mark.parametrize("n", [40, 70])
def test_many_tied_pairs_agree_too(n):
    rng = np.random.default_rng(n)
    for _ in range(40):
        difference = np.round(rng.normal(0.35, 1.4, n))
        found = signed_ranks(difference)
        assert (found.low <= 0 <= found.high) == (found.p_value >= 0.05)
        # By scipy, at no difference itself; more only where the test is not monotone.
        by_scipy = stats.wilcoxon(difference, method="asymptotic", correction=False).pvalue
        assert found.p_value >= by_scipy - (1e-9 if n > 50 else 0.01)


def test_a_limit_at_no_difference_that_is_ruled_out_is_drawn_beside_it():
    """Whole scores: three of 12 do not differ, eight of nine others are positive. Of 0.25 all signs count."""
    difference = np.array([-1, 0, 0, 0, 1, 1, 1, 1, 1, 1, 2, 2], dtype=float)
    # By counting: ranks 4 (seven tied) and 8.5 (two); as small a sum as 4 has one of seven signs, or none, either side.
    found = signed_ranks(difference)
    assert found.p_value == pytest.approx(2 * 8 / 2**9)
    assert signed_rank_shift(difference) == (1.0, 0.0, 1.5)
    assert (found.low, found.high) == (0.05, 1.5)
    turned = signed_ranks(-difference)
    assert (turned.low, turned.high) == (-1.5, -0.05)


def test_where_most_pairs_do_not_differ_the_middle_lies_within_its_limits():
    """Of 30 pairs ten differ, nine to one side: rejected by counting, though the middle of the means of two is 0."""
    difference = np.array([0] * 20 + [1] * 9 + [-1], dtype=float)
    found = signed_ranks(difference)
    assert found.p_value == pytest.approx(2 * 11 / 2**10)
    assert signed_rank_shift(difference)[0] == 0
    assert 0 < found.low <= found.middle <= found.high
    # At a level at which it is not rejected the middle is 0 itself.
    wide = signed_ranks(difference, 0.99)
    assert wide.low <= 0 == wide.middle <= wide.high


@pytest.mark.parametrize("n", [30, 60])
def test_scores_of_which_many_are_alike_agree_with_their_p(n):
    rng = np.random.default_rng(n)
    for _ in range(150):
        found = signed_ranks(rng.choice([-1.0, 0, 0, 0, 0, 1, 1, 2], n))
        assert (found.low <= 0 <= found.high) == (found.p_value >= 0.05)
        assert found.low <= found.middle <= found.high


@pytest.mark.parametrize(
    ("values", "p_value", "limits"),
    [
        # All six that differ do so to one side: two of 64. Every other middle is rejected too, for 34 lie beside it.
        ([0] * 34 + [1] * 6, 2 / 2**6, (0.05, 0.5)),
        # Eight of nine: no sign or one to the other side, either way.
        ([0] * 34 + [-1] + [1] * 8, 2 * 10 / 2**9, (0.05, 0.5)),
        # Only the value of most is not rejected: its neighbours are means of two half a point away.
        ([0] * 15 + [1] * 3 + [-1] * 2, 1.0, (-0.5, 0.5)),
        ([-1] * 16 + [-2, 0], 2 / 2**17, (-1.5, -0.5)),
    ],
)
def test_differences_too_coarse_for_a_smaller_one_have_limits_at_their_neighbours(values, p_value, limits):
    difference = np.array(values, dtype=float)
    found, turned = signed_ranks(difference), signed_ranks(-difference)
    assert found.p_value == pytest.approx(p_value)
    assert (found.low, found.high) == pytest.approx(limits)
    assert found.low <= found.middle <= found.high
    assert turned == pytest.approx((-found.middle, -found.high, -found.low, found.p_value))


def test_coarse_differences_never_contradict_their_p():
    """Mostly 0, the rest few whole points to one side or both: limits of some width, on the side of the ranks."""
    rng = np.random.default_rng(0)
    for _ in range(300):
        n, most = int(rng.integers(6, 70)), int(rng.integers(1, 4))
        size = np.where(rng.random(n) < rng.random(), 0.0, rng.integers(1, most + 1, n))
        difference = size * np.where(rng.random(n) < rng.random(), 1, -1)
        if np.ptp(difference) == 0:
            continue
        found = signed_ranks(difference)
        assert found.low < found.high
        assert found.low <= found.middle <= found.high
        assert (found.low <= 0 <= found.high) == (found.p_value >= 0.05)
        if found.p_value < 0.05:
            ranks = stats.rankdata(np.abs(difference)) - np.sum(difference == 0)
            assert np.sign(found.middle) == np.sign(np.sum(np.sign(difference) * ranks))


@pytest.mark.parametrize("value", [0.0, -1.0])
def test_differences_that_are_all_alike_have_no_certain_shift(value):
    found = compare_pairs(np.full(20, 5.0), np.full(20, 5 + value), arms=("y", "x"), unit="points")
    assert found.shift.code == "scores_alike"
    assert isinstance(found.test, NotAvailable) == (value == 0)
    assert value == 0 or found.test.p_value == pytest.approx(2 / 2**20)


def test_many_different_means_of_two_are_not_all_tried():
    rng = np.random.default_rng(5)
    difference = rng.normal(0.3, 1, 120)
    assert difference.size * (difference.size + 1) / 2 > 3 * 2000
    found = signed_ranks(difference)
    walsh = np.sort((difference[:, None] + difference)[np.triu_indices(120)] / 2)
    k = limit_rank(120)
    near = (walsh[k - 1 - 8], walsh[k - 1 + 8], walsh[-k - 8], walsh[-k + 8])
    assert near[0] <= found.low <= near[1]
    assert near[2] <= found.high <= near[3]


def test_what_subtracting_leaves_breaks_no_ties():
    """0.3 - 0.1 is 0.2 as 0.2 - 0 is."""
    reference, other = np.array([0.1, 0.2, 0.0, 0.7, 0.3, 0.0, 0.4]), np.array([0.3, 0.4, 0.2, 0.5, 0.6, 0.3, 0.4])
    whole = compare_pairs(np.rint(10 * reference), np.rint(10 * other), arms=("y", "x"), unit="cm")
    tenths = compare_pairs(reference, other, arms=("y", "x"), unit="cm")
    assert (tenths.test.p_value, tenths.test.statistic) == (whole.test.p_value, whole.test.statistic)
    assert tenths.shift.interval.low == pytest.approx(whole.shift.interval.low / 10)
