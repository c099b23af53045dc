"""The cautions that apply to these data, in the order in which a reader must see them."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import NormalDist

from onsetstudy.core.results import Caution, Estimate, Flow
from onsetstudy.protocol.lock_results import LockStanding
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.flow import refused_cases, too_many_refused
from onsetstudy.records.derived.opened_slips import MOST_MISSING, OpenedSlips
from onsetstudy.records.derived.results import NOT_CHECKED, ArmStanding, arms_told
from onsetstudy.records.validity.between_arms import exact_p
from onsetstudy.records.validity.gates import LEVEL
from onsetstudy.study.results import Diagnostics, Population

SMALL_SAMPLE = 100
PLAN_DOUBTS = {
    "locked_late": "The protocol was locked after the first case: the plan may have been made with results in sight.",
    "changed": "The protocol differs from the version that was locked last; see what was planned.",
    "not_locked": "The protocol was never locked, so nothing shows that the plan came before the cases.",
}


TEST_THE_TOOTH = Caution(
    code="test_the_tooth",
    text="A statistic about past cases. Test the tooth and ask the patient before every procedure.",
)
NOT_RANDOMISED = Caution(code="not_randomised", text="Not randomised: the arms may differ in ways not measured.")
PAIRS_TAKEN_APART = Caution(
    code="pairs_taken_apart",
    text="Each patient had both: compare within patients, in their own section. On the other pages proportions, odds "
    "and waits are compared as if patients were different, so that their intervals are usually too wide.",
)
BEFORE_USE = (
    Caution(code="not_dosing", text="This is not a dosing tool: check the label in force and the patient."),
    Caution(code="mixing", text="Mixing a cartridge may be regulated where you work. Use at once; discard if cloudy."),
)


def study_cautions(
    protocol: Protocol,
    overall: Population,
    *,
    n_clinicians: int,
    cases_by_quarter: tuple[int, ...],
    flow: Flow | None = None,
    diagnostics: Diagnostics | None = None,
    standing: LockStanding | None = None,
    arms: ArmStanding | None = None,
    slips: OpenedSlips | None = None,
    taken: bool = False,
    critical: float | None = None,
    untold_baseline: int = 0,
) -> tuple[Caution, ...]:
    """Cautions of one report.

    Parameters
    ----------
    overall : Population
        All analysed cases.
    n_clinicians : int
        Clinicians with at least one analysed case.
    cases_by_quarter : tuple of int
        Analysed cases of each quarter so far; one without a case is nothing to look at.
    flow : Flow or None
        Rows read, and those refused.
    arms : ArmStanding or None
        How the arm of a randomised case is known.
    slips : OpenedSlips or None
        Slips that were opened, and those without a record.
    taken : bool
        Whether the report carries a verdict that allows for the looks.
    critical : float or None
        Critical value of the deciding interim analysis, by which the answers' intervals are widened.
    untold_baseline : int
        Analysed cases of which nobody recorded the cold test before the injection that the protocol asks for.
    """
    n, looks = overall.n.cases, sum(cases > 0 for cases in cases_by_quarter)
    status = "" if standing is None else standing.status
    untold = (
        f"In {untold_baseline} of {n} {'case' if n == 1 else 'cases'} nobody recorded whether the tooth felt the cold "
        "before the injection: teeth that never felt it, and could not become numb, may be among them."
    )
    allowed = (
        f"Looked at {looks} {'time' if looks == 1 else 'times'}: the verdict and the answers' intervals allow for "
        "that; tables and figures say where theirs do not."
    )
    not_allowed = f"Looked at {looks} times, once a quarter; the limits make no allowance for that."
    if len(cases_by_quarter) < len(protocol.quarters):
        not_allowed += " Until the last planned look, take them as a description."
    found = (
        TEST_THE_TOOTH,
        _size(protocol, overall, n_clinicians, critical),
        None if protocol.study.randomised else NOT_RANDOMISED,
        arms_caution(arms),
        None if flow is None else refused_caution(flow, protocol),
        None if slips is None else slips_caution(slips.opened, len(slips.without)),
        PAIRS_TAKEN_APART if protocol.study.paired else None,
        Caution(code="baseline_untold", text=untold) if untold_baseline else None,
        Caution(code="plan_after_data", text=PLAN_DOUBTS[status]) if status in PLAN_DOUBTS else None,
        Caution(code="repeated_looks", text=allowed if taken else not_allowed) if taken or looks > 1 else None,
        *(() if diagnostics is None else (*diagnostics.schedule.caution, *diagnostics.fineness.caution)),
        *overall.caution,
        *BEFORE_USE,
        Caution(
            code="ethics",
            text="Ethics, consent and privacy: follow local rules. "
            f"Recorded status: {protocol.study.ethics_status.rstrip('.')}.",
        ),
    )
    return tuple(caution for caution in found if caution is not None)


SOURCES = {"list": "list of slips", "log": "opening log"}
BEFORE = "made before files told which arm chance had chosen"


def arms_caution(arms: ArmStanding | None) -> Caution | None:
    """What a reader of a randomised study must know of its arms; ``None`` where every arm was verified."""
    if arms is None or not arms.cases or (arms.source != "none" and arms.verified == arms.cases):
        return None
    if arms.source == "none":
        return Caution(code="arms", text=f"Randomised, but {NOT_CHECKED}: {arms.reason}.")
    source = SOURCES[arms.source]
    rest = arms.cases - arms.verified
    text = (
        f"Alarm: none of {arms.cases} randomised cases could be found in the {source}; {NOT_CHECKED}. What chance "
        "had made alike is not known to be compared here: find the right log before anything is concluded."
        if arms.as_injected
        else f"{arms.verified} of {arms.cases} randomised cases were verified against the {source}; the other {rest} "
        f"{'counts' if rest == 1 else 'count'} in the arm that was injected."
    )
    return Caution(code="arms", text=text)


def refused_caution(flow: Flow, protocol: Protocol) -> Caution | None:
    """What a reader must know of refused cases; ``None`` for few that are shared out over the arms as chance may do."""
    accepted = next(stage for stage in flow.stages if stage.name == "accepted")
    refused = refused_cases(accepted)
    (a, n_a), (b, n_b) = (
        (lost.cases, lost.cases + kept.cases)
        for lost, kept in zip(refused.by_arm[:2], accepted.by_arm[:2], strict=True)
    )
    if exact_p(((a, n_a, b, n_b),)) >= LEVEL and not too_many_refused(refused.count, accepted.count):
        return None
    were, are = ("was", "is") if refused.count == 1 else ("were", "are")
    text = (
        f"{refused.count} of {refused.count + accepted.count} cases {were} refused{arms_told(refused, protocol)} and "
        f"{are} in no count here, which could turn the answer: correct what is wrong in them."
    )
    return Caution(code="refused", text=text)


def slips_caution(opened: int, without: int) -> Caution | None:
    """What a reader must know of patients who were randomised and never recorded; ``None`` where there is none."""
    have = f"{opened} opened slips {'has' if without == 1 else 'have'}"
    return _slips(without > MOST_MISSING * opened, without, have, " Find out what became of them.")


def group_slips_caution(slips: Sequence[tuple[int, int]], *, untold: int = 0) -> Caution | None:
    """The same of a group: slips opened and without a record, of each practice that tells; in all, by no code."""
    many = sum(n > MOST_MISSING * opened for opened, n in slips)
    more = f" In {many} of {len(slips)} practices they are more than one in ten." if many else ""
    if untold:
        more += f" {untold} {'file does' if untold == 1 else 'files do'} not tell."
    return _slips(bool(many), sum(n for _, n in slips), f"{sum(o for o, _ in slips)} opened slips have", more)


def _slips(alarm: bool, without: int, have: str, more: str) -> Caution | None:
    if not without:
        return None
    text = (
        f"{'Alarm: ' if alarm else ''}{without} of {have} no record: whoever was allocated by them is in no count "
        f"here, and could turn the answer.{more}"
    )
    return Caution(code="opened_for_nobody", text=text)


def group_arms_caution(arms: Sequence[ArmStanding | None]) -> Caution | None:
    """The same of a randomised group, one standing for each file; ``None`` is a file that does not tell."""
    doubtful = [a for a in arms if a is None or a.as_injected]
    parts = []
    if doubtful:
        why = sorted({BEFORE if a is None else a.reason or f"no case was found in the {SOURCES[a.source]}"
                      for a in doubtful})  # fmt: skip
        files = "file" if len(arms) == 1 else "files"
        parts.append(f"Randomised, but in {len(doubtful)} of {len(arms)} {files} {NOT_CHECKED}: {'; '.join(why)}.")
    told = [a for a in arms if a is not None and not a.as_injected]
    if rest := sum(a.cases - a.verified for a in told):
        cases = sum(a.cases for a in told)
        parts.append(f"Elsewhere {cases - rest} of {cases} cases were verified; the others count in the arm injected.")
    if other := sum(a.other_arm for a in told):
        cases = sum(a.cases for a in told)
        parts.append(f"Compared as allocated: {other} of {cases} cases received another arm.")
    return Caution(code="arms", text=" ".join(parts)) if parts else None


def _size(protocol: Protocol, overall: Population, n_clinicians: int, critical: float | None = None) -> Caution:
    n = overall.n.cases
    text = (
        f"{n} {'case' if n == 1 else 'cases'} from {n_clinicians} {'operator' if n_clinicians == 1 else 'operators'}."
    )
    wait = overall.wait_difference
    once = NormalDist().inv_cdf((1 + protocol.plan.conf_level) / 2)
    z = (once if critical is None else max(once, critical)) + NormalDist().inv_cdf(protocol.plan.planned_power)
    if isinstance(wait, Estimate) and wait.std_error and z * wait.std_error < protocol.onset.tau_min:
        text += (
            f" True differences in waiting smaller than about {z * wait.std_error:.1f} min "
            "could easily have been missed."
        )
    return Caution(code="small_sample" if n < SMALL_SAMPLE else "sample", text=text)
