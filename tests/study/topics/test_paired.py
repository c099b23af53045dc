"""A split-mouth study: compared within patients, against the same engine on the rows; guesses in words."""

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.weightstats import DescrStatsW

from onsetstudy.core.claims import within_patients
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.inference.parameter import Parameter
from onsetstudy.inference.proportions import mcnemar_exact
from onsetstudy.outcomes.chair_time import Prices, compare_chair_time
from onsetstudy.outcomes.scores.pain_moments import welch_difference
from onsetstudy.outcomes.scores.within_patient import compare_pairs
from onsetstudy.report.document import Table
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.figures import key_rows
from onsetstudy.report.numbers import p_text
from onsetstudy.report.render.html import render_html
from onsetstudy.report.sections.appendix.fairness import blinding_section, paired_section
from onsetstudy.report.sections.appendix.statistician import claims_table
from onsetstudy.report.sections.main.onset import onset_section
from onsetstudy.report.sentences import sentence
from onsetstudy.study.practice.interim import looks_taken, score_of
from onsetstudy.study.practice.subsets import analyse_population, onset_test_of
from onsetstudy.study.sets.contrasts import not_numb_of, pain_compared, success_of, wait_of
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.outcomes import chair_records
from onsetstudy.study.topics.within_patient import blinding_of, paired_study
from onsetstudy.survival.hazards.frailty import WITHOUT_SPREAD, fit_shared_frailty
from onsetstudy.survival.hazards.proportional_hazards import fit_proportional_hazards
from onsetstudy.survival.ranktests.compare import compare_arms
from onsetstudy.survival.summaries.rmst import estimate_rmst
from onsetstudy.survival.summaries.within_patient import paired_numb_by
from tests.simulation.kept import KeptStudies
from tests.study.cases import analyse, case, protocol, readings_of, records

pytestmark = pytest.mark.usefixtures("unpainted")

PATIENTS = 16
TICKS = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15.0])


def promised():
    made = protocol(plan={"sensitivity": ()})
    study = dataclasses.replace(made.study, design="split_mouth")
    return dataclasses.replace(
        made, study=study, looks=None, allocation=dataclasses.replace(made.allocation, method="paired")
    )


def split_mouth(made, patients=PATIENTS, extra=True):
    rng = np.random.default_rng(4)
    rows, readings, number = [], [], 0
    for k in range(patients):
        level = int(rng.integers(0, 4))
        for place, arm in enumerate(("plain", "buffered") if k % 2 else ("buffered", "plain")):
            if extra and k == 0 and arm == "plain":
                continue  # the first patient has one case only
            number += 1
            felt = max(0, level + (2 if arm == "plain" else 0) + int(rng.integers(0, 2)))
            score = 30 + 5 * level - (8 if arm == "buffered" else 0) + int(rng.integers(-3, 4))
            rows.append(
                case(
                    number, arm, patient_id=f"P01-K{k:03d}", period=str(place + 1), pain_deposition=str(score),
                    guess_patient="plain" if k % 3 else "unsure",
                )
            )  # fmt: skip
            readings += readings_of(number, "f" * felt + "nn")
    if extra:
        number += 1
        rows.append(case(number, "buffered", patient_id="P01-K001", period="3", pain_deposition="10"))
        readings += readings_of(number, "nn")
    found = records(rows, readings, made)
    assert len(found.cases) == len(rows)
    return found


@pytest.fixture(scope="module")
def data():
    made = promised()
    return prepare(made, split_mouth(made), through=made.quarters[-1])[0]


def whole_of(cases):
    """What the overall results tell of some cases."""
    return analyse_population(cases, label="all", dimension="overall", level="")


def test_each_patient_counts_once_in_each_arm(data):
    found = paired_study(data)
    assert found.pairs == PATIENTS - 1
    assert found.incomplete == 1
    codes = {c.code: c.text for c in found.caution}
    assert "1 patient has a case in one arm only" in codes["incomplete_pairs"]
    assert "1 further case of" in codes["further_cases"]


def test_nothing_calls_limits_too_narrow_that_take_the_cases_of_a_pair_apart(data):
    """Page and section of the same study said "usually too wide" and "may be too narrow" of the same limits."""
    assert compare_chair_time(
        dataclasses.replace(chair_records(data), wait_min=np.arange(len(data), dtype=float)),
        Prices(cases_per_month=20), reference_arm="plain", contrast_arm="buffered",
    ).caution == ()  # fmt: skip


