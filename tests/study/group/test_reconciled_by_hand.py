"""Where the mean of practices differs from the answer, and where both say nothing."""

from __future__ import annotations

import dataclasses

import pytest

from onsetstudy.study.group.reconcile import reconcile
from tests.report.claimed import N, group_of
from tests.report.samples import missing, rich

GROUP = group_of(rich())
GONE = missing("hazard_ratio", "buffered / plain", "none", N)


def told(within=None, mean=None, practices=2, **more):
    overall = GROUP.overall if within is None else dataclasses.replace(GROUP.overall, hazard_ratio=within)
    pooled = [
        dataclasses.replace(p, average=mean, **more) if mean is not None and p.quantity == "hazard_ratio" else p
        for p in GROUP.pooled
    ]
    return reconcile(overall, pooled, practices=practices)


def test_one_number_and_no_number_twice_need_no_words():
    assert told() == ()
    assert told(GONE, GONE) == ()
    close = dataclasses.replace(GROUP.overall.hazard_ratio, estimate=GROUP.overall.hazard_ratio.estimate + 1e-12)
    assert told(mean=close) == ()


def test_a_number_beside_none_is_told_both_ways():
    assert [(r.quantity, r.reasons) for r in told(mean=GONE)] == [("hazard_ratio", ("weights",))]
    beside = told(GONE, GROUP.overall.hazard_ratio)
    assert [(r.quantity, r.reasons) for r in beside] == [("hazard_ratio", ("weights",))]


@pytest.mark.parametrize("end", ["low", "high"])
def test_unlike_ends_are_told_though_the_estimates_agree(end):
    mean = GROUP.overall.hazard_ratio
    span = dataclasses.replace(mean.interval, **{end: getattr(mean.interval, end) * 1.01})
    (found,) = told(mean=dataclasses.replace(mean, interval=span))
    assert (found.quantity, found.reasons) == ("hazard_ratio", ("weights",))


def test_one_practice_has_nothing_to_reconcile_and_members_left_out_are_the_reason():
    assert told(mean=GONE, practices=1) == ()
    members = GROUP.pooled[1].members
    lost = (dataclasses.replace(members[0], weight=0.0), *members[1:])
    assert told(mean=GONE, members=lost)[0].reasons == ("left_out", "weights")
