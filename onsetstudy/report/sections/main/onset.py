"""How soon teeth were numb, quarter by quarter, what a stopwatch would have said, and where and how it holds."""

from __future__ import annotations

from collections.abc import Callable

from onsetstudy.core.claims import within_patients
from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import NONE, near_text, reason_of, reasons_of, share_text, value_text, whole
from onsetstudy.report.document import Block, Heading, Section, Table, absent, note
from onsetstudy.report.figures.forest import Line
from onsetstudy.report.names import field_name, level_name, plain_words
from onsetstudy.report.numbers import capital, counted, decimal, level, listed, percent, tidy
from onsetstudy.report.sections.blocks import forest_block, told
from onsetstudy.report.sentences import ALLOWED, estimate_shown, short_value, without_looks
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.results import NaiveStopwatch, Population


def onset_section(results: StudyResults) -> Section:
    """The ratio in words, the main numbers, the stopwatch, and the quarters."""
    protocol, population = results.protocol, results.overall
    return Section.of(
        "onset",
        "How soon teeth were numb",
        told(results, "hazard_ratio"),
        (none_left(e, protocol) for e in population.never_numb),
        _main_table(results),
        Heading(text="What would a stopwatch have said?"),
        stopwatch_words(population.naive, population.wait, protocol),
        _quarters(results) if len(results.by_quarter) > 1 else None,
        _periods_table(results),
    )


def _quarter_name(population: Population, results: StudyResults) -> str:
    return population.level + (", this quarter" if population.level == results.quarter else "")


def _quarters(results: StudyResults) -> Block:
    # The main outcome, where it is one of onset.
    lead = quantity_of(results.protocol.plan.primary)
    key = lead.key if lead.rests_on == "cold_tests" else "rmst_difference"
    alone = [Line(_quarter_name(p, results), p.difference(key)) for p in results.by_quarter]
    return forest_block(
        results,
        key,
        [Line("Each quarter alone"), *alone, Line("All to date", results.overall.difference(key), whole=True)],
        name="quarters",
        title="How did this quarter compare with the ones before?",
        caption="Quarters differ by chance alone; a quarter by itself decides nothing.",
    )


def none_left(never: EstimateLike, protocol: Protocol) -> str | None:
    """What can be said when no case of an arm stayed un-numb."""
    if isinstance(never, NotAvailable) or never.n.onsets > 0 or never.estimate > 0:
        return None
    cases = never.n.arm(str(never.contrast)).cases or never.n.cases
    return (
        f"No {protocol.label(str(never.contrast))} case was left un-numb; with {counted(cases, 'case')} the true "
        f"proportion could still be as high as {percent(never.interval.high, cases)}."
    )


def stopwatch_words(naive: NaiveStopwatch, wait: tuple[EstimateLike, ...], protocol: Protocol) -> str:
    """What the average of a stopwatch says, counts and leaves out, beside what is counted here."""
    said = [f"{decimal(mean)} min {protocol.label(arm)}" for arm, mean, _, _ in naive.means if mean is not None]
    if not said:
        return "No onset is confirmed as the protocol asks: there is nothing to average."
    seen = [f"{used} {protocol.label(arm)}" for arm, _, used, _ in naive.means]
    left = [f"{missing} {protocol.label(arm)}" for arm, _, _, missing in naive.means]
    text = (
        f"A stopwatch average of the onsets that are confirmed as the protocol asks ({listed(said)}; it has no honest "
        f"interval) would count {listed(seen)} teeth, each as late as the test that found it, and leave out the other "
        f"{listed(left)} teeth."
    )
    if wait and all(isinstance(e, Estimate) for e in wait):
        text += (
            " The restricted mean time to onset counts every case: onset lies between two tests, and a tooth that was "
            f"not numb with the first injection alone has waited the whole {protocol.onset.tau_min:g} minutes."
        )
    return text


def _found(population: Population, results: StudyResults, estimates: tuple[EstimateLike, ...]) -> tuple[str, ...]:
    """How many cases a test decided, of how many."""
    return tuple(
        NONE if isinstance(e, NotAvailable) else f"{e.n.arm(code).onsets} of {_cases_of(e, code, population)}"
        for code, e in zip(results.protocol.arm_codes, estimates, strict=False)
    )


def _cases_of(share: EstimateLike, arm: str, population: Population) -> int:
    """Cases that a share of an arm is of: within patients those of pairs alone."""
    paired = isinstance(share, Estimate) and within_patients(population.success_difference)
    return (share.n if paired else population.n).arm(arm).cases


def _claimed(results: StudyResults, key: str) -> str:
    """A difference as its claim has it: the number of the first page."""
    claim = results.claims.get(key)
    return (short_value(claim, unit="") if claim is not None else "") or NONE


