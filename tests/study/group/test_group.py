"""A group from counts: exactly what its rows would give, refused files, letters, few practices."""

import dataclasses
import json
import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from onsetstudy.core.errors import OnsetStudyError, RecordsError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Counts, Estimate, Interval, NotAvailable
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.pool.results import Member
from onsetstudy.report.document import Cautions
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.render.html import render_html
from onsetstudy.report.sections.group.first_page import first_page, missing_words
from onsetstudy.study.counts.aggregate_counts import add_tallies, tally_records
from onsetstudy.study.counts.counted_estimates import estimates_of_counts
from onsetstudy.study.counts.disclosure import learned_by_subtraction, what_can_be_learned
from onsetstudy.study.counts.exchange import make_exchange, terms_of
from onsetstudy.study.counts.exchange_check import check_exchange
from onsetstudy.study.exchange_results import CountTable
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.group.harms import group_harms
from onsetstudy.study.group.pool_files import gather
from onsetstudy.study.practice.subsets import variation
from onsetstudy.study.sets.analysis_set import AnalysisSet, shared_baselines
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.outcomes import chair_time_of, safety_of
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.hazards.frailty import fit_shared_frailty
from onsetstudy.survival.hazards.proportional_hazards import fit_proportional_hazards
from onsetstudy.survival.ranktests.compare import compare_arms
from tests.examples import examples
from tests.study import demo
from tests.study.answer_alone import answer_alone
from tests.study.cases import set_of

pytestmark = pytest.mark.usefixtures("unpainted")


@pytest.fixture(scope="module")
def study():
    data, _ = prepare(demo.PROTOCOL, demo.records(), through=demo.LAST)
    return demo.PROTOCOL, demo.records(), demo.tally(), data


@pytest.fixture(scope="module")
def files():
    return list(demo.files())


@pytest.fixture(scope="module")
def group(study, files):
    return analyse_group(files, study[0])


@pytest.fixture(scope="module")
def one(study, files):
    return analyse_group(files[:1], study[0])


@pytest.fixture(scope="module")
def two(study, files):
    """Of P01 and P02, where what is asked does not hang on how many there are."""
    with answer_alone():
        return analyse_group(files[:2], study[0])


TWO = ("P01", "P02")


@pytest.fixture(scope="module")
def early(study, files):
    return analyse_group(files, study[0], quarter="2026Q1")


@pytest.mark.slow
def test_pooled_counts_give_the_test_and_the_ratio_of_the_rows(study, group):
    protocol, _, _, data = study
    stratum = data.stratum()
    practices = pd.Series(data.column("practice_id")).groupby(stratum).nunique()
    assert (practices[[not name.startswith("others") for name in practices.index]] == 1).all()
    rows = compare_arms(data.times("hazard"), data.arm, reference_arm="plain", stratum=stratum)
    assert group.overall.onset_test.statistic == pytest.approx(rows.statistic, abs=1e-10)
    shared = shared_baselines([data.column("technique"), data.column("practice_id")])
    fit = fit_proportional_hazards(data.times("hazard"), {"arm": data.arm}, reference={"arm": "plain"}, stratum=shared)
    ours, theirs = group.overall.hazard_ratio, fit.estimates[0]
    assert np.log(ours.estimate) == pytest.approx(np.log(theirs.estimate), abs=1e-10)
    assert ours.std_error == pytest.approx(theirs.std_error, abs=1e-8)
    assert ours.interval.low == pytest.approx(theirs.interval.low, abs=1e-6)
    assert ours.n == theirs.n
    for found in group.overall.curves:
        curve = fit_npmle(data.where(data.arm == found.arm).times("success"))
        assert found.curve.log_likelihood == pytest.approx(curve.log_likelihood, rel=1e-12)
        np.testing.assert_allclose(found.curve.mass, curve.mass, atol=1e-10)
    assert protocol.digest == group.provenance.protocol_digest


def test_a_practices_estimates_are_those_of_its_rows(study):
    protocol, _, tally, data = study
    plan = dataclasses.replace(protocol.plan, cluster=None)
    alone = dataclasses.replace(protocol, plan=plan)
    for code in tally.practices:
        own = tally.of(code)
        found = {e.quantity: e for e in estimates_of_counts(set_of(own.cells, alone, own.values))}
        assert estimates_of_counts(set_of(own.cells, alone, own.values), ("hazard_ratio",)) == (found["hazard_ratio"],)
        chosen = AnalysisSet(frame=data.where(data.column("practice_id") == code).frame, protocol=alone)
        told = variation(chosen, "main", "", "")
        for rows in (told.hazard_ratio, told.success_difference, told.wait_difference):
            assert found[rows.quantity].estimate == pytest.approx(rows.estimate, abs=1e-9)
            assert found[rows.quantity].std_error == pytest.approx(rows.std_error, abs=1e-8)
        pain = chosen.frame["pain_deposition"]
        by_arm = pain.groupby(chosen.arm).mean()
        assert found["pain_difference"].estimate == pytest.approx(by_arm["buffered"] - by_arm["plain"], abs=1e-10)


