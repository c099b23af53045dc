"""From results to a document: what a reader needs, in the order in which they need it."""

from __future__ import annotations

from onsetstudy.core.quantities import QUANTITIES
from onsetstudy.core.results import NOT_INDEPENDENT, HypothesisTest, NotAvailable
from onsetstudy.report import tables
from onsetstudy.report.document import (
    Answer,
    Block,
    Cautions,
    Document,
    Figure,
    Heading,
    Pairs,
    Paragraph,
    Section,
    Table,
)
from onsetstudy.report.figures import curves, forest, key_rows, pain, schedule, stopwatch
from onsetstudy.report.figures.canvas import Drawing
from onsetstudy.report.figures.forest import Line, Scale
from onsetstudy.report.numbers import counted, day, decimal, level, listed, p_text, quarter, tidy
from onsetstudy.report.sections.appendix import numbers_in_full, published
from onsetstudy.report.sections.appendix.confounding import fair_section
from onsetstudy.report.sections.appendix.e_values import anytime_first_page, anytime_section
from onsetstudy.report.sections.appendix.interim import looks_section
from onsetstudy.report.sections.appendix.planned import planned_section
from onsetstudy.report.sections.appendix.watching import watch_section
from onsetstudy.report.sections.appendix.within_patient import blinding_section, paired_section
from onsetstudy.report.sections.main import doses
from onsetstudy.report.sections.main.chair_time import chair_section
from onsetstudy.report.sections.main.doubts import doubt_words, shut
from onsetstudy.report.sections.main.harms import safety_section
from onsetstudy.report.sections.main.kindness import comfort_blocks
from onsetstudy.report.sections.main.who import allocation_blocks
from onsetstudy.report.sentences import (
    ALLOWED,
    axis_ends,
    none_left,
    plain_words,
    sentence,
    stopwatch_words,
    superiority_words,
    without_looks,
)
from onsetstudy.study.results import StudyResults

__all__ = ["compose"]

FIRST_PAGE = (
    "test_the_tooth",
    "arms",
    "few_onsets",
    "practices_together",
    "coarser_strata",
    "unlike_schedules",
    "not_randomised",
    "small_sample",
    "sample",
    "repeated_looks",
)
FIRST_PAGE_SHUT = ("test_the_tooth", "arms", "not_randomised")
"""Where no number is shown there are no cautions about one: theirs are figures of the cold tests too."""
FIRST_PAGE_CAUTIONS = 3
FIRST_PAGE_CURVES = 2.1
LAST_PAGE_CURVES = 1.7
LEAST_IN_ARM = 5
LEAST_SCORES = 10
PRACTICES_NAMED = 8


def compose(results: StudyResults) -> Document:
    """The quarterly report of a study."""
    study = results.protocol.study
    invented = "invented data"
    return Document(
        id=f"{study.id}-{results.quarter}",
        title=study.title,
        kicker=f"Quarterly report, {quarter(results.quarter)}",
        subtitle=_subtitle(results),
        notice="All data in this report are invented." if study.invented else "",
        running=f"{study.title} · {results.quarter}"
        + (f" · {invented}" if study.invented else "")
        + (f" · ledger {results.provenance.ledger_head}" if results.provenance.ledger_head else ""),
        date=results.period_end,
        sections=tuple(section for section in _sections(results) if section is not None),
    )


def _sections(results: StudyResults) -> tuple[Section | None, ...]:
    """Every section in the order in which a reader needs it; ``None`` where there is nothing to say."""
    return (
        _first_page(results),
        _who(results),
        looks_section(results.looks, results.protocol),
        anytime_section(results.anytime, results.protocol),
        _onset(results),
        fair_section(results.fair, results.protocol),
        _comfort(results),
        paired_section(results.paired, results.protocol),
        blinding_section(results.blinding, results.protocol),
        chair_section(results.chair_time, results.protocol, results.claims.get("chair_time_difference")),
        doses.section(results.doses, results.protocol),
        safety_section(results.safety, results.protocol),
        _everywhere(results),
        watch_section(results.watch, results.protocol),
        published.section(results.context, results.protocol),
        _more(results),
        _quality(results),
        _cautions(results),
        planned_section(results),
        _statistician(results),
    )


def _subtitle(results: StudyResults) -> str:
    names = results.practices
    word = "Practice" if len(names) == 1 else "Practices"
    told = f"{word} {listed(names)}" if len(names) <= PRACTICES_NAMED else counted(len(names), "practice")
    return f"Cases from {day(results.period_start)} to {day(results.period_end)}. {told if names else 'No practice'}."


def _figure(name: str, title: str, caption: str, drawn: Drawing) -> Figure:
    return Figure(name=name, title=title, caption=caption, alt=drawn.alt, svg=drawn.svg, narrow=drawn.narrow)


