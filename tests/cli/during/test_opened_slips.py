"""Randomised patients of whom nobody entered a record: told, sent as a number, and no quiet way round."""

import dataclasses
import datetime as dt
import json
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import RecordsError
from onsetstudy.core.serialise import spread
from onsetstudy.files.exchange import read_exchange, write_exchange
from onsetstudy.files.ledger.side_files import against_ledger, read_arms
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.records.derived.allocation import KeptList, listed_from_log, review_allocation
from onsetstudy.records.derived.opened_slips import opened_slips, recorded_slips
from onsetstudy.records.derived.withdrawn import without_cases
from onsetstudy.report.document import Paragraph
from onsetstudy.report.sections.main.allocation import who_section
from onsetstudy.study.answer.cautions import group_slips_caution, slips_caution
from onsetstudy.study.counts.exchange_check import check_exchange
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.practice.analyse import analyse
from onsetstudy.study.sets.side_files import Companions
from tests.study.cases import case, protocol, readings_of, records

pytestmark = pytest.mark.usefixtures("unpainted", "answer_alone")

ROOT = Path(__file__).parents[3]
GROUP = ROOT / "protocols" / "mandibular_block_group.toml"
DATA = ROOT / "data" / "synthetic"
P04 = 132  # slips that this practice opened, each with a case in the invented records


def run(*arguments, code=None):
    done = CliRunner().invoke(onsetstudy, [str(a) for a in arguments], standalone_mode=False)
    assert code is None or done.return_value == code, (done.output, done.exception)
    return done


def recorded(folder, rows):
    """Some rows of P04 beside its whole opening log."""
    folder.mkdir(parents=True)
    cases = pd.read_csv(DATA / "cases.csv", dtype=str, keep_default_na=False)
    cases = cases[cases["practice_id"] == "P04"].iloc[rows]
    tests = pd.read_csv(DATA / "cold_tests.csv", dtype=str, keep_default_na=False)
    cases.to_csv(folder / "cases.csv", index=False)
    tests[tests["case_id"].isin(cases["case_id"])].to_csv(folder / "cold_tests.csv", index=False)
    (folder / "opened-P04.csv").write_bytes((DATA / "allocation" / "opened-P04.csv").read_bytes())
    return folder


@pytest.fixture(scope="module")
def six(tmp_path_factory):
    return recorded(tmp_path_factory.mktemp("six") / "in", slice(-6, None))


def test_send_stops_where_many_randomised_patients_have_no_record(six, tmp_path):
    ask = ("send", GROUP, six, "--practice", "P04", "--into", tmp_path)
    with pytest.raises(RecordsError, match=f"P04: {P04 - 6} of {P04} opened slips have no record"):
        raise run(*ask).exception
    assert not list(tmp_path.iterdir())
    done = run(*ask, "--send-incomplete", code=0)
    assert f"{P04 - 6} of {P04} opened slips have no record (" in done.output
    (path,) = tmp_path.iterdir()
    sent = read_exchange(path)
    assert (sent.slips_opened, sent.slips_without_record) == (P04, P04 - 6)
    assert f"{P04 - 6} of {P04} opened slips have no record; which" in run("look-inside", path).output


def test_check_tells_slips_without_a_record_once(tmp_path):
    done = run("check", GROUP, recorded(tmp_path / "in", slice(None, -3)))
    (told,) = [line for line in done.output.splitlines() if line.startswith("Please look") and "slips" in line]
    assert told.startswith(f"Please look: 3 of {P04} opened slips have no record (")


def test_send_goes_on_where_few_are_missing_and_tells_them(tmp_path):
    done = run("send", GROUP, recorded(tmp_path / "in", slice(None, -3)), "--practice", "P04", "--into", tmp_path / "x")
    assert done.return_value == 0, done.exception
    assert f"3 of {P04} opened slips have no record (" in done.output


def test_reduce_refuses_them_too(six, tmp_path):
    ask = ("reduce", GROUP, six, "--into", tmp_path / "x")
    done = run(*ask, code=1)
    assert f"P04: {P04 - 6} of {P04} opened slips have no record" in done.output
    assert not list((tmp_path / "x").glob("*.json"))
    run(*ask, "--send-incomplete", code=0)
    (path,) = (tmp_path / "x").glob("*.json")
    assert read_exchange(path).slips_without_record == P04 - 6


