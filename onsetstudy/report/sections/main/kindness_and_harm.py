"""Pain at every moment, anxiety, the secondary outcomes together, and what went wrong in each arm."""

from __future__ import annotations

import math
from functools import partial

from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.outcomes.harm_results import ArmEvents, Safety
from onsetstudy.outcomes.scores.pain_moment_results import Anxiety, Comfort, MomentOfPain, ProportionalOdds, SharedError
from onsetstudy.outcomes.scores.pain_results import PainComparison
from onsetstudy.protocol.model import Instrument, PainPlan, Protocol
from onsetstudy.report.cells import level_of, reason_of, share_limits, share_text, value_text
from onsetstudy.report.document import Block, Section, Table, absent, blocks_of, note, notes_of
from onsetstudy.report.figures import pain
from onsetstudy.report.names import outcome_name, plain_words
from onsetstudy.report.numbers import amount, counted, decimal, interval, level, listed, p_equals, p_text, percent
from onsetstudy.report.sections.blocks import told
from onsetstudy.study.practice.results import StudyResults

PROCEDURES = {
    "holm": "Holm's procedure",
    "hochberg": "Hochberg's procedure",
    "fixed_sequence": "a fixed sequence",
    "none": "no correction",
}
LEAST_SCORES = 10
RULE_OF_THREE_FROM = 10
"""Of fewer cases three in so many is no limit."""


def comfort_section(results: StudyResults) -> Section:
    """Pain compared and drawn, then its moments, anxiety, and the secondary outcomes together."""
    comparison, protocol = results.overall.pain, results.protocol
    section = partial(Section.of, "comfort", "How kind the injection was")
    beside = comfort_blocks(results.comfort, protocol, looks=results.looks is not None)
    if isinstance(comparison, NotAvailable):
        return section(absent(f"Not shown: {reason_of(comparison)}."), beside)
    assert protocol.pain is not None, "scores are compared where pain was asked for"
    return section(
        (told(results, key) for key in ("pain_difference", "pain_shift")),
        superiority_words(comparison.superiority, protocol),
        _every_score(comparison, protocol.pain.instrument, protocol),
        beside,
    )


def _every_score(comparison: PainComparison, scale: Instrument, protocol: Protocol) -> Block:
    """Every score as a dot, or how few they are."""
    n, title = comparison.n, "How much did the injection hurt?"
    scores = counted(n.onsets, "score")
    if n.onsets < LEAST_SCORES:
        verb = "is" if n.onsets == 1 else "are"
        return absent(f"{title} {scores} {verb} too few to draw; it takes {LEAST_SCORES} or more.")
    labels = {code: protocol.label(code) for code in protocol.arm_codes}
    matters = scale.important_difference
    return pain.draw_figure(comparison, labels=labels, low=scale.low, high=scale.high, matters=matters).titled(
        "pain",
        title,
        f"Pain at {comparison.moment} ({plain_words(scale.scale)}). Every dot is a case; the line is the smoothed "
        f"distribution. {scores} of {counted(n.cases, 'case')}.",
    )


def superiority_words(superiority: EstimateLike, protocol: Protocol) -> str | None:
    """The chance that a case of one arm had less pain than a case of the other."""
    if isinstance(superiority, NotAvailable):
        return None
    low, high = superiority.interval.low, superiority.interval.high
    other = protocol.label(protocol.contrast_arm)
    return (
        f"Take one {other} and one {protocol.label(protocol.reference_arm)} case at random: the {other} one has "
        f"the lower score in {100 * superiority.estimate:.0f} of 100 such pairs ({100 * low:.0f} to {100 * high:.0f}; "
        "equal scores shared half and half; 50 would mean no difference)."
    )


