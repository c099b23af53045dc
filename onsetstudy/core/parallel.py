"""How long work is handed out and how its progress is told."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol, TypeVar

T = TypeVar("T")
R = TypeVar("R")

Progress = Callable[[int, int, str], None]
"""Called as ``progress(done, total, label)``."""


class Mapper(Protocol):
    """Anything that applies a function to items and gives the results in order."""

    def map(self, function: Callable[[T], R], items: Iterable[T]) -> list[R]:
        """Results of ``function`` on each of ``items``, in order."""
        ...


class _Serial:
    def map(self, function: Callable[[T], R], items: Iterable[T]) -> list[R]:
        return [function(item) for item in items]


serial: Mapper = _Serial()
"""The mapper that works through the items one after the other, in this process."""
