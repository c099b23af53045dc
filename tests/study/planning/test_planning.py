"""The planning report: every number from the protocol, simulation where formulas do not know better."""

import dataclasses
import itertools
import json
import math
import re

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import stats
from statsmodels.stats.power import TTestPower

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import DesignError
from onsetstudy.core.results import ArmCount, Counts
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.design.expected_wait import expected_wait
from onsetstudy.design.sizes.frame import Frame
from onsetstudy.design.sizes.plans import plan_onset_test, plan_wait
from onsetstudy.design.trials.draws import draw_trials
from onsetstudy.design.trials.trial_power import simulate_power
from onsetstudy.files.documents.reports import planning_json
from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
from onsetstudy.files.ledger.lock import read_lock
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.ledger import short_head
from onsetstudy.report.documents.papers import compose_planning
from onsetstudy.report.figures import power
from onsetstudy.report.figures.canvas import canvas, spread
from onsetstudy.report.render.html import render_html
from onsetstudy.report.sections.before.plan_words import aim_told, claims_listed, difference, headline, size_lines
from onsetstudy.study.answer.more_needed import more_needed
from onsetstudy.study.planning import power as trials_of
from onsetstudy.study.planning.plan_study import plan_study
from onsetstudy.study.planning.sizes import Sizing, main_size
from tests.study.cases import PROTOCOLS, protocol

pytestmark = pytest.mark.usefixtures("unpainted")

TRIALS = 60
FEW = 20
"""Where the words, a size by formula or a refusal are asked, and not what the trials found."""

LOCK = read_lock(PROTOCOLS / "mandibular_block_group.toml")


@pytest.fixture(scope="module")
def planned():
    """The locked demo with a spread that its curves contradict: its primary outcome is the restricted time."""
    return plan_study(contradicting(), lock=LOCK, trials=TRIALS)


@pytest.fixture(scope="module")
def rated():
    """The same study with the rate of becoming numb as its primary outcome, whose test is simulated."""
    return plan_study(agreeing(primary="hazard_ratio"), trials=TRIALS)


def agreeing(**plan):
    """The demo, whose spread of the wait follows from its curves."""
    made = protocol()
    return dataclasses.replace(made, plan=dataclasses.replace(made.plan, **plan))


def contradicting():
    """The demo with a standard deviation that its curves do not bear out."""
    made = protocol()
    return dataclasses.replace(made, planning=dataclasses.replace(made.planning, wait_sd_min=3.0))


def test_the_numbers_are_those_of_the_protocol(rated):
    plan = rated.protocol.plan
    assert {q.outcome for q in rated.questions} == {"onset_test", "success", "wait", "pain", "pain_ranks"}
    first = rated.questions[0].size
    assert first.effect == plan.planned_hazard_ratio
    assert first.power == plan.planned_power
    assert rated.expected.never_reference == rated.protocol.planning.never_reference
    assert rated.planned.scenario.tests_min == rated.protocol.schedule.tests_min
    assert [f for f, _ in rated.planned.scenario.looks] == [p.fraction for p in rated.looks.looks]
    assert rated.null.scenario.hazard_ratio == 1
    assert rated.null.scenario.expected.never_other == rated.null.scenario.expected.never_reference


def test_never_numb_teeth_ask_for_more_than_the_formula(rated):
    formula = rated.questions[0].size
    assert rated.needed.analysed - rated.needed.two_errors > formula.unrounded * rated.looks.inflation
    assert rated.needed.included > rated.needed.analysed


def test_a_rate_that_is_expected_to_be_lower_is_planned_for_like_one_that_is_higher():
    found = plan_study(agreeing(primary="hazard_ratio", planned_hazard_ratio=0.6), trials=TRIALS)
    assert found.planned.mean_z < 0 < found.needed.two_errors < found.needed.analysed
    assert "takes" in headline(found).seen


@pytest.mark.slow
@pytest.mark.parametrize("ratio", [(1, 1), (3, 1)])
def test_without_never_numb_teeth_simulation_and_formula_agree(ratio):
    """Also with three of one arm to one of the other, and the size found has the power when it is simulated anew."""
    made = agreeing(primary="hazard_ratio", wait_difference_min=None)
    easy = dataclasses.replace(
        made,
        looks=None,
        allocation=dataclasses.replace(made.allocation, ratio=ratio),
        planning=dataclasses.replace(
            made.planning, never_reference=0.0, never_other=0.0, missed_share=0.0, operator_spread=0.0, lost_share=0.0
        ),
    )
    found = plan_study(easy, trials=1500)
    formula = plan_onset_test(
        hazard_ratio=made.plan.planned_hazard_ratio, power=made.plan.planned_power, expected=found.expected,
        frame=Frame(ratio=ratio),
    )  # fmt: skip
    assert found.planned.scenario.ratio == ratio
    # Schoenfeld's formula is for ratios near 1. With 3 to 1 the arm that is sooner leaves early and few: 8 % more.
    more = 1.0 if ratio == (1, 1) else 1.08
    assert found.needed.analysed == pytest.approx(more * formula.unrounded, abs=2 * found.needed.two_errors + 5)
    at_that_size = simulate_power(dataclasses.replace(found.planned.scenario, cases=found.needed.analysed), trials=4000)
    assert at_that_size.power == pytest.approx(0.8, abs=0.025)


