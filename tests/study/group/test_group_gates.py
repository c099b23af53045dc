"""A practice whose cold tests cannot bear a claim gives no number to its group's answer, and its harms all the same."""

from __future__ import annotations

import dataclasses
import json
import re

import pytest

from onsetstudy.core.errors import RecordsError
from onsetstudy.core.results import Estimate
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.files.exchange import read_exchange, write_exchange
from onsetstudy.records.derived.results import SHUTS, Doubt
from onsetstudy.records.validity.gates import COUNTED, doubts_of_practice
from onsetstudy.report.claims_told import claims_listed
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.sections.group.completeness import gate_words
from onsetstudy.report.sections.main.records import REASONS
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.counts.exchange_check import check_exchange
from onsetstudy.study.group.analyse_group import analyse_group
from tests.report.sections.test_gates_on_page_one import with_control_lost
from tests.study import demo
from tests.study.answer_alone import answer_alone

pytestmark = pytest.mark.usefixtures("unpainted")

PROTOCOL = demo.PROTOCOL
CODES = ("P01", "P02", "P03")
"""One whose tests may fail, and two that are still a group without it."""


def sent(records, practices, through=demo.LAST):
    tally = tally_records(PROTOCOL, records, through=through)
    return [
        (
            f"{code}.json",
            make_exchange(
                tally, PROTOCOL, code, records_digest="0" * 64,
                doubts=doubts_of_practice(records, PROTOCOL, code, through=through),
            ),
        )
        for code in practices
    ]  # fmt: skip


@pytest.fixture(scope="module")
def files():
    records = demo.of_practices(demo.records(), *CODES)
    return sent(records, CODES), sent(with_control_lost(records), CODES)


@pytest.fixture(scope="module")
def of_one_quarter():
    """Two practices' files of the first quarter: who is shut does not hang on how many cases there are."""
    return sent(demo.records(), CODES[:2], PROTOCOL.quarters[0])


@pytest.fixture(scope="module")
def without(files):
    """As if the first practice had sent nothing."""
    with answer_alone():
        return analyse_group(files[0][1:], PROTOCOL)


@pytest.fixture(scope="module")
def one_shut(files):
    honest, lost = files
    with answer_alone():
        return analyse_group([lost[0], *honest[1:]], PROTOCOL)


@pytest.fixture(scope="module")
def all_shut(files):
    with answer_alone():
        return analyse_group(files[1], PROTOCOL)


def texts_of(blocks):
    for block in blocks:
        for name in ("seen", "allows", "text", "caption", "alt", "svg"):
            if value := getattr(block, name, ""):
                yield value
        yield from getattr(block, "texts", ())
        for row in getattr(block, "rows", ()):
            yield from row


def page_one(results, practice=None):
    return " ".join(texts_of(compose_group(results, practice=practice).sections[0].blocks))


def test_the_verdict_travels_in_the_file(files, tmp_path):
    honest, lost = files
    assert all(e.doubts == () for _, e in honest)
    for _, exchange in lost:
        assert [d.code for d in exchange.doubts] == ["control_lost"]
        assert exchange.doubts[0].practices == (exchange.practice,)
        assert check_exchange(exchange) == []
    again = read_exchange(write_exchange(lost[0][1], tmp_path))
    assert again.doubts == lost[0][1].doubts


@pytest.mark.usefixtures("answer_alone")
def test_a_file_from_before_says_that_nobody_looked(of_one_quarter):
    honest = of_one_quarter
    content = to_dict(honest[0][1])
    del content["doubts"]
    old = from_dict(content)
    assert old.doubts is None
    assert check_exchange(old) == []
    results = analyse_group([("old.json", old), *honest[1:]], PROTOCOL)
    letter = results.letter(old.practice)
    assert {g.letter: g.verdict for g in results.gates} == {
        p.letter: "not_told" if p.letter == letter else "open" for p in results.practices
    }
    assert "The file of 1 practice does not tell whether the cold tests can bear an answer" in page_one(results)


@pytest.mark.slow
def test_a_shut_practice_gives_nothing_to_the_answer(files, one_shut, without):
    honest, _ = files
    mine, theirs = one_shut.claims.primary(), without.claims.primary()
    assert isinstance(mine.answer, Estimate)
    # Letters are drawn anew, and with them the order in which practices are summed.
    assert mine.answer.estimate == pytest.approx(theirs.answer.estimate, abs=1e-12)
    assert mine.answer.interval.high == pytest.approx(theirs.answer.interval.high, abs=1e-12)
    assert mine.answer.n == theirs.answer.n
    assert mine.population == theirs.population
    assert one_shut.overall.n == without.overall.n
    letter = one_shut.letter(honest[0][1].practice)
    assert all(m.label != letter for p in one_shut.pooled for m in p.members)
    assert [g.letter for g in one_shut.gates if g.left_out] == [letter]
    # The answer of all, which stands beside, is another number and is not on the first page.
    [beside] = [e for e in one_shut.with_left_out if e.quantity == mine.quantity.key]
    assert beside.n.cases > mine.answer.n.cases
    assert beside.estimate != mine.answer.estimate
    gates = next(s for s in compose_group(one_shut).sections if s.id == "gates")
    told = next(b.text for b in gates.blocks if b.kind == "paragraph")
    assert re.search(r"; difference in restricted mean time to onset: \S+ \(\S+ to \S+\) min saved; ", told)
    assert "rmst" not in told


