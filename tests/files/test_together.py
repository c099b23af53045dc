"""Documents that belong together: killed or out of room at any moment, the folder holds the old set or the new one."""

from __future__ import annotations

import errno
import os
import time
from pathlib import Path

import pytest

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.output import finish_together, together, write_together

OLD = {"r.html": b"old page", "r.json": b"old numbers", "r.pdf": b"old print"}
NEW = {"r.html": b"new page", "r.json": b"new numbers", "r.pdf": b"new print"}
CALLS = ("fsync", "replace", "rename", "rmdir", "fdopen", "open")


def held(folder):
    return {p.name: p.read_bytes() for p in Path(folder).iterdir() if p.is_file() and not p.name.startswith(".")}


def at_call(monkeypatch, number, act):
    """Let ``act`` come in place of the so-many-th call to the system; returns what counts them."""
    seen = [0]
    for name in CALLS:
        was = getattr(os, name)

        def stepped(*given, _was=was, **named):
            seen[0] += 1
            if seen[0] == number:
                act()
            return _was(*given, **named)

        monkeypatch.setattr(os, name, stepped)
    return seen


def steps(folder):
    with pytest.MonkeyPatch.context() as patch:
        seen = at_call(patch, -1, lambda: None)
        write_together(folder, NEW)
    return seen[0]


def test_killed_before_any_step_the_old_set_or_the_new_one_is_there(tmp_path):
    count = steps(tmp_path / "counted")
    assert count > 12
    found = []
    for number in range(1, count + 1):
        folder = tmp_path / str(number)
        write_together(folder, OLD)
        child = os.fork()
        if child == 0:
            with pytest.MonkeyPatch.context() as patch:
                at_call(patch, number, lambda: os._exit(9))
                write_together(folder, NEW)
            os._exit(0)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9
        finish_together(folder)
        assert held(folder) in (OLD, NEW), number
        found.append(held(folder) == NEW)
        write_together(folder, NEW)
        assert held(folder) == NEW
    # One moment parts them: before it the old set, after it the new one.
    assert found == sorted(found)
    assert set(found) == {False, True}


def test_a_full_disk_at_any_step_is_told_and_leaves_the_old_set_or_what_can_be_finished(tmp_path):
    def full():
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    for number in range(1, steps(tmp_path / "counted") + 1):
        folder = tmp_path / str(number)
        write_together(folder, OLD)
        with pytest.MonkeyPatch.context() as patch:
            at_call(patch, number, full)
            with pytest.raises(OnsetStudyError, match=r"cannot be written.*No space left on device") as told:
                write_together(folder, NEW)
        assert ".unfinished" not in str(told.value)
        whole = list(folder.glob(".whole-*"))
        if not whole:
            assert held(folder) in (OLD, NEW), number
        assert not list(folder.glob(".unfinished-*")), number
        finish_together(folder)
        assert held(folder) in (OLD, NEW), number


def test_an_error_in_the_middle_leaves_nothing(tmp_path):
    write_together(tmp_path, OLD)

    def broken_off():
        with together(tmp_path) as fresh:
            (fresh / "r.html").write_bytes(b"half")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        broken_off()
    assert held(tmp_path) == OLD
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(OLD)


def test_what_a_killed_program_left_is_thrown_away_and_what_is_being_written_is_not(tmp_path):
    dead, living = tmp_path / ".unfinished-a", tmp_path / ".unfinished-b"
    dead.mkdir()
    living.mkdir()
    os.utime(dead, (time.time() - 7200,) * 2)
    write_together(tmp_path, NEW)
    assert (dead.exists(), living.exists()) == (False, True)


def test_a_link_in_the_place_of_a_finished_folder_is_not_followed(tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.txt").write_text("stays")
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / ".whole-x").symlink_to(outside, target_is_directory=True)
    write_together(folder, NEW)
    assert (outside / "secret.txt").read_text() == "stays"
    assert held(folder) == NEW
