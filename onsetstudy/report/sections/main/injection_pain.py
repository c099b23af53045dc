"""Pain at every moment, anxiety, and the secondary outcomes together."""

from __future__ import annotations

import math
from functools import partial

from onsetstudy.core.results import Estimate, EstimateLike, HypothesisTest, NotAvailable
from onsetstudy.outcomes.scores.pain_moment_results import Anxiety, Comfort, MomentOfPain, ProportionalOdds, SharedError
from onsetstudy.outcomes.scores.pain_results import PainComparison
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.document import (
    Block,
    Paragraph,
    Section,
    Table,
    figure,
)
from onsetstudy.report.figures import pain
from onsetstudy.report.names import outcome_name, plain_words
from onsetstudy.report.numbers import (
    amount,
    counted,
    decimal,
    interval,
    level,
    listed,
    p_text,
    percent,
    percent_interval,
    tidy,
)
from onsetstudy.report.remarks import superiority_words
from onsetstudy.report.sections.blocks import told
from onsetstudy.study.practice.results import StudyResults

__all__ = ["comfort_blocks", "comfort_section"]

PROCEDURES = {
    "holm": "Holm's procedure",
    "hochberg": "Hochberg's procedure",
    "fixed_sequence": "a fixed sequence",
    "none": "no correction",
}
LEAST_SCORES = 10


def comfort_section(results: StudyResults) -> Section:
    """Pain compared and drawn, then its moments and anxiety."""
    comparison, protocol = results.overall.pain, results.protocol
    section = partial(Section, id="comfort", title="How kind the injection was")
    if isinstance(comparison, NotAvailable) or protocol.pain is None:
        reason = comparison.reason if isinstance(comparison, NotAvailable) else "the protocol does not record pain"
        text = tidy(f"Not shown: {reason.strip().rstrip('.')}.")
        return section(blocks=(Paragraph(text=text, role="absent"),))
    blocks: list[Block] = [Paragraph(text=told(results, key)) for key in ("pain_difference", "pain_shift")]
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
        blocks.append(figure("pain", title, caption, drawn))
    else:
        word = "is" if comparison.n.onsets == 1 else "are"
        text = (
            f"{title} {counted(comparison.n.onsets, 'score')} {word} too few to draw; it takes {LEAST_SCORES} or more."
        )
        blocks.append(Paragraph(text=text, role="absent"))
    blocks += comfort_blocks(results.comfort, protocol, looks=results.looks is not None)
    return section(blocks=tuple(blocks))


def comfort_blocks(comfort: Comfort | None, protocol: Protocol, *, looks: bool = False) -> tuple[Block, ...]:
    """Everything about comfort beyond the compared moment; ``looks``: interim analyses judge the primary outcome."""
    if comfort is None:
        return ()
    labels = tuple(protocol.label(a) for a in protocol.arm_codes[:2])
    blocks: list[Block] = []
    if comfort.moments:
        blocks.append(_moments(comfort.moments, labels, protocol))
        main = next((m for m in comfort.moments if protocol.pain and m.moment == protocol.pain.moment), None)
        if main is not None:
            blocks += _missing(main, labels[1], protocol)
    if comfort.odds is not None:
        blocks += _odds(comfort.odds, labels)
    if comfort.anxiety is not None:
        blocks.append(_anxiety(comfort.anxiety, labels, protocol))
    if comfort.shared is not None:
        blocks.append(_shared(comfort.shared, looks))
    blocks += [Paragraph(text=tidy(c.text), role="note") for c in comfort.caution]
    return tuple(blocks)


