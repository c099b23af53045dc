"""Lock files, the command, and the protocol document."""

import datetime as dt
import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import ProtocolError
from onsetstudy.files.documents.reports import write_protocol_document
from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
from onsetstudy.files.ledger.ledger_check import hold_against
from onsetstudy.files.ledger.lock import changes_since_lock, lock_path, lock_protocol_file, read_lock
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.ledger import short_head
from onsetstudy.study.planning.power import aim_of

PROTOCOLS = Path(__file__).parents[3] / "protocols"
GROUP = PROTOCOLS / "mandibular_block_group.toml"
AUDIT = PROTOCOLS / "infiltration_audit.toml"


@pytest.fixture
def mine(tmp_path):
    return Path(shutil.copy(GROUP, tmp_path / "mine.toml"))


def edit(path, before, after):
    text = path.read_text(encoding="utf-8")
    assert before in text
    path.write_text(text.replace(before, after, 1), encoding="utf-8")


def test_the_shipped_lock_is_made_anew_byte_for_byte(mine):
    lock_protocol_file(mine, day=dt.date(2025, 9, 15))
    assert lock_path(mine).read_bytes() == lock_path(GROUP).read_bytes()


def test_a_protocol_without_lock(mine):
    assert read_lock(mine) is None
    assert changes_since_lock(mine) == ()


def test_comments_and_layout_do_not_change_a_locked_protocol(mine):
    lock_protocol_file(mine, day=dt.date(2026, 1, 1))
    edit(mine, "target_min = 2 ", "# a remark\ntarget_min    =   2.0 ")
    assert changes_since_lock(mine) == ()
    with pytest.raises(ProtocolError, match="Nothing has changed"):
        lock_protocol_file(mine, day=dt.date(2026, 1, 2), reason="none")


def test_an_amendment_keeps_all_versions(mine):
    first, _ = lock_protocol_file(mine, day=dt.date(2026, 1, 1))
    edit(mine, "target_min = 2 ", "target_min = 3 ")
    assert [key for key, _, _ in changes_since_lock(mine)] == ["onset.target_min"]
    lock_protocol_file(mine, day=dt.date(2026, 2, 1), reason="first test at 3 min")
    edit(mine, "seed = 20251001", "seed = 7")
    lock, _ = lock_protocol_file(mine, day=dt.date(2026, 3, 1), reason="another seed")
    assert lock.versions[0] == first.versions[0]
    assert [v.changes[0][0] for v in lock.versions[1:]] == ["onset.target_min", "analysis.seed"]
    assert read_lock(mine) == lock


def test_a_lock_that_was_changed_by_hand_is_refused(mine):
    lock_protocol_file(mine, day=dt.date(2026, 1, 1))
    path = lock_path(mine)
    body = json.loads(path.read_text(encoding="utf-8"))
    body["content"]["onset"]["target_min"] = 5.0
    path.write_text(json.dumps(body), encoding="utf-8")
    with pytest.raises(ProtocolError, match="does not fit its digest"):
        read_lock(mine)
    for text in ("", "[]", "{}", '{"lock": 3, "content": {}}'):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(ProtocolError, match=r"mine\.lock\.json: this is not the lock of a protocol"):
            read_lock(mine)


def test_the_command(mine, tmp_path):
    run = CliRunner()
    made = run.invoke(onsetstudy, ["lock", str(mine), "--into", str(tmp_path / "doc")])
    assert made.exit_code == 0, made.output
    assert "Locked: version 1" in made.output
    assert "a difference of 0.5 min in its main outcome with 80\u202f% power, which takes 2478 cases" in made.output
    assert "planned: 380 onsets. The planned information is too little for it: amend the protocol" in made.output
    again = run.invoke(onsetstudy, ["lock", str(mine)])
    assert "Locked already: version 1" in again.output
    edit(mine, "target_min = 2 ", "target_min = 3 ")
    refused = run.invoke(onsetstudy, ["lock", str(mine)])
    assert "without a reason" in str(refused.exception)
    done = run.invoke(onsetstudy, ["lock", str(mine), "--reason", "first test at 3 min"])
    assert "Changed: onset.target_min: 2.0 → 3.0" in done.output
    assert (tmp_path / "doc" / "mandibular-block-group-protocol.pdf").read_bytes().startswith(b"%PDF")


def test_the_document_of_a_locked_protocol_tells_the_last_entry_of_the_ledger(mine, tmp_path):
    made = CliRunner().invoke(onsetstudy, ["lock", str(mine), "--into", str(tmp_path / "doc")])
    assert made.exit_code == 0, made.output
    page = (tmp_path / "doc" / "mandibular-block-group-protocol.html").read_text(encoding="utf-8")
    path = ledger_path(mine)
    entries = verified_ledger(path)
    assert f"ledger {short_head(entries)}" in page
    assert hold_against(path, entries, others=[tmp_path / "doc"]).faults == ()
    # Another study's ledger does not hold what this page quotes.
    assert "quotes the entry" in hold_against(path, entries[:0], others=[tmp_path / "doc"]).faults[-1]
    told = read_protocol(mine)
    without, *_ = write_protocol_document(told, read_lock(mine), aim_of(told), tmp_path / "none")
    assert "ledger 1:" not in without.read_text(encoding="utf-8")


def test_the_ledger_is_held_against_the_protocol_and_names_what_differs_from_the_lock(mine):
    run = CliRunner()
    assert run.invoke(onsetstudy, ["lock", str(mine)]).exit_code == 0
    assert "The chain holds" in run.invoke(onsetstudy, ["ledger", str(mine), "--verify"]).output
    edit(mine, "planned_information = 380", "planned_information = 280")
    told = run.invoke(onsetstudy, ["ledger", str(mine), "--verify"])
    assert "The chain holds" not in told.output
    assert len(hold_against(ledger_path(mine), verified_ledger(ledger_path(mine))).faults) == 1
    assert "mine.toml differs from its version that was locked last in looks.planned_information (380" in told.output
    # A ledger whose protocol is gone is read all the same.
    mine.unlink()
    assert "The chain holds" in run.invoke(onsetstudy, ["ledger", str(mine), "--verify"]).output


@pytest.mark.parametrize("path", [GROUP, AUDIT], ids=["group", "audit"])
def test_the_document_says_everything_and_marks_what_is_missing(path, tmp_path):
    protocol = read_protocol(path)
    html, *_ = write_protocol_document(protocol, read_lock(path), aim_of(protocol), tmp_path)
    text = html.read_text(encoding="utf-8")
    assert protocol.study.question in text
    assert "Recorded answer:" in text
    assert text.count("To be written by a person:") >= 10
    for topic, said in protocol.conduct.texts if protocol.conduct else ():
        assert said in text
        assert f"conduct.{topic}" not in text
    headings = ["Open science", "Introduction", "participants", "outcomes", "recruitment", "Monitoring", "Ethics"]
    places = [text.index(h) for h in headings]
    assert places == sorted(places)
    if path is AUDIT:
        assert "never says that buffering caused it" in text
        assert "This protocol is not locked" in text
    assert "{" not in text.split("</style>")[1]
