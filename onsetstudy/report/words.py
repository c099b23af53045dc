"""The only place that says a direction in a sentence, and never more than the interval allows.

Each answer is two sentences. The first says what was seen, with its interval; it names a direction only where the whole
interval lies on one side of no difference. The second says what that allows. Without random allocation it says too that
something else may be the reason.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.numbers import (
    amount,
    counted,
    decimal,
    interval,
    level,
    listed,
    percent,
    places_for,
    tidy,
)
from onsetstudy.study.results import EstimateLike, NaiveStopwatch, Population, StudyResults

__all__ = [
    "Answer",
    "Bearing",
    "answer",
    "axis_ends",
    "bearing",
    "hazard_answer",
    "hazard_words",
    "none_left",
    "pain_answer",
    "plain_words",
    "share_answer",
    "stopwatch_words",
    "superiority_words",
    "wait_answer",
]

NAMES = {
    "ianb": "inferior alveolar nerve block",
    "mental_incisive": "mental-incisive block",
    "psa": "posterior superior alveolar block",
    "gow_gates": "Gow-Gates block",
    "vas100": "100 mm line",
    "nrs11": "numbers from 0 to 10",
    "hp170": "170 mm line with words",
    "vrs4": "four words",
    "faces": "faces, by their number",
}
MINUTES = {0.5: "half a minute", 1.0: "one minute", 2.0: "two minutes"}
OTHER_REASONS = "as arms were not allocated at random, something other than buffering may be the reason"


@dataclass(frozen=True, slots=True)
class Answer:
    """What was seen, and what that allows one to say."""

    seen: str
    allows: str


@dataclass(frozen=True, slots=True)
class Bearing:
    """What an interval bears about a difference.

    ``side`` is -1 or 1 when the whole interval lies below or above no difference, 0 when it does not. ``size`` compares
    it with the difference that matters: ``beyond`` (every value matters), ``within`` (no value matters), ``open`` (some
    do, some do not) or ``unnamed`` (the protocol names none).
    """

    side: int
    size: str


def bearing(low: float, high: float, *, none: float = 0.0, matters: float | None = None) -> Bearing:
    """What an interval from ``low`` to ``high`` bears; an end that touches no difference does not exclude it."""
    side = 1 if low > none else -1 if high < none else 0
    near, far = sorted((abs(low - none), abs(high - none)))
    if side == 0:
        near = 0.0
    if matters is None:
        return Bearing(side, "unnamed")
    if side and near >= matters:
        return Bearing(side, "beyond")
    return Bearing(side, "within" if far < matters else "open")


def plain_words(code: str) -> str:
    """A code as words: ``buccal_infiltration`` becomes ``buccal infiltration``."""
    return NAMES.get(code, code.replace("_", " "))


def axis_ends(protocol: Protocol) -> tuple[str, str]:
    """What the left and the right of an axis of minutes saved mean."""
    other = protocol.label(protocol.contrast_arm)
    return f"{other} later", f"{other} sooner"


def _other(protocol: Protocol) -> str:
    return protocol.label(protocol.contrast_arm)


def _reference(protocol: Protocol) -> str:
    return protocol.label(protocol.reference_arm)


def _minutes(value: float) -> str:
    return MINUTES.get(value, f"{value:g} minutes")


def _span(low: float, high: float, less: str, more: str, show: Callable[[float], str]) -> str:
    """An interval that holds no difference, both ends with their direction."""
    left = f"{show(-low)} {less}" if low < 0 else "no difference"
    right = f"{show(high)} {more}" if high > 0 else "no difference"
    return f"from {left} to {right}"


def _allowed(found: Bearing, matters: str, cases: str, question: str, agree: str, protocol: Protocol) -> str:
    """The second sentence: what an interval allows one to say."""
    randomised = protocol.study.randomised
    if found.side == 0 and found.size != "within":
        return f"These {cases} cannot tell {question}."
    if found.side == 0:
        said = f"Whatever the difference is, it is smaller than {matters}, the difference that matters to this study"
    elif found.size == "beyond":
        said = f"The whole interval lies beyond {matters}, the difference that matters to this study"
    elif found.size == "within":
        said = f"The whole interval lies within {matters}, the difference that matters to this study"
    elif found.size == "open":
        said = f"A difference of less than {matters}, too small to matter to this study, is still possible"
    else:
        said = f"Anything {agree} agrees with these {cases}"
    return f"{said}." if randomised else f"{said}; {OTHER_REASONS}."


def wait_answer(difference: Estimate, arms: tuple[EstimateLike, ...], protocol: Protocol) -> Answer:
    """The difference in waiting, minutes; ``arms`` are the mean waits, reference first."""
    low, high, margin = difference.interval.low, difference.interval.high, protocol.plan.wait_difference_min
    found = bearing(low, high, matters=margin)
    places = places_for((low, high, difference.estimate), (0.0, *(() if margin is None else (margin, -margin))))
    other, reference = _other(protocol), _reference(protocol)
    agree = "0"
    if low == high == 0:
        seen = "No difference in mean waits was seen (0 to 0 minutes)."
    elif found.side:
        word = "sooner" if found.side < 0 else "later"
        near, far = sorted((abs(low), abs(high)))
        size = interval(near, far, places)
        seen = (
            f"{other.capitalize()} cases were numb {decimal(abs(difference.estimate), places)} minutes {word} "
            f"on average ({size})."
        )
        agree = f"from {size} minutes {word}"
    else:
        span = _span(low, high, "minutes sooner", "minutes later", lambda m: decimal(m, places))
        waits = [a for a in arms if isinstance(a, Estimate)]
        if len(waits) == 2:
            seen = (
                f"Mean waits were {decimal(waits[1].estimate)} minutes with {other} and {decimal(waits[0].estimate)} "
                f"minutes with {reference} injections; the true difference could be {span}."
            )
        else:
            seen = f"The true difference in mean waits could be {span}."
        agree = span
    matters = "" if margin is None else _minutes(margin)
    cases = counted(difference.n.cases, "case")
    return Answer(seen, _allowed(found, matters, cases, "which is sooner", agree, protocol))


def share_answer(difference: Estimate, arms: tuple[EstimateLike, ...], protocol: Protocol) -> Answer:
    """The difference in the share numb by the target minute."""
    low, high = 100 * difference.interval.low, 100 * difference.interval.high
    found = bearing(low, high)
    places = places_for((low, high, 100 * difference.estimate), base=0)
    by = f"minute {protocol.onset.target_min:g}"
    shares = [a for a in arms if isinstance(a, Estimate)]
    told = f"By {by}, "
    if len(shares) == 2:
        texts = [percent(a.estimate, a.n.arm(str(a.contrast)).cases or a.n.cases) for a in shares]
        told += f"{texts[1]} of {_other(protocol)} and {texts[0]} of {_reference(protocol)} teeth were numb"
    else:
        told += "the shares of teeth numb were compared"
    agree = "0"
    if low == high == 0:
        seen = f"{told}, with no difference (0 to 0)."
    elif found.side:
        word = "more" if found.side > 0 else "fewer"
        near, far = sorted((abs(low), abs(high)))
        size = interval(near, far, places)
        seen = f"{told}, {decimal(abs(100 * difference.estimate), places)} {word} in a hundred ({size})."
        agree = f"from {size} {word} in a hundred"
    else:
        agree = _span(low, high, "fewer", "more", lambda v: decimal(v, places))
        seen = f"{told}; the true difference could be {agree} in a hundred."
    cases = counted(difference.n.cases, "case")
    return Answer(seen, _allowed(found, "", cases, f"which injection has more teeth numb by {by}", agree, protocol))


def hazard_answer(ratio: EstimateLike, protocol: Protocol, population: Population | None = None) -> Answer:
    """The ratio of the rates of becoming numb, or the side on which it is bounded."""
    other, reference = _other(protocol), _reference(protocol)
    if isinstance(ratio, NotAvailable):
        known = "" if population is None else f" {_what_is_known(population, protocol)}"
        return Answer(_no_answer(ratio), f"{_bound_words(ratio, protocol)}{known}".strip())
    low, high = ratio.interval.low, ratio.interval.high
    found = bearing(low, high, none=1.0)
    places = places_for((low, high, ratio.estimate), (1.0,), base=2)
    size = interval(low, high, places)
    cases = counted(ratio.n.cases, "case")
    if found.side:
        word = "sooner" if found.side > 0 else "later"
        seen = (
            f"{other.capitalize()} teeth became numb at {decimal(ratio.estimate, places)} times the rate of "
            f"{reference} ones ({size}), that is {word}."
        )
    else:
        ends = [
            f"{decimal(v, places)} ({'no difference' if v == 1 else 'later' if v < 1 else 'sooner'})"
            for v in (low, high)
        ]
        seen = (
            f"The true rate at which {other} teeth become numb could be from {ends[0]} to {ends[1]} times that of "
            f"{reference} ones."
        )
    return Answer(seen, _allowed(found, "", cases, "which is sooner", f"from {size} times the rate", protocol))


def hazard_words(ratio: EstimateLike, protocol: Protocol) -> str:
    """A hazard ratio with its direction, in running text."""
    said = hazard_answer(ratio, protocol)
    if isinstance(ratio, NotAvailable):
        text = f"The ratio of the rates of becoming numb cannot be estimated: {_reason(ratio)}."
        return f"{text} {said.allows}".strip()
    return said.seen


def _bound_words(result: NotAvailable, protocol: Protocol) -> str:
    """A one-sided statement about a ratio of rates; empty when the data bound neither side."""
    bound = result.bound
    if bound is None:
        return ""
    other, reference = _other(protocol), _reference(protocol)
    sure = f"one-sided, {level(bound.level)}"
    for limit, end, far, sure_of in (
        (bound.low, "or more", "sooner", bound.low > 1),
        (bound.high, "or less", "later", bound.high < 1),
    ):
        if not 0 < limit < float("inf"):
            continue
        times = decimal(limit, places_for([limit], (1.0,), base=2))
        direction = f", that is {far}" if sure_of else "; whether sooner or later is open"
        return (
            f"{other.capitalize()} teeth became numb at {times} times the rate of {reference} ones {end} "
            f"({sure}){direction}."
        )
    return ""


def pain_answer(shift: EstimateLike, protocol: Protocol) -> Answer:
    """The difference in pain at the protocol's moment."""
    if isinstance(shift, NotAvailable):
        return Answer(f"Pain cannot be compared yet: {_reason(shift)}.", "")
    low, high, unit = shift.interval.low, shift.interval.high, shift.unit
    margin = protocol.pain.instrument.important_difference if protocol.pain else None
    moment = protocol.pain.moment if protocol.pain else "the injection"
    found = bearing(low, high, matters=margin)
    landmarks = (0.0, *(() if margin is None else (margin, -margin)))
    places = places_for((low, high, shift.estimate), landmarks, base=1 if unit == "points" else 0)
    other = _other(protocol)
    agree = "0"
    if low == high == 0:
        seen = f"No difference in pain at {moment} was seen (0 to 0 {unit})."
    elif found.side:
        word = "lower" if found.side < 0 else "higher"
        near, far = sorted((abs(low), abs(high)))
        size = interval(near, far, places)
        seen = (
            f"Pain at {moment} was {decimal(abs(shift.estimate), places)} {unit} {word} with {other} injections "
            f"({size})."
        )
        agree = f"from {size} {unit} {word}"
    else:
        agree = _span(low, high, f"{unit} lower", f"{unit} higher", lambda v: decimal(v, places))
        seen = f"The true difference in pain at {moment} could be {agree} with {other} injections."
    matters = "" if margin is None else amount(margin, unit)
    cases = counted(shift.n.onsets, "score")
    return Answer(seen, _allowed(found, matters, cases, "which injection hurts less", agree, protocol))