def _first_page(results: StudyResults) -> Section:
    said = sentence(results.claims.primary(), results.protocol)
    plan = results.protocol.plan
    title = "What was found, and how sure one may be"
    caption = f"{counted(results.overall.n.cases, 'case')}."
    frame = key_rows.data_for(results)
    if frame["estimate"].notna().any():
        caption += (
            f" Dots are estimates, lines their {level(plan.conf_level)} intervals"
            f"{'' if results.looks is None else f' (of differences, {ALLOWED})'}; the upright at 0 means none, or no "
            "difference."
        )
    if frame[frame["matters"].notna()]["estimate"].notna().any():
        caption += " From the dotted line on, a difference matters to this study."
    cautions = {c.code: tidy(c.text) for c in reversed(results.caution)}
    if results.looks is not None:
        # The first sentence is the verdict of the look, with the interval that allows for it.
        cautions.pop("repeated_looks", None)
    if results.anytime is not None:
        cautions["repeated_looks"] = anytime_first_page(results.anytime, results.protocol)
    codes = FIRST_PAGE_SHUT if shut(results.doubts) else FIRST_PAGE
    first = [cautions[code] for code in codes if code in cautions][:FIRST_PAGE_CAUTIONS]
    first = [*doubt_words(results.doubts), *doses.passed_a_line(results.doses), *first]
    if shut(results.doubts):
        # Not one number of the cold tests stands here; harms and doses are never withheld, nor is kindness.
        kinder = [Paragraph(text=_told(results, "pain_difference"))] if results.protocol.pain is not None else []
        answer = Answer(seen=said.seen, allows=said.allows)
        return Section(id="answer", title="", blocks=(answer, *kinder, Cautions(texts=tuple(first))))
    return Section(
        id="answer",
        title="",
        blocks=(
            Answer(seen=said.seen, allows=said.allows),
            _figure("key", title, caption, key_rows.draw_figure(results, name="key", title=title)),
            _curves(results, name="curves", title="How soon were teeth numb?", height=FIRST_PAGE_CURVES),
            Cautions(texts=tuple(first)),
        ),
    )


def _told(results: StudyResults, quantity: str) -> str:
    """A claim of all cases, in its two sentences."""
    claim = results.claims.get(quantity)
    return "" if claim is None else sentence(claim, results.protocol).text


def _curves(results: StudyResults, *, name: str, title: str, height: float, falling: bool = False) -> Block:
    frame = curves.data_for(results, least=LEAST_IN_ARM)
    counts = {results.protocol.label(a.arm): a.cases for a in results.overall.n.by_arm if a.cases}
    few = {arm: n for arm, n in counts.items() if n < LEAST_IN_ARM}
    said = listed([f"{counted(n, 'case')} with {arm}" for arm, n in few.items()]) or "No case"
    verb = "is" if sum(few.values()) <= 1 else "are"
    too_few = f"{said} {verb} too few to draw a curve; it takes {LEAST_IN_ARM} or more in an arm."
    if frame.empty:
        return Paragraph(text=f"{title} {too_few}", role="absent")
    caption = (
        "Thick steps: what tests have shown. Shaded: where nobody looked, the proportion may be anywhere. Uprights: "
        f"{level(results.protocol.plan.conf_level)} limits, for each test by itself. The first injection alone, "
        f"{counted(results.overall.n.cases, 'case')}." + (f" {too_few}" if few else "")
    )
    figure = curves.draw_figure(results, frame, name=name, title=title, height=height, falling=falling)
    return _figure(name, title, caption, figure)


def _who(results: StudyResults) -> Section:
    text = (
        f"{counted(results.overall.n.cases, 'case')} of {counted(len(results.practices), 'practice')} and "
        f"{counted(results.n_clinicians, 'operator')} were analysed."
    )
    blocks: list[Block] = [Paragraph(text=text), tables.flow(results)]
    if results.arm_table.rows:
        blocks.append(tables.balance_table(results))
    blocks += allocation_blocks(results)
    return Section(id="who", title="Who was included", blocks=tuple(blocks), new_page=True)


def _onset(results: StudyResults) -> Section:
    protocol, population = results.protocol, results.overall
    blocks: list[Block] = [Paragraph(text=_told(results, "hazard_ratio"))]
    blocks += [Paragraph(text=text) for e in population.never_numb if (text := none_left(e, protocol))]
    blocks.append(tables.main_table(results))
    title = "What would a stopwatch have said?"
    if any(mean is not None for _, mean, _, _ in population.naive.means):
        caption = (
            "Open diamonds: the stopwatch average, which has no honest interval. Dots: the restricted mean "
            "time to onset of every case up "
            f"to {protocol.onset.tau_min:g} minutes, with its {level(protocol.plan.conf_level)} interval"
            f"{without_looks(results.looks)}."
        )
        drawn = stopwatch.draw_figure(results, name="stopwatch", title=title)
        blocks.append(_figure("stopwatch", title, caption, drawn))
    else:
        blocks.append(Heading(text=title))
    blocks.append(Paragraph(text=stopwatch_words(population.naive, population.wait, protocol)))
    blocks += _quarters(results)
    return Section(id="onset", title="How soon teeth were numb", blocks=tuple(blocks))


