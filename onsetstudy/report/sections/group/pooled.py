"""All practices together: averages, every practice by itself, why two ways of counting differ, methods and digests."""

from __future__ import annotations

from functools import partial

from onsetstudy.core.quantities import places_for, quantity_of
from onsetstudy.core.results import Estimate, HypothesisTest, NotAvailable
from onsetstudy.pool.results import Pooled
from onsetstudy.report.cells import NONE, near_text, value_text
from onsetstudy.report.document import Pairs, Pieces, Section, Table, note
from onsetstudy.report.numbers import capital, counted, decimal, interval, level, listed, p_text, ratio, tidy, uncapital
from onsetstudy.report.sections.blocks import group_curves_block
from onsetstudy.report.sections.group.heterogeneity import name_of
from onsetstudy.report.sentences import estimate_shown, without_looks
from onsetstudy.study.group.results import GroupResults

NAMES = {
    "hazard_ratio": "hazard ratio",
    "rmst_difference": "time to onset saved, min",
    "success_difference": "numb by target",
    "pain_difference": "mean pain",
    "chair_time_difference": "chair time saved, min",
    "treatment_success_difference": "treatments succeeded",
}


REASONS = {
    "spread": "the average of practices lets small practices count for more than their number of cases, as the spread "
    "between practices that was estimated, however unsurely, enters its weights",
    "weights": "the average of practices weighs each by how sure its own value is, not by its number of cases",
    "left_out": "practices without an estimate of their own count among all cases only",
    "quarters_merged": "small groups of cases were joined with a neighbouring quarter before they were sent, so that "
    "earlier interim analyses hold other cases than those of the records",
    "techniques_merged": "rare techniques were sent as one group, so that strata are coarser than in the records",
    "scores_held_back": "scores and minutes of an arm with too few of them were not sent",
    "first_look": "scores carry no quarter in the files, so that interim analyses of pain begin with this one, while a "
    "report from the rows has the earlier ones",
    "beyond": "scores and minutes of files that go on after this quarter are left out, as they carry no quarter",
}
"""Why two numbers may differ, by code."""
OTHER_LOOKS = frozenset({"quarters_merged", "first_look", "beyond"})
"""Reasons for which an interim analysis of the files may fall on other cases than one of the records."""
BINDING = (
    "The files do not hold every case under its quarter, so that an analysis of the records may cross a boundary where "
    "this one does not, or at another time. The first in the coordinator's ledger binds the study; the other stands "
    "beside it."
)

HELD = "Other claims are held to the strictest boundary that may have decided."


def pooled_section(results: GroupResults, own: str | None) -> Section:
    """Averages over practices, every practice by itself, and why two ways of counting differ."""
    averaged = any(isinstance(x.average, Estimate) for x in results.pooled)
    return Section.of(
        "pooled",
        "All practices together",
        None if own is None else group_curves_block(results),
        _pooled_table(results) if averaged else _no_average(results),
        _members_table(results, own),
        _reconciled(results) if len(results.answering) > 1 else None,
        new_page=True,
    )


def _shown(results: GroupResults) -> list[Pooled]:
    """What any practice could say for this period: page 1 tells what no file could be cut for."""
    return [
        p
        for p in results.pooled
        if not all(isinstance(m.result, NotAvailable) and m.result.code == "no_quarter" for m in p.members)
    ]


def _short(pooled: Pooled) -> str:
    """Its name without the unit."""
    return NAMES[pooled.quantity].partition(",")[0]


