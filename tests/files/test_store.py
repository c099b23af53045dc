"""The recorder's store: nothing acknowledged is lost, nothing stored is changed."""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import os
import random
import signal
import sqlite3
import stat
import time

import pytest

from onsetstudy.chairside.serving import ServeOptions, serve
from onsetstudy.core.errors import OnsetStudyError, RecordsError
from onsetstudy.files import output
from onsetstudy.files.output import write_bytes
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.recorded import export_store, facts_of, read_store
from onsetstudy.files.sources.spreadsheet import read_records, read_tables
from onsetstudy.files.store import (
    TABLES_1,
    EventStore,
    StoreUnavailable,
    copy_store,
    is_store,
    preparations_path,
)
from onsetstudy.records.chair.event import Event
from tests.clean_process import CommandProcess
from tests.records.chair.test_event_log import Page, injected

FACTS = {"study_id": "s", "practice_id": "P01", "allocation": "randomised", "clock_zero": "injection_end"}


def entry(n=1, **changes):
    base = Event(
        id=f"entry-{n:06d}",
        kind="seated",
        clock="clock-1",
        at_monotonic=1.5 * n,
        at_wall="2026-04-03T14:00:00+00:00",
        device="device-1",
        case_id="P01-AAAAAA",
    )
    return dataclasses.replace(base, **changes)


@pytest.fixture
def store(tmp_path):
    with EventStore(tmp_path / "practice.sqlite", create=FACTS) as opened:
        yield opened


def test_an_entry_sent_twice_is_one_and_another_under_its_name_is_refused(store):
    assert store.append([entry()]) == ("written",)
    assert store.append([entry(), entry(2)]) == ("known", "written")
    for change in ({"payload": {"a": 1}}, {"at_monotonic": 1.6}, {"case_id": "P01-BBBBBB"}, {"kind": "dismissed"}):
        assert store.append([entry(**change)]) == ("refused",)
    assert [e.id for e in store.events()] == ["entry-000001", "entry-000002"]
    assert dataclasses.replace(store.events()[0], seq=0) == entry()


def test_a_correction_of_nothing_is_refused(store):
    assert store.append([entry(1, kind="correction", corrects="entry-none")]) == ("refused",)
    assert store.append([entry(2), entry(3, kind="correction", corrects="entry-000002")]) == ("written", "written")


@pytest.mark.parametrize(
    "statement",
    [
        "update events set payload = '{}'",
        "delete from events",
        "insert or replace into events select * from events",
        "replace into events (id, kind, clock, at_monotonic, at_wall, device, payload) "
        "values ('entry-000001', 'x', 'x', 0, 'x', 'x', '{}')",
    ],
)
def test_entries_are_never_changed_or_deleted(store, statement):
    store.append([entry()])
    with pytest.raises(sqlite3.IntegrityError, match="never"):
        store._db.execute(statement)


def test_its_owner_alone_may_read_it(store):
    store.append([entry()])
    for path in store.path.parent.iterdir():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, path
    store.backup(store.path.with_name("copy.sqlite"))
    assert stat.S_IMODE(store.path.with_name("copy.sqlite").stat().st_mode) == 0o600


def test_the_disk_is_asked_before_an_entry_is_acknowledged(store):
    assert store._db.execute("pragma synchronous").fetchone()[0] == 2
    assert store._db.execute("pragma journal_mode").fetchone()[0] == "wal"


def test_killed_at_random_moments_it_holds_all_that_was_acknowledged(tmp_path):
    """kill -9 shows that nothing waits in the program's memory; it says nothing about a power cut."""
    path = tmp_path / "practice.sqlite"
    EventStore(path, create=FACTS).close()
    chance, acknowledged = random.Random(1), 0
    for _ in range(5):
        writer = CommandProcess(["tests.files.store_writer", path])
        with writer.stdout:
            assert writer.stdout.readline().startswith("entry-")
            acknowledged += 1
            time.sleep(chance.uniform(0.0, 0.1))
            writer.send_signal(signal.SIGKILL)
            acknowledged += sum(1 for line in writer.stdout if line.endswith("\n"))
        assert writer.wait() == -signal.SIGKILL
        with EventStore(path) as store:
            assert store.last() >= acknowledged
            acknowledged = store.last()
    with EventStore(path) as store:
        assert [e.id for e in store.events()] == [f"entry-{n:07d}" for n in range(acknowledged)]


