"""The quarterly report of a study group, for all its practices or for one of them."""

from __future__ import annotations

from onsetstudy.core.quantities import QUANTITIES
from onsetstudy.core.results import Estimate, HypothesisTest, NotAvailable
from onsetstudy.pool.results import Funnel, Pooled
from onsetstudy.report.document import Block, Cautions, Document, Pairs, Paragraph, Section, Table
from onsetstudy.report.figures import funnel
from onsetstudy.report.numbers import (
    counted,
    day,
    decimal,
    interval,
    level,
    listed,
    p_text,
    percent,
    places_for,
    quarter,
    tidy,
)
from onsetstudy.report.sections.appendix.interim import looks_section
from onsetstudy.report.sections.group.first_page import curves_block, drawn_figure, first_page
from onsetstudy.report.sections.group.gates import gates_section
from onsetstudy.report.sections.group.more import more_sections, name_of
from onsetstudy.report.sections.group.reconciled import reconciled_blocks
from onsetstudy.report.sections.group.sent import sent_section
from onsetstudy.report.sentences import without_looks
from onsetstudy.study.group_results import GroupResults

__all__ = ["compose_group"]

NAMES = {
    "hazard_ratio": "hazard ratio",
    "rmst_difference": "time to onset saved, min",
    "success_difference": "numb by target",
    "pain_difference": "mean pain",
    "chair_time_difference": "chair time saved, min",
}
SHOWN = {key: (name, QUANTITIES[key].shown.factor, QUANTITIES[key].shown.places) for key, name in NAMES.items()}
"""Heading, factor and decimals of each pooled quantity."""
EXPECTED = (
    "Expected: from the group's proportions by technique and arm. Plausible: shrunken to the group by as much "
    "as chance "
    "explains, with 95\u202f% limits that allow for not knowing how much practices differ."
)
FUNNELS = {
    "by_target": "not numb by the target",
    "never_numb": "not numb to the end of testing",
    "operators": "not numb by the target, by operator",
}


def compose_group(results: GroupResults, *, practice: str | None = None) -> Document:
    """The group's report; with ``practice`` (its code) the one in which that practice sees itself named."""
    study = results.protocol.study
    own = None if practice is None else results.letter(practice)
    whose = f"-{practice}" if practice else ""
    invented = " · invented data" if study.invented else ""
    k = len(results.practices)
    return Document(
        id=f"{study.id}-group-{results.quarter}{whose}",
        title=study.title,
        kicker=f"Report of the study group, {quarter(results.quarter)}" + (f", for {practice}" if practice else ""),
        subtitle=f"Cases from {day(results.period_start)} to {day(results.period_end)}. {counted(k, 'practice')}.",
        notice="All data in this report are invented." if study.invented else "",
        running=f"{study.title} · group · {results.quarter}{invented}{_ledger(results)}",
        date=results.period_end,
        sections=tuple(
            section
            for section in (
                first_page(results, own),
                _pooled(results, own),
                gates_section(results, own),
                *more_sections(results, own),
                _beside_each_other(results, own),
                looks_section(results.looks, results.protocol),
                _cautions(results),
                sent_section(results, practice),
                _statistician(results),
            )
            if section is not None
        ),
    )


def _pooled(results: GroupResults, own: str | None) -> Section:
    blocks: list[Block] = [] if own is None else [curves_block(results)]
    if any(isinstance(x.average, Estimate) for x in results.pooled):
        blocks.append(_pooled_table(results))
    else:
        blocks += _no_average(results)
    blocks.append(_members_table(results, own))
    if len(results.answering) > 1:
        blocks.append(Paragraph(text=_agreement(results)))
        blocks += reconciled_blocks(results)
    return Section(id="pooled", title="All practices together", blocks=tuple(blocks), new_page=True)


def _value(result: Estimate | NotAvailable, factor: float, places: int) -> str:
    if not isinstance(result, Estimate):
        return "–"
    low, high = sorted((factor * result.interval.low, factor * result.interval.high))
    return f"{decimal(factor * result.estimate, places)} ({interval(low, high, places)})"


def _range(low: float, high: float, factor: float, places: int) -> str:
    low, high = sorted((factor * low, factor * high))
    return interval(low, high, places)