def _quarters(results: StudyResults) -> list[Block]:
    blocks: list[Block] = []
    if len(results.by_quarter) > 1:
        lines = [Line("Each quarter alone")]
        lines += [
            Line(f"{p.level}, this quarter" if p.level == results.quarter else p.level, p.wait_difference)
            for p in results.by_quarter
        ]
        lines.append(Line("All to date", results.overall.wait_difference, whole=True))
        title = "How did this quarter compare with the ones before?"
        caption = "Quarters differ by chance alone; a quarter by itself decides nothing."
        blocks.append(_forest(results, lines, name="quarters", title=title, caption=caption))
    blocks.append(tables.periods_table(results))
    return blocks


def _forest(results: StudyResults, lines: list[Line], *, name: str, title: str, caption: str) -> Block:
    protocol = results.protocol
    scale = Scale(
        unit="minutes saved",
        ends=axis_ends(protocol),
        matters=protocol.plan.wait_difference_min,
        factor=QUANTITIES["rmst_difference"].shown.factor,
    )
    frame = forest.data_for(lines, factor=scale.factor)
    why = forest.reasons(frame)
    if frame["estimate"].isna().all():
        return Paragraph(text=f"{title} There is no estimate to draw. {why}", role="absent")
    conf = f"{level(protocol.plan.conf_level)} intervals{without_looks(results.looks)}"
    said = f"Minutes of waiting saved with {conf}; large dots know more. {caption}"
    if why:
        said += f" No estimate: {why}"
    drawn = forest.draw_figure(
        frame, name=name, title=title, scale=scale, arm=protocol.contrast_arm, arms=protocol.arm_codes
    )
    return _figure(name, title, said, drawn)


def _comfort(results: StudyResults) -> Section:
    comparison, protocol = results.overall.pain, results.protocol
    section = {"id": "comfort", "title": "How kind the injection was"}
    if isinstance(comparison, NotAvailable) or protocol.pain is None:
        reason = comparison.reason if isinstance(comparison, NotAvailable) else "the protocol does not record pain"
        text = tidy(f"Not shown: {reason.strip().rstrip('.')}.")
        return Section(**section, blocks=(Paragraph(text=text, role="absent"),))
    blocks: list[Block] = [Paragraph(text=_told(results, key)) for key in ("pain_difference", "pain_shift")]
    if better := superiority_words(comparison.superiority, protocol):
        blocks.append(Paragraph(text=better))
    scale = protocol.pain.instrument
    title = "How much did the injection hurt?"
    if comparison.n.onsets >= LEAST_SCORES:
        drawn = pain.draw_figure(
            comparison,
            name="pain",
            title=title,
            labels={code: protocol.label(code) for code in protocol.arm_codes},
            low=scale.low,
            high=scale.high,
            matters=scale.important_difference,
        )
        caption = (
            f"Pain at {comparison.moment} ({plain_words(scale.scale)}). Every dot is a case; the line is the smoothed "
            f"distribution. {counted(comparison.n.onsets, 'score')} of {counted(comparison.n.cases, 'case')}."
        )
        blocks.append(_figure("pain", title, caption, drawn))
    else:
        word = "is" if comparison.n.onsets == 1 else "are"
        text = (
            f"{title} {counted(comparison.n.onsets, 'score')} {word} too few to draw; it takes {LEAST_SCORES} or more."
        )
        blocks.append(Paragraph(text=text, role="absent"))
    blocks += comfort_blocks(results.comfort, protocol)
    return Section(**section, blocks=tuple(blocks))


