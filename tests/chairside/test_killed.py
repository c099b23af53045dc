"""The server killed at random moments while entries are acknowledged, and devices that sleep."""

from __future__ import annotations

import http.client
import json
import random
import re
import threading
import time

from onsetstudy.files.sources.recorded import read_store
from onsetstudy.files.store import EventStore
from tests.chairside.asgi import Browser
from tests.chairside.chair import Chair, quick_audit
from tests.chairside.conftest import wait_for
from tests.chairside.test_page import minutes, running

KILLS = 8


def entries_until_killed(server, cookie, first):
    """Send entries one by one; returns the names of those that were acknowledged."""
    port = int(re.search(r":(\d+)/", server.addresses["alone"])[1])
    headers = {"Origin": f"http://127.0.0.1:{port}", "Content-Type": "application/json", "Cookie": cookie}
    known, maker = [], Browser(None)
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
    return known


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
        timer = threading.Timer(chance.uniform(0.05, 0.5), server.kill)
        timer.start()
        acknowledged += entries_until_killed(server, cookie, len(acknowledged))
        timer.join()
        with EventStore(server.store) as store:
            there = {e.id for e in store.events()}
        assert set(acknowledged) <= there
        server.start()
    assert len(acknowledged) > 10 * KILLS


def asleep(page, seconds):
    """A machine that sleeps, as a page sees it: its own clock stands still, the wall clock has run on."""
    page.clock.pause_at(time.time() + 0.05)
    time.sleep(seconds)
    page.clock.set_system_time(time.time())
    page.clock.resume()


def test_a_tablet_that_slept_asks_the_computer_and_shifts_nothing(tmp_path, serve, context):
    server = serve(quick_audit(tmp_path))
    page = context().new_page()
    page.clock.install()
    chair = Chair(page, server.addresses["alone"])
    running(chair)
    asleep(page, 3.0)
    page.wait_for_timeout(1500)
    chair.answer("not_felt")
    chair.wait_until_written()
    wait_for(lambda: len(minutes(server.store)) == 2)
    recorded, (low, high) = minutes(server.store)[1], chair.since_injection("not_felt")[0]
    assert low - 0.15 / 60 <= recorded <= high + 0.15 / 60  # the sleep of this test is itself begun to 0.1 s
    assert read_store(server.store).flagged == ()


def test_a_tablet_that_slept_while_the_computer_was_away_is_flagged_and_widened(tmp_path, serve, context):
    server = serve(quick_audit(tmp_path))
    page = context().new_page()
    page.clock.install()
    chair = Chair(page, server.addresses["alone"])
    running(chair)
    chair.wait_until_written()
    server.kill()
    asleep(page, 3.0)
    page.clock.set_system_time(time.time() + 500)  # and somebody set the clock
    page.wait_for_timeout(700)
    chair.answer("not_felt")
    page.wait_for_selector("#trouble >> text=marked as wider")
    server.start()
    wait_for(lambda: len(minutes(server.store)) == 2)
    folded = read_store(server.store)
    assert len(folded.flagged) == 1
    assert minutes(server.store)[1] >= chair.since_injection("not_felt")[0][0] - 0.01  # entered late rather than early
