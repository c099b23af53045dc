"""Tables of a report: results in, texts out."""

from __future__ import annotations

import re
from collections.abc import Callable

from onsetstudy.core.results import EstimateLike, NotAvailable
from onsetstudy.report.cells import NONE, points_text, reason_text, reasons_of, share_text, value_text
from onsetstudy.report.document import Flow, FlowStep, Table
from onsetstudy.report.names import plain_words
from onsetstudy.report.numbers import THIN, aligned, decimal, level, listed, percent, places_for, tidy
from onsetstudy.report.sentences import ALLOWED, estimate_shown, short_value, without_looks
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.results import MoreNeeded, Population

__all__ = [
    "balance_table",
    "flow",
    "main_table",
    "more_table",
    "notices_table",
    "periods_table",
    "reasons_table",
    "techniques_table",
]

VARIABLES = {
    "practice_id": "Practice",
    "procedure": "Treatment",
    "technique": "Technique",
    "pulp_status": "Pulp",
    "agent": "Anaesthetic",
    "vasoconstrictor": "Vasoconstrictor",
    "topical": "Topical anaesthetic",
    "age_band": "Age, years",
    "volume_ml": "Volume, mL",
    "anxiety_before": "Anxiety before",
    "mixed_to_injection_min": "Mixing to injection, min",
    "weight_kg": "Weight, kg",
}
STAGES = {
    "assessed": "assessed for eligibility",
    "included": "included",
    "recorded": "rows read",
    "accepted": "accepted",
    "eligible": "eligible under the protocol",
    "analysed": "analysed",
}


def _whole(text: str) -> str:
    """A cell that breaks before its bracket, if at all."""
    return re.sub(r" (?=(of|to|SD)\b)|(?<=\b(of|to|SD)) ", "\u00a0", text)


def _arms(results: StudyResults) -> tuple[str, ...]:
    return tuple(results.protocol.label(code) for code in results.protocol.arm_codes)


def flow(results: StudyResults) -> Flow:
    """From rows read to cases analysed, each loss with its reason."""
    codes = results.protocol.arm_codes
    steps = []
    for stage in (*results.flow.screening, *results.flow.stages):
        per_arm = {a.arm: a.cases for a in stage.by_arm}
        steps.append(
            FlowStep(
                label=STAGES.get(stage.name, stage.name),
                count=f"{stage.count}",
                arms=tuple(f"{per_arm[c]} {results.protocol.label(c)}" for c in codes if c in per_arm),
                lost=tuple((f"{r.count}", f"left out: {r.text}") for r in stage.lost),
                noted=tuple((f"{r.count}", f"of these, analysed all the same: {r.text}") for r in stage.noted),
            )
        )
    return Flow(caption="From the rows read to the cases analysed", steps=tuple(steps))


def balance_table(results: StudyResults) -> Table:
    """Cases by arm with standardised differences."""
    found = results.arm_table.rows
    differences = [NONE if (d := row.standardised_difference) is None else decimal(d, 2) for row in found]
    rows: list[tuple[str, ...]] = []
    heads: set[str] = set()
    before = ""
    for row, difference in zip(found, aligned(differences), strict=True):
        name = VARIABLES.get(row.variable, plain_words(row.variable))
        head = name if row.level else "Measures"
        if (row.level and row.variable != before) or (not row.level and head not in heads):
            rows.append((head,))
            heads.add(head)
        before = row.variable
        label = plain_words(row.level) if row.level else name
        rows.append((label, *(_whole(_arm_cell(cell, row.level)) for cell in row.cells), difference))
    arms = _arms(results)
    return Table.of(
        "Who was in the arms",
        ("", *arms, "standardised difference"),
        rows,
        f"Standardised difference: {arms[1]} less {arms[0]}, in standard deviations; beyond about 0.2 (common "
        "practice, no source) a difference is worth a thought. No p-values: chance alone makes arms differ. "
        "Measures are means with standard deviation (SD) and how many cases have them.",
    )


