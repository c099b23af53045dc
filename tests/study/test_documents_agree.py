"""Any two documents of one set of records agree on every claim that they share: value, ends, sign, words, population.

The records are random parts of the invented ones; the practice's report reads rows, the group's and a member's page
read files, JSON and the terminal read the claims.
"""

from __future__ import annotations

import dataclasses
import json

import pytest

from onsetstudy.core.results import Estimate
from onsetstudy.files.documents.reports import results_json
from onsetstudy.report.claims_told import answer_line
from onsetstudy.report.document import Answer, Cautions
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.sentences import sentence
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.practice.analyse import analyse
from tests.study import demo
from tests.study.test_one_number import ONE_OF_ALL, some

pytestmark = pytest.mark.usefixtures("unpainted", "answer_alone")

PROTOCOL = demo.of_all_cases_alone(demo.PROTOCOL)
QUARTER = PROTOCOL.quarters[-1].label
SHARED = (
    "rmst_difference", "success_difference", "not_numb_difference", "pain_difference", "chair_time_difference",
)  # fmt: skip
"""What rows and files give alike; the ratio in one stage shares its baselines by another rule, and says so."""


def of_three(records):
    """The cases of three practices, where nothing hangs on there being five."""
    part = demo.of_practices(records, "P01", "P02", "P03")
    return dataclasses.replace(part, rows_read=len(part.cases))


def documents(records, primary):
    """Results of the rows and of the files of the same random cases, under one protocol."""
    protocol = dataclasses.replace(PROTOCOL, plan=dataclasses.replace(PROTOCOL.plan, primary=primary))
    practice = analyse(protocol, records, quarter=QUARTER, without_list="a part of invented cases")
    tally = tally_records(protocol, records, through=protocol.quarters[-1])
    files = [
        (code, make_exchange(tally, protocol, code, records_digest=records.digest, least_cases=ONE_OF_ALL))
        for code in tally.practices
    ]
    return practice, analyse_group(files, protocol)


def first_cautions(group):
    """What the group's first page says to mind."""
    first = next(s for s in compose_group(group).sections if s.id == "answer")
    return [text for block in first.blocks if isinstance(block, Cautions) for text in block.texts]


def answers(document):
    """The answer of page 1."""
    return [block for section in document.sections for block in section.blocks if isinstance(block, Answer)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("practices", "seed", "keep", "primary"),
    [
        (3, 11, 0.9, "rmst_difference"), (5, 12, 0.5, "success_difference"), (3, 13, 0.7, "pain_difference"),
        (5, 14, 0.3, "rmst_difference"),
    ],
)  # fmt: skip
def test_every_pair_of_documents_agrees_on_every_claim_that_it_shares(practices, seed, keep, primary):
    records = some(seed, keep)
    practice, group = documents(records if practices == 5 else of_three(records), primary)
    assert practice.claims.lead == group.claims.lead == primary
    for key in SHARED:
        mine, theirs = practice.claims.get(key), group.claims.get(key)
        assert type(mine.answer) is type(theirs.answer), key
        if isinstance(mine.answer, Estimate):
            alone = [c.alone or c.answer.interval for c in (mine, theirs)]
            assert mine.answer.estimate == pytest.approx(theirs.answer.estimate, abs=1e-10), key
            assert (alone[0].low, alone[0].high) == pytest.approx((alone[1].low, alone[1].high), abs=1e-8), key
            # Both allow for interim analyses, or neither.
            assert (mine.alone is None) == (theirs.alone is None), key
        assert mine.population == theirs.population, key
        if primary == "pain_difference":
            # Files hold no quarter of a score: other interim analyses, which the group's page says.
            assert "first_look" in group.unlike_rows
            told, quiet = (
                " ".join(
                    t for s in compose_group(g).sections for b in s.blocks if isinstance(b, Cautions) for t in b.texts
                )
                for g in (group, dataclasses.replace(group, looks=None))
            )
            assert "binds the study" in told
            assert "binds" not in quiet
            continue
        assert sentence(mine, practice.protocol) == sentence(theirs, group.protocol), key
    for results, document in ((practice, compose(practice)), (group, compose_group(group))):
        lead = sentence(results.claims.primary(), results.protocol)
        assert answers(document)[0].seen == lead.seen
        assert answers(document)[0].allows.startswith(lead.allows)
        assert answer_line(results.claims, results.protocol).startswith(lead.seen)
        held = {(c["quantity"], c["subset"]): c["sentence"] for c in json.loads(results_json(results))["claims"]}
        for key in SHARED:
            assert held[key, ""] == sentence(results.claims.get(key), results.protocol).text
    code = group.practices[0].code
    assert answers(compose_group(group, practice=code))[0].seen == answers(compose_group(group))[0].seen


def test_swapped_arms_turn_every_claim_of_a_whole_report():
    reports = [
        analyse(
            PROTOCOL, of_three(some(15, 0.8, swapped=swapped)), quarter=QUARTER, without_list="a part of invented cases"
        )
        for swapped in (False, True)
    ]
    for key in SHARED:
        ours, theirs = (r.claims.get(key) for r in reports)
        if key != "chair_time_difference":  # mixing is spent on one arm only, whatever it is called
            assert theirs.answer.estimate == pytest.approx(-ours.answer.estimate, abs=1e-9), key
            assert theirs.bears.side == -ours.bears.side, key


@pytest.mark.slow
def test_the_other_arm_as_reference_turns_every_claim_of_rows_and_of_files():
    """Which arm is compared with which is a choice of words: nothing but the sign may follow from it."""
    turned = dataclasses.replace(PROTOCOL, reference_arm=PROTOCOL.contrast_arm)
    records = of_three(some(15, 0.8))
    ours, theirs = (
        analyse(p, records, quarter=QUARTER, without_list="a part of invented cases") for p in (PROTOCOL, turned)
    )
    tally = tally_records(turned, records, through=turned.quarters[-1])
    files = [
        (code, make_exchange(tally, turned, code, records_digest=records.digest, least_cases=ONE_OF_ALL))
        for code in tally.practices
    ]
    group = analyse_group(files, turned)
    for key in SHARED:
        mine = ours.claims.get(key)
        for other in (theirs.claims.get(key), group.claims.get(key)):
            assert other.answer.estimate == pytest.approx(-mine.answer.estimate, abs=1e-9), key
            assert other.bears.side == -mine.bears.side, key