def test_a_reason_for_no_list_is_none_for_counting_no_slips(six, tmp_path):
    more = ("--without-list", "the list was lost", "--into", tmp_path)
    with pytest.raises(RecordsError, match=f"{P04 - 6} of {P04} opened slips have no record"):
        raise run("send", GROUP, six, "--practice", "P04", *more).exception
    assert f"{P04 - 6} of {P04} opened slips have no record" in run("reduce", GROUP, six, *more, code=1).output
    # A log that cannot be read may be the reason.
    torn = recorded(tmp_path / "torn", slice(-6, None))
    (torn / "opened-P04.csv").write_text("torn")
    sent = run("send", GROUP, torn, "--practice", "P04", "--without-list", "the log is torn", "--into", tmp_path)
    assert sent.return_value == 0, sent.exception


def test_check_does_not_say_that_nothing_has_to_be_corrected(six):
    done = run("check", GROUP, six, code=1)
    assert "Nothing has to be corrected" not in done.output
    assert "slips were opened without a record" in done.output


def told(results):
    return [c["text"] for c in results["caution"] if c["code"] == "opened_for_nobody"]


def test_page_one_of_the_practice_tells_them(six, tmp_path):
    done = run("report", GROUP, six, "--quarter", "2026Q3", "--into", tmp_path, "--format", "html", "--format", "json")
    assert done.return_value == 0, done.exception
    (text,) = told(spread(json.loads(next(tmp_path.glob("*.json")).read_text())))
    assert text.startswith(f"Alarm: {P04 - 6} of {P04} opened slips have no record")
    page = next(tmp_path.glob("*.html")).read_text()
    first = page.index(f"Alarm: {P04 - 6} of {P04}")
    assert first < page.index("</section>", page.index('id="answer"'))


@pytest.fixture(scope="module")
def shipped():
    return [(p.name, read_exchange(p)) for p in sorted((DATA / "exchange").glob("*.json"))]


def with_slips(files, **counts):
    return [
        (name, dataclasses.replace(e, slips_opened=counts[e.practice][0], slips_without_record=counts[e.practice][1]))
        if e.practice in counts
        else (name, dataclasses.replace(e, slips_opened=None, slips_without_record=None))
        for name, e in files
    ]


@pytest.mark.slow
def test_page_one_of_the_group_tells_them_by_no_code(shipped, tmp_path):
    files = with_slips(shipped, P01=(69, 0), P04=(400, 268))
    results = analyse_group(files, read_protocol(GROUP))
    (text,) = [c.text for c in results.caution if c.code == "opened_for_nobody"]
    assert "Alarm: 268 of 469 opened slips have no record" in text
    assert "In 1 of 2 practices they are more than one in ten. 3 files do not tell." in text
    assert "P04" not in text
    codes = {p.letter: p.code for p in results.practices}
    assert {codes[letter]: rest for letter, *rest in results.slips} == {"P01": [69, 0], "P04": [400, 268]}
    for _name, e in files:
        write_exchange(e, tmp_path / "in")
    done = run("group", GROUP, tmp_path / "in", "--into", tmp_path / "out", "--format", "html", "--page-for", "P01")
    assert "Please look: P04: 268 of 400 opened slips have no record" in done.output
    for page in (tmp_path / "out").glob("*.html"):
        words = page.read_text()
        assert words.index("268 of 469") < words.index("</section>", words.index('id="answer"'))


def test_nothing_is_said_where_none_is_missing():
    assert slips_caution(132, 0) is None
    assert group_slips_caution([(69, 0), (132, 0)]) is None
    assert not slips_caution(132, 13).text.startswith("Alarm")
    assert slips_caution(132, 14).text.startswith("Alarm")


@pytest.mark.parametrize(("opened", "without"), [(5, 6), (5, -1), (None, 3), (5, None), (-1, -1)])
def test_counts_that_cannot_be_are_refused(shipped, opened, without):
    found = dataclasses.replace(shipped[0][1], slips_opened=opened, slips_without_record=without)
    assert [p.code for p in check_exchange(found)] == ["range"]


