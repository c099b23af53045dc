"""One report derives onset once by each rule, fits each distinct curve once, and checks no interval twice."""

from __future__ import annotations

import functools
import inspect
import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from onsetstudy.core import intervals
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.files.documents.reports import write_report
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.records.derived import onset as derivation
from onsetstudy.records.derived.onset import Onsets
from onsetstudy.study.practice import analyse as carried_out
from onsetstudy.study.sets.analysis_set import ESTIMANDS
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.survival.curve import npmle
from onsetstudy.survival.curve.npmle import Curves, fit_npmle
from onsetstudy.survival.summaries.npmle_proportion import curve_limits
from onsetstudy.survival.summaries.success import never_numb_share, success_by
from tests.study.cases import protocol, study
from tests.study.once import DEMO, counted, demo, report, sharing_nothing

pytestmark = pytest.mark.usefixtures("unpainted")

INF = np.inf
READ_OTHERWISE = ("confirmations_1", "confirmations_2", "accept_unconfirmed", "control_ignored")
"""Choices of a plan that read the readings by another rule; the others keep or turn what the plan's rule gives."""


@pytest.fixture(scope="module")
def one_report():
    with counted() as work:
        results = report()
    return results, work


def test_onset_is_derived_once_by_each_rule(one_report):
    results, work = one_report
    named = results.protocol.plan.sensitivity
    # No question of this plan follows a tooth past its supplement, so that one derivation serves all of them.
    assert "treatment_policy" not in {getattr(results.protocol.rescue, name) for name in ESTIMANDS}
    rules = 1 + sum(name in READ_OTHERWISE for name in named)
    assert len(work.derived) == len(set(work.derived)) == rules == 4


def test_each_distinct_curve_is_fitted_once(one_report):
    _, work = one_report
    assert len(work.fitted) == len(set(work.fitted))
    # Two practices, four quarters, two techniques, seven choices and two arms: this counts what the report is made of.
    assert len(work.fitted) > 200


def test_intervals_are_checked_where_they_are_made_and_in_no_part_of_them(one_report):
    results, work = one_report
    prepared = 1 + sum(name in (*READ_OTHERWISE, "rescue_other_way") for name in results.protocol.plan.sensitivity)
    # Beside those: ends moved to the planned tests for the grouped model, its innermost intervals, and the tests of
    # the control tooth, by the rule and by single losses.
    assert len(work.checked) == prepared * len(ESTIMANDS) + 4


def test_a_second_report_begins_anew(one_report):
    # Whatever was kept belongs to its report: nothing is remembered by the process, so there is no cache to be off.
    _, first = one_report
    with counted() as second:
        report()
    assert second.derived == first.derived
    assert second.fitted == first.fitted
    for module in (npmle, derivation, intervals):
        kept = [name for name, value in inspect.getmembers(module) if isinstance(value, functools._lru_cache_wrapper)]
        assert kept == []


@pytest.mark.slow
def test_the_numbers_are_those_of_a_report_that_shares_nothing(one_report, tmp_path):
    results, work = one_report
    with sharing_nothing(), counted() as alone:
        apart = report()
    assert set(alone.fitted) == set(work.fitted)
    assert len(alone.fitted) > len(work.fitted)
    assert len(alone.derived) == 15
    said = [write_report(r, tmp_path / n, formats=("json",))[0] for r, n in ((results, "shared"), (apart, "apart"))]
    shared, separate = (json.loads(path.read_text(encoding="utf-8")) for path in said)
    assert shared == separate


def test_a_comparison_by_choice_fits_each_curve_once_too(few_draws):
    # Weighted, standardised and drawn anew: each fit is of other cases or other weights.
    promised = protocol("infiltration_audit")
    found = read_records(DEMO / "audit", promised)
    with counted() as work:
        results = carried_out.analyse(promised, found)
    assert results.fair is not None
    assert len(work.fitted) == len(set(work.fitted)) > 100
    assert len(work.derived) == len(set(work.derived))


def test_the_same_cases_in_any_form_are_one_curve():
    rows = Intervals([0, 2, 2, 4, 4, 1], [2, 4, 4, INF, INF, 3])
    counts = Intervals([4, 1, 0, 2], [INF, 3, 2, 4])
    curves = Curves()
    with counted() as work:
        first = curves.fit(rows)
        again = curves.fit(rows.take([5, 3, 1, 0, 4, 2]))
        weighed = curves.fit(counts, weight=[2, 1, 1, 2])
        as_probabilities = curves.fit(counts, weight=[2, 1, 1, 2], weight_kind="probabilities")
    assert len(work.fitted) == 1
    assert again is first
    assert weighed.n == first.n == fit_npmle(rows).n
    # Weights that are no counts say nothing of how many cases there are: four rows.
    assert as_probabilities.n.cases == 4
    assert as_probabilities.mass.tolist() == first.mass.tolist() == fit_npmle(rows).mass.tolist()


@pytest.mark.parametrize(
    ("times", "how"),
    [
        (Intervals([0, 2, 4], [2, 4, 6]), {}),
        (Intervals([0, 2, 4.5], [2, 4, INF]), {}),
        (Intervals([0, 2, 4], [2, 4, INF]), {"weight": [1, 1, 2]}),
        (Intervals([0, 2, 4], [2, 4, INF]), {"tolerance": 1e-10}),
        (Intervals([0, 2, 4], [2, 4, INF]), {"max_iterations": 100}),
    ],
)
def test_another_question_is_another_curve(times, how):
    curves = Curves()
    with counted() as work:
        curves.fit(Intervals([0, 2, 4], [2, 4, INF]))
        found = curves.fit(times, **how)
    assert len(work.fitted) == 2
    assert found.to_dict() == fit_npmle(times, **how).to_dict()


