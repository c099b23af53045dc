"""Arrays by what they hold, and numbers as a caller may hand them in."""

from __future__ import annotations

import numbers
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from onsetstudy.core.errors import OnsetStudyError

__all__ = [
    "AnyInt",
    "BoolArray",
    "FloatArray",
    "IndexArray",
    "IntArray",
    "StrArray",
    "real_numbers",
    "require_level",
    "require_number",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
IndexArray = NDArray[np.intp]
AnyInt = NDArray[np.signedinteger]
BoolArray = NDArray[np.bool_]
StrArray = NDArray[np.str_]

_KINDS = {"m": "durations", "M": "dates", "U": "text", "S": "text", "b": "true and false", "c": "complex numbers"}


def real_numbers(values: ArrayLike, name: str) -> FloatArray:
    """The values as new floats; what is missing or masked becomes ``nan``.

    Parameters
    ----------
    values : array_like
        Numbers. Of text nobody knows how it was meant, and of a date or a duration not in which unit.
    name : str
        What they are, for the message.

    Raises
    ------
    OnsetStudyError
        If they are text, dates, durations, truth values or complex numbers, or rows of several lengths.
    """
    if type(values) is np.ndarray and values.dtype.kind in "fiu":
        return np.array(values, dtype=np.float64)
    masked = np.ma.getmaskarray(values) if isinstance(values, np.ma.MaskedArray) else None
    try:
        # As they are: among numbers in a list, numpy would turn a text or a truth value into one of them or back.
        as_given: NDArray[Any] = np.array(values, dtype=object if isinstance(values, list | tuple) else None)
    except ValueError:
        raise _no_numbers(name, "rows of several lengths") from None
    if as_given.dtype.kind in _KINDS:
        raise _no_numbers(name, _KINDS[as_given.dtype.kind])
    if as_given.dtype.kind == "O":
        as_given = np.array([_real(v, name) for v in as_given.flat], dtype=np.float64).reshape(as_given.shape)
    found = as_given.astype(np.float64)
    if masked is not None:
        found[masked] = np.nan
    return found


def _real(value: object, name: str) -> float:
    if isinstance(value, bool):
        raise _no_numbers(name, f"{value!r}")
    if isinstance(value, numbers.Real):
        return float(value)
    if value is None or value is pd.NA or value is np.ma.masked:
        return float("nan")
    raise _no_numbers(name, f"{value!r}")


def _no_numbers(name: str, found: str) -> OnsetStudyError:
    return OnsetStudyError.of_key(name, f"{name} holds {found}", "give plain numbers", code="not_numbers")


def require_number(value: object, name: str, mend: str) -> None:
    """Refuse what is not one number, such as a text, a list or a truth value.

    Raises
    ------
    OnsetStudyError
        With ``mend`` as its correction.
    """
    if isinstance(value, bool) or not isinstance(value, numbers.Real):
        raise OnsetStudyError.of_key(name, f"{name} is {value!r}", mend)


def require_level(level: object) -> None:
    """Refuse a confidence level that does not lie between 0 and 1.

    Raises
    ------
    OnsetStudyError
    """
    if isinstance(level, numbers.Real) and 0.0 < float(level) < 1.0:
        return
    what = f"the confidence level {level!r} is not a share"
    mend = "the confidence level must lie between 0 and 1, for example 0.95"
    raise OnsetStudyError.of_key("conf_level", what, mend)
