"""Treatment success: no or mild pain on the protocol's scale, and no supplement."""

from __future__ import annotations

import copy
import tomllib

import pytest

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.check import check_protocol
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.outcomes import safety_of
from tests.study.cases import PROTOCOLS, case, readings_of, records

FILE = PROTOCOLS / "mandibular_block_group.toml"


def promised(**pain):
    content = copy.deepcopy(tomllib.loads(FILE.read_text(encoding="utf-8")))
    content["pain"].update(pain)
    return check_protocol(content)


def success(protocol, *rows):
    made = [case(i, arm, **{"baseline_response": "felt", **more}) for i, (arm, more) in enumerate(rows, start=1)]
    tests = [reading for i in range(1, len(rows) + 1) for reading in readings_of(i, "ffnn")]
    checked = records(made, tests, protocol)
    assert not checked.problems, [str(p) for p in checked.problems]
    data, _ = prepare(protocol, checked, through=protocol.quarters[-1])
    lines = {line.event: line for line in safety_of(data).course}
    return None if "treatment_success" not in lines else [(a.count, a.cases) for a in lines["treatment_success"].arms]


def test_pain_above_mild_or_a_supplement_is_no_success_and_no_score_is_not_known():
    rows = [
        ("plain", {"pain_treatment": "30"}), ("plain", {"pain_treatment": "31"}), ("plain", {}),
        ("buffered", {"pain_treatment": "0", "rescue_min": "12"}), ("buffered", {"pain_treatment": "0"}),
        ("buffered", {"rescue_min": "12"}),
    ]  # fmt: skip
    assert success(promised(mild_at_most=30.0), *rows) == [(1, 2), (1, 3)]


def test_a_scale_without_a_mild_score_asks_the_protocol():
    assert success(promised(), ("plain", {"pain_treatment": "0"}), ("buffered", {"pain_treatment": "0"})) is None


@pytest.mark.parametrize(("score", "counts"), [("54", 1), ("55", 0)])
def test_heft_and_parker_call_mild_what_is_at_most_54_mm(score, counts):
    whole = [("plain", {"pain_treatment": "120"}), ("buffered", {"pain_treatment": score})]
    found = success(promised(scale="hp170"), *whole)
    assert found == [(0, 1), (counts, 1)]


def test_mild_lies_between_none_and_the_worst():
    for wrong in (100.0, 120.0):
        with pytest.raises(OnsetStudyError, match="mild"):
            promised(mild_at_most=wrong)
    with pytest.raises(OnsetStudyError, match="mild"):
        promised(painless_at_most=10, mild_at_most=5.0)


def test_a_protocol_that_does_not_say_it_is_the_protocol_that_it_was():
    assert promised().digest == read_protocol(FILE).digest
    assert promised(mild_at_most=30.0).digest != promised().digest
