"""The fair comparison of a dozen cases of each arm: what cannot be told apart, and limits that know how few."""

import dataclasses
import re

import numpy as np
import pytest

from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.core.seeds import stream
from onsetstudy.report.document import Table
from onsetstudy.report.sections.appendix.fairness import fair_section
from onsetstudy.study.practice.subsets import analyse_population
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.confounding import fair_comparison
from onsetstudy.study.topics.outcomes import comfort_of
from tests.simulation.fair import GRID, audit
from tests.study.cases import case, protocol, readings_of, records

PLAIN_FIRST = np.repeat([False, True], 12)
WAYS = ("weighted", "standardised")


def small_audit(other, *, onset, operator, day=None, score=None):
    """Cases with their onset in minutes, operator, day and pain score."""
    made = dataclasses.replace(audit(), pain=protocol().pain)
    rows, readings = [], []
    for k in range(other.size):
        more = {
            "clinician_id": f"P01-{operator[k]}",
            "allocation": "clinician_choice",
            "case_date": "2026-08-03" if day is None else day[k],
            "pain_deposition": "" if score is None else f"{score[k]}",
        }
        rows.append(case(k + 1, "buffered" if other[k] else "plain", **more))
        readings += readings_of(k + 1, "".join("f" if t < onset[k] else "n" for t in GRID))
    return prepare(made, records(rows, readings, made), through=made.quarters[-1])[0]


def fair_of(data):
    overall = analyse_population(data, label="", dimension="overall", level="all", minimum=1)
    return fair_comparison(data, overall, comfort_of(data, overall))


def drawn(name, n=24):
    rng = stream(7, name)
    return rng.gamma(3.0, 1.5, n), rng.integers(20, 60, n)


def said(section):
    tables = [block for block in section.blocks if isinstance(block, Table)]
    return " ".join((*(getattr(b, "text", "") for b in section.blocks), *(n for t in tables for n in t.notes)))


@pytest.fixture(scope="module")
def before_after():
    """Nobody buffered in July to September, everybody from October on; pain is 20 mm lower after the change."""
    onset, score = drawn("fair.before_after")
    day = np.where(PLAIN_FIRST, "2026-08-03", "2026-05-04")
    score = score - 20 * PLAIN_FIRST
    data = small_audit(PLAIN_FIRST, onset=onset, operator=np.tile(["A", "B"], 12), day=day, score=score)
    return data, fair_of(data)


def test_an_arm_that_changes_with_the_quarter_gives_no_adjusted_number(before_after):
    _, fair = before_after
    assert [line.outcome for line in fair.lines] == ["success_difference", "rmst_difference", "pain_difference"]
    for line in fair.lines:
        assert isinstance(line.crude, Estimate)
        for way in WAYS:
            answer = getattr(line, way)
            assert isinstance(answer, NotAvailable), (line.outcome, way)
            assert answer.code == "positivity"
            assert answer.reason == (
                "arm and quarter are the same here, so that which of them made a difference cannot be told"
            )


def test_what_cannot_be_told_is_said_once_and_leaves_no_empty_columns(before_after):
    data, fair = before_after
    section = fair_section(fair, data.protocol)
    (table,) = [block for block in section.blocks if isinstance(block, Table)]
    assert table.columns == ("what", "as it is")
    words = said(section)
    assert words.count("arm and quarter are the same here") == 1
    assert "Among cases alike the difference cannot be told: arm and quarter are the same here" in words
    assert "and among cases alike in" not in words
    assert "draws" not in words
    assert "drawn by lot" not in words
    assert "extrapolated" not in words


@pytest.mark.parametrize("exceptions", [0, 1, 2])
def test_operators_who_did_one_arm_each_are_not_halved_between_arm_and_operator(monkeypatch, exceptions):
    monkeypatch.setattr("onsetstudy.study.topics.confounding.REPLICATES", 20)
    onset, score = drawn("fair.operators")
    operator = np.where(np.arange(24) < 12 + exceptions, "A", "B")
    fair = fair_of(small_audit(PLAIN_FIRST, onset=onset, operator=operator, score=score - 20 * PLAIN_FIRST))
    how = "nearly the same" if exceptions else "the same"
    for line in fair.lines:
        for way in WAYS:
            answer = getattr(line, way)
            assert isinstance(answer, NotAvailable), (line.outcome, way)
            assert answer.reason.startswith(f"arm and operator are {how} here")


def test_pain_is_refused_by_the_cases_whose_pain_is_known(monkeypatch):
    """Both operators used both arms, but scores were written down for one arm of each only."""
    monkeypatch.setattr("onsetstudy.study.topics.confounding.REPLICATES", 20)
    onset, score = drawn("fair.scores")
    operator = np.tile(["A", "B"], 12)
    score = np.where((operator == "A") == PLAIN_FIRST, score.astype(str), "")
    fair = fair_of(small_audit(PLAIN_FIRST, onset=onset, operator=operator, score=score))
    success, _, pain = fair.lines
    assert isinstance(success.weighted, Estimate)
    assert isinstance(pain.crude, Estimate)
    for way in WAYS:
        assert getattr(pain, way).reason.startswith("arm and operator are the same here")