def comfort_blocks(comfort: Comfort | None, protocol: Protocol, *, looks: bool = False) -> tuple[Block, ...]:
    """Everything about comfort beyond the compared moment; ``looks``: interim analyses judge the primary outcome."""
    if comfort is None:
        return ()
    labels, asked = tuple(protocol.label(a) for a in protocol.arm_codes[:2]), protocol.pain
    main = next((m for m in comfort.moments if asked is not None and m.moment == asked.moment), None)
    pieces = (
        None if asked is None else _moments(comfort.moments, labels, asked),
        None if main is None or asked is None else _missing(main, protocol, asked.instrument),
        None if comfort.odds is None else _odds(comfort.odds, labels),
        None if comfort.anxiety is None else _anxiety(comfort.anxiety, labels, protocol),
        None if comfort.shared is None else _shared(comfort.shared, looks),
        notes_of(comfort.caution),
    )
    return tuple(blocks_of(pieces))


def _moments(moments: tuple[MomentOfPain, ...], labels: tuple[str, ...], asked: PainPlan) -> Table:
    rows: list[tuple[str, ...]] = []
    for m in moments:
        rows.append((f"{m.moment}, shift of scores", "", "", _shift(m)))
        rows.append(("– adjusted difference of means", "", "", _number(m.adjusted)))
        fewer = value_text(m.painless_difference, 0, factor=100, missing=None)
        rows.append(("– painless", *map(_share, m.painless), fewer))
        if m.noticeably_less:
            rows.append(("– noticeably less than usual", *map(_share, m.noticeably_less), ""))
    unit, matters = asked.instrument.unit, asked.instrument.important_difference
    return Table.of(
        "Pain at every moment, kept apart",
        ("moment", *labels, "difference"),
        rows,
        f"Differences are {labels[1]} less {labels[0]}, in {unit}; painless is "
        f"{amount(asked.painless_at_most, unit)} or less, in percentage points. Adjusted for technique, topical "
        "anaesthetic and order where they differ.",
        ""
        if matters is None
        else f"Noticeably less: below the median of {labels[0]} cases by {amount(matters, unit)} or more.",
        strong=(i for i, r in enumerate(rows) if not r[0].startswith("–")),
    )


def _shift(m: MomentOfPain) -> str:
    return _number(m.comparison.shift) if isinstance(m.comparison, PainComparison) else m.comparison.reason


def _number(e: EstimateLike) -> str:
    narrow = "; too narrow, few clusters)" if any(c.code == "clusters_too_narrow" for c in e.caution) else ")"
    text = value_text(e, missing=None)
    return text if isinstance(e, NotAvailable) else text.removesuffix(")") + narrow


def _share(e: EstimateLike) -> str:
    return e.reason if isinstance(e, NotAvailable) else share_text(e, e.n.arm(str(e.contrast)).onsets)


def _missing(main: MomentOfPain, protocol: Protocol, scale: Instrument) -> Block:
    missing = main.missing
    total = sum(count for _, _, count in missing.by_reason)
    if not total:
        return note(f"No score at {main.moment} is missing.")
    told = "; ".join(f"{protocol.label(a)}: {count} {r.replace('_', ' ')}" for a, r, count in missing.by_reason)
    texts = [f"{counted(total, 'score')} at {main.moment} {'is' if total == 1 else 'are'} missing ({told})."]
    if missing.by_arm:
        texts.append(
            f"That is {listed([f'{gone} of {cases} {protocol.label(a)}' for a, gone, cases in missing.by_arm])}."
        )
    return note(" ".join([*texts, *_tipping(main, protocol, scale)]))


