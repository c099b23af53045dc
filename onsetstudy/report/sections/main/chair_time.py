"""Whether time at the chair was given back, and what it cost."""

from __future__ import annotations

from onsetstudy.core.claims import Claim
from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.outcomes.chair_results import ChairTime
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import two_cells
from onsetstudy.report.document import Block, Paragraph, Section, Table, notes_of
from onsetstudy.report.figures import visit
from onsetstudy.report.numbers import counted, decimal, interval, level, percent, percent_interval
from onsetstudy.report.sentences import sentence

__all__ = ["chair_section"]


def chair_section(chair: ChairTime | None, protocol: Protocol, claim: Claim | None) -> Section | None:
    """Minutes saved, hours, money, and a visit as a line; nothing where the protocol states no caseload."""
    if chair is None or claim is None:
        return None
    blocks: list[Block] = [Paragraph(text=text) for text in _said(chair, protocol, claim)]
    # Caseload and costs alone are no finding: no empty figure, no table of dashes and prices.
    if any(isinstance(e, Estimate) for e in (*chair.spent, chair.visit_difference)):
        if len(chair.stages) > 1:
            labels = {code: protocol.label(code) for code in protocol.arm_codes}
            title = "How is the time at the chair spent?"
            caption = "Median minutes of each stage, one after another; a median visit, not any one case."
            blocks.append(visit.draw_figure(chair, labels).titled("timeline", title, caption))
        blocks.append(_table(chair, protocol))
    return Section.of("chair", "Whether time was given back", *blocks, *notes_of(chair.caution))


def _said(chair: ChairTime, protocol: Protocol, claim: Claim) -> list[str]:
    texts = [sentence(claim, protocol).text]
    other = protocol.label(protocol.contrast_arm)
    hours = chair.hours_month
    if isinstance(hours, Estimate) and isinstance(chair.hours_year, Estimate):
        year = chair.hours_year
        texts.append(
            f"At {chair.cases_per_month:g} such cases a month, all {other}, that is {decimal(hours.estimate)} hours a "
            f"month ({interval(hours.interval.low, hours.interval.high)}) and {decimal(year.estimate, 0)} a year "
            f"({interval(year.interval.low, year.interval.high, 0)}), if the minutes saved can be used."
        )
    return texts


def _table(chair: ChairTime, protocol: Protocol) -> Table:
    rows = [(f"wait spent, {protocol.label(str(e.contrast))}", *_minutes(e)) for e in chair.spent]
    rows.append(("mixing", *_minutes(chair.mixing)))
    rows.append(("saved before mixing is paid for", *_saved(chair.difference_before_mixing)))
    rows.append(("saved", *_saved(chair.difference)))
    rows.append(("saved, whole visit from seated to dismissed", *_saved(chair.visit_difference)))
    rows += [(f"waits used for another task, {protocol.label(str(e.contrast))}", *_share(e)) for e in chair.wait_used]
    if chair.break_even_min is not None:
        rows.append(("minutes that pay for the material", f"{decimal(chair.break_even_min)} min", "—"))
    money = (("cost of a minute saved", chair.cost_per_minute), ("value of a case, material paid", chair.net_value))
    rows += [(label, *_money(e)) for label, e in money if not (isinstance(e, NotAvailable) and e.code == "not_stated")]
    by_arm = " and ".join(f"{w.whole + w.at_least} of {w.cases} {protocol.label(w.arm)}" for w in chair.waits)
    conf = next((e.interval.level for e in (*chair.spent, chair.difference) if isinstance(e, Estimate)), 0.95)
    return Table.of(
        "Time and money, for each case",
        ("what", "estimate", f"{level(conf)} interval"),
        rows,
        f"Waits are known of {by_arm} {counted(chair.n.cases, 'case').split()[-1]}.",
        "Caseload and costs are as the protocol states them; hours and money carry the limits of the minutes saved.",
    )


def _minutes(e: EstimateLike) -> tuple[str, str]:
    return two_cells(e, unit=" min")


def _saved(e: EstimateLike) -> tuple[str, str]:
    if isinstance(e, NotAvailable):
        return _minutes(e)
    seen = quantity_of(e.quantity).as_shown(e.estimate, e.interval.low, e.interval.high)
    return two_cells(e, seen, unit=" min")


def _share(e: EstimateLike) -> tuple[str, str]:
    if isinstance(e, NotAvailable):
        return _minutes(e)
    n = int(e.method.split()[2])
    return percent(e.estimate, n), percent_interval(e.interval.low, e.interval.high, n)


def _money(e: EstimateLike) -> tuple[str, str]:
    if isinstance(e, NotAvailable):
        return e.reason, f"at least {decimal(e.bound.low, 2)}" if e.bound else "—"
    return f"{decimal(e.estimate, 2)} {e.unit}", interval(e.interval.low, e.interval.high, 2)
