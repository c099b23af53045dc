"""From results to a document: what a reader needs, in the order in which they need it."""

from __future__ import annotations

from typing import Any

from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.report import tables
from onsetstudy.report.document import Block, Cautions, Document, Figure, Heading, Pairs, Paragraph, Section
from onsetstudy.report.figures import curves, forest, key_figures, pain
from onsetstudy.report.numbers import decimal, p_text
from onsetstudy.report.words import answer, diagnostic_words, hazard_words, none_left, pain_words, plain_words
from onsetstudy.study.results import Population, StudyResults

__all__ = ["compose"]

FIRST_PAGE_CAUTIONS = 3
LEAST_FOR_A_CURVE = 3
FIRST_PAGE_CURVES = 3.25


def compose(results: StudyResults) -> Document:
    """The quarterly report of a study."""
    study = results.protocol.study
    practices = ", ".join(results.practices)
    word = "practice" if len(results.practices) == 1 else "practices"
    subtitle = f"Cases from {results.period_start} to {results.period_end}, {word} {practices}"
    return Document(
        id=f"{study.id}-{results.quarter}",
        title=study.title,
        subtitle=subtitle,
        invented=study.invented,
        running=f"{study.title} · {results.quarter}" + (" · invented data" if study.invented else ""),
        date=results.period_end,
        sections=(
            _first_page(results),
            _who(results),
            _onset(results),
            _comfort(results),
            _everywhere(results),
            _quality(results),
            _statistician(results),
        ),
    )


def _first_page(results: StudyResults) -> Section:
    said = answer(results)
    blocks: list[Block] = [Paragraph(text=f"{said.seen} {said.allows}".strip(), role="answer")]
    title = "What was found, with how sure one may be"
    svg, alt = key_figures.figure_svg(results, name="key", title=title)
    caption = (
        f"{results.overall.n.cases} cases. Dots are estimates, lines their "
        f"{100 * results.protocol.plan.conf_level:g}{chr(0x2009)}% intervals; the solid upright marks nought."
    )
    if results.protocol.plan.wait_difference_min is not None:
        caption += " Dotted: the difference that matters to this study."
    blocks.append(Figure(name="key", title=title, caption=caption, alt=alt, svg=svg))
    blocks.append(_curve_block(results, name="curves", title="How soon were teeth numb?", height=FIRST_PAGE_CURVES))
    blocks.append(Cautions(texts=tuple(c.text for c in results.caution[:FIRST_PAGE_CAUTIONS])))
    return Section(id="answer", title="", blocks=tuple(blocks))


def _curve_block(results: StudyResults, *, name: str, title: str, height: float, falling: bool = False) -> Block:
    drawn = [c for c in results.overall.curves if not isinstance(c.curve, NotAvailable)]
    cases = results.overall.n.cases
    if not drawn or cases < LEAST_FOR_A_CURVE:
        word = "case is" if cases == 1 else "cases are"
        return Paragraph(
            text=f"{title} {cases} {word} too few for a curve; {LEAST_FOR_A_CURVE} would begin to make one."
        )
    svg, alt = curves.figure_svg(results, name=name, title=title, falling=falling, height=height)
    caption = (
        "The first injection alone. Steps: what tests have shown for certain; shaded: where nobody looked; uprights: "
        f"limits at the tests. {cases} cases."
    )
    return Figure(name=name, title=title, caption=caption, alt=alt, svg=svg)


def _who(results: StudyResults) -> Section:
    text = (
        f"{results.overall.n.cases} cases of {len(results.practices)} "
        f"{'practice' if len(results.practices) == 1 else 'practices'} and {results.n_clinicians} "
        f"{'operator' if results.n_clinicians == 1 else 'operators'} were analysed."
    )
    blocks: list[Block] = [Paragraph(text=text), tables.flow_table(results)]
    if results.arm_table.rows:
        blocks.append(tables.balance_table(results))
    blocks += [Heading(text="Cautions in full"), Cautions(texts=tuple(c.text for c in results.caution))]
    return Section(id="who", title="Who was included", blocks=tuple(blocks), new_page=True)


def _onset(results: StudyResults) -> Section:
    population = results.overall
    blocks: list[Block] = [Paragraph(text=hazard_words(population.hazard_ratio))]
    blocks += [Paragraph(text=text) for e in population.never_numb if (text := none_left(e))]
    blocks += [
        tables.shares_table(results),
        Heading(text="What the stopwatch would have said"),
        tables.stopwatch_table(results),
        Heading(text="This quarter and the ones before"),
        tables.periods_table(results),
    ]
    more = results.more_needed
    if more is not None:
        blocks += [Heading(text="What it would take to know more"), Paragraph(text=more.text)]
    return Section(id="onset", title="How soon teeth were numb", blocks=tuple(blocks), new_page=True)


