"""A split-mouth study: compared within patients, against the same engine on the rows; guesses in words."""

import dataclasses
import re

import numpy as np
import pytest
from statsmodels.stats.weightstats import DescrStatsW

from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Estimate
from onsetstudy.inference.parameter import Parameter
from onsetstudy.outcomes.scores.pain_moments import welch_difference
from onsetstudy.outcomes.scores.within_patient import compare_pairs
from onsetstudy.report.document import Table
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.figures import key_rows
from onsetstudy.report.render.html import render_html
from onsetstudy.report.sections.appendix.fairness import blinding_section, paired_section
from onsetstudy.report.sentences import sentence
from onsetstudy.study.practice.interim import looks_taken
from onsetstudy.study.sets.contrasts import pain_compared
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.within_patient import blinding_of, paired_study
from onsetstudy.survival.hazards.frailty import WITHOUT_SPREAD, fit_shared_frailty
from onsetstudy.survival.hazards.proportional_hazards import fit_proportional_hazards
from onsetstudy.survival.ranktests.compare import compare_arms
from onsetstudy.survival.summaries.within_patient import paired_success
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


def test_each_patient_counts_once_in_each_arm(data):
    found = paired_study(data)
    assert found.pairs == PATIENTS - 1
    assert found.incomplete == 1
    codes = {c.code: c.text for c in found.caution}
    assert "1 patients have a case in one arm only" in codes["incomplete_pairs"]
    assert "1 further cases" in codes["further_cases"]


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
    assert found.onset_test.p_value == test.p_value
    success = paired_success(
        rows.times("success"), rows.arm, rows.column("patient_id"), reference_arm="plain", target_min=2.0
    )
    assert found.success_difference == success.difference
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
    section = paired_section(paired_study(data), promised())
    told = " ".join(getattr(block, "text", "") for block in section.blocks)
    assert " had not buffered first" in told
    assert " had buffered first" in told
    assert "plain" not in told
    labelled = dataclasses.replace(
        promised(),
        arms=tuple(dataclasses.replace(a, label="as packaged") if a.code == "plain" else a for a in promised().arms),
    )
    assert " had as packaged first" in " ".join(
        getattr(block, "text", "") for block in paired_section(paired_study(data), labelled).blocks
    )


def test_the_section_and_the_whole_report(data):
    made = promised()
    section = paired_section(paired_study(data), made)
    assert f"{PATIENTS - 1} patients had both not buffered and buffered" in section.blocks[0].text
    html = render_html(compose(analyse(made, split_mouth(made))))
    assert "Within the same patients" in html
    assert "Each patient had both: compare within patients" in html
    assert paired_study(dataclasses.replace(data, protocol=protocol())) is None
    assert paired_section(None, made) is None


def invented_pairs(seed, like):
    """Everything within 12 invented patients; ``like`` gives what is not drawn."""
    rng, who = np.random.default_rng(seed), np.tile(np.arange(12), 2)
    rate = np.exp(rng.normal(0, 0.5, 12))
    cell = np.searchsorted(TICKS, np.concatenate((rng.exponential(4 / rate), rng.exponential(2 / rate))))
    times, arm = Intervals(TICKS[cell - 1], np.append(TICKS, np.inf)[cell]), np.repeat(["plain", "buffered"], 12)
    success = paired_success(times, arm, who, reference_arm="plain", target_min=3)
    score = 10 * rng.integers(0, 9, (2, 12)) - np.array([[0.0], [15.0]])
    return dataclasses.replace(
        like, success=success.arms, success_difference=success.difference,
        onset_test=compare_arms(times, arm, reference_arm="plain", block=who, method="permutation", seed=1),
        hazard_ratio=fit_shared_frailty(times, {"arm": arm}, cluster=who, reference_arm="plain").estimates[0],
        pain=compare_pairs(*score, arms=("plain", "buffered"), unit="mm"),
    )  # fmt: skip


def test_no_interval_is_printed_beside_a_p_that_contradicts_it(data):
    """Studies of 12 patients: every line agrees in itself, or words say where a test of another kind disagrees."""
    like, made, disagree = paired_study(data), promised(), 0
    for seed in range(35):
        study = invented_pairs(seed, like)
        table = next(b for b in paired_section(study, made).blocks if isinstance(b, Table))
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
                assert (holds != (study.onset_test.p_value >= 0.05)) == ("disagree on the rate" in said), seed
    assert disagree


def test_page_one_claims_no_share_that_the_test_within_patients_does_not_bear():
    made = promised()
    study = analyse(made, split_mouth(made))
    apart = interval_of(study.overall.success_difference, 0.02, 0.6)
    study = dataclasses.replace(study, overall=dataclasses.replace(study.overall, success_difference=apart))
    for p_value, side in ((0.125, 0), (0.03, 1)):
        within = dataclasses.replace(study.paired.success_difference, p_value=p_value)
        with_p = dataclasses.replace(study, paired=dataclasses.replace(study.paired, success_difference=within))
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
    assert any("make no allowance for clusters" in getattr(b, "text", "") for b in paired_section(found, made).blocks)


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
    assert "both arms" not in sentence(study.claims.get("rmst_difference"), made).seen
    assert sentence(shift, made).seen.startswith("By ranks within patients, scores at deposition were ")
    assert "pain are compared as if" not in render_html(compose(study))
    dots = {dot.row: dot.question for dot in key_rows.data_for(study)}
    assert dots["pain"] == "Mean pain at deposition, buffered less not buffered, within patients"
    assert "within patients" not in dots["wait"]


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