def test_no_power_of_another_test_stands_beside_the_primary_one(planned):
    """The restricted time is drawn and decided as the report compares it; every power names its test."""
    z_test = planned.planned.test
    assert "restricted mean time to onset" in z_test
    assert {p.test for p in (planned.planned, planned.null, planned.at_size)} == {z_test}
    assert {p.scenario.decision for p in (planned.planned, planned.null, planned.at_size)} == {"wait"}
    assert all(p.test == "two-sample Student's t test" for p in planned.curve)
    assert {q.outcome: q.size.test for q in planned.questions} == {
        "onset_test": "log-rank test",
        "success": "score test of two proportions",
        "wait": "two-sample Student's t test",
        "pain": "two-sample Student's t test",
        "pain_ranks": "rank-sum test",
    }
    html = words(planned)
    assert "log-rank test found" not in html
    assert "power by the log-rank" not in html
    allows = headline(planned).allows.replace("\u202f", " ")
    assert "80 % power of the two-sample Student's t test" in allows
    assert all(line["power"]["test"] == "log-rank test" for line in to_dict(planned)["schedules"]["lines"])


def test_drawn_means_differ_by_what_is_planned_for(planned):
    """Half a minute between the curves that are drawn, by integration, not the 1.4 min of the expected curves."""
    drawn = planned.at_size.scenario
    wait = expected_wait(drawn.expected, drawn.hazard_ratio, operator_spread=drawn.operator_spread)
    assert wait.reference_mean_min - wait.other_mean_min == pytest.approx(0.5, abs=1e-6)
    assert planned.wait.reference_mean_min - planned.wait.other_mean_min > 1.3
    assert 1 < drawn.hazard_ratio < planned.protocol.plan.planned_hazard_ratio
    null = planned.null.scenario
    assert (null.hazard_ratio, null.expected.never_other) == (1.0, null.expected.never_reference)


def test_simulated_trials_of_the_size_have_its_power(planned):
    assert planned.at_size.scenario.looks == ()
    assert planned.at_size.scenario.cases == pytest.approx(planned.questions[3].size.unrounded, abs=2)
    assert planned.at_size.power == pytest.approx(0.8, abs=4 * planned.at_size.mc_error)
    assert planned.planned.power < 0.5, "the planned onsets are too few for the main outcome"
    assert "The planned information is too little for it" in words(planned)


def test_curves_that_cannot_differ_so_much_are_not_simulated():
    made = agreeing(wait_difference_min=6.0)
    found = plan_study(made, trials=FEW)
    assert found.planned is found.at_size is None
    assert "none has the difference" in found.not_simulated
    assert found.not_simulated in words(found)


def test_pain_is_drawn_on_its_scale():
    found = plan_study(agreeing(primary="pain_difference"), trials=200)
    drawn = found.at_size.scenario
    assert (drawn.decision, drawn.pain_sd, drawn.pain_less) == ("pain", 20.0, 10.0)
    assert found.null.scenario.pain_less == 0
    assert found.at_size.power == pytest.approx(0.8, abs=4 * found.at_size.mc_error)


def test_one_size_of_the_main_outcome_leads_everywhere(planned):
    """Page, terminal, file and the practice's own report tell one number; every other names its test."""
    listed = claims_listed(planned)
    lead = listed[0]
    assert [c["leads"] for c in listed] == [True] + [False] * (len(listed) - 1)
    assert (lead["quantity"], lead["unit"], lead["test"]) == ("rmst_difference", "cases", "two-sample Student's t test")
    size = next(q.size for q in planned.questions if q.outcome == "wait")
    assert lead["value"] == size.total == main_size(planned.protocol).total
    assert len({c["key"] for c in listed}) == len(listed)
    for claim in listed:
        assert claim["test"] in claim["sentence"]
    by_arm = tuple(ArmCount(arm=arm, cases=15, onsets=15) for arm in ("plain", "buffered"))
    told = more_needed(planned.protocol, Counts(cases=30, onsets=30, by_arm=by_arm), (30,))
    assert (told.cases_to_include, told.test, told.events_needed) == (size.total, size.test, None)
    assert f"{size.total} cases to include" in told.text
    page = words(planned)
    for claim in listed:
        if claim["kind"] != "size" or claim["leads"]:
            assert claim["sentence"].replace("\u202f", " ").split(".")[0] in page
    assert sum(line.endswith("This is your main outcome.") for line in size_lines(planned)) == 1


