"""The test that may be looked at whenever: a martingale by enumeration, laws, a printed value, an honest error rate."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.design.size_results import OnsetExpectation
from onsetstudy.design.trials.draws import draw_trials
from onsetstudy.design.trials.results import TrialScenario
from onsetstudy.survival.sequential.confidence_sequences import success_sequence
from onsetstudy.survival.sequential.e_values import anytime_test
from tests.survival.sequential.anytime_paths import many_anytime_paths

GRID = (1.0, 2.0, 3.0, 4.0, 6.0)
ENDS = np.array([0.0, *GRID, np.inf])

cells = st.tuples(st.integers(0, 4), st.integers(1, 6)).filter(lambda c: c[0] < c[1])


def intervals(pairs):
    left, right = zip(*((ENDS[a], ENDS[b]) for a, b in pairs), strict=True)
    return np.array(left), np.array(right)


@settings(max_examples=20, deadline=None)
@given(st.lists(cells, min_size=4, max_size=4))
def test_the_mean_over_all_orders_of_blocks_is_one(pairs):
    """Two blocks of two: each of the four allocations is equally likely under no difference."""
    left, right = intervals(pairs)
    total = 0.0
    for first, second in itertools.product([(True, False), (False, True)], repeat=2):
        other = np.array([first, second])[None]
        path = many_anytime_paths(left.reshape(1, 2, 2), right.reshape(1, 2, 2), other, grid_min=GRID)
        total += path[0, -1] / 4
    assert total == pytest.approx(1.0, abs=1e-12)


@settings(max_examples=20, deadline=None)
@given(st.lists(cells, min_size=4, max_size=4))
def test_a_block_left_at_one_case_tells_nothing_whatever_the_ratio_of_arms(pairs):
    """Two to one: a whole block of three in each of its orders, and then one case, twice as often of the second arm."""
    left, right = intervals(pairs)
    total = 0.0
    for place, last in itertools.product(range(3), [("b", 2 / 3), ("a", 1 / 3)]):
        names = np.array(["a" if k == place else "b" for k in range(3)] + [last[0]])
        found = anytime_test(
            Intervals(left, right), names, reference_arm="a", block=[0, 0, 0, 1], grid_min=GRID, ratios=(2.2,)
        )
        total += found.e_value * last[1] / 3
    assert total == pytest.approx(1.0, abs=1e-12)


def test_a_block_of_four_by_hand():
    """A first block of four, one gap: S(1) = 5/6 before any case (half a case over six gaps), theta 4, so a = 2.
    In (0, 1]: f1 = 1 - (5/6)^2, f0 = 1 - (5/6)^.5. Beyond: f1 = (5/6)^2, f0 = (5/6)^.5. Never numb: 0.95 / 6."""
    left, right = np.array([0.0, 1.0, 0.0, 1.0]), np.array([1.0, np.inf, 1.0, np.inf])
    other = np.array([True, False, True, False])

    def by_hand(never):
        s = (5 / 6 - never) / (1 - never)
        end = never / (1 - never)
        early = (1 - s**2) / (1 - s**0.5)
        late = (s**2 + end) / (s**0.5 + end)
        told = [early, late, early, late]
        mean = np.mean([math.prod(told[i] for i in pair) for pair in itertools.combinations(range(4), 2)])
        return early * early / mean

    found = anytime_test(
        Intervals(left, right),
        np.where(other, "b", "a"),
        reference_arm="a",
        block=["x"] * 4,
        grid_min=GRID,
        ratios=(4.0,),
    )
    assert found.path[:3].tolist() == [1, 1, 1]
    assert found.e_value == pytest.approx((by_hand(0.0) + by_hand(0.95 / 6)) / 2, rel=1e-12)


def simulated(ratio, studies=1, cases=200, seed=1, never=0.1):
    expected = OnsetExpectation(median_min=3, never_reference=never, never_other=never)
    scenario = TrialScenario(cases=cases, expected=expected, hazard_ratio=ratio, tests_min=GRID, confirmations=1)
    return draw_trials(scenario, studies, np.random.default_rng(seed))


def test_one_study_and_many_give_the_same_path():
    drawn = simulated(1.5, studies=3, cases=40)
    shape = (3, 20, 2)
    many = many_anytime_paths(*(v.reshape(shape) for v in (drawn.left, drawn.right, drawn.other)), grid_min=GRID)
    for k in range(3):
        one = anytime_test(
            Intervals(drawn.left[k], drawn.right[k]), np.where(drawn.other[k], "b", "a"), reference_arm="a",
            block=np.repeat(np.arange(20), 2), grid_min=GRID,
        )  # fmt: skip
        assert one.path[1::2] == pytest.approx(many[k], rel=1e-10)
        assert one.path[2::2] == pytest.approx(many[k][:-1], rel=1e-10)


def test_an_effect_is_found_and_its_side_told():
    for ratio, low, high in ((2.5, 1.3, 9), (0.4, 0.1, 0.8)):
        drawn = simulated(ratio)
        found = anytime_test(
            Intervals(drawn.left[0], drawn.right[0]), np.where(drawn.other[0], "b", "a"), reference_arm="a",
            block=np.repeat(np.arange(100), 2), grid_min=GRID,
        )  # fmt: skip
        assert found.highest > 50
        assert low < found.leaning < high
        assert found.p_value == pytest.approx(1 / found.highest)
        assert 2 <= found.crossed_at(0.05) <= 200
        assert found.crossed_at(1e-300) is None


def test_thousands_of_cases_that_speak_alike_leave_numbers():
    other, block = np.tile([False, True], 2000), np.repeat(np.arange(2000), 2)
    times = Intervals(np.where(other, 0.0, 3.0), np.where(other, 1.0, np.inf))
    found = anytime_test(times, np.where(other, "b", "a"), reference_arm="a", block=block, grid_min=[1.0, 2.0, 3.0])
    assert np.isfinite(found.path).all()
    assert found.p_value > 0
    assert found.leaning == pytest.approx(2.2)


def test_names_of_arms_and_blocks_change_nothing_but_the_side():
    drawn = simulated(1.8, cases=60)
    times, other, block = Intervals(drawn.left[0], drawn.right[0]), drawn.other[0], np.repeat(np.arange(30), 2)
    one = anytime_test(times, np.where(other, "b", "a"), reference_arm="a", block=block, grid_min=GRID)
    turned = anytime_test(times, np.where(other, "b", "a"), reference_arm="b", block=block, grid_min=GRID)
    named = anytime_test(
        times, np.where(other, "z", "y"), reference_arm="y", block=[f"k{b}" for b in block], grid_min=GRID
    )
    assert one.path == pytest.approx(turned.path, rel=1e-9)  # sooner and later are averaged alike
    assert one.leaning == pytest.approx(1 / turned.leaning)
    assert one.path == pytest.approx(named.path, rel=1e-12)


def test_strata_have_curves_of_their_own():
    drawn = simulated(1.5, cases=80)
    times, other = Intervals(drawn.left[0], drawn.right[0]), drawn.other[0]
    block, stratum = np.repeat(np.arange(40), 2), np.repeat(["x", "y"], 40)
    both = anytime_test(
        times, np.where(other, "b", "a"), reference_arm="a", block=block, grid_min=GRID, stratum=stratum, ratios=(1.5,)
    )
    assert np.isfinite(both.path).all()
    half = [slice(0, 40), slice(40, 80)]
    parts = [
        anytime_test(
            times.take(np.arange(80)[h]),
            np.where(other[h], "b", "a"),
            reference_arm="a",
            block=block[h],
            grid_min=GRID,
            ratios=(1.5,),
        )
        for h in half
    ]
    # With a single family the product of the parts would be the whole; two are averaged after the product.
    assert both.e_value >= 0.5 * parts[0].e_value * parts[1].e_value * 0.1
    assert both.path[:40] == pytest.approx(parts[0].path)


@pytest.mark.parametrize("block", [2, 4])
@pytest.mark.parametrize("never", [0.0, 0.4])
def test_the_error_is_kept_with_a_look_after_every_block(block, never):
    drawn = simulated(1.0, studies=3000, cases=120, never=never)
    shape = (3000, 120 // block, block)
    path = many_anytime_paths(*(v.reshape(shape) for v in (drawn.left, drawn.right, drawn.other)), grid_min=GRID)
    share = np.mean((path >= 20).any(axis=1))
    assert share < 0.05
    assert share > 0.002  # not a test that never rejects


def test_exact_times_and_nothing_known():
    times = Intervals([1.5, 2.5, 0.0, 1.5], [1.5, 2.5, np.inf, 1.5])
    found = anytime_test(times, ["b", "a", "b", "a"], reference_arm="a", block=[1, 1, 2, 2], grid_min=GRID)
    assert np.isfinite(found.path).all()
    nothing = anytime_test(
        Intervals([0.0, 0.0], [np.inf, np.inf]), ["b", "a"], reference_arm="a", block=[1, 1], grid_min=GRID
    )
    assert nothing.e_value == pytest.approx(1.0)


def test_what_cannot_be_tested():
    times = Intervals([0.0, 1.0], [1.0, 2.0])
    for arguments, words in [
        ({"arm": ["a", "b", "c"], "block": [1, 1, 1]}, "equally long"),
        ({"arm": ["a", "b"], "block": [1]}, "equally long"),
        ({"arm": ["a", "a"], "block": [1, 1]}, "1 arms"),
        ({"arm": ["a", "b"], "block": [1, 1], "grid_min": [2, 1]}, "must increase"),
    ]:
        with pytest.raises(OnsetStudyError, match=f"(?i){words}"):
            anytime_test(times, **{"reference_arm": "a", "grid_min": GRID, **arguments})


# --- limits of success ----------------------------------------------------------------------------------------------


def sequence(drawn, cases, **more):
    return success_sequence(
        Intervals(drawn.left[0][:cases], drawn.right[0][:cases]), np.where(drawn.other[0][:cases], "b", "a"),
        reference_arm="a", target_min=2.0, **{"block": np.repeat(np.arange(cases // 2), 2), **more},
    )  # fmt: skip


def test_limits_only_ever_narrow_and_hold_the_truth():
    found = sequence(simulated(3.0, cases=400), 400)
    assert np.all(np.diff(found.low) >= 0)
    assert np.all(np.diff(found.high) <= 0)
    shares = [0.9 * (1 - 2 ** (-((2 / 3) ** 1.5) * r)) for r in (1, 3)]
    assert np.all((found.low <= shares[1] - shares[0]) & (shares[1] - shares[0] <= found.high))
    assert found.high[-1] - found.low[-1] < 0.45
    again = from_dict(to_dict(found))
    assert again.low.tolist() == found.low.tolist()


def test_the_other_way_round_turns_the_limits():
    drawn = simulated(2.0, cases=100)
    one = sequence(drawn, 100)
    other = success_sequence(
        Intervals(drawn.left[0], drawn.right[0]), np.where(drawn.other[0], "a", "b"), reference_arm="a", target_min=2.0,
        block=np.repeat(np.arange(50), 2),
    )  # fmt: skip
    assert one.low == pytest.approx(-other.high, abs=1e-9)


def test_undecided_cases_widen_the_limits():
    drawn = simulated(2.0, cases=200)
    sure = sequence(drawn, 200)
    left, right = drawn.left.copy(), drawn.right.copy()
    left[0, :60], right[0, :60] = 1.0, 3.0
    open_ = success_sequence(
        Intervals(left[0], right[0]), np.where(drawn.other[0], "b", "a"), reference_arm="a", target_min=2.0,
        block=np.repeat(np.arange(100), 2),
    )  # fmt: skip
    assert open_.undecided == 60
    assert open_.high[-1] - open_.low[-1] > sure.high[-1] - sure.low[-1]
    assert "straddle 2 min" in open_.caution[0].text


def test_limits_hold_at_all_blocks_at_once():
    shares = [0.9 * (1 - 2 ** (-((2 / 3) ** 1.5) * r)) for r in (1, 2)]
    true, hits = shares[1] - shares[0], 0
    for k in range(200):
        found = sequence(simulated(2.0, cases=160, seed=k), 160)
        hits += bool(((found.low <= true) & (true <= found.high)).all())
    assert hits >= 200 * (0.95 - 4 * math.sqrt(0.05 * 0.95 / 200))


def test_a_level_beyond_1_is_refused():
    drawn = simulated(2.0, cases=200)
    with pytest.raises(OnsetStudyError):
        sequence(drawn, 200, conf_level=1.5)
