"""How many more teeth, cases and quarters the plan's effect asks for, worked out by Schoenfeld's formula."""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace

import pytest
from scipy import stats

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
    monkeypatch.setattr("onsetstudy.study.answer.more_needed.main_size", lambda _: whole)
    told = more_needed(pain, counts(30, 30, (20, 25)), (30,))
    assert f"takes {told.cases_needed} patients, as the plan" in told.text
    assert more_needed(pain, counts(100, 100, (90, 90)), (100,)).quarters_more == 0
