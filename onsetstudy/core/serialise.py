"""Results as plain JSON types and back, so that estimates can travel without case records.

A dataclass registered with :func:`result_kind` becomes a dict with its ``kind``; the way
back is chosen by that word. Infinite and missing numbers are written as the texts
``"inf"``, ``"-inf"`` and ``"nan"``, since JSON has no such numbers.

In a results file cautions and assumptions stand once, in a table of their own, and are referred to by their key: on
plain JSON types, so that every kind of result is served alike; a file written without the table is read as it stands.
"""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections.abc import Callable, Mapping
from functools import cache
from typing import Any, TypeVar, cast, dataclass_transform

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import OnsetStudyError, require
from onsetstudy.core.quantities import read_earlier

FORMAT_VERSION = 1
TABLE = "annotations"
NAMED = {"assumption": "name", "caution": "code"}
REFERENCE = "annotation"

EARLIER_FIELDS: dict[str, Mapping[str, str]] = {}
"""kind -> name of a field in earlier files -> today's name; read for ever."""
DROPPED_FIELDS: Mapping[str, frozenset[str]] = {
    "anytime_test": frozenset({"ratios"}),
    "cold_test_errors": frozenset({"control_tests", "from_intervals"}),
    "conditional_power": frozenset({"current"}),
    "fair_comparison": frozenset({"balance"}),
    "group_results": frozenset({"agreement", "test_errors"}),
    "group_success": frozenset({"if_not_numb", "if_numb"}),
    "look_plan": frozenset({"expected_fraction"}),
    "look_verdict": frozenset({"repeated"}),
    "never_numb_fit": frozenset({"log_likelihood_without"}),
    "paired_study": frozenset(
        {"onset_test", "success", "success_difference", "wait_difference", "not_numb_difference"}
    ),
    "planned_look": frozenset({"cross_null", "nominal_p"}),
    "pool_member": frozenset({"shrunken", "shrunken_to"}),
    "reconciled": frozenset({"mean_of_practices", "within"}),
    "run_length": frozenset({"simulated", "simulated_error", "replicates", "guard"}),
    "shared_frailty": frozenset({"clusters"}),
    "simulated_power": frozenset({"wrong_side"}),
    "stage": frozenset({"lower_min", "upper_min"}),
    "stopped_estimate": frozenset({"look", "plain_interval"}),
    "waits_seen": frozenset({"mixing_recorded"}),
}
"""kind -> fields that earlier files have and nobody reads any more; passed over for ever."""
ARMS_AS_SAVED = "difference of means, Welch's t"
"""Method of the minutes saved that were labelled as they were computed, reference arm first."""

KEYED = ("estimate", "not_available", "pooled")
"""Kinds whose quantity is a key of the table; elsewhere the same word may name something else."""

NOTHING: Mapping[str, str] = types.MappingProxyType({})
C = TypeVar("C", bound=type)
_KINDS: dict[str, type] = {}
_KIND_ATTRIBUTE = "_kind"

EARLIER_WORDS: dict[tuple[str, str], Mapping[str, str]] = {}
"""(kind, field) -> earlier word -> today's word, for fields that hold a code; read for ever."""


@dataclass_transform(frozen_default=True, kw_only_default=True, field_specifiers=(dataclasses.field,))
def result_kind(kind: str, *, earlier: Mapping[str, str] = NOTHING, arrays: bool = False) -> Callable[[C], C]:
    """Class decorator that makes a frozen, slotted, keyword-only dataclass, registered under the word used in JSON.

    ``earlier`` gives fields by the names that files had before; they are read for ever. Results with ``arrays`` hold
    read-only copies of them as floats, and are not compared.
    """

    def register(body: C) -> C:
        if arrays:
            body.__post_init__ = _freeze_arrays  # type: ignore[attr-defined]
        cls = cast("C", dataclasses.dataclass(frozen=True, slots=True, kw_only=True, eq=not arrays)(body))
        if kind in _KINDS and _KINDS[kind].__qualname__ != cls.__qualname__:
            raise ValueError(f"the kind {kind!r} is taken by {_KINDS[kind]}")
        _KINDS[kind] = cls
        EARLIER_FIELDS[kind] = earlier
        setattr(cls, _KIND_ATTRIBUTE, kind)
        return cls

    return register


