"""Tables of a report: results in, texts out."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable

from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.report.document import Flow, FlowStep, Table
from onsetstudy.report.names import plain_words
from onsetstudy.report.numbers import (
    THIN,
    aligned,
    decimal,
    interval,
    level,
    listed,
    percent,
    percent_interval,
    places_for,
    tidy,
)
from onsetstudy.report.sentences import ALLOWED, estimate_shown, short_value, without_looks
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.results import Notice, Population

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

NONE = "–"
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
    rows: list[tuple[str, ...]] = []
    heads: list[int] = []
    differences: list[str] = []
    before, measures = "", False
    empty = tuple("" for _ in results.protocol.arm_codes)
    for row in results.arm_table.rows:
        name = VARIABLES.get(row.variable, plain_words(row.variable))
        if row.level and row.variable != before:
            heads.append(len(rows))
            rows.append((name, *empty))
            differences.append("")
        if not row.level and not measures:
            measures = True
            heads.append(len(rows))
            rows.append(("Measures", *empty))
            differences.append("")
        before = row.variable
        label = plain_words(row.level) if row.level else name
        rows.append((label, *(_whole(_arm_cell(cell, row.level)) for cell in row.cells)))
        d = row.standardised_difference
        differences.append(NONE if d is None else decimal(d, 2))
    arms = _arms(results)
    return Table(
        caption="Who was in the arms",
        columns=("", *arms, "standardised difference"),
        rows=tuple((*row, d) for row, d in zip(rows, aligned(differences), strict=True)),
        align="l" + "r" * (len(arms) + 1),
        heads=tuple(heads),
        notes=(
            f"Standardised difference: {arms[1]} less {arms[0]}, in standard deviations; beyond about 0.2 (common "
            "practice, no source) a difference is worth a thought. No p-values: chance alone makes arms differ. "
            "Measures are means with standard deviation (SD) and how many cases have them.",
        ),
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


def _share(e: EstimateLike) -> str:
    if isinstance(e, NotAvailable):
        return NONE
    n = e.n.arm(str(e.contrast)).cases or e.n.cases
    return f"{percent(e.estimate, n)} ({percent_interval(e.interval.low, e.interval.high, n)})"


def _points(e: EstimateLike) -> str:
    """A difference of proportions in percentage points."""
    if isinstance(e, NotAvailable):
        return NONE
    values = [100 * v for v in (e.estimate, e.interval.low, e.interval.high)]
    places = places_for(values, base=0)
    return f"{decimal(values[0], places)} ({interval(values[1], values[2], places)})"


def _number(e: EstimateLike, landmarks: tuple[float, ...] = (), base: int = 1) -> str:
    if isinstance(e, NotAvailable):
        return NONE
    places = places_for((e.estimate, e.interval.low, e.interval.high), landmarks, base=base)
    return f"{decimal(e.estimate, places)} ({interval(e.interval.low, e.interval.high, places)})"


def _found(population: Population, results: StudyResults, estimates: tuple[EstimateLike, ...]) -> tuple[str, ...]:
    """How many cases a test decided, of how many."""
    cells = []
    for code, e in zip(results.protocol.arm_codes, estimates, strict=False):
        cases = population.n.arm(code).cases
        cells.append(NONE if isinstance(e, NotAvailable) else f"{e.n.arm(code).onsets} of {cases}")
    return tuple(cells)


def _claimed(results: StudyResults, key: str) -> str:
    """A difference as its claim has it: the number of the first page."""
    claim = results.claims.get(key)
    return (short_value(claim, unit="") if claim is not None else "") or NONE


def main_table(results: StudyResults) -> Table:
    """The main results, arm beside arm, with their difference."""
    protocol, population = results.protocol, results.overall
    target, horizon = protocol.onset.target_min, protocol.onset.tau_min
    arms = _arms(results)[:2]
    rows: list[tuple[str, ...]] = [
        (f"Numb by {target:g} min", *(_share(e) for e in population.success), _claimed(results, "success_difference")),
        ("– found so by a test", *_found(population, results, population.success), ""),
        (f"Not numb within {horizon:g} min", *(_share(e) for e in population.never_numb),
         _claimed(results, "not_numb_difference")),
        ("– found so by a test", *_found(population, results, population.never_numb), ""),
        (f"Restricted mean time to onset, up to {horizon:g} min", *(_number(e) for e in population.wait),
         _claimed(results, "rmst_difference")),
        ("Hazard ratio", "1", _claimed(results, "hazard_ratio"), ""),
    ]  # fmt: skip
    wanting = {
        tidy(e.reason.strip().rstrip("."))
        for e in (
            population.success_difference,
            population.never_numb_difference,
            population.wait_difference,
            population.hazard_ratio,
        )
        if isinstance(e, NotAvailable)
    }
    notes = [
        f"Estimates with {level(protocol.plan.conf_level)} intervals; the first injection alone. Differences"
        f"{'' if results.looks is None else f' and the ratio have intervals {ALLOWED}; they'} are "
        f"{arms[1]} less {arms[0]}, of proportions in percentage points; of times to onset they are minutes saved. "
        "A case whose gap between two tests spans the minute counts with the proportion that the whole curve gives it: "
        "proportions and counts of tests differ a little.",
        *(f"{NONE}: {reason}." for reason in sorted(wanting)),
    ]
    differences = (population.success_difference, population.never_numb_difference, population.wait_difference)
    if said := list(dict.fromkeys(tidy(c.text) for e in differences for c in e.caution)):
        notes.append(" ".join(said))
    return Table(
        caption="Arm beside arm",
        columns=("", *arms, "difference"),
        rows=tuple((first, *map(_whole, cells)) for first, *cells in rows),
        align="lrrr",
        notes=tuple(notes),
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
            f"{_whole(_share(e))} of\u00a0{cases}" if (cases := population.n.arm(code).cases) else "no case"
            for code, e in zip(protocol.arm_codes, population.success, strict=False)
        ]
        rows.append((name, *shares, _whole(_points(population.success_difference))))
    return Table(
        caption=f"Numb by {protocol.onset.target_min:g} min, quarter by quarter",
        columns=("", *_arms(results)[:2], "difference, percentage points"),
        rows=tuple(rows),
        align="lrrr",
        strong=(len(rows) - 1,),
        notes=(
            f"With {level(protocol.plan.conf_level)} intervals{without_looks(results.looks)}.",
            *((f"{NONE}: cannot be estimated from these cases.",) if any(NONE in c for r in rows for c in r) else ()),
        ),
    )


def techniques_table(results: StudyResults) -> Table:
    """The main results technique by technique."""
    protocol = results.protocol
    target, horizon = protocol.onset.target_min, protocol.onset.tau_min
    rows: list[tuple[str, ...]] = []
    heads: list[int] = []
    reasons: dict[str, None] = {}
    for population in results.by_technique:
        heads.append(len(rows))
        sizes = [f"{population.n.arm(code).cases} {protocol.label(code)}" for code in protocol.arm_codes[:2]]
        rows.append((f"{plain_words(population.level)}: {listed(sizes)} cases", "", "", ""))
        pain = population.pain
        found: tuple[tuple[str, tuple[EstimateLike, ...], EstimateLike, Callable[[EstimateLike], str]], ...] = (
            (f"Numb by {target:g} min", population.success, population.success_difference, _share),
            (f"Not numb within {horizon:g} min", population.never_numb, population.never_numb_difference, _share),
            ("Restricted mean time to onset, min", population.wait, population.wait_difference, _number),
        )
        compared = [e for _, _, e, _ in found if isinstance(e, Estimate)]
        if not compared:
            reason = getattr(population.wait_difference, "reason", "")
            rows.append((f"not compared: {tidy(reason.strip().rstrip('.'))}", "", "", ""))
            continue
        for name, arms, difference, show in found:
            last = estimate_shown(difference) or NONE
            rows.append((name, *(_whole(show(e)) for e in arms[:2]), _whole(last)))
        rows.append(("Hazard ratio", "1", _whole(_number(population.hazard_ratio, (1.0,), 2)), ""))
        if not isinstance(pain, NotAvailable):
            base = 1 if pain.unit == "points" else 0
            rows.append((f"Pain by ranks, shift in {pain.unit}", "", "", _whole(_number(pain.shift, (0.0,), base))))
        for e in (*(d for _, _, d, _ in found), population.hazard_ratio, getattr(pain, "shift", pain)):
            if isinstance(e, NotAvailable):
                reasons[tidy(e.reason.strip().rstrip("."))] = None
    return Table(
        caption="Technique by technique",
        columns=("", *_arms(results)[:2], "difference"),
        rows=tuple(rows),
        align="lrrr",
        heads=tuple(heads),
        notes=(
            f"With {level(protocol.plan.conf_level)} intervals{without_looks(results.looks)}. Differences of "
            "proportions are in percentage points; of times to onset they are minutes saved.",
            *(f"{NONE}: {reason}." for reason in reasons),
        ),
    )


def more_table(results: StudyResults) -> Table | None:
    """What has been seen beside what the plan's effect asks for."""
    more = results.more_needed
    if more is None:
        return None
    effect = more.effect or f"a hazard ratio of {more.hazard_ratio:g}"
    rows = [("Cases analysed", f"{more.cases_seen}", NONE if more.cases_needed is None else f"{more.cases_needed}")]
    if more.events_needed is not None:
        rows.insert(0, ("Teeth seen to go numb", f"{more.events_seen}", f"{more.events_needed}"))
    notes = [
        f"For {tidy(effect)}, {100 * more.power:.0f}{THIN}% power of the {more.test} at a two-sided level of "
        f"{100 * more.alpha:.2g}{THIN}%. {more.source[:1].upper()}{more.source[1:]}."
    ]
    if more.cases_needed is None:
        notes.append(f"{NONE}: cannot be told before a tooth has been seen to go numb.")
    return Table(
        caption="Seen so far, and needed",
        columns=("", "seen", "needed"),
        rows=tuple(rows),
        align="lrr",
        notes=tuple(notes),
    )


