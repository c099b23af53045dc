"""The section on watching: signals in words, charts as drawn, nothing where there is nothing."""

import dataclasses

import numpy as np
import pytest

from onsetstudy.report.figures import watching
from onsetstudy.report.figures.canvas import canvas, look_of
from onsetstudy.report.sections.appendix.watching import watch_section
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.watching import WINDOW, watch_of
from onsetstudy.watch.cusum import chart_failures
from tests.study.cases import protocol, study

RULE = {"odds_ratio": 2.0, "run_length": 100, "failure_share": 0.5, "first_cases": 20}


def watched(buffered, **rule):
    promised = protocol(plan={"sensitivity": ()})
    promised = dataclasses.replace(promised, watch=dataclasses.replace(promised.watch, **{**RULE, **rule}))
    promised, found = study({"plain": ["ffnn"] * 3, "buffered": buffered}, promised)
    data, _ = prepare(promised, found, through=promised.quarters[-1])
    return watch_of(data), promised


def words(section):
    return " ".join(b.text for b in section.blocks if b.kind == "paragraph")


def test_a_stretch_of_failures_is_said_in_words():
    # Target 2 min: "nn" is numb at the first test, "fffnn" at the fourth.
    found, promised = watched(["nn", "fffnn"] * 6 + ["fffnn"] * 20)
    signal = next(c for c in found.charts if c.failure == "by_target" and c.direction == "worse").signals[-1]
    said = words(watch_section(found, promised))
    assert f"the last {signal.cases} cases were not numb by 2 min more often than in the past" in said
    assert "a reason to look for a cause, not a proof of one" in said


def test_no_signal_is_not_called_proof():
    found, promised = watched(["nn", "fffnn"] * 12)
    assert "No signal in the 24 buffered cases watched" in words(watch_section(found, promised))


def test_too_few_cases():
    found, promised = watched(["nn"] * 12, failure_share=None, first_cases=20)
    assert found.charts == ()
    said = words(watch_section(found, promised))
    assert "12 buffered cases do not make a chart yet." in said
    assert "charts begin 10 cases after the first 20" in said
    assert watch_section(None, promised) is None


def test_undecided_cases_are_in_no_chart():
    # The test at minute 2 was missed: felt at 1, not felt at 3 and 4, so nobody knows about minute 2.
    found, promised = watched(["nn", "fffnn"] * 10 + ["f.nn"] * 4)
    captions = [b.caption for b in watch_section(found, promised).blocks if b.kind == "figure"]
    assert "Cases are numbered without 4 of which no test says whether they were not numb by 2 min." in captions[0]
    assert dict(found.undecided)["by_target"] == 4
    assert len(next(c for c in found.charts if c.failure == "by_target").path) == 20


def test_windows_of_consecutive_cases():
    found, _ = watched(["nn", "fffnn"] * 25)
    assert [(w.first, w.last) for w in found.windows] == [(1, 20), (21, 40)]
    waits = [w.wait.estimate for w in found.windows]
    assert waits[0] == pytest.approx(waits[1])
    assert WINDOW == 20


def test_a_past_that_says_too_little_makes_no_chart():
    found, promised = watched(["nn"] * 60, failure_share=None, first_cases=10)
    assert "no_chart_never_numb" in {c.code for c in found.caution}
    assert "cannot say well enough what share is usually never numb" in words(watch_section(found, promised))


def test_with_a_stated_share_no_first_cases_are_spoken_of():
    said = words(watch_section(*watched(["nn", "fffnn"] * 12)))
    assert "With a stated share and no cases of the past a change in the share never numb cannot be charted" in said
    assert "first 0 cases" not in said


def test_the_chart_is_drawn_as_computed():
    up = chart_failures([1] * 12, [0.3] * 12, failure="by_target", odds_ratio=2, run_length=60)
    down = chart_failures([1] * 12, [0.3] * 12, failure="by_target", odds_ratio=0.5, run_length=60)
    look = look_of("buffered", ("plain", "buffered"))
    with canvas(6, 2) as figure:
        ax = figure.add_subplot()
        watching.draw([up, down], ax, look=look, first=5)
        _, worse, _, rings, better, limit, _ = ax.lines
    assert worse.get_ydata().tolist() == pytest.approx([0, *up.path])
    assert better.get_ydata().tolist() == pytest.approx([0, *-np.asarray(down.path)])
    assert (np.asarray(limit.get_ydata()) < 0).all()
    assert (rings.get_xdata() - 5).tolist() == [s.case for s in up.signals]
    assert rings.get_ydata().tolist() == [up.path[s.case - 1] for s in up.signals]
    drawn = watching.draw_figure([up, down], failure="late", look=look, first=5)
    assert f"signals at case {up.signals[0].case + 5}" in drawn.alt
    assert "fewer of them than usual: no signal" in drawn.alt
