"""Rules, every estimate with how it was computed and what it rests on, proof that fits are done, and digests."""

from __future__ import annotations

import re

import pandas as pd

from onsetstudy.core.quantities import QUANTITIES as TABLE
from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import NOT_INDEPENDENT, Assumption, Estimate, HypothesisTest, NotAvailable
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.results import shut
from onsetstudy.report.cells import NONE, reason_of, spanned, value_text
from onsetstudy.report.claims_told import looks_note
from onsetstudy.report.document import Figure, Heading, Pairs, Section, Table
from onsetstudy.report.figures import schedule
from onsetstudy.report.names import plain_words
from onsetstudy.report.numbers import aligned, capital, decimal, level, p_equals, p_text, tidy, uncapital
from onsetstudy.report.sections.blocks import curves_block
from onsetstudy.report.sentences import short_value, without_looks
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.results import Diagnostics, Population
from onsetstudy.survival.results import ProportionalityCheck

LAST_PAGE_CURVES = 1.7
QUANTITIES = {
    "hazard_ratio": "Hazard ratio",
    "success_by_target": "Numb by the target",
    "success_difference": "Numb by the target",
    "rmst": "Restricted mean time to onset",
    "rmst_difference": "Restricted mean time to onset",
    "not_numb": "Not numb to the end of testing",
    "not_numb_difference": "Not numb to the end of testing",
    "pain_shift": "Pain, shift",
    "pain_difference": "Pain, difference of means",
    "treatment_success": "Successful treatments",
    "treatment_success_difference": "Successful treatments",
    "probability_of_superiority": "Less pain in a pair",
    "onset_test": "Test of onset",
    "pain_test": "Test of pain",
}


