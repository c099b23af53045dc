"""The arm is decided once: chance's, from the log or the list; without them nothing goes out unsaid."""

import dataclasses
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import RecordsError
from onsetstudy.core.serialise import from_dict
from onsetstudy.files.bulk.parts import split_tables
from onsetstudy.files.exchange import read_exchange
from onsetstudy.files.sealed.kept_allocation import find_opening_logs, read_kept_list, read_kept_logs
from onsetstudy.files.sealed.opening import open_next
from onsetstudy.files.sealed.opening_log import read_opening_log
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.protocol.estimands import estimand_of
from onsetstudy.records.derived.allocation import as_allocated, resolve_arms
from onsetstudy.records.derived.onset import Onsets
from onsetstudy.records.derived.results import NOT_CHECKED
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.render.html import render_html
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.exchange import make_exchange, terms_of
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.practice.analyse import analyse
from onsetstudy.study.sets.side_files import Companions
from tests.study import demo
from tests.study.cases import protocol, study

pytestmark = pytest.mark.usefixtures("unpainted", "answer_alone")

ROOT = Path(__file__).parents[2]
DATA, EARLIER = ROOT / "data" / "synthetic", ROOT / "tests" / "files" / "earlier"
GROUP = ROOT / "protocols" / "mandibular_block_group.toml"
WHY = "the list was lost in a move"


@pytest.fixture(scope="module")
def promised():
    return demo.of_all_cases_alone(demo.PROTOCOL)


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """The demo's records with the opening logs beside them and no list on the disk; then thirty arms swapped."""
    made = []
    for name, swapped in (("as_it_was", 0), ("swapped", 30)):
        folder = tmp_path_factory.mktemp(name)
        cases = pd.read_csv(DATA / "cases.csv", dtype=str, keep_default_na=False)
        rows = np.random.default_rng(4).choice(len(cases), swapped, replace=False)
        cases.loc[rows, "arm"] = cases.loc[rows, "arm"].map({"plain": "buffered", "buffered": "plain"})
        # The row must fit the arm that it names.
        plain = cases["arm"] == "plain"
        cases.loc[plain, "mix_mode"] = "none"
        cases.loc[plain, ["bicarbonate_ml", "bicarbonate_percent", "mixed_to_injection_min", "mixing_min"]] = ""
        unmixed = ~plain & (cases["mix_mode"] == "none")
        cases.loc[unmixed, ["mix_mode", "bicarbonate_ml"]] = ["replace", "0.18"]
        cases.to_csv(folder / "cases.csv", index=False)
        shutil.copy(DATA / "cold_tests.csv", folder)
        for log in find_opening_logs([DATA]):
            shutil.copy(log, folder)
        made.append(folder)
    return made


def resolved(folder, promised):
    kept = read_kept_logs(find_opening_logs([folder]))
    return kept, *resolve_arms(promised, read_records(folder, promised), kept)


def sent(folder, promised):
    _, records, arms = resolved(folder, promised)
    tally = tally_records(promised, records, through=promised.quarters[-1], arms=arms)
    return [(c, make_exchange(tally, promised, c, records_digest=records.digest)) for c in tally.practices]


@pytest.mark.slow
def test_thirty_swapped_arms_leave_intention_to_treat_as_it_was(folders, promised):
    before, after = (
        analyse(promised, read_records(f, promised), beside=Companions(allocation=resolved(f, promised)[0]))
        for f in folders
    )
    assert len(read_records(folders[1], promised).rejects) == 0
    assert before.arms.cases == before.overall.n.cases == 412
    assert before.arms.verified == after.arms.verified == before.arms.cases
    assert before.arms.other_arm + 20 < after.arms.other_arm
    for name in ("onset_test", "hazard_ratio", "success_difference", "wait_difference"):
        assert getattr(before.overall, name) == getattr(after.overall, name), name
    assert before.overall.pain.shift == after.overall.pain.shift
    varied = {v.code: v for v in after.sensitivity}
    assert [varied[c].label for c in ("main", "as_treated", "per_protocol")] == [
        "intention to treat",
        "as treated",
        "per protocol",
    ]
    assert varied["as_treated"].wait_difference.estimate != varied["main"].wait_difference.estimate
    assert varied["per_protocol"].n.cases <= after.arms.cases - after.arms.other_arm
    assert from_dict(after.to_dict()).arms == after.arms


