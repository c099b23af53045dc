"""Processes that begin in a moment: forked from one that has read all the code and has done nothing yet.

Where the code comes from is not what is tested, and reading it costs a second of processor each time. That process has
drawn and printed nothing: a fork of this one, if the typesetter has begun its threads here, would wait for them for ever.
"""

from __future__ import annotations

import os
import runpy
import signal
import sys
from collections.abc import Sequence
from multiprocessing import get_context
from multiprocessing.connection import Connection

CLEAN = get_context("forkserver")
CLEAN.set_forkserver_preload(
    [
        "pytest",
        "tests.attacks.test_killed",
        "onsetstudy.chairside.serving",
        "onsetstudy.cli.during.chairside",
        "onsetstudy.files.ledger.lock",
        "onsetstudy.files.sources.recorded",
    ]
)


class CommandProcess:
    """``python -m`` with these arguments in a process of its own; what it says is read from ``stdout``."""

    def __init__(self, arguments: Sequence[object]) -> None:
        here, there = CLEAN.Pipe(duplex=False)
        self._process = CLEAN.Process(target=_run, args=(tuple(map(str, arguments)), there), daemon=True)
        self._process.start()
        there.close()
        self.pid = self._process.pid
        self.stdout = os.fdopen(os.dup(here.fileno()), encoding="utf-8")
        here.close()

    def send_signal(self, number: signal.Signals) -> None:
        if self._process.is_alive():
            os.kill(self.pid, number)

    def wait(self) -> int | None:
        self._process.join()
        return self._process.exitcode


def _run(arguments: tuple[str, ...], out: Connection) -> None:
    os.dup2(out.fileno(), 1)
    os.dup2(1, 2)
    out.close()
    for name, number in (("stdout", 1), ("stderr", 2)):
        setattr(sys, name, os.fdopen(number, "w", encoding="utf-8", buffering=1, closefd=False))
    sys.argv = list(arguments)
    runpy.run_module(arguments[0], run_name="__main__", alter_sys=True)
