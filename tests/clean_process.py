"""Processes that begin in a moment: forked from one that has read all the code and has done nothing yet.

Where the code comes from is not what is tested, and reading it costs a second of processor each time. That process has
drawn and printed nothing: a fork of this one, if the typesetter has begun its threads here, would wait for them for
ever.
"""

from __future__ import annotations

import contextlib
import os
import runpy
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path

from tests.unpainted import unpainted

CLEAN = get_context("forkserver")
CLEAN.set_forkserver_preload(
    [
        "pytest",
        "cryptography.hazmat.primitives.ciphers.aead",
        "cryptography.hazmat.primitives.kdf.scrypt",
        "hypothesis.extra.pandas",
        "pandera.accessors.pandas_accessor",
        "pandera.backends.pandas.register",
        "pandera.backends.pandas.container",
        "pandera.strategies.pandas_strategies",
        "tests.attacks.test_killed",
        "onsetstudy.chairside.serving",
        "onsetstudy.cli.during.chairside",
        "onsetstudy.files.sources.recorded",
        "onsetstudy.cli.before.lists",
        "onsetstudy.cli.after.group",
        "onsetstudy.cli.after.reduce",
        "onsetstudy.cli.after.report",
        "onsetstudy.cli.after.send",
        "onsetstudy.files.bulk.reduce",
        "onsetstudy.files.documents.group",
        "onsetstudy.files.sealed.allocation_list",
        "onsetstudy.report.sections.before.printed",
        "onsetstudy.study.group.analyse_group",
        "tests.study.answer_alone",
        "matplotlib.figure",
        "matplotlib.backends.backend_svg",
        "seaborn",
    ]
)


class CommandProcess:
    """``python -m`` with these arguments in a process of its own; what it says is read from ``stdout``."""

    def __init__(self, arguments: Sequence[object]) -> None:
        here, there = CLEAN.Pipe(duplex=False)
        self._process = CLEAN.Process(target=_serve, args=(tuple(map(str, arguments)), there), daemon=True)
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


def run_command(
    *arguments: object, cwd: Path | None = None, parts: int | None = None, answer_alone: bool = False
) -> subprocess.CompletedProcess[str]:
    """``python -m`` with these arguments in a process of its own, run to its end.

    ``parts`` is into how many parts a count splits tables, which is otherwise as their size asks for; ``answer_alone``
    leaves out of reports what stands far behind their answer, and figures are empty drawings.
    """
    with tempfile.TemporaryDirectory() as place:
        out, err = Path(place) / "out", Path(place) / "err"
        process = CLEAN.Process(target=_run, args=(tuple(map(str, arguments)), out, err, cwd, parts, answer_alone))
        process.start()
        process.join()
        code = process.exitcode
        process.close()
        return subprocess.CompletedProcess(
            arguments, code, out.read_text(encoding="utf-8"), err.read_text(encoding="utf-8")
        )


def _serve(arguments: tuple[str, ...], out: Connection) -> None:
    _say_into(out.fileno(), out.fileno())
    out.close()
    _as_module(arguments)


def _run(
    arguments: tuple[str, ...], out: Path, err: Path, cwd: Path | None, parts: int | None, answer_alone: bool
) -> None:
    files = [os.open(path, os.O_WRONLY | os.O_CREAT) for path in (out, err)]
    _say_into(*files)
    if cwd is not None:
        os.chdir(cwd)
    if parts is not None:
        from onsetstudy.files.bulk.parts import split_tables

        split_tables.__kwdefaults__["parts"] = parts
    with _answer_alone() if answer_alone else contextlib.nullcontext():
        _as_module(arguments)


@contextlib.contextmanager
def _answer_alone() -> Iterator[None]:
    from tests.study.answer_alone import answer_alone

    with unpainted(), answer_alone():
        yield


def _say_into(out: int, err: int) -> None:
    for name, number, into in (("stdout", 1, out), ("stderr", 2, err)):
        os.dup2(into, number)
        setattr(sys, name, os.fdopen(number, "w", encoding="utf-8", buffering=1, closefd=False))


def _as_module(arguments: tuple[str, ...]) -> None:
    sys.argv = list(arguments)
    runpy.run_module(arguments[0], run_name="__main__", alter_sys=True)
