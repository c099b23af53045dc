"""The sentences of a plan: told from its claims on page 1, in the tables' names, on the terminal and in the file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from operator import attrgetter
from typing import Any

from onsetstudy.core.claims import PlanClaim
from onsetstudy.design.size_results import Pace
from onsetstudy.protocol.model import PlanningAssumptions, Protocol, StudyIdentity
from onsetstudy.report.document import Answer
from onsetstudy.report.names import effect_told
from onsetstudy.report.numbers import THIN, capital, counted, decimal, level, tidy
from onsetstudy.study.planning.results import QUANTITY_OF, Aim, PlanningResults, Question

OUTCOMES = {
    "onset_test": "rate of becoming numb",
    "success": "numb by the target",
    "paired_success": "numb by the target",
    "wait": "restricted mean time to onset",
    "pain": "mean pain",
    "pain_ranks": "pain by ranks",
    "treatment": "successful treatments",
    "paired_treatment": "successful treatments",
}

LISTED = (
    "key", "kind", "quantity", "value", "low", "high", "unit", "available", "analysed", "test", "power", "effect",
    "method", "leads", "sentence",
)  # fmt: skip
"""What a file holds of every claim, in this order."""
TOO_LITTLE = "The planned information is too little for it: amend the protocol, or expect not to find it."


def aim_told(aim: Aim, protocol: Protocol) -> str:
    """What a protocol promises to find in its main outcome, the size that this takes, and the one that is planned."""
    plan, rule, effect = protocol.plan, protocol.looks, aim.effect
    named = None if effect is None else effect_told(effect, protocol)
    if plan.primary == "success_difference":
        named = f"the difference that a hazard ratio of {plan.planned_hazard_ratio:g} makes"
    text = "No difference in the main outcome is named that the study should find"
    if named is not None:
        text = f"The study should find {named} in its main outcome with {share_of(plan.planned_power)} power"
    if aim.included is not None:
        looks = "" if aim.looks_more == 1 else f"; {_more_for_looks(aim.looks_more)}"
        text += f", which takes {aim.included} {aim.unit} to include ({aim.found}, {aim.test}{looks})"
    planned = f"; planned: {rule.planned_information} {rule.information}" if rule else ""
    return f"{text}{planned}.{f' {TOO_LITTLE}' if aim.short else ''}"


def headline(results: PlanningResults) -> Answer:
    """The size of the main outcome with the power of its own test; page 1 and the terminal say the same sentences."""
    claim = results.claims[0]
    name = claim.quantity.outcome if claim.quantity.unit == "score" else f"the {claim.quantity.outcome}"
    name += f", up to {results.protocol.onset.tau_min:g} minutes" if claim.quantity.to_horizon else ""
    if claim.value is None:
        none = f"No size can be told for your main outcome, {name}: {claim.reason.removeprefix('not sized: ')}."
        return Answer(seen=none, allows="The sizes of other outcomes are not its size.")
    once = looks_take(results, " in a study that is analysed once ({})")
    if (needed := results.needed) is None:
        effect, found, pace = tidy(claim.effect), "by formula", _question_of(results, claim).pace
    else:
        effect, pace = f"a hazard ratio of {results.protocol.plan.planned_hazard_ratio:g}", needed.pace
        found = f"{claim.cases} analysed; by simulation, give or take {needed.two_errors}"
        once = "" if results.looks else once
    return Answer(
        seen=f"Your main outcome, {name} ({effect}), takes {claim.value:.0f} {claim.unit} to include ({found}): "
        f"{quarters_of(pace)}.",
        allows=f"That is for {share_of(claim.power or 0)} power of the {claim.test}{once}, with your "
        f"{pace.included_per_month:.3g} {who_of(results)} a month that may be included and agree. A smaller effect "
        f"takes more.{f' {on_placeholders(results.placeholders)}' if results.placeholders else ''}",
    )


def on_placeholders(held: Sequence[str]) -> str:
    """What a size stands on until there are records of the practice's own, as sentences."""
    return (
        f"It rests on placeholders, until records of your own say better: {'; '.join(held)}. Write your own into "
        "[planning] before a lock."
    )


