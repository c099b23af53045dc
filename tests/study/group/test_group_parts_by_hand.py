"""Parts of a group's answer worked out by hand: what undecided cases cost, who is left out, which analysis decides."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from onsetstudy.core.claims import PlanClaim
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.quantities import QUANTITIES
from onsetstudy.core.results import Counts
from onsetstudy.inference.strata import Strata
from onsetstudy.records.derived.results import ArmStanding
from onsetstudy.study.answer.cautions import group_arms_caution
from onsetstudy.study.answer.claims import _evidence, deciding_look, mean_pain
from onsetstudy.study.answer.more_needed import _pace
from onsetstudy.study.counts.counted_estimates import difference_of_counts
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.counts.exchange_check import check_exchange
from onsetstudy.study.exchange_results import CountTable, as_sent
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.group.pool_files import gather, without
from onsetstudy.study.group.reconcile import not_reproduced
from onsetstudy.study.group.stratified_ipd import pool_in_one_stage, subgroups_by
from onsetstudy.study.group.stratified_success import _inflation, _part_before, pool_success, success_tables
from onsetstudy.study.practice.cautions import _size, study_cautions
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.sets.contrasts import _caution
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.survival.curve.npmle import fit_npmle
from tests.report.samples import estimate, rich
from tests.study.cases import case, protocol, readings_of, records, set_of
from tests.study.counts.test_counts_of_meaning import cells_of
from tests.study.counts.test_files_by_hand import FILE, PROTOCOL, SHA, tally_of, with_rows

N = Counts(cases=20, onsets=20)
FOUND = ArmStanding(source="log", cases=5, verified=5, other_arm=1)


def files(*codes, protocol=PROTOCOL):
    return [(f"{c}.json", make_exchange(tally_of(c), protocol, c, records_digest=SHA)) for c in codes]


def period_of(*codes):
    return dataclasses.replace(
        gather(files(*codes), PROTOCOL), label=PROTOCOL.quarters[0].label, beyond=(("P02", "2026Q3"),)
    )


def test_each_arm_pays_for_its_own_undecided_cases():
    cases, share = np.array([[10, 20], [30, 15]]), np.array([[0.3, 0.5], [0.6, 0.4]])
    kept = np.array([[0.5, 1.0], [1.0, 0.8]])
    assert _inflation(cases, share, np.ones((2, 2))) == (1.0, 1.0)
    variance = share * (1 - share) / cases
    weight = np.array([10 * 20 / 30, 30 * 15 / 45])[:, None]
    of_difference = (weight**2 * variance / kept).sum() / (weight**2 * variance).sum()
    log_variance = 1 / (cases * share * (1 - share))
    weight = (1 / log_variance.sum(axis=1))[:, None]
    of_ratio = (weight**2 * log_variance / kept).sum() / (weight**2 * log_variance).sum()
    assert _inflation(cases, share, kept) == pytest.approx((of_difference, of_ratio))


def test_without_a_practice_of_both_arms_nothing_is_inflated():
    assert _inflation(np.array([[5, 0]]), np.array([[0.4, 0.0]]), np.array([[0.5, 1.0]])) == (1.0, 1.0)


def test_an_arm_of_one_decided_case_loses_nothing():
    minute = PROTOCOL.onset.target_min
    rows = [("P01", "plain", 1, 2, 6), ("P01", "plain", minute, minute + 2, 4), ("P01", "buffered", 1, 2, 1)]
    assert success_tables(set_of(cells_of(PROTOCOL, rows), PROTOCOL)).inflation == (1.0, 1.0)


def test_one_arm_undecided_is_enough_for_the_worst_and_the_best():
    minute = PROTOCOL.onset.target_min
    rows = [
        *(("P01", "plain", *row) for row in ((1, 2, 5), (minute, minute + 2, 5), (minute - 1, minute + 1, 2))),
        *(("P01", "buffered", *row) for row in ((1, 2, 6), (minute, minute + 2, 4))),
    ]
    found = pool_success(set_of(cells_of(PROTOCOL, rows), PROTOCOL))
    assert found.if_for.difference.estimate == pytest.approx(6 / 10 - 5 / 12)
    assert found.if_against.difference.estimate == pytest.approx(6 / 10 - 7 / 12)


def test_a_gap_without_onsets_has_no_part_before_the_minute():
    curve = fit_npmle(Intervals([1.0, 1.0], [2.0, 2.0]))
    assert _part_before(Intervals([3.0, 0.0, 1.0], [5.0, 4.0, 2.0]), curve, 1.5).tolist() == pytest.approx(
        [0, 0.5, 0.5]
    )


def test_a_practice_left_out_is_left_out_of_everything():
    whole = period_of("P01", "P02")
    rest = without(whole, ("P02",))
    assert without(whole, ()) is whole
    assert set(rest.cells["practice_id"]) == set(rest.values["practice_id"]) == {"P01"}
    assert [e.practice for _, e in rest.files] == ["P01"]
    assert rest.beyond == ()
    assert without(whole, ("P01",)).beyond == (("P02", "2026Q3"),)


def test_a_group_says_which_files_were_not_checked_and_is_silent_where_all_were():
    assert group_arms_caution([dataclasses.replace(FOUND, other_arm=0)] * 2) is None
    told = group_arms_caution([FOUND, None]).text
    assert told.startswith("Randomised, but in 1 of 2 files ")
    some = group_arms_caution([FOUND, dataclasses.replace(FOUND, verified=3)]).text
    assert "8 of 10 cases were verified" in some
    assert "Randomised, but" not in some
    assert "more than one in ten" not in told + some
    many = group_arms_caution([FOUND, dataclasses.replace(FOUND, cases=10, verified=10, other_arm=3)]).text
    assert "In 1 of 2 files they are more than one in ten: ask why." in many


def test_the_groups_caution_of_arms_stands_where_the_study_is_randomised():
    group = analyse_group(files("P01", "P02"), PROTOCOL)
    assert "arms" in [c.code for c in group.caution]
    assert len(group.arms) == 2
    audit = dataclasses.replace(PROTOCOL, study=dataclasses.replace(PROTOCOL.study, allocation="alternating"))
    plain = analyse_group(files("P01", "P02", protocol=audit), audit)
    assert [c.code for c in plain.caution[:2]] == ["test_the_tooth", "not_randomised"]
    assert plain.arms == ()


def test_progress_is_told_step_by_step():
    told = []
    analyse_group(files("P01", "P02"), PROTOCOL, progress=lambda done, total, _label: told.append((done, total)))
    assert told == [(k, 5) for k in range(len(told))]
    assert len(told) >= 5


def test_a_file_from_before_gates_is_counted_as_it_was_written():
    assert "doubts" not in as_sent(dataclasses.replace(FILE, doubts=None))
    assert "doubts" in as_sent(dataclasses.replace(FILE, doubts=()))


def test_an_estimate_that_does_not_follow_from_its_counts_is_named_however_large_it_is():
    period = period_of("P01")
    ((name, file),) = period.files
    ours = tuple(dataclasses.replace(e, estimate=1000.0) for e in file.estimates if e.quantity == "rmst_difference")
    for theirs, notes in ((1000.0, 0), (1000.0 * (1 + 1e-9), 0), (1001.0, 1)):
        sent = dataclasses.replace(file, estimates=tuple(dataclasses.replace(e, estimate=theirs) for e in ours))
        found = not_reproduced(dataclasses.replace(period, files=((name, sent),), beyond=()), {"P01": ours})
        assert len(found) == notes, theirs


def test_a_table_without_rows_still_needs_its_columns():
    bare = dataclasses.replace(FILE, safety=CountTable(columns=("arm", "n"), rows=()))
    assert "the table safety has no column what" in [p.what for p in check_exchange(bare)]
    nothing = CountTable(columns=(), rows=())
    for name in ("values", "safety", "operators"):
        assert check_exchange(dataclasses.replace(FILE, **{name: nothing})) == []
    told = "cases and the flow"
    assert any(told in p.what for p in check_exchange(dataclasses.replace(FILE, cells=nothing)))
    assert any(told in p.what for p in check_exchange(dataclasses.replace(FILE, flow=nothing)))


def test_the_largest_count_that_is_believed():
    counted = sum(row[-1] for row in FILE.safety.rows)
    for total, refused in ((100_000_000, False), (100_000_001, True)):
        codes = [p.code for p in check_exchange(with_rows("safety", ("plain", "event", total - counted)))]
        assert ("count" in codes) is refused, total


def verdict(code, direction=""):
    return SimpleNamespace(
        code=code, direction=direction, label=code, counted=1.0, planned=4.0, unit="cases", boundary=2.0
    )


def looked(*codes):
    taken = SimpleNamespace(
        verdicts=tuple(verdict(c, "sooner" if c == "crossed" else "") for c in codes),
        plan=SimpleNamespace(looks=(1, 2, 3, 4), sided=2),
    )
    found = deciding_look(taken)
    return found.number, found.label, found.later, found.side


def test_the_analysis_that_decides_is_the_first_that_ended_or_the_last_that_was_one():
    assert deciding_look(None) is None
    assert looked("continue") == (1, "continue", False, 0)
    assert looked("continue", "continue", "continue") == (3, "continue", False, 0)
    assert looked("continue", "crossed", "descriptive") == (2, "crossed", True, 1)
    assert looked("continue", "continue", "descriptive") == (2, "continue", True, 0)
    assert looked("descriptive", "descriptive") == (2, "descriptive", False, 0)
    assert looked("continue", "ended") == (2, "ended", False, 0)


def test_mean_pain_is_what_was_estimated():
    mine = estimate("pain_difference", "buffered - plain", -3.0, -5.0, -1.0, "mm", N)
    assert mean_pain(SimpleNamespace(pain_difference=mine), PROTOCOL) is mine


def test_without_a_pace_or_a_need_no_quarters_are_told():
    seen = 10
    assert _pace(None, seen, (10,)) == (10.0, None)
    assert _pace(50, seen, (0,)) == (None, None)
    assert _pace(50, seen, (0, 10)) == (10.0, 4)


def test_a_coarser_comparison_says_so_and_the_finest_does_not():
    code = np.array(["a", "a", "b", "b"])
    finest, coarser = Strata(code=code, merged=()), Strata(code=np.array(["all"] * 4), merged=())
    assert _caution(finest, finest, "") == ()
    (told,) = _caution(coarser, finest, "too few cases.")
    assert told.code == "coarser_strata"
    assert "Not compared within 2 strata (too few cases), but over all cases together" in told.text


@pytest.mark.parametrize(("cases", "code"), [(5, "small_sample"), (5000, "sample")])
def test_a_sample_is_small_by_its_cases_and_what_it_may_miss_adds_both_quantiles(cases, code):
    """1.96 for the interval and 0.84 for 80 % power: 2.80 standard errors."""
    found = rich()
    wait = dataclasses.replace(found.overall.wait_difference, std_error=1.0)
    overall = dataclasses.replace(found.overall, n=Counts(cases=cases, onsets=cases), wait_difference=wait)
    told = _size(dataclasses.replace(found, overall=overall, n_clinicians=2), None)
    assert told.code == code
    assert "smaller than about 2.8 min" in told.text


def test_the_main_outcome_is_claimed_once():
    found = analyse_group(files("P01", "P02"), PROTOCOL)
    assert [c.quantity.key for c in found.claims if c.leads and not c.subset] == [PROTOCOL.plan.primary]
    assert found.caution[1].code == "arms"


def test_practices_stand_in_the_order_of_their_numbers_and_techniques_by_name():
    cells = pd.concat(
        [tally_of(code).cells.assign(technique=technique) for code, technique in (("P10", "psa"), ("P9", "buccal"))]
    )
    assert [level.label for level in subgroups_by("practice_id", set_of(cells, PROTOCOL)).levels] == ["P9", "P10"]
    assert [level.label for level in subgroups_by("technique", set_of(cells, PROTOCOL)).levels] == ["buccal", "psa"]


def test_more_events_than_were_told_are_named_as_more():
    over = check_exchange(with_rows("safety", ("plain", "event", 9)))
    assert [p.what for p in over] == ["more cases under event than told about harms"]
    supplements = check_exchange(with_rows("safety", ("plain", "supplement", 11)))
    assert [p.what for p in supplements] == ["more cases under supplement than there are"]


def test_a_measure_is_a_number_and_a_code_a_level():
    frame = pd.DataFrame({"age": [30.0, 40.0], "technique": ["ianb", None]})
    data = SimpleNamespace(
        protocol=SimpleNamespace(plan=SimpleNamespace(covariates=("age", "technique"))), frame=frame,
        column=lambda name: frame[name].fillna("").to_numpy(dtype=str),
    )  # fmt: skip
    found = AnalysisSet.covariates(data)
    assert found["age"].tolist() == [30.0, 40.0]
    assert found["technique"].tolist() == ["ianb", ""]
    data.frame = frame.assign(age=[30.0, np.nan])
    with pytest.raises(NotEstimable, match="1 cases have no age, which the plan adjusts for"):
        AnalysisSet.covariates(data)


def test_only_a_study_whose_arms_were_not_drawn_is_said_not_to_be_randomised():
    found = rich()
    for allocation, said in (("randomised", False), ("alternating", True), ("clinician_choice", True)):
        drawn = dataclasses.replace(found.protocol.study, allocation=allocation)
        promised = dataclasses.replace(found.protocol, study=drawn)
        codes = [c.code for c in study_cautions(dataclasses.replace(found, protocol=promised))]
        assert ("not_randomised" in codes) is said


def test_the_last_test_is_the_target_tooths_and_of_the_first_injection_alone():
    promised = protocol()
    cases = [case(1), case(2, "buffered", rescue_min="2.5", rescue_volume_ml="1.8")]
    readings = [*readings_of(1, "ff"), *readings_of(2, "fff")]
    late = {"case_id": "P01-0001", "minute": "5", "tooth_role": "control", "response": "felt"}
    data, _ = prepare(promised, records(cases, [*readings, late], promised), through=promised.quarters[-1])
    assert dict(zip(data.frame["case_id"], data.frame["last_test_min"], strict=True)) == {
        "P01-0001": 2.0, "P01-0002": 2.0,
    }  # fmt: skip


def test_sizes_of_one_outcome_are_told_apart_by_their_formula_and_powers_are_not():
    size = PlanClaim(
        kind="size", quantity=QUANTITIES["hazard_ratio"], outcome="rate", value=100.0, unit="onsets",
        source="Schoenfeld 1983",
    )  # fmt: skip
    assert size.key == "size/hazard_ratio/Schoenfeld 1983"
    assert dataclasses.replace(size, kind="power_at_size").key == "power_at_size/hazard_ratio"


def test_successful_treatments_of_files_are_those_that_succeeded():
    told = (("plain", 1.0, 12), ("plain", 0.0, 8), ("buffered", 1.0, 18), ("buffered", 0.0, 2))
    rows = [(code, "treatment_success", arm, "exactly", value, n) for code in ("P01", "P02") for arm, value, n in told]
    values = pd.DataFrame(rows, columns=["practice_id", "quantity", "arm", "known", "value", "n"])
    found = difference_of_counts("treatment_success_difference", set_of(tally_of().cells, PROTOCOL, values))
    assert found.estimate == pytest.approx(18 / 20 - 12 / 20)
    assert found.contrast == "buffered - plain"
    assert found.n.cases == 80


def test_a_moment_at_which_a_gap_begins_is_not_in_it():
    curve = fit_npmle(Intervals([2.0, 2.0], [2.0, 4.0]))
    assert _part_before(Intervals([2.0], [4.0]), curve, 3.0).tolist() == pytest.approx([0.5])


def test_the_evidence_of_a_claim_stands_where_it_is_shown():
    where = {key: _evidence(QUANTITIES[key]) for key in ("treatment_success_difference", "pain_difference")}
    assert where == {"treatment_success_difference": "safety", "pain_difference": "comfort"}
    assert _evidence(QUANTITIES["success_difference"]) not in where.values()


def test_extremes_are_told_of_the_target_minute_alone():
    """Undecided at the target and at the horizon: what they could do is told of the target, which is the claim."""
    tau = PROTOCOL.onset.tau_min
    rows = [(code, arm, *row) for code in ("P01", "P02") for arm in ("plain", "buffered")
            for row in ((1, 2, 12), (1, tau + 2, 3), (tau - 1, tau + 1, 2), (tau + 1, np.inf, 3))]  # fmt: skip
    found = pool_in_one_stage(set_of(cells_of(PROTOCOL, rows), PROTOCOL, tally_of().values))
    assert found.success.if_against is not None
    assert dict(found.numb_at_all.undecided) == {"plain": 10, "buffered": 10}
    assert found.numb_at_all.if_against is None
