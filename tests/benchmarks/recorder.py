"""The recorder's store and server: entries a second, four chairs at once, a store of 100,000 entries.

Run ``python -m tests.benchmarks.recorder``.
"""

from __future__ import annotations

import http.client
import json
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.recorded import export_store, facts_of
from onsetstudy.files.store import EventStore
from onsetstudy.records.chair.event import Event

PROTOCOL = Path("protocols/infiltration_audit.toml")
WALL = "2026-04-03T14:00:00+00:00"


def entry(n: int, kind: str, case: str | None, payload: dict[str, object]) -> Event:
    return Event(
        id=f"entry-{n:07d}",
        kind=kind,
        clock="clock-1",
        at_monotonic=0.5 * n,
        at_wall=WALL,
        device="device-1",
        payload=payload,
        case_id=case,
    )


def many_entries(count: int) -> list[Event]:
    """Cases of forty entries each, anchors between them."""
    events = []
    for n in range(count):
        case, place = f"P06-{n // 40:06d}", n % 40
        if place == 0:
            told = {"boot": "boot-1", "server_s": 0.5 * n, "server_wall_s": 1.7e9 + 0.5 * n, "half_s": 0.001}
            events.append(entry(n, "anchor", None, told))
        elif place == 1:
            events.append(entry(n, "case_opened", case, {"tooth": "16", "technique": "buccal_infiltration"}))
        elif place in (2, 3):
            events.append(entry(n, ("injection_start", "injection_end")[place - 2], case, {}))
        else:
            told = {"planned_min": place / 2, "tooth_role": "target", "response": "felt"}
            events.append(entry(n, "test", case, told))
    return events


def store_alone(folder: Path) -> None:
    facts = facts_of(read_protocol(PROTOCOL), "P06")
    with EventStore(folder / "single.sqlite", create=facts) as store:
        events = many_entries(2000)
        began = time.perf_counter()
        for event in events:
            store.append([event])
        print(f"single entries, each on the disk: {len(events) / (time.perf_counter() - began):,.0f} a second")
    path = folder / "large.sqlite"
    with EventStore(path, create=facts) as store:
        events = many_entries(100_000)
        for start in range(0, len(events), 500):
            store.append(events[start : start + 500])
    began = time.perf_counter()
    EventStore(path).close()
    opened = time.perf_counter() - began
    began = time.perf_counter()
    export_store(path, folder / "open")
    print(f"100,000 entries: opened in {opened:.3f} s, exported in {time.perf_counter() - began:.1f} s")


def one_chair(port: int, cookie: str, number: int, took: list[float]) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", port)
    headers = {"Origin": f"http://127.0.0.1:{port}", "Content-Type": "application/json", "Cookie": cookie}
    for n in range(250):
        told = {**entry_json(1_000_000 * number + n)}
        began = time.perf_counter()
        connection.request("POST", "/api/entries", json.dumps({"entries": [told]}), headers)
        answer = json.loads(connection.getresponse().read())
        assert answer["entries"][0]["state"] == "written", answer
        took.append(time.perf_counter() - began)
    connection.close()


def entry_json(n: int) -> dict[str, object]:
    told: dict[str, object] = {"boot": "boot-1", "server_s": 1.0, "server_wall_s": 1.7e9, "half_s": 0.001}
    event = entry(n, "anchor", None, told)
    names = ("id", "kind", "clock", "at_monotonic", "at_wall", "device", "payload")
    return {name: getattr(event, name) for name in names}


def four_chairs(folder: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "onsetstudy",
        "chairside",
        PROTOCOL,
        "--store",
        folder / "p.sqlite",
        "--no-browser",
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=None, bufsize=1) as server:
        assert server.stdout is not None
        address = next(line for line in server.stdout if "token" in line)
        port = int(re.search(r":(\d+)/", address)[1])  # type: ignore[index]
        first = http.client.HTTPConnection("127.0.0.1", port)
        first.request("GET", "/enter?" + address.strip().split("?")[1])
        cookie = first.getresponse().getheader("set-cookie", "").split(";")[0]
        took: list[float] = []
        chairs = [threading.Thread(target=one_chair, args=(port, cookie, k, took)) for k in range(4)]
        began = time.perf_counter()
        for chair in chairs:
            chair.start()
        for chair in chairs:
            chair.join()
        rate = len(took) / (time.perf_counter() - began)
        worst = statistics.quantiles(took, n=100)[98]
        print(f"four chairs at once: {rate:,.0f} a second; median {1e3 * statistics.median(took):.1f} ms, ", end="")
        print(f"99 of 100 within {1e3 * worst:.0f} ms")
        server.kill()


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        store_alone(Path(folder))
        four_chairs(Path(folder))


if __name__ == "__main__":
    main()
