"""Arrays by what they hold; numbers, labels and weights as a caller may hand them in, checked one per case."""

from __future__ import annotations

import numbers
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from onsetstudy.core.errors import OnsetStudyError

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


def require_number(value: object, name: str, mend: str, *, whole: bool = False) -> None:
    """Refuse what is not one number (a ``whole`` one), such as a text, a list or a truth value.

    Raises
    ------
    OnsetStudyError
        With ``mend`` as its correction.
    """
    if isinstance(value, bool) or not isinstance(value, numbers.Integral if whole else numbers.Real):
        raise OnsetStudyError.of_key(name, f"{name} is {value!r}", mend)


_LARGEST_COUNT = 10**8
"""What takes a working day, rather than years."""
_OPTIONS: dict[str, tuple[str, Callable[[float], bool]]] = {
    "tau_min": ("write minutes above 0, for example 15", lambda minutes: 0 < minutes < np.inf),
    "target_min": ("write minutes above 0, for example 5", lambda minutes: 0 < minutes < np.inf),
    "share": ("write a number between 0 and 1, for example 0.5", lambda share: 0 < share < 1),
    "grace_min": ("write minutes of 0 or more, or leave it out for the usual gap", lambda minutes: minutes >= 0),
    "n_resamples": ("write a whole number from 1 to 100 million; 9999 is usual", lambda n: 1 <= n <= _LARGEST_COUNT),
    "max_enumeration": (
        "write a whole number from 0 to 100 million; 200000 is usual",
        lambda n: 0 <= n <= _LARGEST_COUNT,
    ),
}
"""Options of verbs that are one number: what to write, and whether a number can be meant."""
_COUNTS = ("n_resamples", "max_enumeration")


def number_of_option(name: str, value: Any) -> Any:
    """The number that an option of this name can be; other options are given back as they are, for verbs to check.

    Raises
    ------
    OnsetStudyError
    """
    if name not in _OPTIONS:
        return value
    mend, can_be_meant = _OPTIONS[name]
    require_number(value, name, mend, whole=name in _COUNTS)
    try:
        number = value if name in _COUNTS else float(value)
    except OverflowError:
        number = np.nan
    if not can_be_meant(number):
        raise OnsetStudyError.of_key(name, f"{name} is {value}", mend)
    return number


def middle_case(values: FloatArray, cases: FloatArray) -> float:
    """Median of values of which each stands for so many cases; of an even number the mean of the two in the middle."""
    order = np.argsort(values)
    upto = np.cumsum(cases[order])
    middle = np.searchsorted(upto, [(upto[-1] - 1) // 2, upto[-1] // 2], side="right")
    return float(np.mean(values[order][middle]))


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


_WEIGHT_KINDS = ("counts", "probabilities")
"""What a weight says: how many like cases a row stands for, or how much one case is to count."""
_SHOWN = 20


def one_per_case(values: ArrayLike, n: int, name: str) -> NDArray[Any]:
    """The values as an array of one entry per case, without gaps.

    Raises
    ------
    OnsetStudyError
    """
    # As objects, so that a missing label among texts stays missing.
    array: NDArray[Any] = np.asarray(values, dtype=object if isinstance(values, list | tuple) else None)
    if array.ndim != 1 or array.size != n:
        size = f"{array.size} entries" if array.ndim == 1 else f"the shape {array.shape}"
        what = f"{name} has {size} for {n} cases"
        raise OnsetStudyError.of_key(name, what, f"give one {name} per case", code="shape")
    gaps = np.asarray(pd.isna(array)) | np.ma.getmaskarray(values if isinstance(values, np.ma.MaskedArray) else array)
    _refuse_rows(gaps, f"{name} is missing", name, f"name the {name} of every case or leave the case out", "missing")
    return array


def _refuse_rows(wrong: BoolArray, what: str, name: str, mend: str, code: str) -> None:
    if wrong.any():
        cases = ", ".join(str(i) for i in np.flatnonzero(wrong)[:_SHOWN])
        raise OnsetStudyError.of_key(name, f"{what} for case {cases} (counted from 0)", mend, code=code)


def numbers_per_case(values: ArrayLike, n: int, name: str) -> FloatArray:
    """Finite numbers; numbers written as text are refused, since nobody knows how they were meant.

    Raises
    ------
    OnsetStudyError
    """
    array = one_per_case(values, n, name)
    if array.dtype.kind in "OUS":
        text = np.array([isinstance(v, str | bytes) for v in array], dtype=np.bool_)
        _refuse_rows(text, f"{name} is text", name, "give numbers, not text", "text")
    found = real_numbers(array.astype(np.int64) if array.dtype.kind == "b" else array, name)
    _refuse_rows(~np.isfinite(found), f"{name} is infinite", name, "give finite numbers", "infinite")
    return found


def weights_per_case(weight: ArrayLike, n: int, kind: str) -> FloatArray:
    """Weights of 0 or more; where they count like cases, whole ones.

    Raises
    ------
    OnsetStudyError
    """
    values = numbers_per_case(weight, n, "weight")
    fault = values < 0
    what, mend = "a number of 0 or more", "a weight must be 0 or more"
    if kind == "counts":
        fault |= values != np.round(values)
        what = "a whole number of 0 or more"
        mend = "a weight says how many like cases a row stands for"
    if fault.any():
        shown = ", ".join(f"{values[i]:g} for case {i}" for i in np.flatnonzero(fault)[:_SHOWN])
        raise OnsetStudyError.of_key("weight", f"weight is not {what}: {shown} (counted from 0)", mend)
    return values


def require_weight_kind(kind: object) -> None:
    """Refuse a kind of weight that is not known.

    Raises
    ------
    OnsetStudyError
    """
    if kind not in _WEIGHT_KINDS:
        raise OnsetStudyError.of_key("weight_kind", f"weight_kind is {kind!r}", "write counts or probabilities")


def checked_weight(weight: ArrayLike | None, n: int, kind: str = "counts") -> FloatArray | None:
    """Weights as :class:`Cases` checks them; ``None`` stays ``None``.

    Raises
    ------
    OnsetStudyError
        If the kind is not known, or they are not one number per case, of 0 or more and (counts) whole.
    """
    require_weight_kind(kind)
    return None if weight is None else weights_per_case(weight, n, kind)
