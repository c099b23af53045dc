"""The only place that says a direction in a sentence, and never more than the interval allows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.numbers import decimal, interval, p_text, percent
from onsetstudy.study.results import EstimateLike, Population, StudyResults

__all__ = [
    "Answer",
    "answer",
    "diagnostic_words",
    "hazard_words",
    "pain_words",
    "share_words",
    "sooner_or_later",
    "wait_words",
]

NAMES = {
    "ianb": "inferior alveolar nerve block",
    "mental_incisive": "mental-incisive block",
    "psa": "posterior superior alveolar block",
    "gow_gates": "Gow-Gates block",
}


@dataclass(frozen=True, slots=True)
class Answer:
    """What was seen, and what that allows one to say."""

    seen: str
    allows: str


def plain_words(code: str) -> str:
    """A code as words: ``buccal_infiltration`` becomes ``buccal infiltration``."""
    return NAMES.get(code, code.replace("_", " "))


def sooner_or_later(minutes: float) -> str:
    """``1.3 min sooner`` for a negative difference, ``0.4 min later`` for a positive one."""
    if abs(minutes) < 0.05:
        return "no sooner or later"
    return f"{decimal(abs(minutes))} min {'sooner' if minutes < 0 else 'later'}"


def _span(low: float, high: float, less: str, more: str, show: Callable[[float], str]) -> str:
    """An interval of a difference in words: both ends with their direction if they differ in it."""
    if high < 0:
        return f"{show(-high)} to {show(-low)} {less}"
    if low > 0:
        return f"{show(low)} to {show(high)} {more}"
    return f"from {show(-low)} {less} to {show(high)} {more}"


def wait_words(difference: Estimate, protocol: Protocol) -> Answer:
    """The difference in waiting."""
    low, high, margin = difference.interval.low, difference.interval.high, protocol.plan.wait_difference_min
    other = protocol.label(protocol.contrast_arm).capitalize()
    span = _span(low, high, "sooner", "later", lambda m: f"{decimal(m)} min")
    if high < 0 or low > 0:
        near = -high if high < 0 else low
        word = "sooner" if high < 0 else "later"
        size = interval(near, -low if high < 0 else high)
        seen = f"{other} cases were numb {decimal(abs(difference.estimate))} min {word} on average ({size} min)."
        if margin is None:
            return Answer(seen, "The interval does not reach no difference.")
        if near >= margin:
            return Answer(seen, f"That is at least the {margin:g} min that matters to this study.")
        return Answer(
            seen, f"A difference of less than {margin:g} min, too small to matter to this study, is still possible."
        )
    seen = (
        f"{other} cases were numb {sooner_or_later(difference.estimate)} on average, but the interval reaches {span}."
    )
    if margin is not None and -low < margin and high < margin:
        return Answer(
            seen, f"Whatever the difference is, it is smaller than the {margin:g} min that matters to this study."
        )
    return Answer(
        seen, f"These {difference.n.cases} cases cannot tell whether buffering makes a difference to waiting."
    )


def share_words(difference: Estimate, population: Population, protocol: Protocol) -> Answer:
    """The difference in the share numb by the target minute."""
    low, high = difference.interval.low, difference.interval.high
    target = protocol.onset.target_min
    other = protocol.label(protocol.contrast_arm)
    span = _span(low, high, "points fewer", "points more", lambda s: decimal(100 * s, 0))
    size = f"{decimal(100 * abs(difference.estimate), 0)} points {'fewer' if difference.estimate < 0 else 'more'}"
    seen = f"By minute {target:g}, {size} in a hundred of the {other} teeth were numb ({span})."
    if low > 0 or high < 0:
        return Answer(seen, "The interval does not reach no difference.")
    return Answer(
        seen, f"These {difference.n.cases} cases cannot tell whether buffering makes a difference by minute {target:g}."
    )


def hazard_words(ratio: EstimateLike) -> str:
    """A hazard ratio with its direction."""
    if isinstance(ratio, NotAvailable):
        text = f"The ratio of the rates of becoming numb cannot be estimated: {ratio.reason}."
        if ratio.bound is not None and ratio.bound.low > 0:
            return f"{text} It is above {decimal(ratio.bound.low, 2)} (one-sided, {100 * ratio.bound.level:g} %)."
        if ratio.bound is not None and ratio.bound.high < float("inf"):
            return f"{text} It is below {decimal(ratio.bound.high, 2)} (one-sided, {100 * ratio.bound.level:g} %)."
        return text
    arm = (ratio.contrast or "").split(" / ")[0].capitalize()
    low, high = ratio.interval.low, ratio.interval.high
    return (
        f"{arm} teeth that were not yet numb became numb at {decimal(ratio.estimate, 2)} times the rate of the others "
        f"({interval(low, high, 2)}); above 1 means sooner."
    )


def pain_words(shift: EstimateLike, protocol: Protocol) -> Answer:
    """The difference in pain."""
    other = protocol.label(protocol.contrast_arm)
    if isinstance(shift, NotAvailable):
        return Answer(f"Pain cannot be compared yet: {shift.reason}.", "")
    low, high, unit = shift.interval.low, shift.interval.high, shift.unit
    span = _span(low, high, f"{unit} less", f"{unit} more", lambda v: decimal(v, 1 if unit == "points" else 0))
    margin = protocol.pain.instrument.important_difference if protocol.pain else None
    seen = f"Pain with the {other} injection differed by {span}."
    if high < 0 or low > 0:
        near = -high if high < 0 else low
        if margin is not None and near >= margin:
            return Answer(seen, f"That is at least the {margin:g} {unit} that matters to this study.")
        if margin is not None and max(abs(low), abs(high)) < margin:
            return Answer(seen, f"That is less than the {margin:g} {unit} that matters to this study.")
        return Answer(
            seen, "" if margin is None else f"It may be less than the {margin:g} {unit} that matters to this study."
        )
    if margin is not None and max(abs(low), abs(high)) < margin:
        return Answer(seen, f"Whatever the difference is, it is smaller than the {margin:g} {unit} that matters.")
    return Answer(seen, f"These {shift.n.onsets} scores cannot tell whether the injection hurts less.")


def answer(results: StudyResults) -> Answer:
    """The two sentences of the first page, about the study's primary outcome."""
    protocol, population = results.protocol, results.overall
    primary = protocol.plan.primary
    if primary == "pain" and isinstance(population.pain, NotAvailable):
        chosen: object = population.pain
    else:
        chosen = {
            "restricted_wait": population.wait_difference,
            "success_by_target": population.success_difference,
            "hazard_ratio": population.hazard_ratio,
            "pain": getattr(population.pain, "shift", None),
        }[primary]
    if isinstance(chosen, NotAvailable):
        said = Answer(f"There is no answer yet: {chosen.reason}.", _what_is_known(results))
        if primary == "hazard_ratio" and chosen.bound is not None:
            said = Answer(hazard_words(chosen), _what_is_known(results))
    elif primary == "restricted_wait":
        said = wait_words(chosen, protocol)  # type: ignore[arg-type]
    elif primary == "success_by_target":
        said = share_words(chosen, population, protocol)  # type: ignore[arg-type]
    elif primary == "pain":
        said = pain_words(chosen, protocol)  # type: ignore[arg-type]
    else:
        estimate: Estimate = chosen  # type: ignore[assignment]
        crosses = estimate.interval.low <= 1 <= estimate.interval.high
        allows = (
            f"These {estimate.n.cases} cases cannot tell which arm is sooner."
            if crosses
            else "The interval does not reach 1."
        )
        said = Answer(hazard_words(estimate), allows)
    if not protocol.study.randomised and not isinstance(chosen, NotAvailable):
        said = Answer(said.seen, f"{said.allows} Arms were not allocated at random, so other causes are possible.")
    return said