@pytest.mark.parametrize("primary", ["rmst_difference", "success_difference", "hazard_ratio", "pain_difference"])
def test_plan_and_report_tell_one_size_of_each_main_outcome(primary, monkeypatch):
    """What leads in the plan is what the report still waits for, whether by formula or by simulated trials."""
    monkeypatch.setattr("onsetstudy.study.planning.power.TRIALS", FEW)
    made = dataclasses.replace(agreeing(primary=primary), looks=None)
    for one in (made, agreeing(primary=primary)):
        lead = plan_study(one, trials=FEW).claims[0]
        by_arm = tuple(ArmCount(arm=arm, cases=15, onsets=15) for arm in ("plain", "buffered"))
        told = more_needed(one, Counts(cases=30, onsets=30, by_arm=by_arm), (30,))
        assert lead.leads
        assert lead.quantity.key == primary
        assert told.cases_to_include == lead.value
        assert told.cases_needed == pytest.approx(lead.cases, abs=1)
        assert told.quarters_more == math.ceil((told.cases_needed - 30) / 30)
        assert f"takes {lead.value:.0f} cases to include" in told.text


@pytest.mark.parametrize("primary", ["rmst_difference", "pain_difference"])
def test_means_are_decided_at_the_level_of_the_protocol(primary):
    made = agreeing(primary=primary, conf_level=0.9)
    assert plan_study(made, trials=FEW).planned.scenario.conf_level == 0.9


def test_an_unwritten_spread_is_that_of_the_curves():
    """Whatever the curves are, leaving the spread out never contradicts them; only a stated one can."""
    for median in (1.0, 4.2, 9.0):
        made = agreeing()
        other = dataclasses.replace(made, planning=dataclasses.replace(made.planning, median_min=median))
        found = plan_study(other, trials=FEW)
        assert made.planning.wait_sd_min is None
        assert not [c for c in found.caution if c.code == "spread_contradicts_curve"]
        assert "min stated" not in words(found)


def test_the_file_carries_the_claims_and_is_read_without_them(planned):
    data = json.loads(planning_json(planned))
    assert data["claims"][0]["sentence"].startswith(headline(planned).seen)
    assert from_dict(data).questions[0].size.total == planned.questions[0].size.total


def test_the_rate_leads_with_its_simulated_size(rated):
    lead = claims_listed(rated)[0]
    assert (lead["kind"], lead["value"], lead["test"]) == ("simulated_size", rated.needed.included, "log-rank test")
    assert rated.at_size is None
    assert main_size(rated.protocol) is None


def test_the_power_curve_is_that_of_the_size(planned):
    """Power .8 at the analysed size of the primary outcome: curve and size speak of one test."""
    size = next(q.size for q in planned.questions if q.outcome == "wait")
    at = plan_wait(sd_min=planned.wait.sd_min, difference_min=0.5, cases=size.unrounded, power=None)
    assert at.power == pytest.approx(0.8, abs=1e-6)
    for point in (p for p in planned.curve if p.effect == planned.planned_effect):
        same = plan_wait(sd_min=planned.wait.sd_min, difference_min=0.5, cases=point.cases, power=None)
        assert point.formula == pytest.approx(same.power)


def test_a_spread_that_contradicts_the_curves_is_refused():
    with pytest.raises(DesignError, match=r"\[planning\] wait_sd_min.* 3 min.*by 4\.3 min.*Leave.*= 4\.3"):
        plan_study(contradicting(), trials=FEW)
    other = dataclasses.replace(LOCK, versions=(dataclasses.replace(LOCK.latest, digest="0" * 64),))
    with pytest.raises(DesignError, match="contradicts"):
        plan_study(contradicting(), lock=other, trials=FEW)
    assert not [c for c in plan_study(agreeing(), trials=FEW).caution if c.code == "spread_contradicts_curve"]


def test_a_locked_contradiction_is_loud_and_sized_by_the_curves(planned):
    """1,192 cases were promised for 80 %: by simulation of such trials their power is .46 to .51."""
    caution = planned.caution[0]
    assert caution.code == "spread_contradicts_curve"
    assert "the 1192 cases that the stated one asks for have a power of 49%, not 80%" in caution.text
    html = words(planned)
    assert html.index("The locked protocol contradicts itself") < html.index("What this rests on</h2>")
    size = next(q.size for q in planned.questions if q.outcome == "wait")
    assert size.total > 2 * 1192


def test_success_is_simulated_as_the_report_compares_it_with_interim_analyses_and_without():
    found = plan_study(dataclasses.replace(agreeing(primary="success_by_target"), looks=None), trials=TRIALS)
    assert "two proportions by Wilson's limits, within practices" in found.planned.test
    assert found.planned.test == found.at_size.test
    assert found.planned.scenario.decision == "success"
    # The curve is of the formula, which is another test's, and says so.
    assert {p.test for p in found.curve} == {"score test of two proportions"}
    assert "more cases, %" not in words(found)  # what a schedule costs is told of the log-rank test only
    assert found.at_size.power == pytest.approx(0.8, abs=4 * found.at_size.mc_error)
    # One size: as it was simulated, once, and as the report waits for it.
    once = more_needed(found.protocol, Counts(cases=30, onsets=30, by_arm=(
        ArmCount(arm="plain", cases=15, onsets=15), ArmCount(arm="buffered", cases=15, onsets=15))), (30,))  # fmt: skip
    assert set(re.findall(r"\b(\d+) analysed\b", words(found))) == {f"{once.cases_needed}"}
    assert words(found).count(f"{once.cases_needed} analysed") == 1
    with_interim = plan_study(agreeing(primary="success_by_target"), trials=TRIALS)
    assert len(with_interim.planned.scenario.looks) == len(with_interim.looks.looks) > 1
    assert with_interim.not_simulated == ""
    assert with_interim.null.power == pytest.approx(0.05, abs=4 * with_interim.null.mc_error)


