"""A list is long enough for the plan, or it is said how many slips are missing."""

from __future__ import annotations

import hashlib
import json
import re

import pytest
from click.testing import CliRunner

from onsetstudy.cli.before.planned import PlannedSize, planned_size
from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.canonical import as_toml
from onsetstudy.files.sealed.kept_allocation import read_allocation_list
from onsetstudy.protocol.check import check_protocol
from onsetstudy.protocol.guided.content import answers_from, guided_content
from onsetstudy.study.planning.plan_study import plan_study

TOLD = {
    "practice": "P07",
    "randomised": "yes",
    "ethics": "committee of the county, 12/2026",
    "technique": "buccal_infiltration",
    "primary": "pain",
}


def content_of(**more):
    return guided_content(answers_from(TOLD | more, first_quarter="2026Q4"))


def allocate(folder, content, *more):
    """What was said as a list was drawn for an invented study, and how many slips it holds."""
    path = folder / "protocol.toml"
    content["study"]["invented"] = True
    path.write_text(as_toml(content), encoding="utf-8")
    into = folder / f"list{len(list(folder.iterdir()))}"
    done = CliRunner().invoke(onsetstudy, ["allocate", str(path), "--into", str(into), *more])
    assert done.exit_code == 0, (done.output, done.exception)
    return done, len((into / "list.csv").read_text("utf-8").splitlines()) - 1, into


def test_without_a_number_the_list_is_enough_for_the_plan(tmp_path):
    done, slips, _ = allocate(tmp_path, content_of())
    assert 136 * 1.1 <= slips <= 136 * 1.1 + 6
    assert f"The plan asks for 136 cases to include; the list holds {slips} slips in one stratum." in done.stdout


def test_too_few_are_told_with_what_is_missing_and_the_rest_can_be_drawn_so(tmp_path):
    done, slips, into = allocate(tmp_path, content_of(), "--slips", "40")
    assert f"The plan asks for 136 cases to include, and the list holds {slips} slips" in done.stderr
    more = re.search(r"--slips (\d+) goes on", done.stderr).group(1)
    longer, all_slips, _ = allocate(tmp_path, content_of(), "--after", str(into), "--slips", more)
    assert all_slips >= 136
    assert "used up before" not in longer.stderr
    assert f"the list holds {all_slips} slips" in longer.stdout


def test_going_on_draws_as_many_as_are_missing(tmp_path):
    _, _, into = allocate(tmp_path, content_of(), "--slips", "100")
    _, all_slips, _ = allocate(tmp_path, content_of(), "--after", str(into))
    assert 136 * 1.1 <= all_slips <= 136 * 1.1 + 6


def test_every_stratum_of_several_gets_its_part_and_more(tmp_path):
    content = content_of()
    content["study"]["practices"] = ["P07", "P08", "P09"]
    done, slips, _ = allocate(tmp_path, content)
    assert 3 * 68 <= slips <= 3 * (68 + 6)
    assert "in 3 strata. Strata fill unevenly" in done.stdout


@pytest.mark.parametrize("primary", ["wait", "numb", "rate", "pain"])
def test_the_size_is_the_one_that_the_plan_leads_with(primary):
    protocol = check_protocol(content_of(primary=primary))
    assert planned_size(protocol).to_include == plan_study(protocol).claims[0].value


def test_interim_analyses_are_counted_in():
    content = content_of()
    content["looks"] = {"boundary": "pocock", "planned_information": 136}
    planned = planned_size(check_protocol(content))
    assert planned.to_include == 136
    assert planned.with_looks > 1.15 * 136
    assert f"136 cases to include, {planned.with_looks} with its interim analyses" in planned.told()


def test_a_study_without_assumptions_has_no_size():
    content = content_of()
    del content["planning"]
    assert planned_size(check_protocol(content)) is None


def test_no_more_slips_are_drawn_than_a_list_takes():
    assert PlannedSize(to_include=90_000, with_looks=90_000, unit="cases").slips_in_each(1) == 5000


def test_a_seed_that_can_be_tried_out_is_refused(tmp_path):
    path = tmp_path / "protocol.toml"
    path.write_text(as_toml(content_of()), encoding="utf-8")
    told = ["allocate", str(path), "--into", str(tmp_path / "list"), "--seed"]
    done = CliRunner().invoke(onsetstudy, [*told, "99999999999"])
    assert "A seed of fewer than 12 digits can be found by trying" in str(done.exception)
    assert not (tmp_path / "list").exists()
    assert CliRunner().invoke(onsetstudy, [*told, str(2**63)]).exit_code == 2


def test_the_commitment_cannot_be_tried_without_the_salt_that_the_keeper_has(tmp_path):
    seed, commitments = "500000000000", []
    for _ in range(2):
        _, _, into = allocate(tmp_path, content_of(), "--slips", "8", "--seed", seed, "--way", "chain")
        about = json.loads((into / "list.json").read_text("utf-8"))
        commitments.append(about["commitment"])
        told = f"{about['study']}:{seed}:{about['salt']}"
        assert hashlib.sha256(told.encode()).hexdigest() == about["commitment"]
        assert about["salt"] not in (into / "sealed-P07.json").read_text("utf-8")
    assert hashlib.sha256(f"{about['study']}:{seed}".encode()).hexdigest() not in commitments
    assert len(set(commitments)) == 2
    _, _, longer = allocate(tmp_path, content_of(), "--slips", "4", "--way", "chain", "--after", str(into))
    (part,) = json.loads((longer / "list.json").read_text("utf-8"))["continued"]
    assert len(part["salt"]) == 32
    assert read_allocation_list(longer / "list.csv")[1] == f"{commitments[1]}, {part['commitment']}"


def test_assumptions_that_give_no_size_keep_nobody_from_locking_and_drawing(tmp_path):
    content = content_of(primary="numb")
    content["analysis"]["planned_hazard_ratio"] = 1.0001
    done, slips, _ = allocate(tmp_path, content)
    assert 40 <= slips <= 46
    locked = CliRunner().invoke(
        onsetstudy, ["lock", str(tmp_path / "protocol.toml"), "--into", str(tmp_path / "document")]
    )
    assert locked.exit_code == 0, (locked.output, locked.exception)
    assert "Locked: version 1" in locked.stdout
    assert (tmp_path / "document" / "p07-trial-protocol.html").is_file()
    for said in (done.stderr, locked.stderr):
        assert "no size can be told for the main outcome. No size up to 1e+08 has a power of 0.8" in said
