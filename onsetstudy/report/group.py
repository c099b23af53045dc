"""The quarterly report of a study group, for all its practices or for one of them."""

from __future__ import annotations

from dataclasses import replace

from onsetstudy.core.results import Counts, Estimate, HypothesisTest, NotAvailable
from onsetstudy.pool.results import Funnel, Pooled
from onsetstudy.report.document import Answer, Block, Cautions, Document, Figure, Pairs, Paragraph, Section, Table
from onsetstudy.report.figures import curves, forest, funnel
from onsetstudy.report.figures.canvas import Drawing
from onsetstudy.report.figures.forest import Line, Scale
from onsetstudy.report.numbers import counted, day, decimal, interval, level, listed, p_text, percent, quarter, tidy
from onsetstudy.report.sections.group_more import heterogeneity_words, more_sections, name_of
from onsetstudy.report.sections.looks import looks_section, verdict_words
from onsetstudy.report.words import axis_ends
from onsetstudy.study.group_results import GroupResults

__all__ = ["compose_group"]

CURVES = 2.0
FIRST_PAGE_CAUTIONS = 3
SHOWN = {
    "hazard_ratio": ("ratio of rates", 1.0, 2),
    "restricted_wait_difference": ("minutes waited saved", -1.0, 1),
    "success_difference": ("numb by target, points", 100.0, 0),
    "pain_difference": ("less pain", -1.0, 1),
    "minutes_saved": ("minutes to treatment saved", 1.0, 1),
}
FUNNELS = {
    "by_target": "not numb by the target",
    "never_numb": "never numb",
    "operators": "not numb by the target, by operator",
}


def compose_group(results: GroupResults, *, practice: str | None = None) -> Document:
    """The group's report; with ``practice`` (its code) the one in which that practice sees itself named."""
    study = results.protocol.study
    own = None if practice is None else results.letter(practice)
    whose = f"-{practice}" if practice else ""
    invented = " · invented data" if study.invented else ""
    k = len(results.practices)
    return Document(
        id=f"{study.id}-group-{results.quarter}{whose}",
        title=study.title,
        kicker=f"Report of the study group, {quarter(results.quarter)}" + (f", for {practice}" if practice else ""),
        subtitle=f"Cases from {day(results.period_start)} to {day(results.period_end)}. {counted(k, 'practice')}, "
        "counted without moving a patient's row.",
        notice="All data in this report are invented." if study.invented else "",
        running=f"{study.title} · group · {results.quarter}{invented}",
        date=results.period_end,
        sections=tuple(
            section
            for section in (
                _first_page(results, own),
                _pooled(results, own),
                *more_sections(results, own),
                _beside_each_other(results, own),
                looks_section(results.looks, results.protocol),
                _sent(results, practice),
                _cautions(results),
                _statistician(results),
            )
            if section is not None
        ),
    )


def _figure(name: str, title: str, caption: str, drawn: Drawing) -> Figure:
    return Figure(name=name, title=title, caption=caption, alt=drawn.alt, svg=drawn.svg, narrow=drawn.narrow)


def _first_page(results: GroupResults, own: str | None) -> Section:
    cautions = [tidy(c.text) for c in results.caution]
    if results.looks is not None:
        cautions.insert(1, verdict_words(results.looks, results.protocol))
    blocks: list[Block] = [_answer(results), _forest(results, own), _curves(results)]
    blocks.append(Cautions(texts=tuple(cautions[:FIRST_PAGE_CAUTIONS])))
    return Section(id="answer", title="", blocks=tuple(blocks))


def _answer(results: GroupResults) -> Answer:
    protocol = results.protocol
    wait = results.quantity("restricted_wait_difference")
    n = f"{counted(results.overall.n.cases, 'case')} of {counted(len(results.practices), 'practice')}"
    other, reference = protocol.label(protocol.contrast_arm), protocol.label(protocol.reference_arm)
    if wait is None or not isinstance(wait.average, Estimate):
        reason = wait.average.reason if wait is not None and isinstance(wait.average, NotAvailable) else "no wait"
        return Answer(seen=f"{n} do not give an average over practices: {reason}.", allows="")
    average = wait.average
    low, high = -average.interval.high, -average.interval.low
    saved = -average.estimate
    word = "sooner" if saved >= 0 else "later"
    seen = (
        f"In {n}, {other} teeth were numb {decimal(abs(saved))} minutes {word} than {reference} ones on average; "
        f"the true average of practices like these could be {_span(low, high)}."
    )
    return Answer(seen=seen, allows=heterogeneity_words(wait, -1.0, _span))


