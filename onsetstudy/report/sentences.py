"""The only place that says a direction in a sentence, and never more than the interval allows.

A claim is told in two sentences, alike in every document. The first says what was seen, with its interval; where looks
are planned it is the verdict of the interim analysis. It names a direction only where the claim bears one. The second
holds it against the difference that matters. Without random allocation it says too that something else may be the
reason.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from onsetstudy.core.claims import Claim, within_patients
from onsetstudy.core.quantities import QUANTITIES, Quantity, Seen, quantity_of
from onsetstudy.core.results import BEARS_NOTHING, Counts, Estimate, NotAvailable
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import NONE, reason_of, spanned
from onsetstudy.report.document import Answer
from onsetstudy.report.numbers import amount, capital, decimal, interval, level, listed, p_text, percent, ratio, tidy

MINUTES = {0.5: "half a minute", 1.0: "one minute", 2.0: "two minutes"}
OTHER_REASONS = "as arms were not allocated at random, something other than buffering may be the reason"
FIELDS = {"onsets": "teeth seen to go numb", "cases": "cases"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrase:
    """How one quantity is told.

    ``found`` holds ``{value}`` (with its unit), ``{word}`` and ``{size}`` (the interval); ``unsure`` holds ``{span}``;
    ``none`` is for an interval of no width at no difference. ``{means}`` is what was seen in each arm. ``question`` is
    what cases cannot tell.
    """

    found: str
    unsure: str
    none: str
    question: str
    means: str = ""


LIMITED = "up to {tau:g} minutes, a tooth not numb by then counted as {tau:g}, "
SPENT = "counting the wait as it was spent and the time for mixing, "
"""Waits at the chair are not cut at the horizon: treatment may begin later."""
PHRASES = {
    "rmst_difference": Phrase(
        found=LIMITED + "{other} teeth were numb {value} {word} on average than {reference} ones ({size})",
        unsure=LIMITED + "{means}the true difference could be {span} with {other} injections",
        none=LIMITED + "no difference in the average wait was seen (0 to 0 minutes)",
        question="which is sooner",
        means="the average wait was {m1} minutes with {other} and {m0} minutes with {reference} injections; ",
    ),
    "hazard_ratio": Phrase(
        found="{other} teeth became numb at {value} times the rate of {reference} ones ({size}), that is {word}",
        unsure="the true rate at which {other} teeth become numb could be {span} times that of {reference} ones",
        none="no difference in the rate of becoming numb was seen (1 to 1 times)",
        question="which is sooner",
    ),
    "success_difference": Phrase(
        found="{means}by {target:g} minutes {value} {word} were numb with {other} than with {reference} injections "
        "({size})",
        unsure="{means}by {target:g} minutes the true difference could be {span} numb with {other} injections",
        none="{means}by {target:g} minutes no difference in the proportion numb was seen (0 to 0)",
        question="which injection has more teeth numb by {target:g} minutes",
        means="{p1} of {other} and {p0} of {reference} teeth were numb in time; ",
    ),
    "not_numb_difference": Phrase(
        found="{means}{value} {word} were not numb within {tau:g} minutes with {other} than with {reference} "
        "injections ({size})",
        unsure="{means}the true difference could be {span} not numb within {tau:g} minutes with {other} injections",
        none="{means}no difference in the proportion not numb within {tau:g} minutes was seen (0 to 0)",
        question="which injection leaves more teeth not numb within {tau:g} minutes",
    ),
    "pain_difference": Phrase(
        found="mean pain at {moment} was {value} {word} with {other} than with {reference} injections ({size})",
        unsure="the true difference in mean pain at {moment} could be {span} with {other} injections",
        none="no difference in mean pain at {moment} was seen (0 to 0 {unit})",
        question="which injection hurts less",
    ),
    "treatment_success_difference": Phrase(
        found="{means}{value} {word} were treated with no or mild pain and without a supplemental injection with "
        "{other} than with {reference} injections ({size})",
        unsure="{means}the true difference could be {span} treated with no or mild pain and without a supplemental "
        "injection with {other} injections",
        none="{means}no difference in the proportion of successful treatments was seen (0 to 0)",
        question="which injection has more successful treatments",
        means="{p1} of {other} and {p0} of {reference} treatments succeeded; ",
    ),
    "pain_shift": Phrase(
        found="by ranks{ranked}, scores at {moment} were {value} {word} with {other} than with {reference} injections "
        "({size})",
        unsure="by ranks{ranked}, the true shift of scores at {moment} could be {span} with {other} injections",
        none="by ranks{ranked}, no shift of scores at {moment} was seen (0 to 0 {unit})",
        question="which injection has the lower scores",
    ),
    "chair_time_difference": Phrase(
        found=SPENT + "{value} a case were {word} with {other} against {reference} injections ({size})",
        unsure=SPENT + "the true difference could be {span} a case with {other} injections",
        none=SPENT + "no difference was seen (0 to 0 minutes)",
        question="whether any time is given back once mixing is paid for",
    ),
}


def sentence(claim: Claim, protocol: Protocol) -> Answer:
    """A claim in two sentences: what was seen, with its interval, and what that allows one to say."""
    if isinstance(claim.answer, NotAvailable):
        return _no_answer(claim, claim.answer, protocol)
    seen, verdict = _seen(claim, claim.answer, protocol), verdict_clause(claim)
    # What is told by ranks says so itself.
    if within_patients(claim.answer) and claim.quantity.key != "pain_shift":
        seen = f"within patients, {seen}"
    whose = f", in {claim.population} with both arms" if within_patients(claim.answer) else ""
    return Answer(seen=capital(f"{verdict}{seen}{whose}."), allows=_allowed(claim, claim.answer, protocol))


LEFT_OPEN = ("undecided_cases", "bounded_share")
"""Cautions of a proportion that counts alone do not give."""
NOT_ALLOWED = "not allowing for the interim analyses"
ALLOWED = "allowing for the interim analyses"


def without_looks(looks: object) -> str:
    """What stands behind "intervals" where they are those of one analysis; empty where none are planned."""
    return "" if looks is None else f", {NOT_ALLOWED}"


def verdict_clause(claim: Claim) -> str:
    """What the deciding interim analysis found, before the number; empty where the claim is not the one tested."""
    look = claim.looks
    if look is None or not claim.leads or claim.subset:
        return ""
    unit = FIELDS.get(look.unit, look.unit)
    place = f"at interim analysis {look.number} of {look.planned} ({look.label})"
    if look.code == "crossed":
        toward = claim.quantity.word(look.side)
        if look.later:
            # The verdict is of the cases up to then; what follows is of all, those that came after among them.
            crossed = f"{place} the boundary set beforehand was crossed, toward {toward}"
            return f"{crossed}; in all {claim.population} to date, "
        so = "" if claim.bears is not None and claim.bears.side else f" in these cases, toward {toward}"
        if so and look.sided == 1 and claim.alone and look.critical < NormalDist().inv_cdf(0.5 + claim.alone.level / 2):
            so += f" (it tests one side alone; limits of both sides, at {level(claim.alone.level)}, are wider)"
        return f"{place} the boundary set beforehand was crossed{so}: "
    if look.stopped:
        sought = "difference" if look.sided == 2 else "gain"
        ended = "the planned size was reached" if look.code == "ended" else "the boundary of futility ended the study"
        return f"{place} {ended} and no {sought} was shown: "
    if look.code == "gated":
        return f"{place} the cold tests could not bear an answer, so that nothing was decided: "
    if look.code == "descriptive":
        return f"the analysis of {look.label} was not planned and decides nothing: "
    goes = "; by the futility rule a gain is unlikely to be shown" if look.code == "unlikely" else ""
    return f"{place}, after {look.counted:g} of {look.planned_count:g} {unit}, the boundary was not reached{goes}: "


def _fields(claim: Claim, protocol: Protocol) -> dict[str, object]:
    return {
        "tau": protocol.onset.tau_min,
        "target": protocol.onset.target_min,
        "moment": protocol.pain.moment if protocol.pain else "the injection",
        "other": protocol.label(protocol.contrast_arm),
        "reference": protocol.label(protocol.reference_arm),
        "unit": _unit(claim),
    }


def _unit(claim: Claim) -> str:
    unit = claim.quantity.unit_shown
    return claim.answer.unit if unit == "score" else {"min": "minutes", "ratio": ""}.get(unit, unit)


def _with_unit(text: str, unit: str) -> str:
    return f"{text} {unit}".strip()


def _seen(claim: Claim, answer: Estimate, protocol: Protocol) -> str:
    phrase, fields = PHRASES[claim.quantity.key], _fields(claim, protocol)
    seen, alone = claim.seen, claim.seen_alone
    assert seen is not None
    assert claim.bears is not None
    fields["means"] = _means(claim, phrase, fields)
    fields["ranked"] = " within patients" if within_patients(answer) else ""
    null = (claim.quantity.null or 0.0) * claim.quantity.shown.factor
    if seen.low == seen.high == null:
        return phrase.none.format(**fields)
    if claim.bears.side:
        value = _size(claim, seen.value)
        fields |= {"value": _with_unit(value, str(fields["unit"])), "word": claim.quantity.word(claim.bears.side)}
        once = "" if alone is None else f", {ALLOWED}; {_ends(claim, alone)} if one looked only once"
        fields["size"] = _ends(claim, seen) + once
        return phrase.found.format(**fields)
    span, once = _span(claim, seen), "" if alone is None else _span(claim, alone)
    fields["span"] = span if once in ("", span) else f"{span} ({once} if one looked only once)"
    return phrase.unsure.format(**fields)


def _means(claim: Claim, phrase: Phrase, fields: dict[str, object]) -> str:
    arms = [a for a in claim.arms if isinstance(a, Estimate)]
    if len(arms) != 2 or not phrase.means:
        return ""
    shares = [percent(a.estimate, a.n.arm(str(a.contrast)).cases or a.n.cases) for a in arms]
    plain = [decimal(a.estimate) for a in arms]
    said = phrase.means
    if any(c.code in LEFT_OPEN for a in arms for c in a.caution):
        said = f"an estimated {said.removesuffix('; ')} (not every case was tested on both sides of that minute); "
    return said.format(m0=plain[0], m1=plain[1], p0=shares[0], p1=shares[1], **fields)


def _size(claim: Claim, value: float) -> str:
    """A shown value without its sign; of a ratio, as it is."""
    return ratio(value, claim.places) if claim.quantity.contrast == "/" else decimal(abs(value), claim.places)


def _ends(claim: Claim, seen: Seen) -> str:
    """The interval of a finding, the nearer end first; of a ratio, the lower."""
    if claim.quantity.contrast == "/":
        return interval(seen.low, seen.high, claim.places, ratio)
    near, far = sorted((abs(seen.low), abs(seen.high)))
    return interval(near, far, claim.places)


def _toward(claim: Claim, shown: float) -> str:
    """One end of an interval with its direction."""
    quantity = claim.quantity
    null = (quantity.null or 0.0) * quantity.shown.factor
    if shown == null:
        return f"{decimal(shown, claim.places)} (no difference)" if quantity.contrast == "/" else "no difference"
    side = quantity.favours * (1 if (shown - null) * quantity.shown.factor > 0 else -1)
    if quantity.contrast == "/":
        return f"{_size(claim, shown)} ({quantity.word(side)})"
    return f"{_with_unit(_size(claim, shown), _unit(claim))} {quantity.word(side)}"


def _span(claim: Claim, seen: Seen) -> str:
    """An interval with the direction of both its ends, the reference arm's favour first for a difference shown so."""
    if not (math.isfinite(seen.low) and math.isfinite(seen.high)):
        return "anything, as so early an analysis sets no limits,"
    if seen.low == seen.high:
        return f"anything (in these cases {_toward(claim, seen.value)})"
    return f"from {_toward(claim, seen.low)} to {_toward(claim, seen.high)}"


