"""Cases of one arm alone: nothing is compared, that arm is told, and nothing is said of cases that are not."""

from __future__ import annotations

import dataclasses

import pytest

from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.inference.proportions import wilson_limits
from onsetstudy.report.figures import key_rows
from onsetstudy.report.sections.main.kindness_and_harm import safety_section
from tests.study.cases import analyse, protocol, study

pytestmark = pytest.mark.usefixtures("few_draws")
# Numb at 2, 4 and 6 of 15 minutes, and one that stayed as it was.
ANSWERS = ["fn" + "n" * 13, "fffn" + "n" * 11, "fffffn" + "n" * 9, "f" * 15]
ARMS = ("plain", "buffered")


@pytest.mark.parametrize("present", ARMS)
def test_the_arm_that_exists_is_told_as_if_the_other_were_there(present):
    other = next(arm for arm in ARMS if arm != present)
    alone = analyse(*study({present: ANSWERS * 3})).overall
    both = analyse(*study({present: ANSWERS * 3, other: ["fffn" + "n" * 11] * 12})).overall
    place = ARMS.index(present)
    for name in ("success", "never_numb", "wait"):
        mine, beside = getattr(alone, name)[place], getattr(both, name)[place]
        assert isinstance(mine, Estimate)
        assert (mine.contrast, mine.estimate, mine.interval, mine.n) == (
            beside.contrast, beside.estimate, beside.interval, beside.n,
        )  # fmt: skip
        gone = getattr(alone, name)[1 - place]
        assert isinstance(gone, NotAvailable)
        assert (gone.contrast, gone.code) == (other, "arm_missing")
    for found in (alone.success_difference, alone.wait_difference, alone.never_numb_difference):
        assert isinstance(found, NotAvailable)
        assert found.code == "arm_missing"


def test_an_arm_alone_has_wilsons_limits_of_its_cases():
    found = analyse(*study({"plain": ANSWERS * 3})).overall.never_numb[0]
    assert found.estimate == 3 / 12
    assert (found.interval.low, found.interval.high) == pytest.approx(wilson_limits(3, 12, 0.95))


def test_patients_who_come_again_count_once_more_and_no_further():
    """The cases that are given twice are others' patients: the limits do not grow by being told."""
    promised, records = study({"plain": ANSWERS * 3})
    again = records.cases.assign(patient_id=[f"P01-K{n // 2:03d}" for n in range(len(records.cases))])
    once, twice = (analyse(promised, dataclasses.replace(records, cases=c)).overall for c in (records.cases, again))
    for name in ("success", "wait"):
        assert getattr(twice, name)[0].estimate == pytest.approx(getattr(once, name)[0].estimate)


def test_a_part_with_fewer_cases_than_the_plan_asks_for_shows_none():
    promised = protocol(plan={"min_stratum_cases": 20})
    results = analyse(*study({"plain": ANSWERS * 3}, promised))
    assert isinstance(results.overall.success[0], Estimate)
    for part in (*results.by_technique, *results.by_practice):
        assert all(isinstance(e, NotAvailable) for e in part.success)


def test_nothing_is_said_of_cases_that_do_not_exist():
    results = analyse(*study({"plain": ANSWERS * 3}))
    told = " ".join(c.text for c in results.caution)
    assert "Few onsets were seen (9 in plain)" in told
    assert "0 in" not in told
    texts = repr(safety_section(results.safety, results.protocol))
    assert "There is no buffered case." in texts
    assert "No buffered case recorded" not in texts
    dots = {(dot.row, dot.arm): dot for dot in key_rows.data_for(results)}
    assert dots["never", "plain"].number.startswith("25")
    assert dots["never", "buffered"].reason == "no case"
