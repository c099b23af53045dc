"""The recorder's store: one SQLite file that only grows, and is on the disk before an entry is acknowledged."""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from onsetstudy.core.errors import RecordsError
from onsetstudy.files.guard import problem_in
from onsetstudy.files.output import finish_together, together
from onsetstudy.records.chair.event import Event, in_force
from onsetstudy.records.chair.event_kinds import unreadable

VERSION = 3
"""``user_version`` of the files written now. 1 had no sessions; those of 2 ended by the wall clock."""
MAGIC = b"SQLite format 3\x00"
TABLES_1 = """
CREATE TABLE events (seq INTEGER PRIMARY KEY, id TEXT UNIQUE NOT NULL, case_id TEXT, kind TEXT NOT NULL,
  clock TEXT NOT NULL, at_monotonic REAL NOT NULL, at_wall TEXT NOT NULL, device TEXT NOT NULL,
  payload TEXT NOT NULL, corrects TEXT REFERENCES events(id)) STRICT;
CREATE TRIGGER events_stay BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'entries are never changed'); END;
CREATE TRIGGER events_last BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'entries are never deleted'); END;
CREATE TABLE facts (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
"""
# A wall clock's end cannot be turned into one of the running clock: sessions of form 2 end, and are entered anew.
TABLES_3 = """
DROP TABLE IF EXISTS sessions;
CREATE TABLE sessions (digest TEXT PRIMARY KEY, role TEXT NOT NULL, boot TEXT NOT NULL, ends_s REAL NOT NULL) STRICT;
CREATE TABLE clock_seen (one INTEGER PRIMARY KEY CHECK (one = 1), boot TEXT NOT NULL, server_s REAL NOT NULL,
  server_wall_s REAL NOT NULL) STRICT;
"""
FIELDS = ("id", "case_id", "kind", "clock", "at_monotonic", "at_wall", "device", "payload", "corrects")
COLUMNS = ", ".join(FIELDS)


class StoreUnavailable(RecordsError):
    """The store cannot be written just now (disk full, locked); nothing was lost, and the entry may be sent again."""


def is_store(path: Path) -> bool:
    """Whether a file is an SQLite file."""
    try:
        with path.open("rb") as file:
            return file.read(len(MAGIC)) == MAGIC
    except OSError:
        return False


def preparations_path(store: Path) -> Path:
    """Where what the slips said and what was mixed is kept, apart from the entries: beside the store."""
    return store.with_name(f"{store.stem}.preparations{store.suffix}")


