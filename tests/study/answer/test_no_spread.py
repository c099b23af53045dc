"""Values that do not vary: their limits are one number, and a confident sentence would be made of nothing."""

from __future__ import annotations

import pytest

from onsetstudy.core.claims import Look
from onsetstudy.report.document import Table
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.sentences import sentence
from onsetstudy.study.answer.claims import claim_of
from tests.study.cases import analyse, case, protocol, readings_of, records

pytestmark = pytest.mark.usefixtures("unpainted", "answer_alone")


def waited(plain, buffered):
    """Cases whose treatment began at these minutes, numb by minute 3."""
    promised, cases, readings = protocol(plan={"sensitivity": ()}, looks=None), [], []
    for arm, minutes in (("plain", plain), ("buffered", buffered)):
        for minute in minutes:
            number = len(cases) + 1
            cases.append(case(number, arm, treatment_start_min=f"{minute:g}"))
            readings += readings_of(number, "ffnn")
    return analyse(promised, records(cases, readings, promised)), promised


@pytest.mark.parametrize(
    ("plain", "buffered", "said"), [(9.0, 6.0, "2.0 minutes saved"), (6.0, 9.0, "4.0 minutes lost")]
)
def test_waits_that_are_all_alike_claim_no_time(plain, buffered, said):
    results, promised = waited([plain] * 12, [buffered] * 12)
    claim = results.claims.get("chair_time_difference")
    assert claim.answer.estimate == pytest.approx(buffered - plain + promised.chair_time.mixing_min)
    assert (claim.bears.side, [c.code for c in claim.answer.caution][-1]) == (0, "no_spread")
    told = sentence(claim, promised)
    assert f"anything (in these cases {said})" in told.seen
    assert "no difference is claimed" in told.allows
    section = next(s for s in compose(results).sections if s.id == "chair")
    (table,) = (b for b in section.blocks if isinstance(b, Table))
    assert next(row for row in table.rows if row[0] == "saved")[2] == "none: no value varies"
    assert "hours a month" not in str(section)


def test_one_that_differs_is_enough_for_limits():
    results, promised = waited([9.0] * 11 + [8.0], [6.0] * 12)
    claim = results.claims.get("chair_time_difference")
    assert claim.bears.side == 1
    assert "do not vary" not in sentence(claim, promised).text


@pytest.mark.parametrize("side", [-1, 0, 1])
def test_nor_beside_a_boundary_that_the_waits_for_numbness_have_crossed(side):
    results, promised = waited([9.0] * 12, [6.0] * 12)
    look = Look(
        number=2, planned=4, label="2026Q3", code="crossed" if side else "continue", side=side, counted=24,
        planned_count=350, unit="onsets", critical=2.4,
    )  # fmt: skip
    answer = results.chair_time.difference
    found = claim_of("chair_time_difference", answer, promised, population="24 cases", known=answer.n, look=look)
    assert found.bears.side == 0
    told = sentence(found, promised)
    assert "no difference is claimed" in told.allows
    assert told.seen.count("in these cases") == 1
    assert "looked only once" not in told.seen
