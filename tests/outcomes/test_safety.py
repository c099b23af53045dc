"""Harms: exact limits against printed values, nothing seen, and what was not recorded."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.results import Counts, Estimate
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.outcomes.harms import SafetyRecords, exact_share, nothing_seen_limit, summarise_safety
from onsetstudy.report.sections.main.kindness_and_harm import safety_section
from tests.study.cases import protocol, study

NOBODY = Counts(cases=0, onsets=0)


def happened(events, arm, **more):
    n = len(events)
    filled = {
        "serious": np.full(n, "", dtype="<U3"),
        "supplement": np.zeros(n, dtype=bool),
        "lip_numb": np.full(n, "", dtype="<U3"),
        "technique": np.full(n, "ianb"),
        **{k: np.asarray(v) for k, v in more.items()},
    }
    return SafetyRecords(arm=np.asarray(arm), event=np.asarray(events), **filled)


def summary(records):
    return summarise_safety(records, arms=("plain", "buffered"))


@pytest.mark.parametrize(
    ("count", "cases", "low", "high"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_exact_limits_are_the_printed_ones(count, cases, low, high):
    """Newcombe 1998, Statistics in Medicine 17:857-872, exact (computed, equal to the table as remembered)."""
    found = exact_share(count, cases, quantity="event_any", arm="plain", n=NOBODY).interval
    assert (round(found.low, 4), round(found.high, 4)) == (low, high)


@pytest.mark.parametrize(
    ("a", "b", "low", "high"),
    [
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((5, 56), (0, 29), -0.0381, 0.1926),
        ((0, 10), (0, 20), -0.1611, 0.2775),
        ((10, 10), (0, 20), 0.6791, 1.0),
    ],
)
def test_differences_are_newcombes(a, b, low, high):
    """Newcombe 1998, Statistics in Medicine 17:873-890, method 10."""
    events = ["other"] * a[0] + ["none"] * (a[1] - a[0]) + ["other"] * b[0] + ["none"] * (b[1] - b[0])
    arm = ["buffered"] * a[1] + ["plain"] * b[1]
    found = summary(happened(events, arm)).harms[0].difference
    assert (round(found.interval.low, 4), round(found.interval.high, 4)) == (low, high)


@pytest.mark.parametrize(("cases", "limit"), [(10, 0.2589), (20, 0.1391), (30, 0.0950), (100, 0.0295)])
def test_nothing_seen(cases, limit):
    """1 - 0.05^(1/n), by hand; the rule of three gives 0.3, 0.15, 0.1, 0.03."""
    assert round(nothing_seen_limit(cases), 4) == limit
    assert nothing_seen_limit(cases) < 3 / cases


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 5000))
def test_the_rule_of_three_is_on_the_careful_side(cases):
    assert 1 - nothing_seen_limit(cases) == pytest.approx(0.05 ** (1 / cases))
    assert nothing_seen_limit(cases) <= 3 / cases


def test_who_recorded_nothing_is_in_no_share():
    found = summary(happened(["none", "", "haematoma", "none", ""], ["plain"] * 2 + ["buffered"] * 3))
    plain, buffered = found.harms[0].arms
    assert (plain.count, plain.cases, plain.not_recorded) == (0, 1, 1)
    assert (buffered.count, buffered.cases, buffered.not_recorded) == (1, 2, 1)
    assert plain.at_most == pytest.approx(0.95)
    assert buffered.at_most is None
    assert "2 of 5 cases did not record" in found.caution[1].text


def test_a_serious_mark_without_a_name_is_an_event():
    found = summary(happened(["", "none"], ["plain", "buffered"], serious=["yes", "no"]))
    assert found.harms[0].arms[0].count == found.harms[1].arms[0].count == 1
    assert found.listing == (("plain", "not named", "yes", "ianb", 1),)


def test_supplements_and_missed_blocks_have_their_own_denominators():
    found = summary(
        happened(
            ["none"] * 4,
            ["plain", "plain", "buffered", "buffered"],
            supplement=[True, False, False, False],
            lip_numb=["yes", "", "no", "yes"],
        )
    )
    supplement, missed = found.course
    assert [(a.count, a.cases) for a in supplement.arms] == [(1, 2), (0, 2)]
    assert [(a.count, a.cases) for a in missed.arms] == [(0, 1), (1, 2)]
    assert [line.event for line in summary(happened(["none"], ["plain"])).course] == ["supplement"]


def test_order_and_travel():
    records = happened(["other", "none", "trismus", "none"], ["buffered", "plain", "plain", "buffered"])
    told = np.array([("yes", "no", "")[i % 3] for i in range(len(records.arm))])
    records = dataclasses.replace(records, treatment=told)
    turned = dataclasses.replace(records, **{f: getattr(records, f)[::-1] for f in records.__dataclass_fields__})
    assert summary(records) == summary(turned) == from_dict(to_dict(summary(records)))


def test_an_arm_without_cases():
    found = summary(happened(["none"] * 3, ["plain"] * 3))
    assert not isinstance(found.harms[0].difference, Estimate)
    said = safety_section(found, protocol()).blocks[0].text
    assert "There is no buffered case." in said
    assert safety_section(None, protocol()) is None


def test_rows_of_different_length():
    with pytest.raises(OnsetStudyError, match="equally long"):
        summary(dataclasses.replace(happened(["none"], ["plain"]), serious=np.array(["", ""])))


def test_harms_follow_the_syringe():
    from onsetstudy.study.sets.prepare import prepare
    from onsetstudy.study.topics.outcomes import safety_of

    promised, found = study({"plain": ["ffnn"] * 3, "buffered": ["fnn"] * 3}, protocol(plan={"sensitivity": ()}))
    data, _ = prepare(promised, found, through=promised.quarters[-1])
    data.frame["arm_received"] = "plain"
    assert [a.cases for a in safety_of(data).course[0].arms] == [6, 0]


def test_all_shares_and_differences_stand_in_one_frame():
    records = SafetyRecords(
        arm=np.array(["plain", "buffered"] * 5), event=np.array(["none"] * 9 + ["syncope"]),
        serious=np.full(10, "no"), supplement=np.zeros(10, dtype=bool), lip_numb=np.full(10, ""),
        technique=np.full(10, "ianb"),
    )  # fmt: skip
    found = summarise_safety(records, arms=("plain", "buffered"))
    kinds = ["any", "serious", "syncope", "supplement"]
    expected = [f"event_{kind}{end}" for kind in kinds for end in ("", "", "_difference")]
    assert found.to_frame()["quantity"].tolist() == expected
    assert found.to_frame()["contrast"].tolist() == ["plain", "buffered", "buffered - plain"] * 4
