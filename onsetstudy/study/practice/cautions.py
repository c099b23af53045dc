"""The cautions that apply to a practice's results, in the order in which a reader must see them."""

from __future__ import annotations

from statistics import NormalDist

from onsetstudy.core.results import Caution, Estimate
from onsetstudy.outcomes.scores.paired_results import PairedStudy
from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import USE_AT_ONCE
from onsetstudy.records.derived.opened_slips import OpenedSlips
from onsetstudy.study.answer.cautions import (
    NOT_RANDOMISED,
    TEST_THE_TOOTH,
    arms_caution,
    ethics_caution,
    refused_caution,
    slips_caution,
)
from onsetstudy.study.answer.claims import deciding_look
from onsetstudy.study.practice.headline_cautions import headline_cautions
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.results import Population

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
    taken, look = results.looks is not None or results.anytime is not None, deciding_look(results.looks)
    untold = (
        f"In {untold_baseline} of {n} {'case' if n == 1 else 'cases'} nobody recorded whether the tooth felt the cold "
        "before the injection: teeth that never felt it, and could not become numb, may be among them."
    )
    allowed = (
        f"Looked at {looks} {'time' if looks == 1 else 'times'}: the verdict and the answers' intervals allow for "
        "that; tables and figures say where theirs do not."
    )
    not_allowed = f"Looked at {looks} times, once a quarter; the limits make no allowance for that."
    if len(results.by_quarter) < len(protocol.quarters):
        not_allowed += " Until the last planned look, take them as a description."
    found = (
        TEST_THE_TOOTH,
        _size(protocol, overall, results.n_clinicians, None if look is None else look.critical, results.paired),
        None if protocol.study.randomised else NOT_RANDOMISED,
        arms_caution(results.arms),
        refused_caution(results.flow, protocol),
        None if slips is None else slips_caution(slips.opened, len(slips.without)),
        *headline_cautions(results),
        PAIRS_TAKEN_APART if protocol.study.paired else None,
        Caution(code="baseline_untold", text=untold) if untold_baseline else None,
        Caution(code="plan_after_data", text=PLAN_DOUBTS[status]) if status in PLAN_DOUBTS else None,
        Caution(code="repeated_looks", text=allowed if taken else not_allowed) if taken or looks > 1 else None,
        *(() if diagnostics is None else (*diagnostics.schedule.caution, *diagnostics.fineness.caution)),
        *overall.caution,
        *BEFORE_USE,
        ethics_caution(protocol.study),
    )
    return tuple(caution for caution in found if caution is not None)


def _size(
    protocol: Protocol,
    overall: Population,
    n_clinicians: int,
    critical: float | None = None,
    paired: PairedStudy | None = None,
) -> Caution:
    n = overall.n.cases
    both = "" if paired is None else f", {paired.pairs} patient{'' if paired.pairs == 1 else 's'} with both arms,"
    whose = f"{n_clinicians} {'operator' if n_clinicians == 1 else 'operators'}"
    text = f"{n} {'case' if n == 1 else 'cases'}{both} from {whose}."
    wait = overall.wait_difference
    once = NormalDist().inv_cdf((1 + protocol.plan.conf_level) / 2)
    z = (once if critical is None else max(once, critical)) + NormalDist().inv_cdf(protocol.plan.planned_power)
    if isinstance(wait, Estimate) and wait.std_error and z * wait.std_error < protocol.onset.tau_min:
        text += (
            f" True differences in waiting smaller than about {z * wait.std_error:.1f} min "
            "could easily have been missed."
        )
    return Caution(code="small_sample" if n < SMALL_SAMPLE else "sample", text=text)
