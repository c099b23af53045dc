"""Page 1 of a group's report: the answer, what was seen in each arm, who is missing, and one's own practice."""

from __future__ import annotations

from dataclasses import replace

from onsetstudy.core.results import Counts, Estimate, NotAvailable
from onsetstudy.pool.results import CommonOdds, Funnel, Pooled
from onsetstudy.report.document import Answer, Block, Cautions, Figure, Paragraph, Section, Table
from onsetstudy.report.figures import curves, forest
from onsetstudy.report.figures.canvas import Drawing
from onsetstudy.report.figures.forest import Line, Scale
from onsetstudy.report.numbers import (
    MINUS,
    counted,
    decimal,
    interval,
    level,
    listed,
    percent,
    percent_interval,
    places_for,
    tidy,
)
from onsetstudy.report.sections.group_more import heterogeneity_words, name_of
from onsetstudy.report.words import axis_ends
from onsetstudy.study.group_results import GroupResults

__all__ = ["drawn_figure", "first_page", "missing_words"]

CURVES = 1.75
NO_PLACE = "—"
ORDER = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")


def first_page(results: GroupResults, own: str | None) -> Section:
    """Everything of page 1; ``own`` is the letter of the practice whose page it is."""
    blocks: list[Block] = [_answer(results)]
    if own is not None:
        blocks.append(Paragraph(text=_own_words(results, own)))
    blocks += [_arms_table(results), _forest(results, own), _curves(results)]
    always = [tidy(c.text) for c in results.caution]
    cautions = [always[0], *missing_words(results, own)]
    if not _two_answers(results) and (verdict := _verdict(results)) is not None:
        cautions.append(verdict)
    cautions += [tidy(c.text) for c in results.caution if c.code in ("not_randomised", "arms")]
    blocks.append(Cautions(texts=tuple(cautions)))
    return Section(id="answer", title="", blocks=tuple(blocks))


def drawn_figure(name: str, title: str, caption: str, drawn: Drawing) -> Figure:
    """A drawing as a block."""
    return Figure(name=name, title=title, caption=caption, alt=drawn.alt, svg=drawn.svg, narrow=drawn.narrow)


def _used(pooled: Pooled) -> int:
    return sum(m.weight > 0 for m in pooled.members)


def _answer(results: GroupResults) -> Answer:
    protocol = results.protocol
    wait = results.quantity("restricted_wait_difference")
    other, reference = protocol.label(protocol.contrast_arm), protocol.label(protocol.reference_arm)
    if wait is None or not isinstance(wait.average, Estimate):
        n = f"{counted(results.overall.n.cases, 'case')} of {counted(len(results.practices), 'practice')}"
        reason = wait.average.reason if wait is not None and isinstance(wait.average, NotAvailable) else "no wait"
        return Answer(seen=f"{n} do not give an average over practices: {reason}.", allows="")
    average, saved = wait.average, -wait.average.estimate
    n = f"{counted(average.n.cases, 'case')} of {counted(_used(wait), 'practice')}"
    word = "sooner" if saved >= 0 else "later"
    seen = (
        f"In {n}, {other} teeth were numb {decimal(abs(saved))} minutes {word} than {reference} ones on average; "
        f"the true average of practices like these could be {_span(-average.interval.high, -average.interval.low)}."
    )
    return Answer(seen=seen, allows=_two_answers(results) + heterogeneity_words(wait, -1.0, _span))


def _two_answers(results: GroupResults) -> str:
    """Why the planned test and the average over practices need not say the same."""
    looks = results.looks
    if looks is None or looks.primary == "pain" or not any(v.code == "crossed" for v in looks.verdicts):
        return ""
    crossed = next(k for k, v in enumerate(looks.verdicts) if v.code == "crossed")
    verdict = looks.verdicts[crossed]
    other = results.protocol.label(results.protocol.contrast_arm)
    word = "sooner" if verdict.direction == "sooner" else "later"
    k = counted(len(results.practices), "practice")
    few = "is" if len(results.practices) == 1 else "are"
    return (
        f"Two questions, two answers. In the cases of these practices {other} was {word} (planned test, "
        f"{_ordinal(crossed)} check, {verdict.label}). For practices in general that is less sure: {k} {few} few. "
    )