def test_a_full_disk_is_said_and_nothing_is_lost(store):
    store.append([entry(1)])
    pages = store._db.execute("pragma page_count").fetchone()[0]
    store._db.execute(f"pragma max_page_count = {pages}")
    big = {"note": "x" * 50_000}
    with pytest.raises(StoreUnavailable, match="disk is full"):
        store.append([entry(2, payload=big)])
    assert [e.id for e in store.events()] == ["entry-000001"]
    store._db.execute("pragma max_page_count = 1000000")
    assert store.append([entry(2, payload=big)]) == ("written",)


def test_a_store_that_another_program_holds_is_said(tmp_path):
    path = tmp_path / "practice.sqlite"
    with EventStore(path, create=FACTS, timeout_s=0.05) as store:
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("begin immediate")
            with pytest.raises(StoreUnavailable, match="another program"):
                store.append([entry()])
            other.execute("rollback")
        assert store.append([entry()]) == ("written",)


SESSIONS_2 = "CREATE TABLE sessions (digest TEXT PRIMARY KEY, role TEXT NOT NULL, ends_s REAL NOT NULL) STRICT;"


@pytest.mark.parametrize(("form", "tables"), [(1, TABLES_1), (2, TABLES_1 + SESSIONS_2)])
def test_a_store_of_an_earlier_form_is_brought_up_with_a_backup(tmp_path, form, tables):
    path = tmp_path / "practice.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.executescript(f"{tables} pragma user_version = {form};")
        if form == 2:
            db.execute("insert into sessions values ('by the wall clock', 'tester', 4e9)")
        db.executemany("insert into facts values (?, ?)", FACTS.items())
        db.execute(
            "insert into events (id, kind, clock, at_monotonic, at_wall, device, payload) "
            "values ('entry-000001', 'seated', 'clock-1', 1.5, '2026-04-03T14:00:00+00:00', 'device-1', '{}')"
        )
        db.commit()
    with EventStore(path) as store:
        assert [e.id for e in store.events()] == ["entry-000001"]
        assert store.session_role("by the wall clock", boot="boot-1", now_s=9.0) is None
        store.add_session("digest", "tester", boot="boot-1", ends_s=10.0)
        assert store.session_role("digest", boot="boot-1", now_s=9.0) == "tester"
        assert store.session_role("digest", boot="boot-1", now_s=10.0) is None
        assert store.session_role("digest", boot="boot-2", now_s=9.0) is None
        assert store.clock_seen() is None
    with EventStore(path) as again:
        assert again.session_role("digest", boot="boot-1", now_s=9.0) == "tester"
    with contextlib.closing(sqlite3.connect(tmp_path / f"practice.sqlite.form-{form}")) as kept:
        assert kept.execute("pragma user_version").fetchone()[0] == form
        assert kept.execute("select count(*) from events").fetchone()[0] == 1


def test_a_newer_store_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "practice.sqlite"
    with EventStore(path, create=FACTS) as store:
        store._db.execute("pragma user_version = 99")
    with pytest.raises(RecordsError, match="newer version"):
        EventStore(path)
    with contextlib.closing(sqlite3.connect(path)) as db:
        assert db.execute("pragma user_version").fetchone()[0] == 99


def test_what_is_no_store_is_refused(tmp_path):
    other = tmp_path / "other.sqlite"
    with contextlib.closing(sqlite3.connect(other)) as db:
        db.execute("create table t (a)")
    for path, content in ((other, None), (tmp_path / "text.sqlite", b"case_id\n")):
        if content is not None:
            path.write_bytes(content)
        with pytest.raises(RecordsError, match="not a store"):
            EventStore(path)