def test_the_numbers_are_those_of_the_engine(data):
    found = paired_study(data)
    frame = data.frame.sort_values(["patient_id", "case_date", "case_id"], kind="stable")
    frame = frame.drop_duplicates(["patient_id", "arm"])
    whole = frame.groupby("patient_id")["arm"].transform("nunique") == 2
    rows = data.where(data.frame.index.isin(frame.index[whole]))
    test = compare_arms(
        rows.times("hazard"), rows.arm, reference_arm="plain", block=rows.column("patient_id"), method="permutation",
        seed=rows.protocol.plan.seed,
    )  # fmt: skip
    assert onset_test_of(data).p_value == test.p_value
    success = paired_numb_by(
        rows.times("success"), rows.arm, rows.column("patient_id"), reference_arm="plain", target_min=2.0
    )
    told = success_of(data).difference
    assert dataclasses.replace(told, caution=(), method=success.difference.method) == success.difference
    assert found.pain.shift.estimate < 0
    assert found.pain.pairs == PATIENTS - 1
    ratio = fit_shared_frailty(
        rows.times("hazard"), {"arm": rows.arm}, cluster=rows.column("patient_id"), reference={"arm": "plain"}
    )
    assert found.hazard_ratio == ratio.estimates[0]


def one_of_pairs(k):
    """A study of 60 pairs: both ratios, and whether the small strata are told."""
    rng = np.random.default_rng(k)
    rate = np.exp(rng.normal(0, 0.5, 60))
    cell = np.searchsorted(TICKS, np.concatenate((rng.exponential(4 / rate), rng.exponential(2.5 / rate))))
    times = Intervals(TICKS[cell - 1], np.append(TICKS, np.inf)[cell])
    arm, patient = np.repeat(["plain", "buffered"], 60), np.tile(np.arange(60), 2)
    options = {"reference": {"arm": "plain"}}
    shared = fit_shared_frailty(times, {"arm": arm}, cluster=patient, **options)
    own = fit_proportional_hazards(times, {"arm": arm}, stratum=patient, **options)
    return {
        "shared": shared.estimates[0].estimate,
        "own": own.estimates[0].estimate,
        "told": "small_strata" in {c.code for c in own.caution},
    }


PAIRS = KeptStudies(name="ratio_within_pairs", one=one_of_pairs, count=30)


def test_the_ratio_within_patients_is_not_one_with_a_baseline_for_each():
    """60 pairs, true ratio 1.6: near 3 with a baseline for each pair, near 1.6 with a shared effect.

    Neyman & Scott 1948, Econometrica 16:1-32: estimates with ever more incidental parameters. Thirty studies, so that
    the mean is known to about 0.04 on the log scale.
    """
    found = PAIRS.numbers()
    assert found["told"].all()
    assert abs(np.log(found["shared"] / 1.6).mean()) < 0.12
    assert np.log(found["own"] / 1.6).mean() > 0.4


def test_the_order_is_looked_at(data):
    found = paired_study(data).order
    assert sum(count for _, count in found.sequences) == PATIENTS - 1
    assert isinstance(found.period, Estimate)
    overall = whole_of(data)
    section = paired_section(paired_study(data), overall, promised())
    told = " ".join(getattr(block, "text", "") for block in section.blocks)
    assert " had not buffered first" in told
    assert " had buffered first" in told
    assert "plain" not in told
    labelled = dataclasses.replace(
        promised(),
        arms=tuple(dataclasses.replace(a, label="as packaged") if a.code == "plain" else a for a in promised().arms),
    )
    assert " had as packaged first" in " ".join(
        getattr(block, "text", "") for block in paired_section(paired_study(data), overall, labelled).blocks
    )


def test_the_section_and_the_whole_report(data):
    made = promised()
    section = paired_section(paired_study(data), whole_of(data), made)
    assert f"{PATIENTS - 1} patients had both not buffered and buffered" in section.blocks[0].text
    html = render_html(compose(analyse(made, split_mouth(made))))
    assert "Within the same patients" in html
    assert "Each patient had both: compare within patients" in html
    assert paired_study(dataclasses.replace(data, protocol=protocol())) is None
    assert paired_section(None, whole_of(data), made) is None


