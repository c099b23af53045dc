"""Doubts about the testing: honest studies seldom raise one, dishonest testing does, whichever arm it happens in."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.records.checks.crosscheck import _controls
from onsetstudy.records.checks.findings import Findings
from onsetstudy.records.derived.results import QUALIFIES, SHUTS
from onsetstudy.records.model import RawTable, Records
from onsetstudy.records.validity.between_arms import exact_p
from onsetstudy.records.validity.gates import doubts_of, poisson_tail
from tests.simulation.kept import KeptStudies

ROOT = Path(__file__).parents[3]
PROTOCOL = read_protocol(ROOT / "protocols" / "mandibular_block_group.toml")
PLANNED = np.array(PROTOCOL.schedule.tests_min)
CODES = ("plain", "buffered")


def study(seed, n=40, *, ratio=1.0, reactive=(0.0, 0.0), miss=(0.05, 0.05), late=(0.0, 0.0), specificity=0.95,
          lost=(), shifted=(), practices=("P01",), control=("43",), never=0.1, stops=(0.0, 0.0), gives_up=(99.0, 99.0),
          lost_in=(0.0, 0.0), impatient=(0.0, 0.0)):  # fmt: skip
    """``n`` cases an arm and practice, tested on the plan, twice without feeling to stop; an invented generator.

    By arm: ``stops`` is the chance that testing ends after a test, whatever it says; ``gives_up`` the minute after
    which a tooth that never becomes numb is tested no more; ``lost_in`` how many control teeth go numb with the target;
    ``impatient`` how many teeth are taken for numb at the first test without feeling.
    """
    rng = np.random.default_rng(seed)
    cases, rows = [], []
    for practice in practices:
        for i in range(2 * n):
            arm = i % 2
            onset = np.inf if rng.random() < never else rng.gamma(2.0, 2.0) * (ratio if arm else 1.0)
            times = PLANNED + rng.normal(0, 0.1, PLANNED.size).clip(-0.3, 0.3)
            times = np.where(rng.random(PLANNED.size) < late[arm], times + rng.uniform(0.3, 0.8, PLANNED.size), times)
            times = times[rng.random(PLANNED.size) > miss[arm]]
            if rng.random() < reactive[arm] and np.isfinite(onset):
                times = np.append(times, onset + rng.uniform(0.05, 0.3))
            code, run, stop = f"{practice}-{i:04d}", 0, 2
            gone = practice in lost
            if max(lost_in):
                gone |= rng.random() < lost_in[arm]
            if max(impatient):
                stop -= rng.random() < impatient[arm]
            if np.isinf(onset):
                times = times[times < gives_up[arm] + 0.5]
            for t in np.unique(times[times > 0]):
                felt = bool(t < onset)
                control_felt = rng.random() < specificity and not (gone and not felt)
                at = t + (8.0 if practice in shifted else 0.0)
                rows += [(code, at, "target", felt), (code, at, "control", control_felt)]
                run = 0 if felt else run + 1
                if run == stop or (max(stops) and rng.random() < stops[arm]):
                    break
            cases.append((code, practice, CODES[arm], "36", control[i % len(control)], "ianb"))
    columns = ["case_id", "practice_id", "arm", "tooth", "control_tooth", "technique"]
    readings = pd.DataFrame(rows, columns=["case_id", "minute", "tooth_role", "response"])
    readings["response"] = np.where(readings["response"], "felt", "not_felt")
    frame = pd.DataFrame(cases, columns=columns)
    return Records(cases=frame, readings=readings, rejects=frame[:0], problems=(), queries=(), repairs=(),
                   rows_read=len(frame), readings_read=len(readings), digest="")  # fmt: skip


def codes(records):
    return {d.code for d in doubts_of(records, PROTOCOL)}


HONEST = {
    "as_planned": {},
    "sooner": {"ratio": 0.6},
    "often_late": {"late": (0.15, 0.15), "ratio": 0.6},
    "few_and_late": {"n": 15, "late": (0.1, 0.1)},
    "tests_missed": {"miss": (0.2, 0.2), "ratio": 0.6},
    "control_errs": {"specificity": 0.85},
    "control_errs_and_tests_stop": {"specificity": 0.85, "ratio": 0.6, "stops": (0.05, 0.05), "never": 0.2},
    "given_up_alike": {"gives_up": (6.0, 6.0), "never": 0.25},
}


def twenty_honest(how, k):
    return {"doubted": sum(bool(codes(study(20 * k + i, **HONEST[how]))) for i in range(20))}


STUDIES = {how: KeptStudies(name=f"honest_{how}", one=partial(twenty_honest, how), count=15, again=2) for how in HONEST}


@pytest.mark.parametrize("how", HONEST)
def test_honest_studies_are_doubted_in_at_most_one_of_twenty(how):
    assert STUDIES[how].numbers()["doubted"].sum() / 300 <= 0.05


@pytest.mark.parametrize("reactive", [(0.5, 0.5), (0.0, 0.5), (0.5, 0.0)])
def test_extra_tests_when_it_tingles_are_found(reactive):
    found = [codes(study(seed, reactive=reactive)) for seed in range(20)]
    assert sum("off_schedule_positive" in f for f in found) >= 17


def test_late_tests_are_not_taken_for_reactive_ones():
    found = [codes(study(seed, late=(0.4, 0.4))) for seed in range(40)]
    assert sum("off_schedule_positive" in f for f in found) <= 2


def sloppy_and_fast(seed, n=50):
    """Two honest practices: one is faster and tests off schedule more often, whatever the patient feels."""
    rng = np.random.default_rng(seed)
    cases, rows = [], []
    for i in range(4 * n):
        fast = i < 2 * n
        onset, run = rng.exponential(1 / (0.35 if fast else 0.12)), 0
        code = f"c{i:03d}"
        for planned in PLANNED:
            at = planned + (rng.choice([-0.45, 0.45]) if rng.random() < (0.2 if fast else 0.02) else 0.0)
            felt = at < onset
            rows += [(code, at, "target", "felt" if felt else "not_felt"), (code, at, "control", "felt")]
            run = 0 if felt else run + 1
            if run == 2:
                break
        cases.append((code, "P01" if fast else "P02", CODES[i % 2], "36", "43", "ianb"))
    frame = pd.DataFrame(cases, columns=["case_id", "practice_id", "arm", "tooth", "control_tooth", "technique"])
    readings = pd.DataFrame(rows, columns=["case_id", "minute", "tooth_role", "response"])
    return Records(cases=frame, readings=readings, rejects=frame[:0], problems=(), queries=(), repairs=(),
                   rows_read=len(frame), readings_read=len(readings), digest="")  # fmt: skip


def test_a_fast_practice_that_tests_off_schedule_is_not_taken_for_a_reactive_one():
    found = [codes(sloppy_and_fast(seed)) for seed in range(40)]
    assert sum("off_schedule_positive" in f for f in found) <= 1


def test_a_control_tooth_lost_with_the_target_shuts():
    [doubt] = doubts_of(study(1, lost=("P01",)), PROTOCOL)
    assert (doubt.code, doubt.effect, doubt.practices) == ("control_lost", SHUTS, ("P01",))
    (_, lost), (_, asked) = doubt.counts
    assert lost == asked > 60


def test_a_control_tested_as_far_from_its_test_as_the_window_goes_counts_to_the_last_digit():
    narrow = replace(PROTOCOL, schedule=replace(PROTOCOL.schedule, control_window_min=0.1))
    records = study(1, lost=("P01",))
    minute = records.readings["minute"].round(1)
    beside = replace(records, readings=records.readings.assign(minute=minute))
    apart = minute + 0.1 * (records.readings["tooth_role"] == "control")
    off = replace(records, readings=records.readings.assign(minute=apart))
    assert (apart - minute).max() > 0.1
    assert doubts_of(off, narrow) == doubts_of(beside, narrow)


def test_one_practice_of_three_is_named():
    records = study(2, n=12, practices=("P01", "P02", "P03"), lost=("P02",))
    [doubt] = [d for d in doubts_of(records, PROTOCOL) if d.code == "control_lost"]
    assert doubt.practices == ("P02",)


@pytest.mark.parametrize("specificity", [0.95, 0.87])
def test_a_control_tooth_that_now_and_then_feels_nothing_is_no_doubt(specificity):
    assert not [c for s in range(60) if "control_lost" in (c := codes(study(s, n=6, specificity=specificity)))]


def test_minutes_that_cannot_be_the_planned_tests_shut():
    records = study(3, n=10, practices=("P01", "P02"), shifted=("P02",))
    [doubt] = [d for d in doubts_of(records, PROTOCOL) if d.code == "clock"]
    assert (doubt.effect, doubt.practices) == (SHUTS, ("P02",))


@pytest.mark.parametrize(("place", "off", "odd"), [(2, 0.2, False), (3, -0.2, True), (3, 0.2, True)])
def test_first_tests_are_skipped_by_the_planned_minute_that_the_first_one_stands_for(place, off, odd):
    """The third planned test done a little late is not the fourth."""
    records = study(3, n=10)
    kept = records.readings[records.readings["minute"] > PLANNED[place] + 0.5]
    first = [(case, PLANNED[place] + off, role, "felt") for case in records.cases["case_id"]
             for role in ("target", "control")]  # fmt: skip
    readings = pd.concat([pd.DataFrame(first, columns=kept.columns), kept], ignore_index=True)
    assert ("clock" in codes(replace(records, readings=readings))) is odd


def test_tests_that_vanish_in_one_arm_qualify():
    found = [doubts_of(study(seed, miss=(0.05, 0.35)), PROTOCOL) for seed in range(10)]
    assert all({d.code for d in doubts} >= {"tests_vanished"} for doubts in found)
    assert {d.effect for doubts in found for d in doubts} == {QUALIFIES}


def test_teeth_given_up_in_one_arm_qualify():
    """A quarter never numb in both arms, of one arm tested to the sixth minute only: it makes that arm look sooner."""
    for gives_up in ((99.0, 6.0), (6.0, 99.0)):
        found = [doubts_of(study(seed, never=0.25, gives_up=gives_up), PROTOCOL) for seed in range(20)]
        assert sum("given_up" in {d.code for d in doubts} for doubts in found) >= 17
        assert {d.effect for doubts in found for d in doubts} == {QUALIFIES}
    counts = dict(next(d for d in found[0] if d.code == "given_up").counts)
    assert all(n >= 0 for n in counts.values())


def test_teeth_of_both_arms_given_up_alike_raise_no_doubt():
    found = [codes(study(seed, never=0.25, gives_up=(6.0, 6.0))) for seed in range(40)]
    assert sum("given_up" in c for c in found) <= 2


@pytest.mark.parametrize("lost_in", [(0.6, 0.0), (0.0, 0.6), (0.4, 0.0)])
def test_a_control_tooth_lost_with_the_target_in_one_arm_shuts(lost_in):
    found = [doubts_of(study(seed, n=30, lost_in=lost_in), PROTOCOL) for seed in range(20)]
    shut = [[d for d in doubts if d.effect == SHUTS] for doubts in found]
    assert sum(bool(doubts) for doubts in shut) >= 18
    [doubt] = shut[0]
    (_, lost_a), (_, of_a), (_, lost_b), (_, of_b) = doubt.counts
    assert (lost_a / of_a > lost_b / of_b) is (lost_in[0] > lost_in[1])
    # What the lost control explains is told once.
    assert not {d.code for d in found[0]} & {"onset_unconfirmed", "tests_discarded"}


def test_a_control_tooth_lost_now_and_then_in_one_arm_qualifies():
    found = [doubts_of(study(seed, n=60, lost_in=(0.17, 0.0), specificity=1.0), PROTOCOL) for seed in range(20)]
    seen = [{d.code for d in doubts} for doubts in found]
    assert sum(bool(c & {"onset_unconfirmed", "tests_discarded", "control_lost_in_arm"}) for c in seen) >= 14


def test_a_control_tooth_that_spoils_every_other_test_of_one_arm_shuts():
    """Lost at half of the tests of numb teeth: seldom with every one, and hardly an onset is confirmed."""
    shut = 0
    for seed in range(10):
        records, rng = study(seed, n=30, specificity=1.0), np.random.default_rng(seed)
        numb = records.readings["response"].to_numpy()[::2] == "not_felt"
        plain = records.readings["case_id"].map(records.cases.set_index("case_id")["arm"]).to_numpy()[::2] == "plain"
        answer = records.readings["response"].to_numpy(dtype=object).copy()
        answer[1::2][numb & plain & (rng.random(numb.size) < 0.5)] = "not_felt"
        spoilt = replace(records, readings=records.readings.assign(response=answer))
        shut += "control_lost_in_arm" in codes(spoilt)
    assert shut >= 9


def test_teeth_called_numb_at_once_in_one_arm_qualify():
    found = [codes(study(seed, impatient=(0.0, 0.5))) for seed in range(20)]
    assert sum("onset_unconfirmed" in c for c in found) >= 17


@pytest.mark.parametrize(
    ("a", "n_a", "b", "n_b"), [(0, 17, 8, 15), (3, 10, 3, 10), (5, 20, 1, 25), (0, 4, 0, 9), (4, 4, 9, 9)]
)
def test_one_table_is_fishers_with_the_smaller_tail_twice(a, n_a, b, n_b):
    found = exact_p(((a, n_a, b, n_b),))
    dist = stats.hypergeom(n_a + n_b, a + b, n_b)
    assert found == pytest.approx(min(1.0, 2 * min(dist.cdf(b), dist.sf(b - 1))), rel=1e-9)


def test_several_tables_are_those_of_conditional_exact_inference():
    """Three fourfold tables summed out over all they could have been, one by one."""
    tables = ((1, 6, 4, 5), (0, 3, 2, 4), (2, 7, 3, 4))
    supports = [stats.hypergeom(n_a + n_b, a + b, n_b) for a, n_a, b, n_b in tables]
    seen = sum(b for _, _, b, _ in tables)
    upper = lower = 0.0
    for ks in itertools.product(range(6), range(5), range(5)):
        p = np.prod([d.pmf(k) for d, k in zip(supports, ks, strict=True)])
        upper += p * (sum(ks) >= seen)
        lower += p * (sum(ks) <= seen)
    assert exact_p(tables) == pytest.approx(2 * min(upper, lower))
    assert exact_p(tuple((b, n_b, a, n_a) for a, n_a, b, n_b in tables)) == pytest.approx(exact_p(tables))


def test_arms_tested_differently_qualify():
    found = [codes(study(seed, late=(0.0, 0.3))) for seed in range(10)]
    assert all("tested_differently" in c for c in found)


def shifted(seed, by_min, **options):
    """A study of which the tests of one arm were done so much later, all of them, whatever the tooth felt."""
    records = study(seed, **options)
    arm = records.readings["case_id"].map(records.cases.set_index("case_id")["arm"])
    later = records.readings["minute"] + np.where(arm == "buffered", by_min, 0.0)
    return replace(records, readings=records.readings.assign(minute=later))


def test_an_arm_tested_later_qualifies_where_planned_minutes_date_onset():
    window = replace(PROTOCOL, schedule=replace(PROTOCOL.schedule, window_min=0.35))
    for by_min in (-0.12, 0.12):
        for seed in range(10):
            [doubt] = [d for d in doubts_of(shifted(seed, by_min), window) if d.code == "tested_later"]
            (_, late), (_, tests), (_, late_other), (_, tests_other) = doubt.counts
            assert (late_other / tests_other > late / tests) == (by_min > 0)
            assert doubt.effect == QUALIFIES
    assert "tested_later" not in codes(shifted(1, 0.12))
    honest = [doubts_of(study(seed), window) for seed in range(60)]
    assert not any(d.code == "tested_later" for doubts in honest for d in doubts)
    # Of reactive tests, which find the tooth numb, it knows nothing: others ask for them.
    reactive = [doubts_of(study(seed, reactive=(0.0, 0.8)), window) for seed in range(10)]
    assert not any(d.code == "tested_later" for doubts in reactive for d in doubts)


def test_a_control_tooth_inside_the_field_qualifies_and_one_outside_does_not():
    [doubt] = doubts_of(study(4, control=("34",)), PROTOCOL)
    assert (doubt.code, doubt.effect) == ("control_in_field", QUALIFIES)
    assert not codes(study(4, control=("43", "23")))
    assert not codes(study(4, control=("",)))


NOT_AGAIN = {"not_tested_again", "some_not_tested_again"}


@pytest.mark.parametrize("impatient", [(1.0, 1.0), (0.7, 0.7), (0.0, 0.9)])
def test_most_onsets_left_unconfirmed_shut_the_claim_in_one_arm_too(impatient):
    for seed in range(5):
        doubt = doubts_of(study(seed, impatient=impatient), PROTOCOL)[0]
        (_, ended), (_, stopped), (_, asked) = doubt.counts
        assert (doubt.code, doubt.effect, asked) == ("not_tested_again", SHUTS, 2)
        assert ended > 0.3 * stopped
        assert (ended == stopped) == (impatient == (1.0, 1.0))


def test_some_onsets_left_unconfirmed_qualify_and_what_the_protocol_leaves_no_time_for_does_not():
    some = [doubts_of(study(seed, impatient=(0.35, 0.35)), PROTOCOL) for seed in range(10)]
    told = [d for doubts in some for d in doubts if d.code in NOT_AGAIN]
    assert {(d.code, d.effect) for d in told} == {("some_not_tested_again", QUALIFIES)}
    assert len(told) >= 9
    assert not any(codes(study(seed)) & NOT_AGAIN for seed in range(60))
    alone = replace(PROTOCOL, onset=replace(PROTOCOL.onset, confirmations=1))
    assert not {d.code for d in doubts_of(study(1, impatient=(1.0, 1.0)), alone)} & NOT_AGAIN
    cases = study(1, n=5).cases
    told = {"not_tested_again"}
    # A test stands for the planned minute that it is nearest to, be it early or late.
    for last, off, found in ((PLANNED[-1], 0.0, set()), (PLANNED[-1], -0.2, set()),
                             (PLANNED[-2], 0.0, told), (PLANNED[-2], 0.2, told)):  # fmt: skip
        rows = [(case, *((t, "target", "felt") if t < last else (t + off, "target", "not_felt")))
                for case in cases["case_id"] for t in PLANNED[last >= PLANNED]]  # fmt: skip
        readings = pd.DataFrame(rows, columns=["case_id", "minute", "tooth_role", "response"])
        uncontrolled = replace(PROTOCOL, schedule=replace(PROTOCOL.schedule, control_tooth="none"))
        doubted = {d.code for d in doubts_of(replace(study(1, n=5), readings=readings), uncontrolled)}
        assert doubted & NOT_AGAIN == found


def test_labels_swapped_and_rows_permuted_change_nothing():
    records = study(5, reactive=(0.5, 0.5), late=(0.0, 0.3), miss=(0.05, 0.3), n=25)
    found = doubts_of(records, PROTOCOL)
    assert len(found) >= 2
    shuffled = records.readings.sample(frac=1, random_state=1)
    again = Records(cases=records.cases, readings=shuffled, rejects=records.rejects, problems=(), queries=(),
                    repairs=(), rows_read=0, readings_read=0, digest="")  # fmt: skip
    assert doubts_of(again, PROTOCOL) == found
    swap = {"plain": "buffered", "buffered": "plain"}
    mirrored = Records(cases=records.cases.assign(arm=records.cases["arm"].map(swap)), readings=records.readings,
                       rejects=records.rejects, problems=(), queries=(), repairs=(), rows_read=0, readings_read=0,
                       digest="")  # fmt: skip
    other = doubts_of(mirrored, PROTOCOL)
    assert [d.code for d in other] == [d.code for d in found]
    assert [d.p_value for d in other] == pytest.approx([d.p_value for d in found])


@pytest.mark.parametrize(
    ("count", "mean"), [(1, 0.3), (5, 1.7), (12, 4.0), (40, 30.0), (3, 50.0), (200, 20.0), (0, 2.0)]
)
def test_the_poisson_tail_is_that_of_a_reference_library(count, mean):
    assert poisson_tail(count, mean) == pytest.approx(stats.poisson.sf(count - 1, mean), rel=1e-10)


@pytest.mark.parametrize(("control", "code"), [("34", "control_inside"), ("42", "control_uncertain"), ("43", None)])
def test_check_asks_about_a_control_tooth_in_the_field(control, code):
    cases = study(1, n=2).cases.assign(control_tooth=control)
    raw = RawTable(frame=cases, source_row=pd.Series(range(len(cases))), file="cases.csv")
    findings = Findings(table="cases", raw=raw, typed=cases)
    _controls(findings, PROTOCOL)
    assert {problem.code for _, problem in findings.queries} == ({code} if code else set())