@pytest.mark.slow
def test_the_files_and_the_group_count_the_allocated_arm(folders, promised):
    before, after = (sent(f, promised) for f in folders)
    assert [e.cells for _, e in before] == [e.cells for _, e in after]
    assert sum(e.arms.other_arm for _, e in after) > sum(e.arms.other_arm for _, e in before) + 20
    one, two = (analyse_group(files[:2], promised) for files in (before, after))
    # Letters are drawn anew from the files, so that practices are added up in another order.
    for name in ("hazard_ratio", "by_target", "never_numb"):
        ours, theirs = (np.ravel(getattr(g.overall, name)) for g in (one, two))
        assert [e.estimate for e in ours] == pytest.approx([e.estimate for e in theirs], rel=1e-9)
        assert [e.interval.low for e in ours] == pytest.approx([e.interval.low for e in theirs], rel=1e-6)
    assert one.overall.onset_test.p_value == pytest.approx(two.overall.onset_test.p_value, rel=1e-9)
    assert one.overall.n == two.overall.n
    for quantity in ("rmst_difference", "hazard_ratio"):
        ours, theirs = (next(p for p in g.pooled if p.quantity.startswith(quantity)).average for g in (one, two))
        assert ours.estimate == pytest.approx(theirs.estimate, rel=1e-9)
    assert NOT_CHECKED not in render_html(compose_group(two))
    assert {a.source for _, a in two.arms} == {"log"}


def test_the_log_and_the_list_say_the_same(promised):
    records = read_records(DATA, promised)
    by_log, by_list = (
        resolve_arms(promised, records, kept)[0].cases["arm"].tolist()
        for kept in (read_kept_logs([DATA / "allocation"]), read_kept_list(DATA / "allocation"))
    )
    assert by_log == by_list != records.cases["arm"].tolist()


@pytest.mark.slow
def test_without_log_and_list_nothing_goes_out_unsaid(tmp_path, folders, promised):
    with pytest.raises(RecordsError, match="neither the opening log nor the list"):
        analyse(promised, read_records(DATA, promised))
    bare = tmp_path / "bare"
    bare.mkdir()
    for name in ("cases.csv", "cold_tests.csv"):
        shutil.copy(DATA / name, bare)
    for door, more in (("report", ["--format", "html"]), ("send", ["--practice", "P01"]), ("reduce", [])):
        asked = [door, str(GROUP), str(bare), *more, "--into", str(tmp_path / door)]
        refused = CliRunner().invoke(onsetstudy, asked)
        assert isinstance(refused.exception, RecordsError), refused.output
        assert "--without-list REASON" in str(refused.exception)
        assert not list(tmp_path.glob(f"{door}/*.html")) + list(tmp_path.glob(f"{door}/*.exchange.json"))
    parts = split_tables(bare / "cases.csv", bare / "cold_tests.csv", tmp_path / "parts", parts=2)
    asked = ["reduce", str(GROUP), str(parts), "--into", str(tmp_path / "reduce"), "--without-list", WHY]
    done = CliRunner().invoke(onsetstudy, asked)
    assert done.exit_code == 0, done.output
    files = [(p.name, read_exchange(p)) for p in sorted((tmp_path / "reduce").glob("*.exchange.json"))]
    assert len(files) == 5
    page = first_page(render_html(compose_group(analyse_group(files[:2], promised))))
    assert f"in 2 of 2 files {NOT_CHECKED}: {WHY}." in page
    results = analyse(promised, read_records(bare, promised), without_list=WHY)
    assert f"{NOT_CHECKED}: {WHY}." in first_page(render_html(compose(results)))
    assert results.arms.as_injected
    with pytest.raises(RecordsError, match="without naming anybody"):
        analyse(promised, read_records(bare, promised), without_list="Dr Muster has it")


def first_page(html):
    return html.split('<section id="answer"')[1].split("</section>")[0]


def test_a_log_of_other_cases_is_an_alarm(promised):
    kept = read_kept_logs([DATA / "allocation"])
    other = dataclasses.replace(kept, listed=kept.listed.assign(slip="X" + kept.listed["slip"]))
    results = analyse(promised, read_records(DATA, promised), beside=Companions(allocation=other))
    assert (results.arms.verified, results.arms.as_injected) == (0, True)
    page = first_page(render_html(compose(results)))
    assert f"Alarm: none of {results.arms.cases} randomised cases" in page
    assert NOT_CHECKED in page


def test_a_copy_of_a_log_says_nothing_more_and_one_that_says_otherwise_is_told(tmp_path, promised):
    log = tmp_path / "opened-P01.csv"
    shutil.copy(DATA / "allocation" / "opened-P01.csv", log)
    alone = read_kept_logs([tmp_path])
    copy = tmp_path / "opened-P01 (1).csv"
    lines = log.read_text(encoding="utf-8").splitlines(keepends=True)
    copy.write_text("".join(lines[:-2]), encoding="utf-8")
    both = read_kept_logs([tmp_path])
    assert (both.digest, len(both.log), both.log_faults) == (alone.digest, len(alone.log), {})
    slip = alone.log["slip"].iloc[0]
    copy.write_text(copy.read_text(encoding="utf-8").replace(f"{slip},", f"{slip}, ", 1), encoding="utf-8")
    other = read_kept_logs([tmp_path])
    assert other.log_faults == {"log_broken": (slip,)}
    assert len(as_allocated(read_records(DATA, promised), other).cases) == 420


