"""Limits of dose as values: a dated table with sources, and the clinic's own, which can only lower it."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from onsetstudy.core.errors import Problem, RecordsError, Where

__all__ = [
    "ADULT_YEARS",
    "CHILD_YEARS",
    "CLINIC",
    "COUNTRIES",
    "LABELS",
    "LISTS",
    "AgeRule",
    "ClinicLimits",
    "DoseLimit",
    "LimitsTable",
    "check_limits",
]

LISTS = ("label", "conservative")
CLINIC = "clinic"
LABELS = ("found", "second-hand", "from memory", "computed", "common practice, no source", "no document")
COUNTRIES = ("US", "EU", "UK", "DE")
ADULT_YEARS = 18
CHILD_YEARS = 12
"""Under this age a patient is a child here (product texts of the European Union); amounts for adults do not count."""
SUBSTANCES = (
    "lidocaine",
    "articaine",
    "mepivacaine",
    "prilocaine",
    "bupivacaine",
    "epinephrine",
    "levonordefrin",
    "felypressin",
)
VASOCONSTRICTORS = ("epinephrine", "levonordefrin", "felypressin")
HEART = "significant_heart_disease"
AMOUNTS = ("mg_per_kg", "max_mg", "max_cartridges")
LIMIT_KEYS = {
    "substance", "list", "country", "vasoconstrictor", "applies", "from_years", "from_kg", "children", "usual",
    "percent", *AMOUNTS, "below_kg", "text", "source", "label",
}  # fmt: skip
RULE_KEYS = {"substance", "under_years", "text", "source", "label"}


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseLimit:
    """One line of a table of limits; what is ``None`` does not limit.

    Parameters
    ----------
    substance : str
        Anaesthetic or vasoconstrictor, generic name.
    list_name : str
        ``label``, ``conservative`` or ``clinic``.
    mg_per_kg, max_mg, max_cartridges : float or None
        The lowest of those that can be computed counts.
    below_kg : float or None
        ``mg_per_kg`` holds below this weight only.
    country : str
        Whose label it is, ``US``, ``EU``, ``UK`` or ``DE``; empty in a list that is of no country.
    vasoconstrictor : tuple of str
        Solutions to which the line applies: codes, ``none`` among them; empty: any.
    from_years, under_years : int or None
        The line is for patients from this age on, and under this age.
    from_kg : float or None
        The line is for patients of this weight or more.
    children : bool
        The amount per kg is the same for children; without it, and without ages, a line is for those from 12 years on.
    usual : bool
        What is usually needed, not the most that may be given: it calls for attention and is no limit.
    heart : bool
        The line is for patients with significant heart disease.
    percent : float or None
        The line is for solutions of this strength only.
    """

    substance: str
    list_name: str
    mg_per_kg: float | None = None
    max_mg: float | None = None
    max_cartridges: float | None = None
    below_kg: float | None = None
    country: str = ""
    vasoconstrictor: tuple[str, ...] = ()
    from_years: int | None = None
    under_years: int | None = None
    from_kg: float | None = None
    children: bool = False
    usual: bool = False
    heart: bool = False
    percent: float | None = None
    text: str = ""
    source: str = ""
    label: str = ""

    @property
    def aged(self) -> bool:
        """Whether the line states ages of its own."""
        return self.from_years is not None or self.under_years is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeRule:
    """What a label says of an agent beyond amounts; ``under_years`` is ``None`` where it is said of everybody."""

    substance: str
    text: str
    source: str
    label: str
    under_years: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsTable:
    """A dated table of limits."""

    title: str
    date: str
    note: str
    limits: tuple[DoseLimit, ...]
    rules: tuple[AgeRule, ...] = ()

    def lines(self, name: str, country: str = "US") -> tuple[DoseLimit, ...]:
        """Lines of a list.

        ``label`` holds those of one country's labels. ``conservative`` holds every line of the table, so that what
        counts is the strictest of all: no list that is added can raise it.
        """
        if name == "conservative":
            return self.limits
        return tuple(line for line in self.limits if line.list_name == name and line.country in ("", country))


@dataclass(frozen=True, slots=True, kw_only=True)
class ClinicLimits:
    """The clinic's own limits: ``(substance, mg per kg or None, mg or None)``. They are added to the table's.

    As the lowest limit counts, they can lower what applies and never raise it.
    """

    limits: tuple[tuple[str, float | None, float | None], ...] = ()

    def __post_init__(self) -> None:
        problems = []
        for substance, mg_per_kg, max_mg in self.limits:
            where = Where(key=f"doses.clinic.{substance}")
            if substance not in SUBSTANCES:
                mend = f"write one of {', '.join(SUBSTANCES)}"
                what = f'there is no drug "{substance}"'
                problems.append(Problem(what=what, where=where, mend=mend, value=substance, code="substance"))
            given = [v for v in (mg_per_kg, max_mg) if v is not None]
            if not given:
                what = "a limit without an amount"
                problems.append(Problem(what=what, where=where, mend="give mg_per_kg, max_mg or both", code="amount"))
            problems += [_not_positive(where, v) for v in given if not (math.isfinite(v) and v > 0)]
        if problems:
            raise RecordsError(problems)

    def as_limits(self) -> tuple[DoseLimit, ...]:
        """The clinic's limits as lines of a table."""
        return tuple(
            DoseLimit(
                substance=substance,
                list_name=CLINIC,
                mg_per_kg=mg_per_kg,
                max_mg=max_mg,
                from_years=0,
                source="the clinic's own limit, in the protocol",
                label="stated by the clinic",
            )
            for substance, mg_per_kg, max_mg in self.limits
        )


