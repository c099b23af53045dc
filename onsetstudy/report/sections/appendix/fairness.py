"""Whether the comparison is fair: among cases alike, within patients, and whether blinding held."""

from __future__ import annotations

from functools import partial

from onsetstudy.adjustment.results import APART, EValue, FairComparison
from onsetstudy.core.quantities import read_earlier
from onsetstudy.core.results import Estimate, EstimateLike, HypothesisTest, NotAvailable
from onsetstudy.outcomes.scores.paired_results import Blinding, OrderEffects, PairedStudy
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import NONE, reason_of, value_text
from onsetstudy.report.document import Section, Table, note, notes_of
from onsetstudy.report.names import field_name
from onsetstudy.report.numbers import capital, counted, decimal, interval, level, listed, p_text, tidy
from onsetstudy.report.sentences import estimate_shown
from onsetstudy.study.results import Population

# Said under the numbers that it is about.
BESIDE_THE_TABLE = ("extrapolated",)
AS_IT_IS, WAYS = "as it is", ("weighted", "standardised")
FIELDS_OF = {AS_IT_IS: "crude"}
MEANING = {
    "weighted": "Weighted: of cases who might have had either arm, by overlap weights. Of all cases these make "
    "the arms exactly alike in the means of what is named above, rare levels taken together; 'Who was in the arms' has "
    "the arms as they are.",
    "standardised": "Standardised: what a model predicts for all cases, had all had the one arm or the other.",
}
DRAWN = (
    "Limits of what is {}: patients are drawn by lot from these {} times, and all is computed anew of those drawn; of "
    "few cases, or such as hardly differ, they reach at least as far as those of the difference as it is."
)
PERIODS = {
    "apart": APART,
    "mixed": "",
    "one_arm": "There is one arm only; nothing can be compared.",
}


def fair_section(fair: FairComparison | None, protocol: Protocol) -> Section | None:
    """The arms as they are, weighted and standardised; nothing for randomised studies."""
    if fair is None:
        return None
    other = protocol.label(protocol.contrast_arm)
    came_about = {
        "clinician_choice": f"operators chose who was {other}",
        "alternating": "the arms alternated, so the next one could be known beforehand",
        "date_based": f"the date said who was {other}, so the arm could be known beforehand",
    }[protocol.study.allocation]
    alike = f"and among cases alike in {listed([field_name(c) for c in fair.covariates])}" if _ways(fair) else ""
    if not fair.covariates:
        alike = "as nothing was recorded in which cases could differ"
    section = partial(
        Section.of,
        "fair",
        "Among cases alike",
        f"Nobody drew lots: {came_about}. The difference is shown as it is{f', {alike}' if alike else ''}. "
        "What was not recorded may still differ, so no line says that buffering made the difference.",
        PERIODS[fair.period],
    )
    if fair.period == "one_arm":
        return section()
    left_out = listed([f"{field_name(name)} ({why})" for name, why in fair.left_out])
    return section(
        _not_told(fair),
        _table(fair, protocol),
        map(_explained_by, fair.e_values),
        _learning(fair.learning) if isinstance(fair.learning, Estimate) else None,
        note(f"Not accounted for: {left_out}.") if left_out else None,
        notes_of(c for c in fair.caution if c.code not in BESIDE_THE_TABLE),
    )


def _ways(fair: FairComparison) -> tuple[str, ...]:
    """Ways that gave an answer to any question."""
    return tuple(way for way in WAYS if any(isinstance(getattr(line, way), Estimate) for line in fair.lines))


def _reasons(fair: FairComparison, ways: tuple[str, ...]) -> dict[str, list[str]]:
    """Why there is no answer, each reason once, and the ways that it is of."""
    found: dict[str, list[str]] = {}
    for way in ways:
        for line in fair.lines:
            e = getattr(line, FIELDS_OF.get(way, way))
            if isinstance(e, NotAvailable) and way not in found.setdefault(reason_of(e), []):
                found[reason_of(e)].append(way)
    return found