def statistician_section(results: StudyResults) -> Section:
    """Rules, test, the curve where page 1 keeps it back, every number, digests."""
    protocol, test = results.protocol, results.overall.onset_test
    rules = (
        "Onset is interval-censored, in (left, right]: after the last valid cold test that was felt, not later than "
        f"the first of {protocol.onset.confirmations} consecutive valid tests that were not. Numb at the first test: "
        "left is 0. Not numb while tested: right is infinite. A supplemental injection before onset is taken as "
        f"{plain_words(protocol.rescue.success)} for proportions, as {plain_words(protocol.rescue.wait)} for waits and "
        f"as {plain_words(protocol.rescue.hazard)} for the hazard ratio."
    )
    if protocol.schedule.window_min is not None:
        rules += (
            " A test stands at the planned minute that it answers for, at most "
            f"{protocol.schedule.window_min:g} min away, whenever in that window it was done."
        )
    p = results.provenance
    origin = (
        *([("Ledger of the study, last entry", p.ledger_head)] if p.ledger_head else ()),
        ("Protocol, SHA-256", p.protocol_digest),
        ("Records, SHA-256", p.records_digest),
        ("Seed", f"{p.seed}"),
        ("Versions", ", ".join(f"{name} {version}" for name, version in p.versions)),
    )
    return Section.of(
        "statistician",
        "For the statistician",
        rules,
        None if isinstance(test, NotAvailable) else _test_of_onset(test),
        curves_block(results, height=LAST_PAGE_CURVES) if shut(results.doubts) else None,
        claims_table(results),
        _numbers_table(results),
        _methods_table(results),
        _assumptions_table(results),
        _diagnostics_table(results.diagnostics) if results.diagnostics is not None else None,
        _minutes_of_tests(results),
        _certificate_table(results),
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


def claims_table(results: StudyResults) -> Table:
    """Every number that page 1 may show, from the same claims, with the interval that allows for the looks."""
    return Table.of(
        "What is claimed",
        ("", "as shown", "of"),
        ((c.quantity.name, short_value(c) or NONE, c.population) for c in results.claims.page_one()),
        "Times are shown as minutes saved: above 0 the other arm took less.",
        looks_note(results.claims.primary()),
        align="lrl",
    )


def _numbers_table(results: StudyResults) -> Table:
    """Every estimate of all cases, for the statistician."""
    population, protocol = results.overall, results.protocol
    columns = ["quantity", "contrast", "unit", "estimate", "conf_low", "conf_high", "p_value"]
    rows = []
    for quantity, of, unit, *numbers, p in population.to_frame()[columns].itertuples(index=False):
        value, low, high = numbers
        places = 2 if unit in ("min", "mm", "points") else 3
        if _turned(quantity) and not pd.isna(value):
            value, low, high = quantity_of(quantity).as_shown(*numbers)
        rows.append(
            (
                QUANTITIES.get(quantity, plain_words(quantity)),
                "" if pd.isna(of) else _of(of, protocol),
                # A large number, such as a sum of ranks, has no decimals.
                NONE if pd.isna(value) else decimal(value, 0 if abs(value) >= 1000 else places),
                "" if pd.isna(low) else decimal(low, places),
                "" if pd.isna(high) else decimal(high, places),
                "" if pd.isna(p) else p_text(p),
                NONE if pd.isna(value) and unit != "proportion" else f"{unit} saved" if _turned(quantity) else unit,
            )
        )
    names, of_what, *numbers, p_values, units = zip(*rows, strict=True)
    return Table.of(
        f"Every estimate. {population.label}",
        ("", "of", "estimate", "from", "to", "p", "unit"),
        zip(names, of_what, *map(aligned, numbers), p_values, units, strict=True),
        f"From, to: {level(protocol.plan.conf_level)} interval{without_looks(results.looks)}; p likewise, and one "
        "that the plan does not ask for describes and decides nothing. Differences of times are minutes saved: above 0 "
        "the other arm took less.",
        *_clustered(population),
        align="llrrrrl",
    )


def _turned(quantity: str) -> bool:
    """Whether readers are shown a quantity the other way round, such as minutes saved."""
    return quantity in TABLE and quantity_of(quantity).shown.factor < 0


def _clustered(population: Population) -> tuple[str, ...]:
    """What stands with the interval of the ratio where cases repeat within clusters."""
    codes = {"clusters_too_narrow": "Hazard ratio: ", NOT_INDEPENDENT: "Log-rank test: "}
    return tuple(
        codes[c.code] + tidy(c.text if c.code == NOT_INDEPENDENT else uncapital(c.text))
        for result in (population.hazard_ratio, population.onset_test)
        if not isinstance(result, NotAvailable)
        for c in result.caution
        if c.code in codes
    )


def _of(contrast: str, protocol: Protocol) -> str:
    """``buffered - plain`` as ``buffered less not buffered``."""
    for sign, said in ((" - ", " less "), (" / ", " / ")):
        if sign in contrast:
            return said.join(protocol.label(arm) for arm in contrast.split(sign))
    return protocol.label(contrast)


def _methods_table(results: StudyResults) -> Table:
    """How each number was computed, and after whom."""
    population = results.overall
    pain = population.pain
    found = [population.hazard_ratio, population.onset_test, population.success_difference, population.wait_difference]
    found += [] if population.treatment_difference is None else [population.treatment_difference]
    found += [] if isinstance(pain, NotAvailable) else [pain.shift, pain.superiority, pain.test]
    rows = []
    for result in (each for each in found if not isinstance(each, NotAvailable)):
        method = f"{result.method}; {result.interval.method}" if isinstance(result, Estimate) else result.method
        # A source may be a key such as ``sun_1996``: as author and year.
        source = result.source
        cited = plain_words(source).capitalize() if re.fullmatch(r"[a-z_]+_\d{4}", source) else source
        rows.append((QUANTITIES.get(result.quantity, result.quantity), method, cited))
    return Table.of("How it was computed", ("", "method", "after"), rows, align="lll")


def _assumptions_table(results: StudyResults) -> Table:
    """What the results rest on, and in what state each assumption is."""
    of = results.overall
    seen: dict[str, Assumption] = {}
    for result in (of.hazard_ratio, of.onset_test, of.wait_difference, of.success_difference, of.pain):
        for assumption in result.assumptions:
            seen.setdefault(assumption.name.replace("_", " "), assumption)
    rows = tuple((capital(name), a.status, a.detail) for name, a in sorted(seen.items()))
    return Table.of("What it rests on", ("assumption", "state", "what it says"), rows, align="lll")


def _certificate_table(results: StudyResults) -> Table:
    """Proof that the curves are at their optimum."""
    rows = []
    known = [(c.arm, c.curve) for c in results.overall.curves if not isinstance(c.curve, NotAvailable)]
    for arm, curve in known:
        c = curve.certificate
        gap = "below 1e-12" if c.gap < 1e-12 else f"{c.gap:.1e}"
        sizes = (c.iterations, curve.mass.size, int((curve.determined < 0.5).sum()))
        rows.append((results.protocol.label(arm), gap, f"{c.tolerance:.0e}", *map(str, sizes)))
    return Table.of(
        "Certificates of the curves: Kuhn–Tucker gap relative to the number of cases",
        ("curve", "gap", "at most", "iterations", "intervals with mass", "masses not unique"),
        rows,
        "At the optimum no mass can be moved to where it would make the data likelier.",
    )


def _diagnostics_table(found: Diagnostics) -> Table:
    """What was found when the assumptions were looked at."""
    same, road, alike = found.proportionality, found.grouped_ratio, found.schedule
    asked = (
        "Is the hazard ratio the same at all times?",
        "Does another road lead to the same ratio?",
        "Were the arms tested alike?",
    )
    told = (
        f"Not tested: {reason_of(same)}." if isinstance(same, NotAvailable) else _proportionality(same),
        f"Not taken: {reason_of(road)}."
        if isinstance(road, NotAvailable)
        else f"{value_text(road, 2)}, on the planned gaps and without strata: {road.method}.",
        f"Not looked at: {reason_of(alike)}."
        if isinstance(alike, NotAvailable)
        else f"Minutes of the first tests compared between the arms: p {p_equals(alike.test.p_value)}.",
    )
    return Table.of("Assumptions looked at", ("question", "what was found"), zip(asked, told, strict=True), align="ll")


def _minutes_of_tests(results: StudyResults) -> Figure | None:
    """When the first tests of each arm were done, where the arms could be compared."""
    rows, protocol = schedule.data_for(results), results.protocol
    if not rows:
        return None
    labels = {code: protocol.label(code) for code in protocol.arm_codes}
    caption = "Median and middle half of the minutes of each arm's first tests, among the cases that reached them."
    return schedule.draw_figure(rows, labels).titled("schedule", "Were the arms tested alike?", caption)


def _proportionality(check: ProportionalityCheck) -> str:
    parts = [
        f"{spanned(s.ratio, s.conf_low, s.conf_high, 2)} "
        + (f"from {s.from_min:g} min on" if s.to_min == float("inf") else f"up to {s.to_min:g} min")
        for s in check.stretches
    ]
    few = "".join(check.test.method.partition("; ")[1:])
    p = p_equals(check.test.p_value)
    return f"By stretch of time: {', '.join(parts)}. Test of one ratio throughout: p {p}{few}."