def test_a_formula_that_is_off_is_answered_with_a_size_that_has_the_power():
    """The waits of curves in which nobody stays unnumb: Student's formula does not know of one more who might."""
    made = agreeing(wait_difference_min=0.4)
    assumed = dataclasses.replace(made.planning, median_min=2.0, never_reference=0.0, never_other=0.0)
    sizing = Sizing.of(dataclasses.replace(made, looks=None, planning=assumed))
    size = sizing.size("wait", 0.4)
    drawn = trials_of.of_primary(sizing, trials_of.scenario_of(sizing, size.analysed, None))
    instead = trials_of.corrected(sizing, simulate_power(drawn, trials=1000, seed=1))
    assert instead.analysed - instead.two_errors > size.analysed
    again = simulate_power(dataclasses.replace(drawn, cases=instead.analysed), trials=2000, seed=2)
    assert again.power == pytest.approx(0.8, abs=0.03)
    assert trials_of.corrected(sizing, dataclasses.replace(again, power=0.8)) is None
    # Trials that see no effect at all call the formula off and tell no size: the plan goes on.
    assert trials_of.corrected(sizing, dataclasses.replace(again, power=0.03, mean_z=0.0)) is None


def test_teeth_numb_at_the_first_test_are_one_share_everywhere():
    """Of the curves that are expected: the trials of a difference that is planned for have others."""
    made = agreeing()
    sooner = dataclasses.replace(made, planning=dataclasses.replace(made.planning, median_min=2.0))
    found = plan_study(sooner, trials=FEW)
    share = f"{100 * found.schedules.lines[0].power.numb_at_first:.0f} %"
    assert share != f"{100 * found.planned.numb_at_first:.0f} %"
    page = words(found)
    assert f"Your schedule: {share} of teeth are already numb at the first test" in page
    assert f"As planned: {share} of teeth are already numb at the first test" in page


def words(results):
    return html_of(results).replace("\u202f", " ")


def html_of(results):
    return render_html(compose_planning(results)).split("</style>")[1]


def test_the_document_says_it(rated):
    html = words(rated)
    assert "with your 32 cases a month that may be included and agree" in html
    assert f"takes {rated.needed.included} cases to include ({rated.needed.analysed} analysed; by sim" in html
    assert "80 % power of the log-rank test" in html
    assert "This plan is of an invented study." in html
    assert "a demonstration" in html
    for line in rated.schedules.lines:
        assert line.name in html
    frame = power.data_for(rated)
    assert frame["simulated"].notna().sum() == 5
    assert not any(word in html for word in (">nan<", ">None<", ">inf<", "ratio of rates", "mean wait"))


def test_the_main_outcome_stands_first_with_its_own_size(planned):
    said = headline(planned)
    wait = next(q for q in planned.questions if q.outcome == "wait")
    assert said.seen.startswith(
        "Your main outcome, the restricted mean time to onset, up to 15 minutes (0.5 min, stand"
    )
    assert f"takes {wait.size.total} cases to include (by formula): {wait.pace.quarters} quarters (likely" in said.seen
    assert words(planned).index(f"takes {wait.size.total} cases") < words(planned).index("log-rank test")


@pytest.mark.parametrize(
    ("primary", "begins"),
    [
        ("hazard_ratio", "Your main outcome, the rate of becoming numb (a hazard ratio of 1.6), takes"),
        (
            "success_by_target",
            "Your main outcome, the proportion numb by the target minute (17.9 % against 27.5 %), takes 632",
        ),
        ("pain", "Your main outcome, mean pain (10 mm, standard deviation 20 mm), takes 136"),
    ],
)
def test_every_main_outcome_has_its_sentence(primary, begins):
    this = plan_study(agreeing(primary=primary), trials=FEW)
    assert headline(this).seen.replace("\u202f", " ").startswith(begins)
    lines = [line for line in size_lines(this) if "your main outcome" in line]
    assert len(lines) == 1
    assert this.planned is not None


def test_a_main_outcome_without_a_size_is_not_passed_over():
    this = plan_study(agreeing(wait_difference_min=None), trials=FEW)
    said = headline(this)
    assert said.seen.startswith(
        "No size can be told for your main outcome, the restricted mean time to onset, up to 15"
    )
    assert "does not name" in said.seen
    assert "power" not in said.allows
    assert "<svg" not in words(this).split("What this rests on")[0]


