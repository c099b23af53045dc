"""Negative controls of a group: counted by the practices, compared as from the rows, told in the practice's words."""

from __future__ import annotations

import dataclasses
import json

import pytest

from onsetstudy.core.results import Estimate
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.files.documents.reports import results_json
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.sections.appendix.testing import negative_section, negative_words
from onsetstudy.study.counts.aggregate_counts import CONTROLS, add_tallies, tally_records
from onsetstudy.study.counts.disclosure import learned_by_subtraction, what_can_be_learned
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.counts.exchange_check import check_exchange
from onsetstudy.study.exchange_results import CountTable, Exchange
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.group.controls import group_controls
from onsetstudy.study.group.pool_files import gather
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.negative_controls import negative_controls
from tests.study.cases import case, protocol, readings_of, records

pytestmark = pytest.mark.usefixtures("unpainted")

PROTOCOL = protocol()
LAST = PROTOCOL.quarters[-1]
FALSE = {("P01", "plain"): 0, ("P01", "buffered"): 9, ("P02", "plain"): 1, ("P02", "buffered"): 8}
"""Cases of twelve whose control tooth stopped feeling."""


def made(practices=("P01", "P02"), false=FALSE, many=12):
    """Cases with five tests each; a control tooth that was lost was so at the second and third of them."""
    cases, tests, n = [], [], 0
    for code in practices:
        for place, arm in enumerate(("plain", "buffered")):
            for k in range(many):
                n += 1
                score = str(10 + 3 * (k % 5) + 4 * place + (7 if code == "P02" else 0))
                number = f"{code}-{n:04d}"
                extra = {"practice_id": code, "case_id": number, "clinician_id": f"{code}-C1"}
                cases.append(case(n, arm, baseline_response="felt", pain_insertion=score, **extra))
                lost = k < false[code, arm]
                rows = readings_of(n, ("fffnn", "ffnnn", "fffff")[k % 3], control=False)
                answers = "fnnff" if lost else "fffff"
                rows += [{**r, "tooth_role": "control", "response": "felt" if a == "f" else "not_felt"}
                         for r, a in zip(rows, answers, strict=True)]  # fmt: skip
                tests += [{**r, "case_id": number} for r in rows]
    checked = records(cases, tests, PROTOCOL)
    assert not checked.problems, [str(p) for p in checked.problems]
    return checked


RECORDS = made()
TALLY = tally_records(PROTOCOL, RECORDS, through=LAST)


def sent(tally=TALLY, **options):
    return [
        (f"{c}.json", make_exchange(tally, PROTOCOL, c, records_digest="0" * 64, **options)) for c in tally.practices
    ]


FILES = sent()


def without_controls(exchange):
    return dataclasses.replace(exchange, controls=None)


def counted(exchange, arm):
    return {what: n for a, what, n in exchange.controls.rows if a == arm}


def test_tests_of_control_teeth_are_counted_by_hand():
    """Two in a row: a tooth felt five times has four tests that could be the first; one lost at the second has two."""
    plain, buffered = (counted(FILES[0][1], arm) for arm in ("plain", "buffered"))
    assert plain == {"cases": 12, "tests": 60, "able": 48}
    assert buffered == {"cases": 12, "tests": 60, "able": 9 * 2 + 3 * 4, "began": 9, "not_felt": 18}


def test_the_group_compares_as_the_rows_do():
    data, _ = prepare(PROTOCOL, RECORDS, through=LAST)
    # Files count control teeth by the protocol's own rule; single losses are told by a practice's rows alone.
    rows = [c for c in negative_controls(data, RECORDS) if c.outcome != "control_single"]
    counts = group_controls(gather(FILES, PROTOCOL))
    assert [c.outcome for c in counts] == [c.outcome for c in rows] == ["insertion_pain", "control_tooth"]
    for ours, theirs in zip(counts, rows, strict=True):
        assert ours.difference.quantity == theirs.difference.quantity
        assert ours.difference.estimate == pytest.approx(theirs.difference.estimate, abs=1e-12)
        assert ours.difference.interval.low == pytest.approx(theirs.difference.interval.low, abs=1e-12)
        assert ours.difference.interval.high == pytest.approx(theirs.difference.interval.high, abs=1e-12)
        assert ours.difference.n == theirs.difference.n
        assert [a.n for a in ours.arms] == [a.n for a in theirs.arms]


def test_counts_of_parts_add_up_to_those_of_the_whole():
    parts = [tally_records(PROTOCOL, made((code,)), through=LAST) for code in ("P01", "P02")]
    whole = add_tallies(parts).controls
    assert whole.to_dict("records") == add_tallies([TALLY]).controls.to_dict("records")
    assert set(whole["what"]) == set(CONTROLS)


def test_the_report_and_its_json_tell_what_differs_in_the_words_of_a_practice():
    results = analyse_group(FILES, PROTOCOL)
    assert [c.differs for c in results.negative] == [True, True]
    document = compose_group(results)
    section = next(s for s in document.sections if s.id == "negative")
    assert section == negative_section(results.negative, PROTOCOL)
    first = next(b for b in document.sections[0].blocks if b.kind == "cautions")
    said = negative_words(results.negative)[0]
    assert said in first.texts
    assert not any(sign.isdigit() for sign in said)
    assert section.blocks[1].rows[1][1:3] == ("1 of 94", "17 of 62")
    told = json.loads(results_json(results))
    found = next(v for v in _values(told, "negative"))
    assert [c["outcome"] for c in found] == ["insertion_pain", "control_tooth"]


