"""A patient with several cases is no several patients: what the first page may say then."""

from __future__ import annotations

import dataclasses

import pytest

from onsetstudy.report.documents.practice import compose
from tests.study.cases import analyse, protocol, study

ANSWERS = {
    "plain": ["fffffnn", "ffffffnn", "ffnn", "fffnn"] * 6,
    "buffered": ["ffnn", "fffnn", "ffffnn", "fnn"] * 6,
}
"""As single cases buffered teeth are numb sooner; as six patients an arm with four like cases each nobody knows."""


def results(cluster, *, alike):
    """Four cases to a patient: those that answer alike (six to one answer), or four unlike ones."""
    promised, found = study(ANSWERS, protocol(plan={"sensitivity": (), "cluster": cluster}, looks=None))
    numbers = range(len(found.cases))
    names = [f"P01-K{(n % 4 if alike else n // 4) + (100 if n >= 24 else 0):03d}" for n in numbers]
    return analyse(promised, dataclasses.replace(found, cases=found.cases.assign(patient_id=names)))


def width(estimate):
    return estimate.interval.high - estimate.interval.low


@pytest.mark.parametrize("of", ["wait_difference", "success_difference", "never_numb_difference"])
def test_cases_of_a_patient_alike_make_every_interval_wider(of):
    alone, together = (getattr(results(c, alike=True).overall, of) for c in (None, "patient_id"))
    assert together.estimate == alone.estimate
    assert width(together) >= width(alone)
    assert "cases of each patient together" in together.interval.method
    assert "together" not in alone.interval.method
    assert {a.name for a in together.assumptions} >= {"independent_clusters"}
    if of == "wait_difference":
        assert width(together) > 1.8 * width(alone)
        assert together.std_error > 1.5 * alone.std_error


def test_no_direction_is_said_that_a_few_patients_do_not_bear():
    alone, together = (results(c, alike=True) for c in (None, "patient_id"))
    assert alone.claims.get("rmst_difference").bears.side != 0
    claim = together.claims.get("rmst_difference")
    assert claim.bears.side == 0
    assert claim.answer.interval == together.overall.wait_difference.interval
    texts = next(b for b in compose(together).sections[0].blocks if b.kind == "cautions").texts
    assert any("48 cases of 8 patients" in text for text in texts)


def test_patients_whose_cases_are_unlike_lose_only_degrees_of_freedom():
    alone, together = (results(c, alike=False).overall.wait_difference for c in (None, "patient_id"))
    # Of six patients an arm Student's t has no fewer than five degrees of freedom.
    assert width(alone) <= width(together) < 1.3 * width(alone)


def test_the_cases_of_one_patient_alone_are_compared_as_they_are():
    promised, found = study(ANSWERS, protocol(plan={"sensitivity": (), "cluster": "patient_id"}))
    one = analyse(promised, dataclasses.replace(found, cases=found.cases.assign(patient_id="P01-K001")))
    assert "together" not in one.overall.wait_difference.interval.method


def test_one_code_in_two_practices_is_of_two_patients():
    promised, found = study(ANSWERS, protocol(plan={"sensitivity": (), "cluster": "patient_id"}, looks=None))
    codes = [f"K{n // 2:03d}" for n in range(48)]

    def method(*practices):
        cases = found.cases.assign(practice_id=practices * (48 // len(practices)), patient_id=codes)
        return analyse(promised, dataclasses.replace(found, cases=cases)).overall.wait_difference.interval.method

    assert "cases of each patient together" in method("P01")
    assert "together" not in method("P01", "P02")