def test_slips_of_refused_rows_have_a_record_and_later_or_others_do_not_count():
    rows = [case(1, allocation_slip="P01-1-001"), case(2, "buffered", allocation_slip="P01-1-002", tooth="99")]
    found = records(rows, readings_of(1, "ffnn") + readings_of(2, "ffnn"), protocol())
    assert len(found.rejects)
    lines = [
        ("2026-07-01T09:00:00", "P01-1-001", "P01 | ianb"),
        ("2026-07-01T09:00:00", "P01-1-002", "p01 | ianb"),
        ("2026-07-02T09:00:00", "P01-1-003", "P01 | ianb"),
        ("2026-10-02T09:00:00", "P01-1-004", "P01 | ianb"),
        ("2026-07-02T09:00:00", "P02-1-001", "P02 | ianb"),
    ]
    log = pd.DataFrame(
        [{"opened_at": at, "slip": s, "stratum": of, "case_id": "c", "opened_by": "", "arms": "plain", "chain": "x"}
         for at, s, of in lines]
    )  # fmt: skip
    kept = KeptList(listed=listed_from_log(log), log=log, source="log")
    seen = opened_slips(kept, recorded_slips(found), practices=("P01",), until=dt.date(2026, 9, 30))
    assert seen.opened == 3
    assert (seen.without, seen.cases) == (("P01-1-003",), ("c",))
    assert opened_slips(None, (), practices=("P01",), until=dt.date(2026, 9, 30)) is None


def log_of(*numbers):
    """An opening log of P01 that shows these slips as opened, each for the case of its number."""
    lines = [
        {"opened_at": "2026-08-03T09:00:00", "slip": f"P01-1-{k:03d}", "stratum": "P01 | ianb",
         "case_id": f"P01-{k:04d}", "opened_by": "", "arms": "plain", "chain": "x"}
        for k in numbers
    ]  # fmt: skip
    return pd.DataFrame(lines)


def with_their_slips(*numbers, **more):
    """Cases of P01, each with the slip of its number; ``more`` is written in the row of the second."""
    rows = [case(k, allocation_slip=f"P01-1-{k:03d}", **(more if k == 2 else {})) for k in numbers]
    return records(rows, [row for k in numbers for row in readings_of(k, "ffnn")], protocol())


def told_beside_the_list(found, kept, recorded):
    """What the report says of slips: in the table of allocation, and on page 1."""
    beside = Companions(allocation=kept, slips_recorded=recorded)
    results = analyse(protocol(), found, quarter="2026Q3", beside=beside)
    first = [c.text for c in results.caution if c.code == "opened_for_nobody"]
    return {d.code: (d.count, d.text, d.where) for d in results.allocation.deviations}, first


@pytest.mark.parametrize("source", ["log", "list"])
def test_a_slip_whose_case_was_refused_or_left_out_is_neither_passed_over_nor_of_nobody(source):
    log = log_of(1, 2, 3)
    kept = KeptList(listed=listed_from_log(log), log=log if source == "log" else None, source=source)
    refused, whole = with_their_slips(1, 2, 3, tooth="99"), with_their_slips(1, 2, 3)
    left = without_cases(whole, ["P01-0002"])
    assert len(refused.cases) == len(left.cases) == 2
    for found, read in ((refused, refused), (left, whole)):
        assert told_beside_the_list(found, kept, recorded_slips(read)) == ({}, [])


def test_a_slip_of_nobody_is_told_once_in_the_table_and_on_page_one():
    log = log_of(1, 2, 3)
    kept, found = KeptList(listed=listed_from_log(log), log=log, source="log"), with_their_slips(1, 3)
    table, (first,) = told_beside_the_list(found, kept, recorded_slips(found))
    assert table == {"opened_for_nobody": (1, "slip opened without a recorded case", ("P01-1-002",))}
    assert "1 of 3 opened slips has no record" in first
    # A slip of the list that nobody opened was passed over.
    short = KeptList(listed=listed_from_log(log), log=log_of(1, 3))
    table, first = told_beside_the_list(found, short, recorded_slips(found))
    text = "slip passed over: a later one of the stratum was used"
    assert (table, first) == ({"skipped": (1, text, ("P01-1-002",))}, [])
    both = review_allocation(
        with_their_slips(1, 4).cases, protocol(), KeptList(listed=listed_from_log(log_of(1, 2, 3, 4)))
    )
    assert [(d.count, d.text) for d in both.deviations] == [(2, text.replace("slip", "slips"))]


