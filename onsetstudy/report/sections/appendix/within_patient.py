"""Within patients, and whether blinding held."""

from __future__ import annotations

from onsetstudy.core.results import Estimate, EstimateLike, HypothesisTest
from onsetstudy.outcomes.scores.paired_results import Blinding, OrderEffects, PairedStudy
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import value_text
from onsetstudy.report.document import Section, Table, notes_of
from onsetstudy.report.numbers import counted, level, p_text

__all__ = ["blinding_section", "paired_section"]


def paired_section(paired: PairedStudy | None, protocol: Protocol) -> Section | None:
    """The comparison within patients; nothing for designs without it."""
    if paired is None:
        return None
    other, reference = (protocol.label(a) for a in (protocol.contrast_arm, protocol.reference_arm))
    onset, success, pain = paired.onset_test, paired.success_difference, paired.pain
    points = f"numb by {protocol.onset.target_min:g} min, percentage points"
    rows = [
        ("rate of becoming numb, times", value_text(paired.hazard_ratio, 2, missing=None), _p(onset)),
        (points, value_text(success, 0, factor=100, missing=None), _p(success)),
    ]
    if pain is not None and protocol.pain is not None:
        rows.append((f"pain, {protocol.pain.instrument.unit}", value_text(pain.shift, missing=None), _p(pain.test)))
    return Section.of(
        "paired",
        "Within the same patients",
        f"{counted(paired.pairs, 'patient')} had both {reference} and {other}: here each is compared with themselves, "
        "so that what differs between patients does not count.",
        Table.of(
            f"{other} less {reference}, within patients".capitalize(),
            ("what", f"difference, {level(protocol.plan.conf_level)} interval", "p"),
            rows,
            "Onset: labels exchanged within patients; ratio within patients, whose rates are taken to be spread "
            "like a normal distribution on the log scale; success: Newcombe's paired interval, exact McNemar test; "
            "pain: Hodges-Lehmann shift and signed-rank test.",
        ),
        None if paired.order is None else _order(paired.order, protocol),
        notes_of(paired.caution),
    )


def _order(order: OrderEffects, protocol: Protocol) -> str:
    told = " and ".join(f"{count} had {name}" for name, count in order.sequences)
    unit = protocol.pain.instrument.unit if protocol.pain else ""
    period, sequence = (value_text(e, missing=None) for e in (order.period, order.sequence))
    return (
        f"Of these, {told}. Pain of the second injection less the first, the arms apart: {period} {unit}; difference "
        f"between the orders in the sum of both: {sequence} {unit}. A difference there may be carry-over or chance."
    )


def _p(result: EstimateLike | HypothesisTest) -> str:
    value = getattr(result, "p_value", None)
    return "—" if value is None else p_text(value)


def blinding_section(blinding: Blinding | None, protocol: Protocol) -> Section | None:
    """Guesses at the arm with an index; nothing where nobody was asked."""
    if blinding is None or not blinding.lines:
        return None
    meant = dict(blinding.intended)
    rows = [
        (
            x.who + ("" if meant.get(x.who) else ", not to be blind"),
            protocol.label(x.arm),
            *(f"{n}" for n in (x.right, x.wrong, x.unsure)),
            value_text(x.index, 2, missing=None),
        )
        for x in blinding.lines
    ]
    found = [
        f"{x.who}, {protocol.label(x.arm)}, {x.right} right against {x.wrong} wrong"
        for x in blinding.lines
        if meant.get(x.who) and isinstance(x.index, Estimate) and x.index.interval.low > 0
    ]
    named = (
        f"Some who were to be blind named the arm more often than by chance: {'; '.join(found)}. Answers that depend "
        "on the person, such as pain, may owe something to that."
    )
    return Section.of(
        "blinding",
        "Whether blinding held",
        named
        if found
        else "Those who were to be blind did not name the arm more often than by chance, as far as these guesses can "
        "tell.",
        Table.of(
            "Guesses at the arm",
            ("who", "injected", "right", "wrong", "unsure", f"index, {level(protocol.plan.conf_level)} interval"),
            rows,
            f"Index: 1 all right, 0 as by chance, −1 all wrong. {blinding.source}.",
            align="llrrrr",
        ),
    )