def invented_pairs(seed, like, overall):
    """Everything within 12 invented patients; ``like`` and ``overall`` give what is not drawn."""
    rng, who = np.random.default_rng(seed), np.tile(np.arange(12), 2)
    rate = np.exp(rng.normal(0, 0.5, 12))
    cell = np.searchsorted(TICKS, np.concatenate((rng.exponential(4 / rate), rng.exponential(2 / rate))))
    times, arm = Intervals(TICKS[cell - 1], np.append(TICKS, np.inf)[cell]), np.repeat(["plain", "buffered"], 12)
    success = paired_numb_by(times, arm, who, reference_arm="plain", target_min=3)
    score = 10 * rng.integers(0, 9, (2, 12)) - np.array([[0.0], [15.0]])
    within = dataclasses.replace(
        like,
        hazard_ratio=fit_shared_frailty(times, {"arm": arm}, cluster=who, reference_arm="plain").estimates[0],
        pain=compare_pairs(*score, arms=("plain", "buffered"), unit="mm"),
    )
    return within, dataclasses.replace(
        overall, success=success.arms, success_difference=success.difference,
        onset_test=compare_arms(times, arm, reference_arm="plain", block=who, method="permutation", seed=1),
    )  # fmt: skip


def test_no_interval_is_printed_beside_a_p_that_contradicts_it(data):
    """Studies of 12 patients: every line agrees in itself, or words say where a test of another kind disagrees."""
    like, whole, made, disagree = paired_study(data), whole_of(data), promised(), 0
    for seed in range(35):
        study, overall = invented_pairs(seed, like, whole)
        table = next(b for b in paired_section(study, overall, made).blocks if isinstance(b, Table))
        rows = {row[0]: row[1:] for row in table.rows}
        rows.pop("the same, labels exchanged", None)
        said = " ".join(table.notes)
        disagree += "disagree on the rate" in said
        for name, (shown, p) in rows.items():
            low, high = re.search(r"\((.+) to (.+)\)", shown.replace("\u2212", "-").replace("under ", "")).groups()
            holds = float(low) <= ("rate" in name) <= float(high)
            p = float(p.removeprefix("< "))
            if "pain" in name:
                assert (holds != (p >= 0.05)) == bool(re.search("disagree on .*pain", said)), seed
            assert holds == (p >= 0.05), (seed, name)
            if "rate" in name:
                assert (holds != (overall.onset_test.p_value >= 0.05)) == ("disagree on the rate" in said), seed
    assert disagree


def test_page_one_claims_no_share_that_the_test_within_patients_does_not_bear():
    made = promised()
    study = analyse(made, split_mouth(made))
    apart = interval_of(study.overall.success_difference, 0.02, 0.6)
    for p_value, side in ((0.125, 0), (0.03, 1)):
        within = dataclasses.replace(apart, p_value=p_value)
        with_p = dataclasses.replace(study, overall=dataclasses.replace(study.overall, success_difference=within))
        claim = next(c for c in with_p.claims.claims if c.quantity.key == "success_difference")
        assert claim.bears.side == side
        assert ("By its test, p = 0.12" in sentence(claim, made).allows) == (side == 0)


def interval_of(e, low, high):
    return dataclasses.replace(
        e, estimate=(low + high) / 2, interval=dataclasses.replace(e.interval, low=low, high=high)
    )


def test_guesses_are_told_by_person_and_arm(data):
    found = blinding_of(data)
    assert {x.who for x in found.lines} == {"patient"}
    assert dict(found.intended)["patient"]
    plain = next(x for x in found.lines if x.arm == "plain")
    assert plain.wrong == 0
    text = blinding_section(found, promised()).blocks[0].text
    assert "named the arm more often than by chance: patient, not buffered" in text
    nobody = dataclasses.replace(data, frame=data.frame.assign(guess_patient=None))
    assert blinding_of(nobody) is None
    assert blinding_section(None, promised()) is None


def test_a_ratio_within_patients_who_do_not_differ_says_that_it_allows_for_no_difference():
    """Each of twelve patients waits as long as chance says: no spread between them is found."""
    made, rows, readings = promised(), [], []
    for k in range(12):
        for place, arm in enumerate(("plain", "buffered")):
            number = 2 * k + place + 1
            rows.append(case(number, arm, patient_id=f"P01-K{k:03d}", pain_deposition="30"))
            readings += readings_of(number, "f" * ((5 * k + 7 * place) % 6 + (1 - place)) + "nn")
    alike, _ = prepare(made, records(rows, readings, made), through=made.quarters[-1])
    found = paired_study(alike)
    assert WITHOUT_SPREAD in found.hazard_ratio.caution
    assert WITHOUT_SPREAD in found.caution
    section = paired_section(found, whole_of(alike), made)
    assert any("make no allowance for clusters" in getattr(b, "text", "") for b in section.blocks)