def test_one_sentence_says_why_formula_and_simulation_differ(rated):
    said = difference(rated).replace("\u202f", " ")
    assert said.count(". ") == 0
    assert said.startswith(f"Why {rated.needed.included} and not the {rated.questions[0].size.total} of the form")
    assert "some never do (12 % and 10 %, as you expect)" in said
    assert said in words(rated)
    all_numb = dataclasses.replace(rated.expected, never_reference=0.0, never_other=0.0)
    assert "never" not in difference(dataclasses.replace(rated, expected=all_numb))


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


def test_labels_stand_at_the_ends_that_lie_farther_apart(rated):
    frame = power.data_for(rated)
    assert power._at_left(frame)
    turned = frame.assign(cases=frame["cases"].max() + frame["cases"].min() - frame["cases"])
    assert not power._at_left(turned)
    with canvas(4, 3) as figure:
        ax = figure.add_subplot()
        power.draw_formula(frame, ax, planned=1.6, power=0.8)
        at = {float(t.get_text()): t.get_position() for t in ax.texts}
        first = frame[frame["cases"] == frame["cases"].min()].set_index("effect")["formula"]
        assert set(at) == set(first.index)
        for ratio, (x, y) in at.items():
            assert (x, y) == (frame["cases"].min(), pytest.approx(first[ratio], abs=1e-9))


def test_dots_and_the_lines_of_other_effects_are_drawn_apart(rated):
    frame = power.data_for(rated)
    with canvas(4, 3) as figure:
        ax = figure.add_subplot()
        power.draw_simulated(frame, ax, planned=1.6, power=0.8)
        assert {t.get_text() for t in ax.texts} == {"formula", "simulated"}
        drawn = [line for line in ax.lines if len(line.get_xdata()) == 5]
        assert len(drawn) == 2


def test_labels_do_not_overlap():
    places = spread([1.0, 0.99, 0.98, 0.6], power.APART)
    assert all(a - b >= power.APART - 1e-9 for a, b in itertools.pairwise(places))
    assert places[-1] == pytest.approx(0.6)


def test_it_travels_and_repeats(planned, rated):
    assert from_dict(to_dict(planned)) == planned
    assert from_dict(to_dict(rated)) == rated
    assert plan_study(contradicting(), lock=LOCK, trials=TRIALS) == planned


def test_nothing_to_plan_with():
    with pytest.raises(DesignError, match="states no assumptions to plan with"):
        plan_study(dataclasses.replace(protocol(), planning=None))


def paired(correlation):
    made = agreeing()
    return dataclasses.replace(
        made,
        study=dataclasses.replace(made.study, design="split_mouth"),
        allocation=dataclasses.replace(made.allocation, method="paired"),
        planning=dataclasses.replace(made.planning, within_patient_correlation=correlation),
    )


def test_pairs_without_a_correlation_are_not_sized_as_parallel_arms():
    found = plan_study(paired(None), trials=TRIALS)
    assert found.questions == found.curve == ()
    assert {n.outcome for n in found.not_sized} == {"onset_test", "success", "wait", "pain", "pain_ranks"}
    assert found.planned is found.needed is found.table is found.schedules is None
    html = words(found)
    assert "No size can be told for your main outcome" in html
    assert headline(found).seen.count("not sized") == 0
    assert "does not state within_patient_correlation" in html
    assert "such trials are not simulated" in html


@pytest.mark.parametrize(
    ("difference", "boundary"), [(0.5, "obrien_fleming"), (0.5, "anytime"), (0.5, "none"), (0.005, "obrien_fleming")]
)
def test_plan_and_protocol_document_agree_that_the_planned_information_is_too_little(difference, boundary):
    """Also without boundaries by spending, and where a size is too large to be simulated."""
    made = agreeing(wait_difference_min=difference)
    made = dataclasses.replace(made, looks=dataclasses.replace(made.looks, boundary=boundary, sided=2))
    found = plan_study(made, trials=FEW)
    assert found.short
    assert trials_of.aim_of(made).short
    assert ("The planned information is too little for it" in words(found)) == (found.looks is not None)
    enough = dataclasses.replace(made, looks=dataclasses.replace(made.looks, planned_information=10**9))
    assert not trials_of.aim_of(enough).short


