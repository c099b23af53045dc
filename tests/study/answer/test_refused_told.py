"""Cases refused are told on page 1, arm by arm, where they could turn the answer; quarters without a case are none."""

from __future__ import annotations

from dataclasses import replace

import pytest

from onsetstudy.core.results import Flow
from onsetstudy.report.documents.practice import compose
from onsetstudy.study.answer.cautions import refused_caution
from tests.study.cases import analyse, case, protocol, readings_of, records

pytestmark = pytest.mark.usefixtures("unpainted", "few_draws")

PROMISED = protocol()
TESTED = {"plain": "ffffnn", "buffered": "ffnn"}


def results(refused, *, tested=6, arms=None, **dates):
    """So many cases an arm with cold tests, and so many without, whose arms are written as ``arms`` has them."""
    cases, readings = [], []
    for arm, answers in TESTED.items():
        for k in range(tested + refused[arm]):
            number = len(cases) + 1
            told = {"arm": arms[arm]} if arms and k >= tested else {}
            cases.append({**case(number, arm, **dates), **told})
            readings += readings_of(number, answers) if k < tested else []
    return analyse(PROMISED, records(cases, readings, PROMISED))


def first_page(found):
    return " ".join(text for block in compose(found).sections[0].blocks for text in getattr(block, "texts", ()))


def flow_text(found):
    return " ".join(
        text
        for section in compose(found).sections
        for block in section.blocks
        if block.kind == "flow"
        for step in block.steps
        for _, text in (*step.lost, *step.noted)
    )


def test_a_third_refused_of_one_arm_is_told_by_arm_on_the_first_page_and_in_the_flow():
    found = results({"plain": 0, "buffered": 4}, tested=4)
    assert "4 of 12 cases were refused (0 not buffered, 4 buffered)" in first_page(found)
    assert "a case without a cold test (0 not buffered, 4 buffered)" in flow_text(found)
    assert [c.code for c in found.caution].count("refused") == 1


def test_an_arm_is_read_however_its_code_is_spelt_and_one_that_cannot_be_is_said():
    found = results({"plain": 1, "buffered": 2}, arms={"plain": "Plain ", "buffered": "with soda"})
    told = "(1 not buffered, 0 buffered, 2 of an arm that cannot be read)"
    assert f"3 of 15 cases were refused {told}" in first_page(found)


def test_one_refused_of_many_is_no_caution():
    found = results({"plain": 0, "buffered": 1})
    assert "refused" not in first_page(found)
    assert "(0 not buffered, 1 buffered)" in flow_text(found)


def test_few_of_many_are_told_where_they_are_all_of_one_arm():
    """Eight of 188 are less than one in ten, and such a share of one arm alone no chance."""
    (stage,) = [s for s in results({"plain": 0, "buffered": 1}).flow.stages if s.name == "accepted"]

    def told(*refused):
        def by_arm(counts):
            return tuple(replace(arm, cases=n) for arm, n in zip(stage.by_arm, counts, strict=True))

        lost = replace(stage.lost[0], count=sum(refused), by_arm=by_arm(refused))
        return refused_caution(
            Flow(stages=(replace(stage, count=180, by_arm=by_arm((90, 90)), lost=(lost,)),)), PROMISED
        )

    assert "8 of 188 cases were refused (8 not buffered, 0 buffered)" in told(8, 0).text
    assert told(4, 4) is None


def test_a_line_of_totals_is_no_refused_case():
    cases = [case(n, arm) for n, arm in enumerate(("plain", "buffered") * 2, start=1)]
    total = dict.fromkeys(cases[0]) | {"case_id": "Total", "volume_ml": "7.2"}
    readings = [row for n in range(1, 5) for row in readings_of(n, "ffnn")]
    found = analyse(PROMISED, records([*cases, total], readings, PROMISED))
    read, accepted = found.flow.stages[:2]
    assert read.noted[0].code == "totals_row"
    assert (read.count, accepted.count, accepted.lost) == (4, 4, ())
    assert (found.data_quality.rows_refused, found.data_quality.refused) == (0, ())
    assert "no case: a line that sums up the others" in flow_text(found)
    assert "refused" not in first_page(found)
    assert "sums up the others (" not in flow_text(found)


def test_only_quarters_with_a_case_were_looked_at():
    """The study began with 2025Q4; all cases are of 2026Q3."""
    found = results({"plain": 0, "buffered": 0}, tested=10)
    assert len(found.by_quarter) > len(found.looks.verdicts) == 1
    (told,) = [c.text for c in found.caution if c.code == "repeated_looks"]
    assert told.startswith("Looked at 1 time:")
