"""Rows of a figure's table as values of a named kind, so that a slip in a column's name or type is found."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from typing import TYPE_CHECKING, Any, ClassVar, Protocol, TypeVar

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["rows_of"]


class _Dataclass(Protocol):
    __dataclass_fields__: ClassVar[dict[str, Any]]


Row = TypeVar("Row", bound=_Dataclass)


def rows_of(frame: pd.DataFrame, kind: type[Row]) -> Iterator[Row]:
    """One ``kind`` per row, from the columns that its fields name.

    Parameters
    ----------
    frame : DataFrame
        Holds at least those columns; what is missing in it stays ``nan``.
    kind : dataclass

    Raises
    ------
    KeyError
        If a column is not there.
    """
    names = [field.name for field in fields(kind)]
    columns = [frame[name].tolist() for name in names]
    return (kind(**dict(zip(names, values, strict=True))) for values in zip(*columns, strict=True))
