"""A fork for every mutant: the parent has imported what is not changed, the child imports what is and runs pytest."""

from __future__ import annotations

import ast
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import os
import pkgutil
import signal
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from types import CodeType, ModuleType

import pytest

from tests.mutation.mutants import Mutant

__all__ = ["forked", "judge", "module_of", "warm"]

OPTIONS = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:randomly", "-p", "no:anyio", "-m", "not slow"]
# The parent has imported what some plug-ins would like to rewrite.
OPTIONS += ["-W", "ignore::ResourceWarning", "-W", "ignore::pytest.PytestAssertRewriteWarning"]
FAILED = (1, 2)
"""What pytest returns where a test failed, or a module could not be imported; 3 and above is no verdict."""


def module_of(path: str) -> str:
    """``onsetstudy.core.claims`` of ``onsetstudy/core/claims.py``."""
    parts = Path(path).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def warm(package: str) -> dict[str, set[str]]:
    """Import every module of the package; by module, the modules that its text imports."""
    imported: dict[str, set[str]] = {}
    top = importlib.import_module(package)
    for found in pkgutil.walk_packages(top.__path__, f"{package}."):
        if not found.name.endswith("__main__"):
            importlib.import_module(found.name)
    names = [n for n in sys.modules if n == package or n.startswith(f"{package}.")]
    for name in names:
        text = Path(str(sys.modules[name].__file__)).read_text(encoding="utf-8")
        imported[name] = set()
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Import):
                imported[name] |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                imported[name] |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
        imported[name] &= set(names)
    return imported


def dependants(module: str, imported: dict[str, set[str]]) -> set[str]:
    """The module and all that import it, directly or not."""
    found, grew = {module}, True
    while grew:
        more = {name for name, used in imported.items() if used & found} - found
        found, grew = found | more, bool(more)
    return found


class _Changed(importlib.abc.MetaPathFinder, importlib.machinery.SourceFileLoader):
    """Gives one module from a changed text and leaves all others to the usual way."""

    def __init__(self, name: str, path: Path, text: bytes) -> None:
        super().__init__(name, str(path))
        self.text = text

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)

    def get_code(self, fullname: str) -> CodeType:
        return compile(self.text, self.path, "exec", dont_inherit=True)


def _forget(module: str, imported: dict[str, set[str]]) -> None:
    """Let the next import of the module, and of all that rest on it, run its text again."""
    gone = dependants(module, imported)
    packages = [n for n in gone if hasattr(sys.modules[n], "__path__")]
    for name in gone.difference(packages):
        del sys.modules[name]
        parent, _, last = name.rpartition(".")
        vars(sys.modules[parent]).pop(last, None)
    for name in sorted(packages, key=len, reverse=True):
        importlib.reload(sys.modules[name])


class _Chosen:
    """Pytest plugin: the chosen tests only, in their order; the first that failed."""

    def __init__(self, chosen: Sequence[str]) -> None:
        self.place = {test: n for n, test in enumerate(chosen)}
        self.failed = ""

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted((i for i in items if i.nodeid in self.place), key=lambda i: self.place[i.nodeid])

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.failed:
            self.failed = report.nodeid


def judge(mutant: Mutant, chosen: Sequence[str], root: Path, imported: dict[str, set[str]]) -> str:
    """In a forked child: ``survived``, ``killed`` with the test that did it, or ``no verdict``."""
    name = module_of(mutant.path)
    text = (root / mutant.path).read_bytes()
    sys.meta_path.insert(0, _Changed(name, root / mutant.path, mutant.of(text)))
    try:
        _forget(name, imported)
    except Exception as error:
        return f"killed,import: {type(error).__name__}"
    files = list(dict.fromkeys(test.split("::")[0] for test in chosen))
    # File by file, the room of the change first: to import all of them takes longer than most tests do.
    for file in sorted(files, key=lambda f: Path(f).parts[1] != Path(mutant.path).parts[1]):
        plugin = _Chosen([test for test in chosen if test.startswith(f"{file}::")])
        try:
            code = pytest.main([*OPTIONS, file], plugins=[plugin])
        except BaseException as error:
            return f"no verdict,{type(error).__name__}: {error}"
        if code in FAILED:
            return f"killed,{plugin.failed or f'collection of {file}'}"
        if code != 0:
            return f"no verdict,{code}"
    return "survived,"


def forked(work: Iterable[tuple[Callable[[], str], float]], workers: int) -> Iterator[tuple[int, str, float]]:
    """Run each task in a fork of its own; its number, what it told (``timeout,`` beyond its limit) and seconds."""
    waiting = enumerate(work)
    running: dict[int, tuple[int, int, float, float]] = {}
    while True:
        while len(running) < workers and (item := next(waiting, None)) is not None:
            number, (task, limit) = item
            pid, told = _fork(task)
            running[pid] = (number, told, time.monotonic(), limit)
        if not running:
            return
        for pid, (number, told, began, limit) in list(running.items()):
            took = time.monotonic() - began
            ended = os.waitpid(pid, os.WNOHANG)[0] == pid
            if not ended and took > limit:
                os.killpg(pid, signal.SIGKILL)
                os.waitpid(pid, 0)
            if ended or took > limit:
                del running[pid]
                with os.fdopen(told, encoding="utf-8") as pipe:
                    said = pipe.read()
                yield number, said or ("no verdict,died" if ended else "timeout,"), took
        time.sleep(0.02)


def _fork(task: Callable[[], str]) -> tuple[int, int]:
    """Process id and reading end of the pipe of a child that runs the task silently."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid:
        os.close(writing)
        return pid, reading
    os.setpgid(0, 0)
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)
    os.dup2(silent, 2)
    try:
        os.write(writing, task().encode())
    finally:
        os._exit(0)
