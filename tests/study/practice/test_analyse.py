"""The plan carried out: what a report needs is there, also where the cases cannot tell."""

from __future__ import annotations

import dataclasses
import itertools
import json
import re
from pathlib import Path

import numpy as np
import pytest

from onsetstudy.core.errors import RecordsError
from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.files.documents.reports import results_json, write_report
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.render.html import render_html
from onsetstudy.report.render.pdf import render_pdf
from onsetstudy.study.sets.analysis_set import AnalysisSet
from tests.study import demo as invented
from tests.study.cases import analyse, case, protocol, readings_of, records, study

pytestmark = pytest.mark.usefixtures("unpainted", "few_draws")

ROOT = Path(__file__).parents[3]
NEVER = "f" * 12


@pytest.fixture(scope="module")
def demo():
    promised = protocol(plan={"sensitivity": ()})
    return analyse(promised, invented.records(), quarter="2026Q3")


def test_the_flow_adds_up_to_every_row(demo):
    stages = demo.flow.stages
    for before, after in itertools.pairwise(stages):
        assert before.count == after.count + sum(r.count for r in after.lost)
    assert stages[0].count == demo.data_quality.rows_read
    assert stages[-1].count == demo.overall.n.cases == sum(a.cases for a in stages[-1].by_arm)


def test_quarters_add_up_to_all(demo):
    assert [q.level for q in demo.by_quarter] == ["2025Q4", "2026Q1", "2026Q2", "2026Q3"]
    assert sum(q.n.cases for q in demo.by_quarter) == demo.overall.n.cases
    assert demo.quarter == "2026Q3"


def test_the_truth_of_the_demo_lies_in_its_intervals(demo):
    truth = {a["arm"]: a for a in json.loads((ROOT / "data/synthetic/truth.json").read_text())["arms"]}
    population = demo.overall
    for key, per_arm in (
        ("success_by_target", population.success),
        ("restricted_wait_min", population.wait),
        ("never_numb", population.never_numb),
    ):
        for e in per_arm:
            assert e.interval.low <= truth[e.contrast][key] <= e.interval.high, (key, e.contrast)
    difference = truth["buffered"]["restricted_wait_min"] - truth["plain"]["restricted_wait_min"]
    assert population.wait_difference.interval.low <= difference <= population.wait_difference.interval.high


@pytest.mark.usefixtures("answer_alone")
def test_an_earlier_quarter_leaves_later_cases_out(demo):
    promised = protocol(plan={"sensitivity": ()})
    early = analyse(promised, invented.records(), quarter="2025Q4")
    assert early.overall.n.cases == demo.by_quarter[0].n.cases
    assert {r.code for r in early.flow.stages[-1].lost} == {"later_quarter"}


def test_results_survive_json(demo):
    text = json.dumps(demo.to_dict(), allow_nan=False)
    assert from_dict(json.loads(text)).to_dict() == demo.to_dict()
    assert json.loads(results_json(demo))["kind"] == "study_results"


def test_the_stopwatch_answer_is_what_a_stopwatch_would_say():
    # Onsets seen at minutes 2 and 4 (plain), 1 and 3 (buffered), one plain case never: means 3 and 2.
    promised, found = study({"plain": ["fnn", "fffnn", NEVER], "buffered": ["nn", "ffnn"]})
    naive = analyse(promised, found).overall.naive
    assert naive.means == (("plain", 3.0, 2, 1), ("buffered", 2.0, 2, 0))
    assert naive.difference == -1.0


def test_numbers_still_being_tested():
    promised, found = study({"plain": ["fnn", "fffnn", NEVER], "buffered": ["nn", "ffnn"]})
    plain = dict(analyse(promised, found).overall.curves[0].still_tested)
    # The first case is not yet seen numb before minute 2; it is out from minute 3 on.
    assert [plain[float(t)] for t in (0, 1, 2, 3, 4, 5, 12)] == [3, 3, 3, 2, 2, 1, 1]