def test_what_looks_take_counts_when_the_planned_information_is_weighed():
    """As many cases as a single analysis takes are too few where boundaries by Pocock take a fifth more."""
    made = agreeing()
    rule = dataclasses.replace(made.looks, information="cases", futility="none")
    rule = dataclasses.replace(rule, planned_information=main_size(made).analysed)
    short, told = {}, {}
    for boundary in ("obrien_fleming", "pocock", "none"):
        looks = dataclasses.replace(rule, boundary=boundary, sided=2)
        asked = dataclasses.replace(made, looks=looks)
        short[boundary], told[boundary] = trials_of.aim_of(asked).short, aim_told(trials_of.aim_of(asked), asked)
    assert short == {"obrien_fleming": False, "pocock": True, "none": False}
    assert "t test; the planned interim analyses take 19.6\u202f% more); planned: " in told["pocock"]
    assert "interim analyses take" not in told["none"]
    more = dataclasses.replace(rule, boundary="pocock", sided=2, planned_information=rule.planned_information + 50)
    text = words(plan_study(dataclasses.replace(made, looks=more), trials=FEW))
    assert "With its interim analyses your main outcome takes more than the planned size." in text
    assert "to include in a study that is analysed once (the planned interim analyses take 19.6" in text
    assert "The planned information is too little for it" in text
    rate = agreeing(primary="hazard_ratio")
    never = dataclasses.replace(rate, looks=dataclasses.replace(rate.looks, boundary="none", sided=2))
    found = [trials_of.aim_of(each).found for each in (rate, never, made)]
    assert found == ["by simulation", "by simulation, for a single analysis", "by formula, for a single analysis"]


@pytest.mark.parametrize("enough", [True, False])
def test_planned_cases_of_pairs_are_told_as_patients(enough):
    """As many cases as the patients that it takes with its interim analyses are half of them."""
    made = dataclasses.replace(paired(0.5), plan=dataclasses.replace(paired(0.5).plan, primary="rmst_difference"))
    patients = math.ceil(main_size(made).analysed * trials_of.plan_of(protocol()).inflation)
    cases = patients * (2 if enough else 1)
    rule = dataclasses.replace(protocol().looks, information="cases", planned_information=cases)
    text = words(plan_study(dataclasses.replace(made, looks=rule), trials=TRIALS))
    assert f"for {cases} cases, which are of {cases / 2:g} patients with both arms; your main outcome takes" in text
    assert ("The planned information is too little for it" in text) != enough


def test_pairs_are_sized_by_the_spread_of_differences_within_patients():
    """By statsmodels' TTestPower with sd sqrt(2 (1 - r)); at r = 0 a patient gives what two cases of two arms give."""
    found = plan_study(paired(0.5), trials=TRIALS)
    sizes = {q.outcome: q.size for q in found.questions}
    right = {"alpha": 0.025, "alternative": "larger"}
    pairs = TTestPower().solve_power(effect_size=0.5 / found.wait.sd_min, power=0.8, **right)
    assert sizes["wait"].unrounded == pytest.approx(pairs, rel=1e-6)
    assert sizes["wait"].test == "paired Student's t test"
    assert len(sizes["wait"].cases) == 1
    assert {n.outcome for n in found.not_sized} == {"onset_test"}
    parallel = plan_wait(sd_min=found.wait.sd_min, difference_min=0.5)
    alone = {q.outcome: q.size for q in plan_study(paired(0.0), trials=TRIALS).questions}
    assert alone["wait"].unrounded == pytest.approx(parallel.unrounded / 2, abs=1.5)
    assert alone["paired_success"].unrounded > sizes["paired_success"].unrounded
    assert alone["pain"].unrounded > sizes["pain"].unrounded
    html = words(found)
    # A month's cases are injections, as at the chair and in its set-up: two of each patient.
    assert "with your 16 patients a month" in html
    assert "Cases a month, all practices, two of each patient" in html
    assert found.questions[0].pace.included_per_month == protocol().planning.cases_per_month / 2 * 0.8
    assert f"takes {sizes['wait'].total} patients" in html


def test_paired_sizes_hold_in_simulation():
    """Two correlated outcomes of each patient, by numpy; Student's t of the differences."""
    rng = np.random.default_rng(4)
    found = plan_study(paired(0.5), trials=TRIALS)
    sizes = {q.outcome: q.size for q in found.questions}
    trials, error = 3000, 4 * math.sqrt(0.16 / 3000)

    def two(n, sd, apart):
        both = rng.multivariate_normal([0, apart], sd**2 * np.array([[1, 0.5], [0.5, 1]]), (trials, n))
        return both[..., 1] - both[..., 0]

    n = math.ceil(sizes["wait"].unrounded)
    p = stats.ttest_1samp(two(n, found.wait.sd_min, 0.5), 0, axis=1).pvalue
    assert abs(np.mean(p <= 0.05) - 0.8) < error
    n, pain = math.ceil(sizes["pain"].unrounded), found.protocol.pain.instrument.important_difference
    p = stats.ttest_1samp(two(n, found.protocol.planning.pain_sd, pain), 0, axis=1).pvalue
    assert abs(np.mean(p <= 0.05) - 0.8) < error + 0.02  # sizes are rounded up


def test_three_to_one_is_simulated_three_to_one():
    made = agreeing(primary="hazard_ratio")
    uneven = dataclasses.replace(made, allocation=dataclasses.replace(made.allocation, ratio=(3, 1)))
    found = plan_study(uneven, trials=TRIALS)
    assert found.planned.scenario.ratio == (3, 1)
    drawn = draw_trials(dataclasses.replace(found.planned.scenario, cases=80), 50, np.random.default_rng(1))
    assert (drawn.other.sum(axis=1) == 20).all()
    assert np.ptp(drawn.other.mean(axis=0)) > 0  # not the same places in every trial


