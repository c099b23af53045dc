"""The guided set-up: ten questions, and a protocol that keeps its promises."""

from __future__ import annotations

import tomllib

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.files.ledger.lock import changes_since_lock, read_lock
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.guided import GuidedAnswers, as_toml, guided_content

DEFAULTS = "\n" * 10


def run(folder, answers):
    return CliRunner().invoke(onsetstudy, ["new", "--into", str(folder)], input=answers, catch_exceptions=False)


def test_an_audit_needs_no_list_and_no_lock(tmp_path):
    done = run(tmp_path / "mine", "p07\nn\nn\nbuccal_infiltration\n" + DEFAULTS)
    assert done.exit_code == 0, done.output
    protocol = read_protocol(tmp_path / "mine" / "protocol.toml")
    assert (protocol.study.practices, protocol.study.randomised) == (("P07",), False)
    assert protocol.eligibility.techniques == ("buccal_infiltration",)
    assert [p.name for p in (tmp_path / "mine").iterdir()] == ["protocol.toml"]


def test_where_chance_decides_there_are_list_slips_and_lock(tmp_path):
    done = run(tmp_path, "P07\ny\ny\n" + "\n" * 10 + "committee of the invented town, 12/2026, 1 June 2026\n")
    assert done.exit_code == 0, done.output
    path = tmp_path / "protocol.toml"
    protocol = read_protocol(path)
    assert protocol.study.randomised
    assert "12/2026" in protocol.study.ethics_status
    if read_lock(path) is None:
        # Something has to be settled first: it is said, and no list is drawn for a protocol that will change.
        assert "Not locked yet" in done.output
        assert [p.name for p in tmp_path.iterdir()] == ["protocol.toml"]
        return
    assert read_lock(path).latest.digest == protocol.digest
    assert changes_since_lock(path) == ()
    assert (tmp_path / "sealed-P07.json").exists()
    assert sorted(p.name for p in (tmp_path / "keep-apart").iterdir()) == ["list.csv", "list.json"]


def test_a_mistyped_answer_is_asked_again_and_nothing_is_overwritten(tmp_path):
    done = run(tmp_path, "Doctor Example\nP07\nn\nn\n\n\n\n3 2 1\n1 2 x\n1 2 3 4 5 6 8 10 12 15 16\n" + DEFAULTS)
    assert done.exit_code == 0, done.output
    assert done.output.count("Error") == 3
    with pytest.raises(Exception, match="is there already"):
        run(tmp_path, "P07\n" + DEFAULTS)


def test_any_text_survives_the_file():
    told = GuidedAnswers(
        practice="P07",
        randomised=True,
        assessor_blind=True,
        technique="ianb",
        agent="articaine",
        bicarbonate_ml=0.18,
        tests_min=(0.5, 1.0, 2.0),
        target_min=1.0,
        tau_min=2.0,
        control_tooth=False,
        notation="universal",
        pain_scale="vas100",
        cases_per_month=4.0,
        first_quarter="2026Q4",
        ethics='approval "A" \\ of\tthe [town] = 1 # – ü\n',
    )
    content = guided_content(told)
    assert tomllib.loads(as_toml(content)) == content
    assert content["report"]["quarters"] == ["2026Q4", "2027Q1", "2027Q2", "2027Q3"]