def claims_listed(results: PlanningResults) -> list[dict[str, Any]]:
    """Every claim as plain JSON types, with its sentence."""
    own: dict[str, Callable[[PlanClaim], Any]] = {
        "quantity": lambda claim: claim.quantity.key,
        "available": lambda claim: claim.value is not None,
        "analysed": lambda claim: claim.cases,
        "sentence": lambda claim: told(results, claim),
    }
    return [{name: own.get(name, attrgetter(name))(claim) for name in LISTED} for claim in results.claims]


def told(results: PlanningResults, claim: PlanClaim) -> str:
    """A claim as one sentence that names the test which its power is of."""
    if claim.leads:
        return headline(results).text
    if claim.value is None:
        return f"{named(claim.outcome)}: {claim.reason}."
    if claim.kind == "size":
        return _size_told(results, _question_of(results, claim))
    around = f"give or take {decimal(50 * ((claim.high or 0) - (claim.low or 0)))} percentage points"
    if claim.kind == "error_planned":
        return (
            f"Where there was no difference, the {claim.test} found one in {decimal(100 * claim.value)}{THIN}% of "
            f"simulated trials of the planned size ({around})."
        )
    rule = results.protocol.looks
    counted_in = "" if rule is None else f", {rule.planned_information} {rule.information}"
    trials = {
        "power_at_size": f"{results.trials} simulated trials of that size ({claim.cases} analysed, once)",
        "power_planned": f"At the planned size ({claim.cases} analysed{counted_in}) simulated trials",
    }[claim.kind]
    return f"{trials} found {tidy(claim.effect)} in {share_of(claim.value)} ({around}) by the {claim.test}."


def _size_told(results: PlanningResults, question: Question) -> str:
    size = question.size
    return (
        f"{capital(outcome_name(question))}, {tidy(size.effect_text)}: {size.total} {who_of(results)}, "
        f"{quarters_of(question.pace)}, for {share_of(size.power)} power of the {size.test}."
    )


def _checked_by_simulation(results: PlanningResults) -> str:
    """What simulated trials say of the size by formula; nothing where the main outcome is not simulated."""
    claim = next((c for c in results.claims if c.kind == "power_at_size"), None)
    if claim is None:
        return ""
    if (instead := results.corrected) is None:
        return told(results, claim)
    return (
        f"{told(results, claim)} The formula is off here: by these trials {instead.analysed} analysed cases (give or "
        f"take {instead.two_errors}) have {share_of(results.protocol.plan.planned_power)} power, and "
        f"{instead.included} are to be included."
    )


def planned_size(results: PlanningResults) -> str:
    """What simulated trials of the planned information find, and what more the main outcome takes."""
    claims = {c.kind: c for c in results.claims if c.kind != "size"}
    planned, null = claims.get("power_planned"), claims.get("error_planned")
    if planned is None or null is None:
        return results.not_simulated
    # Without interim analyses the planned size is the size by formula, of which the sentence before has told.
    known = results.at_size is not None and results.planned == results.at_size
    text = told(results, null) if known else f"{told(results, planned)} {told(results, null)}"
    if results.looks is not None and results.planned is not None:
        used = f"{results.planned.expected_cases:.0f} {who_of(results)}"
        text += f" With the planned interim analyses it uses {used} on average."
        if any(p.futility is not None for p in results.looks.looks):
            text += " Trials that the futility rule would call hopeless are drawn to their end."
    lead = results.claims[0]
    if results.short and (lead.cases or 0) > (planned.cases or 0):
        text += f" Your main outcome takes more than the planned size: {lead.value:.0f} {lead.unit} to include."
    elif results.short:
        text += " With its interim analyses your main outcome takes more than the planned size."
    return text


def expected_rows(assumed: PlanningAssumptions, study: StudyIdentity) -> list[tuple[str, str]]:
    """What is expected of pace and onset, a row each."""
    each = ", two of each patient" if study.paired else ""
    never = f"{share_of(assumed.never_reference)} and {share_of(assumed.never_other)}"
    return [
        (f"Cases a month, all practices{each}", f"{assumed.cases_per_month:g}"),
        ("Of them eligible and willing", share_of(assumed.eligible_share)),
        ("Median onset, reference arm, among teeth that become numb", f"{assumed.median_min:g} min"),
        ("Shape of the Weibull curve", f"{assumed.shape:g}"),
        ("Not numb to the end of testing, reference and other arm", never),
    ]