def _what_is_known(results: StudyResults) -> str:
    counts = results.overall.n
    parts = [
        f"{a.onsets} of {a.cases} {results.protocol.label(a.arm)} teeth were seen to go numb"
        for a in counts.by_arm
        if a.cases
    ]
    if not parts:
        return "No case has been analysed."
    return f"So far {' and '.join(parts)}."


def none_left(never: EstimateLike) -> str | None:
    """What can be said when no case of an arm stayed un-numb."""
    if isinstance(never, NotAvailable) or never.n.onsets > 0 or never.estimate > 0:
        return None
    cases = never.n.cases
    return (
        f"No {never.contrast} case was left un-numb; with {cases} cases the true share could still be as high as "
        f"{percent(never.interval.high, cases)}."
    )


def diagnostic_words(results: StudyResults) -> list[str]:
    """What was found when the assumptions were looked at, one sentence each."""
    found = results.diagnostics
    if found is None:
        return []
    said = []
    check = found.proportionality
    if isinstance(check, NotAvailable):
        said.append(f"Whether the ratio of rates is the same at all times was not tested: {check.reason}.")
    else:
        parts = [
            f"{decimal(s.ratio, 2)} ({interval(s.conf_low, s.conf_high, 2)}) "
            + (f"from {s.from_min:g} min on" if s.to_min == float("inf") else f"up to {s.to_min:g} min")
            for s in check.stretches
        ]
        p = p_text(check.test.p_value)
        told = p if p.startswith("<") else f"= {p}"
        said.append(f"Ratio of rates by stretch of time: {', '.join(parts)}; test of one ratio throughout: p {told}.")
    if isinstance(found.grouped_ratio, Estimate):
        said.append(
            "Another road to the ratio, without strata (complementary log-log regression on the planned gaps): "
            f"{decimal(found.grouped_ratio.estimate, 2)} "
            f"({interval(found.grouped_ratio.interval.low, found.grouped_ratio.interval.high, 2)})."
        )
    if isinstance(found.schedule, NotAvailable):
        said.append(f"Whether the arms were tested alike could not be looked at: {found.schedule.reason}.")
    else:
        p = p_text(found.schedule.test.p_value)
        said.append(f"Minutes of the first tests compared between arms: p {p if p.startswith('<') else '= ' + p}.")
    return said
