"""Exchange files of a few cases written by hand: what fits, what cannot be, what the group makes of it."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest

from onsetstudy.core.errors import RecordsError
from onsetstudy.core.results import Caution, Counts, Estimate, Interval, NotAvailable
from onsetstudy.records.derived.results import ArmStanding
from onsetstudy.study.counts.aggregate_counts import ENDS, Tally, add_tallies
from onsetstudy.study.counts.counted_estimates import (
    difference_of_counts,
    estimates_of_counts,
    mean_difference,
)
from onsetstudy.study.counts.disclosure import learned_by_subtraction
from onsetstudy.study.counts.exchange import make_exchange, merge_small_groups
from onsetstudy.study.counts.exchange_check import check_exchange
from onsetstudy.study.exchange_results import CountTable
from onsetstudy.study.group.analyse_group import _letters
from onsetstudy.study.group.harms import group_harms, practices_without_harms
from onsetstudy.study.group.pool_files import gather, together
from onsetstudy.study.group.reconcile import unlike_rows
from onsetstudy.study.group.stratified_ipd import onset_test, pool_in_one_stage, subgroups_by
from onsetstudy.study.group.stratified_success import pool_success, success_tables
from onsetstudy.study.sets import analysis_set
from onsetstudy.study.sets.contrasts import cautions_of
from tests.study.cases import protocol as shipped
from tests.study.cases import set_of
from tests.study.counts.test_counts_of_meaning import cells_of

PROTOCOL = shipped()
SHA = "0" * 64
ROWS = [("plain", 1, 2, 4), ("plain", 2, 3, 6), ("buffered", 1, 2, 7), ("buffered", 3, 4, 3)]


def tally_of(code="P01", quarter=0, scores=((20.0, 5), (30.0, 5))):
    cells = cells_of(PROTOCOL, [(code, *row) for row in ROWS])
    cells["quarter"] = PROTOCOL.quarters[quarter].label
    values = pd.DataFrame(
        [(code, "pain_deposition", arm, "exactly", score, n) for arm in ("plain", "buffered") for score, n in scores]
        + [(code, "spent", arm, known, 3.0 + late, n) for arm, late in (("plain", 1.0), ("buffered", 0.0))
           for known, n in (("exactly", 7), ("at_least", 3))],
        columns=["practice_id", "quantity", "arm", "known", "value", "n"],
    )  # fmt: skip
    safety = [(code, arm, what, n) for arm in ("plain", "buffered") for what, n in (("cases", 10), ("recorded", 8))]
    flow = [(code, stage, n) for stage, n in (("recorded", 23), ("refused", 1), ("left_out", 2), ("analysed", 20))]
    return Tally(
        cells=cells[["practice_id", "quarter", "technique", "arm", *ENDS, "n"]],
        values=values,
        safety=pd.DataFrame(safety, columns=["practice_id", "arm", "what", "n"]),
        operators=pd.DataFrame(columns=["practice_id", "clinician_id", "technique", "arm", "outcome", "n"]),
        flow=pd.DataFrame([(c, s, "", n) for c, s, n in flow], columns=["practice_id", "stage", "code", "n"]),
        arms=pd.DataFrame(columns=["practice_id", "source", "reason", "what", "n"]),
    )


def sent(code="P01", quarter=0, **more):
    return make_exchange(tally_of(code, quarter, **more), PROTOCOL, code, records_digest=SHA)


FILE = sent()


def with_rows(name, *rows, drop=()):
    table = getattr(FILE, name)
    kept = tuple(r for k, r in enumerate(table.rows) if k not in drop)
    return dataclasses.replace(FILE, **{name: CountTable(columns=table.columns, rows=(*kept, *rows))})


def held(**changes):
    return dataclasses.replace(FILE, held_back=dataclasses.replace(FILE.held_back, **changes))


def arms(**counts):
    base = {f.name: 0 for f in dataclasses.fields(ArmStanding)}
    base |= {"source": "log", "reason": "", **counts}
    return dataclasses.replace(FILE, arms=ArmStanding(**base))


def test_what_was_made_here_is_found_whole():
    assert check_exchange(FILE) == []
    assert check_exchange(sent(scores=((0.0, 5), (100.0, 5)))) == []
    assert check_exchange(held(information_kept=1.0)) == check_exchange(held(information_kept=0.0)) == []
    assert check_exchange(held(least=1)) == []
    assert check_exchange(dataclasses.replace(FILE, made_with="onsetstudy 12.0.1rc2+local")) == []
    assert [p.code for p in check_exchange(dataclasses.replace(FILE, made_with="x" * 400))] == ["text"]
    assert check_exchange(with_rows("safety", ("plain", "rated", 8), ("plain", "event", 8))) == []


@pytest.mark.parametrize(
    ("edited", "code"),
    [
        (dataclasses.replace(FILE, quarters=()), "quarter"),
        (dataclasses.replace(FILE, quarters=(*FILE.quarters, *FILE.quarters)), "quarter"),
        (dataclasses.replace(FILE, quarters=(*FILE.quarters, "2031Q1")), "quarter"),
        (dataclasses.replace(FILE, practice="a b"), "code"),
        (dataclasses.replace(FILE, records_digest="0" * 63), "digest"),
        (dataclasses.replace(FILE, made_with="x" * 401), "text"),
        (held(least=0), "range"), (held(moved=-1), "range"), (held(scores_kept_back=-1), "range"),
        (held(information_kept=1.5), "range"), (held(information_kept=-0.1), "range"),
        (with_rows("safety", ("plain", "event", 9)), "sum"), (with_rows("safety", ("plain", "rated", 9)), "sum"),
        (with_rows("safety", ("plain", "supplement", 11)), "sum"),
        (with_rows("safety", ("plain", "event", 0)), "count"), (with_rows("safety", ("plain", "event", True)), "count"),
        (with_rows("safety", ("plain", "event", 200_000_000)), "count"),
        (with_rows("safety", ("plain", "cases", 3)), "twice"), (with_rows("flow", drop=(0,)), "sum"),
        (with_rows("safety", ("Erika", "event", 1)), "word"), (with_rows("safety", ("plain", "event")), "column"),
        (with_rows("safety", ("plain", "event", (1,))), "type"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_named(edited, code):
    assert code in {p.code for p in check_exchange(edited)}


def test_a_table_of_nothing_but_a_head_has_all_its_columns():
    told = check_exchange(dataclasses.replace(FILE, controls=CountTable(columns=("arm",), rows=())))
    assert [p.code for p in told] == ["column"]
    assert check_exchange(dataclasses.replace(FILE, controls=CountTable(columns=("n",), rows=()))) == []


def test_a_time_is_from_0_to_a_day_and_ends_after_it_began():
    at = FILE.cells.columns.index("left_wait")

    def edited(left, right):
        row = list(FILE.cells.rows[0])
        row[at], row[at + 1] = left, right
        table = CountTable(columns=FILE.cells.columns, rows=(tuple(row), *FILE.cells.rows[1:]))
        return {p.code for p in check_exchange(dataclasses.replace(FILE, cells=table))}

    assert edited(0.0, 0.0) == edited(1440.0, None) == edited(0.0, 1440.0) == set()
    assert edited(-0.5, 2.0) == edited(3.0, 2.0) == edited(1.0, 1441.0) == edited(1441.0, None) == {"time"}


def test_a_score_lies_on_the_scale_of_the_protocol():
    for score, fits in ((0.0, True), (100.0, True), (100.5, False), (-0.5, False)):
        found = check_exchange(sent(scores=((score, 10),)))
        assert ([p.code for p in found] == []) == fits
        assert all(p.code == "range" and "pain deposition holds" in p.what for p in found)


def test_more_randomised_than_recorded_cannot_be():
    assert "sum" in {p.code for p in check_exchange(arms(cases=24))}
    assert check_exchange(arms(cases=23, verified=23)) == []
    assert {p.code for p in check_exchange(arms(cases=5, verified=6))} == {"range"}
    assert {p.code for p in check_exchange(arms(cases=5, kept=-1))} == {"range"}


@pytest.mark.parametrize(("opened", "without", "fits"), [(23, 0, True), (21, 0, True), (25, 4, True), (20, 0, False),
                                                         (40, 20, False), (10, 0, False)])  # fmt: skip
def test_cases_by_slip_are_those_of_opened_slips_with_a_record(opened, without, fits):
    told = dataclasses.replace(arms(cases=23, verified=23), slips_opened=opened, slips_without_record=without)
    found = check_exchange(told)
    assert ([p.code for p in found] == []) == fits
    assert all("slips_opened less slips_without_record" in p.what and "arms.verified" in p.what for p in found)


def test_where_patients_have_both_arms_a_slip_is_of_two_cases():
    terms = tuple((key, '"crossover"' if key == "study.design" else text) for key, text in FILE.terms)
    told = dataclasses.replace(arms(cases=22, verified=22), terms=terms, slips_without_record=0)
    assert not check_exchange(dataclasses.replace(told, slips_opened=11))
    assert [p.code for p in check_exchange(dataclasses.replace(told, slips_opened=9))] == ["sum"]


def test_an_interval_goes_upwards_and_holds_its_estimate():
    told = next(e for e in FILE.estimates if isinstance(e, Estimate))

    def edited(**span):
        changed = dataclasses.replace(told, interval=dataclasses.replace(told.interval, **span))
        return [p.what for p in check_exchange(dataclasses.replace(FILE, estimates=(changed,)))]

    assert edited() == edited(low=told.estimate) == edited(high=math.inf) == []
    turned = edited(low=told.interval.high, high=told.interval.low)
    assert turned == [f"estimates: the interval of {told.quantity} begins above its end"]
    outside = [f"estimates: {told.quantity} lies outside its own interval"]
    assert edited(low=told.estimate + 0.1) == edited(high=told.estimate - 0.1, low=-math.inf) == outside
    gone = NotAvailable(quantity=told.quantity, contrast=None, code="x", reason="", unit="", method="", n=told.n)
    for low, fits in ((0.0, True), (2.0, False)):
        bound = dataclasses.replace(told.interval, low=low, high=1.0)
        found = check_exchange(dataclasses.replace(FILE, estimates=(dataclasses.replace(gone, bound=bound),)))
        assert (not found) == fits


def test_files_are_put_together_by_practice_and_like_rows_added():
    files = [("b", sent("P02")), ("a", sent("P01")), ("c", sent("P01", 1))]
    found = gather(files, PROTOCOL)
    assert [e.practice for _, e in found.files] == ["P01", "P01", "P02"]
    assert found.practices == ("P01", "P02")
    assert found.notes == ()
    assert found.cells["n"].sum() == 60
    assert found.safety.set_index(["practice_id", "arm", "what"])["n"].to_dict()[("P01", "plain", "cases")] == 20
    assert found.cells["right_wait"].dtype == float
    assert list(found.cells["practice_id"]) == sorted(found.cells["practice_id"])
    assert together([("a", FILE)], "operators").empty


def test_the_same_quarter_twice_says_which_file_to_keep():
    longer = dataclasses.replace(FILE, quarters=(FILE.quarters[0], PROTOCOL.quarters[1].label))
    other = dataclasses.replace(FILE, quarters=(FILE.quarters[0], PROTOCOL.quarters[2].label))
    newer = sent(scores=((21.0, 5), (30.0, 5)))
    for one, two, mend in (
        (FILE, longer, "leave this one out: two is the newer and holds every quarter of it"),
        (longer, FILE, "leave this one out: one is the newer and holds every quarter of it"),
        (FILE, FILE, "they hold the same"), (FILE, newer, "keep one of them; ask the practice which"),
        (longer, other, "ask the practice for one file of all its quarters: two is the newer, but has no 2026Q1"),
    ):  # fmt: skip
        with pytest.raises(RecordsError) as told:
            gather([("one", one), ("two", two)], PROTOCOL)
        (problem,) = (p for p in told.value.problems if p.code == "twice")
        assert problem.mend.startswith(mend)
        older, kept = ("two", "one") if two is FILE and one is longer else ("one", "two")
        assert problem.where.file == older
        assert problem.what.startswith("P01 is in two files: this one ends with 20")
        assert f", {kept} ends with 20" in problem.what


def test_a_file_of_others_is_refused_with_the_reason():
    for change, code in (({"study": "x"}, "other_study"), ({"practice": "P99"}, "practice"),
                         ({"quarters": ("2031Q1",)}, "quarter"),
                         ({"invented": not FILE.invented}, "invented")):  # fmt: skip
        if code == "practice" and not PROTOCOL.study.practices:
            continue
        with pytest.raises(RecordsError) as told:
            gather([("one", dataclasses.replace(FILE, **change))], PROTOCOL)
        assert code in {p.code for p in told.value.problems}
    with pytest.raises(RecordsError, match="No exchange file"):
        gather([], PROTOCOL)


def test_numbers_without_a_value_are_sent_as_nothing():
    table = CountTable.of(pd.DataFrame({"a": [1.5, np.inf, np.nan], "b": ["x", "y", "z"], "n": [1, 2, 3]}))
    assert table.rows == ((1.5, "x", 1), (None, "y", 2), (None, "z", 3))
    assert table.columns == ("a", "b", "n")


def test_information_kept_is_told_as_a_share():
    few = tally_of()
    assert make_exchange(few, PROTOCOL, "P01", records_digest=SHA).held_back.information_kept == 1.0
    late = dataclasses.replace(few, cells=few.cells.assign(
        quarter=[PROTOCOL.quarters[k].label for k in (0, 0, 0, 1)],
    ))  # fmt: skip
    found = make_exchange(late, PROTOCOL, "P01", records_digest=SHA).held_back
    assert found.moved == 20
    # Quarters are no stratum of the test: nothing is lost by joining them.
    assert found.information_kept == pytest.approx(1.0)
    with pytest.raises(RecordsError, match="P01: 20 analysed cases are fewer than 21"):
        make_exchange(few, PROTOCOL, "P01", records_digest=SHA, least_cases=21)
    with pytest.raises(RecordsError, match="P07 has no analysed case"):
        make_exchange(few, PROTOCOL, "P07", records_digest=SHA)


def test_a_period_of_three_quarters_is_read_again():
    """It is named by the first and the last; what lies between is in it, in one file and between two."""
    few = tally_of()
    rows = few.cells.assign(quarter=[PROTOCOL.quarters[k].label for k in (0, 1, 2, 2)])
    apart = make_exchange(dataclasses.replace(few, cells=rows), PROTOCOL, "P01", records_digest=SHA, least_cases=1)
    made = make_exchange(dataclasses.replace(few, cells=rows), PROTOCOL, "P01", records_digest=SHA, least_cases=15)
    assert made.cells.to_frame()["quarter"].unique().tolist() == ["2025Q4+2026Q2"]
    assert made.quarters == ("2025Q4", "2026Q1", "2026Q2")
    assert check_exchange(made) == []
    (told,) = learned_by_subtraction(made, apart)
    assert "0 cases more in all" in told
    beyond = dataclasses.replace(made, quarters=(*made.quarters, "2026Q3"))
    assert [p.code for p in check_exchange(beyond)] == ["quarter"]


def test_many_rare_kinds_in_one_step_are_no_text_of_somebody():
    kinds = [" ".join(["buccal_infiltration"] * 4) for _ in range(9)]
    assert check_exchange(held(steps=(f"{', '.join(kinds)} became other",))) == []
    assert "text" in {p.code for p in check_exchange(held(steps=("other " * 2_000,)))}


def counts(rows):
    return pd.DataFrame(rows, columns=["quarter", "technique", "arm", "n"])


def test_small_periods_join_the_next_and_the_last_the_one_before():
    frame = counts([("2026Q1", "ianb", "plain", 2), ("2026Q2", "ianb", "plain", 3), ("2026Q3", "ianb", "plain", 5),
                    ("2026Q4", "ianb", "plain", 4)])  # fmt: skip
    found = merge_small_groups(frame, least=5, period="quarter", kinds=("technique",))
    assert found.frame.to_dict("list")["quarter"] == ["2026Q1+2026Q2", "2026Q3+2026Q4"]
    assert found.frame["n"].tolist() == [5, 9]
    assert found.moved == 14
    assert found.steps == ("ianb: 2026Q1, 2026Q2 were joined into one period",
                           "ianb: 2026Q3, 2026Q4 were joined into one period")  # fmt: skip
    same = merge_small_groups(frame.iloc[2:3], least=5, period="quarter", kinds=("technique",))
    assert (same.moved, same.steps) == (0, ())
    bare = merge_small_groups(frame.drop(columns="technique"), least=5, period="quarter", kinds=())
    assert bare.frame["n"].tolist() == [5, 9]
    assert bare.steps[0].startswith("all: 2026Q1, 2026Q2")


def test_rare_kinds_keep_each_other_company_rarest_first():
    frame = counts([("2026Q1", kind, "plain", n) for kind, n in (("a", 5), ("b", 2), ("c", 9), ("d", 1))])
    found = merge_small_groups(frame, least=5, period="quarter", kinds=("technique",))
    # b and d are three together, so that the rarest of the rest, of five, has to join them.
    assert found.frame.set_index("technique")["n"].to_dict() == {"c": 9, "other": 8}
    assert found.steps == ("a, b, d became other",)
    enough = merge_small_groups(frame.assign(n=[6, 3, 9, 2]), least=5, period="quarter", kinds=("technique",))
    assert enough.frame.set_index("technique")["n"].to_dict() == {"a": 6, "c": 9, "other": 5}


def test_parts_of_a_tally_add_up_in_any_order():
    one, two = tally_of("P01"), tally_of("P02")
    both, turned = add_tallies([one, two, one]), add_tallies([two, one, one])
    assert both.practices == ("P01", "P02")
    assert both.cells["n"].sum() == 60
    pd.testing.assert_frame_equal(both.cells, turned.cells)
    assert both.of("P01").cells["n"].sum() == 40
    assert set(both.of("P02").values["practice_id"]) == {"P02"}


def test_cells_without_an_end_were_never_seen_to_be_numb():
    cells = cells_of(PROTOCOL, [("P01", "plain", 4, np.nan, 2)])
    times = set_of(cells, PROTOCOL).times("success")
    assert (times.left.tolist(), times.right.tolist()) == ([4.0], [math.inf])


def test_means_of_counts_by_hand():
    values = tally_of().values
    spent = values[values["quantity"] == "spent"]
    found = difference_of_counts("chair_time_difference", set_of(tally_of().cells, PROTOCOL, values))
    assert found.estimate == pytest.approx(-1.0)
    assert found.unit == "min"
    caution = next(c for c in found.caution if c.code == "waits_at_least")
    assert caution.text.startswith("6 waits were not seen to their end (3 plain, 3 buffered)")
    assert (found.n.cases, found.n.onsets) == (20, 14)
    seen = mean_difference(spent[spent["known"] == "exactly"], PROTOCOL, "chair_time_difference", "min")
    assert all(c.code != "waits_at_least" for c in getattr(seen, "caution", ()))
    pain = difference_of_counts("pain_difference", set_of(tally_of().cells, PROTOCOL, values))
    assert (pain.unit, pain.estimate) == ("mm", pytest.approx(0.0))
    wait = difference_of_counts("rmst_difference", set_of(tally_of().cells, PROTOCOL, values))
    assert (wait.unit, wait.contrast) == ("min", "buffered - plain")
    assert difference_of_counts("success_difference", set_of(tally_of().cells, PROTOCOL, values)).unit == "proportion"


def test_a_practice_of_one_arm_has_no_comparison_and_says_which_arm_is_missing():
    cells = tally_of().cells
    plain = cells[cells["arm"] == "plain"]
    for found in estimates_of_counts(set_of(plain, PROTOCOL, tally_of().values)):
        assert isinstance(found, NotAvailable)
        assert found.reason == "no case of the arm buffered has been sent"
    assert onset_test(set_of(plain, PROTOCOL)).code == "arm_missing"
    assert difference_of_counts("rmst_difference", set_of(plain, PROTOCOL, tally_of().values)).code == "arm_missing"
    whole = estimates_of_counts(set_of(cells, PROTOCOL, tally_of().values))
    assert [e.quantity for e in whole] == [
        "hazard_ratio", "rmst_difference", "success_difference", "pain_difference", "chair_time_difference"
    ]  # fmt: skip
    silent = dataclasses.replace(PROTOCOL, pain=None)
    assert "pain_difference" not in [e.quantity for e in estimates_of_counts(set_of(cells, silent, tally_of().values))]


def test_one_stage_holds_two_arms_and_asks_for_two_practices():
    cells = tally_of().cells
    found = pool_in_one_stage(set_of(cells, PROTOCOL, tally_of().values))
    assert [c.arm for c in found.curves] == ["plain", "buffered"]
    # Rows end at 2, 3, 2 and 4 minutes: who was watched up to a minute is still among the tested.
    assert dict(found.curves[0].still_tested)[0.0] == 10
    assert dict(found.curves[0].still_tested)[3.0] == 6
    assert found.frailty.code == "one"
    assert [e.contrast for e in found.wait] == ["plain", "buffered"]
    assert found.n.cases == 20
    only = subgroups_by("technique", set_of(cells, PROTOCOL))
    assert (only.grouping, only.test.code) == ("technique", "too_few")
    bare = pool_in_one_stage(set_of(cells[cells["arm"] == "plain"], PROTOCOL, tally_of().values))
    assert [e.code for e in bare.by_target] == ["arm_missing", "arm_missing"]
    assert bare.curves[1].curve.code == "arm_missing"


def test_cases_that_no_test_decides_are_counted_apart():
    minute = PROTOCOL.onset.target_min
    rows = [("P01", arm, left, right, n) for arm, late in (("plain", 2), ("buffered", 1))
            for left, right, n in ((1, 2, 5), (minute, minute + 2, 3 * late), (minute - 1, minute + 1, 2))]  # fmt: skip
    tables = success_tables(set_of(cells_of(PROTOCOL, rows), PROTOCOL))
    assert tables.numb.tolist() == [[5, 5]]
    assert tables.not_numb.tolist() == [[6, 3]]
    assert tables.undecided.tolist() == [[2, 2]]
    assert tables.cases.tolist() == [[13, 10]]
    assert (tables.likely >= 0).all()
    assert (tables.likely <= 2).all()
    assert min(tables.inflation) >= 1
    found = pool_success(set_of(cells_of(PROTOCOL, rows), PROTOCOL))
    assert found.undecided == (("plain", 2), ("buffered", 2))
    # Those of one arm only: by hand.
    assert found.if_against.difference.estimate == pytest.approx(5 / 10 - 7 / 13)
    assert found.if_for.difference.estimate == pytest.approx(7 / 10 - 5 / 13)
    sure = pool_success(set_of(cells_of(PROTOCOL, [r for r in rows if r[3] != minute + 1]), PROTOCOL))
    assert (sure.if_for, sure.if_against) == (None, None)
    assert sure.pooled.difference.estimate == pytest.approx(5 / 8 - 5 / 11)
    assert pool_success(set_of(cells_of(PROTOCOL, rows), PROTOCOL), extremes=False).if_for is None


def harms(*rows):
    return pd.DataFrame(rows, columns=["practice_id", "arm", "what", "n"])


def test_harms_are_counted_where_they_were_recorded():
    told = harms(("P01", "plain", "cases", 10), ("P01", "plain", "recorded", 6), ("P01", "plain", "event", 2),
                 ("P01", "plain", "serious", 1), ("P02", "buffered", "cases", 9),
                 ("P02", "buffered", "recorded", 2))  # fmt: skip
    some, serious = group_harms(told, PROTOCOL)
    assert [(a.arm, a.count, a.cases, a.not_recorded) for a in some.arms] == [("plain", 2, 6, 4), ("buffered", 0, 2, 7)]
    # Files that do not count who was rated: 6 recorded, less one event not known to be serious.
    assert [(a.count, a.cases) for a in serious.arms] == [(1, 5), (0, 2)]
    assert some.arms[0].at_most is None
    # Three in two is more than all.
    assert some.arms[1].rule_of_three == 1.0
    many = group_harms(harms(("P01", "plain", "cases", 60), ("P01", "plain", "recorded", 60)), PROTOCOL)[0].arms[0]
    assert many.rule_of_three == pytest.approx(0.05)
    nobody = group_harms(harms(("P01", "plain", "cases", 6)), PROTOCOL)[0].arms[0]
    assert (nobody.rule_of_three, nobody.at_most) == (None, None)
    assert group_harms(harms(), PROTOCOL)[0].arms[0].cases == 0


def test_a_practice_without_a_word_about_harms_is_told_with_its_cases():
    told = harms(("P01", "plain", "cases", 10), ("P02", "plain", "cases", 7), ("P02", "plain", "recorded", 1))
    assert practices_without_harms(told) == (("P01", 10),)
    assert practices_without_harms(harms()) == ()


def test_letters_go_on_after_the_twenty_sixth():
    letters = [*_letters([f"P{k:03d}" for k in range(703)], "secret").values()]
    assert [letters[k] for k in (0, 1, 25, 26, 51, 52, 701, 702)] == ["A", "B", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]


def test_why_rows_would_give_other_numbers():
    assert unlike_rows([("a", FILE)], beyond=False) == ()
    steps = ("ianb: 2026Q1, 2026Q2 were joined into one period", "psa became other")
    found = unlike_rows([("a", FILE), ("b", held(steps=steps, scores_kept_back=1))], beyond=True)
    assert found == ("quarters_merged", "techniques_merged", "scores_held_back", "beyond")


def test_only_cautions_asked_for_are_told_and_each_once():
    span = Interval(low=0.0, high=1.0, level=0.95, method="x")
    found = Estimate(quantity="rmst", contrast=None, estimate=0.5, interval=span, unit="min", method="x",
                     n=Counts(cases=1, onsets=1),
                     caution=(Caution(code="a", text="one"), Caution(code="b", text="two")))  # fmt: skip
    assert cautions_of([found, found], ("a",)) == (Caution(code="a", text="one"),)
    assert analysis_set.tested_within(PROTOCOL)[0] == "practice_id"
    assert analysis_set.tested_within(PROTOCOL).count("practice_id") == 1