def test_two_patients_are_too_few_but_no_crash():
    made = promised()
    few, _ = prepare(made, split_mouth(made, patients=2, extra=False), through=made.quarters[-1])
    found = paired_study(few)
    assert found.pairs == 2
    assert not isinstance(found.pain.shift, Estimate)


def test_pain_is_claimed_within_patients(data):
    """Against statsmodels' mean of the differences, and the signed ranks of the section within patients."""
    made = promised()
    study = analyse(made, split_mouth(made))
    scores = data.pain[data.pairs()]
    assert len(scores) == PATIENTS - 1
    apart = DescrStatsW(scores[:, 1] - scores[:, 0])
    mean, shift = study.claims.get("pain_difference"), study.claims.get("pain_shift")
    assert mean.answer.estimate == pytest.approx(apart.mean)
    assert (mean.answer.interval.low, mean.answer.interval.high) == pytest.approx(apart.tconfint_mean())
    assert mean.answer.p_value == pytest.approx(apart.ttest_mean(0)[1])
    assert mean.answer.n.onsets == 2 * (PATIENTS - 1)
    assert (shift.answer, shift.test) == (study.paired.pain.shift, study.paired.pain.test)
    # As if patients were different, more than the difference between arms would differ.
    unpaired = welch_difference(scores.T, Parameter(quantity="", contrast="", unit="", n=mean.n))
    assert unpaired.interval.high - unpaired.interval.low > 1.5 * (mean.answer.interval.high - mean.answer.interval.low)
    moment = next(m for m in study.comfort.moments if m.moment == made.pain.moment)
    assert moment.comparison.shift == shift.answer
    assert moment.missing.mean_difference.interval == mean.answer.interval
    assert sentence(mean, made).seen.startswith("Within patients, mean pain at deposition was ")
    assert sentence(mean, made).seen.endswith(f", in {PATIENTS - 1} patients with both arms.")
    assert f", in {PATIENTS - 1} patients with both arms." in sentence(shift, made).seen
    assert f", in {PATIENTS - 1} patients with both arms." in sentence(study.claims.get("rmst_difference"), made).seen
    assert "both arms" not in sentence(study.claims.get("hazard_ratio"), made).seen
    assert sentence(shift, made).seen.startswith("By ranks within patients, scores at deposition were ")
    assert "pain are compared as if" not in render_html(compose(study))
    dots = {dot.row: dot.question for dot in key_rows.data_for(study)}
    assert dots["pain"] == "Mean pain at deposition, buffered less not buffered, within patients"
    assert dots["wait"] == "Minutes of waiting saved, up to 15, within patients"
    assert "within patients" not in dots["success"]


def test_pain_of_patients_with_one_arm_alone_is_not_compared():
    made = promised()
    few, _ = prepare(made, split_mouth(made, patients=2, extra=False), through=made.quarters[-1])
    one = few.where(few.frame["patient_id"].to_numpy() != few.frame["patient_id"].iloc[0])
    found = pain_compared(one, one.pain, quantity="pain_difference")
    assert found.reason == "it takes 2 patients with a score in both arms"
    alike = np.where(few.arm == "plain", 30.0, 20.0)
    assert pain_compared(few, alike, quantity="pain_difference").code == "no_spread"
    assert dataclasses.replace(few, protocol=protocol()).pairs() is None


def test_what_was_counted_is_patients_beside_cases():
    """One patient has one case, another three: 32 cases are of 16 patients, 15 of whom had both arms."""
    made = promised()
    made = dataclasses.replace(
        made,
        planning=dataclasses.replace(made.planning, within_patient_correlation=0.5),
        plan=dataclasses.replace(made.plan, primary="pain_difference"),
    )
    study = analyse(made, split_mouth(made))
    assert study.overall.n.cases == 2 * PATIENTS
    assert study.more_needed.cases_seen == PATIENTS - 1
    text = render_html(compose(study))
    assert f"{2 * PATIENTS} cases; {PATIENTS - 1} patients with both arms" in text
    assert "Patients analysed" in text
    assert "Cases analysed" not in text
    said = next(c.text for c in study.caution if c.code == "small_sample")
    assert said.startswith(f"{2 * PATIENTS} cases, {PATIENTS - 1} patients with both arms, from ")


