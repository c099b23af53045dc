"""Which cautions stand on page 1: every one that can be made has a place, what decides stands first, on one page."""

from __future__ import annotations

import ast
import dataclasses
import inspect
import re
from collections import Counter
from types import ModuleType

import pytest

from onsetstudy.cli import reported_entries
from onsetstudy.core.results import Caution
from onsetstudy.records.derived.results import MissingField
from onsetstudy.report.document import Cautions
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.render.pdf import render_pdf
from onsetstudy.report.sections.group import first_page as group
from onsetstudy.report.sections.main import answer
from onsetstudy.study.answer import cautions as shared
from onsetstudy.study.group import analyse_group
from onsetstudy.study.practice import cautions, subsets
from onsetstudy.survival.testing import schedule_checks
from tests.report.samples import rich, small

PAGE_ONE = Counter((*answer.ALWAYS_FIRST, *answer.DECIDES, *answer.AS_ROOM_ALLOWS, *answer.UNDER_CAUTIONS))
PAGE_ONE_OF_A_GROUP = Counter((group.FIRST, *group.CAUTIONS, *group.UNDER_CAUTIONS))
OF_A_GROUP_TOO = ("apart_caution", "plan_caution", "few_onsets_caution", "ethics_caution")


def strings(node: ast.AST) -> set[str]:
    return {each.value for each in ast.walk(node) if isinstance(each, ast.Constant) and isinstance(each.value, str)}


def codes_made(module: ModuleType, *functions: str) -> set[str]:
    """Codes of the cautions that a module makes, or some of its functions, and of those that it takes from others."""
    return codes_in(inspect.getsource(module), *functions)


def codes_in(source: str, *functions: str) -> set[str]:
    tree = ast.parse(source)
    parts = [n for n in tree.body if isinstance(n, ast.FunctionDef) and n.name in functions] if functions else [tree]
    found: set[str] = set()
    for part in parts:
        keys = {k for d in ast.walk(part) if isinstance(d, ast.Dict) for k in d.keys if isinstance(k, ast.Constant)}
        for call in (node for node in ast.walk(part) if isinstance(node, ast.Call)):
            name = getattr(call.func, "id", "")
            if name == "cautions_of":
                found |= strings(call.args[1])
            elif name == "Caution":
                (code,) = [k.value for k in call.keywords if k.arg == "code"]
                # A code that is looked up stands among the keys of the function's own table.
                asked = code.test if isinstance(code, ast.IfExp) else None
                found |= strings(code) - (set() if asked is None else strings(asked))
                found |= {k.value for k in keys} if isinstance(code, ast.Name) else set()
    return found


def test_every_caution_of_a_practice_stands_in_exactly_one_list():
    made = codes_made(cautions) | codes_made(subsets) | codes_made(schedule_checks)
    made |= codes_made(shared) | codes_made(reported_entries)
    assert {"opened_late", "sample", "small_sample", "arms", "few_onsets", "coarser_strata", "on_record"} <= made
    assert set(PAGE_ONE) == made
    assert set(PAGE_ONE.values()) == {1}


def test_every_caution_of_a_group_stands_in_exactly_one_list():
    made = codes_made(analyse_group) | codes_made(reported_entries)
    made |= codes_made(shared, "group_slips_caution", "group_arms_caution", "_slips", *OF_A_GROUP_TOO)
    # Two of the shared ones are constants.
    made |= {shared.TEST_THE_TOOTH.code, shared.NOT_RANDOMISED.code}
    assert {"no_ranks", "ethics", "arms", "opened_for_nobody", "practices_together"} <= made
    assert set(PAGE_ONE_OF_A_GROUP) == made
    assert set(PAGE_ONE_OF_A_GROUP.values()) == {1}
    assert set(group.OF_THE_ANSWER) <= set(group.CAUTIONS)