class EventStore(contextlib.AbstractContextManager["EventStore", None]):
    """An open store; safe to use from several threads.

    Parameters
    ----------
    path : Path
    create : mapping or None
        Facts of a new store (study, practice); ``None`` opens one that is there.
    timeout_s : float
        How long to wait for another program that writes.

    Raises
    ------
    RecordsError
        If it is not there, is no store, or was written by a newer version.
    StoreUnavailable
        If it is locked.
    """

    def __init__(self, path: Path, *, create: Mapping[str, str] | None = None, timeout_s: float = 5.0) -> None:
        self.path = path
        self._lock = threading.Lock()
        if not self.path.exists():
            finish_together(self.path.parent)  # a restore may have been killed at its last step
        fresh = create is not None and not self.path.exists()
        if fresh:
            _make_empty(self.path)
        elif not is_store(self.path):
            raise _problem(self.path, "this is not a store of the recorder", "check the name and the folder")
        self._db = sqlite3.connect(self.path, timeout=timeout_s, isolation_level=None, check_same_thread=False)
        try:
            self._prepare(create if fresh else None)
        except BaseException:
            self._db.close()
            if fresh:
                self.path.unlink()
            raise

    def _prepare(self, facts: Mapping[str, str] | None) -> None:
        with self._told():
            self._db.execute("pragma recursive_triggers = on")  # else "insert or replace" passes the triggers by
            self._db.execute("pragma foreign_keys = on")
            self._db.execute("pragma synchronous = full")
            self._db.execute("pragma journal_mode = wal")
            version = int(self._db.execute("pragma user_version").fetchone()[0])
            if facts is not None:
                self._run(f"{TABLES_1} {TABLES_3}")
                self._db.executemany("insert into facts values (?, ?)", sorted(facts.items()))
            elif version > VERSION:
                what = f"it was written by a newer version of this program (form {version}; this one knows {VERSION})"
                raise _problem(self.path, what, "update the program; nothing was changed")
            elif version < 1 or not self._db.execute("select 1 from sqlite_master where name = 'events'").fetchone():
                raise _problem(self.path, "this is not a store of the recorder", "check the name and the folder")
            else:
                self._migrate(version)

    def _migrate(self, version: int) -> None:
        """Bring an older store to the present form; what it was is kept beside it."""
        if version == VERSION:
            return
        backup = self.path.with_name(f"{self.path.name}.form-{version}")
        if not backup.exists():
            self.backup(backup)
        self._run(TABLES_3)

    def _run(self, steps: str) -> None:
        self._db.executescript(f"begin immediate; {steps} pragma user_version = {VERSION}; commit;")

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        """SQLite's errors as sentences that can be acted on."""
        try:
            yield
        except sqlite3.DatabaseError as error:
            if self._db.in_transaction:
                self._db.execute("rollback")
            name = getattr(error, "sqlite_errorname", "") or ""
            if name.startswith("SQLITE_FULL"):
                what, mend = "the disk is full", "free some room"
            elif name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
                what, mend = "another program holds the store", "close it"
            elif name.startswith(("SQLITE_IOERR", "SQLITE_READONLY", "SQLITE_CANTOPEN")):
                what, mend = "the disk cannot be written", "check the disk and its rights"
            else:
                raise _problem(self.path, f"the store is damaged ({error})", "restore the last backup") from None
            raise StoreUnavailable(_problem(self.path, what, mend).problems) from None

    def _ask(self, statement: str, *given: object) -> list[Any]:
        """Rows that a statement gives; none where it only writes."""
        with self._lock, self._told():
            return self._db.execute(statement, given).fetchall()

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._db.close()

    # Entries ----------------------------------------------------------------------------------------------------------

    def append(self, events: Sequence[Event]) -> tuple[str, ...]:
        """Write entries, all or none of them new on the disk when this returns.

        Returns
        -------
        tuple of str
            For each: ``written``, ``known`` (the same entry was there) or ``refused`` (its id belongs to another entry,
            or it corrects one that is not there).

        Raises
        ------
        StoreUnavailable
            If the disk is full or the store locked. None of them is written then.
        """
        with self._lock, self._told():
            self._db.execute("begin immediate")
            states = tuple(self._append(event) for event in events)
            self._db.execute("commit")
        return states

    def _append(self, event: Event) -> str:
        row = _row(event)
        known = "select 1 from events where id = ?"
        if event.corrects is not None and self._db.execute(known, (event.corrects,)).fetchone() is None:
            return "refused"
        marks = ", ".join("?" * len(row))
        text = f"insert into events ({COLUMNS}) values ({marks}) on conflict(id) do nothing"
        if self._db.execute(text, row).rowcount == 1:
            return "written"
        there = self._db.execute(f"select {COLUMNS} from events where id = ?", (event.id,)).fetchone()
        return "known" if there == row else "refused"

    def events(self, *, after: int = 0) -> tuple[Event, ...]:
        """Entries behind a place in the store, in order.

        Raises
        ------
        RecordsError
            If one of them cannot be read: the file was altered by another hand than the recorder's.
        """
        rows = self._ask(f"select seq, {COLUMNS} from events where seq > ? order by seq", after)
        found = tuple(map(self._event, rows))
        for corrected in in_force(found):
            self._refuse_unreadable(corrected)
        return found

    def event(self, key: str) -> Event | None:
        """The entry of a name."""
        rows = self._ask(f"select seq, {COLUMNS} from events where id = ?", key)
        return self._event(rows[0]) if rows else None

    def _event(self, row: Sequence[Any]) -> Event:
        told = dict(zip(("seq", *FIELDS), row, strict=True))
        try:
            payload = json.loads(told["payload"])
        except (ValueError, RecursionError):
            payload = None
        event = Event(**{**told, "payload": payload})
        self._refuse_unreadable(event)
        return event

    def _refuse_unreadable(self, event: Event) -> None:
        if faults := unreadable(event):
            what = f"entry {event.seq} of the store cannot be read: {'; '.join(faults)}"
            raise _problem(self.path, what, "restore the last backup")

    def last(self) -> int:
        """Place of the last entry; 0 in an empty store."""
        return int(self._ask("select coalesce(max(seq), 0) from events")[0][0])

    # Facts and sessions -----------------------------------------------------------------------------------------------

    def facts(self) -> dict[str, str]:
        """Facts that stand in the store: study, practice, port."""
        return dict(self._ask("select name, value from facts"))

    def keep_fact(self, name: str, value: str) -> None:
        """Keep a fact, in place of an earlier one of that name."""
        self._ask("insert into facts values (?, ?) on conflict(name) do update set value = excluded.value", name, value)

    def add_session(self, digest: str, role: str, *, boot: str, ends_s: float) -> None:
        """Keep a session by the digest of its secret; it ends at ``ends_s`` of the clock that began with ``boot``."""
        self._ask("insert into sessions values (?, ?, ?, ?)", digest, role, boot, ends_s)

    def session_role(self, digest: str, *, boot: str, now_s: float) -> str | None:
        """Role of a session that has not ended, by the clock it was begun under."""
        where = "digest = ? and boot = ? and ends_s > ?"
        rows = self._ask(f"select role from sessions where {where}", digest, boot, now_s)
        return str(rows[0][0]) if rows else None

    def see_clock(self, boot: str, server_s: float, server_wall_s: float) -> None:
        """Keep what both clocks said at one moment, in place of the last time."""
        self._ask("insert or replace into clock_seen values (1, ?, ?, ?)", boot, server_s, server_wall_s)

    def clock_seen(self) -> tuple[str, float, float] | None:
        """Start, running clock and wall clock when they were last seen; ``None`` if they never were."""
        rows = self._ask("select boot, server_s, server_wall_s from clock_seen")
        return (str(rows[0][0]), float(rows[0][1]), float(rows[0][2])) if rows else None

    def carry_sessions(self, old: str, new: str, *, forward_s: float) -> None:
        """Let sessions begun under one start of the computer's clock end under another, ``forward_s`` later in it."""
        self._ask("update sessions set boot = ?, ends_s = ends_s + ? where boot = ?", new, forward_s, old)

    def drop_sessions(self, *, boot: str, now_s: float) -> None:
        """Drop sessions that have ended, and those of any other start of the clock."""
        self._ask("delete from sessions where boot <> ? or ends_s <= ?", boot, now_s)

    def end_session(self, digest: str) -> None:
        """End one session."""
        self._ask("delete from sessions where digest = ?", digest)

    # Backups ----------------------------------------------------------------------------------------------------------

    def backup(self, target: Path) -> Path:
        """A whole copy, made while the store is in use; never over a file that is there.

        Raises
        ------
        RecordsError
            If the file is there, or cannot be made.
        """
        _make_empty(target)
        try:
            # A connection of its own and one step: a backup in steps starts again at every entry that is written.
            with (
                self._lock,
                self._told(),
                contextlib.closing(sqlite3.connect(self.path)) as here,
                contextlib.closing(sqlite3.connect(target)) as there,
            ):
                here.backup(there)
                there.execute("pragma journal_mode = delete")
                if (found := there.execute("pragma integrity_check").fetchone()[0]) != "ok":
                    what = f"the copy is damaged ({found})"
                    raise _problem(target, what, "make it again, or of an earlier backup")
            with target.open("rb") as copied:
                os.fsync(copied.fileno())
        except BaseException:
            target.unlink()  # half a copy would be taken for a whole one
            raise
        return target


