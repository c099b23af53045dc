"""A real Chromium, a real server and a real store."""

from __future__ import annotations

import contextlib
import re
import shutil
import signal
import threading
import time
from pathlib import Path

import pytest

from tests.clean_process import CommandProcess

BROWSERS = ("chromium-headless-shell", "chromium", "chromium-browser")
"""The first one paints and runs pages as the others do, without windows of its own: a fifth less of processor."""
EXE = next(filter(None, map(shutil.which, BROWSERS)), None)
NO_BROWSER = "no browser: apt-get install -y chromium-headless-shell, and pip install playwright"


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Whoever asks for a browser has the mark: nobody has to think of it."""
    for item in items:
        if "executable" in getattr(item, "fixturenames", ()):
            item.add_marker("browser")


class Server:
    """The recorder as its user starts it, in a process of its own."""

    def __init__(
        self, protocol: Path | None, folder: Path, *more: str, program: tuple[str, ...] = ("onsetstudy",)
    ) -> None:
        self.protocol, self.folder, self.more, self.program = protocol, folder, more, program
        self.store = folder / "practice.sqlite"
        self.process: CommandProcess | None = None
        self.addresses: dict[str, str] = {}
        self.said: list[str] = []

    def start(self, until: tuple[str, ...] = ("alone", "mixer")) -> Server:
        """Start it, and read what it says up to the address of the last role."""
        where = [*filter(None, [self.protocol]), "--store", self.store, "--no-browser"]
        self.process = CommandProcess([*self.program, "chairside", *where, *self.more])
        self.said = []
        return self.read(until)

    def read(self, until: tuple[str, ...] = ("alone", "mixer")) -> Server:
        """Read on what it says, up to an address."""
        seen = self.said
        while True:
            line = self.process.stdout.readline()
            assert line, "".join(seen)
            seen.append(line)
            found = re.match(r"([\w-]+): (http\S+)", line)
            if found:
                self.addresses[found[1]] = found[2]
            if found and found[1] in until:
                return self

    def kill(self) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()
            self.process.stdout.close()
            self.process = None


@pytest.fixture
def serve(tmp_path):
    """Start servers; they end with the test."""
    started = []

    def start(protocol, *more, folder=tmp_path, until=("alone", "mixer"), **how):
        server = Server(protocol and Path(protocol), folder, *more, **how)
        started.append(server)
        return server.start(until)

    yield start
    for server in started:
        server.kill()


@pytest.fixture(scope="session")
def executable():
    """Where a browser lies; whoever asks is marked ``browser``."""
    if EXE is None:
        pytest.skip(NO_BROWSER)
    pytest.importorskip("playwright.sync_api", reason=NO_BROWSER)
    return EXE


@pytest.fixture(scope="session")
def chromium(executable):
    """One browser for all tests; each takes a context of its own."""
    from playwright import sync_api

    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=executable, args=["--no-sandbox"])
        yield browser
        browser.close()


ASK_OFTEN = """
const every = window.setInterval;
window.setInterval = (what, ms, ...more) => every(what, ms === 2000 ? 300 : ms, ...more);
"""
"""A page asks the computer for news every two seconds; the tests do not wait for so long."""


@pytest.fixture
def context(chromium):
    """A device: its own storage, its own cookies."""
    with contextlib.ExitStack() as stack:

        def new(**options):
            made = chromium.new_context(**{"viewport": {"width": 1366, "height": 768}, **options})
            stack.callback(made.close)
            made.set_default_timeout(60_000)
            made.add_init_script(ASK_OFTEN)
            return made

        yield new


def wait_for(condition, seconds=60.0, step_s=0.05):
    """Wait until something outside the browser holds."""
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until
        threading.Event().wait(step_s)
