"""Negative controls: what the injection cannot change, arm beside arm."""

from __future__ import annotations

from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import NONE, value_text
from onsetstudy.report.document import Section, Table
from onsetstudy.report.numbers import capital, level, listed, tidy
from onsetstudy.study.results import NegativeControl

__all__ = ["negative_section", "negative_words"]

WHAT = {
    "insertion_pain": "Pain at insertion, before any solution flows",
    "control_tooth": "Tests at which the control tooth began not to feel",
    "control_single": "Tests at which it did not feel for the first time, if only once",
}
DIFFERED = {
    "insertion_pain": "pain at insertion, before any solution flows",
    "control_tooth": "how often the control tooth, outside the numb field, stopped feeling",
    "control_single": "how often the control tooth did not feel at a single test, which discards that of the target",
}
MEANS = {
    "insertion_pain": "Was the arm known to the operator or the patient?",
    "control_tooth": "Were both arms tested alike?",
    "control_single": "Were both arms tested alike?",
}
EXPECTED = "by chance alone this is expected in one of twenty such comparisons"


def negative_words(controls: tuple[NegativeControl, ...]) -> list[str]:
    """The caution of the first page, where an interval excludes no difference; without a number."""
    found = [c.outcome for c in controls if c.differs]
    if not found:
        return []
    asked = " ".join(dict.fromkeys(MEANS[name] for name in found))
    differed = listed([DIFFERED[name] for name in found])
    return [f"The arms differ in what the injection cannot change: {differed}; {EXPECTED}. {asked}"]


def negative_section(
    controls: tuple[NegativeControl, ...], protocol: Protocol, *, untold: tuple[str, ...] = ()
) -> Section | None:
    """The negative controls that were recorded, with what each means; nothing where there are none.

    ``untold`` are letters of a group's practices whose control teeth are not among them.
    """
    if not controls:
        return None
    labels = tuple(protocol.label(a) for a in protocol.arm_codes[:2])
    alike = (
        "In what the injection cannot change no difference between the arms is seen, as far as these cases tell."
        if any(isinstance(c.difference, Estimate) for c in controls)
        else "What the injection cannot change could not be compared between the arms."
    )
    return Section.of(
        "negative",
        "Checks of blinding and testing",
        negative_words(controls) or alike,
        Table.of(
            "Negative controls",
            ("", *labels, f"difference, {level(protocol.plan.conf_level)} interval"),
            [(WHAT[c.outcome], *_arms(c), _difference(c.difference)) for c in controls],
            f"Difference: {labels[1]} less {labels[0]}, within practices; of tests in percentage points. A test of the "
            "control tooth counts where it could have been the first of those that make an onset; how long a tooth was "
            f"tested does not matter. {capital(EXPECTED)}.",
            _untold(controls, untold),
        ),
    )


def _untold(controls: tuple[NegativeControl, ...], untold: tuple[str, ...]) -> str:
    """Whose control teeth are missing from the line on them, where there is one."""
    if not untold or all(c.outcome != "control_tooth" for c in controls):
        return ""
    whose = f"{'practice' if len(untold) == 1 else 'practices'} {listed(untold)}"
    return f"Control teeth of {whose} are not counted: no file tells of them up to this quarter."


def _arms(control: NegativeControl) -> list[str]:
    found = [f"{e.n.onsets} of {e.n.cases}" for e in control.arms if isinstance(e, Estimate)]
    return found if len(found) == 2 else [NONE, NONE]


def _difference(e: EstimateLike) -> str:
    if isinstance(e, NotAvailable):
        return tidy(e.reason)
    return value_text(e, factor=100) if e.unit == "proportion" else f"{value_text(e)} {e.unit}"