def _shown(results: GroupResults) -> list[Pooled]:
    """What any practice could say for this period: page 1 tells what no file could be cut for."""
    return [
        p
        for p in results.pooled
        if not all(isinstance(m.result, NotAvailable) and m.result.code == "no_quarter" for m in p.members)
    ]


def _pooled_table(results: GroupResults) -> Table:
    rows = []
    for pooled in _shown(results):
        name, factor, places = SHOWN[pooled.quantity]
        if pooled.quantity == "pain_difference":
            name = f"{name}, {pooled.unit}"
        h, p = pooled.heterogeneity, pooled.prediction
        rows.append(
            (
                name,
                _value(pooled.average, factor, places),
                "–" if p is None else _range(p.low, p.high, factor, places),
                "–"
                if h is None
                else f"{100 * h.i2:.0f} ({100 * h.i2_interval.low:.0f} to {100 * h.i2_interval.high:.0f})",
                _value(pooled.common, factor, places),
            )
        )
    one = results.overall.hazard_ratio
    test = results.overall.onset_test
    p = f"; p = {p_text(test.p_value)}{without_looks(results.looks)}" if isinstance(test, HypothesisTest) else ""
    notes = [
        f"With {level(results.protocol.plan.conf_level)} intervals{without_looks(results.looks)}. "
        "Prediction interval: where a further "
        f"practice's true value would "
        "lie. I²: proportion of the spread that chance does not explain. Common effect: as if practices did "
        "not differ. Chair time: as spent, with mixing. In one stage, every practice compared within itself, the "
        f"hazard ratio is {_value(one, 1.0, 2)}{p}.",
    ]
    notes += [
        f"No average of {SHOWN[x.quantity][0]}: {tidy(x.average.reason)}."
        for x in _shown(results)
        if isinstance(x.average, NotAvailable)
    ]
    notes += [text for text in (_shared_out(results), _unfinished(results)) if text]
    return Table(
        caption="Pooled over practices",
        columns=("what", "average of practices", "prediction interval", "I², %", "common effect"),
        rows=tuple(rows),
        align="lrrrr",
        notes=tuple(notes),
    )


def _no_average(results: GroupResults) -> list[Block]:
    """In place of a table of dashes."""
    one = results.overall.hazard_ratio
    reasons = dict.fromkeys(tidy(x.average.reason) for x in results.pooled if isinstance(x.average, NotAvailable))
    text = f"There is no average over practices: {listed(list(reasons))}."
    if isinstance(one, Estimate):
        text += f" The hazard ratio of all cases, in one stage, is {_value(one, 1.0, 2)}."
    notes = [told for told in (_shared_out(results), _unfinished(results)) if told]
    return [Paragraph(text=text), *(Paragraph(text=told, role="note") for told in notes)]


def _shared_out(results: GroupResults) -> str:
    """Cases that no test decides, and the difference had all of them been numb in time, or none."""
    protocol, success = results.protocol, results.overall.success
    total = sum(n for _, n in success.undecided)
    if not total:
        return ""
    told = " and ".join(f"{n} {protocol.label(arm)}" for arm, n in success.undecided)
    text = (
        f"Numb by {protocol.onset.target_min:g} min: {counted(total, 'case')} ({told}) had no test that tells, and "
        "are shared out by what the curve of their practice says of them, since to drop them would lose late successes "
        "only."
    )
    ends = [c.difference for c in (success.if_against, success.if_for) if c is not None]
    values = [100 * e.estimate for e in ends if isinstance(e, Estimate)]
    if len(values) < 2:
        return text
    against, favour = (decimal(v, places_for(values, base=1)) for v in values)
    other, reference = protocol.label(protocol.contrast_arm), protocol.label(protocol.reference_arm)
    return (
        f"{text} Had all of them been numb in time with {reference} and none with {other}, or the other way round, the "
        f"difference would be {against} or {favour} percentage points: the most that they can do."
    )


def _unfinished(results: GroupResults) -> str:
    """How many waits count with the minutes that were seen."""
    saved = results.quantity("chair_time_difference")
    results_of = [m.result for m in saved.members if isinstance(m.result, Estimate)] if saved is not None else []
    by_arm = {
        a.arm: sum(b.cases - b.onsets for e in results_of for b in e.n.by_arm if b.arm == a.arm)
        for e in results_of
        for a in e.n.by_arm
    }
    if not sum(by_arm.values()):
        return ""
    told = " and ".join(f"{n} {results.protocol.label(arm)}" for arm, n in by_arm.items())
    return (
        f"Chair time: {counted(sum(by_arm.values()), 'wait')} ({told}) were not seen to their end and count "
        "with the minutes that were seen."
    )