ends = st.sampled_from([0.0, 1.0, 2.0, 3.0, 4.0, 6.0])
drawn_cases = st.lists(
    st.tuples(st.sampled_from("AB"), st.sampled_from(["plain", "buffered"]), ends, st.sampled_from([1.0, 2.0, np.inf])),
    min_size=8,
    max_size=60,
)


@examples(300, usual=25)
@given(drawn_cases)
def test_counts_pool_exactly_whatever_the_cases(drawn):
    practice, arm, left, width = (np.array(v) for v in zip(*drawn, strict=True))
    times = Intervals(left, left + width)
    frame = pd.DataFrame({"p": practice, "arm": arm, "left": left, "right": left + width})
    cells = frame.groupby(list(frame.columns), as_index=False).size()
    counted = Intervals(cells["left"].to_numpy(), cells["right"].to_numpy())
    try:
        rows = compare_arms(times, arm, reference_arm="plain", stratum=practice)
    except OnsetStudyError as error:
        with pytest.raises(type(error)):
            compare_arms(counted, cells["arm"], reference_arm="plain", stratum=cells["p"], weight=cells["size"])
        return
    ours = compare_arms(counted, cells["arm"], reference_arm="plain", stratum=cells["p"], weight=cells["size"])
    assert ours.statistic == pytest.approx(rows.statistic, abs=1e-10)
    assert ours.n == rows.n


def test_frailty_of_counts_is_that_of_rows(study):
    _, _, tally, data = study
    cells = tally.cells
    arms = {"arm": "plain"}
    who = data.column("clinician_id")
    rows = fit_shared_frailty(data.times("hazard"), {"arm": data.arm}, cluster=who, reference=arms)
    keys = pd.DataFrame({"who": who, "arm": data.arm, "l": data.times("hazard").left,
                         "r": data.times("hazard").right})  # fmt: skip
    counted = keys.groupby(list(keys.columns), as_index=False).size()
    ours = fit_shared_frailty(
        Intervals(counted["l"].to_numpy(), counted["r"].to_numpy()), {"arm": counted["arm"].to_numpy(dtype=str)},
        cluster=counted["who"], weight=counted["size"], reference=arms,
    )  # fmt: skip
    assert ours.log_likelihood == pytest.approx(rows.log_likelihood, rel=1e-9)
    assert ours.spread.estimate == pytest.approx(rows.spread.estimate, abs=1e-3)
    assert ours.n == rows.n
    assert len(cells) < len(data)


def test_parts_add_up_to_the_whole(study):
    protocol, records, tally, _ = study
    third = records.cases["case_id"].str[-1].astype(int) % 3
    parts = []
    for k in range(3):
        chosen = records.cases[third == k].reset_index(drop=True)
        readings = records.readings[records.readings["case_id"].isin(chosen["case_id"])].reset_index(drop=True)
        part = dataclasses.replace(records, cases=chosen, readings=readings)
        parts.append(tally_records(protocol, part, through=protocol.quarters[-1]))
    again = add_tallies(parts[::-1])
    for field in dataclasses.fields(tally):
        if field.name != "flow":
            ours, theirs = getattr(again, field.name), getattr(tally, field.name)
            pd.testing.assert_frame_equal(ours, theirs, check_dtype=False)
    assert int(again.cells["n"].sum()) == int(tally.cells["n"].sum())


def test_an_exchange_survives_its_plain_form_and_tells_what_can_be_learned(files):
    for _, exchange in files:
        assert from_dict(json.loads(json.dumps(to_dict(exchange)))) == exchange
        told = what_can_be_learned(exchange)
        assert told[0].startswith(f"Practice {exchange.practice} treated")
        assert told[-1].startswith("No code of a patient or a case, no date finer than the quarter")
        cells, values = exchange.cells.to_frame(), exchange.values.to_frame()
        assert f"{(cells['n'] == 1).sum()} of {len(cells)} counts are of a single case" in told[1]
        alone = values[(values["n"] == 1) & (values["quantity"] == "spent")]
        assert f"spent {len(alone)}" in told[2]


def test_scores_kept_back_cannot_be_worked_out_from_the_estimates(study):
    """With two scores in an arm, mean difference, error and the other arm's scores would give both away."""
    protocol, records, tally, _ = study
    own = tally.of("P01")
    plain = (own.values["quantity"] == "pain_deposition") & (own.values["arm"] == "plain")
    two = pd.concat([own.values[~plain], own.values[plain].iloc[[3, -1]].assign(n=1)], ignore_index=True)
    made = make_exchange(dataclasses.replace(own, values=two), protocol, "P01", records_digest=records.digest)
    assert made.held_back.scores_kept_back == 2
    pain = next(e for e in made.estimates if e.quantity == "pain_difference")
    assert isinstance(pain, NotAvailable)
    assert "it takes 2 values in each arm" in pain.reason