def _values(content, key):
    """Every value under a key, at any depth."""
    if isinstance(content, dict):
        for name, value in content.items():
            if name == key:
                yield value
            yield from _values(value, key)
    elif isinstance(content, list):
        for value in content:
            yield from _values(value, key)


def test_arms_alike_are_no_warning():
    alike = made(false=dict.fromkeys(FALSE, 2))
    results = analyse_group(sent(tally_records(PROTOCOL, alike, through=LAST)), PROTOCOL)
    control = results.negative[1]
    assert control.difference.estimate == pytest.approx(0)
    assert not control.differs
    first = next(b for b in compose_group(results).sections[0].blocks if b.kind == "cautions")
    assert not any("the control tooth, outside the numb field" in text for text in first.texts)


def test_an_arm_with_few_control_teeth_is_kept_back_and_said():
    few = made(("P01",), many=4, false=dict.fromkeys(FALSE, 1))
    tally = tally_records(PROTOCOL, few, through=LAST)
    ((_, exchange),) = sent(tally, least_cases=5)
    assert exchange.controls.rows == ()
    assert exchange.held_back.controls_kept_back == 8
    assert any("Control teeth of 8 cases were kept back" in line for line in what_can_be_learned(exchange))
    assert check_exchange(exchange) == []
    assert not any("control teeth" in line.lower() for line in what_can_be_learned(without_controls(sent()[0][1])))


def test_files_from_before_are_read_and_whose_teeth_are_missing_is_said():
    before = without_controls(FILES[0][1])
    content = to_dict(before)
    del content["controls"], content["held_back"]["controls_kept_back"]
    read = from_dict(content)
    assert isinstance(read, Exchange)
    assert read == before
    results = analyse_group([("old.json", read), FILES[1]], PROTOCOL)
    letter = results.letter("P01")
    assert results.controls_untold == (letter,)
    table = next(s for s in compose_group(results).sections if s.id == "negative").blocks[1]
    assert f"practice {letter} are not counted" in table.notes[1]
    assert table.rows[1][1:3] == ("1 of 46", "8 of 32")
    alone = analyse_group([("old.json", read)], PROTOCOL)
    assert [c.outcome for c in alone.negative] == ["insertion_pain"]


def test_letters_of_files_from_before_stay():
    """A letter is drawn from what a file held: nothing that was added since moves it."""
    from onsetstudy.study.exchange_results import as_sent

    content = as_sent(without_controls(FILES[0][1]))
    assert "controls" not in content
    assert "controls_kept_back" not in content["held_back"]
    assert "controls" in as_sent(FILES[0][1])


def edited(*rows):
    table = CountTable(columns=("arm", "what", "n"), rows=rows)
    return dataclasses.replace(FILES[0][1], controls=table)


WHOLE = (("plain", "cases", 12), ("plain", "tests", 60), ("plain", "not_felt", 4), ("plain", "able", 48),
         ("plain", "began", 2))  # fmt: skip


@pytest.mark.parametrize(
    ("place", "n", "code"),
    [(0, 13, "sum"), (0, 4, "small_group"), (1, 3, "sum"), (2, 61, "sum"), (3, 61, "sum"), (4, 49, "sum"),
     (4, 5, "sum"), (1, 1201, "sum"), (2, -1, "count"), (3, 0.5, "count")],
)  # fmt: skip
def test_counts_that_cannot_be_are_refused(place, n, code):
    assert check_exchange(edited(*WHOLE)) == []
    rows = tuple((*row[:2], n) if k == place else row for k, row in enumerate(WHOLE))
    assert code in [p.code for p in check_exchange(edited(*rows))]


def test_a_word_that_is_no_count_of_control_teeth_is_refused_unread():
    problems = check_exchange(edited(*WHOLE, ("plain", "Erika", 1)))
    assert [p.code for p in problems] == ["word"]
    assert "Erika" not in str(problems[0])
    assert [p.code for p in check_exchange(edited(*WHOLE, ("plain", "serious", 1)))] == ["word"]


def test_control_teeth_of_few_cases_added_are_told_by_subtraction():
    grown = edited(("plain", "cases", 14), *WHOLE[1:])
    found = learned_by_subtraction(edited(*WHOLE), grown)
    assert found[0].startswith("2 cases more with a control tooth in the arm plain")
    assert not any("control tooth" in line for line in learned_by_subtraction(edited(*WHOLE), edited(*WHOLE)))


def test_pain_at_insertion_that_the_study_compares_is_no_control():
    pain = dataclasses.replace(PROTOCOL.pain, moment="insertion")
    asked = dataclasses.replace(PROTOCOL, pain=pain)
    counts = dataclasses.replace(gather(FILES, PROTOCOL), protocol=asked)
    assert [c.outcome for c in group_controls(counts)] == ["control_tooth"]
    assert isinstance(group_controls(counts)[0].difference, Estimate)
