"""The planning report: every number from the protocol, simulation where formulas do not know better."""

import dataclasses
import itertools
import re

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import DesignError
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.design.sizes import plan_onset_test
from onsetstudy.report.figures import power
from onsetstudy.report.figures.canvas import canvas
from onsetstudy.report.html import render_html
from onsetstudy.report.planning import compose_planning, headline, size_lines
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


def words(results):
    return html_of(results).replace("\u202f", " ")


def html_of(results):
    return render_html(compose_planning(results)).split("</style>")[1]


def test_the_document_says_it(planned):
    html = words(planned)
    assert "with your 32 cases a month that may be included and agree" in html
    assert f"takes {planned.needed.included} cases to include ({planned.needed.analysed} analysed; by sim" in html
    assert "This plan is of an invented study." in html
    assert "a demonstration" in html
    for line in planned.schedules.lines:
        assert line.name in html
    frame = power.data_for(planned)
    assert frame["simulated"].notna().sum() == 5
    assert not any(word in html for word in (">nan<", ">None<", ">inf<"))


def test_the_main_outcome_stands_first_with_its_own_size(planned):
    said = headline(planned)
    wait = next(q for q in planned.questions if q.outcome == "wait")
    assert said.seen.startswith("Your main outcome, the mean wait (0.5 min, standard deviation 3 min), takes ")
    assert f"takes {wait.size.total} cases to include (by formula): {wait.pace.quarters} quarters (likely" in said.seen
    assert words(planned).index(f"takes {wait.size.total} cases") < words(planned).index("To see a ratio of rates")
    assert f"Your main outcome takes more than the planned size: about {wait.size.unrounded:.0f} an" in words(planned)


@pytest.mark.parametrize(
    ("primary", "begins"),
    [
        ("hazard_ratio", "Your main outcome, a ratio of rates of 1.6 takes"),
        (
            "success_by_target",
            "Your main outcome, the share numb by the target minute (17.9 % against 27.5 %), takes 632",
        ),
        ("pain", "Your main outcome, pain (less pain in 63.8 % of pairs), takes 146"),
    ],
)
def test_every_main_outcome_has_its_sentence(planned, primary, begins):
    this = with_plan(planned, primary=primary)
    assert headline(this).seen.replace("\u202f", " ").startswith(begins)
    lines = [line for line in size_lines(this) if "your main outcome" in line]
    assert len(lines) == (0 if primary == "hazard_ratio" else 1)


def test_a_main_outcome_without_a_size_is_not_passed_over(planned):
    asked = tuple(q for q in planned.questions if q.outcome != "wait")
    said = headline(dataclasses.replace(planned, questions=asked))
    assert said.seen.startswith("No size can be told for your main outcome, the mean wait: the protocol does not name")
    assert said.allows.startswith("To see a ratio of rates of 1.6 takes")


def with_plan(results, **changes):
    made = results.protocol
    return dataclasses.replace(
        results, protocol=dataclasses.replace(made, plan=dataclasses.replace(made.plan, **changes))
    )


def test_one_sentence_says_why_formula_and_simulation_differ(planned):
    said = headline(planned).difference.replace("\u202f", " ")
    assert said.count(". ") == 0
    assert said.startswith(f"Why {planned.needed.included} and not the {planned.questions[0].size.total} of the form")
    assert "some never do (12 % and 10 %, as you expect)" in said
    assert said in words(planned)
    all_numb = dataclasses.replace(planned.expected, never_reference=0.0, never_other=0.0)
    assert "never" not in headline(dataclasses.replace(planned, expected=all_numb)).difference


def test_what_is_already_numb_is_said_of_its_schedule(planned):
    html = words(planned)
    assert "Every second test: 22% of teeth".replace("%", " %") in html
    assert "First test late: the first test is at 4 min" in html
    assert not re.search(r">\s*\d+ % of teeth are already numb", html)


def test_a_study_without_random_arms_is_told_what_size_cannot_do(planned):
    assert "Arms are not allocated at random here" not in words(planned)
    study = dataclasses.replace(planned.protocol.study, allocation="clinician_choice")
    audit = dataclasses.replace(planned, protocol=dataclasses.replace(planned.protocol, study=study))
    assert "Arms are not allocated at random here" in words(audit)


def test_labels_stand_at_the_ends_that_lie_farther_apart(planned):
    frame = power.data_for(planned)
    assert power._at_left(frame)
    turned = frame.assign(cases=frame["cases"].max() + frame["cases"].min() - frame["cases"])
    assert not power._at_left(turned)
    with canvas(4, 3) as figure:
        ax = figure.add_subplot()
        power.draw_formula(frame, ax, planned=1.6, power=0.8)
        at = {float(t.get_text()): t.get_position() for t in ax.texts}
        first = frame[frame["cases"] == frame["cases"].min()].set_index("hazard_ratio")["formula"]
        assert set(at) == set(first.index)
        for ratio, (x, y) in at.items():
            assert (x, y) == (frame["cases"].min(), pytest.approx(first[ratio], abs=1e-9))


def test_dots_and_the_lines_of_other_effects_are_drawn_apart(planned):
    frame = power.data_for(planned)
    with canvas(4, 3) as figure:
        ax = figure.add_subplot()
        power.draw_simulated(frame, ax, planned=1.6, power=0.8)
        assert {t.get_text() for t in ax.texts} == {"formula", "simulated"}
        drawn = [line for line in ax.lines if len(line.get_xdata()) == 5]
        assert len(drawn) == 2


def test_labels_do_not_overlap():
    places = power._places([1.0, 0.99, 0.98, 0.6])
    assert all(a - b >= power.APART - 1e-9 for a, b in itertools.pairwise(places))
    assert places[-1] == pytest.approx(0.6)


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
    first, second, why = run.output.splitlines()[:3]
    assert first.startswith("Your main outcome, the mean wait")
    assert "To see a ratio of rates of 1.6 takes" in second
    assert why.startswith("Why ")
    assert "  Mean wait, 0.5 min, standard deviation 3 min: 1192 cases, 13 quarters" in run.output
    assert "onset_test" not in run.output
    assert (tmp_path / "mandibular-block-group-planning.pdf").read_bytes().startswith(b"%PDF")


def test_the_audit_can_be_planned(tmp_path):
    path = str(PROTOCOLS / "infiltration_audit.toml")
    run = CliRunner().invoke(onsetstudy, ["plan", path, "--into", str(tmp_path), "--trials", "50", "--format", "html"])
    assert run.exit_code == 0, run.output
    assert run.output.startswith("Your main outcome, the share numb by the target minute")


def test_a_protocol_without_assumptions_says_what_to_add(tmp_path):
    text = (PROTOCOLS / "infiltration_audit.toml").read_text(encoding="utf-8")
    start, end = text.index("[planning]"), text.index("[chair_time]")
    (tmp_path / "bare.toml").write_text(text[:start] + text[end:], encoding="utf-8")
    bare = CliRunner().invoke(onsetstudy, ["plan", str(tmp_path / "bare.toml")])
    assert "Copy the table [planning] from protocols/mandibular_block_group.toml" in str(bare.exception)
