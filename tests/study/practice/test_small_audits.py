"""A dozen cases, as one dentist has them: a report comes out, whatever they are, and no number comes with a warning."""

from __future__ import annotations

import dataclasses
import warnings
from pathlib import Path

import numpy as np
import pytest

from onsetstudy.core.results import Estimate
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.report.documents.practice import compose
from onsetstudy.study.practice.analyse import analyse
from tests.study.cases import shipped_audit

pytestmark = pytest.mark.usefixtures("few_draws")

ROOT = Path(__file__).parents[3]
PROTOCOL = read_protocol(ROOT / "protocols" / "infiltration_audit.toml")
RECORDS = shipped_audit()


def some(chosen):
    cases = RECORDS.cases.iloc[np.sort(chosen)].reset_index(drop=True)
    kept = RECORDS.readings["case_id"].isin(cases["case_id"])
    readings = RECORDS.readings[kept].reset_index(drop=True)
    return dataclasses.replace(RECORDS, cases=cases, readings=readings, rows_read=len(cases))


def drawn(seed):
    rng = np.random.default_rng(seed)
    return rng.choice(len(RECORDS.cases), int(rng.integers(3, 22)), replace=False)


# The first twelve, and draws in which a covariate separates the onsets, a case is alone with its covariates, or a
# stretch of time does not say how large the ratio is.
@pytest.mark.parametrize("chosen", [range(12), *map(drawn, (14, 20, 24, 44, 58))], ids=lambda c: f"{len(c)} cases")
def test_a_report_of_few_cases_comes_out_without_a_warning(chosen):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        results = analyse(PROTOCOL, some(list(chosen)))
        document = compose(results)
        dataclasses.asdict(document)  # paints every figure
    assert document.sections[0].blocks[0].seen
    frame = results.to_frame()
    numbers = frame[frame["estimate"].notna() & frame["conf_level"].notna()]
    assert numbers[["conf_low", "conf_high"]].notna().all().all()
    for found in (results.overall.success_difference, results.overall.wait_difference):
        assert not isinstance(found, Estimate) or found.interval.low <= found.estimate <= found.interval.high
