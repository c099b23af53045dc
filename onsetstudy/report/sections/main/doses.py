"""What was injected: amounts by arm, and doses and mixtures that call for a look."""

from __future__ import annotations

import re

from onsetstudy.core.quantities import places_for
from onsetstudy.core.results import NO_SPREAD, Estimate, EstimateLike, NotAvailable
from onsetstudy.doses.results import AgentDose, ArmAmount, DoseSummary
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import NONE, mean_text, near_text, reason_of, reasons_of, whole
from onsetstudy.report.document import Cautions, Section, Table, notes_of
from onsetstudy.report.numbers import THIN, capital, counted, day, decimal, interval, level, listed, tidy

LISTS = {"label": "labels", "conservative": "the strictest line of any list", "clinic": "the clinic"}


TOTALS = (
    "above_clinic", "above_label", "visit_above_clinic", "visit_above_label", "visit_vasoconstrictor",
    "vasoconstrictor_above_clinic", "vasoconstrictor_above_label",
)  # fmt: skip
"""Cautions about a total over its line; the strictest line of any list stands in the section alone."""


def passed_a_line(doses: DoseSummary | None) -> list[str]:
    """A sentence for the first page where a dose passed the label's or the clinic's line; never an all-clear."""
    cases = [sum(f.counts) for f in doses.flags if f.code in TOTALS] if doses is not None else []
    if not cases:
        return []
    told = f"In {counted(max(cases), 'case')} or more a dose passed a limit of the label or of the clinic"
    return [f"{told}: see What was injected, the label and the patient."]


def section(doses: DoseSummary | None, protocol: Protocol) -> Section | None:
    """Section on doses; ``None`` where none were computed."""
    if doses is None:
        return None
    first = ("not_dosing", "unlike_doses")
    texts = [tidy(c.text) for code in first for c in doses.caution if c.code == code]
    dated = [re.sub(r"\d{4}-\d{2}-\d{2}", lambda found: day(found[0]), text) for text in texts]
    return Section.of(
        "doses",
        "What was injected",
        (_answer(agent, protocol) for agent in doses.by_agent),
        _amounts_table(doses, protocol) if doses.by_agent else None,
        _flags(doses, protocol),
        Cautions(texts=tuple(dict.fromkeys(dated))),
        notes_of(c for c in doses.caution if c.code not in first),
    )


def _answer(agent: AgentDose, protocol: Protocol) -> str:
    """One sentence about the drug in the arms."""
    other, reference = protocol.label(protocol.contrast_arm), protocol.label(protocol.reference_arm)
    e = agent.drug_difference
    if isinstance(e, NotAvailable):
        return f"The {agent.agent} deposited in the two arms cannot be compared: {reason_of(e)}."
    if NO_SPREAD in e.caution:
        return _alike(agent, (reference, other))
    low, high = e.interval.low, e.interval.high
    places = places_for((low, high, e.estimate))
    if low <= 0 <= high:
        return (
            f"Of {agent.agent}, mean amounts with {other} and {reference} injections differed by "
            f"{decimal(e.estimate, places)} mg ({interval(low, high, places)}; {other} less {reference})."
        )
    word = "less" if e.estimate < 0 else "more"
    near, far = sorted((abs(low), abs(high)))
    share = "" if agent.relative is None else f", that is {abs(100 * agent.relative):.0f}{THIN}% {word}"
    return (
        f"{capital(other)} cases got {decimal(abs(e.estimate), places)} mg {word} {agent.agent} on average "
        f"({interval(near, far, places)}){share}."
    )


def _alike(agent: AgentDose, labels: tuple[str, str]) -> str:
    """What every case got, where no amount of either arm varies: they tell nothing of further cases."""
    first, second = (amount.mean or 0.0 for amount in agent.drug_mg[:2])
    places, whose = places_for((first, second)), "whose amount is known"
    got = (
        f"Every case {whose} got {decimal(first, places)} mg {agent.agent}, whichever the injection"
        if first == second
        else f"Every {labels[0]} case {whose} got {decimal(first, places)} mg {agent.agent}, "
        f"every {labels[1]} one {decimal(second, places)} mg"
    )
    return f"{got}: amounts that do not vary have no interval, and tell nothing of further cases."


def _difference(e: EstimateLike) -> str:
    """A difference with its interval; without one where no amount varies."""
    if isinstance(e, Estimate) and NO_SPREAD in e.caution:
        return f"{decimal(e.estimate, places_for((e.estimate,)))} (no interval: no amount varies)"
    return whole(near_text(e))


def _cells(amounts: tuple[ArmAmount, ...], places: int = 1) -> list[str]:
    return [mean_text(a.mean, a.sd, a.with_amount, a.cases, places) for a in amounts]


def _amounts_table(doses: DoseSummary, protocol: Protocol) -> Table:
    rows: list[tuple[str, ...]] = []
    for agent in doses.by_agent:
        drug, vasoconstrictor = (_difference(e) for e in (agent.drug_difference, agent.vasoconstrictor_difference))
        rows.append((agent.agent.capitalize(),))
        rows.append(("Drug, mg", *_cells(agent.drug_mg), drug))
        if any(a.with_amount for a in agent.vasoconstrictor_ug):
            rows.append(("Vasoconstrictor, µg", *_cells(agent.vasoconstrictor_ug), vasoconstrictor))
        rows.append(("Volume, mL", *_cells(agent.volume_ml, 2), ""))
    other, reference = protocol.label(protocol.contrast_arm), protocol.label(protocol.reference_arm)
    left_out = [f"{r.text} ({r.count})" for r in doses.not_computable]
    return Table.of(
        "What was deposited, by arm",
        ("", *map(protocol.label, doses.arms), "difference"),
        rows,
        "Mean per case with standard deviation (SD), and how many cases have it; bicarbonate is part of the volume. "
        f"Difference: {other} less {reference}, with its {level(protocol.plan.conf_level)} interval.",
        *reasons_of(e for a in doses.by_agent for e in (a.drug_difference, a.vasoconstrictor_difference)),
        f"Left out, cases: {'; '.join(left_out)}." if left_out else "",
    )


def _flags(doses: DoseSummary, protocol: Protocol) -> Table | str:
    """What calls for a look; where nothing does, what that does not say."""
    known = sum(a.with_amount for agent in doses.by_agent for a in agent.drug_mg)
    names = listed([LISTS[name] for name in doses.lists])
    if not doses.flags and known == 0:
        return "No case has a known dose: none could be held against the limits of a label."
    if not doses.flags:
        return (
            f"None of {counted(known, 'case')} with a known dose passed a limit of {names}, and no mixture called for "
            "a look. That says nothing of what else a patient was given, or should have been."
        )
    counts = [[f"{n} of {of}" if of else NONE for n, of in zip(f.counts, f.of, strict=True)] for f in doses.flags]
    return Table.of(
        "Doses and mixtures that call for a look, cases",
        ("", *map(protocol.label, doses.arms)),
        [(capital(f.text), *cells) for f, cells in zip(doses.flags, counts, strict=True)],
        f"Limits of {names}: {doses.table_title}, table dated {day(doses.table_date)}. Of the limits that apply to a "
        "case the lowest counts. Each line is a caution: look at these cases, at the label and at the patient.",
        f"Passed: {'; '.join(doses.sources)}." if doses.sources else "",
    )
