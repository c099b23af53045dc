from __future__ import annotations

import gc
import os
import shutil
from pathlib import Path

import pytest
from hypothesis import settings

import tests.one_thread  # noqa: F401
from tests.examples import THOROUGH
from tests.reference import Reference, load_reference
from tests.unpainted import unpainted

settings.load_profile("thorough" if THOROUGH else "house")

LIMIT_S = 8.0
"""Seconds of processor that a test may take without the mark slow: it says two, but a loaded machine takes more."""


MEMORY, ROOM = Path("/dev/shm"), 2**30
"""Where what is written needs no disk, and how much has to be free there: a run leaves a third of it."""


def pytest_configure():
    """Folders of tests lie in memory where there is one: what is put away safely waits for no disk."""
    if MEMORY.is_dir() and os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > ROOM:
        os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))


@pytest.hookimpl(wrapper=True)
def pytest_collection():
    """What is read here stays to the end: looking through it again and again for garbage costs seconds."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


@pytest.fixture(scope="module", autouse=True)
def settled():
    """What earlier modules keep stays, too: a library looks for garbage at each call, and looked through all of it."""
    gc.freeze()


@pytest.fixture
def reference():
    """Loads an outside value by the name of its folder under ``tests/references``."""

    def load(name: str) -> Reference:
        return load_reference(name)

    return load


@pytest.fixture(name="unpainted")
def without_painting():
    """Figures are empty drawings: for tests that read words and numbers, and would wait for the painting."""
    with unpainted():
        yield


WHOLE_GRID = ("test_cold_test_errors", "test_once", "test_demo", "test_exchange")
"""Modules that look at what the answer would be if cold tests erred, or at all that a report does or ships."""


@pytest.fixture(scope="module", autouse=True)
def short_grid(request):
    """One sensitivity and specificity in place of nine with their limits, where a report is made for other words."""
    if THOROUGH or request.module.__name__.rsplit(".", 1)[-1] in WHOLE_GRID:
        yield
        return
    from onsetstudy.survival.erring.misclassified import GRID

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("onsetstudy.study.topics.cold_test_errors.GRID", GRID[:1])
        yield


@pytest.fixture
def answer_alone():
    """Reports tell the answer and leave out what stands far behind it, where nobody asks for that."""
    from tests.study.answer_alone import answer_alone

    with answer_alone():
        yield


@pytest.fixture
def few_draws(monkeypatch):
    """Thirty draws of a comparison by choice, not three hundred: where it matters that it ends, and not where."""
    if not THOROUGH:
        monkeypatch.setattr("onsetstudy.study.topics.confounding.REPLICATES", 30)


@pytest.fixture(scope="session", autouse=True)
def remembered(request):
    """What verbs said of which cases, for all tests that change nothing."""
    from tests.remembered import Remembered

    answers = Remembered()
    answers.allow(request.node.items[0])
    request.config.remembered = answers
    with answers.kept():
        yield


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item):
    """Before a test, and what it shares with its module, is set up."""
    if answers := getattr(item.config, "remembered", None):
        answers.allow(item)


def _processor_s() -> float:
    """What this process and the ended ones that it started have used; waiting for others' work is not counted."""
    return sum(os.times()[:4])


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item):
    """A test that takes long and is not marked slow fails, so that ``-m 'not slow'`` stays what it promises."""
    begun = _processor_s()
    result = yield
    took = _processor_s() - begun
    if took > LIMIT_S and not THOROUGH and item.get_closest_marker("slow") is None:
        pytest.fail(f"took {took:.1f} s of processor: mark it slow, or share what it makes with others", pytrace=False)
    return result