def _pooled_table(results: GroupResults) -> Table:
    rows, chosen = [], _shown(results)
    for pooled in chosen:
        unit = f", {pooled.unit}" if pooled.quantity == "pain_difference" else ""
        further, i2, h = NONE, NONE, pooled.heterogeneity
        if pooled.prediction is not None:
            low, quantity = pooled.prediction.low, quantity_of(pooled.quantity)
            seen = quantity.as_shown(low, low, pooled.prediction.high)
            shown = ratio if pooled.unit == "ratio" else decimal
            further = interval(seen.low, seen.high, quantity.places(seen), shown)
        if h is not None:
            ends = h.i2_interval
            i2 = f"{100 * h.i2:.0f} ({f'{100 * ends.low:.0f} to {100 * ends.high:.0f}' if ends.high else NONE})"
        answer = results.answer(pooled.quantity)
        told = NONE if answer is None else estimate_shown(answer)
        rows.append((NAMES[pooled.quantity] + unit, told, estimate_shown(pooled.average), further, i2))
    test, looks = results.overall.onset_test, without_looks(results.looks)
    tested = f"; log-rank test, p = {p_text(test.p_value)}{looks}" if isinstance(test, HypothesisTest) else ""
    averaged = [x for x in chosen if isinstance(x.average, Estimate)]
    only = [_short(x) for x in averaged if results.overall.difference(x.quantity) is None]
    alone = f" Of {listed(only)} it is the answer." if only else ""
    cut = {_short(x): x.cut for x in chosen if x.cut}
    return Table.of(
        "Pooled over practices",
        ("what", "all cases: the answer", "average of practices", "prediction interval", "I², %"),
        rows,
        f"With {level(results.protocol.plan.conf_level)} intervals{looks}. The answer is that of all cases, compared "
        f"{compared_within(results)}; the hazard ratio in one stage, with practices as strata (small ones share one)"
        f"{tested}. The average of practices is beside it and answers another question, what a practice finds on "
        f"average: in it a practice counts by how sure its own value is, not by its cases.{alone} Prediction interval: "
        "where a further practice's true value would lie. I²: proportion of the spread that chance does not explain. "
        "Chair time: as spent, with mixing.",
        "Hazard ratio above 1, minutes above 0: sooner. Numb by target: difference in percentage points; mean pain: "
        "difference of means.",
        f"Limits of {listed([*cut])} are {next(iter(cut.values()))}." if cut else "",
        *(
            f"No average of {NAMES[x.quantity]}: {tidy(x.average.reason)}."
            for x in chosen
            if isinstance(x.average, NotAvailable)
        ),
        _shared_out(results),
        _unfinished(results),
    )


def _no_average(results: GroupResults) -> list[Pieces]:
    """In place of a table of dashes."""
    one = results.overall.hazard_ratio
    reasons = dict.fromkeys(tidy(x.average.reason) for x in results.pooled if isinstance(x.average, NotAvailable))
    text = f"There is no average over practices: {listed(list(reasons))}."
    if isinstance(one, Estimate):
        text += f" The hazard ratio of all cases, in one stage, is {value_text(one, 2)}."
    return [text, (note(told) for told in (_shared_out(results), _unfinished(results)) if told)]