def test_looks_are_of_the_cases_in_the_answer(one_shut, without):
    assert one_shut.looks == without.looks


@pytest.mark.usefixtures("answer_alone")
def test_harms_of_a_shut_practice_are_counted(files, one_shut):
    every = analyse_group(files[0], PROTOCOL)
    assert one_shut.harms == every.harms
    assert len(one_shut.practices) == len(every.practices)


def test_the_first_page_says_who_is_left_out_and_why(files, one_shut):
    code = files[0][0][1].practice
    letter = one_shut.letter(code)
    text = page_one(one_shut)
    assert f"practice {letter} (the control tooth was lost with the target)" in text
    section = next(s for s in compose_group(one_shut).sections if s.id == "gates")
    behind = " ".join(texts_of(section.blocks))
    assert "left out of the answer" in behind
    assert "This is not the answer" in behind
    mine = page_one(one_shut, code)
    assert "Its cases are not in the answer. The control tooth was lost" in mine


def test_another_practice_is_not_told_whose_tests_failed(files, one_shut):
    other = files[0][1][1].practice
    letter = one_shut.letter(files[0][0][1].practice)
    [told] = [w for w in gate_words(one_shut, one_shut.letter(other)) if "Left out" in w]
    assert "1 other practice" in told
    assert f"practice {letter}" not in told
    document = compose_group(one_shut, practice=other)
    assert all(s.id != "gates" or f"Practice {letter} " not in " ".join(texts_of(s.blocks)) for s in document.sections)


def test_where_all_are_shut_no_number_of_the_cold_tests_is_on_page_one(all_shut):
    assert all_shut.shut
    assert not any(g.left_out for g in all_shut.gates)
    for listed in claims_listed(all_shut.claims, PROTOCOL):
        if listed["quantity"] in ("rmst_difference", "hazard_ratio", "success_difference", "not_numb_difference"):
            assert listed["estimate"] is None
            assert listed["low"] is None
    page = compose_group(all_shut).sections[0]
    assert not [b for b in page.blocks if b.kind in ("figure", "table")]
    text = page_one(all_shut)
    assert text.startswith("No answer is shown")
    pain = all_shut.claims.get("pain_difference")
    rest = text if pain is None else text.replace(_sentence(pain), "")
    # Numbers that a doubtful answer would have: minutes, per cent, ratios; sample sizes alone may stay.
    assert not re.search(r"\d\.\d|\d\u202f%|\d min", rest), rest
    assert all_shut.harms


def test_where_all_are_shut_the_looks_are_gated_and_other_claims_allow_for_them(all_shut):
    assert {v.code for v in all_shut.looks.verdicts} <= {"gated", "descriptive"}
    pain = all_shut.claims.get("pain_difference")
    assert pain.answer.interval.low < pain.alone.low < pain.alone.high < pain.answer.interval.high


def _sentence(claim):
    from onsetstudy.report.sentences import sentence

    return sentence(claim, PROTOCOL).text


def test_the_json_of_a_shut_group_has_its_gates(all_shut):
    content = json.loads(json.dumps(to_dict(all_shut)))
    assert {g["verdict"] for g in content["gates"]} == {"shut"}
    assert from_dict(content).shut


def test_results_from_before_have_no_gates_and_are_not_shut(all_shut):
    content = to_dict(all_shut)
    del content["gates"], content["with_left_out"]
    old = from_dict(content)
    assert not old.shut
    assert old.answering == old.practices


@pytest.mark.parametrize(
    "changed",
    [
        {"code": "made_up"},
        {"effect": "qualifies"},
        {"counts": (("Mrs Smith of the High Street", 3), ("cases with a control where the target was numb", 9))},
        {"practices": ("P99",)},
        {"p_value": 3.0},
        {"counts": tuple((name, -1) for name in COUNTED["control_lost"][1])},
    ],
)
def test_a_doubt_in_other_words_is_refused(files, changed, tmp_path):
    exchange = files[1][0][1]
    wrong = dataclasses.replace(exchange, doubts=(dataclasses.replace(exchange.doubts[0], **changed),))
    assert len(check_exchange(wrong)) == 1
    with pytest.raises(RecordsError) as raised:
        read_exchange(write_exchange(wrong, tmp_path))
    assert "Smith" not in str(raised.value)


@pytest.mark.usefixtures("answer_alone")
@pytest.mark.parametrize("code", ["control_lost_in_arm", "given_up", "onset_unconfirmed", "tests_discarded"])
def test_what_one_arm_alone_shows_travels_in_the_file_and_is_told(of_one_quarter, code, tmp_path):
    honest = of_one_quarter
    effect, names = COUNTED[code]
    doubt = Doubt(code=code, effect=effect, counts=tuple(zip(names, range(len(names)), strict=True)), p_value=0.001)
    exchange = dataclasses.replace(honest[0][1], doubts=(doubt,))
    assert check_exchange(exchange) == []
    assert read_exchange(write_exchange(exchange, tmp_path)).doubts == (doubt,)
    results = analyse_group([("one.json", exchange), *honest[1:]], PROTOCOL)
    letter = results.letter(exchange.practice)
    [gate] = [g for g in results.gates if g.letter == letter]
    assert gate.verdict == ("shut" if effect == SHUTS else "qualified")
    assert gate.left_out is (effect == SHUTS)
    assert REASONS[code] in " ".join(gate_words(results, None))