def test_earlier_logs_and_files_are_read(tmp_path, promised):
    for name in ("opened-P01.csv", "sealed-P01.json"):
        shutil.copy(EARLIER / name, tmp_path)
    log, broken = read_opening_log(tmp_path / "opened-P01.csv")
    assert broken == ()
    assert set(log["arms"]) == {""}
    again = [
        open_next(
            tmp_path / "sealed-P01.json", case_id=c, levels={"technique": "ianb"}, opened_by="N", now=pd.Timestamp(0)
        )
        for c in (*log["case_id"], "P01-0009")
    ]
    log, broken = read_opening_log(tmp_path / "opened-P01.csv")
    assert broken == ()
    assert log["arms"].tolist() == ["", "", "", *again[-1].arms]
    # What was opened is known again from the sealed file, and nothing else is.
    listed = read_kept_logs([tmp_path]).listed
    assert listed["arm"].tolist() == [a.arms[0] for a in again]
    text = (tmp_path / "opened-P01.csv").read_text()
    arm = again[-1].arms[0]
    (tmp_path / "opened-P01.csv").write_text(text.replace(f",{arm},", ",,"))
    assert read_opening_log(tmp_path / "opened-P01.csv")[1] == (again[-1].slip,)
    earlier = read_exchange(next(EARLIER.glob("*.exchange.json")))
    assert earlier.arms is None
    files = [("old", earlier), *((c, e) for c, e in sent(DATA, promised) if c == "P02")]
    results = analyse_group(files, read_protocol(GROUP))
    page = first_page(render_html(compose_group(results)))
    assert f"in 1 of 2 files {NOT_CHECKED}: made before files told which arm chance had chosen." in page


def test_what_was_done_after_opening_does_not_take_a_case_out(promised):
    kept = read_kept_logs([DATA / "allocation"])
    found = read_records(DATA, promised)
    row = found.cases.index[(found.cases["practice_id"] == "P02")][0]
    for column, value, stays in (("agent", "articaine", True), ("technique", "psa", True), ("age_band", "0-17", False)):
        cases = found.cases.copy()
        cases.loc[row, column] = value
        changed = dataclasses.replace(found, cases=cases)
        records, arms = resolve_arms(promised, changed, kept)
        tally = tally_records(promised, records, through=promised.quarters[-1], arms=arms)
        plain = tally_records(promised, changed, through=promised.quarters[-1])
        assert tally.cells["n"].sum() - plain.cells["n"].sum() == stays, column
        assert tally.standing.kept == stays


def test_each_strategy_for_a_supplement_is_carried_out():
    made, found = study({"plain": ["ffffffnn", "ffffffff"], "buffered": ["nn"]}, rescue_min="4.5")
    cases = found.cases.assign(rescue_min=[4.5, 4.5, np.nan])
    found = dataclasses.replace(found, cases=cases)

    def ends(name, estimand):
        onset = Onsets(records=found, protocol=made).table(estimand=estimand, rescue=name)
        return list(zip(onset["left_min"], onset["right_min"], strict=True))[:2]

    inf, horizon = np.inf, made.onset.tau_min
    for estimand in ("success", "wait", "hazard"):
        assert ends("treatment_policy", estimand) == [(6, 7), (8, inf)]
        assert ends("composite", estimand) == ends("failure", estimand) == [(horizon, inf)] * 2
        assert ends("hypothetical", estimand) == ends("censored", estimand) == [(4, inf)] * 2
    assert ends("while_on_treatment", "wait") == [(4.5, 4.5)] * 2
    assert ends("while_on_treatment", "success") == [(horizon, inf)] * 2
    assert ends("while_on_treatment", "hazard") == [(4, inf)] * 2


def test_the_protocol_names_its_estimands_and_both_spellings_pool():
    made = protocol()
    first = estimand_of(made, made.plan.primary)
    assert (first.quantity, first.analysis_set) == ("rmst_difference", "intention to treat")
    assert first.strategies == (("supplement", "composite"),)
    assert first.matters == made.plan.wait_difference_min
    beside = estimand_of(made, made.plan.primary, analysis_set="per protocol")
    assert beside.analysis_set == "per protocol"
    standard = protocol(rescue={"success": "composite", "wait": "composite", "hazard": "hypothetical"})
    assert terms_of(standard) == terms_of(made)
    assert terms_of(protocol(rescue={"wait": "treatment_policy"})) != terms_of(made)
