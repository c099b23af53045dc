"""What was planned before the cases were seen, and what was not."""

from __future__ import annotations

from onsetstudy.report.document import Block, Paragraph, Section, Table
from onsetstudy.report.numbers import day
from onsetstudy.report.sentences import plain_words
from onsetstudy.study.results import StudyResults

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
NAMES = {
    "success_difference": "proportion numb by the target minute",
    "hazard_ratio": "hazard ratio",
    "rmst_difference": "restricted mean time to onset",
    "not_numb_difference": "proportion not numb to the end of testing",
    "pain_difference": "pain",
    "anxiety_change": "change of anxiety",
    "painless_share": "proportion of painless injections",
    "by_quarter": "each quarter by itself",
    "by_technique": "each technique by itself",
    "by_practice": "each practice by itself",
    "confirmations_1": "one test confirms",
    "confirmations_2": "two tests confirm",
    "rescue_other_way": "supplemental injection taken the other way",
    "accept_unconfirmed": "unconfirmed last test accepted",
    "control_ignored": "control tooth ignored",
    "first_cases_left_out": "first cases left out",
    "per_protocol": "prepared as planned only",
    "all_tests": "tests off schedule too",
}


VERDICTS = {"adopt": "adopt", "do_not_adopt": "do not adopt", "undecided": "undecided"}
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
    blocks: list[Block] = [Paragraph(text=STATUS[standing.status].format(**facts))]
    if standing.changes:
        rows = tuple(standing.changes[:12])
        blocks.append(_table("Differs from the locked version", ("key", "locked", "now"), rows, "lll"))
    amended = versions[1:]
    if amended:
        rows = tuple(
            (
                f"{v.number}",
                day(v.day),
                "after" if v.day > standing.first_case else "before",
                v.reason,
                _keys(v.changes),
            )
            for v in amended
        )
        blocks.append(_table("Amendments", ("version", "day", "first case", "reason", "changed"), rows, "lllll"))
    rows = tuple(
        (
            NAMES.get(a.analysis, plain_words(a.analysis)),
            KINDS[a.status] + (f"; amended {day(a.amended)}" if a.amended else ""),
        )
        for a in standing.analyses
    )
    blocks.append(_table("Planned and not planned", ("analysis", "status"), rows, "ll"))
    return Section(id="planned", title="What was planned", blocks=(*_adoption(results), *blocks))


def _adoption(results: StudyResults) -> list[Block]:
    """Adopt, do not adopt, or undecided, by the rule that was declared before the lock."""
    found = results.adoption
    if found is None:
        return []
    if found.none_because:
        return [Paragraph(text=f"No rule of adoption was declared, because {found.none_because.rstrip('.')}.")]
    rows = tuple((PARTS[p.name], CODES[p.code]) for p in found.parts)
    return [
        Paragraph(text=f"By the rule of adoption in the protocol: {VERDICTS[found.verdict]}."),
        _table("The rule of adoption", ("condition", "these records"), rows, "ll"),
    ]


def _table(caption: str, columns: tuple[str, ...], rows: tuple[tuple[str, ...], ...], align: str) -> Table:
    return Table(caption=caption, columns=columns, rows=rows, align=align)


def _keys(changes: tuple[tuple[str, str, str], ...]) -> str:
    return ", ".join(key for key, _, _ in changes)
