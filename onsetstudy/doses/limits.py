"""Limits of dose as values: a dated table with sources, and the clinic's own, which can only lower it."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from onsetstudy.core.errors import RecordsError
from onsetstudy.core.type_check import TableReader

LISTS = ("label", "conservative")
CLINIC = "clinic"
LABELS = ("found", "second-hand", "from memory", "computed", "common practice, no source", "no document")
COUNTRIES = ("US", "EU", "UK", "DE")
ANY_COUNTRY = "any"
EU_TEXT = {
    "UK": "Where the table has no label of the United Kingdom, the EU product text counts.",
    "DE": "Where the table has no label of Germany, the EU product text counts.",
}
"""Countries for which the product text of the European Union stands where the table has no label of theirs, told."""
ADULT_YEARS = 18
CHILD_YEARS = 12
"""Under this age a patient is a child here (product texts of the European Union); amounts for adults do not count."""
VASOCONSTRICTORS = ("epinephrine", "levonordefrin", "felypressin")
SOLUTIONS = ("none", *VASOCONSTRICTORS)
SUBSTANCES = ("lidocaine", "articaine", "mepivacaine", "prilocaine", "bupivacaine", *VASOCONSTRICTORS)
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
        Whose label it is, ``US``, ``EU``, ``UK`` or ``DE``; empty where it is of no country.
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

    @property
    def limits(self) -> bool:
        """Whether it limits what everybody may be given, with or without heart disease."""
        return not self.heart and not self.usual

    @property
    def pairs(self) -> set[tuple[str, str]]:
        """Substance and solution that the line is for, each with the other."""
        return {(self.substance, solution) for solution in self.vasoconstrictor or SOLUTIONS}

    def told(self, basis: str) -> str:
        """Whose limit it is, and what it says or the amount that ``basis`` names."""
        label = f"label ({self.country})" if self.country else "limit of no one country"
        names = {"clinic": "the clinic's own limit", "label": label, "conservative": "conservative list"}
        number = self.max_cartridges or 0.0
        amount = {
            "weight": f"{self.mg_per_kg:g} mg/kg" if self.mg_per_kg else "",
            "absolute": f"{self.max_mg:g} mg" if self.max_mg else "",
            "cartridges": f"{number:g} cartridge{'s' if number > 1 else ''}",
        }[basis]
        return f"{names[self.list_name]}, {self.text or amount}"


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
    """A dated table of limits, and what of it is looked at: some of :data:`LISTS`, ``country`` by its labels.

    The lines of a ``clinic`` stand beside it: as the lowest limit counts, they never raise what the table allows.
    """

    title: str
    date: str
    note: str
    limits: tuple[DoseLimit, ...]
    rules: tuple[AgeRule, ...] = ()
    names: tuple[str, ...] = LISTS
    country: str = "US"
    clinic: tuple[DoseLimit, ...] = ()

    @property
    def lists(self) -> dict[str, tuple[DoseLimit, ...]]:
        """The clinic's own lines, where it has any, and those of each list that is looked at, by name."""
        own = {CLINIC: self.clinic} if self.clinic else {}
        return own | {name: self.lines(name) for name in self.names}

    def lines(self, name: str) -> tuple[DoseLimit, ...]:
        """Lines of a list.

        ``label`` holds those of the country's labels and of no country; of :data:`EU_TEXT` also those of the European
        Union for solutions of which the country has no label. ``conservative`` holds every line of the table, so that
        what counts is the strictest of all: no list that is added can raise it.
        """
        if name == "conservative":
            return self.limits
        labels = [line for line in self.limits if line.list_name == name]
        lines = [line for line in labels if line.country in ("", self.country)]
        if self.country in EU_TEXT:
            told = set().union(*(line.pairs for line in lines if line.country))
            lines += [line for line in labels if line.country == "EU" and not line.pairs & told]
        return tuple(lines)