def span_words(claim: Claim, low: float, high: float) -> str:
    """An interval of the claim's quantity, in the quantity's own unit, with the direction of both its ends."""
    return _span(claim, claim.quantity.as_shown(low, low, high))


def short_value(claim: Claim, *, unit: str | None = None) -> str:
    """``1.3 min (0.4 to 2.1)``, as shown and signed, for a figure or a table; empty without an estimate."""
    seen = claim.seen
    if seen is None:
        return ""
    short = {"minutes": "min"}.get(_unit(claim), _unit(claim)) if unit is None else unit
    shown = ratio if claim.quantity.contrast == "/" else decimal
    value = _with_unit(shown(seen.value, claim.places), short)
    return f"{value} ({interval(seen.low, seen.high, claim.places, shown)})"


def estimate_shown(answer: Estimate | NotAvailable, key: str = "", *, missing: str | None = NONE) -> str:
    """``1.3 (0.4 to 2.1)`` as readers see it, by the row of its quantity or of ``key``.

    ``missing`` (its reason, if that is None) where there is no estimate.
    """
    if isinstance(answer, NotAvailable):
        return reason_of(answer) if missing is None else missing
    quantity = quantity_of(key or answer.quantity)
    seen = quantity.as_shown(answer.estimate, answer.interval.low, answer.interval.high)
    return spanned(*seen, quantity.places(seen), unit=quantity.unit)


