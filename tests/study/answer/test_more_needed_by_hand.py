"""How many more teeth, cases and quarters the plan's effect asks for, worked out by Schoenfeld's formula."""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace

import pytest
from scipy import stats

from onsetstudy.core.errors import DesignError
from onsetstudy.study.answer.more_needed import more_needed
from onsetstudy.study.planning.sizes import main_size
from tests.report.samples import counts
from tests.study.cases import protocol

RATE = dataclasses.replace(protocol(plan={"primary": "hazard_ratio"}), planning=None)
"""Nothing is expected here, so that only a formula is left."""
RATIO = RATE.plan.planned_hazard_ratio


def events(share):
    """Schoenfeld 1983, Biometrics 39:499-503."""
    z = stats.norm.isf((1 - RATE.plan.conf_level) / 2) + stats.norm.ppf(RATE.plan.planned_power)
    return math.ceil(z**2 / (share * (1 - share) * math.log(RATIO) ** 2))


@pytest.mark.parametrize(
    ("n", "share"), [((30, 30, (20, 25)), 0.5), ((45, 15, (30, 15)), 0.25), ((60, 0, (45, 0)), 0.5)]
)
def test_onsets_needed_by_formula_and_cases_at_the_share_seen(n, share):
    told = more_needed(RATE, counts(*n), (0, 20, 30, 10))
    assert told.events_needed == events(share)
    assert (told.events_seen, told.cases_seen) == (45, 60)
    assert told.cases_needed == math.ceil(events(share) / 0.75)
    # The pace is that of the last two quarters.
    assert told.cases_per_quarter == 20
    assert told.quarters_more == math.ceil((told.cases_needed - 60) / 20)
    assert f"about {told.quarters_more} more quarters." in told.text
    assert "At 20 cases a quarter" in told.text
    assert f"takes {told.events_needed} teeth seen to go numb" in told.text
    assert "which is not the main outcome's" not in told.text


def test_quarters_before_the_first_case_are_no_pace():
    n = counts(30, 30, (20, 25))
    assert more_needed(RATE, n, (0, 0, 60)).cases_per_quarter == 60
    assert more_needed(RATE, n, (60, 0)).cases_per_quarter == 30
    nothing = more_needed(RATE, counts(0, 0, (0, 0)), (0, 0))
    assert (nothing.cases_per_quarter, nothing.quarters_more, nothing.cases_needed) == (None, None, None)
    assert nothing.text.endswith("none has been seen so far, so the number of cases cannot be told.")
    assert nothing.events_needed == events(0.5)


def test_one_quarter_is_told_as_one_and_enough_is_enough():
    need = events(0.5)
    onsets = need - 1
    half = math.ceil(onsets / 2)
    near = more_needed(RATE, counts(half, half, (half, onsets - half)), (2 * half,))
    assert near.quarters_more == 1
    assert "about 1 more quarter." in near.text
    there = more_needed(RATE, counts(need, need, (need, 0)), (2 * need,))
    assert there.text.endswith(f"; {need} have been seen.")
    assert there.events_needed == need
    # Twice as many cases as onsets are needed, and are there.
    assert (there.cases_needed, there.quarters_more) == (2 * need, 0)


def test_the_formula_of_another_outcome_says_so():
    other = protocol(plan={"primary": "rmst_difference"})
    told = more_needed(dataclasses.replace(other, planning=None), counts(30, 30, (20, 25)), (60,))
    assert "which is not the main outcome's" in told.text
    assert "which is not the main outcome's" not in more_needed(RATE, counts(30, 30, (20, 25)), (60,)).text