def _shared_out(results: GroupResults) -> str:
    """Cases that no test decides, and the difference had all of them been numb in time, or none."""
    protocol, success = results.protocol, results.overall.success
    total = sum(n for _, n in success.undecided)
    if not total:
        return ""
    told = listed([f"{n} {protocol.label(arm)}" for arm, n in success.undecided])
    text = (
        f"Numb by {protocol.onset.target_min:g} min: {counted(total, 'case')} ({told}) had no test that tells, and "
        f"{'is' if total == 1 else 'are'} shared out by what the curve of their practice says of them, since to drop "
        "them would lose late successes only."
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
    saved = results.answer("chair_time_difference")
    by_arm = [(a.arm, a.cases - a.onsets) for a in saved.n.by_arm] if isinstance(saved, Estimate) else []
    if not (total := sum(n for _, n in by_arm)):
        return ""
    told = listed([f"{n} {results.protocol.label(arm)}" for arm, n in by_arm])
    unseen = "was not seen to its end and counts" if total == 1 else "were not seen to their end and count"
    return f"Chair time: {counted(total, 'wait')} ({told}) {unseen} with the minutes that were seen."


def _members_table(results: GroupResults, own: str | None) -> Table:
    chosen = [p for p in _shown(results) if p.quantity != "chair_time_difference"]
    rows = []
    for practice in results.answering:
        found = [next((m for m in p.members if m.label == practice.letter), None) for p in chosen]
        values = (NONE if m is None else estimate_shown(m.result) for p, m in zip(chosen, found, strict=True))
        rows.append((name_of(practice.letter, own), f"{practice.n.cases}", *values))
    heads = NAMES | {"rmst_difference": "minutes saved"}
    reasons: dict[str, dict[str, None]] = {}
    for member in (m for pooled in chosen for m in pooled.members):
        if isinstance(member.result, NotAvailable):
            reasons.setdefault(member.result.reason, {})[name_of(member.label, own)] = None
    return Table.of(
        "Every practice by itself",
        ("practice", "cases", *(heads[p.quantity] for p in chosen)),
        rows,
        "Numb by target: difference in percentage points; mean pain: difference of means.",
        *(f"{listed(list(names))}: {tidy(reason)}." for reason, names in reasons.items()),
    )


def _reconciled(results: GroupResults) -> list[Pieces]:
    """In words why the average is another number than the answer, and why a report from the rows may differ."""
    codes: dict[str, list[str]] = {}
    for line in results.reconciled:
        for code in line.reasons:
            codes.setdefault(code, []).append(quantity_of(line.quantity).name)
    apart = " ".join(f"{capital(REASONS[code])} ({listed(names)})." for code, names in codes.items())
    told = "; ".join(REASONS[code] for code in results.unlike_rows)
    why = note(f"A report of the same cases from their records may have other numbers: {told}.") if told else None
    return [note(f"Why the average is not the answer: {uncapital(apart)}") if apart else None, why]


def practices_crossed(results: GroupResults) -> bool:
    """Whether some cases of the answer are compared with cases of other practices."""
    return any(c.code == "practices_together" for c in results.caution)


def compared_within(results: GroupResults) -> str:
    """Within what the arms are compared."""
    return "within practices" + (" as far as they have cases of both arms" if practices_crossed(results) else "")


def binding_words(results: GroupResults) -> list[str]:
    """Which interim analysis binds, where those of files and of records may differ; nothing elsewhere."""
    if results.looks is None or not OTHER_LOOKS & set(results.unlike_rows):
        return []
    names = [f"the {quantity_of(key).name}" for key in results.hanging]
    hanging = f"With the boundary of the first planned analysis no direction would be told of {listed(names)}."
    return [" ".join((BINDING, *([HELD] if results.strictest else ()), *([hanging] if names else ())))]


def statistician_section(results: GroupResults) -> Section:
    """Methods, odds ratios, spread of practices, digests."""
    success, frailty, p = results.overall.success, results.overall.frailty, results.provenance
    points = partial(value_text, places=0, factor=100)
    rows = [
        ("Numb by target, odds ratio", value_text(success.pooled.odds_ratio, 2)),
        ("Numb by target, percentage points, by Mantel and Haenszel", points(success.pooled.difference)),
    ]
    protocol = results.protocol
    other, reference = protocol.label(protocol.contrast_arm), protocol.label(protocol.reference_arm)
    for numb, felt, found in ((reference, other, success.if_against), (other, reference, success.if_for)):
        if found is not None:
            told = f"{value_text(found.odds_ratio, 2)}; {points(found.difference)} points"
            rows.append((f"Had all undecided been numb with {numb}, none with {felt}", told))
    if success.pooled.homogeneity is not None:
        rows.append(("Same odds ratio everywhere", f"p = {p_text(success.pooled.homogeneity.p_value)}"))
    spread = (
        frailty.reason
        if isinstance(frailty, NotAvailable)
        else f"{near_text(frailty.spread, base=2)}, p = {p_text(frailty.test.p_value)}"
        + ("; 0 is the least it can be: the upper limit alone tells" if frailty.spread.estimate == 0 else "")
    )
    rows += [
        (f"As if practices did not differ (common effect): {NAMES[x.quantity]}", estimate_shown(x.common))
        for x in _shown(results)
        if isinstance(x.common, Estimate)
    ]
    rows += [
        ("Spread of rates, log scale", spread),
        ("Protocol, SHA-256", _in_two(p.protocol_digest)),
        ("Files, SHA-256", _in_two(p.records_digest)),
        *([("Ledger of the study, last entry", p.ledger_head)] if p.ledger_head else ()),
        ("Versions", ", ".join(f"{name} {version}" for name, version in p.versions)),
    ]
    return Section.of(
        "statistician",
        "For the statistician",
        "Files hold counts of cases by quarter, technique, further strata, arm and onset interval; the likelihood "
        "needs no more, so test, ratio and curves are those of the rows. Test and hazard ratio in one stage have "
        "practice and the plan's strata as strata; for the ratio, small ones share a baseline. Spread of practices: "
        "shared log-normal effect on the rate, one baseline for all. Success over practices: Mantel-Haenszel "
        "difference; odds ratio by conditional likelihood where every case is decided, else by Mantel and Haenszel. "
        "Undecided cases are split by the curve of their practice, technique and arm, and variances enlarged by what "
        "the profile likelihood knows less. Two stages: each practice's own estimate, cases taken as independent; "
        f"average {results.pooled[0].method}; range for a further practice by Student's t with practices less one "
        "degrees of freedom. Simulated with practices of unequal size, that range holds the truth in 86 to 93 of 100 "
        "groups where practices differ, not in 95.",
        Pairs(rows=tuple(rows)),
    )


def _in_two(digest: str) -> str:
    """A digest with a space in the middle, where a line may break."""
    half = len(digest) // 2
    return f"{digest[:half]} {digest[half:]}"
