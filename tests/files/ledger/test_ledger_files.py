"""The ledger on disk and at the doors."""

import concurrent.futures
import dataclasses
import json
import os
import shutil
import stat
from pathlib import Path

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import OnsetStudyError, ProtocolError
from onsetstudy.core.serialise import spread
from onsetstudy.files.exchange import read_exchange, write_exchange
from onsetstudy.files.ledger.ledger import enter, ledger_path, read_ledger, verified_ledger
from onsetstudy.protocol.ledger import of_kind, short_head, verify_entries
from tests.few_slips import short_list

pytestmark = pytest.mark.usefixtures("unpainted", "answer_alone")

GROUP = Path("protocols/mandibular_block_group.toml")
AT = "2026-07-01T09:30:00+00:00"


@pytest.fixture
def mine(tmp_path):
    path = tmp_path / "mine.toml"
    shutil.copy(GROUP, path)
    return path


def run(*arguments):
    return CliRunner().invoke(onsetstudy, [str(a) for a in arguments])


def once(_):
    return [("paused", {"reason": "x."})]


def test_nothing_proposed_touches_no_file(tmp_path):
    path = tmp_path / "a.ledger.jsonl"
    assert enter(path, lambda entries: [], at=AT) == ()
    assert not path.exists()
    assert read_ledger(path) == ()


def test_its_owner_alone_reads_it(tmp_path):
    path = tmp_path / "a.ledger.jsonl"
    enter(path, once, at=AT)
    assert stat.S_IMODE(os.stat(path).st_mode) == 0o600


def test_many_writers_at_once_lose_nothing(tmp_path):
    path = tmp_path / "a.ledger.jsonl"
    with concurrent.futures.ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda _: enter(path, once, at=AT), range(24)))
    entries = verified_ledger(path)
    assert [e.seq for e in entries] == list(range(1, 25))


def test_nothing_is_entered_on_a_broken_ledger(tmp_path):
    path = tmp_path / "a.ledger.jsonl"
    for _ in range(3):
        enter(path, once, at=AT)
    lines = path.read_text().splitlines(keepends=True)
    path.write_text(lines[0] + lines[2])
    before = path.read_bytes()
    with pytest.raises(ProtocolError, match="was taken out or put in"):
        enter(path, once, at=AT)
    assert path.read_bytes() == before


def test_lock_begins_the_ledger_and_an_amendment_goes_on_with_it(mine):
    assert run("lock", mine).exit_code == 0
    assert run("lock", mine).exit_code == 0
    entries = verified_ledger(ledger_path(mine))
    assert [e.kind for e in entries] == ["protocol_locked"]
    mine.write_text(mine.read_text().replace("confirmations = 2", "confirmations = 1"))
    assert run("lock", mine, "--reason", "one test is enough").exit_code == 0
    entries = verified_ledger(ledger_path(mine))
    assert [e.body["version"] for e in entries] == [1, 2]
    told = run("ledger", mine, "--verify").output
    assert "version 2" in told
    assert "one test is enough" in told
    assert "The chain holds" in told


def test_a_lock_made_anew_disagrees_with_the_ledger(mine):
    run("lock", mine)
    mine.with_suffix(".lock.json").unlink()
    mine.write_text(mine.read_text().replace("confirmations = 2", "confirmations = 1"))
    run("lock", mine)
    told = run("ledger", mine, "--verify")
    assert "Please look" in told.output
    assert "1 locked versions of the ledger are not in the lock" in told.output


def test_withdrawal_pause_and_closing(mine):
    run("lock", mine)
    assert "its data up to then stay" in run("withdraw", mine, "--case", "P01-0001").output
    assert "Entered before" in run("withdraw", mine, "--case", "p01-0001").output
    assert "left out and counted" in run("withdraw", mine, "--case", "P01-0001", "--remove-data").output
    # Once their removal was asked for, no data stay.
    told = run("withdraw", mine, "--case", "P01-0001").output
    assert "Entered before" in told
    assert "left out and counted" in told
    assert "stay" not in told
    assert isinstance(run("withdraw", mine, "--case", "Maria Muster").exception, OnsetStudyError)
    assert "paused" in run("pause", mine, "--reason", "a syringe failed").output
    assert "paused already" in str(run("pause", mine, "--reason", "again").exception)
    assert "name" in str(run("pause", mine, "--resume", "--reason", "Dr Muster says so").exception)
    assert run("pause", mine, "--resume", "--reason", "a new batch").exit_code == 0
    assert run("pause", mine, "--close", "--reason", "the number is reached").exit_code == 0
    assert "closed already" in str(run("pause", mine, "--resume", "--reason", "x").exception)
    kinds = [e.kind for e in verified_ledger(ledger_path(mine))]
    assert kinds == ["protocol_locked", "consent_withdrawn", "consent_withdrawn", "paused", "resumed", "closed"]


