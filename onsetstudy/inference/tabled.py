"""Results that are made of others, and tell them all in one table."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import pandas as pd

from onsetstudy.core.results import Result, estimates_frame
from onsetstudy.core.serialise import Serialisable


class Tabled(Serialisable):
    """A result that is made of others."""

    __slots__ = ()

    def to_frame(self) -> pd.DataFrame:
        """Estimates and tests in the order of the fields, those of parts in their place."""
        return estimates_frame(_told(_values_of(self)))


def _values_of(result: Any) -> tuple[Any, ...]:
    return tuple(getattr(result, field.name) for field in dataclasses.fields(result))


def _told(value: object) -> Iterator[Result]:
    if isinstance(value, Result):
        yield value
    elif isinstance(value, tuple) or dataclasses.is_dataclass(value):
        for each in value if isinstance(value, tuple) else _values_of(value):
            yield from _told(each)
