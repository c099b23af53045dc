"""The planning report: every number from the protocol, simulation where formulas do not know better."""

import dataclasses
import itertools

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import DesignError
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.design.sizes import plan_onset_test
from onsetstudy.report.figures import power
from onsetstudy.report.html import render_html
from onsetstudy.report.planning import compose_planning
from onsetstudy.study.planning import plan_study
from tests.study.cases import PROTOCOLS, protocol

TRIALS = 60


@pytest.fixture(scope="module")
def planned():
    return plan_study(protocol(), trials=TRIALS)


def test_the_numbers_are_those_of_the_protocol(planned):
    plan = planned.protocol.plan
    assert {q.outcome for q in planned.questions} == {"onset_test", "success", "wait", "pain"}
    first = planned.questions[0].size
    assert first.effect == plan.planned_hazard_ratio
    assert first.power == plan.planned_power
    assert planned.expected.never_reference == planned.protocol.planning.never_reference
    assert planned.planned.scenario.tests_min == planned.protocol.schedule.tests_min
    assert [f for f, _ in planned.planned.scenario.looks] == [p.fraction for p in planned.looks.looks]
    assert planned.null.scenario.hazard_ratio == 1
    assert planned.null.scenario.expected.never_other == planned.null.scenario.expected.never_reference


def test_never_numb_teeth_ask_for_more_than_the_formula(planned):
    formula = planned.questions[0].size
    assert planned.needed.analysed - planned.needed.two_errors > formula.unrounded * planned.looks.inflation
    assert planned.needed.included > planned.needed.analysed


@pytest.mark.slow
def test_without_never_numb_teeth_simulation_and_formula_agree():
    made = protocol()
    easy = dataclasses.replace(
        made,
        looks=None,
        planning=dataclasses.replace(
            made.planning, never_reference=0.0, never_other=0.0, missed_share=0.0, operator_spread=0.0, lost_share=0.0
        ),
    )
    found = plan_study(easy, trials=1500)
    formula = plan_onset_test(
        hazard_ratio=made.plan.planned_hazard_ratio, power=made.plan.planned_power, expected=found.expected
    )
    assert found.needed.analysed == pytest.approx(formula.unrounded, abs=2 * found.needed.two_errors + 5)


def test_the_document_says_it(planned):
    html = render_html(compose_planning(planned))
    assert "cases a month that may be included and agree, you will have" in html
    assert f"That is {planned.needed.included} cases to include" in html
    assert "This plan is of an invented study." in html
    assert "a demonstration" in html
    for line in planned.schedules.lines:
        assert line.name in html
    frame = power.data_for(planned)
    assert frame["simulated"].notna().sum() == 5
    assert not any(word in html.split("</style>")[1] for word in (">nan<", ">None<", ">inf<"))


def test_labels_do_not_overlap():
    places = power._places([1.0, 0.99, 0.98, 0.6])
    assert places[0] == 1.0
    assert all(a - b >= 0.07 - 1e-9 for a, b in itertools.pairwise(places))
    assert places[-1] == 0.6


def test_it_travels_and_repeats(planned):
    assert from_dict(to_dict(planned)) == planned
    assert plan_study(protocol(), trials=TRIALS) == planned


def test_nothing_to_plan_with():
    with pytest.raises(DesignError, match="states no assumptions to plan with"):
        plan_study(dataclasses.replace(protocol(), planning=None))


def test_a_paired_design_counts_patients():
    made = protocol()
    paired = dataclasses.replace(
        made,
        study=dataclasses.replace(made.study, design="split_mouth"),
        allocation=dataclasses.replace(made.allocation, method="paired"),
    )
    found = plan_study(paired, trials=TRIALS)
    assert found.planned.scenario.design == "paired"
    assert "patients a month" in render_html(compose_planning(found))


def test_the_command(tmp_path):
    path = str(PROTOCOLS / "mandibular_block_group.toml")
    run = CliRunner().invoke(onsetstudy, ["plan", path, "--into", str(tmp_path), "--trials", "50"])
    assert run.exit_code == 0, run.output
    assert "quarters (likely" in run.output
    assert (tmp_path / "mandibular-block-group-planning.pdf").read_bytes().startswith(b"%PDF")
    bare = CliRunner().invoke(onsetstudy, ["plan", str(PROTOCOLS / "infiltration_audit.toml")])
    assert "Copy the table [planning] from protocols/mandibular_block_group.toml" in str(bare.exception)