def _main_table(results: StudyResults) -> Table:
    """The main results, arm beside arm, with their difference."""
    protocol, population = results.protocol, results.overall
    target, horizon = protocol.onset.target_min, protocol.onset.tau_min
    arms = [*map(protocol.label, protocol.arm_codes[:2])]
    rows: list[tuple[str, ...]] = []
    for name, shares, key, by in (
        (f"Numb by {target:g} min", population.success, "success_difference", "a test"),
        (f"Not numb within {horizon:g} min", population.never_numb, "not_numb_difference", "a test or a supplement"),
    ):
        rows.append((name, *map(share_text, shares), _claimed(results, key)))
        rows.append((f"– found so by {by}", *_found(population, results, shares), ""))
    waits = (value_text(e) for e in population.wait)
    rows.append((f"Restricted mean time to onset, up to {horizon:g} min", *waits, _claimed(results, "rmst_difference")))
    rows.append(("Hazard ratio", "1", _claimed(results, "hazard_ratio"), ""))
    differences = (population.success_difference, population.never_numb_difference, population.wait_difference)
    return Table.of(
        "Arm beside arm",
        ("", *arms, "difference"),
        [(first, *map(whole, cells)) for first, *cells in rows],
        f"Estimates with {level(protocol.plan.conf_level)} intervals; the first injection alone. Differences"
        f"{'' if results.looks is None else f' and the ratio have intervals {ALLOWED}; they'} are "
        f"{arms[1]} less {arms[0]}, of proportions in percentage points; of times to onset they are minutes saved. "
        "A case whose gap between two tests spans the minute counts with the proportion that the whole curve gives it: "
        "proportions and counts of tests differ a little.",
        "Differences are within patients; the hazard ratio is not." if any(map(within_patients, differences)) else "",
        *sorted(reasons_of((*differences, population.hazard_ratio))),
        " ".join(dict.fromkeys(tidy(c.text) for e in differences for c in e.caution)),
    )


def _periods_table(results: StudyResults) -> Table:
    """Quarter by quarter, and all to date."""
    protocol = results.protocol
    rows = []
    for population in (*results.by_quarter, results.overall):
        name = "All to date" if population.dimension == "overall" else _quarter_name(population, results)
        shares = [
            f"{whole(share_text(e))} of\u00a0{cases}" if (cases := _cases_of(e, code, population)) else "no case"
            for code, e in zip(protocol.arm_codes, population.success, strict=False)
        ]
        rows.append((name, *shares, whole(estimate_shown(population.success_difference))))
    return Table.of(
        f"Numb by {protocol.onset.target_min:g} min, quarter by quarter",
        ("", *map(protocol.label, protocol.arm_codes[:2]), "difference, percentage points"),
        rows,
        f"With {level(protocol.plan.conf_level)} intervals{without_looks(results.looks)}.",
        f"{NONE}: cannot be estimated from these cases." if any(NONE in c for r in rows for c in r) else "",
        strong=(len(rows) - 1,),
    )


def where_section(results: StudyResults) -> Section:
    """By technique, by practice, and under the other choices of the plan."""
    key = results.protocol.plan.primary
    lines = [Line("All cases", results.overall.difference(key), whole=True)]
    for column, groups in (("technique", results.by_technique), ("practice_id", results.by_practice)):
        if groups:
            lines += [Line(f"By {field_name(column)}")]
            lines += [Line(level_name(column, g.level), g.difference(key)) for g in groups]
    everywhere: Block = absent("All cases are of one technique and one practice.")
    if len(lines) > 1:
        title = "Was it the same everywhere?"
        caption = "Small groups have wide intervals and differ by chance alone; the lines are not a ranking."
        everywhere = forest_block(results, key, lines, name="everywhere", title=title, caption=caption)
    return Section.of(
        "everywhere",
        "Where and how it holds",
        everywhere,
        _techniques_table(results),
        _choices(results) if results.sensitivity else None,
    )


def _choices(results: StudyResults) -> tuple[Block, Block]:
    lead = quantity_of(results.protocol.plan.primary)
    lines = [Line(capital(v.label), v.difference(lead.key), whole=v.code == "main") for v in results.sensitivity]
    title = "Would other choices have changed the answer?"
    caption = "The same comparison under the other choices that the plan names."
    if lead.rests_on != "cold_tests":
        caption += " How cold tests are read does not touch it."
    said = [capital(tidy(f"{v.label}: {v.text}")) for v in results.sensitivity if v.code != "main"]
    drawn = forest_block(results, lead.key, lines, name="choices", title=title, caption=caption)
    return drawn, note(". ".join(said) + ".")


def _techniques_table(results: StudyResults) -> Table:
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
            assert isinstance(population.wait_difference, NotAvailable)
            rows.append((f"not compared: {reason_of(population.wait_difference)}", "", "", ""))
            continue
        for name, arms, difference, show in found:
            rows.append((name, *(whole(show(e)) for e in arms[:2]), whole(estimate_shown(difference))))
        rows.append(("Hazard ratio", "1", whole(estimate_shown(population.hazard_ratio)), ""))
        if not isinstance(pain, NotAvailable):
            base = 1 if pain.unit == "points" else 0
            rows.append((f"Pain by ranks, shift in {pain.unit}", "", "", whole(near_text(pain.shift, base=base))))
        wanting += (*(d for _, _, d, _ in found), population.hazard_ratio, getattr(pain, "shift", pain))
    return Table.of(
        "Technique by technique",
        ("", *map(protocol.label, protocol.arm_codes[:2]), "difference"),
        rows,
        f"With {level(protocol.plan.conf_level)} intervals{without_looks(results.looks)}. Differences of "
        "proportions are in percentage points; of times to onset they are minutes saved.",
        *reasons_of(wanting),
    )