def lost_row(assumed: PlanningAssumptions) -> tuple[str, str]:
    """What is expected to be lost."""
    return "Lost, and tests missed", f"{share_of(assumed.lost_share)} and {share_of(assumed.missed_share)}"


def rests_on(results: PlanningResults) -> tuple[str, ...]:
    """The curves that every size takes, and where the protocol has them from, a sentence each."""
    e, assumed = results.expected, results.protocol.planning
    never = f"{share_of(e.never_reference)} and {share_of(e.never_other)} never numb (reference and other arm)"
    return (
        f"median onset of {e.median_min:g} min with the reference arm; {never}",
        *(assumed.sources if assumed is not None else ()),
    )


def how_narrow(results: PlanningResults) -> str:
    """How wide the intervals of the planned study would be; nothing where it has no size."""
    found = results.precision
    if found is None:
        return ""
    target = results.protocol.onset.target_min
    return (
        f"How narrow the answer would be: with {found.cases} cases analysed once, the {level(found.conf_level)} "
        "interval of the difference in the restricted mean time to onset reaches about "
        f"{decimal(found.wait_half_min)} min to either side, and that of the proportion numb by {target:g} min about "
        f"{100 * found.success_half:.0f} percentage points."
    )


def looks_take(results: PlanningResults, told: str) -> str:
    """How many more cases the planned interim analyses take, within ``told``; empty where none are planned."""
    if results.looks is None:
        at_any_time = results.protocol.looks is not None and results.protocol.looks.boundary == "anytime"
        return told.format("the test that holds at any time takes more, which is not told here") if at_any_time else ""
    return told.format(_more_for_looks(results.looks.inflation))


def _more_for_looks(times: float) -> str:
    return f"the planned interim analyses take {decimal(100 * (times - 1))}{THIN}% more"


def _question_of(results: PlanningResults, claim: PlanClaim) -> Question:
    return next(q for q in results.questions if q.outcome == claim.outcome and q.size.source == claim.source)


def share_of(value: float) -> str:
    """A proportion in whole percent."""
    return f"{100 * value:.0f}{THIN}%"


def main_question(results: PlanningResults) -> Question | None:
    """The line of the main outcome among the sizes by formula; nothing where it is not sized."""
    primary = results.protocol.plan.primary
    return next((q for q in results.questions if QUANTITY_OF[q.outcome] == primary), None)


def size_lines(results: PlanningResults) -> tuple[str, ...]:
    """Every size by formula, one sentence each, for the terminal."""
    main = main_question(results)
    sizes = [_size_told(results, q) + (" This is your main outcome." if q is main else "") for q in results.questions]
    return (*sizes, *(f"{named(n.outcome)}: {n.reason}." for n in results.not_sized))


def named(outcome: str) -> str:
    """Name of an outcome at the beginning of a sentence."""
    return capital(OUTCOMES.get(outcome, outcome))


def outcome_name(question: Question) -> str:
    """The outcome of a size; where one outcome has two formulas, with the formula's source."""
    name = OUTCOMES.get(question.outcome, question.outcome)
    return name + (f", {question.size.source}" if question.outcome == "onset_test" else "")


def who_of(results: PlanningResults) -> str:
    """What is counted: patients where each has both arms."""
    return "patients" if results.protocol.study.paired else "cases"


def quarters_of(pace: Pace) -> str:
    """Quarters with their likely range."""
    return f"{counted(pace.quarters, 'quarter')} (likely {pace.low} to {pace.high})"


def difference(results: PlanningResults) -> str:
    """Why the formula and the simulation of the same test ask for different sizes, in one sentence.

    Where the size is the formula's, what simulated trials say of it.
    """
    main = main_question(results)
    if results.needed is None or main is None:
        return _checked_by_simulation(results)
    e, formula = results.expected, main.size
    looks = "" if results.looks is None else ", and the simulated size pays for analysing as planned"
    why = "the simulation also misses tests and lets operators differ"
    if max(e.never_reference, e.never_other) > 0:
        why = (
            "the formula takes the ratio as the same at all times, as if every tooth became numb sooner or later, "
            f"while in the simulation some never do ({share_of(e.never_reference)} and {share_of(e.never_other)}, as "
            "you expect), so that the arms draw together again"
        )
    return f"Why {results.needed.included} and not the {formula.total} of the formula: {why}{looks}."