def test_the_size_of_the_main_outcome_is_that_of_the_plan(monkeypatch):
    pain = protocol(plan={"primary": "pain_difference"})
    size = main_size(pain)
    told = more_needed(pain, counts(30, 30, (20, 25)), (20, 30))
    assert (told.hazard_ratio, told.events_needed, told.events_seen) == (None, None, 45)
    assert (told.cases_to_include, told.cases_needed) == (size.total, math.ceil(size.unrounded))
    assert told.cases_needed < told.cases_to_include
    assert told.quarters_more == math.ceil((told.cases_needed - 60) / 25)
    assert f"takes {size.total} cases to include, {told.cases_needed} of them analysed, as the plan" in told.text
    assert "with 80 % power" in told.text
    # Where nobody is expected to be lost all that are included are analysed.
    same = {name: getattr(size, name) for name in ("effect_text", "power", "alpha", "test", "method", "source")}
    whole = SimpleNamespace(**same, analysed=told.cases_needed, total=told.cases_needed, cases=(told.cases_needed,))
    monkeypatch.setattr("onsetstudy.study.answer.more_needed.size_told", lambda _: whole)
    told = more_needed(within_patients("pain_difference"), counts(30, 30, (20, 25)), (30,))
    assert f"takes {told.cases_needed} patients, as the plan" in told.text
    assert more_needed(pain, counts(100, 100, (90, 90)), (100,)).quarters_more == 0


@pytest.mark.parametrize("boundary", ["obrien_fleming", "anytime", "none"])
def test_a_simulated_size_is_with_interim_analyses_only_where_their_boundaries_are_in_it(boundary):
    made = protocol(plan={"primary": "hazard_ratio"})
    made = dataclasses.replace(made, looks=dataclasses.replace(made.looks, boundary=boundary, sided=2))
    told = more_needed(made, counts(30, 30, (20, 25)), (60,)).text
    assert "by simulated trials" in told
    assert ("with the planned interim analyses" in told) == (boundary == "obrien_fleming")


def within_patients(primary, **planning):
    made = protocol(plan={"primary": primary})
    assumed = dataclasses.replace(made.planning, within_patient_correlation=0.5, **planning)
    study = dataclasses.replace(made.study, design="split_mouth")
    allocation = dataclasses.replace(made.allocation, method="paired")
    return dataclasses.replace(made, study=study, planning=assumed, looks=None, allocation=allocation)


@pytest.mark.parametrize("primary", ["success_difference", "pain_difference"])
def test_where_each_patient_has_both_arms_patients_are_held_against_patients(primary):
    """Half of the patients are half of the study, though their cases are as many as the patients that it takes."""
    made = within_patients(primary)
    size = main_size(made)
    half = size.analysed // 2
    told = more_needed(made, counts(half, half, (half, half)), (2 * half,), (half - 4, 4))
    assert (told.cases_needed, told.cases_seen) == (size.analysed, half)
    assert told.cases_per_quarter == half / 2
    assert told.quarters_more == math.ceil((size.analysed - half) / (half / 2))
    assert f"takes {size.total} patients" in told.text
    assert f"; {half} patients have been analysed with both arms." in told.text
    assert f" At {half / 2:.0f} patients a quarter that is about {told.quarters_more} more quarters." in told.text
    whole = more_needed(made, counts(*[size.analysed] * 2, (0, 0)), (2 * size.analysed,), (size.analysed,))
    assert (whole.cases_seen, whole.quarters_more) == (size.analysed, 0)
    # Without a count of patients: as many as these cases can be of, at half the pace of the cases.
    alone = more_needed(made, counts(half, half + 3, (half, half)), (half, half + 3))
    assert (alone.cases_seen, alone.cases_per_quarter) == (half, (2 * half + 3) / 4)


def test_without_a_size_within_patients_teeth_and_cases_are_told():
    made = dataclasses.replace(within_patients("hazard_ratio"), planning=None)
    told = more_needed(made, counts(30, 30, (20, 25)), (60,), (28,))
    assert (told.cases_seen, told.events_seen, told.cases_per_quarter) == (60, 45, 60)
    assert "as if the arms were different patients" in told.text


def test_assumptions_that_give_no_size_keep_no_report_back():
    """A ratio so near 1 that no size finds it: plan and lock say so, and what was found is reported all the same."""
    near = protocol(plan={"primary": "success_difference", "planned_hazard_ratio": 1.0001})
    with pytest.raises(DesignError, match="No size"):
        main_size(near)
    assert "main outcome" in more_needed(near, counts(30, 30, (20, 25)), (60,)).text