def test_a_backup_made_in_use_is_restored_whole_and_never_over_a_store(store, tmp_path):
    store.append([entry(n) for n in range(50)])
    copy = store.backup(tmp_path / "copy.sqlite")
    store.append([entry(99)])
    with pytest.raises(RecordsError, match="never overwrites"):
        copy_store(copy, store.path, read=True)
    with pytest.raises(RecordsError, match="file of that name"):
        store.backup(copy)
    assert copy_store(copy, tmp_path / "again.sqlite", read=True) == {tmp_path / "again.sqlite": 50}
    with EventStore(tmp_path / "again.sqlite") as again:
        assert again.events() == store.events()[:50]


def test_a_damaged_backup_is_refused(store, tmp_path):
    store.append([entry(n, payload={"note": "x" * 100}) for n in range(500)])
    copy = store.backup(tmp_path / "copy.sqlite")
    content = bytearray(copy.read_bytes())
    content[4096 * 3 : 4096 * 6] = os.urandom(4096 * 3)
    copy.write_bytes(content)
    with pytest.raises(RecordsError):
        copy_store(copy, tmp_path / "again.sqlite", read=True)
    assert not (tmp_path / "again.sqlite").exists()


def test_half_a_backup_is_not_left_behind(store, tmp_path, monkeypatch):
    def full(*_):
        raise OSError("no room")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="no room"):
        store.backup(tmp_path / "copy.sqlite")
    assert not (tmp_path / "copy.sqlite").exists()


def test_of_store_and_preparations_both_are_copied_or_none(store, tmp_path, monkeypatch):
    with EventStore(preparations_path(store.path), create=FACTS) as beside:
        beside.append([entry(1, kind="preparation", payload={"arm": "plain", "mix_mode": "none", "volume_ml": 1.8})])
    into = tmp_path / "copies"
    there = write_bytes(preparations_path(into / "copy.sqlite"), b"of another day")
    with pytest.raises(RecordsError, match=r"copy\.preparations\.sqlite.*file of that name"):
        copy_store(store.path, into / "copy.sqlite")
    assert [p.name for p in into.iterdir()] == [there.name]
    assert there.read_bytes() == b"of another day"

    def full(opened, target, *, real=EventStore.backup):
        if "preparations" in opened.path.name:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(opened, target)

    with monkeypatch.context() as patched:
        patched.setattr(EventStore, "backup", full)
        with pytest.raises(OnsetStudyError, match="No space left"):
            copy_store(store.path, into / "other.sqlite")
    assert [p.name for p in into.iterdir()] == [there.name]
    assert list(copy_store(store.path, into / "other.sqlite").values()) == [0, 1]


def test_a_restore_that_was_killed_at_its_last_step_is_brought_to_its_end(store, tmp_path, monkeypatch):
    store.append([entry(1)])
    with monkeypatch.context() as patched:
        patched.setattr(output, "_finish", lambda *_: None)
        copy_store(store.path, tmp_path / "again.sqlite")
    assert not (tmp_path / "again.sqlite").exists()
    with EventStore(tmp_path / "again.sqlite", create=FACTS) as again:
        assert again.events() == store.events()


ANCHOR = {"boot": "boot-1", "server_s": 5000.0, "server_wall_s": 1_775_224_800.0, "half_s": 0.01}


@pytest.mark.parametrize(
    ("altered", "told"),
    [
        ('payload = \'{"boot": "boot-1", "server_s": 5000.0, "server_wall_s": 5.0}\'', "half_s is missing"),
        ("payload = '{\"half_s\": []}'", "half_s is not what it must be"),
        ("payload = 'no JSON'", "no list of fields"),
        ("payload = '[]'", "no list of fields"),
        ("at_wall = 'at noon'", "the time of day cannot be read"),
        ("kind = 'test'", "tooth_role is missing"),
    ],
)
def test_an_entry_that_another_hand_altered_is_named(store, altered, told):
    store.append([entry(1, kind="anchor", case_id=None, payload=ANCHOR)])
    with contextlib.closing(sqlite3.connect(store.path)) as db:
        db.executescript(f"drop trigger events_stay; update events set {altered};")
    with pytest.raises(RecordsError, match="entry 1 of the store cannot be read") as refused:
        read_store(store.path)
    assert told in str(refused.value)