def _matters(claim: Claim) -> str:
    if claim.matters is None:
        return ""
    if claim.quantity.unit == "min":
        return MINUTES.get(claim.matters, f"{claim.matters:g} minutes")
    return amount(claim.matters, _unit(claim))


def _allowed(claim: Claim, answer: Estimate, protocol: Protocol) -> str:
    """The second sentence: what an interval allows one to say."""
    bears, seen, matters = claim.bears, claim.seen, _matters(claim)
    assert bears is not None
    assert seen is not None
    cases = claim.population
    if doubt := next((c for c in answer.caution if c.code in BEARS_NOTHING), None):
        return tidy(doubt.text)
    if bears.side == 0 and bears.size != "within":
        if claim.quantity.side(answer.interval.low, answer.interval.high):
            if claim.looks is None and claim.test is not None:
                p = p_text(claim.test.p_value)
                return f"By its test, p = {p}, no difference is not excluded, so that none is claimed."
            return "The planned test has not crossed its boundary to this side, so that no difference is claimed."
        if claim.leads and claim.looks is not None and claim.looks.side:
            # Beside a verdict "cannot tell which" would withhold what the first sentence has just said.
            return f"The direction is the verdict of that analysis; how large the difference is, {cases} leave open."
        question = PHRASES[claim.quantity.key].question.format(**_fields(claim, protocol))
        return f"{'This' if cases.startswith('1 ') else 'These'} {cases} cannot tell {question}."
    how = "times the rate" if claim.quantity.contrast == "/" else claim.quantity.word(bears.side)
    anything = f"Anything from {_with_unit(_ends(claim, seen), _unit(claim))} {how} agrees with these {cases}"
    said = {
        "beyond": f"The whole interval lies beyond {matters}, the difference that matters to this study",
        "from": f"A difference of {matters}, the least that matters to this study, is still possible",
        "within": f"The whole interval lies within {matters}, the difference that matters to this study",
        "open": f"A difference of less than {matters}, too small to matter to this study, is still possible",
    }.get(bears.size, anything)
    if bears.side == 0:
        said = f"Whatever the difference is, it is smaller than {matters}, the difference that matters to this study"
    return f"{said}." if protocol.study.randomised else f"{said}; {OTHER_REASONS}."


