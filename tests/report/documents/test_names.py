"""Readers meet the standard terms, one word for one thing, and no code."""

from __future__ import annotations

import dataclasses
import re

import pytest

from onsetstudy.records.validity.completeness import WHY
from onsetstudy.report.document import TOLD_BEFORE, Cautions
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.names import field_name
from onsetstudy.report.numbers import tidy
from onsetstudy.report.render.html import render_html
from tests.report.claimed import group_of
from tests.report.samples import rich, small

pytestmark = pytest.mark.usefixtures("unpainted")

BANNED = (
    r"\bplain\b|ratio of rates|\bmean waits?\b|never numb|in a hundred|of a hundred|\bmend\b|error spent|times as fast"
    r"|\brescue\b|third check|\b1 (?:cases|waits|looks|scores|practices)\b"
)
CODE = r"\b[a-z]+_[a-z_]+\b"


def shown(document):
    """What a reader sees or hears: text and alternative texts, the title of the study left out, which is its own."""
    # Notices about the records name the columns of the records as the practice wrote them.
    kept = tuple(s for s in document.sections if s.id != "quality")
    page = render_html(dataclasses.replace(document, sections=kept))
    page = re.sub(r"<(style|script)\b.*?</\1>", " ", page, flags=re.S)
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))
    return text.replace(document.title, "")


@pytest.mark.parametrize("make", [small, rich])
@pytest.mark.parametrize("whose", ["practice", "group", "member"])
def test_pages_speak_in_standard_terms(make, whose):
    results = make()
    group = group_of(results)
    document = {
        "practice": lambda: compose(results),
        "group": lambda: compose_group(group),
        "member": lambda: compose_group(group, practice="P01"),
    }[whose]()
    text = shown(document)
    assert "not buffered" in text
    found = sorted({m.group(0) for m in re.finditer(BANNED, text, re.I)})
    assert not found, [text[max(0, m.start() - 50) : m.end() + 50] for m in re.finditer(BANNED, text, re.I)]
    codes = {m.group(0) for m in re.finditer(CODE, text)}
    assert not codes, [text[max(0, m.start() - 50) : m.end() + 50] for m in re.finditer(CODE, text)]


def test_the_shown_name_of_an_arm_follows_its_code_and_label():
    promised = rich().protocol
    assert promised.label("plain") == "not buffered"
    assert promised.label("buffered") == "buffered"
    named = tuple(dataclasses.replace(a, label="control") if a.code == "plain" else a for a in promised.arms)
    assert dataclasses.replace(promised, arms=named).label("plain") == "control"


def test_no_caution_stands_twice_and_the_first_page_is_referred_to():
    for document in (compose(rich()), compose_group(group_of(rich()))):
        shown = [t for s in document.sections for b in s.blocks if isinstance(b, Cautions) for t in b.texts]
        assert len(shown) == len(set(shown))
        assert sum("first page" in t for t in shown) <= 1
    first, later = (
        [t for b in s.blocks if isinstance(b, Cautions) for t in b.texts]
        for s in compose(rich()).sections
        if s.id in ("answer", "cautions")
    )
    assert first
    assert later[0] == TOLD_BEFORE
    assert {tidy(c.text) for c in rich().caution} <= {*first, *later}


def test_a_field_that_may_be_missing_has_a_name_of_its_own_on_the_page():
    """No column that stands for something else in words: an abbreviation, a unit, a code of a person's role."""
    names = {column: field_name(column) for column in WHY if column not in ("pain", "guess")}
    assert all(name and name != column.replace("_", " ") for column, name in names.items() if "_" in column)
    assert field_name("pain_deposition") == "pain at deposition"
    assert field_name("guess_assessor") == "the tester's guess of the arm"