def test_of_a_slip_without_a_record_its_case_is_named_and_that_one_not_injected_is_not_entered(tmp_path):
    folder = recorded(tmp_path / "in", slice(-6, None))
    log = pd.read_csv(folder / "opened-P04.csv", dtype=str, keep_default_na=False)
    slip, opened_for = log.loc[0, ["slip", "case_id"]]
    with pytest.raises(RecordsError, match="--send-incomplete if they cannot be entered, as of patients who were not "):
        raise run("send", GROUP, folder, "--practice", "P04", "--into", tmp_path / "x").exception
    output = run("check", GROUP, folder, code=1).output
    assert f"opened slips have no record ({slip} of {opened_for}, " in output
    assert "opened and not injected has nothing to be entered: it counts as allocated and not analysed" in output
    one = run("check", GROUP, recorded(tmp_path / "one", slice(None, -1))).output
    assert f"1 of {P04} opened slips has no record (" in one


def test_a_patient_who_left_before_the_injection_is_entered_and_told_by_the_slip(tmp_path):
    folder = recorded(tmp_path / "in", slice(None, 8))
    log = folder / "opened-P04.csv"
    lines = log.read_text(encoding="utf-8").splitlines(keepends=True)
    log.write_text("".join(lines[:10]), encoding="utf-8")
    promised = tmp_path / "mine.toml"
    promised.write_bytes(GROUP.read_bytes())
    slip, gone = pd.read_csv(log, dtype=str).loc[8, ["slip", "case_id"]]
    output = run("check", promised, folder, code=1).output
    assert f"1 of 9 opened slips has no record ({slip} of {gone})" in output
    assert "onsetstudy withdraw PROTOCOL --case CODE" in output
    entered = run("withdraw", promised, "--case", gone, "--reason", "left before the injection").output
    assert "no record and no opening log" not in entered
    told = run("check", promised, folder, code=0).output
    assert f"1 slip whose patient withdrew before a case was recorded ({slip})." in told
    assert "no record" not in told
    assert "no row that was read has this code" not in told
    kept = against_ledger(read_arms(beside=[folder]), promised)
    done = run("send", promised, folder, "--without-list", "no slip is in the ledger", "--into", tmp_path / "x", code=0)
    assert "no row that was read has this code" not in done.output
    (path,) = (tmp_path / "x").iterdir()
    assert (read_exchange(path).slips_opened, read_exchange(path).slips_without_record) == (9, 0)
    found = analyse(protocol(), read_records([folder], protocol()), beside=Companions(allocation=kept))
    assert [(d.code, d.where) for d in found.allocation.deviations if d.code == "withdrawn"] == [("withdrawn", (slip,))]
    (first,) = [c.text for c in found.caution if c.code == "opened_for_nobody"]
    assert first == "In 1 of 9 opened slips the patient withdrew before a case was recorded, and is in no count here."
    reduced = run("reduce", promised, folder, "--without-list", "no ledger", "--into", tmp_path / "y", code=0).output
    assert f"1 slip whose patient withdrew before a case was recorded ({slip})." in reduced
    assert "no row that was read has this code" not in reduced


def test_check_does_not_call_the_slip_of_a_refused_row_passed_over(tmp_path):
    folder = recorded(tmp_path / "in", slice(None))
    cases = pd.read_csv(folder / "cases.csv", dtype=str, keep_default_na=False)
    cases.loc[3, "tooth"] = "99"
    cases.to_csv(folder / "cases.csv", index=False)
    output = run("check", GROUP, folder, code=1).output
    assert "1 refused" in output
    assert "passed over: a later" not in output
    assert "opened slips" not in output


def filed_elsewhere(folder, rows):
    """All of P04, some of its cases under a practice that the study does not have."""
    recorded(folder, slice(None))
    cases = pd.read_csv(folder / "cases.csv", dtype=str, keep_default_na=False)
    cases.loc[cases.index[:rows], "practice_id"] = "P09"
    cases.to_csv(folder / "cases.csv", index=False)
    return folder