def reach(e):
    return e.estimate - e.interval.low, e.interval.high - e.estimate


@pytest.mark.parametrize("other_onset", ["all alike", "one arm alike"])
def test_adjusted_limits_reach_as_far_as_those_of_the_difference_as_it_is(monkeypatch, other_onset):
    monkeypatch.setattr("onsetstudy.study.topics.confounding.REPLICATES", 60)
    onset, score = drawn("fair.alike")
    onset = np.where(PLAIN_FIRST | (other_onset == "all alike"), 0.5, onset)
    data = small_audit(PLAIN_FIRST, onset=onset, operator=np.tile(["A", "B"], 12), score=score)
    fair = fair_of(data)
    told = 0
    for line in fair.lines:
        for way in WAYS:
            answer = getattr(line, way)
            if isinstance(answer, NotAvailable):
                continue
            told += 1
            edge = {"success_difference": 1.0, "rmst_difference": data.protocol.onset.tau_min}.get(line.outcome, np.inf)
            (low, high), (crude_low, crude_high) = reach(answer), reach(line.crude)
            assert answer.interval.low < answer.interval.high
            assert low >= crude_low - 1e-9 or answer.interval.low == -edge
            assert high >= crude_high - 1e-9 or answer.interval.high == edge
            assert "no nearer than those of the difference as it is" in answer.interval.method
    assert told >= 4
    words = said(fair_section(fair, data.protocol))
    assert "they reach at least as far as those of the difference as it is" in words


def test_pain_is_told_where_the_model_of_the_curves_runs_away(monkeypatch):
    monkeypatch.setattr("onsetstudy.study.topics.confounding.REPLICATES", 20)
    onset, score = drawn("fair.run_away")
    onset = np.where(PLAIN_FIRST, 0.5, 3 + onset)
    data = small_audit(PLAIN_FIRST, onset=onset, operator=np.tile(["A", "B"], 12), score=score)
    fair = fair_of(data)
    success, wait, pain = fair.lines
    assert isinstance(success.standardised, NotAvailable)
    assert isinstance(wait.standardised, NotAvailable)
    assert isinstance(pain.standardised, Estimate)
    section = fair_section(fair, data.protocol)
    (table,) = [block for block in section.blocks if isinstance(block, Table)]
    assert max(len(cell) for row in table.rows for cell in row[1:]) < 30, "reasons stand under the table"
    assert any(n.startswith("– standardised: ") and "no ratio of their rates" in n for n in table.notes)
    assert "coefficient" not in said(section)


def test_minutes_are_shown_as_saved(monkeypatch):
    monkeypatch.setattr("onsetstudy.study.topics.confounding.REPLICATES", 60)
    onset, score = drawn("fair.saved")
    onset = np.where(PLAIN_FIRST, onset / 3, onset)
    data = small_audit(PLAIN_FIRST, onset=onset, operator=np.tile(["A", "B"], 12), score=score)
    fair = fair_of(data)
    wait = fair.lines[1]
    assert wait.crude.estimate < 0, "files keep their sign: the other arm less the reference arm"
    assert wait.weighted.estimate < 0
    section = fair_section(fair, data.protocol)
    (table,) = [block for block in section.blocks if isinstance(block, Table)]
    row = next(row for row in table.rows if "minutes saved" in row[0])
    for cell, answer in zip(row[1:3], (wait.crude, wait.weighted), strict=True):
        shown = [float(n.replace("−", "-")) for n in re.findall(r"−?[\d.]+", cell)]
        ends = (-answer.estimate, -answer.interval.high, -answer.interval.low)
        assert shown == pytest.approx(ends, abs=0.051)
    assert "of times to onset they are minutes saved" in said(section)


def test_what_has_few_cases_of_each_level_is_not_said_to_be_accounted_for():
    # Six operators of four cases each: taken together they are one, of which nothing is different.
    onset, score = drawn("fair.rare")
    who = np.repeat(list("ABCDEF"), 4)
    day = np.tile(["2026-08-03", "2026-05-04", "2026-08-04"], 8)
    data = small_audit(np.tile([False, True], 12), onset=onset, operator=who, day=day, score=score)
    fair = fair_of(data)
    assert ("clinician_id", "too few cases of each") in fair.left_out
    assert fair.covariates == ("quarter",)
    text = said(fair_section(fair, data.protocol))
    assert "among cases alike in quarter." in text
    assert "operator (too few cases of each)" in text