def _make_empty(path: Path) -> None:
    """A file that its owner alone may read, before SQLite writes into it; never over one that is there."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    except FileExistsError:
        raise _problem(path, "there is a file of that name", "choose another name") from None
    except OSError as error:
        raise _problem(path, f"it cannot be made ({error.strerror})", "choose another folder") from None


def copy_store(store: Path, target: Path, *, read: bool = False) -> dict[Path, int]:
    """Copy a store, also while it is in use, and the preparations beside it: both or none.

    Parameters
    ----------
    store, target : Path
    read : bool
        Whether it is read wholly first, as a backup is before it is put in the place of a store that is gone.

    Returns
    -------
    dict of int
        Of each copy how many entries it holds.

    Raises
    ------
    RecordsError
        If one of them is no store, or damaged where it is read, or a file is there that would be overwritten.
    OnsetStudyError
        If the folder cannot be written to, or the disk is full; no copy is made then.
    """
    finish_together(target.parent)
    pairs = {target: store, preparations_path(target): preparations_path(store)}
    # What SQLite had not yet put into a store that is gone would be put into the copy in its place.
    for place in (path for pair in pairs for path in (pair, pair.with_name(f"{pair.name}-wal"))):
        if place.exists():
            raise _problem(place, "there is a file of that name", "move it away first; a copy never overwrites one")
    held = {}
    with together(target.parent) as fresh:
        for place, source in pairs.items():
            if source == store or source.exists():
                with EventStore(source) as opened:
                    if read:
                        opened.events()
                    copy = opened.backup(fresh / place.name)
                # Of the copy: meanwhile an entry may have come to the store.
                with contextlib.closing(sqlite3.connect(copy)) as made:
                    held[place] = int(made.execute("select count(*) from events").fetchone()[0])
    return held


def _row(event: Event) -> tuple[Any, ...]:
    payload = json.dumps(dict(event.payload), sort_keys=True, separators=(",", ":"), allow_nan=False)
    written = {"payload": payload, "at_monotonic": float(event.at_monotonic)}
    return tuple(written.get(name, getattr(event, name)) for name in FIELDS)


def _problem(path: Path, what: str, mend: str) -> RecordsError:
    return RecordsError(problem_in(path, what, mend, "store"))