def test_cases_under_a_wrong_practice_are_no_records_of_the_practice_whose_slips_they_were(tmp_path):
    wrong = filed_elsewhere(tmp_path / "in", 19)
    words = f"19 of {P04} opened slips have no record"
    with pytest.raises(RecordsError, match=f"P04: {words}"):
        raise run("send", GROUP, wrong, "--practice", "P04", "--into", tmp_path / "sent").exception
    assert f"P04: {words}" in run("reduce", GROUP, wrong, "--into", tmp_path / "x", code=1).output
    told = run("check", GROUP, wrong, code=1).output
    assert words in told
    assert "Nothing has to be corrected" not in told
    few = filed_elsewhere(tmp_path / "few", 2)
    sent = run("send", GROUP, few, "--practice", "P04", "--into", tmp_path / "sent")
    assert sent.return_value == 0, sent.exception
    (path,) = (tmp_path / "sent").iterdir()
    assert read_exchange(path).slips_without_record == 2


def without_slips(folder, rows, **more):
    """Rows of P04 whose slips nobody entered, beside its whole opening log; ``more`` is written into the first."""
    recorded(folder, slice(None))
    cases = pd.read_csv(folder / "cases.csv", dtype=str, keep_default_na=False)
    cases.loc[cases.index[rows], "allocation_slip"] = ""
    cases.loc[cases.index[0], [*more]] = [*more.values()]
    cases.to_csv(folder / "cases.csv", index=False)
    return folder


def test_a_slip_has_a_record_where_its_case_names_none(tmp_path):
    folder = without_slips(tmp_path / "in", slice(20), tooth="99")
    checked = run("check", GROUP, folder, code=1).output
    assert "19 randomised, but without an allocation slip (P04-" in checked
    assert "opened slips" not in checked
    assert "passed over" not in checked
    ask = ("--practice", "P04", "--into", tmp_path / "sent")
    sent = run("send", GROUP, folder, *ask, code=0)
    reduced = run("reduce", GROUP, folder, "--into", tmp_path / "x", code=0)
    assert "opened slips" not in sent.output + reduced.output
    for into in (tmp_path / "sent", tmp_path / "x"):
        (path,) = into.glob("*.json")
        assert read_exchange(path).slips_without_record == 0
    assert "Arms as allocated, from opening logs of" in sent.output


def test_where_no_case_names_its_slip_arms_are_as_injected(tmp_path):
    told = run("check", GROUP, without_slips(tmp_path / "in", slice(None))).output
    assert f"Arms as injected; allocation not checked: no case was found in opening logs of {P04} slips." in told
    assert "Arms as allocated" not in told
    assert f"{P04} randomised, but without an allocation slip (P04-" in told


def test_a_refused_cold_test_is_no_record_of_its_case():
    found = records([case(1, allocation_slip="P01-1-001")], readings_of(1, "ffnn") + readings_of(2, "ffnn"), protocol())
    log = log_of(1, 2)
    kept = KeptList(listed=listed_from_log(log), log=log, source="log")
    seen = opened_slips(kept, recorded_slips(found), practices=("P01",), until=dt.date(2026, 9, 30))
    assert seen.without == ("P01-1-002",)


@pytest.mark.parametrize(("slips", "said"), [
    ((), "0 of 4 randomised cases were found in the opening log; arms as injected; allocation not checked."),
    ((1, 2, 3), "whatever was injected, in 3 of 4 cases analysed; the other 1 counts in the arm that was injected."),
    ((1, 2, 3, 4), "Arms are compared as allocated (intention to treat), whatever was injected."),
])  # fmt: skip
def test_the_section_on_arms_says_of_how_many_the_allocated_arm_is_known(slips, said):
    log = log_of(1, 2, 3, 4)
    rows = [case(k, **({"allocation_slip": f"P01-1-{k:03d}"} if k in slips else {})) for k in (1, 2, 3, 4)]
    found = records(rows, [row for k in (1, 2, 3, 4) for row in readings_of(k, "ffnn")], protocol())
    beside = Companions(allocation=KeptList(listed=listed_from_log(log), log=log, source="log"))
    results = analyse(protocol(), found, quarter="2026Q3", beside=beside)
    (text,) = [b.text for b in who_section(results).blocks if isinstance(b, Paragraph) and "randomised cases" in b.text]
    assert text.endswith(said)
    assert ("as allocated" in text) == bool(slips)
