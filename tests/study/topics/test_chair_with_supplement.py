"""A supplement does not free the chair: the wait goes on to the start of treatment."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.protocol.model import ChairTimeRule
from onsetstudy.report.sections.main.chair_time import chair_section
from onsetstudy.study.answer.claims import claim_of
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.topics.outcomes import chair_records, chair_time_of
from tests.study.cases import protocol

ROW = {
    "injection_start": 0.0, "injection_end": 0.0, "treatment_start_min": np.nan, "rescue_min": np.nan,
    "last_test_min": 0.0, "seated_time": np.nan, "treatment_end_time": np.nan, "dismissed_time": np.nan,
    "mixing_min": np.nan, "wait_used": "no", "patient_id": "P01-1", "practice_id": "P01", "arm": "plain",
    **{f"{end}_{q}": 1.0 for end in ("left", "right") for q in ("hazard", "success", "wait")},
}  # fmt: skip
TREATED = {**ROW, "treatment_start_min": 8.0, "last_test_min": 7.0}


def study_of(*rows):
    chair = ChairTimeRule(cases_per_month=20.0, mixing_min=1.0, chair_hour_cost=120.0, currency="EUR")
    return AnalysisSet(frame=pd.DataFrame(rows), protocol=dataclasses.replace(protocol(), chair_time=chair))


def records_of(**columns):
    return chair_records(study_of({**ROW, **columns}, TREATED))


@pytest.mark.parametrize(
    ("treated", "supplement", "last", "wait", "at_least"),
    [
        (25.0, 12.0, 12.0, 25.0, False),
        (9.0, np.nan, 8.0, 9.0, False),
        (np.nan, 12.0, 11.0, 12.0, True),
        (np.nan, np.nan, 15.0, 15.0, True),
        (np.nan, np.nan, 0.0, np.nan, False),
    ],
)
def test_the_wait_ends_where_treatment_begins(treated, supplement, last, wait, at_least):
    found = records_of(treatment_start_min=treated, rescue_min=supplement, last_test_min=last)
    np.testing.assert_array_equal(found.wait_min, [wait, 8.0])
    assert found.at_least[0] == at_least


def test_without_a_start_of_treatment_there_is_no_time_of_the_chair_and_no_money():
    never = [{**ROW, "arm": arm, "last_test_min": float(m)} for arm in ("plain", "buffered") for m in (9, 12, 15)]
    found = chair_time_of(study_of(*never))
    assert np.isnan(chair_records(study_of(*never)).wait_min).all()
    assert isinstance(found.difference, NotAvailable)
    assert not [e for e in found.spent if isinstance(e, Estimate)]
    money = [found.hours_month, found.hours_year, found.net_value]
    assert not [e for e in money if isinstance(e, Estimate)]
    made = study_of(*never).protocol
    claim = claim_of("chair_time_difference", found.difference, made, population="6 cases", known=found.n)
    blocks = chair_section(found, made, claim).blocks
    assert {b.kind for b in blocks} == {"paragraph"}
    assert "EUR" not in " ".join(b.text for b in blocks)


def test_one_arm_without_a_start_is_not_compared_with_one_that_has_it():
    rows = [{**TREATED, "treatment_start_min": float(m)} for m in (8, 9, 11)]
    rows += [{**ROW, "arm": "buffered", "last_test_min": float(m)} for m in (5, 6, 7)]
    assert isinstance(chair_time_of(study_of(*rows)).difference, NotAvailable)