def test_a_patient_counts_in_the_quarter_of_the_later_case(data):
    early, late = (q.label for q in data.protocol.quarters[:2])
    pairs, quarter = data.pairs(), np.full(len(data), early, dtype=object)
    quarter[pairs[:4, 1]] = late
    quarter[pairs[4:6].ravel()] = late
    moved = dataclasses.replace(data, frame=data.frame.assign(quarter=quarter))
    assert moved.pairs_by_quarter((early, late)) == (PATIENTS - 1 - 6, 6)
    assert moved.pairs_by_quarter((early,)) == (PATIENTS - 1 - 6,)
    nobody = moved.where(data.arm == "plain")
    assert nobody.pairs_by_quarter((early, late)) == (0, 0)
    assert len(moved.in_pairs()) == 2 * (PATIENTS - 1)
    apart = dataclasses.replace(moved, protocol=protocol())
    assert apart.pairs_by_quarter((early, late)) is None
    assert len(apart.in_pairs()) == len(moved)


def test_an_interim_analysis_counts_patients_with_both_arms(data):
    """Cases of patients who so far had one arm are no information yet."""
    made = promised()
    rule = dataclasses.replace(protocol().looks, information="cases", planned_information=60)
    made = dataclasses.replace(made, looks=rule, plan=dataclasses.replace(made.plan, primary="pain_difference"))
    planned = dataclasses.replace(data, protocol=made)
    quarter = next(q for q in made.quarters if q.label == max(data.column("quarter")))
    assert looks_taken(planned, quarter).seen[-1].counted == 2 * (PATIENTS - 1)


def one_number_everywhere(study, made):
    """Page 1, the table and the section within patients tell the same of waits and proportions."""
    whole, paired = study.overall, study.paired
    table = next(b for b in paired_section(paired, whole, made).blocks if isinstance(b, Table))
    shown = {row[0]: row[1] for row in table.rows}
    assert {row[0]: row[2] for row in table.rows}["the same, labels exchanged"] == p_text(whole.onset_test.p_value)
    beside = {
        row[0]: row[3] for b in onset_section(study).blocks if isinstance(b, Table) and b.caption == "Arm beside arm"
        for row in b.rows
    }  # fmt: skip
    for key, answer, row, line in (
        ("rmst_difference", whole.wait_difference, "minutes of waiting saved, up to 15",
         "Restricted mean time to onset, up to 15 min"),
        ("success_difference", whole.success_difference, "numb by 2 min, percentage points", "Numb by 2 min"),
        ("not_numb_difference", whole.never_numb_difference, "not numb within 15 min, percentage points",
         "Not numb within 15 min"),
    ):  # fmt: skip
        claim = study.claims.get(key)
        assert f", in {paired.pairs} patients with both arms." in sentence(claim, made).seen
        assert claim.answer.estimate == answer.estimate
        assert sentence(claim, made).seen.startswith("Within patients, ")
        assert beside[line].replace("\xa0", " ") == shown[row].replace("\xa0", " ")
        arms = whole.wait if key == "rmst_difference" else whole.success if "success" in key else whole.never_numb
        assert arms[1].estimate - arms[0].estimate == pytest.approx(answer.estimate)


