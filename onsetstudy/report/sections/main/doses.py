"""What was injected: amounts by arm, and doses and mixtures that call for a look."""

from __future__ import annotations

import re

from onsetstudy.core.results import EstimateLike, NotAvailable
from onsetstudy.doses.results import AgentDose, ArmAmount, DoseSummary
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.document import Block, Cautions, Paragraph, Section, Table
from onsetstudy.report.numbers import (
    THIN,
    counted,
    day,
    decimal,
    interval,
    level,
    listed,
    places_for,
    tidy,
)

__all__ = ["passed_a_line", "section"]

NONE = "–"
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
    return [
        f"In {counted(max(cases), 'case')} or more a dose passed a limit of the label or of the clinic: see What was "
        "injected, the label and the patient."
    ]


def section(doses: DoseSummary | None, protocol: Protocol) -> Section | None:
    """Section on doses; ``None`` where none were computed."""
    if doses is None:
        return None
    blocks: list[Block] = [Paragraph(text=text) for text in _answers(doses, protocol)]
    if doses.by_agent:
        blocks.append(_amounts_table(doses, protocol))
    flags = _flags_table(doses, protocol)
    blocks.append(flags or Paragraph(text=_no_flag(doses), role="text"))
    first = ("not_dosing", "unlike_doses")
    texts = [tidy(_dated(c.text)) for code in first for c in doses.caution if c.code == code]
    blocks.append(Cautions(texts=tuple(dict.fromkeys(texts))))
    rest = [tidy(c.text) for c in doses.caution if c.code not in first]
    blocks += [Paragraph(text=text, role="note") for text in rest]
    return Section(id="doses", title="What was injected", blocks=tuple(blocks))


def _dated(text: str) -> str:
    return re.sub(r"\d{4}-\d{2}-\d{2}", lambda found: day(found[0]), text)


def _no_flag(doses: DoseSummary) -> str:
    known = sum(a.with_amount for agent in doses.by_agent for a in agent.drug_mg)
    if known == 0:
        return "No case has a known dose: none could be held against the limits of a label."
    names = listed([LISTS[name] for name in doses.lists])
    return (
        f"None of {counted(known, 'case')} with a known dose passed a limit of {names}, and no mixture called for a "
        "look. That says nothing of what else a patient was given, or should have been."
    )


def _answers(doses: DoseSummary, protocol: Protocol) -> list[str]:
    """One sentence for each agent about the drug in the arms."""
    return [_answer(agent, protocol) for agent in doses.by_agent]


def _answer(agent: AgentDose, protocol: Protocol) -> str:
    other, reference = protocol.label(protocol.contrast_arm), protocol.label(protocol.reference_arm)
    e = agent.drug_difference
    if isinstance(e, NotAvailable):
        return f"The {agent.agent} deposited in the two arms cannot be compared: {tidy(e.reason.rstrip('.'))}."
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
        f"{other.capitalize()} cases got {decimal(abs(e.estimate), places)} mg {word} {agent.agent} on average "
        f"({interval(near, far, places)}){share}."
    )


def _cell(amount: ArmAmount, places: int) -> str:
    if amount.mean is None:
        return f"{NONE}, 0\u00a0of\u00a0{amount.cases}"
    spread = "" if amount.sd is None else f" (SD\u00a0{decimal(amount.sd, places)})"
    return f"{decimal(amount.mean, places)}{spread}, {amount.with_amount}\u00a0of\u00a0{amount.cases}"


def _difference(e: EstimateLike, base: int) -> str:
    if isinstance(e, NotAvailable):
        return NONE
    values = (e.estimate, e.interval.low, e.interval.high)
    places = places_for(values, base=base)
    span = interval(values[1], values[2], places).replace(" ", "\u00a0")
    return f"{decimal(values[0], places)} ({span})"


def _amounts_table(doses: DoseSummary, protocol: Protocol) -> Table:
    rows: list[tuple[str, ...]] = []
    heads: list[int] = []
    empty = ("",) * len(doses.arms)
    reasons: dict[str, None] = {}
    for agent in doses.by_agent:
        heads.append(len(rows))
        rows.append((agent.agent.capitalize(), *empty, ""))
        rows.append(("Drug, mg", *(_cell(a, 1) for a in agent.drug_mg), _difference(agent.drug_difference, 1)))
        vasoconstrictor = agent.vasoconstrictor_ug
        if any(a.with_amount for a in vasoconstrictor):
            cells = (_cell(a, 1) for a in vasoconstrictor)
            rows.append(("Vasoconstrictor, µg", *cells, _difference(agent.vasoconstrictor_difference, 1)))
        rows.append(("Volume, mL", *(_cell(a, 2) for a in agent.volume_ml), ""))
        for e in (agent.drug_difference, agent.vasoconstrictor_difference):
            if isinstance(e, NotAvailable):
                reasons[tidy(e.reason.rstrip("."))] = None
    other, reference = protocol.label(protocol.contrast_arm), protocol.label(protocol.reference_arm)
    notes = [
        "Mean per case with standard deviation (SD), and how many cases have it; bicarbonate is part of the volume. "
        f"Difference: {other} less {reference}, with its {level(protocol.plan.conf_level)} interval.",
        *(f"{NONE}: {reason}." for reason in reasons),
    ]
    if doses.not_computable:
        told = [f"{r.text} ({r.count})" for r in doses.not_computable]
        notes.append(f"Left out, cases: {'; '.join(told)}.")
    return Table(
        caption="What was deposited, by arm",
        columns=("", *(protocol.label(arm) for arm in doses.arms), "difference"),
        rows=tuple(rows),
        align="l" + "r" * (len(doses.arms) + 1),
        heads=tuple(heads),
        notes=tuple(notes),
    )


def _flags_table(doses: DoseSummary, protocol: Protocol) -> Table | None:
    if not doses.flags:
        return None
    rows = tuple(
        (
            f.text[:1].upper() + f.text[1:],
            *(f"{n} of {of}" if of else NONE for n, of in zip(f.counts, f.of, strict=True)),
        )
        for f in doses.flags
    )
    names = listed([LISTS[name] for name in doses.lists])
    notes = [
        f"Limits of {names}: {doses.table_title}, table dated {day(doses.table_date)}. Of the limits that apply to a "
        "case the lowest counts. Each line is a caution: look at these cases, at the label and at the patient."
    ]
    if doses.sources:
        notes.append(f"Passed: {'; '.join(doses.sources)}.")
    return Table(
        caption="Doses and mixtures that call for a look, cases",
        columns=("", *(protocol.label(arm) for arm in doses.arms)),
        rows=rows,
        align="l" + "r" * len(doses.arms),
        notes=tuple(notes),
    )