def check_limits(content: Mapping[str, Any], *, file: str) -> LimitsTable:
    """A table of limits from the content of its file.

    Parameters
    ----------
    content : mapping
        ``title``, ``date``, ``note``, and lists of tables ``limit`` and ``rule``.
    file : str
        Name of the file, for the problems.

    Raises
    ------
    RecordsError
        If anything in it cannot be a limit, or a line has no source; with all problems.
    """
    check = _Check(file)
    for key in sorted(set(content) - {"title", "date", "note", "limit", "rule"}):
        check.say(key, f"{key} is not known", "take it out, or correct its name")
    date = check.date(content.get("date"))
    limits = [check.limit(f"limit {i}", row) for i, row in enumerate(check.rows(content, "limit"), start=1)]
    rules = [check.rule(f"rule {i}", row) for i, row in enumerate(check.rows(content, "rule"), start=1)]
    if not limits:
        check.say("limit", "the table has no limit", "add [[limit]] tables")
    title = check.text("title", content.get("title"), needed=True)
    note = check.text("note", content.get("note"))
    if check.problems:
        raise RecordsError(check.problems)
    return LimitsTable(title=title, date=date, note=note, limits=tuple(limits), rules=tuple(rules))


def _not_positive(where: Where, value: object) -> Problem:
    return Problem(
        what=f"{value} cannot be a limit", where=where, mend="give a number above 0", value=str(value), code="range"
    )


