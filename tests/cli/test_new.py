"""The guided set-up: ten questions, and a protocol that keeps its promises."""

from __future__ import annotations

import tomllib

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.files.ledger.lock import changes_since_lock, read_lock
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.guided import GuidedAnswers, as_toml, guided_content

CHANCE = "P07\ny\ny\n" + "\n" * 10 + "ethics committee of the county, 12/2026, 1 June 2026\n"
SETTLED = (
    "in writing, by whoever treats; children with a guardian",
    "in the public register of trials, number 12345, before the first patient",
    "the practice is the sponsor, insured by its liability policy",
    "asked on 3 May 2026: not a medicinal trial",
    "consent; the practice keeps the key for ten years",
    "the practice pays for all of it",
    "whoever runs it has no interests to declare",
    "the coordinator sees them, and the practice stops it",
    "at every visit, and by a call the day after",
)
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
    done = run(tmp_path, CHANCE + "".join(f"{text}\n" for text in SETTLED) + "y\n1\n5\n3\n")
    assert done.exit_code == 0, done.output
    path = tmp_path / "protocol.toml"
    protocol = read_protocol(path)
    assert protocol.study.randomised
    assert "12/2026" in protocol.study.ethics_status
    assert (protocol.adoption.net_min, protocol.adoption.not_numb_margin) == (1.0, 0.03)
    assert read_lock(path).latest.digest == protocol.digest
    assert changes_since_lock(path) == ()
    assert (tmp_path / "sealed-P07.json").exists()
    assert sorted(p.name for p in (tmp_path / "keep-apart").iterdir()) == ["list.csv", "list.json"]


def test_what_is_left_open_is_told_and_no_list_is_drawn_for_a_protocol_that_will_change(tmp_path):
    done = run(tmp_path, CHANCE + "none\n" + "\n" * 9 + "n\nadoption is for the practice to judge\n")
    assert done.exit_code == 0, done.output
    assert "settles nothing" in done.output
    assert "Not locked yet" in done.output
    assert "governance.consent" in done.output
    assert "governance.approval" not in done.output
    assert "key adoption" not in done.output
    assert [p.name for p in tmp_path.iterdir()] == ["protocol.toml"]


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
