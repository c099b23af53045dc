"""What is asked decides what is computed: strategy, rule, set and minute come from the estimand."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pytest

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.protocol.estimands import (
    AS_TREATED,
    PER_PROTOCOL,
    estimand_of,
    main_set,
    questions_of,
)
from onsetstudy.protocol.lock import lock_standing
from onsetstudy.protocol.vocabulary import SENSITIVITY
from onsetstudy.report.documents.protocol import compose_protocol
from onsetstudy.report.numbers import listed
from onsetstudy.report.sections.appendix.interim import planned_section
from onsetstudy.study.practice.sensitivity import cases_of
from onsetstudy.study.practice.subsets import variation
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.sets.prepare import prepare
from tests.study.cases import analyse, protocol, study

INF = np.inf
FIRST = dt.date(2026, 8, 3)


def ends(made, found, question, asked=None):
    data, _ = prepare(made, found, through=made.quarters[-1], asked=asked)
    times = data.times(question)
    return list(zip(times.left, times.right, strict=True))


@pytest.fixture(scope="module")
def one_supplement():
    """Three cases, the first given a supplement at 4.5 min, before it was numb."""
    made, found = study({"plain": ["ffffffnn", "ffnn"], "buffered": ["nn"]})
    return made, dataclasses.replace(found, cases=found.cases.assign(rescue_min=[4.5, np.nan, np.nan]))


def test_the_plan_knows_every_choice_that_a_protocol_may_name():
    made, planned = protocol(), questions_of(protocol())
    for choice in SENSITIVITY:
        asked = questions_of(made, choice=choice)
        for question, one in asked.items():
            same = dataclasses.replace(one, key=planned[question].key)
            # The demo asks for two confirmations already; any other choice asks something else.
            # Every test decides already under a protocol without a window.
            assert (same == planned[question]) == (choice in ("confirmations_2", "all_tests")), choice
    with pytest.raises(OnsetStudyError, match=f"'guesses' is not known. Choose among {', '.join(SENSITIVITY)}"):
        questions_of(made, choice="guesses")


def test_a_choice_has_one_name_in_protocol_plan_and_report():
    told = protocol(plan={"sensitivity": tuple(SENSITIVITY)})
    _, found = study({"plain": ["ffnn", "fnn"] * 4, "buffered": ["nn", "fnn"] * 4}, told)
    results = dataclasses.replace(analyse(told, found), standing=lock_standing(told, None, first_case=FIRST))
    names = [name for name, _ in SENSITIVITY.values()]
    assert SENSITIVITY["per_protocol"][0] == PER_PROTOCOL
    assert [v.label for v in results.sensitivity[1:]] == names
    *_, planned = planned_section(results).blocks
    assert [row[0] for row in planned.rows if "another choice" in row[1]] == names
    assert listed(names) in str(compose_protocol(told, None))


def test_the_strategy_of_an_estimand_decides_the_interval(one_supplement):
    made, found = one_supplement
    tau = made.onset.tau_min
    expected = {
        "composite": (tau, INF),
        "hypothetical": (4.0, INF),
        "treatment_policy": (6.0, 7.0),
        "while_on_treatment": (4.5, 4.5),
    }
    for strategy, interval in expected.items():
        asked = questions_of(made)
        asked["wait"] = dataclasses.replace(asked["wait"], strategies=(("supplement", strategy),))
        first, *others = ends(made, found, "wait", asked)
        assert first == interval, strategy
        assert others == ends(made, found, "wait")[1:], "nobody else had a supplement"
        assert ends(made, found, "success", asked) == ends(made, found, "success"), "another question, untouched"
        assert ends(protocol(rescue={"wait": strategy}), found, "wait")[0] == interval


def test_the_other_way_round_is_a_change_of_strategy_alone(one_supplement):
    made, found = one_supplement
    asked = questions_of(made, choice="rescue_other_way")
    assert {q: e.strategy for q, e in asked.items()} == {
        "hazard": "composite", "success": "hypothetical", "wait": "hypothetical",
    }  # fmt: skip
    assert ends(made, found, "wait", asked)[0] == ends(made, found, "hazard")[0] == (4.0, INF)
    assert ends(made, found, "hazard", asked)[0] == ends(made, found, "wait")[0] == (made.onset.tau_min, INF)


def test_the_rule_of_an_estimand_decides_the_onset():
    made, found = study({"plain": ["fnffnn", "ffn"], "buffered": ["nn"]})
    assert ends(made, found, "hazard")[:2] == [(4.0, 5.0), (2.0, INF)]
    assert ends(made, found, "hazard", questions_of(made, choice="confirmations_1"))[:2] == [(1.0, 2.0), (2.0, 3.0)]
    assert ends(made, found, "hazard", questions_of(made, choice="accept_unconfirmed"))[:2] == [(4.0, 5.0), (2.0, 3.0)]


def test_the_set_of_an_estimand_decides_cases_and_arm():
    made, found = study({"plain": ["ffnn", "fnn"], "buffered": ["nn", "fnn"]})
    data, _ = prepare(made, found, through=made.quarters[-1])
    # The first case was allocated to the other arm than it was injected with.
    frame = data.frame.assign(arm_received=data.frame["arm"], arm=["buffered", "plain", "buffered", "buffered"])
    listed = AnalysisSet(frame=frame, protocol=made)
    main, treated = questions_of(made)["hazard"], questions_of(made, analysis_set=AS_TREATED)["hazard"]
    assert list(cases_of(listed, main).arm) == ["buffered", "plain", "buffered", "buffered"]
    assert list(cases_of(listed, treated).arm) == ["plain", "plain", "buffered", "buffered"]
    kept = cases_of(listed, dataclasses.replace(main, analysis_set=PER_PROTOCOL))
    assert list(kept.frame["case_id"]) == list(frame["case_id"][1:])
    assert len(cases_of(listed, dataclasses.replace(main, first_cases=False))) == 0, "each is among the first five"


def test_without_list_or_random_allocation_arms_are_as_treated():
    made = protocol()
    assert main_set(made) == "intention to treat"
    assert main_set(made, as_injected=True) == AS_TREATED
    chosen = protocol("infiltration_audit")
    assert main_set(chosen) == AS_TREATED
    assert estimand_of(chosen, chosen.plan.primary).analysis_set == AS_TREATED


def test_target_and_tau_of_the_protocol_are_the_minutes_of_its_estimands():
    made, found = study({"plain": ["fffnn"] * 4, "buffered": ["fnn"] * 4})
    data, _ = prepare(made, found, through=made.quarters[-1])
    now = variation(data, "main", "", "")
    assert now.success_difference.estimate == 1, "by 2 min all teeth of one arm were numb, and none of the other"
    later = dataclasses.replace(data, protocol=protocol(onset={"target_min": 4.0, "tau_min": 3.0}))
    then = variation(later, "main", "", "")
    assert then.success_difference.estimate == 0, "by 4 min all were numb"
    assert now.wait_difference.estimate < then.wait_difference.estimate < 0, "a wait counted to 3 min differs by less"


def test_the_grace_belongs_to_the_schedule_unless_the_plan_says_it():
    made = protocol(schedule={"tests_min": (1.0, 2.0, 4.0, 6.0, 8.0)})
    assert estimand_of(made, "rmst_difference").grace_min == 2.0
    assert estimand_of(protocol(plan={"grace_min": 0.0}), "not_numb_difference").grace_min == 0.0
    assert estimand_of(made, "hazard_ratio").grace_min is None