def test_what_two_files_give_away_together(study):
    protocol, records, _, _ = study
    earlier, later = (
        make_exchange(
            tally_records(protocol, records, through=protocol.quarters[k]), protocol, "P03", records_digest=""
        )
        for k in (2, 3)
    )
    told = learned_by_subtraction(earlier, later)
    before, after = (e.cells.to_frame().groupby("technique")["n"].sum() for e in (earlier, later))
    grown = after.sub(before, fill_value=0)
    few = grown[(grown.abs() > 0) & (grown.abs() < 5)]
    for technique in few.index:
        (line,) = (t for t in told if f" of {technique} " in t and "each stands alone" in t)
        assert line.startswith(f"{few[technique]} case"), technique
    assert len(few) > 0
    assert "have the older file deleted first" in told[-1]
    assert learned_by_subtraction(later, later) == (
        "By subtraction from the file sent before, 0 cases more in all, by technique. No group, event or score changed "
        "by fewer than 5, and no cases added to a group all ended alike.",
    )


def grown(exchange, *, cells=(), values=(), safety=()):
    """The file with these rows added, in the order of its columns; onset as one ``(left, right)``."""
    spread = tuple((*keys, *(onset * 3), n) for *keys, onset, n in cells)
    tables = {"cells": spread, "values": values, "safety": safety}
    return dataclasses.replace(exchange, **{
        name: CountTable(columns=(old := getattr(exchange, name)).columns, rows=old.rows + tuple(rows))
        for name, rows in tables.items()
    })  # fmt: skip


def test_a_late_case_cases_that_ended_alike_and_an_event_are_found_between_two_files(files):
    first = files[0][1]
    later = grown(
        first,
        cells=[("2025Q4", "ianb", "plain", (15.0, None), 1), ("2026Q3", "ianb", "buffered", (16.5, None), 5)],
        safety=[("buffered", "serious", 1), ("buffered", "event", 1), ("plain", "recorded", 1)],
    )
    assert learned_by_subtraction(first, later) == (
        "1 case more of ianb in 2025Q4 than in the file sent before: each stands alone.",
        "The 5 cases added to ianb in 2026Q3 since the file sent before all ended alike (never numb while tested): who "
        "knows that a patient was among them knows how it ended.",
        "1 case more with a serious adverse event in the arm buffered than in the file sent before: who knows whose "
        "cases were added may know whose it is.",
        "1 case more with an adverse event in the arm buffered than in the file sent before: who knows whose cases "
        "were added may know whose it is.",
        "By subtraction from the file sent before, 6 cases more in all, by technique. Wait until every group has grown "
        "by 5 that did not all end alike, or have the older file deleted first.",
    )
    many = [("buffered", "serious", 5)]
    assert not any("serious" in t for t in learned_by_subtraction(first, grown(first, safety=many)))


@pytest.mark.parametrize(
    ("onsets", "ended"),
    [
        ([(2.0, 3.0), (2.0, 3.2)], "not yet numb at 2 min, numb by 3.2 min"),
        ([(2.5, 2.5)], "numb at 2.5 min"),
        ([(2.0, 3.0), (2.0, None)], None),
        ([(2.0, 3.0), (1.0, 3.0)], None),
    ],
)
def test_added_cases_of_the_same_gap_are_told_and_others_are_not(files, onsets, ended):
    first = files[0][1]
    later = grown(first, cells=[("2026Q3", "ianb", "plain", onset, 5) for onset in onsets])
    alike = [t for t in learned_by_subtraction(first, later) if "all ended alike (" in t]
    assert len(alike) == (ended is not None)
    assert all(f"({ended})" in t for t in alike)


def test_quarters_joined_in_either_file_are_compared_as_joined(files):
    first = files[0][1]
    joined = [
        tuple("2026Q2+2026Q3" if v in ("2026Q2", "2026Q3") else v for v in row) for row in first.cells.rows
    ]  # fmt: skip
    other = dataclasses.replace(first, cells=CountTable(columns=first.cells.columns, rows=tuple(joined)))
    assert learned_by_subtraction(first, other) == learned_by_subtraction(first, first)
    added = [("2026Q2+2026Q3", "ianb", "plain", (2.0, 3.0), 2), ("2026Q1", "ianb", "plain", (2.0, 3.0), 4)]
    told = learned_by_subtraction(first, grown(other, cells=added))
    assert told[0] == "4 cases more of ianb in 2026Q1 than in the file sent before: each stands alone."
    assert told[1] == "2 cases more of ianb in 2026Q2+2026Q3 than in the file sent before: each stands alone."
    assert len(told) == 3


def test_a_case_that_was_mended_stands_alone_between_two_files(files):
    first = files[0][1]
    number = first.cells.rows[0].index(3.183)
    bent = (*first.cells.rows[0][:number], 4.5, *first.cells.rows[0][number + 1 :])
    cells = CountTable(columns=first.cells.columns, rows=(bent, *first.cells.rows[1:]))
    told = learned_by_subtraction(first, dataclasses.replace(first, cells=cells))
    assert told[0] == "Of ianb in 2025Q4, 1 case came and 1 went since the file sent before: each stands alone."
    assert len(told) == 2


def test_scores_and_minutes_of_few_are_read_off_between_two_files(files):
    first = files[0][1]
    values = [
        ("pain_deposition", "plain", "exactly", 13.0, 2),
        ("spent", "buffered", "at_least", 16.0, 1),
        ("pain_insertion", "plain", "exactly", 13.0, 5),
    ]
    told = learned_by_subtraction(first, grown(first, values=values))
    assert told[:-1] == (
        "1 value more of minutes spent in the arm buffered than in the file sent before: each can be read off.",
        "2 values more of pain deposition in the arm plain than in the file sent before: each can be read off.",
    )