def test_a_caution_that_nobody_placed_is_found_out():
    """The reading of the source sees a new code, in whichever form one is given."""
    source = """
def one():
    return Caution(code="a" if n else "b", text="x")
def other():
    texts = {"c": "y", "d": "z"}
    return (*(Caution(code=code, text=text) for code, text in texts.items()), *cautions_of(found, ("e", "f")))
"""
    assert codes_in(source) == {"a", "b", "c", "d", "e", "f"}
    assert codes_in(source, "one") == {"a", "b"}


def shown(results) -> list[str]:
    (block,) = [block for block in answer.answer_section(results).blocks if isinstance(block, Cautions)]
    return list(block.texts)


def about(*codes: str) -> tuple[Caution, ...]:
    return tuple(Caution(code=code, text=f"About {code.replace('_', ' ')}.") for code in codes)


def of(results, *codes: str, missing: bool = True):
    field = MissingField(column="guess_patient", missing=14, of=14, whom=(("P01", "A1", 14),), why="no blinding")
    quality = dataclasses.replace(results.data_quality, missing=(field,) if missing else ())
    return dataclasses.replace(results, caution=about(*codes), looks=None, data_quality=quality)


@pytest.mark.parametrize("code", answer.DECIDES)
def test_what_decides_stands_above_what_is_about_the_number_and_what_is_missing(code):
    texts = shown(of(small(), "sample", code, "test_the_tooth", "few_onsets"))
    order = ("test the tooth", code.replace("_", " "), "few onsets", "Missing in the records")
    place = [next(k for k, text in enumerate(texts) if start in text) for start in order]
    assert place == sorted(place)


def test_all_that_decides_stands_and_the_other_fields_give_way():
    texts = shown(of(small(), *answer.ALWAYS_FIRST, *answer.DECIDES, "few_onsets"))
    told = (*answer.ALWAYS_FIRST, *answer.DECIDES)
    assert [t for t in texts if any(f"About {code.replace('_', ' ')}." == t for code in told)] == [
        f"About {code.replace('_', ' ')}." for code in told
    ]
    assert not any("Missing in the records" in text for text in texts)


def test_under_cautions_alone_is_not_on_page_one():
    assert not any("About" in text for text in shown(of(small(), *answer.UNDER_CAUTIONS)))


LONG = {
    "test_the_tooth": shared.TEST_THE_TOOTH.text,
    "not_randomised": shared.NOT_RANDOMISED.text,
    "opened_for_nobody": "Alarm: 12 of 60 opened slips have no record: whoever was allocated by them is in no count "
    "here, and could turn the answer. Find out what became of them.",
    "refused": "12 of 412 cases were refused (6 not buffered, 6 buffered) and are in no count here, which could turn "
    "the answer: correct what is wrong in them.",
    "opened_late": "All 14 slips were opened after the injection: nothing shows that chance chose the arms.",
    "all_numb_at_first": "All 24 teeth were numb at their first test: which became numb sooner cannot be told.",
    "operator_one_arm": "Each operator used one arm only: what differs may be the operator, not the injection.",
    "main_outcome_missing": "2 of 14 scores of the main outcome are missing: less than 0.1 points against the "
    "difference, on average, would put it in doubt.",
    "analysed_early": "Planned to be analysed once, at 266 cases; these are 24. Read it as a description, not as the "
    "study's answer.",
    "arms_apart": shared.APART,
    "plan_after_data": shared.PLAN_DOUBTS["locked_late"],
    "few_onsets": "Few onsets were seen (6 in not buffered, 4 in buffered): the limits are approximate.",
}


@pytest.mark.parametrize("make", [rich, small])
def test_page_one_is_one_page_whatever_there_is_to_mind(make):
    told = tuple(Caution(code=code, text=text) for code, text in LONG.items())
    document = compose(dataclasses.replace(make(), caution=told, looks=None))
    paper = render_pdf(dataclasses.replace(document, sections=document.sections[:1]))
    assert set(re.findall(rb"/Count (\d+)", paper)) == {b"1"}