def _no_answer(claim: Claim, answer: NotAvailable, protocol: Protocol) -> Answer:
    reason = reason_of(answer)
    known = _bound_words(answer, protocol) if claim.quantity.key == "hazard_ratio" else ""
    if answer.code == "withheld":
        head = "No answer is shown" if claim.leads else f"The {claim.quantity.name} is not shown"
        look = "Look into the testing first; what was computed stands in the appendix."
        if claim.leads and claim.looks is not None:
            look += " This interim analysis counts all the same."
        return Answer(seen=f"{head}: {reason}.", allows=look)
    if claim.leads:
        return Answer(seen=f"There is no answer yet: {reason}.", allows=known or _what_is_known(claim.n, protocol))
    return Answer(seen=f"The {claim.quantity.name} cannot be estimated: {reason}.", allows=known)


def _what_is_known(n: Counts, protocol: Protocol) -> str:
    parts = [
        f"{a.onsets} of {a.cases} {protocol.label(a.arm)} teeth"
        for a in (n.arm(code) for code in protocol.arm_codes)
        if a.cases
    ]
    return f"So far {listed(parts)} were seen to go numb." if parts else "No case has been analysed."


def _bound_words(result: NotAvailable, protocol: Protocol) -> str:
    """A one-sided statement about a hazard ratio; empty when the data bound neither side."""
    bound = result.bound
    if bound is not None and 0 < bound.low < math.inf:
        limit, end, side = bound.low, "or more", "sooner" if bound.low > 1 else ""
    elif bound is not None and 0 < bound.high < math.inf:
        limit, end, side = bound.high, "or less", "later" if bound.high < 1 else ""
    else:
        return ""
    times = decimal(limit, QUANTITIES["hazard_ratio"].places([limit]))
    return (
        f"{capital(protocol.label(protocol.contrast_arm))} teeth became numb at {times} times the rate of "
        f"{protocol.label(protocol.reference_arm)} ones {end} (one-sided, {level(bound.level)})"
        f"{f', that is {side}' if side else '; whether sooner or later is open'}."
    )


def axis_ends(protocol: Protocol, quantity: Quantity = QUANTITIES["rmst_difference"]) -> tuple[str, str]:
    """What the left and the right of an axis of a difference, as shown, mean."""
    other = protocol.label(protocol.contrast_arm)
    right = 1 if quantity.favours * quantity.shown.factor > 0 else -1
    return f"{other} {quantity.word(-right)}", f"{other} {quantity.word(right)}"
