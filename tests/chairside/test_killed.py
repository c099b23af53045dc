"""The server killed at random moments while entries are acknowledged, and devices that sleep."""

from __future__ import annotations

import http.client
import json
import random
import re
import threading
import time

import pytest

from onsetstudy.files.sources.recorded import read_store
from onsetstudy.files.store import EventStore
from tests.chairside.asgi import Browser
from tests.chairside.chair import Chair, Tap, quick_audit
from tests.chairside.conftest import wait_for
from tests.chairside.test_page import minutes, running

KILLS = 8


def entries_until_killed(server, cookie, first, known):
    """Send entries one by one until nobody answers; ``known`` grows by the names of those that were acknowledged."""
    port = int(re.search(r":(\d+)/", server.addresses["alone"])[1])
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
    wait_for(lambda: len(known) >= so_many)
    time.sleep(later_s)
    server.kill()


@pytest.mark.slow
def test_killed_at_random_moments_nothing_acknowledged_is_lost(tmp_path, serve):
    server = serve(quick_audit(tmp_path))
    address = server.addresses["alone"]
    port = int(re.search(r":(\d+)/", address)[1])
    first = http.client.HTTPConnection("127.0.0.1", port)
    first.request("GET", "/enter?" + address.split("?")[1])
    cookie = first.getresponse().getheader("set-cookie").split(";")[0]
    first.close()
    chance, acknowledged = random.Random(3), []
    for _ in range(KILLS):
        so_many = len(acknowledged) + chance.randrange(1, 30)
        killer = threading.Thread(target=kill_once, args=(server, acknowledged, so_many, chance.uniform(0, 0.05)))
        killer.start()
        entries_until_killed(server, cookie, len(acknowledged), acknowledged)
        killer.join()
        with EventStore(server.store) as store:
            there = {e.id for e in store.events()}
        assert set(acknowledged) <= there
        server.start()


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