def notices_table(results: StudyResults) -> Table | None:
    """What was refused, queried and read although unusual, and how the testing went."""
    quality = results.data_quality
    rows: list[tuple[str, str]] = []
    heads: list[int] = []
    groups: tuple[tuple[str, Iterable[Notice]], ...] = (
        ("Refused", quality.refused),
        ("Read, but to be looked at", quality.queried),
        ("Read although written in another way", quality.repaired),
        ("How the testing went", quality.testing),
    )
    for name, notices in groups:
        kept = list(notices)
        if kept:
            heads.append(len(rows))
            rows.append((name, ""))
            rows += [(tidy(notice.text), f"{notice.count}") for notice in kept]
    if not rows:
        return None
    return Table(
        caption="What was noticed in the records",
        columns=("", "times"),
        rows=tuple(rows),
        align="lr",
        heads=tuple(heads),
    )


def reasons_table(results: StudyResults) -> Table | None:
    """How each case's interval came about."""
    rows = [
        (text, *(f"{count}" for count in counts))
        for _, text, counts in results.data_quality.onset_reasons
        if sum(counts)
    ]
    if not rows:
        return None
    arms = _arms(results)
    return Table(
        caption="How onset was derived, cases", columns=("", *arms), rows=tuple(rows), align="l" + "r" * len(arms)
    )