def test_files_of_other_quarters_are_not_taken_from_each_other(files):
    first = dataclasses.replace(files[0][1], quarters=("2025Q4",))
    second = dataclasses.replace(files[0][1], quarters=("2026Q1", "2026Q2"))
    assert learned_by_subtraction(first, second) == (
        "The file sent before is of other quarters: taking one from the other tells nothing more.",
    )


def test_no_name_no_date_and_no_rare_combination_comes_out(study):
    """Names, dates, notes and an age over 89 are planted in the records; none of them is in what is sent."""
    protocol, records, _, _ = study
    planted = records.cases.copy()
    planted["notes"] = "Erika Musterfrau, born 3 May 1934"
    planted["clinician_id"] = planted["clinician_id"].where(planted["practice_id"] != "P02", "Dr Musterfrau")
    planted["age_band"] = "80+"
    planted.loc[planted.index[0], "procedure"] = "root_canal"
    made = dataclasses.replace(records, cases=planted)
    tally = tally_records(protocol, made, through=protocol.quarters[-1])
    for code in tally.practices:
        text = json.dumps(to_dict(make_exchange(tally, protocol, code, records_digest="0" * 64, operators=True)))
        content = text.replace(json.dumps("80+"), "")
        for secret in ("Musterfrau", "Erika", "3 May", 'root_canal", "plain', "-SQVS3H", "2025-10", f"{code}-A"):
            assert secret not in content, secret
        patients = planted.loc[planted["practice_id"] == code, "patient_id"].dropna()
        assert not any(p in content for p in patients)


def test_a_word_that_is_no_code_is_found_when_the_file_is_read_back(files):
    exchange = files[0][1]
    rows = tuple(tuple("Erika" if v == "ianb" else v for v in row) for row in exchange.cells.rows)
    with pytest.raises(RecordsError, match="The table cells holds a word under technique, no code of the study"):
        what_can_be_learned(dataclasses.replace(exchange, cells=CountTable(columns=exchange.cells.columns, rows=rows)))


def test_small_groups_never_leave(study):
    protocol, records, tally, _ = study
    for least in (5, 12):
        made = make_exchange(tally, protocol, "P03", records_digest=records.digest, least_cases=least)
        cells = made.cells.to_frame()
        assert cells.groupby(["quarter", "technique"])["n"].sum().min() >= least
        assert cells["n"].sum() == tally.of("P03").cells["n"].sum()
        assert made.held_back.moved > 0
    with pytest.raises(RecordsError, match="P03: 50 analysed cases are fewer than 60"):
        make_exchange(tally, protocol, "P03", records_digest="", least_cases=60)
    with pytest.raises(RecordsError, match="The practice P09 has no analysed case"):
        make_exchange(tally, protocol, "P09", records_digest="")


def test_letters_hide_and_the_order_of_files_changes_nothing(study, files, group):
    assert sorted(p.letter for p in group.practices) == ["A", "B", "C", "D", "E"]
    again = analyse_group(files[::-1], study[0])
    assert to_dict(again) == to_dict(group)
    labels = {m.label for pooled in group.pooled for m in pooled.members}
    assert labels == set("ABCDE")


def test_one_and_two_practices(one, two):
    assert isinstance(one.quantity("hazard_ratio").average, NotAvailable)
    assert isinstance(one.overall.frailty, NotAvailable)
    assert isinstance(one.overall.hazard_ratio, Estimate)
    average = two.quantity("hazard_ratio").average
    # Student's t with one degree of freedom: next to nothing is known of the next practice.
    assert average.interval.high / average.interval.low > 10
    assert two.quantity("hazard_ratio").prediction is None


def refusals(files, protocol):
    with pytest.raises(RecordsError) as error:
        gather(files, protocol)
    return [str(p) for p in error.value.problems]


def test_files_that_do_not_fit_are_refused_all_at_once(study, files):
    protocol = study[0]
    zero = dataclasses.replace(protocol.schedule, clock_zero="injection_start")
    other = dataclasses.replace(files[1][1], terms=terms_of(dataclasses.replace(protocol, schedule=zero)))
    said = refusals([files[0], ("copy.json", files[0][1]), ("P02.json", other)], protocol)
    assert said == [
        "P02.json: P02 follows another protocol: schedule.clock_zero is injection_start there and injection_end here. "
        "Minutes from another zero cannot be pooled unconverted; that practice has to record anew.",
        "P01.json: P01 is in two files: this one ends with 2026Q3 and holds 69 cases, copy.json ends with 2026Q3 and "
        "holds 69. They hold the same; keep either.",
    ]
    stranger = dataclasses.replace(files[0][1], practice="P77", quarters=("2031Q1",))
    said = refusals([("x.json", stranger)], protocol)
    assert "P77 sends 2031Q1, no quarter of this study" in said[0]
    assert "P77 is no practice of this study" in said[1]
    (said,) = refusals([files[1], through(study, "P02", "2026Q1")], protocol)
    assert said.endswith("Leave this one out: P02.json is the newer and holds every quarter of it.")
    assert "no exchange file was given" in refusals([], protocol)[0].lower()