def superiority_words(superiority: EstimateLike, protocol: Protocol) -> str | None:
    """The chance that a case of one arm had less pain than a case of the other."""
    if isinstance(superiority, NotAvailable):
        return None
    low, high = superiority.interval.low, superiority.interval.high
    return (
        f"Take one {_other(protocol)} and one {_reference(protocol)} case at random: the {_other(protocol)} one has "
        f"the lower score in {100 * superiority.estimate:.0f} of 100 such pairs ({100 * low:.0f} to {100 * high:.0f}; "
        "equal scores shared half and half; 50 would mean no difference)."
    )


def answer(results: StudyResults) -> Answer:
    """The two sentences of the first page, about the study's primary outcome."""
    protocol, population = results.protocol, results.overall
    primary = protocol.plan.primary
    pain = population.pain
    chosen: EstimateLike = {
        "restricted_wait": population.wait_difference,
        "success_by_target": population.success_difference,
        "hazard_ratio": population.hazard_ratio,
        "pain": pain if isinstance(pain, NotAvailable) else pain.shift,
    }[primary]
    if isinstance(chosen, NotAvailable):
        bound = _bound_words(chosen, protocol) if primary == "hazard_ratio" else ""
        return Answer(_no_answer(chosen), bound or _what_is_known(population, protocol))
    if primary == "restricted_wait":
        return wait_answer(chosen, population.wait, protocol)
    if primary == "success_by_target":
        return share_answer(chosen, population.success, protocol)
    if primary == "pain":
        return pain_answer(chosen, protocol)
    return hazard_answer(chosen, protocol)