def test_a_list_is_entered_by_its_digests_and_a_changed_file_is_seen(mine, tmp_path):
    short_list(mine)
    run("lock", mine)
    made = run("allocate", mine, "--into", tmp_path / "list", "--slips", "2")
    assert made.exit_code == 0, made.output
    (drawn,) = of_kind(verified_ledger(ledger_path(mine)), "list_drawn")
    assert {"list.csv", "commitments.json", "sealed-P01.json"} <= set(drawn.body["files"])
    text = ledger_path(mine).read_text()
    passphrases = (tmp_path / "list" / "passphrases.csv").read_text().split("\n")[1:-1]
    assert not any(line.split(",")[1] in text for line in passphrases)
    assert "The chain holds" in run("ledger", mine, "--against", tmp_path / "list").output
    listed = tmp_path / "list" / "list.csv"
    listed.write_text(
        listed.read_text().replace("plain", "x").replace("buffered", "plain").replace(",x,", ",buffered,")
    )
    told = run("ledger", mine, "--against", tmp_path / "list")
    assert "list.csv is not as it was when its list was drawn" in told.output


def test_emergency_unblinding_is_entered_before_the_arm_is_told(mine, tmp_path):
    run("lock", mine)
    run("allocate", mine, "--into", tmp_path / "list", "--slips", "2", "--way", "chain")
    sealed = tmp_path / "list" / "sealed-P01.json"
    shown = run("open-slip", sealed, "--case", "P01-0001", "--level", "technique=ianb").output
    log = tmp_path / "list" / "opened-P01.csv"
    refused = run("unblind", mine, log, "--case", "P01-0009", "--reason", "a reaction")
    assert "holds no slip of P01-0009" in str(refused.exception)
    told = run("unblind", mine, log, "--case", "p01-0001", "--reason", "a reaction to the drug").output
    arm = "not buffered" if "not buffered" in shown else "buffered"
    assert "plain" not in shown
    assert told.rstrip().endswith(f": {arm}")
    (entry,) = of_kind(verified_ledger(ledger_path(mine)), "unblinded")
    assert entry.body == {"slip": "P01-1-001", "case": "P01-0001", "reason": "a reaction to the drug."}


def test_openings_are_entered_without_arms_and_made_good_after_a_cut(mine, tmp_path):
    run("allocate", mine, "--into", tmp_path / "list", "--slips", "3", "--way", "chain")
    sealed = tmp_path / "list" / "sealed-P01.json"
    ledger = tmp_path / "list" / "P01.ledger.jsonl"
    for k in (1, 2):
        run("open-slip", sealed, "--case", f"P01-000{k}", "--level", "technique=ianb")
    lines = ledger.read_text().splitlines(keepends=True)
    assert not any(word in "".join(lines) for word in ("buffered", '"plain"'))
    ledger.write_text(lines[0])  # the power failed between the log and the ledger
    run("open-slip", sealed, "--case", "P01-0003", "--level", "technique=ianb")
    entries = verified_ledger(ledger)
    assert [e.body["case"] for e in entries] == ["P01-0001", "P01-0002", "P01-0003"]


def test_without_the_protocol_it_is_said_that_the_studys_ledger_lacks_the_opening(mine, tmp_path):
    run("lock", mine)
    run("allocate", mine, "--into", tmp_path / "list", "--slips", "3", "--way", "chain")
    sealed = tmp_path / "list" / "sealed-P01.json"
    cases = lambda: [e.body["case"] for e in of_kind(verified_ledger(ledger_path(mine)), "slip_opened")]  # noqa: E731
    told = run("open-slip", sealed, "--case", "P01-0001", "--level", "technique=ianb").output
    assert f"Entered in {tmp_path / 'list' / 'P01.ledger.jsonl'}" in told
    assert "--protocol is needed" in told
    assert cases() == []
    told = run("open-slip", sealed, "--case", "P01-0002", "--level", "technique=ianb", "--protocol", mine).output
    assert "--protocol is needed" not in told
    assert cases() == ["P01-0001", "P01-0002"]  # what it said: the next one brings in what the log holds