def _members_table(results: GroupResults, own: str | None) -> Table:
    def cell(pooled: Pooled, label: str) -> str:
        _, factor, places = SHOWN[pooled.quantity]
        member = next((m for m in pooled.members if m.label == label), None)
        return "–" if member is None else _value(member.result, factor, places)

    chosen = [p for p in _shown(results) if p.quantity != "chair_time_difference"]
    rows = [
        (name_of(p.letter, own), f"{p.n.cases}", *(cell(pooled, p.letter) for pooled in chosen))
        for p in results.answering
    ]
    heads = {
        "hazard_ratio": "hazard ratio",
        "rmst_difference": "minutes saved",
        "success_difference": "numb by target",
        "pain_difference": "mean pain",
    }
    reasons: dict[str, dict[str, None]] = {}
    for member in (m for pooled in chosen for m in pooled.members):
        if isinstance(member.result, NotAvailable):
            reasons.setdefault(member.result.reason, {})[name_of(member.label, own)] = None
    return Table(
        caption="Every practice by itself",
        columns=("practice", "cases", *(heads[p.quantity] for p in chosen)),
        rows=tuple(rows),
        align="lr" + "r" * len(chosen),
        notes=(
            "Numb by target: difference in percentage points; mean pain: difference of means.",
            *(f"{listed(list(names))}: {tidy(reason)}." for reason, names in reasons.items()),
        ),
    )


def _agreement(results: GroupResults) -> str:
    found = results.agreement
    told = {
        "left_out": "practices without an estimate of their own count in one stage only",
        "spread": "practices differ, and the average over practices gives small ones more weight",
        "few": "few practices make the average over practices less sure",
        "weights": "the two give practices different weight",
    }
    why = listed([told[r] for r in found.reasons])
    if found.apart is None:
        return "One of the two ways, in one stage or in two, has no answer" + (f": {why}." if why else ".")
    if found.apart < 0.5:
        base = "Counting all cases in one stage and averaging over practices give the same hazard ratio"
        return f"{base} within {decimal(found.apart, 2)} standard errors." + (f" Mind that {why}." if why else "")
    return (
        f"Counting all cases in one stage and averaging over practices differ by {decimal(found.apart, 1)} standard "
        f"errors: {why}."
    )


def _beside_each_other(results: GroupResults, own: str | None) -> Section:
    blocks: list[Block] = []
    explained = False
    for found in results.funnels:
        what = FUNNELS[found.quantity]
        title = f"How many teeth were {what}?"
        if isinstance(found, NotAvailable):
            blocks.append(Paragraph(text=f"{title} Not drawn: {found.reason}.", role="absent"))
            continue
        drawn = funnel.draw_figure(found, name=f"funnel-{found.quantity}", title=title, own=own)
        caption = (
            "The proportion is what a practice would have with the group's mix of techniques and arms. Line: "
            "the group. "
            "Bands: where 19 in 20, and 499 in 500, practices like the group would lie by chance."
        )
        if found.dispersed:
            caption += (
                f" Practices differ more than chance allows; the bands are {found.dispersion**0.5:.1f} times as wide."
            )
        blocks += [
            drawn_figure(f"funnel-{found.quantity}", title, caption, drawn),
            _funnel_table(found, results, own, explained),
        ]
        explained = True
    texts = dict.fromkeys(c.text for f in results.funnels if isinstance(f, Funnel) for c in f.caution)
    blocks += [Paragraph(text=tidy(t), role="note") for t in texts]
    return Section(id="beside", title="Practices beside each other", blocks=tuple(blocks), new_page=True)