def _freeze_arrays(result: Any) -> None:
    for name, hint in type_hints(result.__class__).items():
        if _is_array(hint):
            object.__setattr__(result, name, _frozen(getattr(result, name)))


def _frozen(values: ArrayLike) -> FloatArray:
    array: FloatArray = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        body = {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
        if (kind := getattr(type(value), _KIND_ATTRIBUTE, None)) is None:
            raise TypeError(f"{type(value).__name__} is not registered with result_kind")
        return {"kind": kind, **body}
    if isinstance(value, np.ndarray | np.generic):
        return _plain(value.tolist())
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return "nan" if math.isnan(value) else ("inf" if value > 0 else "-inf")
    if value is None or isinstance(value, str | int | float | bool):
        return value
    raise TypeError(f"{type(value).__name__} has no plain form")


def to_dict(result: Any) -> dict[str, Any]:
    """Plain JSON types of a registered result, with ``kind`` and ``version``."""
    return {"version": FORMAT_VERSION, **_plain(result)}


class Serialisable:
    """What a registered result can do beside holding its fields."""

    __slots__ = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return to_dict(self)


type_hints = cache(typing.get_type_hints)
"""Types of the fields of a result."""


@cache
def alternatives(hint: Any) -> tuple[Any, ...]:
    """Types of which a value may be one."""
    return typing.get_args(hint) if typing.get_origin(hint) in (typing.Union, types.UnionType) else (hint,)


def item_types(hint: Any, n: int) -> list[Any]:
    """Types of the entries of a tuple of so many."""
    inner = typing.get_args(hint)
    return [inner[0]] * n if len(inner) == 2 and inner[1] is Ellipsis else list(inner)


def _is_array(hint: Any) -> bool:
    return hint is np.ndarray or typing.get_origin(hint) is np.ndarray


def _back(value: Any, hint: Any) -> Any:
    choices = alternatives(hint)
    if isinstance(value, dict) and "kind" in value:
        return from_dict(value)
    if isinstance(value, list):
        if any(_is_array(choice) for choice in choices):
            return _frozen(value)
        tuples = [item_types(choice, len(value)) for choice in choices if typing.get_origin(choice) is tuple]
        parts = tuples[0] if tuples else [Any] * len(value)
        return tuple(_back(item, part) for item, part in zip(value, parts, strict=True))
    if float in choices and not isinstance(value, bool) and isinstance(value, int | str):
        if isinstance(value, int) and int not in choices:
            return float(value)
        if value in ("inf", "-inf", "nan"):
            return float(value)
    return value


def from_dict(data: Mapping[str, Any]) -> Any:
    """The result that :func:`to_dict` was given.

    Raises
    ------
    OnsetStudyError
        If the kind is unknown, the version is newer than this package, or fields are missing.

    Examples
    --------
    >>> from onsetstudy import Intervals, fit_npmle, from_dict
    >>> curve = fit_npmle(Intervals([0, 2, 4], [2, 4, float("inf")]))
    >>> from_dict(curve.to_dict()).to_dict() == curve.to_dict()
    True
    """
    require(data, Mapping, "data", "give what to_dict() made")
    if TABLE in data:
        # Claims are made anew from the results; those written beside them are for readers of the file.
        try:
            data = spread({name: value for name, value in data.items() if name != "claims"})
        except KeyError as error:
            raise OnsetStudyError(f"the result refers to {error}, which is not among its annotations") from None
    if (version := data.get("version", FORMAT_VERSION)) != FORMAT_VERSION:
        raise OnsetStudyError(f"this result has format version {version}; this package reads version {FORMAT_VERSION}")
    kind: Any = data.get("kind")
    if (cls := _KINDS.get(str(kind))) is None:
        raise OnsetStudyError(f"a result of the kind {kind!r} is not known to this package")
    data = {EARLIER_FIELDS[kind].get(name, name): value for name, value in data.items()}
    for (of, field), words in EARLIER_WORDS.items():
        if of == kind and isinstance(data.get(field), str):
            data[field] = words.get(data[field], data[field])
    hints = type_hints(cls)
    names = [f.name for f in dataclasses.fields(cls)]
    if unknown := sorted(set(data) - set(names) - DROPPED_FIELDS.get(str(kind), frozenset()) - {"kind", "version"}):
        raise OnsetStudyError(f"a result of the kind {kind!r} has fields that are not known: {', '.join(unknown)}")
    try:
        made = cls(**{name: _back(data[name], hints[name]) for name in names if name in data})
    except TypeError as error:
        raise OnsetStudyError(f"a result of the kind {kind!r} is incomplete: {error}") from error
    return _under_todays_key(made) if kind in KEYED else made


def _under_todays_key(result: Any) -> Any:
    """A result under the key, the sign and the contrast that its quantity has today."""
    key = result.quantity
    now, sign = read_earlier(key) if isinstance(key, str) else (key, 1)
    if now == key:
        return result
    changes: dict[str, Any] = {"quantity": now}
    if sign < 0:
        if isinstance(getattr(result, "estimate", None), float):
            changes["estimate"] = 0.0 - result.estimate
        for name in ("interval", "bound", "prediction"):
            if (span := getattr(result, name, None)) is not None:
                changes[name] = dataclasses.replace(span, low=0.0 - span.high, high=0.0 - span.low)
        # Practices' files said that the reference arm came first; exchange files said the opposite of what they held.
        if result.method == ARMS_AS_SAVED and result.contrast:
            changes["contrast"] = " - ".join(reversed(result.contrast.split(" - ")))
    return dataclasses.replace(result, **changes)


def _walked(value: Any, told: Callable[[dict[str, Any]], dict[str, Any] | None]) -> Any:
    """Plain types with each dict for which ``told`` gives another in its place."""
    if isinstance(value, list):
        return [_walked(item, told) for item in value]
    if not isinstance(value, dict):
        return value
    instead = told(value)
    return {name: _walked(item, told) for name, item in value.items()} if instead is None else instead


def gather(data: Mapping[str, Any]) -> dict[str, Any]:
    """The same data with each distinct caution and assumption once, under ``annotations``.

    A key is the kind and the code; where values make several texts of one code, the later ones are numbered.
    """
    table: dict[str, dict[str, Any]] = {}
    keys: dict[tuple[tuple[str, Any], ...], str] = {}

    def referred(value: dict[str, Any]) -> dict[str, Any] | None:
        if (field := NAMED.get(str(value.get("kind")))) is None or field not in value:
            return None
        identity = tuple(sorted(value.items()))
        if identity not in keys:
            base = f"{value['kind']}/{value[field]}"
            number = 1 + sum(key == base or key.startswith(f"{base}/") for key in table)
            keys[identity] = base if number == 1 else f"{base}/{number}"
            table[keys[identity]] = dict(value)
        return {REFERENCE: keys[identity]}

    return {**{name: _walked(item, referred) for name, item in data.items()}, TABLE: table}


def spread(data: Mapping[str, Any]) -> dict[str, Any]:
    """Data of :func:`gather` with every reference replaced by what it stands for.

    Raises
    ------
    KeyError
        If a reference is not in the table.
    """
    table = data.get(TABLE, {})

    def found(value: dict[str, Any]) -> dict[str, Any] | None:
        return dict(table[value[REFERENCE]]) if set(value) == {REFERENCE} else None

    return {name: _walked(item, found) for name, item in data.items() if name != TABLE}