def test_a_study_of_one_side_is_sized_and_simulated_by_it():
    two = agreeing(primary="success_difference")

    def looked(**rule):
        return dataclasses.replace(two, looks=dataclasses.replace(two.looks, futility="none", **rule))

    one = looked(sided=1, alpha=0.025)
    assert main_size(one) == main_size(two)  # one side of 2.5 % is beyond the same limit as two of 5 % together
    assert main_size(looked(sided=1, alpha=0.05)).total < main_size(two).total
    assert main_size(looked(boundary="none", alpha=0.01)).cases == main_size(two).cases  # at the plan's level
    # Intervals that hold at any time have two ends: nothing is spent on one side.
    assert main_size(looked(boundary="anytime", sided=1)) == main_size(looked(boundary="anytime", sided=2))
    wide = plan_study(looked(sided=1, alpha=0.2), trials=400).null
    assert abs(wide.power - 0.2) < 4 * wide.mc_error  # and not in two of five, as if later counted too


def test_the_command(tmp_path):
    path = str(PROTOCOLS / "mandibular_block_group.toml")
    run = CliRunner().invoke(onsetstudy, ["plan", path, "--into", str(tmp_path), "--trials", "50"])
    assert run.exit_code == 0, run.output
    first, second, third, planned_size = run.output.splitlines()[:4]
    assert first.startswith("Your main outcome, the restricted mean time to onset, up to 15 minutes")
    assert "80 % power of the two-sample Student's t test" in second.replace("\u202f", " ")
    assert "50 simulated trials of that size" in third
    assert "At the planned size (429 analysed, 380 onsets)" in planned_size
    assert "contradicts" not in run.output
    assumed = read_protocol(path).planning
    rests = run.output.split("All of this rests on:")[1].split("By formula")[0].replace("\u202f", " ")
    assert f"median onset of {assumed.median_min:g} min" in rests
    assert f"{100 * assumed.never_reference:.0f} % and {100 * assumed.never_other:.0f} % never numb" in rests
    assert all(source in rests for source in assumed.sources)
    assert "  Restricted mean time to onset, 0.5 min, standard deviation 4.33 min: 2478 cases, 27 quar" in run.output
    assert "onset_test" not in run.output
    assert (tmp_path / "mandibular-block-group-planning.pdf").read_bytes().startswith(b"%PDF")


def test_the_pages_of_the_plan_quote_the_last_entry_of_the_ledger_where_there_is_one(tmp_path):
    text = (PROTOCOLS / "mandibular_block_group.toml").read_text(encoding="utf-8")
    mine = tmp_path / "mine.toml"
    # Of the rate: its trials are the quickest to draw.
    mine.write_text(text.replace('primary = "rmst_difference"', 'primary = "hazard_ratio"'), encoding="utf-8")
    page = tmp_path / "mandibular-block-group-planning.html"

    def planned_page():
        given = ["plan", str(mine), "--into", str(tmp_path), "--trials", "50", "--format", "html"]
        run = CliRunner().invoke(onsetstudy, given)
        assert run.exit_code == 0, (run.output, run.exception)
        return page.read_text(encoding="utf-8")

    assert "ledger " not in planned_page().lower()
    heads = []
    for enter in (["lock", str(mine)], ["pause", str(mine), "--reason", "The unit is repaired."]):
        assert CliRunner().invoke(onsetstudy, enter).exit_code == 0
        heads.append(short_head(verified_ledger(ledger_path(mine))))
        assert heads[-1] in planned_page()
    # Each page quotes its own time, and the ledger is held against it.
    assert heads[0] not in page.read_text(encoding="utf-8")
    held = CliRunner().invoke(onsetstudy, ["ledger", str(mine), "--against", str(page)])
    assert "The chain holds" in held.output
    lines = ledger_path(mine).read_text(encoding="utf-8").splitlines(keepends=True)
    ledger_path(mine).write_text(lines[0], encoding="utf-8")
    cut = CliRunner().invoke(onsetstudy, ["ledger", str(mine), "--against", str(page)])
    assert f"{page.name} quotes the entry {heads[1]}, which is not in this ledger" in cut.output


def test_a_copy_is_planned_and_one_that_states_another_spread_is_refused(tmp_path):
    text = (PROTOCOLS / "mandibular_block_group.toml").read_text(encoding="utf-8")
    copy = tmp_path / "copy.toml"
    ask = ["plan", str(copy), "--into", str(tmp_path), "--trials", "50", "--format", "html"]
    copy.write_text(text, encoding="utf-8")
    run = CliRunner().invoke(onsetstudy, ask)
    assert run.exit_code == 0, run.output
    copy.write_text(text.replace("# wait_sd_min = 4.3 ", "wait_sd_min = 3.0 "), encoding="utf-8")
    run = CliRunner().invoke(onsetstudy, ask)
    assert run.exit_code != 0
    assert "wait_sd_min = 4.3" in str(run.exception)