def _funnel_table(found: Funnel, results: GroupResults, own: str | None, explained: bool) -> Table:
    flags = {"": "", "look": "have a look", "outside": "outside all limits"}
    rows = [
        (
            name_of(p.label, own),
            f"{p.failures} of {p.cases}",
            decimal(p.expected),
            percent(p.adjusted, p.cases),
            f"{percent(p.shrunken, p.cases)} ({100 * p.shrunken_interval.low:.0f} to "
            f"{100 * p.shrunken_interval.high:.0f})",
            flags[p.flag],
        )
        for p in found.points
    ]
    return Table(
        caption=f"Teeth {FUNNELS[found.quantity]}",
        columns=("practice", "seen", "expected", "at the group's mix", "plausible", ""),
        rows=tuple(rows),
        align="lrrrrl",
        notes=(*_undecided(found, results, own), *(() if explained else (EXPECTED,))),
    )


def _undecided(found: Funnel, results: GroupResults, own: str | None) -> tuple[str, ...]:
    """What became of the cases of a practice that the chart does not count."""
    shown = {p.label: p.cases for p in found.points}
    without = [
        (name_of(p.letter, own), p.n.cases - shown.get(p.letter, 0))
        for p in results.answering
        if found.quantity != "operators" and p.n.cases > shown.get(p.letter, 0)
    ]
    if not without:
        return ()
    told = listed([f"{n} of {name}" for name, n in without])
    return (f"Not counted here, because no test decides it: {told}. Failures are seen more surely than successes.",)


def _cautions(results: GroupResults) -> Section:
    return Section(
        id="cautions", title="Cautions", blocks=(Cautions(texts=tuple(tidy(c.text) for c in results.caution)),)
    )


def _statistician(results: GroupResults) -> Section:
    text = (
        "Files hold counts of cases by quarter, technique, further strata, arm and onset interval; the likelihood "
        "needs no more, so test, ratio and curves are those of the rows. Test and hazard ratio in one stage have "
        "practice and the plan's strata as strata; for the ratio, small ones share a baseline. "
        "Spread of practices: shared log-normal effect on the rate, one "
        "baseline for all. Success over practices: Mantel-Haenszel difference; odds ratio by conditional likelihood "
        "where every case is decided, else by Mantel and Haenszel. Undecided cases are split by the curve of their "
        "practice, technique and arm, and variances enlarged by what the profile likelihood knows less. Two stages: "
        "each "
        f"practice's own estimate, cases taken as independent; average {results.pooled[0].method}; range for a further "
        "practice by Student's t with practices less one degrees of freedom. Simulated with practices of unequal size, "
        "that range holds the truth in 86 to 93 of 100 groups where practices differ, not in 95."
    )
    success, frailty = results.overall.success, results.overall.frailty
    rows = [("Numb by target, odds ratio", _value(success.pooled.odds_ratio, 1.0, 2))]
    rows.append(
        ("Numb by target, percentage points, by Mantel and Haenszel", _value(success.pooled.difference, 100.0, 0))
    )
    for label, found in (("none", success.if_not_numb), ("all", success.if_numb)):
        if found is not None:
            told = f"{_value(found.odds_ratio, 1.0, 2)}; {_value(found.difference, 100.0, 0)} points"
            rows.append((f"Had {label} of the undecided been", told))
    if success.pooled.homogeneity is not None:
        rows.append(("Same odds ratio everywhere", f"p = {p_text(success.pooled.homogeneity.p_value)}"))
    if isinstance(frailty, NotAvailable):
        rows.append(("Spread of rates, log scale", frailty.reason))
    else:
        told = f"{_value(frailty.spread, 1.0, 2)}, p = {p_text(frailty.test.p_value)}"
        rows.append(("Spread of rates, log scale", told))
    p = results.provenance
    rows += [("Protocol, SHA-256", _in_two(p.protocol_digest)), ("Files, SHA-256", _in_two(p.records_digest))]
    if p.ledger_head:
        rows.append(("Ledger of the study, last entry", p.ledger_head))
    rows.append(("Versions", ", ".join(f"{name} {version}" for name, version in p.versions)))
    return Section(
        id="statistician", title="For the statistician", blocks=(Paragraph(text=text), Pairs(rows=tuple(rows)))
    )


def _ledger(results: GroupResults) -> str:
    head = results.provenance.ledger_head
    return f" · ledger {head}" if head else ""


def _in_two(digest: str) -> str:
    """A digest with a space in the middle, where a line may break."""
    half = len(digest) // 2
    return f"{digest[:half]} {digest[half:]}"