def _tipping(main: MomentOfPain, protocol: Protocol, scale: Instrument) -> list[str]:
    """How far off the missing scores of either arm would have to be for the difference to be in doubt."""
    missing, unit = main.missing, scale.unit
    names = [*map(protocol.label, (protocol.reference_arm, protocol.contrast_arm))]
    shifts = [math.inf if shift is None else shift for shift in (missing.tipping_reference, missing.tipping)]
    lost = [*map(math.isfinite, shifts)]

    def reach(*needed: tuple[int, float]) -> str:
        within = all(main.on_scale(place, by, scale.low, scale.high) for place, by in needed)
        return "" if within else " The scale does not reach so far."

    texts = []
    if lost[0] and not lost[1]:
        texts.append(f"No {names[1]} score is missing, so none of theirs could change the difference.")
    for place in (1, 0):
        shift = shifts[place]
        if not lost[place]:
            continue
        alone = f", the missing {names[1 - place]} ones being like the others of theirs" if all(lost) else ""
        texts.append(
            f"The missing {names[place]} scores would have to be {decimal(abs(shift))} {unit} "
            f"{'higher' if shift > 0 else 'lower'} than the others, on average, for the difference of means to be in "
            f"doubt{alone}.{reach((place, shift))}"
        )
    both = missing.tipping_both
    if all(lost) and both is not None:
        down, up = names if both > 0 else names[::-1]
        texts.append(
            f"{decimal(abs(both))} {unit} would do if the missing {up} scores were higher and the missing {down} ones "
            f"lower by as much at once.{reach((1, both), (0, -both))}"
        )
    return texts


def _odds(odds: ProportionalOdds, labels: tuple[str, ...]) -> Block | str:
    found = odds.odds_ratio
    if isinstance(found, NotAvailable):
        return note(f"No odds ratio of more pain: {found.reason}.")
    word = "lower" if found.estimate < 1 else "higher"
    text = (
        f"Taken in bands ({', '.join(odds.bands)}), the odds of more pain at {odds.moment} were {word} with "
        f"{labels[1]}: {decimal(found.estimate, 2)} times ({interval(found.interval.low, found.interval.high, 2)})."
    )
    if isinstance(odds.check, NotAvailable):
        return text
    p, fits = odds.check.p_value, odds.check.p_value >= 0.05
    said = "fits all bands as far as these cases can tell" if fits else "does not fit all bands"
    text += f" One ratio {said} (Brant's test, p {p_equals(p)})."
    cuts = [f"{cut} {decimal(e.estimate, 2)}" for cut, e in odds.by_band if isinstance(e, Estimate)]
    return text if fits else f"{text} By band: {'; '.join(cuts)}."


def _anxiety(anxiety: Anxiety, labels: tuple[str, ...], protocol: Protocol) -> Table:
    rows: list[tuple[str, ...]] = []
    if anxiety.before:
        rows.append(("score before", *map(_number, anxiety.before), ""))
    if anxiety.change:
        rows.append(("change from before to after", *map(_number, anxiety.change), _number(anxiety.difference)))
    if anxiety.high_before:
        rows.append((f"highly anxious before ({anxiety.threshold:g} or more)", *map(_share, anxiety.high_before), ""))
    return Table.of(
        f"Anxiety, {protocol.anxiety.unit if protocol.anxiety else ''}",
        ("what", *labels, "difference"),
        rows,
        "Negative: less anxious afterwards. Within each case; the difference by Welch's t."
        if anxiety.change
        else "The scale asks about imagined situations: it tells who is anxious of dentistry, recorded once before "
        "the injection, and nothing of how this visit went.",
    )


def _shared(shared: SharedError, looks: bool) -> Table:
    rows = [
        (outcome_name(x.outcome), p_text(x.p_value), p_text(x.adjusted), x.reason if x.p_value is None else "")
        for x in shared.lines
    ]
    judged = "; it is judged by the interim analyses" if looks else ""
    return Table.of(
        "Secondary outcomes together",
        ("outcome", "p by itself", "p of all together", "remark"),
        rows,
        f"In the order of the plan, by {PROCEDURES[shared.procedure]} at {level(shared.alpha)}. The primary outcome is "
        f"not among them{judged}.",
        align="lrrl",
    )