def _ordinal(place: int) -> str:
    return ORDER[place] if place < len(ORDER) else f"{place + 1}th"


def _span(low: float, high: float) -> str:
    """An interval of minutes saved with its directions, with as many digits as keep it from nought."""
    places = places_for((low, high))
    if low >= 0:
        return f"{decimal(low, places)} to {decimal(high, places)} minutes sooner"
    if high <= 0:
        return f"{decimal(-high, places)} to {decimal(-low, places)} minutes later"
    return f"from {decimal(-low, places)} minutes later to {decimal(high, places)} minutes sooner"


def _verdict(results: GroupResults) -> str | None:
    """The planned checks in plain words."""
    taken = results.looks
    if taken is None:
        return None
    protocol = results.protocol
    place = next((k for k, v in enumerate(taken.verdicts) if v.code in ("crossed", "ended")), len(taken.verdicts) - 1)
    v = taken.verdicts[place]
    head = f"The {_ordinal(place)} planned check ({v.label})"
    after = " Checks after it only describe." if place < len(taken.verdicts) - 1 else ""
    if v.code == "crossed":
        other = protocol.label(protocol.contrast_arm)
        said = "less painful" if taken.primary == "pain" else "sooner"
        if v.direction != "sooner":
            said = "more painful" if taken.primary == "pain" else "later"
        return f"{head} passed the limit that was set beforehand: {other} was {said}.{after}"
    if v.code == "ended":
        return (
            f"{head} reached the planned size without passing the limit set beforehand: no difference was shown.{after}"
        )
    if v.code == "unlikely":
        return f"{head} found it unlikely that more cases will show the planned difference."
    if v.code == "descriptive":
        return f"{head} is an extra one and only describes."
    return f"{head} did not reach the limit that was set beforehand; the study goes on."


def missing_words(results: GroupResults, own: str | None) -> list[str]:
    """Who and what is missing, one sentence each; a practice's own page names no other practice by its code."""
    told = []
    if results.missing:
        k = len(results.missing)
        told.append(
            f"No file from {listed(results.missing)}."
            if own is None
            else f"{counted(k, 'practice')} of the study {'has' if k == 1 else 'have'} sent nothing."
        )
    mine = next((p.code for p in results.practices if p.letter == own), None)
    for code, last in results.shorter:
        if own is None:
            told.append(f"{code} has sent up to {last} only: later cases of {code} are missing.")
        elif code == mine:
            told.append(f"Your practice has sent up to {last} only: your later cases are missing.")
    others = [code for code, _ in results.shorter if code != mine]
    if own is not None and others:
        has = "has" if len(others) == 1 else "have"
        told.append(f"{counted(len(others), 'other practice')} {has} sent up to an earlier quarter only.")
    if results.skipped:
        names = listed(results.skipped) if own is None else counted(len(results.skipped), "file")
        was = "was" if len(results.skipped) == 1 else "were"
        told.append(f"{names} {was} not read: exchange files end in .exchange.json.")
    if results.beyond:
        who = "All files go" if len(results.beyond) == len(results.practices) else "Some files go"
        told.append(
            f"{who} on after {results.quarter}. Pain, minutes to treatment, harms and the number of rows carry no "
            f"quarter and are left out of these; ask for files that end with {results.quarter}."
        )
    return told


def _own_words(results: GroupResults, own: str) -> str:
    """One sentence about the practice whose page it is."""
    practice = next(p for p in results.practices if p.letter == own)
    wait = results.quantity("restricted_wait_difference")
    member = None if wait is None else next((m.result for m in wait.members if m.label == own), None)
    head = f"Your practice: {counted(practice.n.cases, 'case')}"
    if isinstance(member, Estimate):
        word = "sooner" if member.estimate <= 0 else "later"
        span = _span(-member.interval.high, -member.interval.low)
        head += f", {decimal(abs(member.estimate))} minutes {word} ({span})"
    elif isinstance(member, NotAvailable):
        head += f", no wait of its own ({member.reason})"
    flags = [
        (f.quantity, p.flag)
        for f in results.funnels
        if isinstance(f, Funnel) and f.quantity != "operators"
        for p in f.points
        if p.label == own
    ]
    names = {"by_target": "not numb by the target", "never_numb": "never numb"}
    outside = [names[q] for q, flag in flags if flag]
    if not flags:
        return f"{head}."
    if outside:
        return f"{head}; outside the inner limits for teeth {listed(outside)}: have a look at what lies behind it."
    both = "both charts" if len(flags) == 2 else "the chart"
    return f"{head}; inside the limits in {both} of practices beside each other."