def test_waits_and_proportions_stand_once_within_patients(data):
    """Against statsmodels' t of the differences of the gaps' middles; a patient without a partner is left out."""
    made = dataclasses.replace(promised(), plan=dataclasses.replace(promised().plan, primary="rmst_difference"))
    study = analyse(made, split_mouth(made))
    one_number_everywhere(study, made)
    pairs, times = data.pairs(), data.times("wait")
    middle = (times.left + np.minimum(times.right, 15.0)) / 2
    apart = DescrStatsW(middle[pairs[:, 1]] - middle[pairs[:, 0]])
    wait = study.claims.primary()
    assert wait.answer.estimate == pytest.approx(apart.mean)
    assert (wait.answer.interval.low, wait.answer.interval.high) == pytest.approx(apart.tconfint_mean())
    assert wait.answer.p_value == pytest.approx(apart.ttest_mean(0)[1])
    # As two groups, patients who differ hide what differs between the arms.
    groups = estimate_rmst(
        times.take(pairs.ravel()), data.arm[pairs.ravel()], reference_arm="plain", tau_min=15
    ).difference
    assert groups.interval.high - groups.interval.low > 1.3 * (wait.answer.interval.high - wait.answer.interval.low)
    page = render_html(compose(study))
    assert f"32 cases; {PATIENTS - 1} patients with both arms." in page
    # "5 patients" also stands within "15 patients".
    pain = study.claims.get("pain_difference")
    scores = dataclasses.replace(pain.answer, n=dataclasses.replace(pain.answer.n, onsets=10))
    few = dataclasses.replace(study, overall=dataclasses.replace(study.overall, pain_difference=scores))
    assert f"32 cases; {PATIENTS - 1} patients with both arms; pain: 5 patients." in str(compose(few).sections[0])
    assert {claim.population for claim in study.claims.page_one() if within_patients(claim.answer)} == {"15 patients"}
    assert "1 patient has a case in one arm only and is left out of the comparison within patients." in page
    assert "Waits, proportions and pain are compared so" in page
    assert "Differences are within patients; the hazard ratio is not." in page
    assert (
        f"These {PATIENTS - 1} patients cannot tell which injection has more"
        in sentence(study.claims.get("success_difference"), made).text
    )
    assert from_dict(to_dict(study.paired)) == study.paired
    claimed = {row[0]: row[2] for row in claims_table(study).rows}
    assert claimed["difference in restricted mean time to onset"] == f"{PATIENTS - 1} patients"
    # Shares of the patients that they are of.
    assert f"of\u00a0{PATIENTS - 1}<" in page
    assert f"of\u00a0{PATIENTS}<" not in page


@pytest.mark.parametrize("missed", ["ff-nn", "f--nn"])
def test_a_missed_test_leaves_one_number(missed):
    made = promised()
    rows, readings = [], []
    for k in range(12):
        for place, arm in enumerate(("plain", "buffered")):
            number = 2 * k + place + 1
            rows.append(case(number, arm, patient_id=f"P01-K{k:03d}", pain_deposition="30"))
            text = missed if k == 3 else "f" * (k % 3 + 2 * (arm == "plain")) + "nn"
            readings += [r for r in readings_of(number, text.replace("-", "f")) if text[int(r["minute"]) - 1] != "-"]
    study = analyse(made, records(rows, readings, made))
    one_number_everywhere(study, made)
    assert study.paired.pairs == 12


def test_order_of_rows_changes_nothing_and_fewer_than_two_pairs_are_told(data):
    made = promised()
    mixed = data.take(np.random.default_rng(2).permutation(len(data)))
    for verb in (wait_of, success_of, not_numb_of):
        assert verb(mixed) == verb(data)
    few, _ = prepare(made, split_mouth(made, patients=2, extra=False), through=made.quarters[-1])
    assert wait_of(few).n.cases == 4
    one = few.where(few.frame["patient_id"].to_numpy() == few.frame["patient_id"].iloc[0])
    apart = few.where(few.frame["patient_id"].to_numpy() != few.frame["patient_id"].iloc[0])
    assert len(one) == len(apart) == 2
    for verb in (wait_of, success_of, not_numb_of):
        with pytest.raises(NotEstimable, match="it takes 2 patients treated in both arms"):
            verb(one)
    found, whole = paired_study(one), whole_of(one)
    assert whole.wait_difference.code == whole.success_difference.code == "too_few"
    assert "it takes 2 patients treated in both arms" in {row[1] for b in paired_section(found, whole, made).blocks
                                                          if isinstance(b, Table) for row in b.rows}  # fmt: skip


def test_few_patients_bear_a_difference_that_their_limits_show():
    """The rule for arms of few cases is not for pairs, whose limits are not too narrow."""
    made = promised()
    study = analyse(made, split_mouth(made, patients=6, extra=False))
    claim = study.claims.get("rmst_difference")
    assert claim.answer.n.cases == 12
    assert claim.answer.interval.high < 0
    assert claim.bears.side == 1
    assert not any(c.code == "few_of_an_arm" for c in claim.answer.caution)
    fewer = analyse(made, split_mouth(made, patients=4, extra=False)).claims.get("rmst_difference")
    assert fewer.bears.side == 0
    assert "With 4 patients treated in both arms how their differences spread is hardly known" in {
        c.code: c.text for c in fewer.answer.caution
    }["few_of_an_arm"]  # fmt: skip


