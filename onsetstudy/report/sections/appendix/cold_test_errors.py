"""What the answer would be if cold tests erred, over published values."""

from __future__ import annotations

from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Estimate
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import NONE, share_text, spanned
from onsetstudy.report.document import Section, Table
from onsetstudy.report.numbers import decimal, level
from onsetstudy.study.results import ColdTestErrors, ErrorRow

__all__ = ["cold_test_section"]

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
    labels = tuple(protocol.label(a) for a in protocol.arm_codes[:2])
    target, tau = protocol.onset.target_min, protocol.onset.tau_min
    return Section.of(
        "test_errors",
        "If a cold test errs",
        _words(errors),
        Table.of(
            f"Numb by {target:g} min, and minutes saved up to {tau:g}, if a cold test errs",
            ("sensitivity", "specificity", *labels, "minutes saved"),
            (_row(row) for row in errors.rows),
            "Lowest values: 54 teeth with pulpitis, cold against painless access (El Sayed and Gaballah 2021); 1: a "
            "test that never errs; between them a choice. Errors are taken as independent. Whole arms, not within "
            "practices; tests on their planned minutes; a supplement ends the follow-up. The grid shows how far errors "
            "could move the answer.",
            f"{level(errors.conf_level)} intervals by profile likelihood: of chance alone, with sensitivity and "
            "specificity taken as known; looks are not allowed for."
            if any(row.difference_limits is not None for row in errors.rows)
            else "",
            "Sensitivity: of tests of numb teeth, those not felt; specificity: of tests of teeth not numb, those felt.",
            "From counted onset intervals: tests before the last that was felt count in whatever order the rule "
            "allows, and as done. A practice's own report has every test, and may differ in the last digit."
            if errors.from_intervals
            else "",
            *(f"{NONE}: {reason}." for reason in dict.fromkeys(row.reason for row in errors.rows if row.reason)),
        ),
        CORRELATED,
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
