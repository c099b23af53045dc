"""The server killed at random moments while entries are acknowledged, and devices that sleep."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import random
import re
import signal
import subprocess
import sys
import threading
import time

import pytest

from onsetstudy.files.sources.recorded import read_store
from onsetstudy.files.store import EventStore
from tests.chairside.asgi import Browser
from tests.chairside.chair import Chair, Tap, quick_audit
from tests.chairside.conftest import wait_for
from tests.chairside.test_page import minutes, running
from tests.examples import THOROUGH

KILLS, WITHIN_S = (200, 20.0) if THOROUGH else (60, 6.0)
AT_LEAST = 8


class ForkedServer:
    """A server that is there again a moment after it was killed; only its code was kept."""

    def __init__(self, protocol, store):
        self.store = store
        self.starter = subprocess.Popen(
            [sys.executable, "-m", "tests.chairside.forked_server", protocol, store, "P06"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def start(self):
        """Returns the address, once the server listens."""
        self.starter.stdin.write("start\n")
        self.starter.stdin.flush()
        found = {}
        while len(found) < 2:  # the starter tells the number and the server its address, in either order
            line = self.starter.stdout.readline()
            assert line, "the starter has ended"
            found |= dict(re.findall(r"^(pid|alone):? (\S+)", line))
        self.pid = int(found["pid"])
        return found["alone"]

    def kill(self):
        os.kill(self.pid, signal.SIGKILL)
        assert self.starter.stdout.readline() == "ended\n"

    def end(self):
        """Whatever became of the test."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGKILL)
        self.starter.stdin.close()
        self.starter.wait()
        self.starter.stdout.close()


@pytest.fixture
def forked(tmp_path):
    server = ForkedServer(quick_audit(tmp_path), tmp_path / "practice.sqlite")
    yield server
    server.end()


def entries_until_killed(port, cookie, first, known):
    """Send entries one by one until nobody answers; ``known`` grows by the names of those that were acknowledged."""
    headers = {"Origin": f"http://127.0.0.1:{port}", "Content-Type": "application/json", "Cookie": cookie}
    maker = Browser(None)
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    for n in range(first, first + 100_000):
        told = {"boot": "boot-1", "server_s": 1.0, "server_wall_s": 1.7e9, "half_s": 0.001}
        entry = maker.entry("anchor", told, case_id=None, key=f"entry-{n:06d}", at_monotonic=1.0 * n)
        try:
            connection.request("POST", "/api/entries", json.dumps({"entries": [entry]}), headers)
            answer = json.loads(connection.getresponse().read())
        except (OSError, http.client.HTTPException, ValueError):
            break
        assert answer["entries"][0]["state"] in ("written", "known")
        known.append(entry["id"])
    connection.close()


def kill_once(server, known, so_many, later_s):
    """Kill the server a moment after it has acknowledged so many."""
    wait_for(lambda: len(known) >= so_many, step_s=0.001)
    time.sleep(later_s)
    server.kill()


@pytest.mark.slow
def test_killed_at_random_moments_nothing_acknowledged_is_lost(forked):
    server, address = forked, forked.start()
    port = int(re.search(r":(\d+)/", address)[1])
    first = http.client.HTTPConnection("127.0.0.1", port)
    first.request("GET", "/enter?" + address.split("?")[1])
    cookie = first.getresponse().getheader("set-cookie").split(";")[0]
    first.close()
    chance, acknowledged, kills, until = random.Random(3), [], 0, time.monotonic() + WITHIN_S
    # As many as fit in the time, and never fewer than some: a slow machine proves less, and fails nothing.
    while kills < KILLS and (kills < AT_LEAST or time.monotonic() < until):
        so_many = len(acknowledged) + chance.randrange(1, 20)
        killer = threading.Thread(target=kill_once, args=(server, acknowledged, so_many, chance.uniform(0, 0.01)))
        killer.start()
        entries_until_killed(port, cookie, len(acknowledged), acknowledged)
        killer.join()
        with EventStore(server.store) as store:
            there = {e.id for e in store.events()}
        assert set(acknowledged) <= there
        kills += 1
        assert server.start().startswith(f"http://127.0.0.1:{port}/")


