"""A ledger that is not the first of its study is told at once, by what is older than it or quotes another."""

import datetime as dt
import shutil

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
from onsetstudy.files.ledger.lock import lock_path, lock_protocol_file
from onsetstudy.files.sealed.opening import open_next
from onsetstudy.protocol.ledger import short_head
from tests.few_slips import GROUP, short_list

DATA = GROUP.parents[1] / "data" / "synthetic" / "audit"
BEFORE = dt.datetime(2026, 1, 5, 9, 30)


def run(*arguments):
    return CliRunner().invoke(onsetstudy, [str(a) for a in arguments], standalone_mode=False)


def told(done):
    return [line for line in done.output.splitlines() if "was begun on" in line or "is gone" in line]


@pytest.fixture
def mine(tmp_path):
    """A study with a list, of which nothing is older than its ledger."""
    path = short_list(tmp_path / "mine.toml", practices=("P01",))
    assert told(run("lock", path)) == []
    run("allocate", path, "--into", tmp_path / "list", "--slips", "6", "--way", "chain")
    assert told(run("lock", path)) == []
    return path


def test_a_ledger_younger_than_the_lock(mine):
    ledger_path(mine).unlink()
    lock_path(mine).unlink()
    lock_protocol_file(mine, day=BEFORE.date())
    (line,) = told(run("lock", mine))
    assert line.startswith("Please look: the ledger mine.ledger.jsonl was begun on 20")
    assert "and the protocol was locked on 2026-01-05. If there was an earlier ledger, restore it" in line
    # An amendment of today is no second sign.
    mine.write_text(mine.read_text().replace("tau_min = 15 ", "tau_min = 12 "))
    assert told(run("lock", mine, "--reason", "A shorter horizon.")) == [line]


def test_an_opening_older_than_a_ledger_that_was_begun_anew_with_its_lock(mine, tmp_path):
    sealed, levels = tmp_path / "list" / "sealed-P01.json", {"technique": "ianb"}
    open_next(sealed, case_id="P01-0001", levels=levels, opened_by="P01-A", now=BEFORE)
    ledger_path(mine).unlink()
    lock_path(mine).unlink()
    (line,) = told(run("lock", mine))
    assert "and opened-P01.csv shows an opening of 2026-01-05. If" in line
    # The log of another study beside it says nothing of this one.
    other = shutil.copy(mine, tmp_path / "other.toml")
    text = mine.read_text().replace("tau_min = 15 ", "tau_min = 12 ")
    (tmp_path / "other.toml").write_text(text)
    assert told(run("lock", other)) == []


def test_a_page_that_quotes_an_entry_of_the_earlier_ledger(mine, tmp_path):
    audit = shutil.copy(GROUP.with_name("infiltration_audit.toml"), tmp_path / "audit.toml")
    run("lock", audit)
    head = short_head(verified_ledger(ledger_path(audit)))
    page = tmp_path / "reports" / "infiltration-audit-2026Q3.html"
    page.parent.mkdir()
    page.write_text(f"<p>ledger {head}</p>")
    asked = ("check", audit, DATA)
    assert told(run(*asked)) == []
    ledger_path(audit).write_text("")
    lock_path(audit).unlink()
    lock_protocol_file(audit, day=dt.date.today())
    run("lock", audit, "--reason", "Nothing.")
    run("pause", audit, "--reason", "supply")
    lines = told(run(*asked))
    assert [f"{page.name} quotes the entry {head}" in line for line in lines] == [True]
    assert told(run("report", audit, DATA, "--draft", "--into", page.parent)) == lines


def test_a_ledger_that_is_gone_is_told_before_another_is_begun(mine, tmp_path):
    text = GROUP.with_name("infiltration_audit.toml").read_text().replace("invented = true", "invented = false")
    audit = tmp_path / "audit.toml"
    audit.write_text(text)
    run("lock", audit)
    ledger_path(audit).unlink()
    (line,) = told(run("check", audit, DATA))
    assert line.startswith("Please look: audit.lock.json stands, and the ledger audit.ledger.jsonl beside it is gone.")