def test_looks_at_a_proportion_within_patients_are_judged_by_its_p():
    times = Intervals([0.0] * 8 + [4.0] * 4 + [4.0] * 12, [2.0] * 8 + [np.inf] * 4 + [np.inf] * 12)
    arm, who = np.repeat(["buffered", "plain"], 12), np.tile(np.arange(12), 2)
    found = paired_numb_by(times, arm, who, reference_arm="plain", target_min=3).difference
    z, information = score_of(found, "success_difference")
    assert 2 * stats.norm.sf(z) == pytest.approx(found.p_value)
    assert information == pytest.approx((z / found.estimate) ** 2)
    # Newcombe's limits alone would have it cross earlier than the exact test does.
    assert z < found.estimate / (found.estimate - found.interval.low) * stats.norm.isf(0.025)
    nothing = paired_numb_by(times.take(np.r_[0:4, 12:16]), arm[np.r_[0:4, 12:16]], who[np.r_[0:4, 12:16]],
                             reference_arm="plain", target_min=3).difference  # fmt: skip
    assert score_of(nothing, "success_difference")[0] < 1.96


def test_looks_at_waits_are_at_those_within_patients(data):
    made = promised()
    looks = dataclasses.replace(protocol().looks, information="cases", planned_information=40, futility="none")
    plan = dataclasses.replace(made.plan, primary="rmst_difference")
    made = dataclasses.replace(made, looks=looks, plan=plan)
    cases = prepare(made, split_mouth(made), through=made.quarters[-1])[0]
    seen = looks_taken(cases, made.quarters[-1]).seen[-1]
    assert seen.z == score_of(wait_of(cases).difference, "rmst_difference")[0]
    study = analyse(made, split_mouth(made))
    claim = study.claims.primary()
    assert claim.alone == wait_of(cases).difference.interval
    assert ", up to 15 minutes, a tooth not numb by then counted as 15, " in sentence(claim, made).seen
    assert "within patients, " in sentence(claim, made).seen.lower()


def test_successful_treatments_are_compared_within_patients():
    made = promised()
    made = dataclasses.replace(
        made, pain=dataclasses.replace(made.pain, mild_at_most=20.0),
        plan=dataclasses.replace(made.plan, primary="treatment_success_difference"),
    )  # fmt: skip
    rows, readings = [], []
    for k in range(12):
        for place, arm in enumerate(("plain", "buffered")):
            number = 2 * k + place + 1
            pain = "10" if k < (9 if arm == "buffered" else 2) else "60"
            rows.append(case(number, arm, patient_id=f"P01-K{k:03d}", pain_treatment=pain))
            readings += readings_of(number, "fnn")
    study = analyse(made, records(rows, readings, made))
    found = study.overall.treatment_difference
    assert found.quantity == "treatment_success_difference"
    assert found.estimate == pytest.approx(7 / 12)
    assert found.p_value == pytest.approx(mcnemar_exact(7, 0))
    assert found.method == "share of successful treatments of 12 patients treated in both arms"
    assert sentence(study.claims.primary(), made).seen.startswith("Within patients, ")


def test_what_it_takes_is_told_in_patients():
    made = promised()
    plan = dataclasses.replace(made.plan, primary="rmst_difference")
    planning = dataclasses.replace(made.planning, within_patient_correlation=0.5)
    made = dataclasses.replace(made, plan=plan, planning=planning)
    study = analyse(made, split_mouth(made))
    more = study.more_needed
    assert more.cases_seen == PATIENTS - 1
    assert "power of the paired Student's t test" in more.text
    assert f"{PATIENTS - 1} patients have been analysed with both arms" in more.text
    assert "Patients analysed" in render_html(compose(study))


def test_a_quarter_in_which_nobody_had_both_yet_is_told_like_any_other():
    made = promised()
    found = split_mouth(made, extra=False)
    # Every second injection was given in the quarter after the first.
    later = found.cases["period"].astype(str) == "2"
    cases = found.cases.assign(
        case_date=found.cases["case_date"].where(later, pd.Timestamp("2026-05-04")),
        quarter=found.cases["quarter"].where(later, "2026Q2"),
    )
    results = analyse(made, dataclasses.replace(found, cases=cases))
    assert [p.onset_test.code for p in results.by_quarter if p.n.cases] == ["too_few", "too_few"]
    assert not isinstance(results.overall.onset_test, NotAvailable)
