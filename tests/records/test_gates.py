"""Doubts about the testing: honest studies seldom raise one, dishonest testing does, whichever arm it happens in."""

from __future__ import annotations

import dataclasses
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
from onsetstudy.records.validity.gates import _poisson_tail, doubts_of
from tests.simulation.kept import KeptStudies

ROOT = Path(__file__).parents[2]
PROTOCOL = read_protocol(ROOT / "protocols" / "mandibular_block_group.toml")
PLANNED = np.array(PROTOCOL.schedule.tests_min)
CODES = ("plain", "buffered")


def study(seed, n=40, *, ratio=1.0, reactive=(0.0, 0.0), miss=(0.05, 0.05), late=(0.0, 0.0), specificity=0.95,
          lost=(), shifted=(), practices=("P01",), control=("43",)):  # fmt: skip
    """``n`` cases an arm and practice, tested on the plan, twice without feeling to stop; an invented generator."""
    rng = np.random.default_rng(seed)
    cases, rows = [], []
    for practice in practices:
        for i in range(2 * n):
            arm = i % 2
            onset = np.inf if rng.random() < 0.1 else rng.gamma(2.0, 2.0) * (ratio if arm else 1.0)
            times = PLANNED + rng.normal(0, 0.1, PLANNED.size).clip(-0.3, 0.3)
            times = np.where(rng.random(PLANNED.size) < late[arm], times + rng.uniform(0.3, 0.8, PLANNED.size), times)
            times = times[rng.random(PLANNED.size) > miss[arm]]
            if rng.random() < reactive[arm] and np.isfinite(onset):
                times = np.append(times, onset + rng.uniform(0.05, 0.3))
            code, run = f"{practice}-{i:04d}", 0
            for t in np.unique(times[times > 0]):
                felt = bool(t < onset)
                control_felt = rng.random() < specificity and not (practice in lost and not felt)
                at = t + (8.0 if practice in shifted else 0.0)
                rows += [(code, at, "target", felt), (code, at, "control", control_felt)]
                run = 0 if felt else run + 1
                if run == 2:
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


def test_tests_that_vanish_in_one_arm_qualify():
    found = [doubts_of(study(seed, miss=(0.05, 0.35)), PROTOCOL) for seed in range(10)]
    assert all({d.code for d in doubts} >= {"tests_vanished"} for doubts in found)
    assert {d.effect for doubts in found for d in doubts} == {QUALIFIES}


def test_arms_tested_differently_qualify():
    found = [codes(study(seed, late=(0.0, 0.3))) for seed in range(10)]
    assert all("tested_differently" in c for c in found)


def shifted(seed, by_min, **options):
    """A study of which the tests of one arm were done so much later, all of them, whatever the tooth felt."""
    records = study(seed, **options)
    arm = records.readings["case_id"].map(records.cases.set_index("case_id")["arm"])
    later = records.readings["minute"] + np.where(arm == "buffered", by_min, 0.0)
    return dataclasses.replace(records, readings=records.readings.assign(minute=later))


def test_an_arm_tested_later_qualifies_where_planned_minutes_date_onset():
    window = dataclasses.replace(PROTOCOL, schedule=dataclasses.replace(PROTOCOL.schedule, window_min=0.35))
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
    assert _poisson_tail(count, mean) == pytest.approx(stats.poisson.sf(count - 1, mean), rel=1e-10)


@pytest.mark.parametrize(("control", "code"), [("34", "control_inside"), ("42", "control_uncertain"), ("43", None)])
def test_check_asks_about_a_control_tooth_in_the_field(control, code):
    cases = study(1, n=2).cases.assign(control_tooth=control)
    raw = RawTable(frame=cases, source_row=pd.Series(range(len(cases))), file="cases.csv")
    findings = Findings(table="cases", raw=raw)
    _controls(cases, findings, PROTOCOL)
    assert {problem.code for _, problem in findings.queries} == ({code} if code else set())
