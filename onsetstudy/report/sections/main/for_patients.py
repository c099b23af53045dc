"""Half a page of results for patients: plain words, from the claims, without a recommendation.

A draft for the committee's own form. Nothing by arm is told before the study is over.
"""

from __future__ import annotations

from onsetstudy.core.claims import Claim
from onsetstudy.core.results import NotAvailable
from onsetstudy.outcomes.harm_results import EventLine, Safety
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.document import Cautions, Section
from onsetstudy.report.numbers import counted, decimal, listed
from onsetstudy.report.sentences import span_words
from onsetstudy.study.practice.results import StudyResults

DRAFT = (
    "Draft for the ethics committee. It is not approved, and a form that your committee prescribes comes before it.",
)
FOUND = {
    "rmst_difference": "With {other} injections teeth were numb about {value} minutes {word} on average than with "
    "{reference} ones. The true difference may lie anywhere from {ends} minutes {word}.",
    "hazard_ratio": "Teeth became numb {word} with {other} injections than with {reference} ones.",
    "success_difference": "By {target:g} minutes about {value} {word} of 100 teeth were numb with {other} injections "
    "than with {reference} ones. The true difference may lie anywhere from {ends} of 100.",
    "treatment_success_difference": "About {value} {word} of 100 treatments went with no or mild pain and without more "
    "anaesthetic with {other} injections than with {reference} ones. The true difference may lie anywhere from {ends} "
    "of 100.",
    "pain_difference": "Pain was about {value} {unit} {word} on average with {other} injections than with {reference} "
    "ones. The true difference may lie anywhere from {ends} {unit}.",
}
OPEN = {
    "rmst_difference": "which injection makes teeth numb sooner",
    "hazard_ratio": "which injection makes teeth numb sooner",
    "success_difference": "with which injection more teeth are numb by {target:g} minutes",
    "treatment_success_difference": "with which injection more treatments go without pain",
    "pain_difference": "which injection hurts less",
}
NOT_YET = (
    "The study is not over. What was found with each injection is told when it is, so that nobody who takes part is "
    "treated otherwise because of it."
)
NO_ADVICE = (
    "These are results of many people together. They do not say how it will be for you, nor which injection is right "
    "for you. Ask your dentist."
)


def patient_sections(results: StudyResults) -> tuple[Section | None, ...]:
    """What was asked, who took part, what was found, what went wrong, and what that does not mean."""
    protocol, n, over = results.protocol, results.overall.n, results.over
    labels = [protocol.label(code) for code in protocol.arm_codes]
    # Treatments are counted by arm, and what was found is told, only once the study is over.
    who = f"So far {counted(n.cases, 'treatment')} are counted."
    found, wrong = [NOT_YET], None
    if over:
        each = [f"{n.arm(code).cases} with a {protocol.label(code)} one" for code in protocol.arm_codes]
        who = f"{counted(n.cases, 'treatment')} are counted, {listed(each)}."
        found = [_told(claim, protocol) for claim in _claims(results)]
        wrong = None if results.safety is None else _harms(results.safety, protocol)
        if not protocol.study.randomised:
            found.append("Chance did not decide who got which injection: other reasons may explain what was seen.")
        if any(caution.code == "analysed_early" for caution in results.caution):
            found.append("More treatments were planned than are counted here: what was found is not a final answer.")
    asked = f"We compared these injections before dental treatment: {listed(labels)}. {who}"
    return (
        Section.of("answer", "What a study of dental injections found", Cautions(texts=DRAFT), asked),
        Section.of("found", "What was found", found),
        Section.of("harm", "What went wrong", wrong) if wrong else None,
        Section.of("meaning", "What this does not mean", NO_ADVICE),
    )


def _claims(results: StudyResults) -> list[Claim]:
    """The main outcome, and pain where it was asked for."""
    found = [results.claims.primary()]
    pain = results.claims.get("pain_difference")
    if pain is not None and results.protocol.pain is not None and pain.quantity is not found[0].quantity:
        found.append(pain)
    return found


def _told(claim: Claim, protocol: Protocol) -> str:
    """A claim in plain words: no more than page 1 claims."""
    key, answer, seen = claim.quantity.key, claim.answer, claim.seen
    fields = {
        "other": protocol.label(protocol.contrast_arm),
        "reference": protocol.label(protocol.reference_arm),
        "target": protocol.onset.target_min,
        "unit": "points" if claim.quantity.unit == "score" and answer.unit != "mm" else answer.unit,
    }
    question = OPEN[key].format(**fields)
    if isinstance(answer, NotAvailable) or seen is None or claim.bears is None:
        return f"We cannot say {question}."
    if claim.bears.side:
        near, far = sorted((abs(seen.low), abs(seen.high)))
        ends = f"{decimal(near, claim.places)} to {decimal(far, claim.places)}"
        value = decimal(abs(seen.value), claim.places)
        return FOUND[key].format(value=value, ends=ends, word=claim.quantity.word(claim.bears.side), **fields)
    decided = _decided(claim, fields["other"])
    if claim.quantity.contrast == "/":
        return decided or f"We could not tell {question}."
    span = span_words(claim, answer.interval.low, answer.interval.high).replace("percentage points", "of 100")
    if decided:
        return (
            f"{decided} How large the difference is remains open: it may be {span} with {fields['other']} injections."
        )
    return f"We could not tell {question}: the true difference may be {span} with {fields['other']} injections."


def _decided(claim: Claim, other: object) -> str:
    """The verdict of the analysis that decided, as page 1 gives it; empty where none did."""
    look = claim.looks
    if look is None or not claim.leads or look.code != "crossed" or not look.side:
        return ""
    word = claim.quantity.word(look.side)
    return f"During the study the comparison passed a limit set beforehand: {word} with {other} injections."


def _harms(safety: Safety, protocol: Protocol) -> str:
    """Adverse events by arm, and serious ones only as far as it was recorded."""
    every, serious = safety.harms[0], safety.harms[1]
    text = f"Something unwanted was written down in {_by_arm(every, protocol)}."
    unknown = sum(a.not_recorded for a in serious.arms)
    if sum(a.count for a in serious.arms):
        text += f" It was serious in {_by_arm(serious, protocol)}."
    elif not unknown:
        text += " Nothing of it was serious."
    if unknown:
        text += f" For {counted(unknown, 'treatment')} nobody wrote down whether anything serious happened."
    return f"{text} Rare harms cannot be seen in so few treatments."


def _by_arm(line: EventLine, protocol: Protocol) -> str:
    return listed([f"{a.count} of {a.cases} treatments with {protocol.label(a.arm)} injections" for a in line.arms])
