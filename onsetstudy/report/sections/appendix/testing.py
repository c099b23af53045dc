"""Whether arms were tested alike: what the injection cannot change, and the answer if cold tests erred."""

from __future__ import annotations

from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import NONE, share_text, spanned, value_text
from onsetstudy.report.document import Section, Table
from onsetstudy.report.numbers import capital, decimal, level, listed, tidy
from onsetstudy.study.results import ColdTestErrors, ErrorRow, NegativeControl

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


CORRELATED = (
    "Where some teeth err again and again instead of all teeth now and then, the grid takes too many of them for "
    "numb: in simulated studies of 40 cases an arm it put the wait of an arm up to half a minute too short, while the "
    "difference between arms that err alike held. Arms that err unlike are not allowed for."
)
"""From tests/simulation/erring_tests.csv."""


def cold_test_section(errors: ColdTestErrors | None, protocol: Protocol) -> Section | None:
    """Wait and proportion numb for each sensitivity and specificity; nothing where there is no grid."""
    if errors is None:
        return None
    target, tau = protocol.onset.target_min, protocol.onset.tau_min
    return Section.of(
        "test_errors",
        "If a cold test errs",
        _words(errors),
        Table.of(
            f"Numb by {target:g} min, and minutes saved up to {tau:g}, if a cold test errs",
            ("sensitivity", "specificity", *map(protocol.label, protocol.arm_codes[:2]), "minutes saved"),
            (_row(row) for row in errors.rows),
            "Lowest values: 54 teeth with pulpitis, cold against painless access (El Sayed and Gaballah 2021); 1: a "
            "test that never errs; between them a choice. Errors are taken as independent. Whole arms, not within "
            "practices or patients; tests on their planned minutes; a supplement ends the follow-up; cases last felt "
            "shortly before a minute count as the curve has them, also where page 1 counts them as not numb by then. "
            "The grid shows how far errors could move the answer.",
            f"{level(errors.conf_level)} intervals by profile likelihood: of chance alone, with sensitivity and "
            "specificity taken as known; looks are not allowed for."
            if any(row.difference_limits is not None for row in errors.rows)
            else "",
            "Sensitivity: of tests of numb teeth, those not felt; specificity: of tests of teeth not numb, those felt.",
            *(f"{NONE}: {reason}." for reason in dict.fromkeys(row.reason for row in errors.rows if row.reason)),
        ),
        CORRELATED,
    )


def erring_in_practices() -> Section:
    """Where a group, whose files hold no single test, finds the grid."""
    return Section.of(
        "test_errors",
        "If a cold test errs",
        "Each practice's own report, which has every test, shows how far errors could move its answer, where both arms "
        "have enough cases.",
    )


def _row(row: ErrorRow) -> tuple[str, ...]:
    specificity = f"{row.specificity:.3g}{' (control teeth)' if row.from_control else ''}"
    head = (f"{row.sensitivity:.3g}", specificity)
    if row.difference is None:
        return (*head, NONE, NONE, NONE)
    low, high = row.difference_limits or (row.difference, row.difference)
    saved = quantity_of("rmst_difference").as_shown(row.difference, low, high)
    told = decimal(saved.value) if row.difference_limits is None else spanned(*saved)
    limits = row.numb_limits or (None,) * len(row.numb)
    return (*head, *(_share(*ends, span) for ends, span in zip(row.numb, limits, strict=True)), told)


def _share(low: float, high: float, limits: tuple[float, float] | None) -> str:
    """A proportion, or both bounds where the tests do not tell, with its interval."""
    one = round(100 * low) == round(100 * high)
    told = f"{100 * low:.0f} %" if one else f"{100 * low:.0f} to {100 * high:.0f} %"
    return told if limits is None else f"{told} ({100 * limits[0]:.0f} to {100 * limits[1]:.0f})"


def _words(errors: ColdTestErrors) -> str:
    share = errors.false_not_felt
    if not isinstance(share, Estimate):
        return (
            "No control tooth tells how often a tooth that feels was said not to; published values are tried instead."
        )
    n = share.n
    return (
        f"Control teeth, which are not numb, were said not to feel in {n.onsets} of {n.cases} tests, "
        f"{share_text(share, n.cases)}. How often a numb tooth is said to feel they cannot tell; published values are "
        "tried."
    )
