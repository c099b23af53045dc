"""A disk that is full: a real, small file system on which nothing is left half and nothing earlier is lost."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.ledger.ledger import practice_ledger_path, verified_ledger
from onsetstudy.files.sealed.opening import open_next
from onsetstudy.files.sealed.opening_log import log_path, read_opening_log
from onsetstudy.protocol.ledger import of_kind
from tests.attacks.test_killed import drawn, open_three
from tests.clean_process import run_command
from tests.few_slips import short_list

GROUP = Path("protocols/mandibular_block_group.toml")
DATA = Path("data/synthetic")
COUNT = ("reduce", GROUP, DATA, "--allocation", DATA / "allocation", "--into")
PARTS = 6
"""Into how many parts tables are split here."""


class SmallDisk:
    """A file system of some kibibytes in memory, which can be filled and made larger."""

    def __init__(self, path: Path, kib: int) -> None:
        self.path = path
        path.mkdir()
        done = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={kib}k", "tmpfs", path], capture_output=True)
        if done.returncode:
            pytest.skip("a small file system cannot be mounted here")

    def grow(self, kib: int) -> None:
        subprocess.run(["mount", "-o", f"remount,size={kib}k", self.path], check=True)

    def fill(self, leave: int) -> Path:
        """A file that leaves so many bytes free, or a little less."""
        filler = self.path / "filler"
        free = os.statvfs(self.path)
        filler.write_bytes(b"x" * max(0, free.f_bavail * free.f_frsize - leave))
        return filler

    def gone(self) -> None:
        subprocess.run(["umount", "-l", self.path], check=False)


@pytest.fixture
def disk(tmp_path):
    if not sys.platform.startswith("linux") or os.geteuid() != 0:
        pytest.skip("a small file system takes Linux and its administrator")
    made = []

    def of(kib: int) -> SmallDisk:
        made.append(SmallDisk(tmp_path / f"disk{len(made)}", kib))
        return made[-1]

    yield of
    for one in made:
        one.gone()


def told_and_refused(done):
    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stderr
    assert "no space left" in done.stderr.lower()


def files_of(folder):
    return {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file() and p.name != "filler"}


RECORDS, FILES = object(), object()
"""Of two practices: what is written is larger than the disk all the same."""


@pytest.fixture(scope="module")
def of_two(tmp_path_factory):
    """Folders with the records of two practices, and with their files for the group."""
    records, files = tmp_path_factory.mktemp("records"), tmp_path_factory.mktemp("files")
    for table in ("cases", "cold_tests"):
        lines = (DATA / f"{table}.csv").read_text(encoding="utf-8").splitlines(keepends=True)
        kept = [line for k, line in enumerate(lines) if not k or line.startswith(("P01-", "P03-"))]
        (records / f"{table}.csv").write_text("".join(kept), encoding="utf-8")
    for code in ("P01", "P03"):
        shutil.copy(next((DATA / "exchange").glob(f"*{code}*")), files)
    return {RECORDS: records, FILES: files}


@pytest.mark.slow
@pytest.mark.parametrize(
    "command",
    [
        (
            "report",
            GROUP,
            RECORDS,
            "--quarter",
            "2025Q4",
            "--allocation",
            DATA / "allocation",
            "--format",
            "html",
            "--format",
            "json",
        ),
        ("group", GROUP, FILES),
    ],
    ids=["report", "group"],
)
def test_documents_are_written_together_or_not_at_all(disk, tmp_path, command, of_two):
    mine = tmp_path / "mine.toml"
    shutil.copy(GROUP, mine)
    command = [mine if part is GROUP else of_two.get(part, part) for part in command]
    small = disk(60)
    told_and_refused(run_command("onsetstudy", *command, "--into", small.path / "reports", answer_alone=True))
    assert files_of(small.path) == {}
    # With room they are written; made anew on a disk that is full by then, what stood there stands as it was.
    small.grow(20_000)
    assert run_command("onsetstudy", *command, "--into", small.path / "reports", answer_alone=True).returncode == 0
    before = files_of(small.path)
    assert len(before) >= 2
    small.fill(leave=100_000)
    page = next(p for p in before if p.suffix == ".html")
    (small.path / page).write_bytes(b"edited")
    told_and_refused(run_command("onsetstudy", *command, "--into", small.path / "reports", answer_alone=True))
    assert files_of(small.path) == {**before, page: b"edited"}


def test_a_file_for_the_group_is_whole_or_not_there(disk):
    small = disk(8)
    sent = ("send", GROUP, DATA, "--practice", "P01", "--allocation", DATA / "allocation", "--into", small.path)
    told_and_refused(run_command("onsetstudy", *sent))
    assert files_of(small.path) == {}


@pytest.fixture(scope="module")
def counted_with_room(tmp_path_factory):
    """Files of a group from a disk with room, by name."""
    folder = tmp_path_factory.mktemp("room")
    assert run_command("onsetstudy", *COUNT, folder, parts=PARTS).returncode == 0
    return {name: content for name, content in files_of(folder).items() if "work" not in name.parts}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kib", "split", "files"),
    [(150, False, False), (330, True, False), (430, True, True)],
    ids=["while tables are split", "while parts are counted", "while files are written"],
)
def test_counts_of_many_rows_go_on_once_there_is_room(disk, counted_with_room, kib, split, files):
    small = disk(kib)
    told_and_refused(run_command("onsetstudy", *COUNT, small.path / "out", parts=PARTS))
    left = files_of(small.path / "out")
    # What was done is whole; of what was not, nothing is left that could be taken for it.
    assert not any(name.suffix == ".part" for name in left)
    assert len([name for name in left if name.parts[:2] == ("work", "split")]) == (2 * PARTS + 1 if split else 0)
    done = [name for name in left if name.suffix == ".npz"]
    assert len(done) in ((PARTS,) if files else range(1, PARTS) if split else (0,))
    written = {name: content for name, content in left.items() if "work" not in name.parts}
    assert 0 < len(written) < 5 if files else not written
    assert written.items() <= counted_with_room.items()
    small.grow(20_000)
    again = run_command("onsetstudy", *COUNT, small.path / "out", parts=PARTS)
    assert again.returncode == 0, again.stderr
    assert f"Parts: {PARTS}, of which {len(done)} were done before." in again.stdout
    now = files_of(small.path / "out")
    assert {name: content for name, content in now.items() if "work" not in name.parts} == counted_with_room
    assert {name: now[name] for name in done} == {name: left[name] for name in done}


@pytest.mark.slow
def test_a_list_is_whole_or_not_there(disk, tmp_path):
    mine = short_list(tmp_path / "mine.toml")
    small = disk(24)
    draw = ("allocate", mine, "--into", small.path / "list", "--slips", "8", "--print")
    told_and_refused(run_command("onsetstudy", *draw))
    assert not (small.path / "list" / "list.csv").exists()
    small.grow(20_000)
    again = run_command("onsetstudy", *draw)
    assert again.returncode == 0, again.stderr
    assert len(list((small.path / "list").glob("sealed-*.json"))) == 5


def test_a_slip_is_logged_whole_or_not_opened(disk):
    small = disk(20_000)
    words = drawn(small.path / "list", 12)
    sealed = small.path / "list" / "sealed-P01.json"
    open_three(sealed, words, 1)
    filler = small.fill(leave=0)
    before = log_path(sealed).read_bytes()
    with pytest.raises(OnsetStudyError):
        open_next(
            sealed, case_id="P01-0004", levels={"technique": "ianb"}, opened_by="", now=dt.datetime(2026, 1, 5, 9),
            passphrase=words.__getitem__,
        )  # fmt: skip
    assert log_path(sealed).read_bytes() == before
    filler.unlink()
    open_three(sealed, words, 4)
    log, broken = read_opening_log(log_path(sealed))
    assert broken == ()
    assert log["slip"].tolist() == sorted(set(log["slip"]))
    assert len(log) == 6
    held = [e.body["slip"] for e in of_kind(verified_ledger(practice_ledger_path(sealed)), "slip_opened")]
    assert held == log["slip"].tolist()
