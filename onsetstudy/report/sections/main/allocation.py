"""Who was included, arm beside arm, and whether the arm was given that chance had chosen."""

from __future__ import annotations

from onsetstudy.records.derived.results import NOT_CHECKED, arms_told
from onsetstudy.report.cells import NONE, mean_text, whole
from onsetstudy.report.document import Flow, FlowStep, Pieces, Section, Table, note
from onsetstudy.report.names import level_name, plain_words
from onsetstudy.report.numbers import aligned, counted, decimal, listed, percent
from onsetstudy.study.practice.results import StudyResults

WHERE_SHOWN = 5
SOURCES = {"list": "on the list of slips", "log": "in the opening log"}
VARIABLES = {
    "practice_id": "Practice",
    "clinician_id": "Operator",
    "procedure": "Treatment",
    "technique": "Technique",
    "pulp_status": "Pulp",
    "agent": "Anaesthetic",
    "vasoconstrictor": "Vasoconstrictor",
    "topical": "Topical anaesthetic",
    "age_band": "Age, years",
    "quarter": "Quarter",
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


def who_section(results: StudyResults) -> Section:
    """Flow of cases, arms beside each other, and how the list was followed."""
    return Section.of(
        "who",
        "Who was included",
        f"{counted(results.overall.n.cases, 'case')} of {counted(len(results.practices), 'practice')} and "
        f"{counted(results.n_clinicians, 'operator')} were analysed.",
        flow(results),
        _balance_table(results),
        _allocation(results),
        new_page=True,
    )


def flow(results: StudyResults) -> Flow:
    """From rows read to cases analysed, each loss with its reason."""
    codes = results.protocol.arm_codes
    steps = []
    for stage in (*results.flow.screening, *results.flow.stages):
        per_arm = {a.arm: a.cases for a in stage.by_arm}
        noted = "of these, analysed all the same" if stage.name == "analysed" else "no case"
        steps.append(
            FlowStep(
                label=STAGES.get(stage.name, stage.name),
                count=f"{stage.count}",
                arms=tuple(f"{per_arm[c]} {results.protocol.label(c)}" for c in codes if c in per_arm),
                lost=tuple((f"{r.count}", f"left out: {r.text}{arms_told(r, results.protocol)}") for r in stage.lost),
                noted=tuple((f"{r.count}", f"{noted}: {r.text}") for r in stage.noted),
            )
        )
    return Flow(caption="From the rows read to the cases analysed", steps=tuple(steps))


def _balance_table(results: StudyResults) -> Table:
    """Cases by arm with standardised differences."""
    found = results.arm_table.rows
    differences = [NONE if (d := row.standardised_difference) is None else decimal(d, 2) for row in found]
    rows: list[tuple[str, ...]] = []
    before = ""
    for row, difference in zip(found, aligned(differences), strict=True):
        name = VARIABLES.get(row.variable, plain_words(row.variable))
        head = name if row.level else "Measures"
        if head != before:
            rows.append((head,))
        before = head
        rows.append(
            (
                level_name(row.variable, row.level) or name,
                *(_arm_cell(cell, row.level) for cell in row.cells),
                difference,
            )
        )
    arms = [*map(results.protocol.label, results.protocol.arm_codes)]
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
        return mean_text(mean, sd, count or 0, of or 0)
    if of_level == "":
        return "none recorded"
    return whole(f"{count} of {of}" + (f" ({percent((count or 0) / of, of)})" if of else ""))


def _allocation(results: StudyResults) -> list[Pieces]:
    """What a reader has to know about allocation: a sentence, and a table where the list was not followed."""
    review, arms = results.allocation, results.arms
    if review is None:
        reason = "" if arms is None else f": {arms.reason}"
        return [note(f"Randomised, but {NOT_CHECKED}{reason}.")] if results.protocol.study.randomised else []
    had = "none of them received" if review.other_arm == 0 else f"{review.other_arm} of them received"
    text = f"{review.with_slip} of {counted(review.cases, 'randomised case')} were found {SOURCES[review.source]}; "
    if arms is not None and arms.as_injected:
        text += f"{NOT_CHECKED}."
    else:
        text += f"{had} another arm than chance had chosen. Arms are compared as allocated (intention to treat), "
        text += "whatever was injected."
        if arms is not None and (rest := arms.cases - arms.verified):
            text = text.removesuffix(".") + (
                f", in {arms.verified} of {counted(arms.cases, 'case')} analysed; the other {rest} "
                f"{'counts' if rest == 1 else 'count'} in the arm that was injected."
            )
    if arms is not None and arms.kept:
        text += (
            f" {counted(arms.kept, 'case')} whose anaesthetic, technique or procedure lies outside the protocol stay "
            "in the comparison: it was recorded after the slip was opened."
        )
    rows = ((f"{d.count}", d.text, _where(d.where, d.count)) for d in review.deviations)
    return [text, Table.of("Where the list of slips was not followed", ("number", "what", "which"), rows, align="rll")]


def _where(where: tuple[str, ...], count: int) -> str:
    shown = where[:WHERE_SHOWN]
    more = count - len(shown)
    return listed(shown) if more <= 0 else f"{', '.join(shown)} and {more} more"