def _arm_cell(cell: tuple[int | None, int | None, float | None, float | None], of_level: str) -> str:
    count, of, mean, sd = cell
    if mean is not None:
        spread = f" (SD {decimal(sd)})" if sd is not None else ""
        return f"{decimal(mean)}{spread}, {count} of {of}"
    if of_level == "":
        return "none recorded"
    share = f" ({percent((count or 0) / of, of)})" if of else ""
    return f"{count} of {of}{share}"


def _found(population: Population, results: StudyResults, estimates: tuple[EstimateLike, ...]) -> tuple[str, ...]:
    """How many cases a test decided, of how many."""
    return tuple(
        NONE if isinstance(e, NotAvailable) else f"{e.n.arm(code).onsets} of {population.n.arm(code).cases}"
        for code, e in zip(results.protocol.arm_codes, estimates, strict=False)
    )


def _claimed(results: StudyResults, key: str) -> str:
    """A difference as its claim has it: the number of the first page."""
    claim = results.claims.get(key)
    return (short_value(claim, unit="") if claim is not None else "") or NONE


def main_table(results: StudyResults) -> Table:
    """The main results, arm beside arm, with their difference."""
    protocol, population = results.protocol, results.overall
    target, horizon = protocol.onset.target_min, protocol.onset.tau_min
    arms = _arms(results)[:2]
    rows: list[tuple[str, ...]] = []
    for name, shares, key in (
        (f"Numb by {target:g} min", population.success, "success_difference"),
        (f"Not numb within {horizon:g} min", population.never_numb, "not_numb_difference"),
    ):
        rows.append((name, *map(share_text, shares), _claimed(results, key)))
        rows.append(("– found so by a test", *_found(population, results, shares), ""))
    waits = (value_text(e) for e in population.wait)
    wait = f"Restricted mean time to onset, up to {horizon:g} min"
    rows.append((wait, *waits, _claimed(results, "rmst_difference")))
    rows.append(("Hazard ratio", "1", _claimed(results, "hazard_ratio"), ""))
    differences = (population.success_difference, population.never_numb_difference, population.wait_difference)
    said = dict.fromkeys(tidy(c.text) for e in differences for c in e.caution)
    return Table.of(
        "Arm beside arm",
        ("", *arms, "difference"),
        [(first, *map(_whole, cells)) for first, *cells in rows],
        f"Estimates with {level(protocol.plan.conf_level)} intervals; the first injection alone. Differences"
        f"{'' if results.looks is None else f' and the ratio have intervals {ALLOWED}; they'} are "
        f"{arms[1]} less {arms[0]}, of proportions in percentage points; of times to onset they are minutes saved. "
        "A case whose gap between two tests spans the minute counts with the proportion that the whole curve gives it: "
        "proportions and counts of tests differ a little.",
        *sorted(reasons_of((*differences, population.hazard_ratio))),
        " ".join(said),
    )


def periods_table(results: StudyResults) -> Table:
    """Quarter by quarter, and all to date."""
    protocol = results.protocol
    rows = []
    for population in (*results.by_quarter, results.overall):
        name = "All to date" if population.dimension == "overall" else population.level
        if population.level == results.quarter:
            name += ", this quarter"
        shares = [
            f"{_whole(share_text(e))} of\u00a0{cases}" if (cases := population.n.arm(code).cases) else "no case"
            for code, e in zip(protocol.arm_codes, population.success, strict=False)
        ]
        rows.append((name, *shares, _whole(points_text(population.success_difference))))
    return Table.of(
        f"Numb by {protocol.onset.target_min:g} min, quarter by quarter",
        ("", *_arms(results)[:2], "difference, percentage points"),
        rows,
        f"With {level(protocol.plan.conf_level)} intervals{without_looks(results.looks)}.",
        f"{NONE}: cannot be estimated from these cases." if any(NONE in c for r in rows for c in r) else "",
        strong=(len(rows) - 1,),
    )