def test_what_a_protocol_with_further_strata_sends_is_read_again(study):
    protocol, records, _, _ = study
    further = ("practice_id", "technique", "procedure", "pulp_status", "topical", "agent")
    for strata in (further[:3], further):
        asked = dataclasses.replace(protocol, plan=dataclasses.replace(protocol.plan, strata=strata))
        tally = tally_records(asked, demo.of_practices(records, "P01", "P03"), through=demo.LAST)
        for code in tally.practices:
            sent = make_exchange(tally, asked, code, records_digest="0" * 64)
            assert check_exchange(sent) == [], code
            assert sent.held_back.information_kept <= 1


@pytest.mark.usefixtures("answer_alone")
def test_a_practice_whose_cases_begin_later_is_not_among_those_of_the_answer(study, files):
    protocol, records, _, _ = study
    late = demo.with_cases(records, (records.cases["practice_id"] == "P02") & (records.cases["quarter"] > "2026Q1"))
    tally = tally_records(protocol, late, through=demo.LAST)
    later = ("P02.json", make_exchange(tally, protocol, "P02", records_digest=""))
    early = [through(study, code, "2026Q1") for code in ("P01", "P03")]
    found = analyse_group([*early, later], protocol, quarter="2026Q1")
    assert found.notes == ()
    assert [p.code for p in found.answering] == [p.code for p in found.practices if p.code != "P02"]
    assert found.claims.primary().population.endswith("cases of 2 practices")
    assert {m.label for p in found.pooled for m in p.members} == {p.letter for p in found.answering}
    assert found.with_left_out == ()


@pytest.mark.usefixtures("answer_alone")
def test_a_practice_may_send_quarter_by_quarter(study, files, two):
    protocol, records, _, _ = study
    sent = []
    for quarter in ("2025Q4", "2026Q1", "2026Q2", "2026Q3"):
        rows = records.cases["quarter"] == quarter
        part = dataclasses.replace(records, cases=records.cases[rows].reset_index(drop=True))
        tally = tally_records(protocol, part, through=protocol.quarters[-1])
        made = make_exchange(tally, protocol, "P02", records_digest="0", least_cases=1)
        sent.append((f"P02-{quarter}.json", made))
    mixed = analyse_group([files[0], *sent], protocol)
    assert mixed.overall.hazard_ratio.estimate == pytest.approx(two.overall.hazard_ratio.estimate, rel=1e-9)
    assert mixed.overall.n == two.overall.n


@pytest.mark.usefixtures("answer_alone")
def test_estimates_that_do_not_follow_from_the_counts_are_named(study, files):
    exchange = files[0][1]
    bent = tuple(dataclasses.replace(e, estimate=e.estimate * 1.5) if e.quantity == "hazard_ratio" else e
                 for e in exchange.estimates)  # fmt: skip
    found = analyse_group([(files[0][0], dataclasses.replace(exchange, estimates=bent)), files[1]], study[0])
    assert len(found.notes) == 1
    assert found.notes[0].startswith("P01: its own hazard_ratio")


def test_an_earlier_quarter_and_one_that_is_not(study, files, group, early):
    assert early.overall.n.cases < group.overall.n.cases
    assert [s.label for s in early.cumulative] == ["2025Q4", "2026Q1"]
    with pytest.raises(RecordsError, match="2031Q1 is not a quarter of this study"):
        analyse_group(files, study[0], quarter="2031Q1")


def test_group_results_survive_their_plain_form(group):
    assert to_dict(from_dict(to_dict(group))) == to_dict(group)


def single_practice(study, code, records=None):
    """One practice's rows, and what is sent of them."""
    protocol = study[0]
    records = records or study[1]
    chosen = dataclasses.replace(records, cases=records.cases[records.cases["practice_id"] == code])
    data, _ = prepare(protocol, chosen, through=protocol.quarters[-1])
    tally = tally_records(protocol, records, through=protocol.quarters[-1])
    return data, make_exchange(tally, protocol, code, records_digest=records.digest)


@pytest.fixture(scope="module")
def sent_home(study):
    """Nobody whose tooth never went numb was treated or given a supplement: their waits have no end."""
    protocol, records, _, _ = study
    data, _ = prepare(protocol, records, through=protocol.quarters[-1])
    home = data.frame.loc[np.isinf(data.times("success").right), "case_id"]
    cases = records.cases.copy()
    cases.loc[cases["case_id"].isin(home), ["treatment_start_min", "rescue_min"]] = np.nan
    return dataclasses.replace(records, cases=cases)


def test_minutes_saved_are_those_of_the_practices_own_report_also_where_patients_were_sent_home(study, sent_home):
    unfinished = 0
    for code in study[2].practices:
        data, exchange = single_practice(study, code, sent_home)
        own = chair_time_of(data)
        sent = next(e for e in exchange.estimates if e.quantity == "chair_time_difference")
        for name in ("estimate", "std_error"):
            assert getattr(sent, name) == pytest.approx(getattr(own.difference, name), abs=1e-8)
        assert (sent.interval.low, sent.interval.high) == pytest.approx(
            (own.difference.interval.low, own.difference.interval.high)
        )
        open_ends = sum(w.at_least for w in own.waits)
        unfinished += open_ends
        assert [c.text for c in sent.caution] == [c.text for c in own.caution if c.code == "waits_at_least"]
        waits = exchange.values.to_frame().query("quantity == 'spent'")
        assert waits.loc[waits["known"] == "at_least", "n"].sum() == open_ends
    assert unfinished > 20


