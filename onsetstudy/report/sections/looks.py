"""What this look allows one to say."""

from __future__ import annotations

import math

from onsetstudy.design.looks_results import LookVerdict
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.document import Block, Figure, Paragraph, Section, Table
from onsetstudy.report.figures import looks
from onsetstudy.report.figures.canvas import look_of
from onsetstudy.report.numbers import decimal, interval, level, p_text, tidy
from onsetstudy.study.results import LooksTaken

__all__ = ["first_page_words", "looks_section", "verdict_words"]

OUTCOMES = {
    "hazard_ratio": ("the rate of becoming numb", "sooner", "later"),
    "restricted_wait": ("the mean wait", "sooner", "later"),
    "success_by_target": ("the share numb by the target", "sooner", "later"),
    "pain": ("pain", "less painful", "more painful"),
}
UNITS = {"log ratio": "ratio", "min": "minutes saved", "proportion": "difference of shares"}


def verdict_words(taken: LooksTaken, protocol: Protocol) -> str:
    """The verdict on the present look, in one or two plain sentences."""
    count = len(taken.verdicts)
    over = next((k for k, v in enumerate(taken.verdicts) if v.code in ("crossed", "ended")), count - 1)
    verdict = taken.verdicts[over]
    text = _one_verdict(verdict, over + 1, taken, protocol)
    if over == count - 1:
        return text
    return f"{text} The looks after it are descriptive only."


def first_page_words(taken: LooksTaken, protocol: Protocol) -> str:
    """The verdict for a reader in a hurry: no score and no boundary; those stand where the looks are told."""
    count = len(taken.verdicts)
    over = next((k for k, v in enumerate(taken.verdicts) if v.code in ("crossed", "ended")), count - 1)
    verdict, what = taken.verdicts[over], OUTCOMES[taken.primary][0]
    seen = f"look {over + 1} ({verdict.label})"
    if verdict.code == "crossed":
        said = _difference_said(verdict, taken, protocol)
        text = f"At {seen} the evidence was strong enough, with the limits set beforehand for looking often: {said}."
    elif verdict.code == "ended":
        text = f"The study reached its planned size at {seen}. No difference in {what} was shown."
    elif verdict.code == "descriptive":
        text = f"The look of {verdict.label} was not planned, or comes after the end: it describes and decides nothing."
    elif verdict.code == "unlikely":
        text = f"At {seen} a study that goes on as planned is unlikely to show a difference in {what}."
    else:
        text = (
            f"At {seen}, after {verdict.counted:g} of {verdict.planned:g} planned {verdict.unit}, the evidence is not "
            f"strong enough to say that {what} differs; the study goes on."
        )
    return text if over == count - 1 else f"{text} Later looks only describe."


def _difference_said(verdict: LookVerdict, taken: LooksTaken, protocol: Protocol) -> str:
    other, reference = protocol.label(protocol.contrast_arm), protocol.label(protocol.reference_arm)
    what, sooner, later = OUTCOMES[taken.primary]
    direction = sooner if verdict.direction == "sooner" else later
    if taken.primary == "pain":
        return f"{other} injections were {direction} than {reference} ones"
    return f"{other} teeth were numb {direction} than {reference} ones ({what.removeprefix('the ')})"


def _one_verdict(verdict: LookVerdict, number: int, taken: LooksTaken, protocol: Protocol) -> str:
    place = f"Look {number} ({verdict.label}), {verdict.counted:g} of {verdict.planned:g} planned {verdict.unit}: "
    what = OUTCOMES[taken.primary][0]
    if verdict.code == "crossed":
        said = _difference_said(verdict, taken, protocol)
        return f"{place}boundary crossed. With all looks allowed for, {said}."
    if verdict.code == "ended":
        return (
            f"{place}the planned size is reached and the boundary was not crossed. No difference in {what} was shown."
        )
    if verdict.code == "descriptive":
        why = verdict.caution[0].text.removeprefix("Extra look, descriptive only: ")
        return f"{place}an extra look, descriptive only. {why[:1].upper()}{why[1:]}"
    if verdict.code == "unlikely":
        return f"{place}unlikely to show it. {_chances(verdict)}"
    naive = " Somebody who knew of this look only would have claimed a difference." if verdict.naive_claim else ""
    return f"{place}continue; the boundary is not reached.{naive} {_chances(verdict)}".strip()


