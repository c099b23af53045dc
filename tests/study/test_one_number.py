"""One set of cases, one number: from the rows and from the practices' files, whatever cases there are."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from onsetstudy.core.results import Estimate
from onsetstudy.inference.strata import merge_small
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.counted_estimates import difference_of_counts
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.group.interim import group_looks
from onsetstudy.study.group.pool_files import gather
from onsetstudy.study.practice.interim import looks_taken
from onsetstudy.study.practice.subsets import analyse_population, primary_result
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.outcomes import chair_time_of
from tests.examples import examples
from tests.study import demo
from tests.study.cases import set_of

pytestmark = pytest.mark.usefixtures("unpainted")

PROTOCOL = demo.PROTOCOL
ARMS = ("plain", "buffered")
ONE_OF_ALL = 1


def some(seed, keep, *, swapped=False):
    """A random part of the invented cases, in a random order; arms swapped where asked."""
    rng, whole = np.random.default_rng(seed), demo.records()
    chosen = whole.cases[rng.random(len(whole.cases)) < keep]
    if swapped:
        chosen = chosen.assign(arm=chosen["arm"].map({"plain": "buffered", "buffered": "plain"}))
    chosen = chosen.sort_values("case_id").reset_index(drop=True)
    readings = whole.readings[whole.readings["case_id"].isin(chosen["case_id"])].reset_index(drop=True)
    return dataclasses.replace(whole, cases=chosen, readings=readings, rows_read=len(chosen))


def rows_of(records, protocol=PROTOCOL):
    """Differences from the rows, by quantity."""
    data, _ = prepare(protocol, records, through=protocol.quarters[-1])
    whole = analyse_population(data, label="", dimension="technique", level="")
    return {
        "rmst_difference": whole.wait_difference,
        "success_difference": whole.success_difference,
        "not_numb_difference": whole.never_numb_difference,
        "pain_difference": whole.pain_difference,
        "chair_time_difference": chair_time_of(data).difference,
    }


def counts_of(records, protocol=PROTOCOL):
    """What the files of all practices tell together."""
    tally = tally_records(protocol, records, through=protocol.quarters[-1])
    files = [
        (code, make_exchange(tally, protocol, code, records_digest=records.digest, least_cases=ONE_OF_ALL))
        for code in tally.practices
    ]
    return gather(files, protocol)


@pytest.mark.slow
@examples(60, usual=6, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 10**6), st.sampled_from([0.2, 0.45, 0.8]))
def test_rows_and_files_give_one_number(seed, keep):
    records = some(seed, keep)
    counts = counts_of(records)
    for key, ours in rows_of(records).items():
        theirs = difference_of_counts(key, set_of(counts.cells, PROTOCOL, counts.values))
        assert type(ours) is type(theirs), key
        if isinstance(ours, Estimate):
            assert (theirs.estimate, theirs.std_error) == pytest.approx((ours.estimate, ours.std_error), abs=1e-10), key
            assert (theirs.interval.low, theirs.interval.high) == pytest.approx(
                (ours.interval.low, ours.interval.high), abs=1e-10
            ), key
            assert theirs.contrast == ours.contrast == "buffered - plain"


@pytest.mark.parametrize("primary", ["rmst_difference", "success_difference", "hazard_ratio"])
def test_interim_analyses_are_the_same_from_rows_and_from_files(primary):
    protocol = dataclasses.replace(PROTOCOL, plan=dataclasses.replace(PROTOCOL.plan, primary=primary))
    records, last = some(3, 0.9), protocol.quarters[-1]
    data, _ = prepare(protocol, records, through=last)
    rows = looks_taken(data, last)
    group = group_looks(counts_of(records, protocol), last)
    assert [v.code for v in group.verdicts] == [v.code for v in rows.verdicts]
    assert [v.z for v in group.verdicts] == pytest.approx([v.z for v in rows.verdicts], abs=1e-8)
    assert [v.label for v in group.verdicts] == [v.label for v in rows.verdicts]


def test_arms_swapped_turn_every_difference():
    ours, other = (rows_of(some(5, 0.7, swapped=swapped)) for swapped in (False, True))
    for key in ("rmst_difference", "success_difference", "not_numb_difference", "pain_difference"):
        assert other[key].estimate == pytest.approx(-ours[key].estimate, abs=1e-9), key


def test_practices_that_differ_do_not_make_a_difference_of_arms():
    """All cases of two practices the same but for a shift by practice, and arms unevenly spread over practices."""
    records = some(7, 1.0)
    data, _ = prepare(PROTOCOL, records, through=PROTOCOL.quarters[-1])
    frame = data.frame.copy()
    rng = np.random.default_rng(1)
    first = rng.random(len(frame)) < 0.5
    frame["practice_id"] = np.where(first, "P01", "P02")
    frame["arm"] = np.where(rng.random(len(frame)) < np.where(first, 0.8, 0.2), "buffered", "plain")
    frame["pain_deposition"] = np.where(first, 10.0, 60.0) + rng.normal(0, 1, len(frame))
    for name in ("hazard", "success", "wait"):
        frame[f"left_{name}"] = np.where(first, 1.0, 8.0)
        frame[f"right_{name}"] = np.where(first, 2.0, 9.0)
    shifted = AnalysisSet(frame=frame, protocol=PROTOCOL)
    whole = analyse_population(shifted, label="", dimension="technique", level="")
    assert abs(whole.pain_difference.estimate) < 0.5
    assert whole.wait_difference.estimate == pytest.approx(0.0, abs=1e-9)
    crude = frame.groupby("arm")["pain_deposition"].mean()
    assert crude["plain"] - crude["buffered"] > 20


def test_pain_as_primary_is_watched_as_it_is_answered():
    protocol = dataclasses.replace(PROTOCOL, plan=dataclasses.replace(PROTOCOL.plan, primary="pain_difference"))
    data, _ = prepare(protocol, some(2, 1.0), through=protocol.quarters[-1])
    found = primary_result(data)
    assert found.quantity == "pain_difference"
    last = looks_taken(data, protocol.quarters[-1]).verdicts[-1]
    # Less pain is better, and better counts upwards.
    assert found.estimate < 0 < last.z
    # 1.959964 stands for the distance to the end that lies toward no difference.
    assert last.z == pytest.approx(1.9599640 * found.estimate / (found.estimate - found.interval.high))


def test_the_rule_for_strata_sees_counts_only():
    """By hand: P1 has enough of both arms in one technique, its others together too; P2 is small and joins."""
    practice = ["P1"] * 60 + ["P2"] * 8
    technique = ["a"] * 30 + ["b"] * 18 + ["c"] * 12 + ["a"] * 8
    arm = ["plain", "buffered"] * 34
    found = merge_small([practice, technique], arm, ARMS, least=8)
    # c has 6 an arm and joins the smaller of its practice; P2 has 4 and no large one of its own.
    assert found.names == ("P1 | a", "P1 | b")
    sizes = pd.Series(found.code).value_counts().to_dict()
    assert sorted(sizes.values()) == [30, 38]
    own = merge_small([practice, technique], arm, ARMS, least=6)
    assert own.names == ("P1 | a", "P1 | b", "P1 | c")
    assert pd.Series(own.code).value_counts().to_dict() == {"P1 | a": 38, "P1 | b": 18, "P1 | c": 12}
    weighted = merge_small([["x", "x", "y", "y"]], ["plain", "buffered"] * 2, ARMS, weight=[20, 20, 3, 30])
    assert weighted.names == weighted.merged == ("x",)


@given(st.integers(0, 10**6))
def test_strata_do_not_depend_on_the_order_of_rows(seed):
    rng = np.random.default_rng(seed)
    n = 120
    columns = [rng.choice(["A", "B", "C", "D"], n, p=[0.5, 0.3, 0.15, 0.05]), rng.choice(["t", "u"], n)]
    arm = rng.choice(ARMS, n)
    order = rng.permutation(n)
    ours = merge_small(columns, arm, ARMS)
    other = merge_small([c[order] for c in columns], arm[order], ARMS)
    assert (ours.code[order] == other.code).all()
    rare = [np.sum((ours.code == s) & (arm == a)) for s in ours.names for a in ARMS]
    assert min(rare) >= 10 or ours.one


def block(practice, technique, plain, buffered):
    return [(practice, technique, arm) for arm, n in zip(ARMS, (plain, buffered), strict=True) for _ in range(n)]


def strata_of(*blocks, least=10):
    practice, technique, arm = zip(*(row for rows in blocks for row in rows), strict=True)
    found = merge_small([practice, technique], arm, ARMS, least=least)
    homes = {}
    for p, t, code in zip(practice, technique, found.code, strict=True):
        homes.setdefault((p, t), set()).add(code)
    return found, homes


def test_a_small_practice_joins_another_where_it_is_treated_alike():
    found, homes = strata_of(
        block("P1", "block", 30, 30),
        block("P1", "mental", 12, 12),
        block("P2", "block", 20, 20),
        block("P3", "mental", 4, 4),
    )
    assert homes["P3", "mental"] == homes["P1", "mental"]
    assert homes["P1", "block"] != homes["P2", "block"]
    assert found.crossed == 32


def test_a_collapse_to_one_stratum_is_told():
    found, _ = strata_of(block("P1", "block", 4, 4), block("P2", "block", 4, 4))
    assert found.one
    assert found.merged == found.names
    assert found.crossed == 16


def test_where_practice_and_arm_coincide_it_is_said():
    found, _ = strata_of(block("P1", "block", 40, 0), block("P2", "block", 0, 40))
    assert found.one
    assert found.crossed == 80


def test_practices_large_enough_are_never_crossed():
    found, _ = strata_of(block("P1", "block", 12, 12), block("P1", "mental", 2, 2), block("P2", "block", 12, 12))
    assert found.crossed == 0
    assert len(found.names) == 2
