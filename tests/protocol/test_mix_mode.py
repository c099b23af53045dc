"""How a cartridge is mixed, as the protocol may say it: kept out of earlier digests, held against the records."""

from __future__ import annotations

import copy
import dataclasses
import json

import pytest

from onsetstudy.core.errors import ProtocolError, RecordsError
from onsetstudy.protocol.check import check_protocol
from onsetstudy.report.documents.protocol import compose_protocol
from onsetstudy.study.counts.exchange import terms_of
from onsetstudy.study.group.pool_files import gather
from tests.protocol.test_protocol import CONTENT
from tests.records.checks.test_corpus import clean
from tests.study.cases import protocol, records
from tests.study.counts.test_files_by_hand import FILE
from tests.study.counts.test_files_by_hand import PROTOCOL as OF_FILE

EARLIER = check_protocol(copy.deepcopy(CONTENT))


def mixed(*modes, base=CONTENT):
    """The group's protocol whose arms say how they are mixed; ``None`` says nothing."""
    content = copy.deepcopy(base)
    for arm, mode in zip(content["arms"], modes, strict=True):
        if mode is not None:
            arm["mix_mode"] = mode
    return check_protocol(content)


def of_arms(promised, plain, buffered):
    arms = {"plain": plain, "buffered": buffered}
    return dataclasses.replace(
        promised, arms=tuple(dataclasses.replace(a, mix_mode=arms[a.code]) for a in promised.arms)
    )


def test_a_protocol_that_does_not_say_it_keeps_its_digest_and_terms():
    assert [arm.mix_mode for arm in EARLIER.arms] == ["", ""]
    assert mixed("", "").digest == EARLIER.digest
    assert not any("mix_mode" in key for key, _ in terms_of(EARLIER))


def test_what_is_said_counts_in_the_digest():
    told = mixed("none", "replace")
    assert [arm.mix_mode for arm in told.arms] == ["none", "replace"]
    assert len({EARLIER.digest, told.digest, mixed("none", "add").digest, mixed(None, "replace").digest}) == 4
    assert ("arms.2.mix_mode", '"replace"') in terms_of(told)


@pytest.mark.parametrize(
    ("modes", "key", "words"),
    [(("replace", None), "arms.1.mix_mode", "is not mixed"), ((None, "none"), "arms.2.mix_mode", "is mixed"),
     ((None, "shaken"), "mix_mode", "none, add, replace")],
)  # fmt: skip
def test_an_arm_mixed_otherwise_than_its_code_says_is_refused(modes, key, words):
    with pytest.raises(ProtocolError) as refused:
        mixed(*modes)
    (problem,) = refused.value.problems
    assert key in problem.where.key
    assert words in str(problem)


@pytest.mark.parametrize(("planned", "done"), [("replace", "add"), ("add", "replace")])
def test_cases_all_mixed_otherwise_than_the_protocol_says_are_asked_about_and_stay(planned, done):
    cases, readings = clean()
    buffered = [row for row in cases if row["arm"] == "buffered"]
    for row in buffered:
        row["mix_mode"] = done
    promised = protocol()
    assert not [q for q in records(cases, readings, promised).queries if q.where.column == "mix_mode"]
    found = records(cases, readings, of_arms(promised, "none", planned))
    asked = [q for q in found.queries if q.code == "mixed_otherwise"]
    assert len(asked) == 1 or len(asked) == len(buffered)
    assert "where the protocol says" in str(asked[0])
    assert len(found.cases) == len(cases)
    assert not [q for q in records(cases, readings, of_arms(promised, "none", done)).queries
                if q.where.column == "mix_mode"]  # fmt: skip


def test_the_protocol_decides_which_of_two_ways_is_asked_about():
    """Two cases on top and one in place: without a word most decide, with one the protocol does."""
    cases, readings = clean()
    buffered = [row for row in cases if row["arm"] == "buffered"]
    buffered[0]["mix_mode"], buffered[1]["mix_mode"] = "add", "replace"
    promised = protocol()
    for planned, other in (("add", buffered[1]), ("replace", buffered[0])):
        found = records(cases, readings, of_arms(promised, "none", planned))
        (asked,) = [q for q in found.queries if q.where.column == "mix_mode"]
        assert asked.code == "mixed_otherwise"
        assert asked.where.row == found.cases.index[found.cases["case_id"] == other["case_id"]][0] + 2


def test_a_group_refuses_a_practice_that_says_otherwise_and_not_one_that_says_nothing():
    silent, adds, replaces = (of_arms(OF_FILE, *m) for m in (("", ""), ("none", "add"), ("none", "replace")))

    def sent(promised):
        return [("P01.json", dataclasses.replace(FILE, terms=terms_of(promised)))]

    for theirs, ours in ((silent, adds), (adds, silent), (adds, adds), (replaces, replaces)):
        assert gather(sent(theirs), ours).practices == ("P01",)
    with pytest.raises(RecordsError, match="mix_mode is add there and replace here"):
        gather(sent(adds), replaces)


def test_the_protocols_document_tells_it():
    for told, words in ((mixed("none", "replace"), "bicarbonate in place of as much"), (EARLIER, None)):
        text = json.dumps([dataclasses.asdict(s) for s in compose_protocol(told, None).sections], default=str)
        assert ("bicarbonate in place of as much" in text) is (words is not None)