def _span(low: float, high: float) -> str:
    """An interval of minutes saved with its directions."""
    if low >= 0:
        return f"{decimal(low)} to {decimal(high)} minutes sooner"
    if high <= 0:
        return f"{decimal(-high)} to {decimal(-low)} minutes later"
    return f"from {decimal(-low)} minutes later to {decimal(high)} sooner"


def _forest(results: GroupResults, own: str | None) -> Block:
    protocol = results.protocol
    wait = results.quantity("restricted_wait_difference")
    title = "What did each practice find?"
    if wait is None:
        return Paragraph(text=f"{title} No waits were sent.", role="absent")
    lines = [Line(name_of(m.label, own), m.result) for m in wait.members]
    if isinstance(wait.average, Estimate):
        lines.append(Line("Average of practices", wait.average, whole=True))
        if wait.prediction is not None:
            further = replace(wait.average, interval=wait.prediction, std_error=None, n=Counts(cases=0, onsets=0))
            lines.append(Line("A further practice", further))
    scale = Scale(unit="minutes saved", ends=axis_ends(protocol), matters=protocol.plan.wait_difference_min, factor=-1)
    frame = forest.data_for(lines, factor=scale.factor)
    why = forest.reasons(frame)
    if frame["estimate"].isna().all():
        return Paragraph(text=f"{title} There is no estimate to draw. {why}", role="absent")
    caption = (
        f"Minutes of waiting saved with {level(protocol.plan.conf_level)} intervals; large dots know more. Letters "
        "stand in an order that means nothing; it is not a ranking."
    )
    if wait.prediction is not None:
        caption += " Last line: where the true value of a further practice like these would lie."
    if why:
        caption += f" No estimate: {why}"
    drawn = forest.draw_figure(
        frame, name="forest", title=title, scale=scale, arm=protocol.contrast_arm, arms=protocol.arm_codes
    )
    return _figure("forest", title, caption, drawn)


def _curves(results: GroupResults) -> Block:
    title = "How soon were teeth numb, in all practices together?"
    frame = curves.data_for(results, least=5)  # type: ignore[arg-type]
    if frame.empty:
        return Paragraph(text=f"{title} Too few cases to draw.", role="absent")
    caption = (
        "Thick steps: what tests have shown. Shaded: where nobody looked. Uprights: "
        f"{level(results.protocol.plan.conf_level)} limits, for each test by itself. The first injection alone, "
        f"{counted(results.overall.n.cases, 'case')}."
    )
    drawn = curves.draw_figure(results, frame, name="curves", title=title, height=CURVES)  # type: ignore[arg-type]
    return _figure("curves", title, caption, drawn)


def _pooled(results: GroupResults, own: str | None) -> Section:
    blocks: list[Block] = [_pooled_table(results)]
    blocks.append(_members_table(results, own))
    blocks.append(Paragraph(text=_agreement(results)))
    return Section(id="pooled", title="All practices together", blocks=tuple(blocks), new_page=True)


def _value(result: Estimate | NotAvailable, factor: float, places: int) -> str:
    if not isinstance(result, Estimate):
        return "–"
    low, high = sorted((factor * result.interval.low, factor * result.interval.high))
    return f"{decimal(factor * result.estimate, places)} ({interval(low, high, places)})"


def _range(low: float, high: float, factor: float, places: int) -> str:
    low, high = sorted((factor * low, factor * high))
    return interval(low, high, places)