def test_a_correction_that_gives_no_entry_is_named(store):
    test = {"tooth_role": "target", "response": "felt"}
    store.append([entry(1, kind="test", payload=test)])
    for instead in ("felt", {"response": "felt"}):
        wrong = {"reason": "mistyped", "instead": instead}
        store.append([entry(2, kind="correction", corrects="entry-000001", payload=wrong)])
        with pytest.raises(RecordsError, match="entry 1 of the store cannot be read"):
            read_store(store.path)


def recorded_case(path, protocol):
    """A store with one case of the audit, as the page would write it."""
    page = Page()
    injected(page)
    page.wait(30)
    page.tap("test", {"planned_min": 0.5, "tooth_role": "target", "response": "felt"})
    page.wait(30)
    page.tap("test", {"planned_min": 1.0, "tooth_role": "target", "response": "not_felt"})
    page.wait(30)
    page.tap("test", {"planned_min": 1.5, "tooth_role": "target", "response": "not_felt"})
    page.tap("recorded", {"technique": "buccal_infiltration", "tooth": "16", "pain_deposition": 3})
    mixer = Page(device="mixer-1")
    mixer.tap("preparation", {"arm": "buffered", "mix_mode": "add", "bicarbonate_ml": 0.18, "volume_ml": 1.98})
    facts = facts_of(protocol, "P06")
    with EventStore(path, create=facts) as store, EventStore(preparations_path(path), create=facts) as kept:
        store.append(page.events)
        kept.append(mixer.events)


def test_a_store_stands_where_a_workbook_stands(tmp_path):
    protocol = read_protocol("protocols/infiltration_audit.toml")
    path = tmp_path / "practice.sqlite"
    recorded_case(path, protocol)
    records = read_records(path, protocol)
    assert records.problems == ()
    assert records.cases.iloc[0]["arm"] == "buffered"
    assert records.readings["minute"].tolist() == [0.5, 1.0, 1.5]
    folder = tmp_path / "open"
    written = export_store(path, folder)
    names = ("cases", "clock_drift", "cold_tests", "adverse_events", "screening")
    assert {p.name for p in written} == {f"{name}.csv" for name in names}
    assert read_records(folder, protocol).digest == records.digest


def test_a_store_of_another_study_is_refused(tmp_path):
    path = tmp_path / "practice.sqlite"
    EventStore(path, create=FACTS).close()
    assert is_store(path)
    protocol = read_protocol("protocols/infiltration_audit.toml")
    with pytest.raises(RecordsError, match="study_id is s"):
        read_tables(path, protocol)


def test_a_store_of_another_practice_is_not_served(tmp_path):
    protocol = read_protocol("protocols/mandibular_block_group.toml")
    path = tmp_path / "practice.sqlite"
    EventStore(path, create=facts_of(protocol, "P01")).close()
    with pytest.raises(RecordsError, match="practice_id is P01, and not P02"):
        serve(protocol, path, ServeOptions(practice="P02"), say=print)


def test_what_a_store_that_is_gone_has_left_is_not_put_into_the_copy_in_its_place(store, tmp_path):
    copy = store.backup(tmp_path / "copy.sqlite")
    left = write_bytes(tmp_path / "again.sqlite-wal", b"entries that never reached the store")
    with pytest.raises(RecordsError, match=r"again\.sqlite-wal.*file of that name"):
        copy_store(copy, tmp_path / "again.sqlite", read=True)
    assert left.exists()
    assert not (tmp_path / "again.sqlite").exists()


def test_the_entries_of_a_copy_are_counted_in_the_copy(store, tmp_path, monkeypatch):
    store.append([entry(1)])
    backup = EventStore.backup

    def tapped_meanwhile(self, target):
        made = backup(self, target)
        self.append([entry(2)])
        return made

    monkeypatch.setattr(EventStore, "backup", tapped_meanwhile)
    assert copy_store(store.path, tmp_path / "copy.sqlite") == {tmp_path / "copy.sqlite": 1}
