"""Whether time at the chair was given back, and what it cost."""

from __future__ import annotations

import math

from onsetstudy.core.claims import Claim
from onsetstudy.core.quantities import QUANTITIES
from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.outcomes.chair_results import ChairTime
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import level_of, limits_cell, share_limits, two_cells
from onsetstudy.report.document import Section, Table, notes_of
from onsetstudy.report.figures import visit
from onsetstudy.report.numbers import counted, decimal, interval, percent
from onsetstudy.report.sentences import ALLOWED, NOT_ALLOWED, sentence


def chair_section(chair: ChairTime | None, protocol: Protocol, claim: Claim | None) -> Section | None:
    """Minutes saved, hours, money, and a visit as a line; nothing where the protocol states no caseload."""
    if chair is None or claim is None:
        return None
    # Caseload and costs alone are no finding: no empty figure, no table of dashes and prices.
    found = any(isinstance(e, Estimate) for e in (*chair.spent, chair.visit_difference))
    drawn = None
    if found and len(chair.stages) > 1:
        labels = {code: protocol.label(code) for code in protocol.arm_codes}
        caption = "Median minutes of each stage, one after another; a median visit, not any one case."
        drawn = visit.draw_figure(chair, labels).titled("timeline", "How is the time at the chair spent?", caption)
    return Section.of(
        "chair",
        "Whether time was given back",
        sentence(claim, protocol).text,
        _hours(chair, protocol, claim),
        drawn,
        _table(chair, protocol, claim) if found else None,
        notes_of(chair.caution),
    )


def _hours(chair: ChairTime, protocol: Protocol, claim: Claim) -> str:
    month, year = chair.hours_month, chair.hours_year
    if isinstance(month, NotAvailable) or isinstance(year, NotAvailable):
        return ""
    if month.interval.low == month.interval.high or not math.isfinite(month.interval.low):
        return ""
    if claim.bears is not None and claim.bears.side > 0:
        told = (
            f"{decimal(month.estimate)} hours a month ({interval(month.interval.low, month.interval.high)}) and "
            f"{decimal(year.estimate, 0)} a year ({interval(year.interval.low, year.interval.high, 0)})"
        )
    else:
        told = f"{_span(month, 1)} a month, and {_span(year, 0)} a year"
    used = ", if the minutes saved can be used" if month.interval.high > 0 else ""
    cases = f"At {chair.cases_per_month:g} such cases a month, all {protocol.label(protocol.contrast_arm)}"
    return f"{cases}, that is {told}{used}."


def _span(e: Estimate, places: int) -> str:
    """Limits of hours saved, with the direction of both."""
    word = QUANTITIES["chair_time_difference"].word
    low, high = (
        f"{decimal(abs(v), places)} hours {word(1 if v > 0 else -1)}" for v in (e.interval.low, e.interval.high)
    )
    return f"from {low} to {high}"


def _table(chair: ChairTime, protocol: Protocol, claim: Claim) -> Table:
    money = (("cost of a minute saved", chair.cost_per_minute), ("value of a case, material paid", chair.net_value))
    rows = [
        *((f"wait spent, {protocol.label(str(e.contrast))}", *two_cells(e, unit=" min")) for e in chair.spent),
        ("mixing", *two_cells(chair.mixing, unit=" min")),
        ("saved before mixing is paid for", *_saved(chair.difference_before_mixing)),
        ("saved", *_saved(claim.answer)),
        ("saved, whole visit from seated to dismissed", *_saved(chair.visit_difference)),
        *((f"waits used for another task, {protocol.label(str(e.contrast))}", *_share(e)) for e in chair.wait_used),
    ]
    if chair.break_even_min is not None:
        rows.append(("minutes that pay for the material", f"{decimal(chair.break_even_min)} min", "—"))
    rows += [(label, *_money(e)) for label, e in money if not (isinstance(e, NotAvailable) and e.code == "not_stated")]
    by_arm = " and ".join(f"{w.whole + w.at_least} of {w.cases} {protocol.label(w.arm)}" for w in chair.waits)
    return Table.of(
        "Time and money, for each case",
        ("what", "estimate", f"{level_of((*chair.spent, chair.difference))} interval"),
        rows,
        f"Waits are known of {by_arm} {counted(chair.n.cases, 'case').split()[-1]}.",
        "Caseload and costs are as the protocol states them; hours and money carry the limits of the minutes saved.",
        "" if claim.looks is None else f"Limits of these are those {ALLOWED}, the other limits {NOT_ALLOWED}.",
    )


def _saved(e: EstimateLike) -> tuple[str, str]:
    return two_cells(e, unit=" min", factor=QUANTITIES["chair_time_difference"].shown.factor)


def _share(e: EstimateLike) -> tuple[str, str]:
    if isinstance(e, NotAvailable):
        return two_cells(e)
    n = e.n.arm(str(e.contrast)).onsets
    return percent(e.estimate, n), share_limits(e, n)


def _money(e: EstimateLike) -> tuple[str, str]:
    if isinstance(e, NotAvailable):
        return e.reason, f"at least {decimal(e.bound.low, 2)}" if e.bound else "—"
    return f"{decimal(e.estimate, 2)} {e.unit}", limits_cell(e.interval.low, e.interval.high, 2)