@pytest.mark.usefixtures("answer_alone")
def test_the_group_counts_unfinished_waits_as_its_practices_do(study, sent_home):
    made = {c: single_practice(study, c, sent_home)[1] for c in TWO}
    found = analyse_group([(f"{c}.json", e) for c, e in made.items()], study[0])
    letters = {p.letter: p.code for p in found.practices}
    for member in found.quantity("chair_time_difference").members:
        theirs = next(e for e in made[letters[member.label]].estimates if e.quantity == "chair_time_difference")
        assert member.result == theirs
        assert [c.code for c in member.result.caution] == ["waits_at_least"]


def without(records, column, practices=None):
    """Records in which nobody of these practices filled in a column."""
    cases = records.cases.copy()
    rows = cases["practice_id"].isin(practices) if practices else slice(None)
    cases.loc[rows, column] = None
    return dataclasses.replace(records, cases=cases)


def grouped(study, records, **options):
    made = [(f"{c}.json", single_practice(study, c, records)[1]) for c in TWO]
    return analyse_group(made, study[0], **options)


@pytest.mark.usefixtures("answer_alone")
def test_harms_that_nobody_recorded_are_not_harms_that_did_not_happen(study, two):
    gone = grouped(study, without(without(study[1], "adverse_event"), "adverse_serious"))
    assert [(e.cases, e.count) for e in gone.harms[0].arms] == [(0, 0), (0, 0)]
    assert all(isinstance(e.share, NotAvailable) for e in gone.harms[0].arms)
    assert sorted(gone.unrecorded) == [(p.letter, p.n.cases) for p in gone.practices]
    text = render_html(compose_group(gone))
    assert all(f"0 of {arm.cases}" not in text for arm in two.harms[0].arms)
    assert "No practice recorded whether anything happened" in text


@pytest.mark.usefixtures("answer_alone")
def test_harms_count_in_the_practices_that_recorded_them(study, two):
    some = grouped(study, without(without(study[1], "adverse_event", ["P01"]), "adverse_serious", ["P01"]))
    letter, cases = next((p.letter, p.n.cases) for p in some.practices if p.code == "P01")
    assert some.unrecorded == ((letter, cases),)
    for arm, whole in zip(some.harms[0].arms, two.harms[0].arms, strict=True):
        own = study[2].of("P01").cells.query(f"arm == '{arm.arm}'")["n"].sum()
        assert arm.cases == whole.cases - own
        assert arm.not_recorded == own
    first = two.harms[0].arms[0]
    low, high = proportion_confint(first.count, first.cases, method="beta")
    assert (first.share.interval.low, first.share.interval.high) == pytest.approx((low, high))
    text = render_html(compose_group(some))
    assert f"Practice {letter} did not record adverse events; its {cases} cases count in no proportion" in text


@pytest.mark.usefixtures("answer_alone")
def test_a_group_without_pain_and_waits_has_its_other_results(study, two):
    protocol = dataclasses.replace(study[0], pain=None)
    tally = tally_records(protocol, study[1], through=protocol.quarters[-1])
    tally = dataclasses.replace(tally, values=tally.values.iloc[:0])
    made = [(f"{c}.json", make_exchange(tally, protocol, c, records_digest="0")) for c in TWO]
    found = analyse_group(made, protocol)
    assert isinstance(found.quantity("chair_time_difference").average, NotAvailable)
    assert isinstance(found.overall.hazard_ratio, Estimate)
    assert found.quantity("success_difference").average.estimate == pytest.approx(
        two.quantity("success_difference").average.estimate, abs=0.2
    )


@pytest.mark.usefixtures("answer_alone")
def test_page_one_of_a_group_says_that_files_hold_no_pairs(study, two):
    """Of a design that gives each patient both arms; of others it says who may have come again."""
    made = study[0]
    paired = dataclasses.replace(
        made,
        study=dataclasses.replace(made.study, design="split_mouth"),
        allocation=dataclasses.replace(made.allocation, method="paired"),
    )
    tally = tally_records(paired, study[1], through=paired.quarters[-1])
    files = [(f"{c}.json", make_exchange(tally, paired, c, records_digest="0")) for c in TWO]
    found = analyse_group(files, paired)
    for own in (None, found.practices[0].letter):
        first = " ".join(t for b in first_page(found, own).blocks if isinstance(b, Cautions) for t in b.texts)
        assert "the files hold no pairs" in first
        assert "intervals are wider than within patients" in first
    assert "repeated_patients" not in {c.code for c in found.caution}
    assert {"no_pairs", "repeated_patients"} & {c.code for c in two.caution} == {"repeated_patients"}