def _moments(moments: tuple[MomentOfPain, ...], labels: tuple[str, ...], protocol: Protocol) -> Table:
    rows: list[tuple[str, ...]] = []
    for m in moments:
        rows.append((f"{m.moment}, shift of scores", "", "", _shift(m)))
        rows.append(("– adjusted difference of means", "", "", _number(m.adjusted)))
        rows.append(("– painless", *(_share(e) for e in m.painless), _points(m.painless_difference)))
        if m.noticeably_less:
            rows.append(("– noticeably less than usual", *(_share(e) for e in m.noticeably_less), ""))
    plan = protocol.pain
    notes = []
    if plan is not None:
        unit = plan.instrument.unit
        notes.append(
            f"Differences are {labels[1]} less {labels[0]}, in {unit}; painless is "
            f"{amount(plan.painless_at_most, unit)} or less, in "
            "percentage points. Adjusted for technique, topical anaesthetic and order where they differ."
        )
        if plan.instrument.important_difference is not None:
            notes.append(
                f"Noticeably less: below the median of {labels[0]} cases by "
                f"{amount(plan.instrument.important_difference, unit)} or "
                "more."
            )
    return Table(
        caption="Pain at every moment, kept apart",
        columns=("moment", *labels, "difference"),
        rows=tuple(rows),
        align="lrrr",
        notes=tuple(notes),
        strong=tuple(i for i, r in enumerate(rows) if not r[0].startswith("–")),
    )


def _shift(m: MomentOfPain) -> str:
    if not isinstance(m.comparison, PainComparison):
        return m.comparison.reason
    return _number(m.comparison.shift)


def _number(e: EstimateLike) -> str:
    if not isinstance(e, Estimate):
        return e.reason
    narrow = "; too narrow, few clusters" if any(c.code == "clusters_too_narrow" for c in e.caution) else ""
    return f"{decimal(e.estimate)} ({interval(e.interval.low, e.interval.high)}{narrow})"


def _share(e: EstimateLike) -> str:
    if not isinstance(e, Estimate):
        return e.reason
    n = int(e.method.split()[2])
    return f"{percent(e.estimate, n)} ({percent_interval(e.interval.low, e.interval.high, n)})"


def _points(e: EstimateLike) -> str:
    if not isinstance(e, Estimate):
        return e.reason
    return f"{decimal(100 * e.estimate, 0)} ({interval(100 * e.interval.low, 100 * e.interval.high, 0)})"


def _missing(main: MomentOfPain, other: str, protocol: Protocol) -> list[Block]:
    missing = main.missing
    total = sum(count for _, _, count in missing.by_reason)
    if not total:
        return [Paragraph(text=f"No score at {main.moment} is missing.", role="note")]
    told = "; ".join(f"{protocol.label(a)}: {count} {r.replace('_', ' ')}" for a, r, count in missing.by_reason)
    text = f"{total} scores at {main.moment} are missing ({told})."
    if missing.by_arm:
        text += f" That is {listed([f'{gone} of {cases} {protocol.label(a)}' for a, gone, cases in missing.by_arm])}."
    texts = (text, *_tipping(main, other, protocol))
    return [Paragraph(text=" ".join(texts), role="note")]


def _tipping(main: MomentOfPain, other: str, protocol: Protocol) -> list[str]:
    """How far off the missing scores of either arm would have to be for the difference to be in doubt."""
    missing, reference = main.missing, protocol.label(protocol.reference_arm)
    unit = protocol.pain.instrument.unit if protocol.pain else ""
    shifts = (missing.tipping_reference, missing.tipping)
    lost = [shift is not None and math.isfinite(shift) for shift in shifts]

    def needed(place: int, name: str) -> str:
        shift = shifts[place] or 0.0
        text = (
            f"The missing {name} scores would have to be {decimal(abs(shift))} {unit} "
            f"{'higher' if shift > 0 else 'lower'} than the others, on average, for the difference of means to be in "
            "doubt"
        )
        alone = f", the missing {(other, reference)[place]} ones being like the others of theirs" if all(lost) else ""
        reach = "" if _within(main, place, shift, protocol) else " The scale does not reach so far."
        return f"{text}{alone}.{reach}"

    texts = []
    if lost[0] and not lost[1]:
        texts.append(f"No {other} score is missing, so none of theirs could change the difference.")
    if lost[1]:
        texts.append(needed(1, other))
    if lost[0]:
        texts.append(needed(0, reference))
    if all(lost) and missing.tipping_both is not None:
        up, down = (other, reference) if missing.tipping_both > 0 else (reference, other)
        both = ((1, missing.tipping_both), (0, -missing.tipping_both))
        reach = (
            "" if all(_within(main, k, shift, protocol) for k, shift in both) else " The scale does not reach so far."
        )
        texts.append(
            f"{decimal(abs(missing.tipping_both))} {unit} would do if the missing {up} scores were higher and the "
            f"missing {down} ones lower by as much at once.{reach}"
        )
    return texts


