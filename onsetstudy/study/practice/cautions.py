"""The cautions that apply to a practice's results, in the order in which a reader must see them.

Those of the headline are facts of the records that decide whether page 1 may be believed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

from onsetstudy.core.results import Caution, Estimate
from onsetstudy.outcomes.scores.pain_moment_results import MomentOfPain
from onsetstudy.protocol.vocabulary import USE_AT_ONCE
from onsetstudy.records.derived.allocation import LOG_FAULTS
from onsetstudy.records.derived.opened_slips import MOST_MISSING, OpenedSlips
from onsetstudy.records.derived.results import AllocationReview
from onsetstudy.records.validity.gates import LEVEL
from onsetstudy.study.answer.cautions import (
    NOT_RANDOMISED,
    TEST_THE_TOOTH,
    arms_caution,
    ethics_caution,
    refused_caution,
    slips_caution,
)
from onsetstudy.study.answer.claims import deciding_look
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.results import ArmTable
from onsetstudy.study.topics.baseline import OPERATOR
from onsetstudy.survival.results import FinenessOfTesting

SMALL_SAMPLE = 100
PLAN_DOUBTS = {
    "locked_late": "The protocol was locked after the first case: the plan may have been made with results in sight.",
    "changed": "The protocol differs from the version that was locked last; see what was planned.",
    "not_locked": "The protocol was never locked, so nothing shows that the plan came before the cases.",
}
PAIRS_TAKEN_APART = Caution(
    code="pairs_taken_apart",
    text="Each patient had both: compare within patients. Waits, proportions and pain are compared so, the rate of "
    "becoming numb in its own section; odds, painless cases, harms, chair time and what errors of the cold tests could "
    "move are compared as if patients were different, so that their intervals are usually too wide.",
)
BEFORE_USE = (
    Caution(code="not_dosing", text="This is not a dosing tool: check the label in force and the patient."),
    Caution(code="mixing", text=f"{USE_AT_ONCE}."),
)


def study_cautions(
    results: StudyResults, slips: OpenedSlips | None = None, *, untold_baseline: int = 0
) -> tuple[Caution, ...]:
    """Cautions of one report.

    Parameters
    ----------
    results : StudyResults
        Everything else that it tells. Of the quarters so far one without a case is nothing to look at.
    slips : OpenedSlips or None
        Slips that were opened, and those without a record.
    untold_baseline : int
        Analysed cases of which nobody recorded the cold test before the injection that the protocol asks for.
    """
    protocol, overall, diagnostics = results.protocol, results.overall, results.diagnostics
    n, looks = overall.n.cases, sum(quarter.n.cases > 0 for quarter in results.by_quarter)
    status = "" if results.standing is None else results.standing.status
    look, sequential = deciding_look(results.looks), results.anytime is not None and results.anytime.test is not None
    untold = (
        f"In {untold_baseline} of {n} {'case' if n == 1 else 'cases'} nobody recorded whether the tooth felt the cold "
        "before the injection: teeth that never felt it, and could not become numb, may be among them."
    )
    seen = f"Looked at {looks} {'time' if looks == 1 else 'times'}"
    looked = f"{seen}, once a quarter; the limits make no allowance for that."
    if look is not None:
        looked = f"{seen}: the verdict and the answers' intervals allow for that; tables and figures say where "
        looked += "theirs do not."
    elif sequential:
        looked = f"{seen}: the sequential test and its own limits allow for that, the answers' intervals do not."
    elif len(results.by_quarter) < len(protocol.quarters) and analysed_early(results) is None:
        looked += " Until the last planned look, take them as a description."
    found = (
        TEST_THE_TOOTH,
        _size(results, None if look is None else look.critical),
        None if protocol.study.randomised else NOT_RANDOMISED,
        arms_caution(results.arms),
        refused_caution(results.flow, protocol),
        None if slips is None else slips_caution(slips.opened, len(slips.without), len(slips.withdrawn)),
        *headline_cautions(results),
        PAIRS_TAKEN_APART if protocol.study.paired else None,
        Caution(code="baseline_untold", text=untold) if untold_baseline else None,
        Caution(code="plan_after_data", text=PLAN_DOUBTS[status]) if status in PLAN_DOUBTS else None,
        Caution(code="repeated_looks", text=looked) if look is not None or sequential or looks > 1 else None,
        *(() if diagnostics is None else (*diagnostics.schedule.caution, *diagnostics.fineness.caution)),
        *overall.caution,
        *BEFORE_USE,
        ethics_caution(protocol.study),
    )
    return tuple(caution for caution in found if caution is not None)


def _size(results: StudyResults, critical: float | None) -> Caution:
    protocol, n, paired = results.protocol, results.overall.n.cases, results.paired
    both = "" if paired is None else f", {paired.pairs} patient{'' if paired.pairs == 1 else 's'} with both arms,"
    whose = f"{results.n_clinicians} {'operator' if results.n_clinicians == 1 else 'operators'}"
    text = f"{n} {'case' if n == 1 else 'cases'}{both} from {whose}."
    wait = results.overall.wait_difference
    once = NormalDist().inv_cdf((1 + protocol.plan.conf_level) / 2)
    z = (once if critical is None else max(once, critical)) + NormalDist().inv_cdf(protocol.plan.planned_power)
    if isinstance(wait, Estimate) and wait.std_error and z * wait.std_error < protocol.onset.tau_min:
        text += (
            f" True differences in waiting smaller than about {z * wait.std_error:.1f} min "
            "could easily have been missed."
        )
    return Caution(code="small_sample" if n < SMALL_SAMPLE else "sample", text=text)


FEWEST = 5
"""Teeth of which it is worth saying that all were numb at once, or none at all."""
NEARLY_ALL = 0.9
LEAST_SHOWN = 0.1
LEAST_OF_AN_OPERATOR = 2
"""Cases with which an operator could have used both arms."""


def headline_cautions(results: StudyResults) -> tuple[Caution, ...]:
    """What is true of these results, the gravest first.

    Parameters
    ----------
    results : StudyResults
        Everything else that the report tells.
    """
    protocol, tested = results.protocol, results.diagnostics
    found = (
        log_doubted(results.allocation),
        opened_late(results.allocation),
        none_numb(results),
        None if tested is None else all_numb_at_first(tested.fineness),
        operator_one_arm(results.arm_table, randomised=protocol.study.randomised),
        main_outcome_missing(results),
        analysed_early(results),
    )
    return tuple(caution for caution in found if caution is not None)


def log_doubted(review: AllocationReview | None) -> Caution | None:
    """Arms taken from an opening log that was changed, or that the ledger does not hold so."""
    deviations = () if review is None or review.source != "log" else review.deviations
    if not (told := "; ".join(f"{d.count} {d.text}" for d in deviations if d.code in LOG_FAULTS)):
        return None
    text = (
        f"Alarm: the arms are those of an opening log that cannot be believed: {told}. Restore log and ledger from "
        "your backup before anything is concluded."
    )
    return Caution(code="log_doubted", text=text)


def opened_late(review: AllocationReview | None) -> Caution | None:
    """Slips that were opened once the injection had been given: they cannot have chosen it."""
    late = 0 if review is None else sum(d.count for d in review.deviations if d.code == "opened_late")
    if review is None or not late:
        return None
    what = "opened after the injection: nothing shows that chance chose"
    of = max(review.with_slip, late)
    if late == of and of > 1:
        text = f"All {of} slips were {what} the arms."
    else:
        text = (
            f"{late} of {of} slips {'was' if late == 1 else 'were'} {what} {'that arm' if late == 1 else 'those arms'}."
        )
    return Caution(code="opened_late", text=text)


def none_numb(results: StudyResults) -> Caution | None:
    """Not one tooth went numb: answers may have been written down the wrong way round."""
    n = results.overall.n
    if n.onsets or n.cases < FEWEST:
        return None
    text = f"Not one of {n.cases} teeth became numb: were felt and not felt taken for each other?"
    return Caution(code="none_numb", text=text)


def all_numb_at_first(tested: FinenessOfTesting) -> Caution | None:
    """Teeth that were numb when first tested have no order in time."""
    cases, early = sum(row[1] for row in tested.rows), sum(row[2] for row in tested.rows)
    if cases < FEWEST or early < NEARLY_ALL * cases:
        return None
    who = f"All {cases}" if early == cases else f"{early} of {cases}"
    text = f"{who} teeth were numb at their first test: which became numb sooner cannot be told."
    return Caution(code="all_numb_at_first", text=text)


def operator_one_arm(table: ArmTable, *, randomised: bool) -> Caution | None:
    """Operators who used one arm only, so that what differs may be theirs.

    Where arms were allocated at random, only if chance would hardly have done it: the labels of all cases exchanged,
    and every such operator looked at.
    """
    counts = [[cell[0] or 0 for cell in row.cells[:2]] for row in table.rows if row.variable == OPERATOR]
    arms = [sum(operator[place] for operator in counts) for place in (0, 1)]
    one = [sum(c) for c in counts if min(c) == 0 and sum(c) >= LEAST_OF_AN_OPERATOR]
    if min(arms) == 0 or not one or sum(one) <= MOST_MISSING * sum(arms):
        return None
    if randomised and len(one) * min(_of_one_arm(k, arms) for k in one) >= LEVEL:
        return None
    who = "Each operator" if len(one) == len(counts) else f"{len(one)} of {len(counts)} operators"
    whose = "" if len(one) == len(counts) else f" ({sum(one)} of {sum(arms)} cases)"
    text = f"{who}{whose} used one arm only: what differs may be the operator, not the injection."
    return Caution(code="operator_one_arm", text=text)


def _of_one_arm(k: int, arms: Sequence[int]) -> float:
    """Chance that so many cases, drawn from those of two arms, are all of one."""
    return sum(math.comb(n, k) for n in arms) / math.comb(sum(arms), k)


def main_outcome_missing(results: StudyResults) -> Caution | None:
    """Cases without the main outcome, where they could turn what is said of it, or are many."""
    primary, whole = results.protocol.plan.primary, results.overall
    if primary == "pain_difference":
        return _scores_missing(results)
    if primary != "treatment_success_difference" or not isinstance(whole.treatment_difference, Estimate):
        return None
    # A comparison within patients leaves out cases of which it is known.
    course = () if results.safety is None else results.safety.course
    gone = sum(arm.not_recorded for line in course if line.event == "treatment_success" for arm in line.arms)
    if gone <= MOST_MISSING * whole.n.cases:
        return None
    text = f"Whether the treatment succeeded, the main outcome, is not known in {gone} of {whole.n.cases} cases."
    return Caution(code="main_outcome_missing", text=text)


def analysed_early(results: StudyResults) -> Caution | None:
    """A single analysis was planned, of more cases than these; a size in onsets names no cases that were planned."""
    study, more = results.protocol.study, results.more_needed
    if not study.randomised or results.protocol.looks is not None or more is None or more.events_needed is not None:
        return None
    if more.cases_needed is None or not 0 < more.cases_seen < more.cases_needed:
        return None
    whose = "patients with both arms" if study.paired else "cases"
    these = "this is" if more.cases_seen == 1 else "these are"
    text = (
        f"Planned to be analysed once, at {more.cases_needed} {whose}; {these} {more.cases_seen}. Read it as a "
        "description, not as the study's answer."
    )
    return Caution(code="analysed_early", text=text)


def _scores_missing(results: StudyResults) -> Caution | None:
    pain, moments = results.protocol.pain, () if results.comfort is None else results.comfort.moments
    main = next((m for m in moments if pain is not None and m.moment == pain.moment), None)
    if main is None or pain is None:
        return None
    gone, cases = sum(line[1] for line in main.missing.by_arm), sum(line[2] for line in main.missing.by_arm)
    turned = _tipping(results, main)
    if not gone or (turned is None and gone <= MOST_MISSING * cases):
        return None
    text = f"{gone} of {cases} scores of the main outcome {'is' if gone == 1 else 'are'} missing"
    if turned is not None:
        size = f"{turned:.1f}" if turned >= LEAST_SHOWN / 2 else f"less than {LEAST_SHOWN}"
        text += f": {size} {pain.instrument.unit} against the difference, on average, would put it in doubt"
    return Caution(code="main_outcome_missing", text=f"{text}.")


def _tipping(results: StudyResults, main: MomentOfPain) -> float | None:
    """How far off the missing scores would turn the difference that is claimed; ``None`` where they cannot."""
    claim, pain, both = results.claims.primary(), results.protocol.pain, main.missing.tipping_both
    claimed = claim.bears is not None and claim.bears.side != 0 and claim.looks is None
    if not claimed or pain is None or both is None or not math.isfinite(both):
        return None
    scale, lost = pain.instrument, [gone for _, gone, _ in main.missing.by_arm[:2]]
    shifts = [shift for shift, n in zip((-both, both), lost, strict=True) if n]
    places = [place for place, n in enumerate(lost) if n]
    reached = (main.on_scale(p, s, scale.low, scale.high) for p, s in zip(places, shifts, strict=True))
    return abs(both) if all(reached) else None