def _not_told(fair: FairComparison) -> str | None:
    """Why no difference among cases alike is shown, where it was asked for."""
    if _ways(fair) or not fair.covariates:
        return None
    why = "; ".join(_reasons(fair, WAYS))
    return f"Among cases alike the difference cannot be told: {why}."


def _table(fair: FairComparison, protocol: Protocol) -> Table:
    names = {
        "success_difference": f"numb by {protocol.onset.target_min:g} min, percentage points",
        "rmst_difference": f"restricted mean time to onset, up to {protocol.onset.tau_min:g} min, minutes saved",
        "pain_difference": f"mean pain, {protocol.pain.instrument.unit if protocol.pain else ''}",
    }
    ways = _ways(fair)
    rows = []
    for line in fair.lines:
        key, _ = read_earlier(line.outcome)
        found = (getattr(line, FIELDS_OF.get(way, way)) for way in (AS_IT_IS, *ways))
        rows.append((names[key], *(estimate_shown(e, key) for e in found)))
    tried = WAYS if ways else ()
    effective = fair.overlap.effective if fair.overlap else ()
    told = "; ".join(f"{n} {protocol.label(a)} cases count as {eff:.0f}" for a, eff, n in effective)
    meaning = " ".join(MEANING[way] for way in ways)
    return Table.of(
        "The difference as it is, and among cases alike" if ways else "The difference as it is",
        ("what", AS_IT_IS, *ways),
        rows,
        f"Differences are {protocol.label(protocol.contrast_arm)} less {protocol.label(protocol.reference_arm)} with "
        f"{level(protocol.plan.conf_level)} limits; of times to onset they are minutes saved.",
        f"{meaning} {DRAWN.format(listed(ways), fair.replicates)}" if ways else "",
        f"Weighted, {told}." if told else "",
        *(f"{NONE} {listed(of)}: {why}." for why, of in _reasons(fair, (AS_IT_IS, *tried)).items()),
        *(tidy(c.text) for c in fair.caution if c.code in BESIDE_THE_TABLE),
    )


def _explained_by(e: EValue) -> str:
    """How strong something unrecorded would have to be."""
    times, limit = decimal(e.value), "the interval holds no difference as it is"
    if e.limit != 1:
        limit = f"{decimal(e.limit)} times would do for the nearer limit to reach no difference"
    return (
        f"Could something unrecorded explain the hazard ratio ({decimal(e.ratio, 2)} as it is)? It would have to be "
        f"{times} times as common in one arm and make onset {times} times as likely (E-value); {limit}."
    )


def _learning(learning: Estimate) -> str:
    low, high = learning.interval.low, learning.interval.high
    word = "no learning is seen"
    if low > 1:
        word = "operators got better with practice"
    elif high < 1:
        word = "operators did worse as time went on"
    return (
        f"With each doubling of an operator's cases the odds of being numb by the target were "
        f"{decimal(learning.estimate, 2)} times ({interval(low, high, 2)}): {word}, in "
        f"{counted(learning.n.cases, 'case')}."
    )


