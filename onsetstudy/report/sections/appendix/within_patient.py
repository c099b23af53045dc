"""Within patients, and whether blinding held."""

from __future__ import annotations

from onsetstudy.core.results import Estimate, EstimateLike, HypothesisTest
from onsetstudy.outcomes.scores.paired_results import Blinding, OrderEffects, PairedStudy
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.document import Block, Paragraph, Section, Table
from onsetstudy.report.numbers import counted, decimal, interval, level, p_text, tidy

__all__ = ["blinding_section", "paired_section"]


def paired_section(paired: PairedStudy | None, protocol: Protocol) -> Section | None:
    """The comparison within patients; nothing for designs without it."""
    if paired is None:
        return None
    other, reference = (protocol.label(a) for a in (protocol.contrast_arm, protocol.reference_arm))
    text = (
        f"{counted(paired.pairs, 'patient')} had both {reference} and {other}: here each is compared with themselves, "
        "so that "
        "what differs between patients does not count."
    )
    rows = [
        ("rate of becoming numb, times", _number(paired.hazard_ratio, 2), _p(paired.onset_test)),
        (
            f"numb by {protocol.onset.target_min:g} min, percentage points",
            _number(paired.success_difference, 0, 100),
            _p(paired.success_difference),
        ),
    ]
    if paired.pain is not None and protocol.pain is not None:
        unit = protocol.pain.instrument.unit
        rows.append((f"pain, {unit}", _number(paired.pain.shift, 1), _p(paired.pain.test)))
    blocks: list[Block] = [
        Paragraph(text=text),
        Table(
            caption=f"{other} less {reference}, within patients".capitalize(),
            columns=("what", f"difference, {level(protocol.plan.conf_level)} interval", "p"),
            rows=tuple(rows),
            align="lrr",
            notes=(
                "Onset: labels exchanged within patients; ratio within patients, whose rates are taken to be spread "
                "like a normal distribution on the log scale; success: Newcombe's paired interval, exact McNemar test; "
                "pain: Hodges-Lehmann shift and signed-rank test.",
            ),
        ),
    ]
    if paired.order is not None:
        blocks.append(Paragraph(text=_order(paired.order, protocol)))
    blocks += [Paragraph(text=tidy(c.text), role="note") for c in paired.caution]
    return Section(id="paired", title="Within the same patients", blocks=tuple(blocks))


def _order(order: OrderEffects, protocol: Protocol) -> str:
    told = " and ".join(f"{count} had {name}" for name, count in order.sequences)
    unit = protocol.pain.instrument.unit if protocol.pain else ""
    return (
        f"Of these, {told}. Pain of the second injection less the first, the arms apart: {_number(order.period, 1)} "
        f"{unit}; "
        f"difference between the orders in the sum of both: {_number(order.sequence, 1)} {unit}. A difference there "
        "may be "
        "carry-over or chance."
    )


def _number(e: EstimateLike, places: int, factor: float = 1.0) -> str:
    if not isinstance(e, Estimate):
        return e.reason
    low, high = factor * e.interval.low, factor * e.interval.high
    return f"{decimal(factor * e.estimate, places)} ({interval(low, high, places)})"


def _p(result: EstimateLike | HypothesisTest) -> str:
    value = getattr(result, "p_value", None)
    return "—" if value is None else p_text(value)


def blinding_section(blinding: Blinding | None, protocol: Protocol) -> Section | None:
    """Guesses at the arm with an index; nothing where nobody was asked."""
    if blinding is None or not blinding.lines:
        return None
    meant = dict(blinding.intended)
    rows = tuple(
        (
            x.who + ("" if meant.get(x.who) else ", not to be blind"),
            protocol.label(x.arm),
            f"{x.right}",
            f"{x.wrong}",
            f"{x.unsure}",
            _number(x.index, 2),
        )
        for x in blinding.lines
    )
    found = [
        x for x in blinding.lines if meant.get(x.who) and isinstance(x.index, Estimate) and x.index.interval.low > 0
    ]
    text = (
        "Those who were to be blind did not name the arm more often than by chance, as far as these guesses can tell."
        if not found
        else "Some who were to be blind named the arm more often than by chance: "
        + "; ".join(f"{x.who}, {protocol.label(x.arm)}, {x.right} right against {x.wrong} wrong" for x in found)
        + ". Answers that depend on the person, such as pain, may owe something to that."
    )
    table = Table(
        caption="Guesses at the arm",
        columns=("who", "injected", "right", "wrong", "unsure", f"index, {level(protocol.plan.conf_level)} interval"),
        rows=rows,
        align="llrrrr",
        notes=(f"Index: 1 all right, 0 as by chance, −1 all wrong. {blinding.source}.",),
    )
    return Section(id="blinding", title="Whether blinding held", blocks=(Paragraph(text=text), table))