def _everywhere(results: StudyResults) -> Section:
    lines = [Line("All cases", results.overall.wait_difference, whole=True)]
    for name, groups in (("By technique", results.by_technique), ("By practice", results.by_practice)):
        if groups:
            lines += [Line(name), *(Line(plain_words(g.level), g.wait_difference) for g in groups)]
    blocks: list[Block] = []
    if len(lines) > 1:
        title = "Was it the same everywhere?"
        caption = "Small groups have wide intervals and differ by chance alone; the lines are not a ranking."
        blocks.append(_forest(results, lines, name="everywhere", title=title, caption=caption))
    else:
        blocks.append(Paragraph(text="All cases are of one technique and one practice.", role="absent"))
    if results.by_technique:
        blocks.append(tables.techniques_table(results))
    if results.sensitivity:
        lines = [
            Line(v.label[:1].upper() + v.label[1:], v.wait_difference, whole=v.code == "main")
            for v in results.sensitivity
        ]
        title = "Would other choices have changed the answer?"
        caption = "The same comparison under the other choices that the plan names."
        blocks.append(_forest(results, lines, name="choices", title=title, caption=caption))
        said = [tidy(f"{v.label}: {v.text}") for v in results.sensitivity if v.code != "main"]
        blocks.append(Paragraph(text=". ".join(s[:1].upper() + s[1:] for s in said) + ".", role="note"))
    return Section(id="everywhere", title="Where and how it holds", blocks=tuple(blocks))


def _more(results: StudyResults) -> Section:
    more, table = results.more_needed, tables.more_table(results)
    if more is None or table is None:
        blocks: tuple[Block, ...] = (Paragraph(text="The plan names no effect to be found.", role="absent"),)
    else:
        blocks = (Paragraph(text=tidy(more.text)), table)
    return Section(id="more", title="What it would take to know more", blocks=blocks)


def _quality(results: StudyResults) -> Section:
    quality = results.data_quality
    text = (
        f"{counted(quality.rows_read, 'case row')} were read and {quality.rows_refused} refused; "
        f"{counted(quality.readings_read, 'cold test')} were read and {quality.readings_refused} refused. Refused rows "
        "are kept with their reasons."
    )
    found = (tables.notices_table(results), tables.reasons_table(results))
    blocks: list[Block] = [Paragraph(text=text), *(t for t in found if t is not None)]
    return Section(id="quality", title="How the records were", blocks=tuple(blocks))


def _cautions(results: StudyResults) -> Section:
    texts = tuple(dict.fromkeys(tidy(c.text) for c in results.caution))
    return Section(id="cautions", title="Cautions in full", blocks=(Cautions(texts=texts),))


def _test_of_onset(test: HypothesisTest) -> str:
    """The test with its P value, or why that is not given."""
    if test.p_shown is None:
        why = next(c.text for c in test.caution if c.code == NOT_INDEPENDENT)
        return f"Test of onset: {test.method}. {why}"
    p = p_text(test.p_shown)
    said = p if p.startswith("<") else f"= {p}"
    return f"Test of onset: {test.statistic_name} = {decimal(test.statistic, 2)}, p {said}; {test.method}."


def _statistician(results: StudyResults) -> Section:
    protocol, test = results.protocol, results.overall.onset_test
    rules = (
        "Onset is interval-censored, in (left, right]: after the last valid cold test that was felt, not later than "
        f"the first of {protocol.onset.confirmations} consecutive valid tests that were not. Numb at the first test: "
        "left is 0. Not numb while tested: right is infinite. A supplemental injection before onset is taken as "
        f"{protocol.rescue.success} for proportions, as {protocol.rescue.wait} for waits and as "
        f"{protocol.rescue.hazard} "
        "for the hazard ratio."
    )
    blocks: list[Block] = [Paragraph(text=rules)]
    if not isinstance(test, NotAvailable):
        blocks.append(Paragraph(text=_test_of_onset(test)))
    title = "Proportion not yet numb (onset survival curve)"
    blocks.append(_curves(results, name="falling", title=title, height=LAST_PAGE_CURVES, falling=True))
    minutes = schedule.data_for(results)
    if not minutes.empty:
        drawn = schedule.draw_figure(results, minutes, name="schedule", title="Were the arms tested alike?")
        caption = "Median and middle half of the minutes of each arm's first tests, among the cases that reached them."
        blocks.append(_figure("schedule", "Were the arms tested alike?", caption, drawn))
    found: tuple[Table | None, ...] = (
        numbers_in_full.claims_table(results),
        numbers_in_full.numbers_table(results),
        numbers_in_full.methods_table(results),
        numbers_in_full.assumptions_table(results),
        numbers_in_full.diagnostics_table(results),
        numbers_in_full.certificate_table(results),
    )
    blocks += [t for t in found if t is not None and t.rows]
    provenance = results.provenance
    ledger = (("Ledger of the study, last entry", provenance.ledger_head),) if provenance.ledger_head else ()
    blocks += [
        Heading(text="Where the numbers come from"),
        Pairs(
            rows=(
                *ledger,
                ("Protocol, SHA-256", provenance.protocol_digest),
                ("Records, SHA-256", provenance.records_digest),
                ("Seed", f"{provenance.seed}"),
                ("Versions", ", ".join(f"{name} {version}" for name, version in provenance.versions)),
            )
        ),
    ]
    return Section(id="statistician", title="For the statistician", blocks=tuple(blocks))