def _within(main: MomentOfPain, place: int, shift: float, protocol: Protocol) -> bool:
    """Whether scores so far from the others of an arm (0: the reference) exist on the scale."""
    if not protocol.pain or not isinstance(main.comparison, PainComparison):
        return True
    scale, scores = protocol.pain.instrument, main.comparison.scores[place].scores
    return not scores.size or bool(scale.low <= scores.mean() + shift <= scale.high)


def _odds(odds: ProportionalOdds, labels: tuple[str, ...]) -> list[Block]:
    found = odds.odds_ratio
    if not isinstance(found, Estimate):
        return [Paragraph(text=f"No odds ratio of more pain: {found.reason}.", role="note")]
    word = "lower" if found.estimate < 1 else "higher"
    text = (
        f"Taken in bands ({', '.join(odds.bands)}), the odds of more pain at {odds.moment} were {word} with "
        f"{labels[1]}: "
        f"{decimal(found.estimate, 2)} times ({interval(found.interval.low, found.interval.high, 2)})."
    )
    if isinstance(odds.check, HypothesisTest):
        p = p_text(odds.check.p_value)
        said = (
            "does not fit all bands" if odds.check.p_value < 0.05 else "fits all bands as far as these cases can tell"
        )
        text += f" One ratio {said} (Brant's test, p {p if p.startswith('<') else '= ' + p})."
        if odds.check.p_value < 0.05:
            cuts = "; ".join(f"{cut} {decimal(e.estimate, 2)}" for cut, e in odds.by_band if isinstance(e, Estimate))
            text += f" By band: {cuts}."
    return [Paragraph(text=text)]


def _anxiety(anxiety: Anxiety, labels: tuple[str, ...], protocol: Protocol) -> Table:
    rows: list[tuple[str, ...]] = []
    if anxiety.before:
        rows.append(("score before", *(_number(e) for e in anxiety.before), ""))
    if anxiety.change:
        changes = (_number(e) for e in anxiety.change)
        rows.append(("change from before to after", *changes, _number(anxiety.difference)))
    if anxiety.high_before:
        rows.append(
            (f"highly anxious before ({anxiety.threshold:g} or more)", *(_share(e) for e in anxiety.high_before), "")
        )
    unit = protocol.anxiety.unit if protocol.anxiety else ""
    return Table(
        caption=f"Anxiety, {unit}",
        columns=("what", *labels, "difference"),
        rows=tuple(rows),
        align="lrrr",
        notes=(
            "Negative: less anxious afterwards. Within each case; the difference by Welch's t."
            if anxiety.change
            else "The scale asks about imagined situations: it tells who is anxious of dentistry, recorded once before "
            "the injection, and nothing of how this visit went.",
        ),
    )


def _shared(shared: SharedError, looks: bool) -> Table:
    rows = []
    judged = "; it is judged by the interim analyses" if looks else ""
    for line in shared.lines:
        own = "—" if line.p_value is None else p_text(line.p_value)
        together = "—" if line.adjusted is None else p_text(line.adjusted)
        rows.append((outcome_name(line.outcome), own, together, line.reason if line.p_value is None else ""))
    return Table(
        caption="Secondary outcomes together",
        columns=("outcome", "p by itself", "p of all together", "remark"),
        rows=tuple(rows),
        align="lrrl",
        notes=(
            f"In the order of the plan, by {PROCEDURES[shared.procedure]} at {level(shared.alpha)}. The primary "
            f"outcome is not among them{judged}.",
        ),
    )
