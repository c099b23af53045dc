"""The cautions that apply to these data, in the order in which a reader must see them."""

from __future__ import annotations

from statistics import NormalDist

from onsetstudy.core.results import Caution, Estimate
from onsetstudy.protocol.lock_results import LockStanding
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.results import Diagnostics, Population

__all__ = ["study_cautions"]

SMALL_SAMPLE = 100
PLAN_DOUBTS = {
    "locked_late": "The protocol was locked after the first case: the plan may have been made with results in sight.",
    "changed": "The protocol differs from the version that was locked last; see what was planned.",
    "not_locked": "The protocol was never locked, so nothing shows that the plan came before the cases.",
}


def study_cautions(
    protocol: Protocol,
    overall: Population,
    *,
    n_clinicians: int,
    looks: int,
    diagnostics: Diagnostics | None = None,
    standing: LockStanding | None = None,
    taken: bool = False,
) -> tuple[Caution, ...]:
    """Cautions of one report.

    Parameters
    ----------
    overall : Population
        All analysed cases.
    n_clinicians : int
        Clinicians with at least one analysed case.
    looks : int
        How many quarters have been looked at, this one included.
    taken : bool
        Whether the report carries a verdict that allows for the looks.
    """
    found = [
        Caution(
            code="test_the_tooth",
            text="A statistic about past cases. Test the tooth and ask the patient before every procedure.",
        ),
        _size(protocol, overall, n_clinicians),
    ]
    if not protocol.study.randomised:
        found.append(Caution(code="not_randomised", text="Not randomised: the arms may differ in ways not measured."))
    if protocol.study.paired:
        found.append(
            Caution(
                code="pairs_taken_apart",
                text="Each patient had both: compare within patients, in their own section. On the other pages shares, "
                "waits and pain are compared as if patients were different, so that their intervals are usually too "
                "wide.",
            )
        )
    if standing is not None and standing.status in PLAN_DOUBTS:
        found.append(Caution(code="plan_after_data", text=PLAN_DOUBTS[standing.status]))
    if taken:
        text = (
            f"Looked at {looks} {'time' if looks == 1 else 'times'}: the verdict on this look allows for that, the "
            "intervals beside the estimates do not."
        )
        found.append(Caution(code="repeated_looks", text=text))
    elif looks > 1:
        text = f"Looked at {looks} times, once a quarter; the limits make no allowance for that."
        if looks < len(protocol.quarters):
            text += " Until the last planned look, take them as a description."
        found.append(Caution(code="repeated_looks", text=text))
    if diagnostics is not None:
        found += [*diagnostics.schedule.caution, *diagnostics.fineness.caution]
    found += overall.caution
    found += [
        Caution(code="not_dosing", text="This is not a dosing tool: check the label in force and the patient."),
        Caution(
            code="mixing",
            text="Mixing a cartridge may be regulated where you work. Use at once; discard if cloudy.",
        ),
        Caution(
            code="ethics",
            text="Ethics, consent and privacy: follow local rules. "
            f"Recorded status: {protocol.study.ethics_status.rstrip('.')}.",
        ),
    ]
    return tuple(found)


def _size(protocol: Protocol, overall: Population, n_clinicians: int) -> Caution:
    n = overall.n.cases
    text = (
        f"{n} {'case' if n == 1 else 'cases'} from {n_clinicians} {'operator' if n_clinicians == 1 else 'operators'}."
    )
    wait = overall.wait_difference
    if isinstance(wait, Estimate) and wait.std_error:
        z = NormalDist().inv_cdf((1 + protocol.plan.conf_level) / 2) + NormalDist().inv_cdf(protocol.plan.planned_power)
        text += (
            f" True differences in waiting smaller than about {z * wait.std_error:.1f} min "
            "could easily have been missed."
        )
    return Caution(code="small_sample" if n < SMALL_SAMPLE else "sample", text=text)