def techniques_table(results: StudyResults) -> Table:
    """The main results technique by technique."""
    protocol = results.protocol
    target, horizon = protocol.onset.target_min, protocol.onset.tau_min
    rows: list[tuple[str, ...]] = []
    wanting: list[object] = []
    for population in results.by_technique:
        sizes = [f"{population.n.arm(code).cases} {protocol.label(code)}" for code in protocol.arm_codes[:2]]
        rows.append((f"{plain_words(population.level)}: {listed(sizes)} cases",))
        pain = population.pain
        found: tuple[tuple[str, tuple[EstimateLike, ...], EstimateLike, Callable[[EstimateLike], str]], ...] = (
            (f"Numb by {target:g} min", population.success, population.success_difference, share_text),
            (f"Not numb within {horizon:g} min", population.never_numb, population.never_numb_difference, share_text),
            ("Restricted mean time to onset, min", population.wait, population.wait_difference, value_text),
        )
        if all(isinstance(difference, NotAvailable) for _, _, difference, _ in found):
            reason = getattr(population.wait_difference, "reason", "")
            rows.append((f"not compared: {reason_text(reason)}", "", "", ""))
            continue
        for name, arms, difference, show in found:
            last = estimate_shown(difference) or NONE
            rows.append((name, *(_whole(show(e)) for e in arms[:2]), _whole(last)))
        rows.append(("Hazard ratio", "1", _whole(_near(population.hazard_ratio, 1.0, 2)), ""))
        if not isinstance(pain, NotAvailable):
            base = 1 if pain.unit == "points" else 0
            rows.append((f"Pain by ranks, shift in {pain.unit}", "", "", _whole(_near(pain.shift, 0.0, base))))
        wanting += (*(d for _, _, d, _ in found), population.hazard_ratio, getattr(pain, "shift", pain))
    return Table.of(
        "Technique by technique",
        ("", *_arms(results)[:2], "difference"),
        rows,
        f"With {level(protocol.plan.conf_level)} intervals{without_looks(results.looks)}. Differences of "
        "proportions are in percentage points; of times to onset they are minutes saved.",
        *reasons_of(wanting),
    )


def _near(e: EstimateLike, landmark: float, base: int) -> str:
    """An estimate with as many decimals as keep it and its limits apart from a landmark."""
    if isinstance(e, NotAvailable):
        return NONE
    return value_text(e, places_for((e.estimate, e.interval.low, e.interval.high), (landmark,), base=base))


def more_table(more: MoreNeeded) -> Table:
    """What has been seen beside what the plan's effect asks for."""
    effect = more.effect or f"a hazard ratio of {more.hazard_ratio:g}"
    rows = [("Cases analysed", f"{more.cases_seen}", NONE if more.cases_needed is None else f"{more.cases_needed}")]
    if more.events_needed is not None:
        rows.insert(0, ("Teeth seen to go numb", f"{more.events_seen}", f"{more.events_needed}"))
    return Table.of(
        "Seen so far, and needed",
        ("", "seen", "needed"),
        rows,
        f"For {tidy(effect)}, {100 * more.power:.0f}{THIN}% power of the {more.test} at a two-sided level of "
        f"{100 * more.alpha:.2g}{THIN}%. {more.source[:1].upper()}{more.source[1:]}.",
        f"{NONE}: cannot be told before a tooth has been seen to go numb." if more.cases_needed is None else "",
    )


def notices_table(results: StudyResults) -> Table | None:
    """What was refused, queried and read although unusual, and how the testing went."""
    quality = results.data_quality
    rows: list[tuple[str, ...]] = []
    for name, notices in (
        ("Refused", quality.refused),
        ("Read, but to be looked at", quality.queried),
        ("Read although written in another way", quality.repaired),
        ("How the testing went", quality.testing),
    ):
        if notices:
            rows += [(name,), *((tidy(notice.text), f"{notice.count}") for notice in notices)]
    return Table.of("What was noticed in the records", ("", "times"), rows) if rows else None


def reasons_table(results: StudyResults) -> Table | None:
    """How each case's interval came about."""
    reasons = results.data_quality.onset_reasons
    rows = [(text, *(f"{count}" for count in counts)) for _, text, counts in reasons if sum(counts)]
    return Table.of("How onset was derived, cases", ("", *_arms(results)), rows) if rows else None
