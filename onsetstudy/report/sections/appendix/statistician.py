"""Rules, tests, methods and digests, for whoever signs."""

from __future__ import annotations

from onsetstudy.core.results import NOT_INDEPENDENT, HypothesisTest, NotAvailable
from onsetstudy.report.document import Heading, Pairs, Paragraph, Section
from onsetstudy.report.numbers import decimal, p_equals
from onsetstudy.report.sections.appendix import numbers_in_full
from onsetstudy.report.sections.blocks import curves_block
from onsetstudy.study.practice.results import StudyResults

__all__ = ["statistician_section"]

LAST_PAGE_CURVES = 1.7


def statistician_section(results: StudyResults) -> Section:
    """Rules, test, curve of the proportion not yet numb, every number, digests."""
    protocol, test = results.protocol, results.overall.onset_test
    rules = (
        "Onset is interval-censored, in (left, right]: after the last valid cold test that was felt, not later than "
        f"the first of {protocol.onset.confirmations} consecutive valid tests that were not. Numb at the first test: "
        "left is 0. Not numb while tested: right is infinite. A supplemental injection before onset is taken as "
        f"{protocol.rescue.success} for proportions, as {protocol.rescue.wait} for waits and as "
        f"{protocol.rescue.hazard} for the hazard ratio."
    )
    if protocol.schedule.window_min is not None:
        rules += (
            " A test stands at the planned minute that it answers for, at most "
            f"{protocol.schedule.window_min:g} min away, whenever in that window it was done."
        )
    title = "Proportion not yet numb (onset survival curve)"
    tables = (
        numbers_in_full.claims_table(results),
        numbers_in_full.numbers_table(results),
        numbers_in_full.methods_table(results),
        numbers_in_full.assumptions_table(results),
        numbers_in_full.diagnostics_table(results),
        numbers_in_full.certificate_table(results),
    )
    provenance = results.provenance
    ledger = (("Ledger of the study, last entry", provenance.ledger_head),) if provenance.ledger_head else ()
    origin = (
        *ledger,
        ("Protocol, SHA-256", provenance.protocol_digest),
        ("Records, SHA-256", provenance.records_digest),
        ("Seed", f"{provenance.seed}"),
        ("Versions", ", ".join(f"{name} {version}" for name, version in provenance.versions)),
    )
    return Section.of(
        "statistician",
        "For the statistician",
        Paragraph(text=rules),
        None if isinstance(test, NotAvailable) else Paragraph(text=_test_of_onset(test)),
        curves_block(results, name="falling", title=title, height=LAST_PAGE_CURVES, falling=True),
        *(table for table in tables if table is not None and table.rows),
        Heading(text="Where the numbers come from"),
        Pairs(rows=origin),
    )


def _test_of_onset(test: HypothesisTest) -> str:
    """The test with its P value, or why that is not given."""
    if test.p_shown is None:
        why = next(c.text for c in test.caution if c.code == NOT_INDEPENDENT)
        return f"Test of onset: {test.method}. {why}"
    statistic, p = decimal(test.statistic, 2), p_equals(test.p_shown)
    return f"Test of onset: {test.statistic_name} = {statistic}, p {p}; {test.method}."
