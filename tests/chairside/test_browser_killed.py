"""The browser killed while the computer is away: what was tapped is there when it is opened again."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys

import pytest

from onsetstudy.files.sources.recorded import read_store
from onsetstudy.files.store import EventStore
from tests.chairside.chair import quick_audit
from tests.chairside.conftest import wait_for

FIRST = """
import sys
from pathlib import Path
from playwright.sync_api import sync_playwright
from tests.chairside.chair import Chair
from tests.chairside.test_page import running
profile, address = sys.argv[1:]
with sync_playwright() as playwright:
    device = playwright.chromium.launch_persistent_context(profile, executable_path="{exe}", args=["--no-sandbox"])
    device.set_default_timeout(60_000)
    chair = Chair(device.pages[0], address)
    running(chair)
    chair.wait_until_written()
    chair.page.evaluate("() => navigator.serviceWorker.ready.then(() => true)")
    print("written", flush=True)
    sys.stdin.readline()
    chair.answer("not_felt")
    tap = chair.taps[-1]
    chair.page.wait_for_function("() => !Object.keys(localStorage).some((k) => k.startsWith('held-'))")
    print("kept", chair.tapped("Injection ended").before, chair.tapped("Injection ended").after, flush=True)
    print(tap.before, tap.after, flush=True)
    sys.stdin.readline()
"""
SECOND = """
import sys
from playwright.sync_api import sync_playwright
from tests.chairside.chair import Chair
profile, address = sys.argv[1:]
with sync_playwright() as playwright:
    device = playwright.chromium.launch_persistent_context(profile, executable_path="{exe}", args=["--no-sandbox"])
    device.set_default_timeout(60_000)
    chair = Chair(device.pages[0], address)
    chair.page.wait_for_selector("#next")
    chair.wait_until_written()
    device.close()
"""


def browser(script, executable, profile, address):
    """A browser of its own group of processes, with its profile on the disk."""
    return subprocess.Popen(
        [sys.executable, "-c", script.format(exe=executable), profile, address],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def kill_all(process):
    """The program and every browser that it started, at once."""
    listed = subprocess.run(["ps", "-o", "pid=,args=", "-e"], capture_output=True, text=True, check=True).stdout
    own = [int(line.split()[0]) for line in listed.splitlines() if str(process.args[3]) in line]
    for pid in {*own, process.pid}:
        try:
            os.kill(pid, signal.SIGKILL)
        except ProcessLookupError:
            continue
    process.wait()
    process.stdin.close()
    process.stdout.close()


@pytest.mark.slow
def test_what_was_tapped_outlives_the_browser_and_the_computer_being_away(tmp_path, serve, executable):
    server, profile = serve(quick_audit(tmp_path)), tmp_path / "profile"
    first = browser(FIRST, executable, profile, server.addresses["alone"])
    try:
        assert first.stdout.readline() == "written\n"
        server.kill()
        first.stdin.write("\n")
        first.stdin.flush()
        zero = [float(text) for text in first.stdout.readline().split()[1:]]
        tap = [float(text) for text in first.stdout.readline().split()]
    finally:
        kill_all(first)
    with EventStore(server.store) as store:
        assert [e.payload["response"] for e in store.events() if e.kind == "test"] == ["felt"]
    server.start()
    second = browser(SECOND, executable, profile, re.sub("/enter.*", "/", server.addresses["alone"]))
    try:
        assert second.wait(timeout=180) == 0
    finally:
        kill_all(second)
    wait_for(lambda: len(read_store(server.store).cold_tests.frame) == 2)
    minute = read_store(server.store).cold_tests.frame["minute"].astype(float).max()
    assert (tap[0] - zero[1] - 0.25) / 60 <= minute <= (tap[1] - zero[0] + 0.25) / 60
