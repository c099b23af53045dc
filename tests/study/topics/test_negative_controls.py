"""What the injection cannot change: pain at insertion, and the control tooth, as checks of blinding and testing."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from onsetstudy.core.results import Estimate
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.sections.appendix.testing import negative_section, negative_words
from onsetstudy.study.results import NegativeControl
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.sets.contrasts import compared_treatments, control_onset_of
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.negative_controls import control_tests, negative_controls
from tests.report.samples import rich
from tests.study.cases import case, protocol, readings_of, records

pytestmark = pytest.mark.usefixtures("unpainted")


def study(controls, insertion=("", ""), many=1):
    """Cases of both arms whose control tooth answers as written: ``{"plain": "ff", "buffered": "fn"}``."""
    cases, tests, n = [], [], 0
    for place, arm in enumerate(("plain", "buffered")):
        for k in range(many):
            n += 1
            score = insertion[place] if isinstance(insertion[place], str) else str(insertion[place][k])
            more = {"pain_insertion": score} if score else {}
            cases.append(case(n, arm, baseline_response="felt", **more))
            answers = controls[arm] if isinstance(controls[arm], str) else controls[arm][k]
            rows = readings_of(n, "f" * len(answers), control=False)
            rows += [{**r, "tooth_role": "control", "response": "felt" if a == "f" else "not_felt"}
                     for r, a in zip(rows, answers, strict=True)]  # fmt: skip
            tests += rows
    made = protocol()
    checked = records(cases, tests, made)
    assert not checked.problems, [str(p) for p in checked.problems]
    data, _ = prepare(made, checked, through=made.quarters[-1])
    return data, checked


def found(data, checked, outcome):
    return next((c for c in negative_controls(data, checked) if c.outcome == outcome), None)


def test_tests_of_the_control_tooth_are_counted_by_hand():
    """Two in a row make an onset: the last test of a tooth can be none, nor can those after the onset.

    ``ffff`` has three that could be, ``fnff`` three, ``fnnf`` two (the onset at the second), ``f`` none.
    """
    data, checked = study({"plain": ["ffff", "fnff"], "buffered": ["fnnf", "f"]}, many=2)
    number, lost = control_tests(data, checked, 2)
    by_case = [(int((number == k).sum()), int(lost[number == k].sum())) for k in range(4)]
    assert sorted(by_case) == [(0, 0), (2, 1), (3, 0), (3, 0)]
    answer = found(data, checked, "control_tooth")
    assert [(e.n.onsets, e.n.cases) for e in answer.arms] == [(0, 6), (1, 2)]
    assert answer.difference.estimate == pytest.approx(0.5)
    assert answer.difference.quantity == "control_onset_difference"


def of_codes(n):
    return AnalysisSet(frame=pd.DataFrame({"case_id": [str(k) for k in range(n)]}), protocol=protocol())


def test_one_test_that_is_enough_can_be_any():
    data, checked = study({"plain": "ff", "buffered": "fn"})
    number, lost = control_tests(data, checked, 1)
    assert len(number) == 4
    assert lost.sum() == 1


def test_a_single_loss_counts_beside_as_it_discards_a_test_of_the_target():
    """``fnf`` has two tests up to its loss, ``fff`` three without; two in a row are never lost."""
    study_of = study({"plain": ["fnf"] * 20, "buffered": ["fff"] * 20}, many=20)
    twice, once = (found(*study_of, name) for name in ("control_tooth", "control_single"))
    assert [(e.n.onsets, e.n.cases) for e in once.arms] == [(20, 40), (0, 60)]
    assert once.difference.estimate == pytest.approx(-0.5)
    assert once.differs
    assert not twice.differs
    said = negative_words((twice, once))
    assert "at a single test" in said[0]
    both = dataclasses.replace(twice, difference=once.difference)
    assert negative_words((both, once))[0].count("Were both arms tested alike?") == 1


def test_single_losses_alike_in_both_arms_are_no_difference_of_testing():
    """False "not felt" of 9 % in both arms, one of them tested half as long: by chance alone, in 1 of 20."""
    rng, excluded, trials, made = np.random.default_rng(9), 0, 200, protocol()
    for _ in range(trials):
        rows = [
            (str(k), float(m), "control", "not_felt" if rng.random() < 0.09 else "felt")
            for k in range(60)
            for m in range(1, 6 if k % 2 else 12)
        ]
        frame = pd.DataFrame(rows, columns=["case_id", "minute", "tooth_role", "response"])
        readings = dataclasses.make_dataclass("R", ["readings"])(frame)
        case_of, lost = control_tests(of_codes(60), readings, 1)
        arm = np.where(case_of % 2, "buffered", "plain")
        tested = compared_treatments(lost, arm, {"practice_id": np.full(arm.size, "P01")}, made)
        span = control_onset_of(tested).difference.interval
        excluded += span.low > 0 or span.high < 0
    assert excluded / trials < 0.05 + 3 * np.sqrt(0.05 * 0.95 / trials)


def test_arms_swapped_turn_the_difference():
    one = found(*study({"plain": ["fffff", "fnnff"], "buffered": ["fffff", "fffff"]}, many=2), "control_tooth")
    two = found(*study({"buffered": ["fffff", "fnnff"], "plain": ["fffff", "fffff"]}, many=2), "control_tooth")
    assert one.difference.estimate == pytest.approx(-two.difference.estimate)
    assert one.difference.estimate < 0


def test_pain_at_insertion_is_compared_where_it_was_asked():
    rng = np.random.default_rng(4)
    scores = [rng.integers(10, 30, 12), rng.integers(60, 80, 12)]
    data, checked = study({"plain": "ff", "buffered": "ff"}, scores, many=12)
    answer = found(data, checked, "insertion_pain")
    assert answer.difference.estimate == pytest.approx(scores[1].mean() - scores[0].mean())
    assert answer.differs
    assert found(*study({"plain": "ff", "buffered": "ff"}), "insertion_pain") is None


def test_without_a_control_tooth_there_is_no_control():
    data, checked = study({"plain": "ff", "buffered": "ff"})
    readings = checked.readings[checked.readings["tooth_role"] == "target"]
    assert negative_controls(data, dataclasses.replace(checked, readings=readings)) == ()


def test_an_arm_whose_targets_go_numb_sooner_is_no_difference_of_control_teeth():
    """False "not felt" of 9 % in both arms, testing of one arm half as long: by chance alone, in 1 of 20."""
    rng, excluded, trials = np.random.default_rng(8), 0, 400
    made = protocol()
    for _ in range(trials):
        number, lost, arms = [], [], []
        for k in range(80):
            n = 5 if k % 2 else 11
            made_tests = [
                {"case_id": str(k), "minute": float(m), "tooth_role": "control", "response": answer}
                for m, answer in enumerate(np.where(rng.random(n) < 0.09, "not_felt", "felt"), start=1)
            ]
            number += made_tests
            arms.append("buffered" if k % 2 else "plain")
        readings = dataclasses.make_dataclass("R", ["readings"])(pd.DataFrame(number))
        case_of, lost = control_tests(of_codes(80), readings, 2)
        arm = np.array(arms)[case_of]
        tested = compared_treatments(lost, arm, {"practice_id": np.full(arm.size, "P01")}, made)
        span = control_onset_of(tested).difference.interval
        excluded += span.low > 0 or span.high < 0
    assert excluded / trials < 0.05 + 3 * np.sqrt(0.05 * 0.95 / trials)


def negative(low, high, outcome="control_tooth"):
    results = rich()
    like = results.overall.success_difference
    apart = dataclasses.replace(
        like, estimate=(low + high) / 2, interval=dataclasses.replace(like.interval, low=low, high=high)
    )
    assert isinstance(apart, Estimate)
    return NegativeControl(outcome=outcome, difference=apart, arms=results.overall.success)


@pytest.mark.parametrize(("low", "high", "told"), [(0.01, 0.2, True), (-0.2, -0.01, True), (-0.1, 0.1, False),
                                                   (0.0, 0.2, False)])  # fmt: skip
def test_the_first_page_warns_only_where_no_difference_is_excluded(low, high, told):
    control = negative(low, high)
    results = dataclasses.replace(rich(), negative=(control,))
    page = next(b for b in compose(results).sections[0].blocks if b.kind == "cautions")
    assert any("cannot change" in text for text in page.texts) is told
    assert bool(negative_words((control,))) is told
    if told:
        said = negative_words((control,))[0]
        assert "one of twenty" in said
        assert not any(sign.isdigit() for sign in said)


def test_the_section_tells_every_control_and_what_it_means():
    both = (negative(0.01, 0.2), negative(-0.1, 0.1, "insertion_pain"))
    section = negative_section(both, rich().protocol)
    assert len(section.blocks[1].rows) == 2
    assert "Were both arms tested alike?" in section.blocks[0].text
    assert "Was the arm known" not in section.blocks[0].text
    assert negative_section((), rich().protocol) is None
