"""Which test runs which line, and how long it takes: the map from a mutant to those who must notice, quickest first."""

from __future__ import annotations

import ast
import hashlib
import itertools
import json
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import coverage
import pytest

from tests.mutation.mutants import Mutant

__all__ = ["BUDGET", "Map", "digest_of", "places_of", "trace"]

BUDGET = 8.0
"""Seconds of tests, as measured unchanged, that a mutant must survive; slower tests and the rest are left out."""
SLOWEST = 2.5
FIXTURE = "fixture "


def digest_of(*texts: bytes) -> str:
    """Short SHA-256 of texts."""
    return hashlib.sha256(b"\0".join(texts)).hexdigest()[:12]


class _Tracer:
    """Pytest plugin: one context of coverage for each test, set-up included, and its processor seconds.

    What a fixture of a module runs, it runs once, in the first test that asks for it, and is a matter of all that do:
    it has a context of its own, and ``shared`` tells whose.
    """

    def __init__(self, traced: coverage.Coverage) -> None:
        self.traced = traced
        self.seconds: dict[str, float] = {}
        self.shared: dict[str, list[str]] = {}
        self.context = ""

    def pytest_collection_finish(self, session: pytest.Session) -> None:
        for item in session.items:
            for name in getattr(item, "fixturenames", ()):
                self.shared.setdefault(FIXTURE + name, []).append(item.nodeid)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(
        self, fixturedef: pytest.FixtureDef[Any], request: pytest.FixtureRequest
    ) -> Iterator[None]:
        if fixturedef.scope == "function":
            return (yield)
        outer, self.context = self.context, FIXTURE + fixturedef.argname
        self.traced.switch_context(self.context)
        try:
            return (yield)
        finally:
            self.context = outer
            self.traced.switch_context(outer)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self.context = item.nodeid
        self.traced.switch_context(item.nodeid)
        began = time.process_time()
        result = yield
        self.seconds[item.nodeid] = time.process_time() - began
        self.traced.switch_context("")
        return result


def trace(file: str, options: list[str], targets: list[Path], root: Path) -> dict[str, Any]:
    """Run one test file; ``seconds`` of its tests and, for each target, the tests that ran each ``line``.

    Raises
    ------
    RuntimeError
        If a test fails on the unchanged source.
    """
    traced = coverage.Coverage(data_file=None, config_file=False, include=[str(t) for t in targets])
    tracer = _Tracer(traced)
    traced.start()
    code = pytest.main([*options, file], plugins=[tracer])
    traced.stop()
    if code != 0:
        raise RuntimeError(f"{file} fails on the unchanged source ({code}): nothing can be said")
    data = traced.get_data()
    lines = {}
    for target in targets:
        by_line = {
            str(n): sorted({t for context in ran if context for t in tracer.shared.get(context, [context])})
            for n, ran in data.contexts_by_lineno(str(target)).items()
        }
        lines[target.relative_to(root).as_posix()] = {n: tests for n, tests in by_line.items() if tests}
    return {"seconds": tracer.seconds, "lines": lines}


def kept_trace(place: Path, key: str) -> dict[str, Any] | None:
    """An earlier trace of the same text, or ``None``."""
    file = place / f"{key}.json"
    return json.loads(file.read_text(encoding="utf-8")) if file.exists() else None


def places_of(text: bytes) -> dict[int, range | None]:
    """By line, the lines of its innermost statement; ``None`` where it runs on import, so that any test may notice."""
    found: dict[int, range | None] = {}

    def visit(body: Iterable[ast.stmt], inside: bool) -> None:
        for node in body:
            inner = [part for name in ("body", "orelse", "finalbody") for part in getattr(node, name, [])]
            inner += [part for handler in getattr(node, "handlers", []) for part in handler.body]
            inner += [part for case in getattr(node, "cases", []) for part in case.body]
            span = range(node.lineno, (node.end_lineno or node.lineno) + 1)
            found.update(dict.fromkeys(span, span if inside else None))
            if inner and inside:
                head = range(node.lineno, max(node.lineno + 1, inner[0].lineno))
                found.update(dict.fromkeys(head, head))
            visit(inner, inside or isinstance(node, ast.FunctionDef))

    visit(ast.parse(text).body, False)
    return found


@dataclass(frozen=True, slots=True)
class Map:
    """Traces of all test files; ``heard`` gives the tests of a mutant."""

    traces: tuple[dict[str, Any], ...]

    def heard(self, mutant: Mutant, text: bytes) -> list[str]:
        """Tests that run the changed statement (of a line run on import: the module), quickest first, within budget."""
        span = places_of(text)[mutant.line]
        timed: list[tuple[float, str]] = []
        for traced in self.traces:
            lines = traced["lines"].get(mutant.path, {})
            asked = lines if span is None else [str(n) for n in span if str(n) in lines]
            timed += [(traced["seconds"][t], t) for t in {t for n in asked for t in lines[n]}]
        if not timed and span is not None:
            # Perhaps what is compared was made as the tests were collected, of which no test is told.
            for traced in self.traces:
                tests = set(itertools.chain(*traced["lines"].get(mutant.path, {}).values()))
                timed += [(traced["seconds"][t], t) for t in tests]
        total, chosen = 0.0, []
        for seconds, test in sorted(timed):
            total += seconds
            if seconds > SLOWEST or total > BUDGET:
                break
            chosen.append(test)
        return chosen