class _Check:
    """Reads values of a parsed file and keeps what is wrong with them."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []

    def say(self, key: str, what: str, mend: str, value: object = None) -> None:
        said = None if value is None else str(value)
        self.problems.append(
            Problem(what=what, where=Where(file=self.file, key=key), mend=mend, value=said, code="table")
        )

    def rows(self, content: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
        rows = content.get(key, [])
        if isinstance(rows, list) and all(isinstance(row, Mapping) for row in rows):
            return rows
        self.say(key, f"{key} is not a list of tables", f"begin each with [[{key}]]")
        return []

    def date(self, value: object) -> str:
        text = value.isoformat() if isinstance(value, dt.date) else value
        try:
            return dt.date.fromisoformat(str(text)).isoformat()
        except ValueError:
            self.say("date", f"{text!r} is not a date", 'write the day of the table as date = "2026-11-25"', text)
            return ""

    def text(self, key: str, value: object, *, needed: bool = False) -> str:
        if value is None and not needed:
            return ""
        if not isinstance(value, str) or (needed and not value.strip()):
            self.say(key, "a text is needed here", "write it between quotation marks", value)
            return ""
        return value

    def code(self, key: str, value: object, codes: tuple[str, ...]) -> str:
        if value in codes:
            return str(value)
        self.say(key, f'"{value}" is not known' if value is not None else "this is missing",
                 f"write one of {', '.join(codes)}", value)  # fmt: skip
        return codes[0]

    def amount(self, key: str, value: object) -> float | None:
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not (math.isfinite(value) and value > 0):
            self.problems.append(_not_positive(Where(file=self.file, key=key), value))
            return None
        return float(value)

    def unknown(self, place: str, row: Mapping[str, Any], known: set[str]) -> None:
        for key in sorted(set(row) - known):
            self.say(f"{place}, {key}", f"{key} is not known", "take it out, or correct its name")

    def limit(self, place: str, row: Mapping[str, Any]) -> DoseLimit:
        self.unknown(place, row, LIMIT_KEYS)
        amounts = {name: self.amount(f"{place}, {name}", row.get(name)) for name in AMOUNTS}
        if not any(name in row for name in AMOUNTS):
            self.say(place, "a limit without an amount", f"give one of {', '.join(AMOUNTS)}")
        applies = str(row.get("applies", "all"))
        under = re.fullmatch(r"under_(\d{1,2})", applies)
        if applies not in ("all", HEART) and under is None:
            mend = f"write all, under_18 (or another age) or {HEART}"
            self.say(f"{place}, applies", f'"{applies}" is not known', mend, applies)
        return DoseLimit(
            substance=self.code(f"{place}, substance", row.get("substance"), SUBSTANCES),
            list_name=self.code(f"{place}, list", row.get("list"), LISTS),
            country=self.country(place, row),
            vasoconstrictor=self.solutions(f"{place}, vasoconstrictor", row.get("vasoconstrictor", "any")),
            from_years=self.years(f"{place}, from_years", row.get("from_years")),
            under_years=int(under[1]) if under else None,
            from_kg=self.amount(f"{place}, from_kg", row.get("from_kg")),
            children=self.yes(f"{place}, children", row.get("children", False)),
            usual=self.yes(f"{place}, usual", row.get("usual", False)),
            heart=applies == HEART,
            percent=self.amount(f"{place}, percent", row.get("percent")),
            below_kg=self.amount(f"{place}, below_kg", row.get("below_kg")),
            text=self.text(f"{place}, text", row.get("text")),
            source=self.text(f"{place}, source", row.get("source"), needed=True),
            label=self.code(f"{place}, label", row.get("label"), LABELS),
            **amounts,
        )

    def country(self, place: str, row: Mapping[str, Any]) -> str:
        """Whose label it is; a table from before countries were told is of the United States."""
        if row.get("list") != "label":
            return self.code(f"{place}, country", row["country"], COUNTRIES) if "country" in row else ""
        return self.code(f"{place}, country", row.get("country", "US"), COUNTRIES)

    def solutions(self, key: str, value: object) -> tuple[str, ...]:
        """Codes of vasoconstrictors; ``with`` and ``without`` are read for ever."""
        if value == "any":
            return ()
        if value in ("with", "without"):
            return VASOCONSTRICTORS if value == "with" else ("none",)
        names = value if isinstance(value, list) else [value]
        known = ("none", *VASOCONSTRICTORS)
        return tuple(self.code(key, name, ("any", "with", "without", *known)) for name in names)

    def years(self, key: str, value: object) -> int | None:
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 120:
            self.say(key, f"{value} is not an age", "write whole years from 0 to 120", value)
            return None
        return value

    def yes(self, key: str, value: object) -> bool:
        if not isinstance(value, bool):
            self.say(key, f'"{value}" is neither true nor false', "write true or false", value)
        return value is True

    def rule(self, place: str, row: Mapping[str, Any]) -> AgeRule:
        self.unknown(place, row, RULE_KEYS)
        years = self.amount(f"{place}, under_years", row.get("under_years"))
        return AgeRule(
            substance=self.code(f"{place}, substance", row.get("substance"), SUBSTANCES),
            text=self.text(f"{place}, text", row.get("text"), needed=True),
            source=self.text(f"{place}, source", row.get("source"), needed=True),
            label=self.code(f"{place}, label", row.get("label"), LABELS),
            under_years=None if years is None else int(years),
        )
