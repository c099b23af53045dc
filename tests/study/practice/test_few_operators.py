"""A plan that takes the cases of an operator together, where two operated: a report comes out all the same."""

from __future__ import annotations

import dataclasses

import pytest

from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.report.documents.practice import compose
from onsetstudy.study.practice.analyse import analyse
from tests.study import demo

pytestmark = pytest.mark.usefixtures("unpainted", "few_draws")


def test_what_no_error_can_be_given_for_is_told_and_the_rest_stands():
    plan = dataclasses.replace(demo.PROTOCOL.plan, cluster="clinician_id", covariates=("volume_ml", "age_band"))
    protocol = dataclasses.replace(demo.of_all_cases_alone(demo.PROTOCOL), plan=plan)
    records = demo.records()
    two = records.cases["clinician_id"].unique()[:2]
    own = demo.with_cases(records, records.cases["clinician_id"].isin(two))
    found = analyse(protocol, own, quarter=demo.LAST.label, without_list="a part of invented cases")
    ratio = found.overall.hazard_ratio
    assert isinstance(ratio, NotAvailable)
    assert "too few clusters" in ratio.reason
    assert any(isinstance(e, Estimate) for e in (found.overall.wait_difference, found.overall.success_difference))
    assert compose(found).sections