def _arms_table(results: GroupResults) -> Table:
    """Shares by arm, the difference within practices, and pain."""
    protocol, overall = results.protocol, results.overall
    labels = tuple(protocol.label(a) for a in protocol.arm_codes[:2])
    target, horizon = protocol.onset.target_min, protocol.onset.horizon_min
    rows = [
        (
            f"numb by {target:g} min",
            *(_share(e) for e in overall.by_target),
            _points(overall.success.pooled, 1.0),
        ),
        (
            f"never numb in {horizon:g} min",
            *(_share(e) for e in overall.never_numb),
            _points(overall.numb_at_all.pooled, -1.0),
        ),
    ]
    pain = results.quantity("pain_difference")
    if pain is not None and isinstance(pain.average, Estimate):
        e = pain.average
        word = "less" if e.estimate <= 0 else "more"
        sign = -1 if e.estimate <= 0 else 1
        ends = sorted((sign * e.interval.low, sign * e.interval.high))
        rows.append(
            (
                f"pain, {e.unit}, average",
                NO_PLACE,
                NO_PLACE,
                f"{decimal(abs(e.estimate))} {word} ({interval(*ends)})",
            )
        )
    note = (
        f"With {level(protocol.plan.conf_level)} intervals. Difference: {labels[1]} less {labels[0]}, within practices "
        f"and techniques. Waits are counted to {horizon:g} min; a tooth never numb counts as {horizon:g}."
    )
    return Table(
        caption="What was seen, all practices together", columns=("", *labels, "difference"), rows=tuple(rows),
        align="lrrr", notes=(note,),
    )  # fmt: skip


def _share(e: Estimate | NotAvailable) -> str:
    if not isinstance(e, Estimate):
        return NO_PLACE
    n = e.n.cases
    return f"{percent(e.estimate, n)} ({percent_interval(e.interval.low, e.interval.high, n)}) of {n}"


def _points(pooled: CommonOdds, sign: float) -> str:
    e = pooled.difference
    if not isinstance(e, Estimate):
        return NO_PLACE
    low, high = sorted((100 * sign * e.interval.low, 100 * sign * e.interval.high))
    value = 100 * sign * e.estimate
    places = places_for((low, high, value), base=0)
    text = decimal(value, places)
    return f"{text if text.startswith(MINUS) else '+' + text} points ({interval(low, high, places)})".replace(
        "+0 ", "0 "
    )


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
            lines.append(Line("A practice not in this study", further, outside=True))
    matters = protocol.plan.wait_difference_min
    scale = Scale(unit="minutes saved", ends=axis_ends(protocol), matters=matters, factor=-1)
    frame = forest.data_for(lines, factor=scale.factor)
    why = forest.reasons(frame)
    if frame["estimate"].isna().all():
        return Paragraph(text=f"{title} There is no estimate to draw. {why}", role="absent")
    caption = f"Minutes of waiting saved, {level(protocol.plan.conf_level)} intervals; large dots know more."
    if len(results.practices) > 1:
        caption += " Letters are drawn anew for every report: no ranking."
    if matters is not None:
        caption += f" Dotted: {matters:g} min, a difference that matters."
    if wait.prediction is not None:
        caption += " Last line: where the truth of such a practice would lie."
    without = [name_of(m.label, own) for m in wait.members if isinstance(m.result, Estimate) and m.weight == 0]
    if without and isinstance(wait.average, Estimate):
        caption += f" Not in the average, because its cases do not tell how sure its value is: {listed(without)}."
    if why:
        caption += f" No estimate: {why}"
    drawn = forest.draw_figure(
        frame, name="forest", title=title, scale=scale, arm=protocol.contrast_arm, arms=protocol.arm_codes
    )
    return drawn_figure("forest", title, caption, drawn)


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
    return drawn_figure("curves", title, caption, drawn)
