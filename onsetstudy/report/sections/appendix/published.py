"""Published results beside the practice's own, positive and null alike."""

from __future__ import annotations

from onsetstudy.core.quantities import QUANTITIES
from onsetstudy.core.results import NotAvailable
from onsetstudy.outcomes.published_results import ContextPanel, PublishedContext, PublishedRange
from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import MIXED_ARM, UNMIXED_ARM
from onsetstudy.report.cells import reason_of
from onsetstudy.report.document import Block, Cautions, Figure, Section, Table, absent
from onsetstudy.report.figures.canvas import contrast_look
from onsetstudy.report.figures.forest import FROM_MEMORY, Scale, published_figure, published_rows
from onsetstudy.report.names import plain_words
from onsetstudy.report.numbers import capital, counted, day, level, listed, tidy
from onsetstudy.report.sentences import axis_ends

TITLES = {
    "onset": "Minutes of waiting saved, beside published ones",
    "success": "More teeth numb? Beside published success",
    "pain": "Kinder injections? Beside published pain",
}
TESTS = {"ept": "electric pulp tester", "cold": "cold"}


def section(context: PublishedContext | None, protocol: Protocol) -> Section | None:
    """Section on published results; ``None`` where none were chosen."""
    if context is None or not context.panels:
        return None
    panels: list[Block] = []
    for panel in context.panels:
        explained = any(isinstance(block, Figure) for block in panels)
        panels.append(_panel(panel, protocol, marks=not explained))
    return Section.of(
        "context",
        "Beside published results",
        context.words[:1],
        Cautions(texts=context.words[1:]) if context.words[1:] else None,
        panels,
        _table(context, protocol),
        Cautions(texts=tuple(tidy(c.text) for c in context.caution)),
    )


def _scale(panel: ContextPanel, protocol: Protocol) -> Scale:
    other = protocol.label(protocol.contrast_arm)
    if panel.outcome == "onset":
        return Scale(unit="minutes saved", ends=axis_ends(protocol), factor=QUANTITIES["rmst_difference"].shown.factor)
    if panel.outcome == "success":
        return Scale(unit="percentage points", ends=("fewer numb", "more numb"), base=0)
    return Scale(unit="difference, of 100", ends=(f"less with {other}", f"more with {other}"), base=0)


def _panel(panel: ContextPanel, protocol: Protocol, *, marks: bool) -> Block:
    """Figure of one outcome; ``marks`` explains them, once in a section."""
    scale, title = _scale(panel, protocol), TITLES[panel.outcome]
    rows = published_rows(panel, scale)
    if all(row.estimate is None for row in rows):
        return absent(f"{title}. No published difference with the same technique can be drawn on one scale.")
    drawing = published_figure(rows, scale=scale, look=contrast_look(protocol))
    return drawing.titled(f"context-{panel.outcome}", title, _caption(panel, protocol, marks=marks))


def _caption(panel: ContextPanel, protocol: Protocol, *, marks: bool) -> str:
    drawn_lines = [r for group in panel.groups for r in group.drawn]
    changed = dict.fromkeys(s for r in drawn_lines if (shown := r.drawn()) is not None and (s := shown[3]))
    changed |= {panel.own_scaled: None} if panel.own_scaled else {}
    wanting = {reason_of(g.own) for g in panel.groups if g.drawn and isinstance(g.own, NotAvailable)}
    empty = [plain_words(g.technique) for g in panel.groups if not g.drawn]
    parts = [
        f"Diamonds: these cases, with {level(protocol.plan.conf_level)} interval. Circles: published trials; "
        "squares: several trials pooled; lines: printed intervals."
        if marks
        else "",
        f"Here: {panel.own_meaning}.",
        f"Drawn on one axis: {'; '.join(changed)}. The table shows what was printed." if changed else "",
        f"{FROM_MEMORY} from memory, not read again." if any(r.label == "from memory" for r in drawn_lines) else "",
        *(f"No own estimate: {reason}." for reason in sorted(wanting)),
        f"Nothing published to draw: {listed(empty)}." if empty else "",
    ]
    return " ".join(part for part in parts if part)


def _table(context: PublishedContext, protocol: Protocol) -> Table:
    """One row for each study, whatever it found; trials first, then trials pooled by others."""
    found = {r.id: r for panel in context.panels for group in panel.groups for r in (*group.drawn, *group.listed)}
    studies: dict[tuple[str, str], list[PublishedRange]] = {}
    for r in sorted(found.values(), key=lambda r: (r.evidence != "trial", r.year, r.id)):
        studies.setdefault((r.evidence, r.citation), []).append(r)
    rows: list[tuple[str, ...]] = []
    for evidence, title in (("trial", "Trials"), ("pooled", "Several trials, pooled")):
        told = [_row(lines) for (kind, _), lines in studies.items() if kind == evidence]
        rows += [(title,), *told] if told else []
    others = sum(panel.other for panel in context.panels)
    return Table.of(
        f"What was printed, {protocol.label(UNMIXED_ARM)} against {protocol.label(MIXED_ARM)}",
        ("study", "patients and method", "result"),
        rows,
        f"{context.table_title}, table dated {day(context.table_date)}. Values as printed, read in abstracts or "
        f"texts unless marked {FROM_MEMORY} (from memory). {counted(others, 'line')} of the table "
        f"{'is' if others == 1 else 'are'} of other techniques and left out. Citations stand in the table itself.",
        align="lll",
    )


def _row(lines: list[PublishedRange]) -> tuple[str, str, str]:
    """One study: its name, how it was done, everything it printed."""
    name = lines[0].study.partition(",")[0]
    memory = all(r.label == "from memory" for r in lines)
    results = list(dict.fromkeys(r.printed for r in lines))
    notes = list(dict.fromkeys(r.note for r in lines if r.note))
    text = ". ".join(tidy(capital(t)) for t in ("; ".join(results), *notes))
    return f"{name} {FROM_MEMORY}" if memory else name, _method(lines), f"{text}."


def _method(lines: list[PublishedRange]) -> str:
    first = lines[0]
    test = TESTS.get(first.test_method, first.test_method)
    parts = [
        "" if first.n is None else counted(first.n, "patient"),
        plain_words(first.design),
        listed(list(dict.fromkeys(plain_words(t) for r in lines for t in r.techniques))),
        first.agent,
        *dict.fromkeys(r.patients for r in lines if r.patients),
        f"tested by {test}" if test else "",
    ]
    return tidy(", ".join(part for part in parts if part))