def _comfort(results: StudyResults) -> Section:
    comparison = results.overall.pain
    protocol = results.protocol
    if isinstance(comparison, NotAvailable) or protocol.pain is None:
        reason = comparison.reason if isinstance(comparison, NotAvailable) else "the protocol does not record pain"
        return Section(
            id="comfort", title="How kind the injection was", blocks=(Paragraph(text=f"Not shown: {reason}."),)
        )
    said = pain_words(comparison.shift, protocol)
    blocks = [Paragraph(text=f"{said.seen} {said.allows}".strip())]
    better = comparison.superiority
    if isinstance(better, Estimate):
        blocks.append(
            Paragraph(
                text=f"Of a random {protocol.label(protocol.contrast_arm)} and a random "
                f"{protocol.label(protocol.reference_arm)} case, the first had less pain in "
                f"{100 * better.estimate:.0f} of 100 such pairs ({100 * better.interval.low:.0f} to "
                f"{100 * better.interval.high:.0f}), ties shared."
            )
        )
    if comparison.n.onsets >= 2 * LEAST_FOR_A_CURVE:
        title = "How much did the injection hurt?"
        labels = {code: protocol.label(code) for code in protocol.arm_codes}
        scale = protocol.pain.instrument
        svg, alt = pain.figure_svg(comparison, name="pain", title=title, labels=labels, low=scale.low, high=scale.high)
        caption = (
            f"Every dot is a case, lines are the smoothed distribution; pain at {comparison.moment}, {scale.scale}."
        )
        blocks.append(Figure(name="pain", title=title, caption=caption, alt=alt, svg=svg))
    else:
        need = 2 * LEAST_FOR_A_CURVE
        blocks.append(Paragraph(text=f"{comparison.n.onsets} scores are too few to draw; {need} would begin to show."))
    blocks += [Paragraph(text=c.text, role="note") for c in comparison.caution]
    return Section(id="comfort", title="How kind the injection was", blocks=tuple(blocks))


def _everywhere(results: StudyResults) -> Section:
    protocol = results.protocol
    other = protocol.label(protocol.contrast_arm)
    drawn: dict[str, Any] = {
        "unit": "minutes of waiting saved",
        "ends": (f"{other} later", f"{other} sooner"),
        "arm": protocol.contrast_arm,
        "matters": protocol.plan.wait_difference_min,
        "flip": -1,
    }
    groups: tuple[Population, ...] = (*results.by_technique, *results.by_practice)
    blocks: list[Block] = []
    if groups:
        lines = [("All cases", results.overall.wait_difference, True)]
        lines += [(plain_words(g.level), g.wait_difference, False) for g in groups]
        title = "Was it the same everywhere?"
        svg, alt = forest.figure_svg(lines, name="everywhere", title=title, **drawn)
        caption = (
            "By technique and by practice. Intervals of small groups are wide and will differ by chance alone; "
            "the lines are not a ranking."
        )
        blocks.append(Figure(name="everywhere", title=title, caption=caption, alt=alt, svg=svg))
    if results.sensitivity:
        lines = [(v.label.capitalize(), v.wait_difference, v.code == "main") for v in results.sensitivity]
        title = "Would other choices have changed the answer?"
        svg, alt = forest.figure_svg(lines, name="choices", title=title, **drawn)
        said = "; ".join(f"{v.label}: {v.text}" for v in results.sensitivity if v.code != "main")
        caption = f"The same comparison under the other choices that the plan names. {said[:1].upper()}{said[1:]}."
        blocks.append(Figure(name="choices", title=title, caption=caption, alt=alt, svg=svg))
    if not blocks:
        blocks.append(Paragraph(text="There is one technique and one practice, and the plan names no other choice."))
    return Section(id="everywhere", title="Where and how it holds", blocks=tuple(blocks))


def _quality(results: StudyResults) -> Section:
    quality = results.data_quality
    text = (
        f"{quality.rows_read} case rows were read and {quality.rows_refused} refused; {quality.readings_read} cold "
        f"tests were read and {quality.readings_refused} refused. Refused rows are kept with their reasons."
    )
    blocks: list[Block] = [Paragraph(text=text)]
    notices = tables.notices_table(results)
    if notices is not None:
        blocks.append(notices)
    return Section(id="quality", title="How the records were", blocks=tuple(blocks))


def _statistician(results: StudyResults) -> Section:
    population, plan = results.overall, results.protocol.plan
    test = population.onset_test
    methods = [
        "Onset is interval-censored: after the last valid cold test that was felt, not later than the first of "
        f"{results.protocol.onset.confirmations} consecutive valid tests that were not. Supplement before onset: "
        f"{results.protocol.rescue.success} for shares, {results.protocol.rescue.wait} for waits, "
        f"{results.protocol.rescue.hazard} for the hazard ratio.",
        *(
            dict.fromkeys(
                f"{name}: {r.method}."
                for name, r in (
                    ("Hazard ratio", population.hazard_ratio),
                    ("Wait", population.wait_difference),
                    ("Shares", population.success_difference),
                    ("Pain", population.pain),
                )
                if r.method
            )
        ),
    ]
    if not isinstance(test, NotAvailable):
        p = p_text(test.p_value)
        told = p if p.startswith("<") else f"= {p}"
        methods.append(f"Test of onset: {test.method}; {test.statistic_name} {decimal(test.statistic, 2)}, p {told}.")
    blocks: list[Block] = [Paragraph(text=text) for text in methods]
    blocks.append(
        _curve_block(
            results, name="falling", title="Share not yet numb (onset survival curve)", height=2.6, falling=True
        )
    )
    if results.data_quality.rows_read:
        blocks.append(tables.reasons_table(results))
    blocks.append(tables.numbers_table(population, f"All estimates. {population.label}."))
    blocks += [Paragraph(text=text) for text in diagnostic_words(results)]
    blocks += [tables.assumptions_table(results), tables.certificate_table(results), Heading(text="Provenance")]
    provenance = results.provenance
    blocks.append(
        Pairs(
            rows=(
                ("Protocol, SHA-256", provenance.protocol_digest),
                ("Records, SHA-256", provenance.records_digest),
                ("Seed", f"{provenance.seed}"),
                ("Confidence level", f"{plan.conf_level:g}"),
                ("Versions", ", ".join(f"{name} {version}" for name, version in provenance.versions)),
            )
        )
    )
    return Section(id="statistician", title="For the statistician", blocks=tuple(blocks), new_page=True)