def reported(mine, into, *more, records="data/synthetic", quarter="2026Q1"):
    logs = [x for p in sorted(Path("data/synthetic/allocation").glob("opened-*.csv")) for x in ("--log", p)]
    done = run("report", mine, records, *logs, "--quarter", quarter, "--into", into, "--format", "json", *more)
    assert done.exit_code == 0, (done.output, done.exception)
    (path,) = Path(into).glob(f"*{quarter}.json")
    return path


def records_of(folder, lines):
    """Records of these cases, which are lines of a table, with its headings."""
    folder.mkdir()
    codes = tuple(f"{line.split(',')[0]}," for line in lines)
    tests = Path("data/synthetic/cold_tests.csv").read_text().splitlines(keepends=True)
    (folder / "cases.csv").write_text("".join(lines))
    (folder / "cold_tests.csv").write_text("".join(line for line in tests if line.startswith(codes)))
    return folder


@pytest.mark.slow
def test_a_look_once_taken_is_read_and_the_same_report_changes_nothing(mine, tmp_path):
    run("lock", mine)
    lines = Path("data/synthetic/cases.csv").read_text().splitlines(keepends=True)
    lines = [line for k, line in enumerate(lines) if not k or line.startswith(("P01", "P02"))]
    records = records_of(tmp_path / "records", lines)
    first = reported(mine, tmp_path / "a", records=records).read_bytes()
    held = ledger_path(mine).read_bytes()
    assert reported(mine, tmp_path / "b", records=records).read_bytes() == first
    assert ledger_path(mine).read_bytes() == held
    looks = of_kind(verified_ledger(ledger_path(mine)), "look_taken")
    assert [(e.body["quarter"], e.body["retrospective"]) for e in looks] == [("2025Q4", True), ("2026Q1", False)]
    assert json.loads(first)["provenance"]["ledger_head"] == short_head(verified_ledger(ledger_path(mine)))
    assert "The chain holds" in run("ledger", mine, "--against", tmp_path / "a").output

    # Records of the first quarter are changed: the look stands, today's stands beside it and is named.
    changed = records_of(tmp_path / "changed", [line for k, line in enumerate(lines) if k % 5 or k == 0])
    later = spread(json.loads(reported(mine, tmp_path / "c", records=changed).read_text()))
    before = json.loads(first)
    zs = [[v["z"] for v in told["looks"]["verdicts"]] for told in (before, later)]
    assert zs[0] == zs[1]
    cautions = [c["text"] for c in later["looks"]["caution"] if c["code"] == "look_changed"]
    assert len(cautions) == 2
    assert "stands so" in cautions[0]
    beside = [e for e in of_kind(verified_ledger(ledger_path(mine)), "look_taken") if e.body["beside"]]
    assert [e.body["beside"] for e in beside] == [looks[0].seq, looks[1].seq]
    assert verify_entries(read_ledger(ledger_path(mine))) == ()

    # A ledger that was cut disagrees with the page that quotes it.
    text = ledger_path(mine).read_text().splitlines(keepends=True)
    ledger_path(mine).write_text("".join(text[:2]))
    told = run("ledger", mine, "--against", tmp_path / "c")
    assert "Please look" in told.output
    assert "the ledger was cut or written anew" in told.output


def test_a_draft_writes_and_enters_nothing_and_shows_no_arm(mine, tmp_path):
    run("lock", mine)
    held = ledger_path(mine).read_bytes()
    logs = [x for p in sorted(Path("data/synthetic/allocation").glob("opened-*.csv")) for x in ("--log", p)]
    into = tmp_path / "draft"
    done = run("report", mine, "data/synthetic", *logs, "--quarter", "2026Q1", "--into", into, "--draft")
    assert done.exit_code == 0, done.output
    assert "2026Q1: " in done.output
    assert "buffered" not in done.output
    assert not into.exists()
    assert ledger_path(mine).read_bytes() == held