def test_the_audit_can_be_planned(tmp_path):
    path = str(PROTOCOLS / "infiltration_audit.toml")
    run = CliRunner().invoke(onsetstudy, ["plan", path, "--into", str(tmp_path), "--trials", "50", "--format", "html"])
    assert run.exit_code == 0, run.output
    assert run.output.startswith("Your main outcome, the proportion numb by the target minute")


def test_a_protocol_without_assumptions_says_what_to_add(tmp_path):
    text = (PROTOCOLS / "infiltration_audit.toml").read_text(encoding="utf-8")
    start, end = text.index("[planning]"), text.index("[chair_time]")
    (tmp_path / "bare.toml").write_text(text[:start] + text[end:], encoding="utf-8")
    bare = CliRunner().invoke(onsetstudy, ["plan", str(tmp_path / "bare.toml")])
    assert "Copy the table [planning] from protocols/mandibular_block_group.toml" in str(bare.exception)


def test_the_curve_of_power_goes_on_to_what_the_main_outcome_takes(planned):
    """A locked protocol whose own spread asks for more cases than its looks are planned for."""
    line = [p for p in planned.curve if p.effect == planned.planned_effect]
    assert max(p.formula for p in line) > planned.protocol.plan.planned_power


def test_a_plan_of_millions_is_by_formula_and_says_so_and_the_rate_is_refused():
    huge = dataclasses.replace(agreeing(), looks=None)
    tiny = dataclasses.replace(huge, plan=dataclasses.replace(huge.plan, wait_difference_min=0.01))
    found = plan_study(tiny)
    assert (found.trials, found.planned, found.at_size, found.schedules) == (0, None, None, None)
    assert found.claims[0].value > 1_000_000
    assert "would take hours. Only a formula tells of such sizes" in words(found)
    looked = dataclasses.replace(agreeing().looks, planned_information=10**18)
    assert "would take hours" in plan_study(dataclasses.replace(agreeing(), looks=looked)).not_simulated
    rate = dataclasses.replace(huge.plan, primary="hazard_ratio", planned_hazard_ratio=1.001)
    rated = dataclasses.replace(huge, plan=rate)
    with pytest.raises(DesignError, match="none of the rate of becoming numb"):
        plan_study(rated)
    assert trials_of.rate_needed(rated) is None


def test_trials_are_as_many_as_two_minutes_hold_and_a_plan_says_if_they_are_fewer_than_asked_for(monkeypatch):
    made = agreeing()
    scenario = trials_of.scenario_of(Sizing.of(made), 480, trials_of.plan_of(made))
    for decision in ("log_rank", "success", "wait"):
        assert trials_of.trials_within(1000, dataclasses.replace(scenario, decision=decision), 600) == 1000
    many = dataclasses.replace(scenario, decision="wait", operators=60)
    assert trials_of.FEWEST < trials_of.trials_within(1000, many, 600) < 1000
    assert trials_of.trials_within(50, dataclasses.replace(many, operators=100), 600) == 50
    monkeypatch.setattr(trials_of, "LONGEST", 0.5)
    monkeypatch.setattr(trials_of, "FEWEST", 2)
    found = plan_study(made, trials=FEW)
    assert 2 <= found.trials == found.planned.trials < FEW
    assert f"{found.trials} trials are simulated at each point, not {FEW}" in words(found)


@pytest.mark.parametrize("boundary", ["none", "anytime"])
def test_the_planned_size_is_that_of_the_protocol_whatever_its_boundary(boundary):
    rule = dataclasses.replace(protocol().looks, boundary=boundary, information="cases", planned_information=140)
    found = plan_study(dataclasses.replace(agreeing(primary="success_by_target"), looks=rule), trials=FEW)
    assert found.planned.scenario.cases == found.precision.cases == 140
    assert found.at_size.scenario.cases == found.claims[0].cases > 140
    assert "At the planned size (140 analysed, 140 cases)" in words(found)
    told = "a study that is analysed once (the test that holds at any time takes more, which is not told here)"
    assert (told in headline(found).allows) == (boundary == "anytime")


def test_a_ratio_belongs_to_its_arms_in_whatever_order_they_stand():
    made = agreeing()
    uneven = dataclasses.replace(made, allocation=dataclasses.replace(made.allocation, ratio=(2, 1)))
    turned = dataclasses.replace(uneven, arms=made.arms[::-1])
    assert uneven.arms[0].code == uneven.reference_arm
    assert Sizing.of(uneven).frame.share == pytest.approx(1 / 3)
    assert Sizing.of(turned).frame.share == pytest.approx(2 / 3)


def test_a_plan_says_that_cases_of_one_practice_or_operator_are_taken_as_independent():
    for cluster, whose in (("practice_id", "one practice share"), ("clinician_id", "one operator share")):
        assert whose in words(plan_study(agreeing(cluster=cluster), trials=FEW))
    assert "Sizes take every case as independent" not in words(plan_study(agreeing(cluster="patient_id"), trials=FEW))