def _chances(verdict: LookVerdict) -> str:
    powers = verdict.conditional
    if powers is None:
        return ""
    return (
        f"The chance to cross a boundary in the end is {powers.design:.0%} if the planned effect is true and "
        f"{powers.predictive:.0%} by what was seen so far."
    ).replace("%", "\u202f%")


def looks_section(taken: LooksTaken | None, protocol: Protocol) -> Section | None:
    """Verdict, figure, all looks, and the estimate once the study has stopped."""
    if taken is None:
        return None
    title = "What did each look allow?"
    look = look_of(protocol.contrast_arm, protocol.arm_codes)
    drawn = looks.draw_figure(taken, name="looks", title=title, look=look)
    caption = (
        f"Dots: the score of {OUTCOMES[taken.primary][0]} at each look; above 0 "
        f"{protocol.label(protocol.contrast_arm)} is better. Short bars: the boundary of that look; dashed: the "
        "boundary as planned; dotted: 1.96, which a reader of one look would take."
    )
    blocks: list[Block] = [
        Paragraph(text=verdict_words(taken, protocol)),
        Figure(name="looks", title=title, caption=caption, alt=drawn.alt, svg=drawn.svg, narrow=drawn.narrow),
        _table(taken),
    ]
    if taken.stopped is not None:
        blocks.append(Paragraph(text=_stopped(taken)))
    last = taken.verdicts[-1]
    blocks.append(
        Paragraph(
            text=f"Looking {len(taken.verdicts)} times with the limits of a single look would be wrong in "
            f"{100 * last.naive_error:.0f}\u202f% of studies without a difference, not in {level(taken.plan.alpha)}.",
            role="note",
        )
    )
    decided = [v for v in taken.verdicts[:-1] if v.code in ("crossed", "ended")]
    texts = dict.fromkeys(c.text for c in (*taken.caution, *(c for v in decided for c in v.caution), *last.caution))
    blocks += [Paragraph(text=tidy(text), role="note") for text in texts]
    return Section(id="looks", title="What this look allows", blocks=tuple(blocks))


CODES = {
    "continue": "continue",
    "crossed": "boundary crossed",
    "unlikely": "unlikely to show it",
    "ended": "ended, not crossed",
    "descriptive": "extra look",
}


def _table(taken: LooksTaken) -> Table:
    rows = tuple(
        (
            v.label,
            f"{v.counted:g}",
            decimal(v.z, 2),
            decimal(v.boundary, 2) if math.isfinite(v.boundary) else "—",
            "—" if v.futility is None else decimal(v.futility, 2),
            f"{100 * v.alpha_spent:.2f}" if math.isfinite(v.alpha_spent) else "—",
            CODES[v.code],
        )
        for v in taken.verdicts
    )
    plan = taken.plan
    notes = (
        f"{plan.method[:1].upper()}{plan.method[1:]}; {plan.spending.replace('_', ' ')} type, {level(plan.alpha)} in "
        f"all, {plan.planned_information:g} {plan.unit} planned, futility {plan.futility.replace('_', '-')}. "
        f"{plan.source}.",
    )
    return Table(
        caption="Looks so far",
        columns=("look", plan.unit, "score", "boundary", "futility", "error spent, %", "verdict"),
        rows=rows,
        align="lrrrrrl",
        notes=notes,
    )


def _stopped(taken: LooksTaken) -> str:
    found = taken.stopped
    if found is None:
        return ""
    show = math.exp if taken.scale == "log ratio" else float
    values = [show(v) for v in (found.estimate, found.interval.low, found.interval.high, found.plain)]
    places = 3 if taken.scale == "proportion" else 2
    estimate, low, high, plain = values
    over = next((v for v in taken.verdicts if v.code in ("crossed", "ended")), None)
    when = "" if over is None else f"At {over.label}, when the study was decided, "
    return (
        f"{when}the estimate that allows for the looks was {decimal(estimate, places)} ({interval(low, high, places)}; "
        f"{UNITS.get(taken.scale, '')}), p {_p(found.p_value)}, {found.method}; ignoring the looks "
        f"{decimal(plain, places)}."
    )


def _p(value: float) -> str:
    text = p_text(value)
    return text if text.startswith("<") else f"= {text}"
