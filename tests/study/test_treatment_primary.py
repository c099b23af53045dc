"""Treatment success as the outcome that a protocol is for: counted, combined, looked at, planned and told as one."""

from __future__ import annotations

import copy
import dataclasses
import tomllib

import numpy as np
import pytest
from statsmodels.stats.proportion import confint_proportions_2indep

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.results import NotAvailable
from onsetstudy.design.size_results import OnsetExpectation
from onsetstudy.design.trials.draws import draw_trials
from onsetstudy.design.trials.results import TrialScenario
from onsetstudy.design.trials.trial_power import scores_of, simulate_power
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.protocol.check import check_protocol
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.sections.before.plan_words import headline
from onsetstudy.report.sentences import sentence
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.counted_estimates import difference_of_counts
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.counts.exchange_check import check_exchange
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.group.pool_files import gather
from onsetstudy.study.planning.plan_study import plan_study
from onsetstudy.study.practice.analyse import analyse
from onsetstudy.study.practice.interim import looks_taken, score_of
from onsetstudy.study.practice.subsets import primary_result
from onsetstudy.study.sets.contrasts import compared_treatments, treatment_success_of
from onsetstudy.study.sets.prepare import prepare
from tests.study import demo
from tests.study.cases import PROTOCOLS, set_of

pytestmark = pytest.mark.usefixtures("unpainted")

KEY = "treatment_success_difference"
FILE = PROTOCOLS / "mandibular_block_group.toml"
DEMO = PROTOCOLS.parent / "data" / "synthetic"


def promised(*, looks=True, **planning):
    """The demo with treatment success as its primary outcome; pain of 20 mm is mild."""
    content = copy.deepcopy(tomllib.loads(FILE.read_text(encoding="utf-8")))
    content["pain"]["mild_at_most"] = 20.0
    content["analysis"]["primary"] = KEY
    named = content["analysis"].get("secondary", [])
    content["analysis"]["secondary"] = [s for s in named if s != KEY]
    content["planning"] |= {"treated_reference": 0.6, "treated_other": 0.75, "wait_sd_min": 4.3} | planning
    if not looks:
        content.pop("looks", None)
    return check_protocol(content)


@pytest.fixture(scope="module")
def protocol():
    return promised()


@pytest.fixture(scope="module")
def records(protocol):
    return demo.of_practices(read_records([DEMO], protocol), "P01", "P02", "P03")


@pytest.fixture(scope="module")
def files(protocol, records):
    tally = tally_records(protocol, records, through=protocol.quarters[-1])
    return [
        (c, make_exchange(tally, protocol, c, records_digest=records.digest, least_cases=1)) for c in tally.practices
    ]


def counted(x0, n0, x1, n1, protocol):
    succeeded = np.r_[np.arange(n0) < x0, np.arange(n1) < x1]
    arm = np.array(["plain"] * n0 + ["buffered"] * n1)
    return treatment_success_of(compared_treatments(succeeded, arm, {}, protocol))


def test_the_limits_are_newcombes(protocol):
    """56 of 70 against 48 of 80: 0.0524 to 0.3339 (Newcombe 1998, Stat Med 17:873-890, table II, method 10)."""
    found = counted(48, 80, 56, 70, protocol)
    span = found.difference.interval
    assert found.difference.estimate == pytest.approx(0.2)
    assert (round(span.low, 4), round(span.high, 4)) == (0.0524, 0.3339)
    low, high = confint_proportions_2indep(56, 70, 48, 80, compare="diff", method="newcomb", alpha=0.05)
    assert (span.low, span.high) == pytest.approx((low, high), abs=1e-12)
    assert [e.quantity for e in found.arms] == ["treatment_success"] * 2
    assert found.difference.quantity == KEY
    assert "min" not in found.difference.method


def test_rows_and_files_give_one_number(protocol, records, files):
    data, _ = prepare(protocol, records, through=protocol.quarters[-1])
    ours, counts = primary_result(data), gather(files, protocol)
    theirs = difference_of_counts(KEY, set_of(counts.cells, protocol, counts.values))
    for name in ("estimate", "std_error"):
        assert getattr(theirs, name) == pytest.approx(getattr(ours, name), abs=1e-10)
    assert (theirs.interval.low, theirs.interval.high) == pytest.approx((ours.interval.low, ours.interval.high))
    told = data.treatment()
    assert theirs.n.cases == int((told != "").sum()) < len(data)
    shares = [np.mean(told[(data.arm == a) & (told != "")] == "yes") for a in ("plain", "buffered")]
    assert np.sign(ours.estimate) == np.sign(shares[1] - shares[0])


