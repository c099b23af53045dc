"""The invented studies: the same files each time, clean where they should be, faulty where faults were planted."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from onsetstudy.design.model import DEMO, truth_of
from onsetstudy.design.simulate import simulate_study
from onsetstudy.files.companions import read_companions
from onsetstudy.files.demo import write_demo, write_tables
from onsetstudy.files.protocol_toml import read_protocol
from onsetstudy.files.results_json import results_json
from onsetstudy.files.spreadsheet import read_records
from onsetstudy.report.compose import compose
from onsetstudy.report.html import render_html
from onsetstudy.study.analyse import analyse
from tests.alike import json_differences, text_differences

ROOT = Path(__file__).parents[2]
SHIPPED = ROOT / "data" / "synthetic"
GROUP, AUDIT = (ROOT / "protocols" / f"{name}.toml" for name in ("mandibular_block_group", "infiltration_audit"))


def test_the_shipped_files_are_made_anew(tmp_path):
    made = {p.relative_to(tmp_path): p.read_text(encoding="utf-8") for p in write_demo(tmp_path)}
    shipped = {p.relative_to(SHIPPED): p.read_text(encoding="utf-8") for p in SHIPPED.rglob("*") if p.is_file()}
    assert made.keys() == shipped.keys()
    for name, text in made.items():
        if name.suffix == ".json":
            assert json_differences(text, shipped[name]) == [], name
        else:
            assert text == shipped[name], name


def test_the_shipped_report_is_made_anew():
    """The page is compared only under the versions of constraints.txt: others may draw a figure otherwise."""
    protocol = read_protocol(GROUP)
    beside = read_companions(GROUP, allocation=SHIPPED / "allocation")
    results = analyse(protocol, read_records(SHIPPED, protocol), quarter="2026Q3", beside=beside)
    report = ROOT / "reports" / "mandibular-block-group-2026Q3"
    shipped = json.loads(report.with_suffix(".json").read_text(encoding="utf-8"))
    made = json.loads(results_json(results))
    if made["provenance"]["versions"] == shipped["provenance"]["versions"]:
        page = report.with_suffix(".html").read_text(encoding="utf-8")
        assert text_differences(render_html(compose(results)), page) == []
    made["provenance"] = shipped["provenance"] = None
    assert json_differences(json.dumps(made), json.dumps(shipped)) == []


@pytest.mark.parametrize(("folder", "path"), [(SHIPPED, GROUP), (SHIPPED / "audit", AUDIT)])
def test_nothing_of_the_clean_sets_is_refused(folder, path):
    found = read_records(folder, read_protocol(path))
    assert not found.problems
    assert not found.repairs


def test_every_planted_fault_is_found():
    found = read_records(SHIPPED / "dirty", read_protocol(GROUP))
    places = {(p.where.file, p.where.row, p.where.column, p.code) for p in found.problems}
    for fault in json.loads((SHIPPED / "dirty" / "planted.json").read_text())["planted"]:
        assert (f"{fault['table']}.csv", fault["row"], fault["column"], fault["code"]) in places, fault
    tables = found.rejects["table"].value_counts()
    assert len(found.cases) + tables["cases"] == found.rows_read
    assert len(found.readings) + tables["cold_tests"] == found.readings_read


def test_every_page_says_that_the_data_are_invented():
    assert "invented" in (SHIPPED / "README.md").read_text(encoding="utf-8")
    assert json.loads((SHIPPED / "truth.json").read_text())["invented"] is True
    assert "All data in this report are invented." in (
        ROOT / "reports" / "mandibular-block-group-2026Q3.html"
    ).read_text(encoding="utf-8")


def test_the_truth_is_that_of_many_cases():
    """Shares of a large sample of the same model, without operators and practices, within four Monte Carlo errors."""
    import dataclasses

    model = dataclasses.replace(DEMO, operator_spread=0.0, practice_spread=0.0)
    study = simulate_study(model, read_protocol(GROUP), seed=1, n_cases=40_000)
    truth = truth_of(model, seed=1, target_min=2, horizon_min=15)
    for arm in truth.arms:
        onset = study.onset_min[study.cases["arm"] == arm.arm]
        for seen, share in ((np.mean(onset <= 2), arm.success_by_target), (np.mean(onset > 15), arm.never_numb)):
            assert abs(seen - share) < 4 * np.sqrt(share * (1 - share) / onset.size)
        wait = np.minimum(onset, 15)
        assert abs(wait.mean() - arm.restricted_wait_min) < 4 * wait.std() / np.sqrt(onset.size)


def test_allocation_is_balanced_within_practices():
    study = simulate_study(DEMO, read_protocol(GROUP), seed=9)
    counts = study.cases.groupby(["practice_id", "arm"]).size().unstack()
    assert (abs(counts["plain"] - counts["buffered"]) <= 4).all()


def test_the_number_of_cases_can_be_chosen(tmp_path):
    study = simulate_study(DEMO, read_protocol(GROUP), seed=3, n_cases=50)
    write_tables(tmp_path, study.cases, study.cold_tests)
    assert len(read_records(tmp_path, read_protocol(GROUP)).cases) == 50