NAMES = {
    "treatment_success": "treatment with no or mild pain, without a supplement",
    "any": "any adverse event",
    "serious": "serious adverse event",
    "supplement": "supplemental injection",
    "missed_block": "lip not numb after a block",
    "positive_aspiration": "blood on aspiration (a finding, no harm)",
}


def safety_section(safety: Safety | None, protocol: Protocol) -> Section | None:
    """Harms with exact limits, supplements, missed blocks, and a list without identity."""
    if safety is None:
        return None
    listing = [(protocol.label(arm), *map(plain_words, what), f"{count}") for arm, *what, count in safety.listing]
    columns = ("injected", "what happened", "serious", "technique", "cases")
    return Section.of(
        "safety",
        "What went wrong",
        _said(safety, protocol),
        _table(safety, protocol),
        Table.of("Every event that was recorded", columns, listing, align="llllr"),
        notes_of(safety.caution),
    )


def _said(safety: Safety, protocol: Protocol) -> str:
    told = []
    for arm in safety.harms[0].arms:
        label, cases = protocol.label(arm.arm), counted(arm.cases, f"{protocol.label(arm.arm)} case")
        if safety.n.arm(arm.arm).cases == 0:
            told.append(f"There is no {label} case.")
        elif arm.cases == 0:
            told.append(f"No {label} case recorded whether anything happened.")
        elif arm.at_most is not None:
            about = f", about 3 in {arm.cases}" if arm.cases >= RULE_OF_THREE_FROM else ""
            told.append(
                f"Nothing was recorded in {cases}; the true proportion could still be as high as "
                f"{percent(arm.at_most, arm.cases)} (one-sided limit{about})."
            )
        else:
            told.append(f"{arm.count} of {cases} had an adverse event ({limits_text(arm)}).")
    return " ".join([*told, *_seriousness(safety)])


def _seriousness(safety: Safety) -> list[str]:
    """That nothing was serious is said only where every event says so."""
    # A case may have several events: they are counted one by one.
    any_event = sum(count for *_, count in safety.listing)
    serious = sum(count for _, _, rated, _, count in safety.listing if rated == "yes")
    silent = sum(count for _, _, rated, _, count in safety.listing if rated not in ("yes", "no"))
    if not any_event:
        return []
    marked = f"{counted(serious, 'event')} {'was' if serious == 1 else 'were'} marked as serious"
    if silent:
        of = "it" if any_event == 1 else f"{silent} of {any_event}"
        return [f"{marked if serious else 'None was marked as serious'}; of {of} that is not recorded: ask."]
    return [f"{marked}." if serious else f"Of {counted(any_event, 'event')} all say that they were not serious."]


def _table(safety: Safety, protocol: Protocol) -> Table:
    labels = tuple(protocol.label(a.arm) for a in safety.harms[0].arms)
    lines = (*safety.harms, *safety.course)
    rows = []
    for x in lines:
        difference = value_text(x.difference, factor=100, missing="—")
        rows.append((NAMES.get(x.event, plain_words(x.event)), *(_cell(a, safety) for a in x.arms), difference))
    return Table.of(
        "Harms and supplemental injections by arm",
        ("what", *labels, "difference, percentage points"),
        rows,
        f"Exact {level_of(x.difference for x in lines)} intervals; differences in percentage points, {labels[1]} less "
        f"{labels[0]}, by Newcombe's method 10. Arms as injected. Not tested: events are too few for that to say "
        "anything.",
    )


def limits_text(arm: ArmEvents) -> str:
    """The exact limits of an event's proportion."""
    return "not recorded" if isinstance(arm.share, NotAvailable) else share_limits(arm.share, arm.cases)


def _cell(arm: ArmEvents, safety: Safety) -> str:
    if safety.n.arm(arm.arm).cases == 0:
        return "no case"
    limits = limits_text(arm)
    return limits if isinstance(arm.share, NotAvailable) else f"{arm.count} of {arm.cases} ({limits})"
