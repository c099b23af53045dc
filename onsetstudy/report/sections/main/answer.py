"""Page 1: the answer, how sure one may be, and what to mind; and what it would take to know more."""

from __future__ import annotations

from functools import partial

from onsetstudy.core.claims import within_patients
from onsetstudy.core.results import Estimate
from onsetstudy.records.derived.results import shut
from onsetstudy.report.cells import NONE
from onsetstudy.report.document import Cautions, Figure, Pieces, Section, Table, absent
from onsetstudy.report.figures import key_rows
from onsetstudy.report.numbers import THIN, capital, counted, level, tidy
from onsetstudy.report.sections.appendix.interim import anytime_first_page
from onsetstudy.report.sections.appendix.testing import negative_words
from onsetstudy.report.sections.blocks import curves_block, told
from onsetstudy.report.sections.main import doses
from onsetstudy.report.sections.main.records import doubt_words, missing_line
from onsetstudy.report.sentences import ALLOWED, sentence
from onsetstudy.study.practice.results import StudyResults

ALWAYS_FIRST = ("test_the_tooth", "not_randomised", "arms", "refused", "opened_for_nobody")
"""What stands on the first page of every study that it is true of, whatever else there is to say. Where no number is
shown there is nothing beside it: the other cautions are about figures of the cold tests too."""
DECIDES = (
    "arms_apart",
    "log_doubted",
    "opened_late",
    "none_numb",
    "all_numb_at_first",
    "operator_one_arm",
    "main_outcome_missing",
    "analysed_early",
    "plan_after_data",
)
"""What decides whether the headline may be believed: above everything about how exact it is, and above what is missing
elsewhere."""
AS_ROOM_ALLOWS = (
    "incomplete_pairs",
    "untested_pairs",
    "cases_together",
    "baseline_untold",
    "few_onsets",
    "practices_together",
    "coarser_strata",
    "unlike_gaps",
    "unlike_schedules",
    "small_sample",
    "sample",
    "repeated_looks",
)
"""About the number: the first of them, as far as there is room; all stand under Cautions."""
UNDER_CAUTIONS = (
    "further_cases",
    "pairs_taken_apart",
    "first_test_too_late",
    "many_numb_at_first_test",
    "clusters_too_narrow",
    "not_dosing",
    "mixing",
    "ethics",
    "on_record",
)
"""Told under Cautions alone: a section of its own says more, or they hold whatever was found."""
OF_COLD_TESTS = ("none_numb", "all_numb_at_first")
ROOM = 3
MOST_LINES = 7
"""With so many cautions the fields that are missing elsewhere are told in their own section alone."""
FIRST_PAGE_CURVES = 2.1


def answer_section(results: StudyResults) -> Section:
    """The answer with its figure and cautions; no number of tests that cannot bear one."""
    said, protocol = sentence(results.claims.primary(), results.protocol), results.protocol
    cautions = {c.code: tidy(c.text) for c in reversed(results.caution)}
    if results.looks is not None:
        # The first sentence is the verdict of the look, with the interval that allows for it.
        cautions.pop("repeated_looks", None)
    if results.anytime is not None:
        cautions["repeated_looks"] = anytime_first_page(results.anytime, protocol)
    if shut(results.doubts):
        cautions = {code: text for code, text in cautions.items() if code not in OF_COLD_TESTS}
    first = [cautions[code] for code in (*ALWAYS_FIRST, *DECIDES) if code in cautions]
    told_of_number = [cautions[code] for code in AS_ROOM_ALLOWS if code in cautions][: max(1, ROOM - len(first))]
    first += [] if shut(results.doubts) else told_of_number
    first = [*doubt_words(results.doubts), *doses.passed_a_line(results.doses), *first]
    first += negative_words(results.negative)
    first += missing_line(results.data_quality.missing) if len(first) < MOST_LINES else []
    shown: Pieces
    if shut(results.doubts):
        # Not one number of the cold tests stands here; harms and doses are never withheld, nor is kindness.
        shown = told(results, "pain_difference") if protocol.pain is not None else None
    else:
        shown = (_key(results), curves_block(results, height=FIRST_PAGE_CURVES))
    return Section.of("answer", "", said, shown, Cautions(texts=tuple(first)))


def _key(results: StudyResults) -> Figure:
    dots = key_rows.data_for(results)
    n, pain, patients = results.overall.n.cases, results.claims.get("pain_difference"), ""
    who = [counted(n, "case")]
    if results.paired is not None:
        patients, lead = counted(results.paired.pairs, "patient"), results.claims.primary()
        who.append(f"{patients} with both arms")
        if within_patients(lead.answer) and lead.quantity.unit != "score":
            tested = lead.answer.n.cases // 2
            who[-1] += f", {tested} of them tested in both" if tested < results.paired.pairs else ""
    if pain is not None and isinstance(pain.answer, Estimate) and pain.answer.n.onsets != n:
        who += [f"pain: {pain.population}"] if pain.population != patients else []
    caption = "; ".join(who) + "."
    if any(dot.estimate is not None for dot in dots):
        caption += (
            f" Dots are estimates, lines their {level(results.protocol.plan.conf_level)} intervals"
            f"{'' if results.looks is None else f' (of differences, {ALLOWED})'}; the upright at 0 means none, or no "
            "difference."
        )
    if any(dot.matters is not None for dot in dots):
        caption += " From the dotted line on, a difference matters to this study."
    return key_rows.draw_figure(results).titled("key", "What was found, and how sure one may be", caption)


DECIDED = (
    "The boundary set beforehand was crossed: whether the arms differ is decided. What follows is what a new study, or "
    "a closer answer, would take. "
)


def more_section(results: StudyResults) -> Section:
    """Cases still needed, by size of the effect: what has been seen beside what the plan's effect asks for."""
    more, section = results.more_needed, partial(Section.of, "more", "What it would take to know more")
    if more is None:
        return section(absent("The plan names no effect to be found."))
    decided = results.looks is not None and any(v.code == "crossed" for v in results.looks.verdicts)
    effect = more.effect or f"a hazard ratio of {more.hazard_ratio:g}"
    of_patients = results.protocol.study.paired and more.events_needed is None
    what = "Patients analysed" if of_patients else "Cases analysed"
    rows = [(what, f"{more.cases_seen}", NONE if more.cases_needed is None else f"{more.cases_needed}")]
    if more.events_needed is not None:
        rows.insert(0, ("Teeth seen to go numb", f"{more.events_seen}", f"{more.events_needed}"))
    table = Table.of(
        "Seen so far, and needed",
        ("", "seen", "needed"),
        rows,
        f"For {tidy(effect)}, {100 * more.power:.0f}{THIN}% power of the {more.test} at a two-sided level of "
        f"{100 * more.alpha:.2g}{THIN}%. {capital(more.source)}.",
        f"{NONE}: cannot be told before a tooth has been seen to go numb." if more.cases_needed is None else "",
    )
    return section((DECIDED if decided else "") + tidy(more.text), table)
