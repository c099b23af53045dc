"""A table of published results, read from the content of its file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from onsetstudy.core.errors import RecordsError
from onsetstudy.core.type_check import TableReader
from onsetstudy.outcomes.published_results import PublishedRange, PublishedTable

OUTCOMES = ("onset", "numb_by", "success", "pain", "painless")
FINDINGS = ("sooner", "later", "more", "fewer", "less_pain", "more_pain", "no_difference", "not_stated")
EVIDENCE = ("trial", "pooled")
UNITS = ("min", "s", "percent", "points", "mm", "odds_ratio", "none")
LABELS = ("found", "from memory", "computed", "common practice, no source")
TECHNIQUES = (
    "buccal_infiltration", "palatal_infiltration", "ianb", "gow_gates", "closed_mouth_block", "mental_incisive",
    "long_buccal", "psa", "infraorbital", "intraligamentary", "intraosseous", "intraseptal", "intrapulpal", "various",
)  # fmt: skip
TEXTS = ("id", "study", "citation", "design", "agent", "test_method", "patients", "note", "printed")
NUMBERS = ("plain", "buffered", "plain_sd", "buffered_sd", "difference", "conf_low", "conf_high", "p_value",
           "scale_high")  # fmt: skip
KEYS = {*TEXTS, *NUMBERS, "evidence", "year", "n", "techniques", "outcome", "unit", "finding", "label"}


def check_published(content: Mapping[str, Any], *, file: str) -> PublishedTable:
    """A table of published results from the content of its file.

    Parameters
    ----------
    content : mapping
        ``title``, ``date``, ``note`` and a list of tables ``result``.
    file : str
        Name of the file, for the problems.

    Raises
    ------
    RecordsError
        If a line has no citation, an unknown code, or numbers that contradict each other; with all problems.
    """
    reader = TableReader(content, file)
    reader.refuse_unknown(("title", "date", "note", "result"))
    rows = reader.tables("result")
    if not rows:
        reader.say("result", "the table has no result", "add [[result]] tables")
    ranges = [_range(row) for row in rows]
    ids = [r.id for r in ranges]
    for name in sorted({i for i in ids if ids.count(i) > 1}):
        reader.say("result", f'the id "{name}" is used more than once', "give every result its own id")
    day = reader.date("date")
    if reader.problems:
        raise RecordsError(reader.problems)
    return PublishedTable(
        title=str(content.get("title", "")), date=day, note=str(content.get("note", "")), ranges=tuple(ranges)
    )


def _range(row: TableReader) -> PublishedRange:
    row.place = f"{row.place} ({row.content.get('id', 'no id')})"
    row.refuse_unknown(KEYS)
    texts = {key: row.text(key, needed=key in ("id", "study", "citation", "printed")) for key in TEXTS}
    numbers = {key: row.number(key) for key in NUMBERS}
    techniques = row.content.get("techniques", [])
    if not isinstance(techniques, list) or not techniques or not set(techniques) <= set(TECHNIQUES):
        what, mend = f"{techniques!r} is not a list of techniques", f"list some of {', '.join(TECHNIQUES)}"
        row.say("techniques", what, mend)
        techniques = ["various"]
    unit = row.code("unit", UNITS, "none")
    plain, buffered = numbers["plain"], numbers["buffered"]
    if numbers["difference"] is None and plain is not None and buffered is not None:
        numbers["difference"] = buffered - plain
    values: dict[str, Any] = {**texts, **numbers}
    found = PublishedRange(
        year=row.whole("year", 1900, 2100, "{!r} cannot be", "give a whole number from 1900 to 2100") or 0,
        n=row.whole("n", 1, 1_000_000, "{!r} cannot be", "give a whole number from 1 to 1000000"),
        evidence=row.code("evidence", EVIDENCE),
        outcome=row.code("outcome", OUTCOMES),
        finding=row.code("finding", FINDINGS),
        label=row.code("label", LABELS),
        techniques=tuple(techniques),
        unit=unit,
        **values,
    )
    if "year" not in row.content:
        row.say("year", "this is missing", "give the year of publication")
    _say_contradictions(row, found)
    return found


def _say_contradictions(row: TableReader, found: PublishedRange) -> None:
    if found.unit == "none" and found.difference is not None:
        row.say("unit", "numbers without a unit", f"write one of {', '.join(UNITS[:-1])}")
    if found.outcome == "pain" and found.difference is not None and found.scale_high is None:
        row.say("scale_high", "a pain score without its scale", "give the highest score of the scale")
    low, high, middle = found.conf_low, found.conf_high, found.difference
    if (low is None) != (high is None):
        row.say("conf_low", "an interval with one end", "give conf_low and conf_high")
    elif low is not None and high is not None and low > high:
        row.say("conf_low", f"{low:g} to {high:g} is no interval", "compare with the paper")
    elif low is not None and high is not None and middle is not None and not low <= middle <= high:
        row.say("conf_low", f"{middle:g} does not lie in its interval {low:g} to {high:g}", "compare with the paper")
    plain, buffered = found.plain, found.buffered
    if plain is None or buffered is None or middle is None or found.unit == "odds_ratio":
        return
    if abs(buffered - plain - middle) > 0.011 * max(1.0, abs(middle)):
        row.say("difference", "the difference is not buffered less plain", "compare with the paper")