@pytest.mark.usefixtures("answer_alone")
def test_it_leads_in_practice_and_group_with_the_same_words(protocol, records, files):
    practice = analyse(demo.of_all_cases_alone(protocol), records, without_list="written for a test")
    group = analyse_group(files, protocol)
    lead, theirs = practice.claims.primary(), group.claims.primary()
    assert lead.quantity.key == theirs.quantity.key == KEY
    assert (theirs.alone or theirs.answer.interval).low == pytest.approx((lead.alone or lead.answer.interval).low)
    for results, document in ((practice, compose(practice)), (group, compose_group(group))):
        answer = next(b for b in document.sections[0].blocks if b.kind == "answer")
        assert answer.seen == sentence(results.claims.primary(), protocol).seen
        assert "no or mild pain" in answer.seen
        told = results.claims.primary()
        # Cases of whose treatment nothing is known tell nothing of it.
        assert told.population == f"{told.answer.n.cases} treatments"
        assert told.answer.n.cases < results.overall.n.cases
    data, _ = prepare(protocol, records, through=protocol.quarters[-1])
    last = looks_taken(data, protocol.quarters[-1]).verdicts[-1]
    assert group.looks.verdicts[0].z == pytest.approx(last.z, abs=1e-10)
    assert "successful treatments" in group.looks.caution[0].text


def test_more_successes_of_the_other_arm_are_said_to_be_more(protocol):
    whole = counted(30, 100, 70, 100, protocol).difference
    assert score_of(whole, KEY)[0] > 0
    turned = counted(70, 100, 30, 100, protocol).difference
    assert score_of(turned, KEY)[0] == pytest.approx(-score_of(whole, KEY)[0])


def test_no_treatment_told_is_no_answer(protocol, records):
    cases = records.cases.assign(pain_treatment=np.nan, rescue_min=np.nan)
    data, _ = prepare(protocol, dataclasses.replace(records, cases=cases), through=protocol.quarters[-1])
    found = primary_result(data)
    assert isinstance(found, NotAvailable)
    assert "known whether the treatment succeeded" in found.reason


def test_a_value_that_is_neither_is_refused(protocol, files):
    sent = files[0][1]
    rows = [list(r) for r in sent.values.rows]
    first = next(r for r in rows if r[0] == "treatment_success")
    first[3] = 0.5
    wrong = dataclasses.replace(sent.values, rows=tuple(tuple(r) for r in rows))
    assert not list(check_exchange(sent))
    assert any("treatment success" in p.what for p in check_exchange(dataclasses.replace(sent, values=wrong)))


def test_a_primary_outcome_that_nothing_tells_is_refused():
    content = copy.deepcopy(tomllib.loads(FILE.read_text(encoding="utf-8")))
    content["analysis"]["primary"] = KEY
    with pytest.raises(OnsetStudyError, match="which pain is mild"):
        check_protocol(content)
    with pytest.raises(OnsetStudyError, match="in one arm only"):
        check_protocol(without_one(content))


def without_one(content):
    """Expected in one arm and not in the other."""
    content["pain"]["mild_at_most"] = 20.0
    content["planning"]["treated_reference"] = 0.6
    return content


def scenario(**more):
    expected = OnsetExpectation(median_min=4.0, shape=1.5, never_reference=0.1, never_other=0.1, tau_min=15.0)
    given = {"cases": 160, "decision": "treatment", "operators": 3, "treated_reference": 0.6, "treated_other": 0.8}
    return TrialScenario(expected=expected, hazard_ratio=1.0, tests_min=(2.0, 4.0, 8.0), **{**given, **more})


def test_drawn_trials_are_decided_by_the_reports_own_z(protocol):
    drawn = draw_trials(scenario(cases=60), 40, np.random.default_rng(3))
    found = scores_of(scenario(cases=60), drawn)
    for trial, z in enumerate(found):
        arm = np.where(drawn.other[trial], "buffered", "plain")
        columns = {"practice_id": drawn.stratum[trial].astype(str)}
        ours = treatment_success_of(compared_treatments(drawn.score[trial] == 1, arm, columns, protocol)).difference
        assert z == pytest.approx(score_of(ours, KEY)[0], abs=1e-10)


def test_the_planned_size_has_the_planned_power_and_the_error_is_kept():
    """Of 1,000 trials each: within three errors of the simulation."""
    with_effect = simulate_power(scenario(cases=164), trials=1000, seed=2)
    nothing = simulate_power(scenario(cases=164, treated_other=0.6), trials=1000, seed=2)
    assert with_effect.power == pytest.approx(0.8, abs=0.04)
    assert nothing.power == pytest.approx(0.05, abs=0.022)
    worse = simulate_power(scenario(treated_reference=0.8, treated_other=0.6), trials=200, seed=2)
    assert sum(worse.by_look) - worse.power < 0.02  # stopped on the wrong side


def test_the_plan_leads_with_its_size():
    plan = plan_study(promised(looks=False), trials=60)
    lead = plan.claims[0]
    assert (lead.quantity.key, lead.outcome) == (KEY, "treatment")
    size = next(q.size for q in plan.questions if q.outcome == "treatment")
    assert "successful treatments" in headline(plan).seen
    assert plan.at_size.scenario.decision == "treatment"
    assert plan.null.scenario.treated_other == plan.null.scenario.treated_reference
    # By hand: (1.96 sqrt(2 x .675 x .325) + .8416 sqrt(.24 + .1875))^2 / .15^2 = 151.9 an arm.
    assert size.unrounded == pytest.approx(2 * 151.9, abs=0.5)
    assert sorted({p.effect for p in plan.curve}) == pytest.approx([0.075, 0.1125, 0.15, 0.225])


def test_interim_analyses_of_it_are_simulated():
    plan = plan_study(promised(), trials=40)
    assert plan.not_simulated == ""
    assert len(plan.planned.by_look) == len(plan.looks.looks)