DEGENERATE = {
    "no onset with plain": {"plain": [NEVER] * 6, "buffered": ["nn", "fnn", "ffnn", "fnn", "nn", "fnn"]},
    "no onset at all": {"plain": [NEVER] * 4, "buffered": [NEVER] * 4},
    "one arm missing": {"buffered": ["nn", "fnn", NEVER, "ffnn"]},
    "three cases": {"plain": ["fnn"], "buffered": ["nn", "ffnn"]},
    "one case": {"plain": ["fnn"]},
    "all numb at the first test": {"plain": ["nn"] * 5, "buffered": ["nn"] * 5},
    "separated": {"plain": ["ffffnn"] * 5, "buffered": ["nn"] * 5},
    "nothing confirmed": {"plain": ["fffn"] * 3, "buffered": ["fn"] * 3},
    "only missed tests but one": {"plain": ["...nn", "f....nn"], "buffered": [".....nn", "..nn"]},
}


@pytest.mark.parametrize("name", DEGENERATE)
@pytest.mark.parametrize("primary", ["restricted_wait", "success_by_target", "hazard_ratio", "pain"])
def test_too_little_data_gives_an_honest_page(name, primary, monkeypatch):
    # How many more cases the rate would take is found by drawn trials.
    monkeypatch.setattr("onsetstudy.study.planning.power.TRIALS", 30)
    promised, found = study(DEGENERATE[name], protocol(plan={"primary": primary, "sensitivity": ()}))
    results = analyse(promised, found)
    html = render_html(compose(results))
    assert "inf" not in results.overall.to_frame()["estimate"].astype(str).str.lower().tolist()
    assert not re.search(r"\b(nan|inf|None)\b", html)
    for result in (results.overall.hazard_ratio, results.overall.wait_difference):
        if isinstance(result, Estimate):
            assert np.isfinite([result.estimate, result.interval.low, result.interval.high]).all()
        else:
            assert result.reason


@pytest.mark.parametrize("name", ["no onset with plain", "one arm missing", "one case"])
def test_too_little_data_gives_a_pdf(name):
    promised, found = study(DEGENERATE[name])
    assert render_pdf(compose(analyse(promised, found))).startswith(b"%PDF-")


@pytest.mark.usefixtures("answer_alone")
def test_an_infinite_ratio_is_told_as_a_bound():
    promised, found = study(DEGENERATE["no onset with plain"])
    ratio = analyse(promised, found).overall.hazard_ratio
    assert isinstance(ratio, NotAvailable)
    assert ratio.code == "no_onset_in_arm"
    assert 1 < ratio.bound.low < 20
    assert ratio.bound.high == np.inf


def test_a_missing_arm_is_named():
    promised, found = study(DEGENERATE["one arm missing"])
    results = analyse(promised, found)
    assert results.overall.wait_difference.reason == "no case of the arm not buffered has been recorded"
    assert "There is no answer yet: no case of the arm not buffered has been recorded." in render_html(compose(results))


def test_an_arm_whose_cases_are_all_refused_was_recorded():
    cases = [case(n, arm) for n, arm in enumerate(("plain", "plain", "buffered", "buffered"), start=1)]
    for row in cases[2:]:
        row["tooth"] = "99"
    readings = [row for n in range(1, 5) for row in readings_of(n, "ffnn")]
    overall = analyse(protocol(), records(cases, readings, protocol())).overall
    reason = "no case of the arm buffered could be used (2 recorded)"
    assert {overall.wait_difference.reason, overall.hazard_ratio.reason, overall.curves[1].curve.reason} == {reason}


def test_an_arm_whose_first_case_comes_in_a_later_quarter_was_not_recorded_yet():
    cases = [case(1, case_date="2026-05-04"), case(2, case_date="2026-05-05"), case(3, "buffered")]
    found = records(cases, [row for n in range(1, 4) for row in readings_of(n, "ffnn")], protocol())
    overall = analyse(protocol(), found, quarter="2026Q2").overall
    assert overall.wait_difference.reason == "no case of the arm buffered has been recorded"


@pytest.mark.usefixtures("answer_alone")
def test_an_arm_is_told_where_only_the_other_cannot_be():
    answers = ["ffffffffffnnn"] * 3 + ["fffnn"] * 5
    overall = analyse(*study({"plain": answers, "buffered": ["f"] * 8})).overall
    for arms, difference in (
        (overall.wait, overall.wait_difference),
        (overall.never_numb, overall.never_numb_difference),
    ):
        plain, buffered = arms
        assert (plain.contrast, plain.n.cases) == ("plain", 8)
        assert "buffered" in buffered.reason
        assert isinstance(difference, NotAvailable)
    whole = analyse(*study({"plain": answers, "buffered": answers})).overall
    assert overall.wait[0].estimate == whole.wait[0].estimate


