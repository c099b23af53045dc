"""A remark that may tell who somebody is gets a question; drugs, techniques and sentence starts do not all ring."""

from __future__ import annotations

import pytest

from onsetstudy.protocol.vocabulary import AGENTS, TECHNIQUES
from onsetstudy.records.checks.privacy import remark_may_tell_who, remark_names_a_person

NAMED = (
    "Dr Anna Berg called",
    "dr. Berg called",
    "Anna Berg called",
    "called her husband Peter",
    "her mother, Ingrid, was there",
    "Second injection by A. Berg",
    "the nurse was Li",
    "mrs berg asked for water",
    "Told Peter Berg to wait",
    "first seen 2024-05-03",
)
ASKED = (
    "born 12.03.1961",
    "born in 1961",
    "comes again on 3 May 2027",
    "seen on 3/5/24",
    "May 3rd, 2027 is the recall",
    "asked Peter to wait",
    "lives in Neustadt",
)
QUIET = (
    "",
    "Patient anxious",
    "Lidocaine leaked. Articaine was taken instead",
    "Repeated with Lidocaine and Epinephrine",
    "IANB failed, EPT 80 at 5 min",
    "Gow-Gates block then",
    "felt at 3, not at 4; Lip numb at 5.5 min",
    "PATIENT WAS ANXIOUS AND TALKED",
    "I'm sure it was cold. It's 1:100,000, X-ray taken",
    "Patient moved. Test missed on Monday",
    "tooth 36, cartridge 1.7 mL, case P01-K7Q2",
    "the dr asked to wait",
    "her husband drove",
    "aspirated twice (No pain)",
)


@pytest.mark.parametrize("remark", NAMED)
def test_a_name_in_a_remark_is_found(remark):
    assert remark_names_a_person(remark)
    assert remark_may_tell_who(remark)


@pytest.mark.parametrize("remark", ASKED)
def test_dates_and_single_names_are_asked_about_and_not_refused(remark):
    assert remark_may_tell_who(remark)
    assert not remark_names_a_person(remark)


@pytest.mark.parametrize("remark", QUIET)
def test_what_names_nobody_does_not_ring(remark):
    assert not remark_may_tell_who(remark)


@pytest.mark.parametrize("word", [*AGENTS, *(w for code in TECHNIQUES for w in code.split("_"))])
def test_words_of_the_trade_may_be_written_with_a_capital(word):
    assert not remark_may_tell_who(f"The {word.title()} was late, then {word.title()} again")