@pytest.mark.slow
def test_the_group_enters_each_file_once_and_sees_a_ledger_that_became_shorter(mine, tmp_path):
    run("lock", mine)
    files = tmp_path / "files"
    files.mkdir()
    for code in ("P01", "P02"):
        shutil.copy(next(Path("data/synthetic/exchange").glob(f"*{code}*")), files)
    once_more = ["group", mine, files, "--into", tmp_path / "out", "--format", "json"]
    assert run(*once_more).exit_code == 0
    received = of_kind(verified_ledger(ledger_path(mine)), "file_received")
    assert sorted(e.body["practice"] for e in received) == ["P01", "P02"]
    assert {e.body["through"] for e in received} == {"2026Q3"}
    first = {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()}
    held = ledger_path(mine).read_bytes()
    assert run(*once_more).exit_code == 0
    assert ledger_path(mine).read_bytes() == held
    assert {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()} == first

    path = next(files.glob("*P01*.exchange.json"))
    found = read_exchange(path)
    for head in ("12:" + "a" * 16, "9:" + "b" * 16):
        write_exchange(dataclasses.replace(found, ledger_head=head), files)
        told = run(*once_more).output
    assert "P01: its ledger had 12 entries when it sent an earlier file, and 9" in told

    # The head is of the practice's ledger, not of this one: the entry says so.
    assert "The chain holds. It agrees with all" in run("ledger", mine, "--verify", "--against", files).output
    held = path.read_bytes()
    kept_back = dataclasses.replace(found.held_back, scores_kept_back=found.held_back.scores_kept_back + 1)
    write_exchange(dataclasses.replace(read_exchange(path), held_back=kept_back), files)
    for content in (path.read_bytes(), held.replace(b'"P01"', b'"P09"', 1)):
        path.write_bytes(content)
        told = run("ledger", mine, "--verify", "--against", files).output
        assert f"{path.name} is not the file that was received with the head 9:{'b' * 16}" in told
        assert "The chain holds" not in told
    write_exchange(dataclasses.replace(found, ledger_head="13:" + "c" * 16), files)
    assert "quotes the entry 13:cccccccccccccccc, which is not in" in run("ledger", mine, "--against", files).output


def test_a_file_that_is_sent_carries_the_head(mine, tmp_path):
    run("lock", mine)
    logs = ["--log", "data/synthetic/allocation"]
    sent = ["send", mine, "data/synthetic", "--practice", "P01", *logs, "--into", tmp_path]
    assert run(*sent).exit_code == 0
    (path,) = tmp_path.glob("*.exchange.json")
    assert read_exchange(path).ledger_head == short_head(verified_ledger(ledger_path(mine)))
    assert "The chain holds" in run("ledger", mine, "--against", path).output

    # A patient who wants the data gone is left out and counted; one who only stops is not.
    case = [line.split(",")[0] for line in Path("data/synthetic/cases.csv").read_text().splitlines() if "P01-" in line]
    run("withdraw", mine, "--case", case[0].lower(), "--remove-data")
    run("withdraw", mine, "--case", case[1])
    before = read_exchange(path).cells.to_frame()["n"].sum()
    told = run(*sent)
    assert "Left out because consent was taken back: 1 case." in told.output
    assert read_exchange(path).cells.to_frame()["n"].sum() == before - 1


def test_a_page_that_quotes_nothing_shows_nothing(mine, tmp_path):
    run("lock", mine)
    head = short_head(verified_ledger(ledger_path(mine)))
    page = tmp_path / "page.html"
    page.write_text(f"<p>audit · ledger {head}</p>", encoding="utf-8")
    assert "The chain holds" in run("ledger", mine, "--against", page).output
    # Its head taken out, or a file in which none can be read: it is not said that it agrees.
    for name, content in (("page.html", "<p>audit</p>"), ("page.pdf", "%PDF-1.7 ..."), ("log.csv", "slip,case_id")):
        (tmp_path / name).write_text(content, encoding="utf-8")
        told = run("ledger", mine, "--against", tmp_path / name).output
        assert f"{name}: held against nothing, for no entry of a ledger is quoted there." in told
        assert "agrees with all" not in told
