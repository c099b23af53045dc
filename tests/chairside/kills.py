"""Measure what ``kill -9`` at random moments costs: entries acknowledged, lost, and written twice, kill by kill.

``python -m tests.chairside.kills [KILLS]`` writes ``tests/chairside/kills.csv``. A page sends entries one by one; what
was under way when the server died is sent again under its own id, as the page does, with whatever follows.
"""

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
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path
from typing import NamedTuple

from onsetstudy.files.store import EventStore
from tests.chairside.asgi import Browser
from tests.chairside.chair import quick_audit
from tests.chairside.conftest import wait_for

MEASURED = Path(__file__).with_name("kills.csv")
KILLS = 200
SEED = 20260703


class Kill(NamedTuple):
    """What stood after so many kills: entries acknowledged so far, those of them not there, those there twice."""

    kill: int
    acknowledged: int
    lost: int
    twice: int


class ForkedServer:
    """A server that is there again a moment after it was killed; only its code was kept."""

    def __init__(self, protocol, store):
        self.store = store
        self.pid = None
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
        self.pid = None

    def end(self):
        """Whatever became of the measuring."""
        if self.pid is not None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, signal.SIGKILL)
        self.starter.stdin.close()
        self.starter.wait()
        self.starter.stdout.close()


def entries_until_killed(port, cookie, known):
    """Send entries one by one until nobody answers; ``known`` grows by the names of those that were acknowledged."""
    headers = {"Origin": f"http://127.0.0.1:{port}", "Content-Type": "application/json", "Cookie": cookie}
    maker = Browser(None)
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    while True:
        n = len(known)
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


def cookie_of(port, address):
    """The session that a page gets by its address."""
    first = http.client.HTTPConnection("127.0.0.1", port)
    first.request("GET", "/enter?" + address.split("?")[1])
    cookie = first.getresponse().getheader("set-cookie").split(";")[0]
    first.close()
    return cookie


def kills_of(protocol, store, *, seed=SEED, kills=KILLS):
    """Kill and start again; yields a row after each kill."""
    server = ForkedServer(protocol, store)
    try:
        address = server.start()
        port = int(re.search(r":(\d+)/", address)[1])
        cookie, chance, acknowledged = cookie_of(port, address), random.Random(seed), []
        for kill in range(1, kills + 1):
            so_many = len(acknowledged) + chance.randrange(1, 20)
            moment = chance.uniform(0, 0.01)
            killer = threading.Thread(target=kill_once, args=(server, acknowledged, so_many, moment))
            killer.start()
            entries_until_killed(port, cookie, acknowledged)
            killer.join()
            with EventStore(server.store) as opened:
                there = Counter(e.at_monotonic for e in opened.events() if e.id.startswith("entry-"))
            lost = sum(1.0 * n not in there for n in range(len(acknowledged)))
            yield Kill(kill, len(acknowledged), lost, sum(times > 1 for times in there.values()))
            assert server.start().startswith(f"http://127.0.0.1:{port}/")
    finally:
        server.end()


def main(kills=KILLS):
    with tempfile.TemporaryDirectory() as folder:
        rows = list(kills_of(quick_audit(Path(folder)), Path(folder) / "practice.sqlite", kills=int(kills)))
    lines = [",".join(Kill._fields), *(",".join(map(str, row)) for row in rows)]
    MEASURED.write_text("\n".join(lines) + "\n", encoding="ascii")
    print(f"{len(rows)} kills, {rows[-1].acknowledged} acknowledged, {rows[-1].lost} lost, {rows[-1].twice} twice")


if __name__ == "__main__":
    main(*sys.argv[1:])