def words(results, practice=None):
    """The text of a report, without markup."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", render_html(compose_group(results, practice=practice))))


def test_an_earlier_quarter_mixes_no_periods(study, early):
    assert early.beyond == tuple((code, "2026Q3") for code in study[2].practices)
    for name in ("pain_difference", "chair_time_difference"):
        for member in early.quantity(name).members:
            assert member.result.reason == (
                "its file goes on to 2026Q3, and these counts carry no quarter; ask for a file that ends with 2026Q1"
            )
    assert all(a.cases == 0 for harm in early.harms for a in harm.arms)
    assert early.unrecorded == ()
    for practice in early.practices:
        assert (practice.recorded, practice.left_out, practice.scores, practice.moved) == (None, None, None, None)
        assert sum(n for _, n in practice.by_quarter) == practice.n.cases
        assert {q for q, _ in practice.by_quarter} <= {"2025Q4", "2026Q1"}
    text = words(early)
    assert (
        "All files go on after 2026Q1. Pain, minutes to treatment, harms and the number of rows carry no quarter"
        in text
    )
    assert "less pain" not in text
    assert "How complete the records were" not in text
    assert "Analysed cases by quarter" in text
    assert "Adverse events carry no quarter and are not shown for an earlier one" in text
    assert max(float(share) for share in re.findall(r"(\d+) %", text)) <= 100


def through(study, code, label):
    """What a practice sent when a quarter was the last."""
    protocol, records, _, _ = study
    last = next(q for q in protocol.quarters if q.label == label)
    tally = tally_records(protocol, records, through=last)
    return (f"{code}-{label}.json", make_exchange(tally, protocol, code, records_digest=records.digest))


@pytest.mark.usefixtures("answer_alone")
def test_files_that_end_with_the_earlier_quarter_keep_what_carries_none(study, files):
    mixed = [through(study, "P02", "2026Q1"), files[0], files[2]]
    early = analyse_group(mixed, study[0], quarter="2026Q1")
    assert [code for code, _ in early.beyond] == ["P01", "P03"]
    own = next(p for p in early.practices if p.code == "P02")
    assert own.recorded is not None
    assert own.scores <= own.n.cases
    result = next(m.result for m in early.quantity("pain_difference").members if m.label == own.letter)
    assert result == next(e for e in mixed[0][1].estimates if e.quantity == "pain_difference")
    assert sum(a.cases for a in early.harms[0].arms) == own.n.cases


@pytest.mark.usefixtures("answer_alone")
def test_a_file_of_a_later_quarter_alone_is_not_used_for_an_earlier_report(study):
    protocol, records, _, _ = study
    sent = []
    for quarter in ("2025Q4", "2026Q3"):
        part = dataclasses.replace(records, cases=records.cases[records.cases["quarter"] == quarter])
        tally = tally_records(protocol, part, through=protocol.quarters[-1])
        sent.append((quarter, make_exchange(tally, protocol, "P04", records_digest="0")))
    early = analyse_group(sent, protocol, quarter="2025Q4")
    assert early.beyond == ()
    (own,) = early.practices
    assert own.recorded == sum(row[-1] for row in sent[0][1].flow.rows if row[0] == "recorded")
    assert own.scores <= own.n.cases


@pytest.mark.usefixtures("answer_alone")
def test_who_is_missing_is_said_on_page_one(study, files):
    short = [files[0], through(study, "P02", "2025Q4")]
    found = analyse_group(short, study[0], skipped=["P04.json"])
    assert found.missing == ("P03", "P04", "P05")
    assert found.shorter == (("P02", "2025Q4"),)
    first = compose_group(found).sections[0].blocks[-1].texts
    # A code that is missing on one page and not on the next would tell the letter of the row that came.
    assert "No file from 3 practices of the study." in first
    assert not any(code in text for text in first for code in ("P03", "P04", "P05"))
    # A code beside a quarter would tell the letter that has no cases after it: the coordinator alone is told.
    assert "1 practice has sent cases up to an earlier quarter only." in first
    assert "1 file was not read: exchange files end in .exchange.json." in first
    assert not any("P02" in text for text in first)
    told = missing_words(found, None, coordinator=True)
    assert "No file from P03, P04 and P05." in told
    assert "P02 has sent cases up to 2025Q4 only: ask whether there were later ones." in told
    assert "P04.json was not read: exchange files end in .exchange.json." in told
    mine = compose_group(found, practice="P01").sections[0].blocks[-1].texts
    assert "No file from 3 practices of the study." in mine
    assert "1 other practice has sent cases up to an earlier quarter only." in mine
    assert not any(code in text for text in mine for code in ("P02", "P03", "P04", "P05"))
    assert "Your practice has sent cases up to 2025Q4 only: if there were later ones, they are missing." in words(
        found, "P02"
    )


def test_a_group_that_is_whole_says_nothing_of_the_kind(group):
    assert (group.missing, group.shorter, group.beyond, group.skipped) == ((), (), (), ())
    assert "No file from" not in words(group)


def test_page_one_shows_the_shares_of_both_arms_and_says_what_a_wait_is(study, group):
    text = words(group)
    for arm, target in zip(study[0].arm_codes, group.overall.by_target, strict=False):
        n = sum(c.cases for c in group.overall.n.by_arm if c.arm == arm)
        low, high = (100 * v for v in (target.interval.low, target.interval.high))
        assert f"{100 * target.estimate:.0f} % ({low:.0f} to {high:.0f} %) of {n}" in text
    assert "numb by 2 min" in text
    assert "not numb within 15 min" in text
    assert "a tooth not numb by then counted as 15" in text
    within = group.overall.difference("rmst_difference")
    assert (
        "the boundary set beforehand was crossed, toward sooner; in all 412 cases of 5 practices to date, up to" in text
    )
    assert "up to 15 minutes, a tooth not numb by then counted as 15, " in text
    assert f"buffered teeth were numb {abs(within.estimate):.1f} minutes sooner on average than not buffered" in text
    assert re.search(r"\([\d.]+ to [\d.]+, allowing for the interim analyses; [\d.]+ to [\d.]+ if one looked", text)
    never = group.overall.numb_at_all.pooled.difference
    assert never.estimate == pytest.approx(
        group.overall.never_numb[0].estimate - group.overall.never_numb[1].estimate, abs=0.03
    )


def test_a_practices_page_speaks_of_the_practice(group):
    text = words(group, "P03")
    assert "Your practice, 50 cases" in text
    assert "inside the limits in both charts" in text
    assert "Your practice" not in words(group)


def test_what_five_practices_cannot_tell_is_not_called_little(group):
    text = words(group)
    assert "With 5 practices it cannot be told whether they differ" in text
    assert "differ little" not in text
    assert "no sign that it differs" not in text
    assert text.count("too few cases to tell whether it differs") == 1  # by technique
    assert text.lower().count("with 5 practices it cannot be told whether they differ") == 2  # page 1, and of the ratio
    close = [Member(label=str(k), weight=1.0, result=sure(1.3)) for k in range(2)]
    wide = [*close, Member(label="2", weight=1.0, result=dataclasses.replace(sure(1.3), interval=between(0.9, 1.9)))]
    for levels, told in ((close, "no sign that it differs"), (wide, "too few cases to tell")):
        found = dataclasses.replace(group.subgroups[0], levels=tuple(levels))
        text = words(dataclasses.replace(group, subgroups=(found,)))
        assert told in text


def between(low, high):
    return Interval(low=low, high=high, level=0.95, method="")


def sure(value):
    return Estimate(
        quantity="hazard_ratio", contrast="b / a", estimate=value, interval=between(value / 1.1, value * 1.1),
        unit="ratio", method="", n=Counts(cases=4000, onsets=3500),
    )  # fmt: skip


def test_undecided_cases_are_named_on_the_page(group):
    plain, buffered = (n for _, n in group.overall.success.undecided)
    text = words(group)
    assert plain + buffered > 0
    assert f"{plain + buffered} cases ({plain} not buffered and {buffered} buffered) had no test that tells" in text
    assert "Not counted here, because no test decides it: " in text


def test_one_practice_alone_gets_no_table_of_dashes_and_no_talk_of_letters(one):
    text = words(one)
    assert "There is no average over practices" in text
    assert "Pooled over practices" not in text
    assert "drawn anew" not in text
    assert "The hazard ratio of all cases, in one stage, is" in text


@pytest.mark.usefixtures("answer_alone")
@pytest.mark.slow
def test_looks_of_an_earlier_quarter_are_those_of_files_that_ended_with_it(study):
    """With every group told apart, later files must give the looks that were reported then, to the last digit."""
    protocol, records, _, _ = study

    def sent(label):
        last = next(q for q in protocol.quarters if q.label == label)
        tally = tally_records(protocol, records, through=last)
        return [(c, make_exchange(tally, protocol, c, records_digest="0", least_cases=1)) for c in TWO]

    then = analyse_group(sent("2026Q1"), protocol)
    now = analyse_group(sent("2026Q3"), protocol, quarter="2026Q1")
    assert to_dict(now.looks) == to_dict(then.looks)
    assert to_dict(now.overall.hazard_ratio) == to_dict(then.overall.hazard_ratio)
    later = analyse_group(sent("2026Q3"), protocol)
    assert to_dict(later.looks)["verdicts"][:2] == to_dict(then.looks)["verdicts"]


def test_rejects_that_name_no_practice_are_counted_under_none(study):
    protocol, records, _, _ = study
    refused = pd.DataFrame({"table": ["cold_tests", "cases"], "code": ["minute", "unreadable"]})
    tally = tally_records(protocol, dataclasses.replace(records, rejects=refused), through=protocol.quarters[-1])
    lost = tally.flow[tally.flow["stage"] == "refused"]
    assert lost[["practice_id", "code", "n"]].to_numpy().tolist() == [["not recorded", "unreadable", 1]]


def test_what_was_not_rated_is_not_called_not_serious_by_the_group(study):
    """As the practice counts them; counts from before it was told never claim more."""
    protocol, _, tally, data = study
    own = {a.arm: (a.count, a.cases, a.not_recorded) for a in safety_of(data).harms[1].arms}
    harms = group_harms(tally.safety, protocol)[1]
    assert {a.arm: (a.count, a.cases, a.not_recorded) for a in harms.arms} == own
    assert any(unknown for _, _, unknown in own.values())
    earlier = tally.safety[tally.safety["what"] != "rated"]
    before = {a.arm: a for a in group_harms(earlier, protocol)[1].arms}
    for arm, (_, cases, _) in own.items():
        assert before[arm].cases <= cases