def clinic_limits(limits: Iterable[tuple[str, float | None, float | None]]) -> tuple[DoseLimit, ...]:
    """The clinic's own limits as lines of a table: as the lowest limit counts, they never raise what applies.

    Parameters
    ----------
    limits : iterable of (str, float or None, float or None)
        Substance, mg per kg and mg.

    Raises
    ------
    RecordsError
        If one cannot be a limit; with all problems.
    """
    source, label = "the clinic's own limit, in the protocol", "stated by the clinic"
    limit = partial(DoseLimit, list_name=CLINIC, from_years=0, source=source, label=label)
    problems, lines = [], []
    for substance, mg_per_kg, max_mg in limits:
        line = TableReader({}, "", f"doses.clinic.{substance}")
        if substance not in SUBSTANCES:
            what, mend = f'there is no drug "{substance}"', f"write one of {', '.join(SUBSTANCES)}"
            line.say("", what, mend, substance, code="substance")
        given = [v for v in (mg_per_kg, max_mg) if v is not None]
        if not given:
            line.say("", "a limit without an amount", "give mg_per_kg, max_mg or both", code="amount")
        for v in given:
            if not (math.isfinite(v) and v > 0):
                line.say("", f"{v} cannot be a limit", "give a number above 0", v, code="range")
        problems += line.problems
        lines.append(limit(substance=substance, mg_per_kg=mg_per_kg, max_mg=max_mg))
    if problems:
        raise RecordsError(problems)
    return tuple(lines)


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
    reader = TableReader(content, file)
    reader.refuse_unknown(("title", "date", "note", "limit", "rule"))
    date = reader.date("date")
    limits = [_limit(row) for row in reader.tables("limit")]
    rules = [_rule(row) for row in reader.tables("rule")]
    if not limits:
        reader.say("limit", "the table has no limit", "add [[limit]] tables")
    title, note = reader.text("title", needed=True), reader.text("note")
    if reader.problems:
        raise RecordsError(reader.problems)
    return LimitsTable(title=title, date=date, note=note, limits=tuple(limits), rules=tuple(rules))


def _limit(row: TableReader) -> DoseLimit:
    row.refuse_unknown(LIMIT_KEYS)
    numbers = {name: row.amount(name) for name in (*AMOUNTS, "below_kg", "from_kg", "percent")}
    if not any(name in row.content for name in AMOUNTS):
        row.say("", "a limit without an amount", f"give one of {', '.join(AMOUNTS)}")
    applies = str(row.content.get("applies", "all"))
    under = re.fullmatch(r"under_(\d{1,2})", applies)
    if applies not in ("all", HEART) and under is None:
        mend = f"write all, under_18 (or another age) or {HEART}"
        row.say("applies", f'"{applies}" is not known', mend, applies)
    return DoseLimit(
        substance=row.code("substance", SUBSTANCES),
        list_name=row.code("list", LISTS),
        country=_country(row),
        vasoconstrictor=_solutions(row),
        from_years=row.whole("from_years", 0, 120, "{} is not an age", "write whole years from 0 to 120"),
        under_years=int(under[1]) if under else None,
        children=row.yes("children"),
        usual=row.yes("usual"),
        heart=applies == HEART,
        text=row.text("text"),
        source=row.text("source", needed=True),
        label=row.code("label", LABELS),
        **numbers,
    )


def _country(row: TableReader) -> str:
    """Whose label it is; a table from before countries were told is of the United States."""
    named = row.code("country", (*COUNTRIES, ANY_COUNTRY), "US" if row.content.get("list") == "label" else ANY_COUNTRY)
    return "" if named == ANY_COUNTRY else named


def _solutions(row: TableReader) -> tuple[str, ...]:
    """Codes of vasoconstrictors; ``with`` and ``without`` are read for ever."""
    value = row.content.get("vasoconstrictor", "any")
    if value == "any":
        return ()
    if value in ("with", "without"):
        return VASOCONSTRICTORS if value == "with" else ("none",)
    known = ("any", "with", "without", *SOLUTIONS)
    names = value if isinstance(value, list) else [value]
    return tuple(row.one_of("vasoconstrictor", name, known) for name in names)


def _rule(row: TableReader) -> AgeRule:
    row.refuse_unknown(RULE_KEYS)
    return AgeRule(
        substance=row.code("substance", SUBSTANCES),
        text=row.text("text", needed=True),
        source=row.text("source", needed=True),
        label=row.code("label", LABELS),
        under_years=row.whole("under_years", 1, 120, "{} is not an age", "write whole years from 1 to 120"),
    )