def test_a_quarter_that_is_not_in_the_study_is_refused():
    promised, found = study({"plain": ["fnn"]})
    with pytest.raises(RecordsError, match="2031Q1 is not a quarter of this study"):
        analyse(promised, found, quarter="2031Q1")


def test_a_quarter_without_cases_says_so():
    promised, found = study({"plain": ["fnn"]})
    html = render_html(compose(analyse(promised, found, quarter="2025Q4")))
    assert "There is no answer yet: no case has been recorded." in html


@pytest.mark.usefixtures("answer_alone")
def test_paired_designs_permute_within_patients():
    promised = protocol(study={"design": "split_mouth"})
    cases = {"plain": ["fffnn", "ffnn", "ffffnn", "fnn"], "buffered": ["ffnn", "fnn", "fffnn", "nn"]}
    promised, found = study(cases, promised)
    pairs = found.cases.assign(patient_id=[f"K{i % 4}" for i in range(8)])
    results = analyse(promised, dataclasses.replace(found, cases=pairs))
    # Buffered sooner in all four pairs: 2 of the 16 arrangements are as extreme.
    assert results.overall.onset_test.p_value == pytest.approx(2 / 16)


@pytest.mark.usefixtures("answer_alone")
def test_the_plan_adjusts_for_its_covariates():
    arms = {"plain": ["fffnn", "ffnn", "ffffnn", "fnn"] * 3, "buffered": ["ffnn", "fnn", "fffnn", "nn"] * 3}
    promised = protocol(plan={"covariates": ("volume_ml",), "sensitivity": ()})
    promised, found = study(arms, promised)
    volumes = np.linspace(1.2, 1.8, 24)
    changed = dataclasses.replace(found, cases=found.cases.assign(volume_ml=volumes))
    adjusted = analyse(promised, changed).overall.hazard_ratio
    plain = analyse(protocol(plan={"sensitivity": ()}), found).overall.hazard_ratio
    assert adjusted.estimate != pytest.approx(plain.estimate, rel=1e-6)
    missing = dataclasses.replace(found, cases=found.cases.assign(volume_ml=np.where(volumes < 1.3, np.nan, volumes)))
    ratio = analyse(promised, missing).overall.hazard_ratio
    assert ratio.reason == "4 cases have no volume_ml, which the plan adjusts for"


def test_progress_is_told():
    promised, found = study({"plain": ["fnn"], "buffered": ["nn"]})
    told = []
    analyse(promised, found, progress=lambda done, total, label: told.append((done, total, label)))
    assert told[0][0] == 0
    assert all(done <= total for done, total, _ in told)


def test_reports_are_the_same_for_the_same_input(tmp_path):
    promised, found = study({"plain": ["fnn", "fffnn", NEVER, "ffnn"], "buffered": ["nn", "ffnn", "fnn", "nn"]})
    for folder in ("one", "two"):
        write_report(analyse(promised, found), tmp_path / folder)
    for path in sorted((tmp_path / "one").iterdir()):
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


@pytest.mark.usefixtures("answer_alone")
def test_no_naive_p_stands_beside_a_clustered_interval(monkeypatch):
    """Nine clusters: the ratio's interval says too narrow, and neither it nor the log-rank test shows a P value."""
    monkeypatch.setattr(AnalysisSet, "cluster", lambda self: (np.arange(len(self)) % 9).astype(str))
    found = analyse(invented.of_all_cases_alone(invented.PROTOCOL), invented.records(), quarter="2026Q3")
    ratio, test = found.overall.hazard_ratio, found.overall.onset_test
    assert ratio.interval.method.startswith("cluster-robust")
    assert ratio.p_value is None
    assert test.p_shown is None
    frame = found.overall.to_frame().set_index("quantity")
    assert frame.loc[["onset_test", "hazard_ratio"], "p_value"].isna().all()
    html = render_html(compose(found))
    assert "No P value: this test takes all cases as independent" in html
    assert "the cluster-robust interval is too narrow" in html
    assert to_dict(test)["p_value"] == "nan"
    assert from_dict(to_dict(test)).p_shown is None