def _pooled_table(results: GroupResults) -> Table:
    rows = []
    for pooled in results.pooled:
        name, factor, places = SHOWN[pooled.quantity]
        if pooled.quantity == "pain_difference":
            name = f"{name}, {pooled.unit}"
        h, p = pooled.heterogeneity, pooled.prediction
        rows.append(
            (
                name,
                _value(pooled.average, factor, places),
                "–" if p is None else _range(p.low, p.high, factor, places),
                "–"
                if h is None
                else f"{100 * h.i2:.0f} ({100 * h.i2_interval.low:.0f} to {100 * h.i2_interval.high:.0f})",
                _value(pooled.common, factor, places),
            )
        )
    one = results.overall.hazard_ratio
    test = results.overall.onset_test
    p = f"; p = {p_text(test.p_value)}" if isinstance(test, HypothesisTest) else ""
    notes = [
        f"Average over practices like these, {results.pooled[0].method}; intervals at "
        f"{level(results.protocol.plan.conf_level)}. A further practice: where its true value would lie, Student's t "
        "with practices less one degrees of freedom. Beyond chance: share of the spread between results that chance "
        "does not explain. One value for all: as if practices did not differ. Minutes to treatment: as spent, with "
        "mixing. Simulated with practices of unequal size, the range for a further practice holds the truth in 86 to "
        "93 of 100 groups where practices differ, not in 95.",
        f"In one stage, every practice compared within itself, the ratio of rates is {_value(one, 1.0, 2)}{p}.",
    ]
    return Table(
        caption="Pooled over practices",
        columns=("what", "average of practices", "a further practice", "beyond chance, %", "one value for all"),
        rows=tuple(rows),
        align="lrrrr",
        notes=tuple(notes),
    )


def _members_table(results: GroupResults, own: str | None) -> Table:
    def cell(pooled: Pooled, label: str) -> str:
        _, factor, places = SHOWN[pooled.quantity]
        member = next((m for m in pooled.members if m.label == label), None)
        return "–" if member is None else _value(member.result, factor, places)

    chosen = [p for p in results.pooled if p.quantity != "minutes_saved"]
    rows = [
        (name_of(p.letter, own), f"{p.n.cases}", *(cell(pooled, p.letter) for pooled in chosen))
        for p in results.practices
    ]
    heads = {
        "hazard_ratio": "ratio of rates",
        "restricted_wait_difference": "minutes saved",
        "success_difference": "by target, points",
        "pain_difference": "less pain",
    }
    reasons = dict.fromkeys(
        f"{name_of(m.label, own)}: {m.result.reason}"
        for pooled in chosen
        for m in pooled.members
        if isinstance(m.result, NotAvailable)
    )
    return Table(
        caption="Every practice by itself",
        columns=("practice", "cases", *(heads[p.quantity] for p in chosen)),
        rows=tuple(rows),
        align="lr" + "r" * len(chosen),
        notes=tuple(f"{tidy(r)}." for r in reasons),
    )


def _agreement(results: GroupResults) -> str:
    found = results.agreement
    told = {
        "left_out": "practices without an estimate of their own count in one stage only",
        "spread": "practices differ, and the average over practices gives small ones more weight",
        "few": "few practices make the average over practices less sure",
        "weights": "the two give practices different weight",
    }
    why = listed([told[r] for r in found.reasons])
    if found.apart is None:
        return "One of the two ways, in one stage or in two, has no answer" + (f": {why}." if why else ".")
    if found.apart < 0.5:
        base = "Counting all cases in one stage and averaging over practices give the same ratio of rates"
        return f"{base} within {decimal(found.apart, 2)} standard errors." + (f" Mind that {why}." if why else "")
    return (
        f"Counting all cases in one stage and averaging over practices differ by {decimal(found.apart, 1)} standard "
        f"errors: {why}."
    )


def _beside_each_other(results: GroupResults, own: str | None) -> Section:
    blocks: list[Block] = []
    for found in results.funnels:
        what = FUNNELS[found.quantity]
        title = f"How many teeth were {what}?"
        if isinstance(found, NotAvailable):
            blocks.append(Paragraph(text=f"{title} Not drawn: {found.reason}.", role="absent"))
            continue
        drawn = funnel.draw_figure(found, name=f"funnel-{found.quantity}", title=title, own=own)
        caption = (
            "The share is what a practice would have with the group's mix of techniques and arms. Line: the group. "
            "Bands: where 19 in 20, and 499 in 500, practices like the group would lie by chance."
        )
        if found.dispersed:
            caption += (
                f" Practices differ more than chance allows; the bands are {found.dispersion**0.5:.1f} times as wide."
            )
        blocks += [_figure(f"funnel-{found.quantity}", title, caption, drawn), _funnel_table(found, own)]
    texts = dict.fromkeys(c.text for f in results.funnels if isinstance(f, Funnel) for c in f.caution)
    blocks += [Paragraph(text=tidy(t), role="note") for t in texts]
    return Section(id="beside", title="Practices beside each other", blocks=tuple(blocks))


