"""Names that protocols had before, in one table: read for ever, and what digests and terms are computed over.

A file is understood under either name. What was promised under one is not changed by writing the other, so everything
that is compared by its text (digest, lock, terms of an exchange file) is written with the *first* names, and keys that
were added since count only where they say something other than their default.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping
from typing import Any

from onsetstudy.core.serialise import EARLIER_WORDS

EARLIER_KEYS = {("onset", "horizon_min"): "tau_min"}
"""(table, earlier key) -> today's key."""

_OUTCOMES = {
    "restricted_wait": "rmst_difference",
    "success_by_target": "success_difference",
    "never_numb": "not_numb_difference",
    "pain": "pain_difference",
}
_STRATEGIES = {"failure": "composite", "censored": "hypothetical"}

EARLIER_VALUES: dict[tuple[str, str], dict[str, str]] = {
    ("analysis", "primary"): _OUTCOMES,
    ("analysis", "secondary"): _OUTCOMES,
    ("rescue", "success"): _STRATEGIES,
    ("rescue", "wait"): _STRATEGIES,
    ("rescue", "hazard"): _STRATEGIES,
}
"""(table, key) -> earlier value -> today's value."""

for _kind, _field in (("looks_taken", "primary"), ("planned_analysis", "analysis"), ("shared_line", "outcome")):
    EARLIER_WORDS[_kind, _field] = _OUTCOMES  # results told outcomes by the words of the protocol

ABSENT_WHEN_DEFAULT: dict[tuple[str, str], Any] = {
    ("analysis", "estimate_strata"): ["practice"],
    ("analysis", "grace_min"): None,
    ("doses", "country"): "US",
    ("testing", "window_min"): None,
    ("pain", "mild_at_most"): None,
    ("allocation", "washout_days"): 0,
    ("allocation", "block_sizes_digest"): "",
    ("study", "case_codes"): "",
    ("planning", "treated_reference"): None,
    ("planning", "treated_other"): None,
    ("arms", "mix_mode"): "",
}
"""(table, key added since) -> its default, as JSON gives it: such a key does not count while it says its default."""

FIRST_DEFAULT: dict[tuple[str, str], Any] = {("planning", "wait_sd_min"): 3.0}
"""(table, key that may be left out today) -> what leaving it out once stood for; digests are over that for ever."""

_COUNTS = object()
_TABLE_OF = {"plan": "analysis", "schedule": "testing"}
"""A part of the protocol's values -> its table in the file, where they differ."""


def todays_outcome(code: str) -> str:
    """Key of the quantity that an outcome is told by; a code without an earlier name is its own."""
    return _OUTCOMES.get(code, code)


def todays_strategy(rule: str) -> str:
    """The standard name of a strategy for an intercurrent event."""
    return _STRATEGIES.get(rule, rule)


def todays_names(content: Mapping[str, Any]) -> dict[str, Any]:
    """The content of a protocol file under today's names; what is no table stays as it is."""
    tables: dict[str, Any] = copy.deepcopy(dict(content))
    for (table, earlier), now in EARLIER_KEYS.items():
        found = tables.get(table)
        if isinstance(found, dict) and earlier in found:
            value = found.pop(earlier)
            found.setdefault(now, value)
    for (table, key), values in EARLIER_VALUES.items():
        found = tables.get(table)
        if isinstance(found, dict) and key in found:
            found[key] = _exchanged(found[key], values)
    return tables


def named_twice(content: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    """Keys that a file gives under both names: (table, earlier key, today's key)."""
    for (table, earlier), now in EARLIER_KEYS.items():
        found = content.get(table)
        if isinstance(found, Mapping) and earlier in found and now in found:
            yield table, earlier, now


def with_first_names(content: Mapping[str, Any]) -> dict[str, Any]:
    """Checked content under the first names, without the keys added since that say their default."""
    tables = without_new_defaults(content)
    for table, found in tables.items():
        if isinstance(found, dict):
            once = _as_once(table, found).items()
            tables[table] = {first_key(table, key): first_value(table, key, value) for key, value in once}
    return tables


def _as_once(table: str, found: Mapping[str, Any]) -> dict[str, Any]:
    """A table with what its left-out keys stood for when the first digests were made."""
    once = {key: value for (of, key), value in FIRST_DEFAULT.items() if of == table and found.get(key) is None}
    return {**found, **once}


def without_new_defaults(content: Mapping[str, Any]) -> dict[str, Any]:
    """Content, of a file or of a protocol's values, without the keys added since that say their default."""
    return {name: _without_defaults(_TABLE_OF.get(name, name), found) for name, found in content.items()}


def _without_defaults(table: str, found: Any) -> Any:
    if isinstance(found, list | tuple):
        return [_without_defaults(table, each) for each in found]
    if not isinstance(found, dict):
        return found
    return {k: v for k, v in found.items() if ABSENT_WHEN_DEFAULT.get((table, k), _COUNTS) != v}


def first_key(table: str, key: str) -> str:
    """The name that a key had first."""
    table = _TABLE_OF.get(table, table)
    return next((e for (t, e), now in EARLIER_KEYS.items() if (t, now) == (table, key)), key)


def first_value(table: str, key: str, value: Any) -> Any:
    """The word that a value, or each of a list of values, had first."""
    values = EARLIER_VALUES.get((_TABLE_OF.get(table, table), key), {})
    return _exchanged(value, {now: earlier for earlier, now in values.items()})


def todays_key(name: str) -> str:
    """The name that ``table.key`` has today."""
    table, _, key = name.partition(".")
    now = EARLIER_KEYS.get((_TABLE_OF.get(table, table), key))
    return name if now is None else f"{table}.{now}"


def _exchanged(value: Any, words: Mapping[str, str]) -> Any:
    if isinstance(value, list):
        return [_exchanged(each, words) for each in value]
    return words.get(value, value) if isinstance(value, str) else value
