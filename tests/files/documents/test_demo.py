"""The invented studies: the same files each time, clean where they should be, faulty where faults were planted."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from onsetstudy.design.trials.demo_tables import simulate_study
from onsetstudy.design.trials.trial_model import DEMO, truth_of
from onsetstudy.files.documents.demo import write_demo, write_tables
from onsetstudy.files.documents.reports import results_json
from onsetstudy.files.exchange import read_exchanges
from onsetstudy.files.ledger.side_files import read_arms, read_companions
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.render.html import render_html
from onsetstudy.study.practice.analyse import analyse
from tests.same_document import file_differences, json_differences, page_differences

ROOT = Path(__file__).parents[3]
SHIPPED = ROOT / "data" / "synthetic"
GROUP, AUDIT = (ROOT / "protocols" / f"{name}.toml" for name in ("mandibular_block_group", "infiltration_audit"))


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo, and what was written of it."""
    folder = tmp_path_factory.mktemp("demo")
    return folder, write_demo(folder)


def test_the_shipped_files_are_made_anew(demo):
    """Tables, lists and texts byte for byte; the others by what they say, as processors differ in last digits.

    The digest of an exchange file is that of all its digits; that each has its own is seen when they are read.
    """
    folder, paths = demo
    made = {p.relative_to(folder): p for p in paths}
    shipped = {p.relative_to(SHIPPED): p for p in SHIPPED.rglob("*") if p.is_file()}
    assert made.keys() == shipped.keys()
    assert len(read_exchanges([folder / "exchange"])) == len(read_exchanges([SHIPPED / "exchange"])) == 5
    for name, path in made.items():
        own = ["digest"] if name.parts[0] == "exchange" else []
        assert file_differences(path, shipped[name], leave_out=own) == []
    for name in ("list.csv", "list.json"):
        assert (folder / "allocation" / name).read_bytes() == (SHIPPED / "allocation" / name).read_bytes()


def test_the_demo_is_the_same_bytes_each_time(demo, tmp_path):
    one, _ = demo
    write_demo(tmp_path)
    for path in (p for p in one.rglob("*") if p.is_file()):
        assert path.read_bytes() == (tmp_path / path.relative_to(one)).read_bytes(), path.name


@pytest.mark.slow
def test_the_shipped_report_is_made_anew():
    """The shipped report has the versions of constraints.txt; with others its results are compared, but not its page.

    How many steps a search took, and how near it came, differs between processors and says nothing of the study.
    """
    protocol = read_protocol(GROUP)
    beside = read_companions(GROUP, read_arms(allocation=SHIPPED / "allocation"))
    results = analyse(protocol, read_records(SHIPPED, protocol), quarter="2026Q3", beside=beside)
    report = ROOT / "reports" / "mandibular-block-group-2026Q3"
    made, shipped = results_json(results), report.with_suffix(".json").read_text(encoding="utf-8")
    steps = ["iterations", "gap"]
    if json.loads(made)["provenance"]["versions"] == json.loads(shipped)["provenance"]["versions"]:
        page = report.with_suffix(".html").read_text(encoding="utf-8")
        assert page_differences(render_html(compose(results)), page) == []
    else:
        steps.append("versions")
    assert json_differences(made, shipped, leave_out=steps) == []


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
    truth = truth_of(model, seed=1, target_min=2, tau_min=15)
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
