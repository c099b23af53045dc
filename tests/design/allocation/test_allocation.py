"""Lists are balanced, repeatable and no easier to foretell than their blocks allow; minimisation by hand."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from onsetstudy.core.errors import DesignError
from onsetstudy.design.allocation.lists import draw_allocation_list, stratum_levels
from onsetstudy.design.allocation.minimisation import minimise
from onsetstudy.design.allocation.seal import open_slip, seal_slips
from onsetstudy.protocol.model import AllocationRule
from tests.records.checks.test_corpus import PROMISED


def protocol(design="parallel", practices=("P01", "P02"), **rule):
    rule = {"method": "permuted_blocks", "block_sizes": (2, 4, 6), "strata": ("technique",), **rule}
    study = dataclasses.replace(PROMISED.study, design=design, allocation="randomised", practices=practices)
    return dataclasses.replace(PROMISED, study=study, allocation=AllocationRule(**rule))


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**9), st.integers(1, 60))
def test_every_stratum_is_balanced_at_every_moment(seed, least):
    drawn = draw_allocation_list(protocol(), slips_per_stratum=least, seed=seed)
    frame = drawn.to_frame()
    assert drawn.quality.final_imbalance == 0
    for _, rows in frame.groupby("stratum"):
        step = np.where(rows["arm"] == "buffered", 1, -1)
        assert len(rows) >= least
        assert abs(step.cumsum()).max() <= 3  # half of the largest block
        assert step.sum() == 0
        assert rows["number"].tolist() == list(range(1, len(rows) + 1))
    assert not frame["slip"].duplicated().any()


def test_the_same_seed_gives_the_same_list_and_another_another():
    one, same, other = (draw_allocation_list(protocol(), slips_per_stratum=40, seed=s) for s in (5, 5, 6))
    assert one == same
    assert one.to_frame()["arm"].tolist() != other.to_frame()["arm"].tolist()
    assert one.commitment != other.commitment


def test_a_practice_keeps_its_list_when_another_joins():
    before = draw_allocation_list(protocol(), slips_per_stratum=20, seed=5).to_frame()
    after = draw_allocation_list(protocol(practices=("P00", "P01", "P02")), slips_per_stratum=20, seed=5).to_frame()
    pd.testing.assert_frame_equal(before, after[after["practice_id"] != "P00"].reset_index(drop=True))


def test_blocks_of_two_are_foretold_as_often_as_theory_says():
    """In blocks of 2 the second arm is always known, the first never: 0.5 * 1 + 0.5 * 0.5. In blocks of 4 the
    expected share is 17/24 (Blackwell and Hodges 1957, convergence strategy; enumerated here)."""
    two = draw_allocation_list(protocol(block_sizes=(2,)), slips_per_stratum=400, seed=1).quality
    assert two.guessed_share == 0.75
    assert two.blind_share == 0.5
    shares = []
    for order in {tuple(p) for p in __import__("itertools").permutations("aabb")}:
        hits = 0.0
        for k, arm in enumerate(order):
            a, b = order[:k].count("a"), order[:k].count("b")
            hits += 0.5 if a == b else float(arm == ("a" if a < b else "b"))
        shares.append(hits / 4)
    four = draw_allocation_list(protocol(block_sizes=(4,)), slips_per_stratum=4000, seed=2).quality
    assert np.mean(shares) == pytest.approx(17 / 24)
    slips = four.slips
    assert abs(four.guessed_share - np.mean(shares)) < 4 * np.std(shares) / np.sqrt(slips / 4)


def test_a_list_passes_tests_of_chance():
    """Orders within blocks are equally likely, and block sizes are: chi-square on 12,000 slips."""
    frame = draw_allocation_list(protocol(block_sizes=(4,)), slips_per_stratum=2000, seed=3).to_frame()
    blocks = frame.groupby([frame["stratum"], (frame["number"] - 1) // 4])["arm"].agg(
        lambda a: "".join(x[0] for x in a)
    )
    counts = blocks.value_counts()
    assert len(counts) == 6
    assert stats.chisquare(counts).pvalue > 0.001


def test_unequal_ratio():
    drawn = draw_allocation_list(protocol(ratio=(1, 2), block_sizes=(3, 6)), slips_per_stratum=60, seed=1)
    counts = drawn.to_frame()["arm"].value_counts()
    first, second = (arm.code for arm in PROMISED.arms)
    assert counts[second] == 2 * counts[first]
    assert drawn.quality.blind_share == pytest.approx(2 / 3)


def test_split_mouth_balances_order_and_side():
    drawn = draw_allocation_list(
        protocol("split_mouth", method="paired", block_sizes=(4, 8)), slips_per_stratum=40, seed=1
    )
    for stratum in {s.stratum for s in drawn.slips}:
        kinds = pd.Series([(s.arms, s.sides) for s in drawn.slips if s.stratum == stratum]).value_counts()
        assert len(kinds) == 4
        assert kinds.nunique() == 1
    assert all(sorted(s.sides) == ["left", "right"] and len(set(s.arms)) == 2 for s in drawn.slips)


def test_crossover_has_both_orders_and_no_side():
    drawn = draw_allocation_list(protocol("crossover", method="paired"), slips_per_stratum=10, seed=1)
    assert {s.arms for s in drawn.slips} == {("plain", "buffered"), ("buffered", "plain")}
    assert not any(s.sides for s in drawn.slips)


def test_what_cannot_be_drawn_is_said_with_its_mend():
    for bad, words in [
        (dataclasses.replace(protocol(), allocation=None), "no table [allocation]"),
        (protocol(method="minimisation"), "minimisation has no list"),
        (protocol("split_mouth", method="paired", block_sizes=(2, 6)), "Write multiples of 4"),
        (protocol(practices=()), "the practices are not listed"),
    ]:
        with pytest.raises(DesignError) as caught:
            draw_allocation_list(bad, slips_per_stratum=5, seed=1)
        assert words.lower() in str(caught.value).lower()
    with pytest.raises(DesignError):
        draw_allocation_list(protocol(), slips_per_stratum=0, seed=1)


def test_all_unlisted_levels_come_at_once():
    bare = protocol(strata=("technique", "procedure"))
    bare = dataclasses.replace(bare, eligibility=dataclasses.replace(bare.eligibility, techniques=(), procedures=()))
    with pytest.raises(DesignError) as caught:
        stratum_levels(bare)
    assert len(caught.value.problems) == 2


EARLIER = pd.DataFrame(
    [("a", "young", "ianb"), ("a", "old", "ianb"), ("b", "young", "psa"), ("b", "young", "ianb"), ("a", "old", "psa")],
    columns=["arm", "age", "technique"],
)


def test_minimisation_by_hand():
    """Young: a 1, b 2. ianb: a 2, b 1. A young ianb case in a: |2-2| + |3-1| = 2; in b: |1-3| + |2-2| = 2: a tie.
    An old psa case. Old: a 2, b 0; psa: a 1, b 1. In a: 3 + 1 = 4; in b: 1 + 1 = 2: b is best."""
    tie = minimise(EARLIER, {"age": "young", "technique": "ianb"}, arms=("a", "b"), seed=1)
    assert tie.imbalance == (2, 2)
    assert tie.probability == (0.5, 0.5)
    step = minimise(EARLIER, {"age": "old", "technique": "psa"}, arms=("a", "b"), seed=1)
    assert step.imbalance == (4, 2)
    assert step.probability == pytest.approx((0.2, 0.8))
    twice = minimise(EARLIER, {"age": "old", "technique": "psa"}, arms=("a", "b"), seed=1, ratio=(1, 2))
    assert twice.imbalance == (4.5, 1.5)  # b counts half: in a 3 - 0 and 2 - .5; in b 2 - .5 and 1 - 1


@pytest.mark.parametrize("level", [1, 1.0, np.int64(1)])
def test_a_level_is_the_same_number_whole_or_not(level):
    """A column of whole numbers with a gap holds 1.0."""
    earlier = pd.DataFrame({"age": [1, 1, 1, None], "arm": ["a", "a", "a", "b"]})
    assert minimise(earlier, {"age": level}, arms=("a", "b"), seed=1).imbalance == (4, 2)


def test_minimisation_takes_the_best_arm_four_times_in_five():
    taken = [minimise(EARLIER, {"age": "old", "technique": "psa"}, arms=("a", "b"), seed=s).arm for s in range(1000)]
    assert stats.binomtest(taken.count("b"), 1000, 0.8).pvalue > 0.001


def test_minimisation_balances_better_than_chance():
    rng = np.random.default_rng(1)
    rows, chance = [], []
    for _ in range(200):
        level = {"x": str(rng.integers(2)), "y": str(rng.integers(3))}
        earlier = pd.DataFrame(rows, columns=["x", "y", "arm"])
        rows.append({**level, "arm": minimise(earlier, level, arms=("a", "b"), seed=9).arm})
        chance.append({**level, "arm": rng.choice(["a", "b"])})

    def worst(found):
        frame = pd.DataFrame(found)
        return max(abs(np.diff(frame.groupby([f, "arm"]).size().unstack(fill_value=0)).ravel()).max() for f in "xy")

    assert worst(rows) <= 6 < worst(chance)


def test_minimisation_says_what_it_needs():
    with pytest.raises(DesignError, match="no column site"):
        minimise(EARLIER, {"site": "1"}, arms=("a", "b"), seed=1)
    with pytest.raises(DesignError, match="not one of the arms"):
        minimise(EARLIER, {"age": "old"}, arms=("b", "c"), seed=1)


def test_a_seal_opens_in_order_only_and_shows_when_it_was_broken():
    contents = [{"slip": f"S{k}", "arms": ["plain" if k % 2 else "buffered"]} for k in range(1, 6)]
    key, sealed = seal_slips(contents, secret="x")
    assert [open_slip(sealed, k, first_key=key) for k in range(1, 6)] == contents
    assert "plain" not in str(sealed)
    assert len({s["sealed"] for s in sealed}) == 5
    sealed[2] = {**sealed[2], "sealed": "00" + sealed[2]["sealed"][2:]}
    assert open_slip(sealed, 2, first_key=key) == contents[1]
    with pytest.raises(DesignError, match="seal of slip S3 is broken"):
        open_slip(sealed, 4, first_key=key)
    with pytest.raises(DesignError, match="There are 5 slips"):
        open_slip(sealed, 6, first_key=key)


def test_a_protocol_without_a_rule_is_told_where_to_copy_one_from():
    with pytest.raises(DesignError, match=r"Copy the table from protocols/mandibular_block_group\.toml"):
        draw_allocation_list(dataclasses.replace(protocol(), allocation=None), slips_per_stratum=4, seed=1)
