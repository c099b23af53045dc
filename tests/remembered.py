"""What verbs said of which cases, for all tests of a run: many reports are made of the same invented cases.

A report asks each verb once of the same cases and forgets the answers with its end (``study/sets/work``). Verbs are
pure, so that what one test was told holds for the next. A test that changes how something is done is told nothing by
others, and in the thorough run nobody is.
"""

from __future__ import annotations

import contextlib
from unittest import mock

from onsetstudy.study.sets.work import Work
from tests.examples import THOROUGH

ALONE = ("test_once",)
"""Modules that count what is asked."""


class Remembered:
    """Answers by question; ``using`` says whether the test that runs may be told them."""

    def __init__(self):
        self.said, self.using = {}, False

    @contextlib.contextmanager
    def kept(self):
        """While this lasts, each new piece of work begins with what others were told."""
        made = Work.__init__

        def begin(work, *given, **named):
            made(work, *given, **named)
            if self.using:
                object.__setattr__(work, "_said", self.said)

        with mock.patch.object(Work, "__init__", begin):
            yield

    def allow(self, item):
        """Whether the test that comes next may be told what others were."""
        alone = item.module.__name__.rsplit(".", 1)[-1] in ALONE or "monkeypatch" in item.fixturenames
        self.using = not (THOROUGH or alone)