def paired_section(paired: PairedStudy | None, overall: Population, protocol: Protocol) -> Section | None:
    """The comparison within patients, which the overall results are too; nothing for designs without it."""
    if paired is None:
        return None
    other, reference = (protocol.label(a) for a in (protocol.contrast_arm, protocol.reference_arm))
    onset, ratio, success, pain = overall.onset_test, paired.hazard_ratio, overall.success_difference, paired.pain
    late, wait = overall.never_numb_difference, overall.wait_difference
    points, horizon = "percentage points", f"{protocol.onset.tau_min:g}"
    shown = partial(estimate_shown, missing=None)
    untold = reason_of(onset) if isinstance(onset, NotAvailable) else NONE
    rows: list[tuple[str, str, EstimateLike | HypothesisTest]] = [
        ("rate of becoming numb, times", shown(ratio), ratio),
        ("the same, labels exchanged", untold, onset),
        (f"numb by {protocol.onset.target_min:g} min, {points}", shown(success), success),
        (f"not numb within {horizon} min, {points}", shown(late), late),
        (f"minutes of waiting saved, up to {horizon}", shown(wait), wait),
    ]
    if pain is not None and protocol.pain is not None:
        rows.append((f"pain, {protocol.pain.instrument.unit}", shown(pain.shift), pain.test))
    return Section.of(
        "paired",
        "Within the same patients",
        f"{counted(paired.pairs, 'patient')} had both {reference} and {other}: here each is compared with themselves, "
        "so that what differs between patients does not count.",
        Table.of(
            capital(f"{other} less {reference}, within patients"),
            ("what", f"difference, {level(protocol.plan.conf_level)} interval", "p"),
            [(what, told, p_text(getattr(found, "p_value", None))) for what, told, found in rows],
            "Rate: ratio within patients, whose rates are taken to be spread like a normal distribution on the log "
            "scale, Wald's interval and test; below it the log-rank test, labels exchanged within patients. Numb: "
            "exact McNemar test and Newcombe's paired interval, each drawn to no difference where the other does not "
            "rule it out. Wait: Student's t of the differences. Pain: Hodges-Lehmann shift, with limits "
            "that the signed-rank test does not rule out.",
            "Interval and test of another kind disagree on the rate: one of them rules out that there is no "
            "difference. Take a difference as shown only where both do."
            if _differ(ratio, onset, 1.0)
            else "",
        ),
        None if paired.order is None else _order(paired.order, protocol),
        notes_of(paired.caution),
    )


def _order(order: OrderEffects, protocol: Protocol) -> str:
    # An order is named by the code of the arm that came first: "plain first".
    told = " and ".join(f"{count} had {_with_label(name, protocol)}" for name, count in order.sequences)
    unit = protocol.pain.instrument.unit if protocol.pain else ""
    period, sequence = (
        value_text(e, missing=None) + (f" {unit}" if isinstance(e, Estimate) else "")
        for e in (order.period, order.sequence)
    )
    return (
        f"Of these, {told}. Pain of the second injection less the first, the arms apart: {period}; difference "
        f"between the orders in the sum of both: {sequence}. A difference there may be carry-over or chance."
    )


def _with_label(order: str, protocol: Protocol) -> str:
    arm, _, rest = order.partition(" ")
    return f"{protocol.label(arm)} {rest}"


def _differ(answer: EstimateLike, test: HypothesisTest | NotAvailable, null: float) -> bool:
    """Whether of an interval and a test of another kind only one rules out that there is none."""
    if isinstance(answer, NotAvailable) or isinstance(test, NotAvailable):
        return False
    holds = answer.interval.low <= null <= answer.interval.high
    return holds != (test.p_value >= 1 - answer.interval.level)


def blinding_section(blinding: Blinding | None, protocol: Protocol) -> Section | None:
    """Guesses at the arm with an index; nothing where nobody was asked."""
    if blinding is None or not blinding.lines:
        return None
    meant = dict(blinding.intended)
    rows = [
        (
            x.who + ("" if meant.get(x.who) else ", not to be blind"),
            protocol.label(x.arm),
            *(f"{n}" for n in (x.right, x.wrong, x.unsure)),
            value_text(x.index, 2, missing=None),
        )
        for x in blinding.lines
    ]
    found = [
        f"{x.who}, {protocol.label(x.arm)}, {x.right} right against {x.wrong} wrong"
        for x in blinding.lines
        if meant.get(x.who) and isinstance(x.index, Estimate) and x.index.interval.low > 0
    ]
    named = (
        f"Some who were to be blind named the arm more often than by chance: {'; '.join(found)}. Answers that depend "
        "on the person, such as pain, may owe something to that."
    )
    return Section.of(
        "blinding",
        "Whether blinding held",
        named
        if found
        else "Those who were to be blind did not name the arm more often than by chance, as far as these guesses can "
        "tell.",
        Table.of(
            "Guesses at the arm",
            ("who", "injected", "right", "wrong", "unsure", f"index, {level(protocol.plan.conf_level)} interval"),
            rows,
            f"Index: 1 all right, 0 as by chance, −1 all wrong. {blinding.source}.",
            align="llrrrr",
        ),
    )