def _funnel_table(found: Funnel, own: str | None) -> Table:
    flags = {"": "", "look": "have a look", "outside": "outside all limits"}
    rows = [
        (
            name_of(p.label, own),
            f"{p.failures} of {p.cases}",
            decimal(p.expected),
            percent(p.adjusted, p.cases),
            f"{percent(p.shrunken, p.cases)} ({100 * p.shrunken_interval.low:.0f} to "
            f"{100 * p.shrunken_interval.high:.0f})",
            flags[p.flag],
        )
        for p in found.points
    ]
    return Table(
        caption=f"Teeth {FUNNELS[found.quantity]}",
        columns=("practice", "seen", "expected", "at the group's mix", "plausible", ""),
        rows=tuple(rows),
        align="lrrrrl",
        notes=(
            "Expected: from the group's shares by technique and arm. Plausible: drawn to the group by as much as "
            "chance explains, with 95 % limits that allow for not knowing how much practices differ.",
        ),
    )


def _sent(results: GroupResults, practice: str | None) -> Section:
    rows = tuple(
        (name_of(p.letter, results.letter(practice) if practice else None), f"{p.recorded}", f"{p.refused}",
         f"{p.left_out}", f"{p.n.cases}", percent(p.scores / p.n.cases, p.n.cases) if p.n.cases else "–", f"{p.moved}")
        for p in results.practices
    )  # fmt: skip
    complete = Table(
        caption="How complete the records were",
        columns=("practice", "recorded", "refused", "left out", "analysed", "pain scored", "merged"),
        rows=rows,
        align="lrrrrrr",
        notes=(
            "Left out: not eligible under the protocol, or outside the period. Merged: cases whose quarter or "
            "technique was joined with others because the group was small.",
        ),
    )
    by_code = sorted(results.practices, key=lambda p: p.code)
    shown = [p for p in by_code if practice is None or p.code == practice]
    sent = Table(
        caption="Who sent what",
        columns=("practice", "quarters", "files"),
        rows=tuple((p.code, listed(p.quarters), listed(p.files)) for p in shown),
        align="lll",
        notes=("Codes stand in their own order; which letter belongs to which code is known to the coordinator only.",)
        if practice is None
        else (),
    )
    harms = Table(
        caption="Adverse events",
        columns=("arm", "cases", "with an event", "serious"),
        rows=tuple(
            (results.protocol.label(arm), f"{cases}", f"{event}", f"{serious}")
            for arm, cases, event, serious in results.events
        ),
        align="lrrr",
        notes=("Counted by arm as analysed, over all that was sent; limits are in the practices' own reports.",),
    )
    notes = tuple(Paragraph(text=note, role="note") for note in results.notes if practice is None)
    return Section(id="sent", title="What was sent", blocks=(sent, complete, harms, *notes))


def _cautions(results: GroupResults) -> Section:
    return Section(
        id="cautions", title="Cautions", blocks=(Cautions(texts=tuple(tidy(c.text) for c in results.caution)),)
    )


def _statistician(results: GroupResults) -> Section:
    text = (
        "Files hold counts of cases by quarter, technique, further strata, arm and onset interval; the likelihood "
        "needs no more, so test, ratio and curves are those of the rows. Test and ratio of rates in one stage have "
        "practice and the plan's strata as strata. Spread of practices: shared log-normal effect on the rate, one "
        "baseline for all. Success over practices: conditional odds ratio and Mantel-Haenszel difference. Two stages: "
        "each practice's own estimate, cases taken as independent."
    )
    success, frailty = results.overall.success, results.overall.frailty
    rows = [("Numb by the target, odds ratio", _value(success.odds_ratio, 1.0, 2))]
    rows.append(("Numb by the target, difference in points", _value(success.difference, 100.0, 0)))
    if success.homogeneity is not None:
        rows.append(("Same odds ratio in all practices and techniques", f"p = {p_text(success.homogeneity.p_value)}"))
    if isinstance(frailty, NotAvailable):
        rows.append(("Spread of practices' rates, log scale", frailty.reason))
    else:
        told = f"{_value(frailty.spread, 1.0, 2)}, p = {p_text(frailty.test.p_value)}"
        rows.append(("Spread of practices' rates, log scale", told))
    p = results.provenance
    rows += [("Protocol, SHA-256", p.protocol_digest), ("Files, SHA-256", p.records_digest)]
    rows.append(("Versions", ", ".join(f"{name} {version}" for name, version in p.versions)))
    return Section(
        id="statistician", title="For the statistician", blocks=(Paragraph(text=text), Pairs(rows=tuple(rows)))
    )