SLEEPS = """
const real = performance.now.bind(performance), wall = Date.now;
let slept = 0, set = 0;
performance.now = () => real() - slept;
Date.now = () => wall() + set;
window.sleepFor = (ms) => {
  const from = real();
  while (real() - from < ms);
  slept += real() - from;
};
window.setWall = (ms) => { set += ms; };
"""
"""A machine that sleeps, as a page sees it: nothing runs, its own clock stands still, and the wall clock runs on."""


def sleepy(server, context):
    device = context()
    device.add_init_script(SLEEPS)
    return Chair(device.new_page(), server.addresses["alone"])


def test_a_tablet_that_slept_asks_the_computer_and_shifts_nothing(tmp_path, serve, context):
    server = serve(quick_audit(tmp_path))
    chair = sleepy(server, context)
    running(chair)
    chair.page.evaluate("() => sleepFor(3000)")
    chair.answer("not_felt")
    chair.wait_until_written()
    wait_for(lambda: len(minutes(server.store)) == 2)
    assert chair.agrees(minutes(server.store))
    assert read_store(server.store).flagged == ()


TEN_MINUTES_S = 600.0
AFTER_TEN = [10 + k / 4 for k in range(17)]


@pytest.mark.parametrize("away", [False, True], ids=["with the computer", "without the computer"])
def test_a_tablet_frozen_for_ten_minutes_shifts_nothing(tmp_path, serve, context, away):
    shift = tmp_path / "shift"
    program = ("tests.chairside.shifted_server", str(shift))
    server = serve(quick_audit(tmp_path, later=AFTER_TEN), program=program)
    chair = sleepy(server, context)
    running(chair)
    chair.wait_until_written()
    if away:
        server.kill()
    # The computer's clocks run on while the page stands still; the page finds its wall clock run on as it wakes.
    wakes = threading.Timer(1.5, shift.write_text, [str(TEN_MINUTES_S)])
    wakes.start()
    chair.page.evaluate("(ms) => { sleepFor(4000); setWall(ms); }", 1000 * TEN_MINUTES_S)
    wakes.join()
    chair.page.wait_for_function("() => document.querySelector('#elapsed').innerText.startsWith('10:')")
    chair.answer("not_felt")
    last = chair.taps.pop()
    chair.taps.append(Tap(last.what, last.before + TEN_MINUTES_S, last.after + TEN_MINUTES_S))
    if away:
        server.start()
    chair.wait_until_written()
    wait_for(lambda: len(minutes(server.store)) == 2)
    assert chair.agrees(minutes(server.store))
    assert read_store(server.store).flagged == ()


def test_a_tablet_that_slept_while_the_computer_was_away_is_flagged_and_widened(tmp_path, serve, context):
    server = serve(quick_audit(tmp_path))
    chair = sleepy(server, context)
    running(chair)
    chair.wait_until_written()
    server.kill()
    chair.page.evaluate("() => { sleepFor(3000); setWall(500_000); }")  # and somebody set the clock
    chair.page.wait_for_selector("#trouble >> text=marked as wider")
    chair.answer("not_felt")
    server.start()
    wait_for(lambda: len(minutes(server.store)) == 2)
    folded = read_store(server.store)
    assert len(folded.flagged) == 1
    assert minutes(server.store)[1] >= chair.since_injection("not_felt")[0][0]  # entered late rather than early


@pytest.mark.parametrize("set_s", [-7200, 7200], ids=["back", "forward"])
@pytest.mark.parametrize("again", [False, True], ids=["while it runs", "and it is started again"])
def test_a_computer_whose_wall_clock_is_set_shifts_nothing(tmp_path, serve, context, set_s, again):
    shift = tmp_path / "shift"
    server = serve(quick_audit(tmp_path), program=("tests.chairside.shifted_server", str(shift)))
    chair = Chair(context().new_page(), server.addresses["alone"])
    running(chair)
    chair.wait_until_written()
    if again:
        server.kill()
    shift.write_text(f"0 {set_s}")
    if again:
        server.start()
    chair.page.evaluate("async () => { while (!await (await import('/log.js')).anchor()); }")  # asks the computer anew
    chair.page.wait_for_timeout(1500)
    chair.answer("not_felt")
    chair.page.reload()  # a page of its own clock, tied to the other by the computer alone
    chair.page.wait_for_selector("#next")
    chair.page.wait_for_timeout(1500)
    chair.answer("felt")
    chair.wait_until_written()
    wait_for(lambda: len(minutes(server.store)) == 3)
    assert chair.agrees(minutes(server.store))
    assert read_store(server.store).flagged == ()