def _reason(result: NotAvailable) -> str:
    return tidy(result.reason.strip().rstrip("."))


def _no_answer(result: NotAvailable) -> str:
    return f"There is no answer yet: {_reason(result)}."


def _what_is_known(population: Population, protocol: Protocol) -> str:
    parts = [
        f"{a.onsets} of {a.cases} {protocol.label(a.arm)} teeth"
        for a in (population.n.arm(code) for code in protocol.arm_codes)
        if a.cases
    ]
    return f"So far {listed(parts)} were seen to go numb." if parts else "No case has been analysed."


def none_left(never: EstimateLike, protocol: Protocol) -> str | None:
    """What can be said when no case of an arm stayed un-numb."""
    if isinstance(never, NotAvailable) or never.n.onsets > 0 or never.estimate > 0:
        return None
    cases = never.n.arm(str(never.contrast)).cases or never.n.cases
    return (
        f"No {protocol.label(str(never.contrast))} case was left un-numb; with {counted(cases, 'case')} the true share "
        f"could still be as high as {percent(never.interval.high, cases)}."
    )


def stopwatch_words(naive: NaiveStopwatch, wait: tuple[EstimateLike, ...], protocol: Protocol) -> str:
    """What the average of a stopwatch counts and what it leaves out, beside what is counted here."""
    seen = [f"{used} {protocol.label(arm)}" for arm, _, used, _ in naive.means]
    left = [f"{missing} {protocol.label(arm)}" for arm, _, _, missing in naive.means]
    text = (
        f"A stopwatch average would count the {listed(seen)} teeth that were seen to go numb, each as late as the test "
        f"that found it, and leave out the {listed(left)} teeth that were not."
    )
    if wait and all(isinstance(e, Estimate) for e in wait):
        text += (
            " The mean wait counts every case: onset lies between two tests, and a tooth that was not numb with the "
            f"first injection alone has waited the whole {protocol.onset.horizon_min:g} minutes."
        )
    return text
