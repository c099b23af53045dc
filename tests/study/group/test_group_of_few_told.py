"""Three practices that differ widely: nothing that cannot be is said of them, and no digit that tells nothing."""

from __future__ import annotations

import re

import pytest

from onsetstudy.core.results import Estimate
from onsetstudy.records.derived.allocation import resolve_arms
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.figures.forest import Line, Scale, data_for
from onsetstudy.report.render.html import render_html
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.group.analyse_group import analyse_group
from tests.study.cases import NO_LIST, case, protocol, readings_of, records

pytestmark = pytest.mark.usefixtures("unpainted")

PRACTICES = ("P01", "P02", "P03")
PROMISED = protocol(study={"practices": PRACTICES}, plan={"primary": "success_difference"})
EARLY, LATE = "nn", "fffnn"
NUMB_EARLY = {
    "P01": {"plain": 1, "buffered": 11},
    "P02": {"plain": 6, "buffered": 6},
    "P03": {"plain": 8, "buffered": 5},
}


@pytest.fixture(scope="module")
def group():
    """Of twelve cases an arm so many are numb at once, the others after the target."""
    cases, readings = [], []
    for practice, early in NUMB_EARLY.items():
        for arm, number in early.items():
            for k in range(12):
                n = len(cases) + 1
                cases.append(case(n, arm, practice_id=practice, clinician_id=f"{practice}-A"))
                readings += readings_of(n, EARLY if k < number else LATE)
    found, _ = resolve_arms(PROMISED, records(cases, readings, PROMISED), None, without_list=NO_LIST)
    tally = tally_records(PROMISED, found, through=PROMISED.quarters[-1])
    files = [(f"{p}.json", make_exchange(tally, PROMISED, p, records_digest="0")) for p in PRACTICES]
    return analyse_group(files, PROMISED)


@pytest.fixture(scope="module")
def text(group):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", render_html(compose_group(group))))


def test_no_difference_of_proportions_is_beyond_a_hundred_points(group):
    pooled = group.quantity("success_difference")
    spans = [pooled.average.interval, pooled.common.interval]
    spans += [s.result.interval for s in pooled.without if isinstance(s.result, Estimate)]
    assert pooled.average.estimate + 4.3 * pooled.average.std_error > 1
    assert all(-1 <= span.low <= span.high <= 1 for span in spans)
    points = Scale(unit="percentage points", ends=("", ""), factor=100)
    (row,) = data_for([Line("Average of practices", pooled.average)], points)
    assert row.high == 100


def test_where_everything_is_possible_of_a_further_practice_that_is_said(group, text):
    assert group.quantity("success_difference").prediction is None
    assert "So few practices say nothing of a further one." in text
    assert "In another practice like these" not in text
    assert "Limits are cut at what is possible." in text
    assert not [n for n in re.findall(r"(\d+(?:\.\d+)?) percentage points (?:more|fewer)", text) if float(n) > 100]


def test_a_ratio_known_to_no_hundredfold_is_told_by_no_digits(group, text):
    ratio = group.quantity("hazard_ratio")
    high = max(s.result.interval.high for s in ratio.without)
    assert high > 100
    assert f"{high:.2f}" not in text
    assert "to over 100)" in text


def test_practices_with_few_cases_are_not_said_to_be_compared_within_themselves(text):
    assert "compared within itself" not in text
    assert "compared within themselves" not in text
    assert "with practices as strata (small ones share one)" in text