def test_verbs_of_one_work_share_its_curves_and_say_the_same():
    rng = np.random.default_rng(4)
    left = rng.choice([0.0, 1.0, 2.0, 3.0], 60)
    times = Intervals(left, np.where(rng.random(60) < 0.2, INF, left + rng.choice([1.0, 3.0], 60)))
    arm = np.where(np.arange(60) % 2, "buffered", "plain")
    curves, level = Curves(), {"reference_arm": "plain"}

    def asked(**shared):
        return (
            success_by(times, arm, target_min=2.5, **level, **shared),
            never_numb_share(times, arm, tau_min=2.5, **level, **shared),
            curve_limits(times.take(arm == "plain"), [2.5], **shared),
        )

    with counted() as together:
        shared = asked(curves=curves)
    with counted() as each:
        alone = asked()
    assert len(together.fitted) == len(set(together.fitted)) == len(set(each.fitted))
    # Success and never numb at one minute are one share, and the limits of the curve there are the reference arm's.
    assert len(each.fitted) > 2 * len(together.fitted)
    for one, other in zip(shared[:2], alone[:2], strict=True):
        pd.testing.assert_frame_equal(one.to_frame(), other.to_frame(), check_exact=True)
    assert shared[2][0].interval == alone[2][0].interval


def test_questions_that_take_a_supplement_otherwise_share_a_derivation_unless_tests_after_it_count():
    promised, records = study({"plain": ["ffffffnn", "ffffffff"], "buffered": ["nn"]}, rescue_min="4.5")
    records = replace(records, cases=records.cases.assign(rescue_min=[4.5, np.nan, np.nan]))
    onsets = Onsets(records=records, protocol=promised)
    with counted() as work:
        tables = {
            (estimand, way): onsets.table(estimand=estimand, rescue=way)
            for estimand in ESTIMANDS
            for way in ("composite", "hypothetical", "while_on_treatment")
        }
        assert len(work.derived) == 1
        onsets.table(estimand="wait", rescue="treatment_policy")
        followed = onsets.table(estimand="success", rescue="treatment_policy")
        assert len(work.derived) == 2
    for (estimand, way), table in tables.items():
        pd.testing.assert_frame_equal(
            table, Onsets(records=records, protocol=promised).table(estimand=estimand, rescue=way)
        )
    # Felt at 4, a supplement at 4.5, numb at 7: onset after the horizon, after 4, at 4.5, or between 6 and 7.
    ends = {way: tuple(tables["wait", way].loc[0, ["left_min", "right_min"]]) for _, way in tables}
    assert ends == {
        "composite": (promised.onset.tau_min, INF),
        "hypothetical": (4, INF),
        "while_on_treatment": (4.5, 4.5),
    }
    assert tuple(followed.loc[0, ["left_min", "right_min"]]) == (6, 7)


def test_a_part_of_the_cases_keeps_what_the_whole_knows():
    promised, records, _ = demo()
    whole, _ = prepare(promised, records, through=promised.quarters[-1])
    with counted() as work:
        part = whole.where(whole.arm == promised.contrast_arm).by_day()
    assert work.checked == []
    assert part.work.curves is whole.work.curves
    for name in ESTIMANDS:
        assert part.times(name).left.tolist() == part.frame[f"left_{name}"].tolist()
        assert part.times(name).right.tolist() == part.frame[f"right_{name}"].tolist()
    day = part.frame["case_date"].tolist()
    assert day == sorted(day)
    # The same cases in another arm are still the same times.
    other = replace(whole, frame=whole.frame.assign(arm="plain"))
    assert other.times("wait") is whole.times("wait")


def test_parts_of_valid_intervals_stay_valid_and_cannot_be_written():
    whole = Intervals([0, 2, 4, 4], [2, 4, INF, INF])
    with counted() as work:
        parts = (
            whole.take([2, 0]),
            whole.take(np.array([True, False, True, False])),
            whole.with_row(1.0, 3.0),
            whole.felt_until(np.array([2]), 15.0),
        )
    assert work.checked == []
    assert [p.left.tolist() for p in parts] == [[4, 0], [0, 4], [0, 2, 4, 4, 1], [0, 2, 15, 4]]
    assert [p.right.tolist() for p in parts] == [[INF, 2], [2, INF], [2, 4, INF, INF, 3], [2, 4, INF, INF]]
    for part in parts:
        for ends in (part.left, part.right):
            with pytest.raises(ValueError, match="read-only"):
                ends[0] = 1.0
    assert whole.left.tolist() == [0, 2, 4, 4]


@pytest.mark.parametrize(
    "wrong",
    [
        lambda times: times.with_row(3.0, 2.0),
        lambda times: times.with_row(-1.0, 2.0),
        lambda times: times.with_row(INF, INF),
        lambda times: times.with_row(np.nan, 2.0),
        lambda times: times.felt_until(np.array([0]), 15.0),
        lambda times: times.felt_until(np.array([1]), INF),
        lambda times: times.felt_until(np.array([1]), -1.0),
        lambda times: times.take(0),
        lambda times: times.take([[0, 1]]),
    ],
)
def test_what_would_not_be_valid_is_refused(wrong):
    with pytest.raises(OnsetStudyError):
        wrong(Intervals([0, 4], [2, INF]))
