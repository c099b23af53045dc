"""What a group's numbers mean: failures are failures, signs favour whom they say, degrees of freedom are counted."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from onsetstudy.core.quantities import QUANTITIES
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.group.interim import group_looks
from onsetstudy.study.group.pool_files import gather
from onsetstudy.study.group.stratified_ipd import failures_by, subgroups_by
from tests.study.cases import set_of

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def gathered():
    protocol = read_protocol(ROOT / "protocols" / "mandibular_block_group.toml")
    records = read_records([ROOT / "data" / "synthetic"], protocol)
    tally = tally_records(protocol, records, through=protocol.quarters[-1])
    files = [(f"{c}.json", make_exchange(tally, protocol, c, records_digest=records.digest)) for c in tally.practices]
    return protocol, gather(files, protocol)


def test_a_failure_is_a_tooth_that_was_not_numb(gathered):
    protocol, counts = gathered
    cells = counts.cells.copy()
    found = failures_by(set_of(cells, protocol), "never_numb")
    # A horizon of 15 minutes leaves few teeth not numb: to count successes would give most of the cases.
    assert (found["failed"] < found["n"] / 2).all()
    early = failures_by(set_of(cells, protocol), "by_target")
    assert (early["failed"] >= found["failed"]).all()
    assert early["expected"].sum() == pytest.approx(early["failed"].sum())


def test_interaction_has_one_degree_less_than_levels(gathered):
    protocol, counts = gathered
    found = subgroups_by("technique", set_of(counts.cells, protocol))
    levels = [m for m in found.levels if hasattr(m.result, "estimate")]
    assert len(levels) >= 2
    assert found.test.df == len(levels) - 1
    assert found.test.p_value == pytest.approx(stats.chi2.sf(found.test.statistic, len(levels) - 1))


def test_a_technique_of_fewer_cases_than_the_plan_asks_for_is_counted_and_not_compared(gathered):
    protocol, counts = gathered
    cells = counts.cells.assign(n=1)
    few = cells["technique"] == cells["technique"].iloc[0]
    cells.loc[few & few.groupby(few).cumcount().ge(18), "technique"] = "other"
    found = {m.label: m.result for m in subgroups_by("technique", set_of(cells, protocol)).levels}
    small = found[str(cells["technique"].iloc[0])]
    assert (small.code, small.reason) == ("too_few_cases", "18 cases; the plan asks for at least 20")
    # Practices are what a group consists of, small as they may be.
    practices = subgroups_by("practice_id", set_of(cells, protocol)).levels
    assert not [m for m in practices if getattr(m.result, "code", "") == "too_few_cases"]


@pytest.mark.parametrize("swap", [False, True])
def test_the_z_of_a_look_is_positive_where_the_other_arm_was_sooner(gathered, swap):
    """All teeth of one arm numb within two minutes, those of the other as they came: the sign is known."""
    protocol, counts = gathered
    cells = counts.cells.copy()
    fast = cells["arm"] == ("plain" if swap else "buffered")
    for what in ("success", "wait", "hazard"):
        late = np.arange(fast.sum()) % 2
        cells.loc[fast, f"left_{what}"], cells.loc[fast, f"right_{what}"] = 1.0 * late, 1.0 + late
    taken = group_looks(dataclasses.replace(counts, cells=cells), protocol.quarters[-1])
    favours = QUANTITIES["rmst_difference"].favours
    assert favours == -1
    assert all((v.z > 0) != swap for v in taken.verdicts)
    crossed = next(v for v in taken.verdicts if v.code == "crossed")
    assert crossed.direction == ("later" if swap else "sooner")
