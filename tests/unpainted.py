"""Figures as empty drawings, for tests that read words and numbers and would wait for the painting."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from unittest import mock

EMPTY = '<svg xmlns="http://www.w3.org/2000/svg" role="img" width="9" height="9"></svg>'


@contextmanager
def unpainted() -> Iterator[None]:
    """Inside, no figure is painted; one that was painted before stays what it is."""
    from onsetstudy.report.document import Painted

    painting = Painted.__get__

    def instead(self: Painted, instance: Any, owner: type) -> Any:
        if instance is not None and not isinstance(vars(instance)[self._name], str):
            return EMPTY
        return painting(self, instance, owner)

    with mock.patch.object(Painted, "__get__", instead):
        yield
