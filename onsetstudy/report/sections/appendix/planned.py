"""What was planned before the cases were seen, and what was not."""

from __future__ import annotations

from onsetstudy.report.document import Pieces, Section, Table
from onsetstudy.report.names import CHOICES, outcome_name, plain_words
from onsetstudy.report.numbers import day
from onsetstudy.study.practice.results import StudyResults

__all__ = ["planned_section"]

STATUS = {
    "locked_before": "The protocol was locked on {day}, before the first case on {first}.",
    "locked_late": "The protocol was locked on {day}, after the first case on {first}.",
    "changed": "The protocol that this report follows differs from version {number}, locked on {last}.",
    "not_locked": "The protocol was never locked.",
}
KINDS = {
    "primary": "planned, primary",
    "secondary": "planned, secondary",
    "sensitivity": "planned, to see what another choice would give",
    "described": "not planned: a description",
}
SUBSETS = {
    "by_quarter": "each quarter by itself",
    "by_technique": "each technique by itself",
    "by_practice": "each practice by itself",
}


PARTS = {
    "net_min": "minutes of the chair saved, mixing counted",
    "pain_margin": "pain not worse than the margin",
    "not_numb_margin": "not numb not more often than the margin",
    "stopping_harms": "none of the harms that stop",
}
CODES = {"met": "met", "failed": "not met", "open": "not decided by the interval"}


def planned_section(results: StudyResults) -> Section | None:
    """Lock, amendments and the plan; nothing where no standing was asked for."""
    standing = results.standing
    if standing is None:
        return None
    versions = standing.versions
    facts = {"first": day(standing.first_case) if standing.first_case else "no day"}
    if versions:
        facts |= {"day": day(versions[0].day), "last": day(versions[-1].day), "number": str(versions[-1].number)}
    amended = [
        (
            f"{v.number}",
            day(v.day),
            "after" if v.day > standing.first_case else "before",
            v.reason,
            ", ".join(key for key, _, _ in v.changes),
        )
        for v in versions[1:]
    ]
    analyses = [
        (
            SUBSETS.get(a.analysis) or CHOICES.get(a.analysis) or outcome_name(a.analysis),
            KINDS[a.status] + (f"; amended {day(a.amended)}" if a.amended else ""),
        )
        for a in standing.analyses
    ]
    return Section.of(
        "planned",
        "What was planned",
        _adoption(results),
        STATUS[standing.status].format(**facts),
        Table.of("Differs from the locked version", ("key", "locked", "now"), standing.changes[:12], align="lll"),
        Table.of("Amendments", ("version", "day", "first case", "reason", "changed"), amended, align="lllll"),
        Table.of("Planned and not planned", ("analysis", "status"), analyses, align="ll"),
    )


def _adoption(results: StudyResults) -> list[Pieces]:
    """Adopt, do not adopt, or undecided, by the rule that was declared before the lock."""
    found = results.adoption
    if found is None:
        return []
    if found.none_because:
        return [f"No rule of adoption was declared, because {found.none_because.rstrip('.')}."]
    rows = ((PARTS[p.name], CODES[p.code]) for p in found.parts)
    return [
        f"By the rule of adoption in the protocol: {plain_words(found.verdict)}.",
        Table.of("The rule of adoption", ("condition", "these records"), rows, align="ll"),
    ]
