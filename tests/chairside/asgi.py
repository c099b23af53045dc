"""A browser of a few lines, for the application without a network; and a study to record."""

from __future__ import annotations

import asyncio
import dataclasses
import json
from concurrent.futures import ThreadPoolExecutor

from onsetstudy.chairside.clock import Reading
from onsetstudy.chairside.recorder import Recorder
from onsetstudy.chairside.server import ChairServer
from onsetstudy.chairside.sessions import PairingCodes, Sessions
from onsetstudy.files.sources.recorded import facts_of
from onsetstudy.files.store import EventStore, preparations_path
from tests.case_codes import new_case_code

ORIGIN = "http://127.0.0.1:8123"
CASE = new_case_code("P01", lambda n: 7)
PATIENT = new_case_code("P01", lambda n: 3)


class StoppedClock:
    """Clocks that say what they are told: one that runs on since a start, and the time of day, which can be set."""

    def __init__(self):
        self.boot, self.running_s, self.wall_s = "boot-1", 224_800.0, 1_775_224_800.0

    def wait(self, seconds):
        """Time passes."""
        self.running_s += seconds
        self.wall_s += seconds

    def set_time_of_day(self, seconds):
        """Somebody puts the wall clock forward, or back."""
        self.wall_s += seconds

    def restart(self, off_s):
        """The computer is off for so long."""
        self.boot, self.running_s = f"{self.boot}-again", 40.0
        self.wall_s += off_s

    def read(self):
        return Reading(boot=self.boot, server_s=self.running_s, server_wall_s=self.wall_s)


class Study:
    """A recorder on a store in a folder."""

    def __init__(self, protocol, folder, *, practice="P01", sealed=None):
        facts = facts_of(protocol, practice)
        self.path = folder / "practice.sqlite"
        self.store = EventStore(self.path, create=facts, timeout_s=0.05)
        self.preparations = EventStore(preparations_path(self.path), create=facts)
        self.clock = StoppedClock()
        self.recorder = Recorder(
            protocol, self.store, self.preparations, practice=practice, sealed=sealed, clock=self.clock
        )
        self.codes = []
        self.start()

    def start(self):
        """The server starts, again if it did before: tokens and codes are forgotten, sessions stand in the store."""
        self.sessions, self.pairing = Sessions(self.store, self.clock.read), PairingCodes(self.clock.read)
        server = ChairServer(
            recorder=self.recorder,
            sessions=self.sessions,
            pairing=self.pairing,
            announce=lambda role, code: self.codes.append((role, code)),
            cookie="onset_8123",
        )
        self.app = server.app([ORIGIN])

    def close(self):
        self.store.close()
        self.preparations.close()

    def browser(self, role):
        browser = Browser(self.app)
        browser.get(f"/enter?token={self.sessions.new_token(role)}")
        return browser


@dataclasses.dataclass
class Got:
    status: int
    headers: dict
    body: bytes

    def json(self):
        return json.loads(self.body)


class Browser:
    """Sends what a page would send, or what it is told instead."""

    def __init__(self, app):
        self.app, self.cookie, self.seen, self.count = app, "", [], 0

    def get(self, path, **headers):
        return self.send("GET", path, b"", headers)

    def post(self, path, value, **headers):
        body = value if isinstance(value, bytes) else json.dumps(value).encode()
        sent = {"origin": ORIGIN, "content-type": "application/json", "content-length": str(len(body)), **headers}
        return self.send("POST", path, body, sent)

    def send(self, method, path, body, headers):
        raw = {"host": "127.0.0.1:8123", **headers}
        if self.cookie:
            raw["cookie"] = self.cookie
        # In a thread of its own: where a browser runs too, this one has a loop already.
        with ThreadPoolExecutor(1) as alone:
            got = alone.submit(asyncio.run, _call(self.app, method, path, body, raw)).result()
        if "set-cookie" in got.headers:
            self.cookie = got.headers["set-cookie"].split(";")[0]
        self.seen.append(got)
        return got

    def entry(self, kind, payload=None, *, case_id=CASE, key=None, **more):
        self.count += 1
        return {
            "id": key or f"entry-{self.count:05d}",
            "kind": kind,
            "clock": "clock-1",
            "at_monotonic": 10.0 * self.count,
            "at_wall": "2026-04-03T14:00:00+00:00",
            "device": "device-1",
            "payload": payload or {},
            "case_id": case_id,
            **more,
        }

    def tap(self, kind, payload=None, **more):
        """Send one entry; returns its answer."""
        got = self.post("/api/entries", {"entries": [self.entry(kind, payload, **more)]})
        return got.json()["entries"][0]


async def _call(app, method, path, body, headers):
    path, _, query = path.partition("?")
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "query_string": query.encode(),
        "root_path": "",
        "scheme": "http",
        "server": ("127.0.0.1", 8123),
        "client": ("127.0.0.1", 1),
        "headers": [(k.encode(), v.encode("latin-1")) for k, v in headers.items()],
    }
    messages = [
        {"type": "http.request", "body": body[i : i + 4096], "more_body": True} for i in range(0, len(body), 4096)
    ]
    messages.append({"type": "http.request", "body": b"", "more_body": False})
    got = Got(0, {}, b"")

    async def receive():
        return messages.pop(0) if messages else {"type": "http.disconnect"}

    async def send(message):
        if message["type"] == "http.response.start":
            got.status = message["status"]
            got.headers = {k.decode(): v.decode() for k, v in message["headers"]}
        else:
            got.body += message.get("body", b"")

    await app(scope, receive, send)
    return got
