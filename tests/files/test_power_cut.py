"""The power fails while entries are acknowledged: what a disk had received by then holds every one of them.

A process that is killed proves nothing about this, as the system still writes out what it was given. Here the store
lies on a disk of its own (a file behind a loop device); the bytes that reached that disk are copied while the writer
stands still, and the copy is mounted as after a power cut.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import subprocess
import time

import pytest

from onsetstudy.files.store import EventStore
from tests.clean_process import CommandProcess

CUTS = 6
TOOLS = ("mkfs.ext4", "mount", "umount")


@contextlib.contextmanager
def mounted(image, place):
    place.mkdir(exist_ok=True)
    subprocess.run(["mount", "-o", "loop", image, place], check=True, capture_output=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", place], check=True)


@pytest.fixture
def disk(tmp_path):
    """A disk of its own, mounted."""
    if os.name != "posix" or os.geteuid() != 0 or any(shutil.which(tool) is None for tool in TOOLS):
        pytest.skip("a disk can be mounted by root alone, with mkfs.ext4 and mount")
    image = tmp_path / "disk.img"
    with image.open("wb") as file:
        file.truncate(32 * 1024 * 1024)
    subprocess.run(["mkfs.ext4", "-q", image], check=True)
    with contextlib.ExitStack() as stack:
        try:
            place = stack.enter_context(mounted(image, tmp_path / "disk"))
        except subprocess.CalledProcessError as error:
            pytest.skip(f"no disk can be mounted here: {error.stderr.decode(errors='replace').strip()}")
        yield image, place


def cut(image, copy, writer, known, so_many):
    """Copy what the disk has received once so many were acknowledged; returns those acknowledged by then."""
    while len(known) < so_many:
        known.append(writer.stdout.readline().strip())
    writer.send_signal(signal.SIGSTOP)
    shutil.copyfile(image, copy)
    writer.send_signal(signal.SIGCONT)
    return set(known)


def test_what_was_acknowledged_is_on_the_disk_when_the_power_fails(disk, tmp_path):
    image, place = disk
    chance, known = random.Random(5), []
    store = place / "practice.sqlite"
    EventStore(store, create={"study_id": "power"}).close()
    writer = CommandProcess(["tests.files.store_writer", store])
    cuts = []
    try:
        for number in range(CUTS):
            copy = tmp_path / f"cut-{number}.img"
            cuts.append((copy, cut(image, copy, writer, known, len(known) + chance.randrange(1, 60))))
            time.sleep(chance.uniform(0, 0.02))
    finally:
        writer.send_signal(signal.SIGKILL)
        writer.wait()
        writer.stdout.close()
    for copy, acknowledged in cuts:
        with mounted(copy, tmp_path / "after") as after, EventStore(after / store.name) as found:
            assert acknowledged <= {event.id for event in found.events()}


def test_the_copy_holds_only_what_was_forced_to_the_disk(disk, tmp_path):
    image, place = disk
    for name, forced in (("forced", True), ("not-forced", False)):
        with (place / name).open("wb") as file:
            file.write(b"x" * 5000)
            file.flush()
            if forced:
                os.fsync(file.fileno())
    copy = tmp_path / "cut.img"
    shutil.copyfile(image, copy)
    with mounted(copy, tmp_path / "after") as after:
        assert (after / "forced").read_bytes() == b"x" * 5000
        late = after / "not-forced"
        assert not late.exists() or late.stat().st_size == 0
