"""How the records were, and what makes the testing doubtful, in words for the first page."""

from __future__ import annotations

from onsetstudy.records.derived.results import Doubt, MissingField
from onsetstudy.report.document import Section, Table
from onsetstudy.report.names import field_name
from onsetstudy.report.numbers import counted, decimal, listed, quarter, tidy
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.results import ChairClocks, DataQuality

NAMED = 4
"""So many operators are named; the others are counted."""
LEAST_SHOWN_S = 0.01
"""Less than this is not told apart: a comparison of two clocks takes longer."""


def missing_words(field: MissingField) -> str:
    """What is missing, in how many cases, what that costs and whom to ask."""
    named = _whom(field)[:NAMED]
    others = sum(n for *_, n in field.whom[NAMED:])
    named += [f"others ({others})"] if others else []
    missing = f"{field.column} is missing in {field.missing} of {counted(field.of, 'case')}"
    return f"{missing}: {field.why}. Ask {listed(named)}."


def _whom(field: MissingField) -> list[str]:
    return [f"{operator} of {practice} ({n})" for practice, operator, n in field.whom]


def missing_line(missing: tuple[MissingField, ...]) -> list[str]:
    """One line for the first page; nothing where nothing is missing."""
    if not missing:
        return []
    most = missing[0]
    rest = f", and {counted(len(missing) - 1, 'other field')}" if len(missing) > 1 else ""
    return [
        f"Missing in the records of this quarter: {field_name(most.column)} in {most.missing} of "
        f"{counted(most.of, 'case')}{rest}. See How the records were."
    ]


def clocks_words(clocks: ChairClocks) -> str:
    """How far clocks ran apart at the chair, in how many cases, and how many intervals that widened."""
    text = f"{counted(clocks.cases, 'case')} {'was' if clocks.cases == 1 else 'were'} recorded at the chair. "
    if clocks.apart_s is None:
        text += "How the clock of the page ran against the computer's could not be measured in any of them"
    else:
        apart = f"{decimal(clocks.apart_s, 2)} s" if clocks.apart_s >= LEAST_SHOWN_S else f"less than {LEAST_SHOWN_S} s"
        text += (
            f"While it timed a case the clock of a page ran at most {apart} from the computer's (measured in "
            f"{clocks.measured} of {clocks.cases}), which is allowed for"
        )
    intervals = "no interval" if clocks.widened == 0 else counted(clocks.widened, "interval")
    return (
        f"{text}; {intervals} {'was' if clocks.widened < 2 else 'were'} widened because clocks could not be reconciled."
    )


def records_section(results: StudyResults) -> Section:
    """What was read, refused and noticed."""
    quality = results.data_quality
    arms = map(results.protocol.label, results.protocol.arm_codes)
    reasons = [(text, *map(str, counts)) for _, text, counts in quality.onset_reasons if sum(counts)]
    return Section.of(
        "quality",
        "How the records were",
        f"{counted(quality.rows_read, 'case row')} were read and {quality.rows_refused} refused; "
        f"{counted(quality.readings_read, 'cold test')} were read and {quality.readings_refused} refused. Refused rows "
        "are kept with their reasons.",
        None if quality.clocks is None else clocks_words(quality.clocks),
        Table.of("What was noticed in the records", ("", "times"), _notices(quality)),
        Table.of("How onset was derived, cases", ("", *arms), reasons),
        Table.of(
            f"What is missing in cases of {quarter(results.quarter)}, and whom to ask",
            ("field", "cases", "without it", "whom to ask (cases)"),
            [(field_name(f.column), f"{f.missing} of {f.of}", f.why, listed(_whom(f))) for f in quality.missing],
            align="lrll",
        ),
    )


def _notices(quality: DataQuality) -> list[tuple[str, ...]]:
    """What was refused, queried and read although unusual, and how the testing went."""
    rows: list[tuple[str, ...]] = []
    for name, notices in (
        ("Refused", quality.refused),
        ("Read, but to be looked at", quality.queried),
        ("Read although written in another way", quality.repaired),
        ("How the testing went", quality.testing),
    ):
        if notices:
            rows += [(name,), *((tidy(notice.text), f"{notice.count}") for notice in notices)]
    return rows


NOT_AGAIN = (
    "{0} of {1} teeth that stopped feeling the cold{whose} were not felt at their last test and not tested again. An "
    "onset takes {2} such tests in a row, so that none of the {0} counts as numb: test once more from now on, or amend "
    "the protocol."
)
WORDS = {
    "control_lost": "The control tooth was lost with the target in {0} of {1} cases{whose}: was it inside the "
    "numb field?",
    "control_lost_in_arm": "The control tooth was lost with the target in {0} of {1} cases of one arm and {2} of {3} "
    "of the other: was it inside the numb field?",
    "clock": "In {0} of {1} cases{whose} the first planned tests are not recorded, or tests lie long after the last "
    "one: was every test noted, and how was the time taken?",
    "not_tested_again": NOT_AGAIN,
    "some_not_tested_again": NOT_AGAIN,
    "control_in_field": "In {0} of {1} cases{whose} the control tooth lies inside the field of the injection, where it "
    "goes numb itself.",
    "off_schedule_positive": "Of {2} tests off schedule {0} found the tooth numb, where about {1} would be expected: "
    "were they done because the patient felt something?",
    "tested_differently": "The arms were not tested alike: tests off schedule were {0} in one arm and {1} in the "
    "other.",
    "tests_vanished": "The arms were not tested alike: planned tests not done in time were {0} in one arm and {1} in "
    "the other.",
    "tested_later": "The arms were not tested alike: of the planned tests that were felt {0} of {1} were done after "
    "their minute in one arm and {2} of {3} in the other, and it is planned minutes that date onset.",
    "given_up": "Testing of teeth that still felt the cold ended before the horizon in {0} of {1} cases of one arm and "
    "{2} of {3} of the other: teeth that were given up look as if they would have become numb like the rest.",
    "onset_unconfirmed": "Teeth that stopped feeling the cold have no confirmed onset in {0} of {1} cases of one arm "
    "and {2} of {3} of the other: they count as not numb.",
    "tests_discarded": "Tests of numb teeth that do not count because of the control tooth were {0} in one arm and {1} "
    "in the other.",
}

REASONS = {
    "control_lost": "the control tooth was lost with the target",
    "control_lost_in_arm": "the control tooth was lost with the target in one arm more than in the other",
    "clock": "the first planned tests are not recorded, or tests lie long after the last one",
    "not_tested_again": "most teeth that stopped feeling were not tested again",
    "some_not_tested_again": "teeth that stopped feeling were not tested again",
    "control_in_field": "control teeth lay inside the field of the injection",
    "off_schedule_positive": "tests off schedule found teeth numb too often",
    "tested_differently": "the arms were not tested off schedule alike",
    "tests_vanished": "more planned tests are missing in one arm",
    "tested_later": "planned tests were done later in one arm",
    "given_up": "teeth that still felt the cold were given up in one arm more than in the other",
    "onset_unconfirmed": "more onsets are not confirmed in one arm",
    "tests_discarded": "more tests of numb teeth are discarded in one arm",
}
"""The same without counts, as part of a sentence."""


def doubt_words(doubts: tuple[Doubt, ...]) -> list[str]:
    """One sentence for each doubt, the gravest first."""
    told = []
    for doubt in doubts:
        whose = f" (practice {listed(doubt.practices)})" if doubt.practices else ""
        told.append(WORDS[doubt.code].format(*(n for _, n in doubt.counts), whose=whose))
    return told
