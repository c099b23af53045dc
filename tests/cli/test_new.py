"""The guided set-up: questions, and a protocol that keeps its promises."""

from __future__ import annotations

import tomllib

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.canonical import as_toml
from onsetstudy.files.ledger.lock import changes_since_lock, read_lock
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.earlier_names import todays_names
from onsetstudy.protocol.guided import GUIDED, GuidedAnswers, guided_content
from onsetstudy.study.planning.claims import plan_claims
from onsetstudy.study.planning.plan_study import plan_study

CHANCE = "P07\ny\ny\n" + "\n" * 15 + "ethics committee of the county, 12/2026, 1 June 2026\n"
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
DEFAULTS = "\n" * 15


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
    done = run(tmp_path, "Doctor Example\nP07\nn\nn\n\n\n\n\n3 2 1\n1 2 x\n1 2 3 4 5 6 8 10 12 15 16\n" + DEFAULTS)
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


def told(**answers):
    """Answers of an audit in the order of the questions; what is not told is at its usual."""
    return "".join(f"{answers.get(q.name, 'P07' if q.name == 'practice' else '')}\n" for q in GUIDED)


def test_it_says_how_many_questions_it_asks(tmp_path):
    done = run(tmp_path, told())
    assert f"{len(GUIDED)} questions" in done.output
    assert f"\n{len(GUIDED)}. " in done.output
    assert f"\n{len(GUIDED) + 1}. " not in done.output


@pytest.mark.parametrize(
    ("said", "written"),
    [("FDI", "iso3950"), ("fdi", "iso3950"), ("iso3950", "iso3950"), ("Universal", "universal"), ("", "iso3950")],
)
def test_teeth_are_numbered_by_either_name_in_any_case(tmp_path, said, written):
    run(tmp_path, told(notation=said))
    assert read_protocol(tmp_path / "protocol.toml").schedule.tooth_notation == written


def test_what_matters_is_asked_and_written_under_todays_names(tmp_path):
    done = run(tmp_path, told(mix_mode="Add", primary="pain", wait_difference_min="0,5", pain_difference="20",
                              first_quarter="2024q2"))  # fmt: skip
    assert done.exit_code == 0, done.output
    written = tomllib.loads((tmp_path / "protocol.toml").read_text(encoding="utf-8"))
    assert todays_names(written) == written
    protocol = read_protocol(tmp_path / "protocol.toml")
    assert (protocol.plan.primary, protocol.plan.wait_difference_min) == ("pain_difference", 0.5)
    assert protocol.pain.instrument.important_difference == 2
    assert "added to the full cartridge" in protocol.arms[1].preparation
    assert [arm.mix_mode for arm in protocol.arms] == ["none", "add"]
    assert [q.label for q in protocol.quarters] == ["2024Q2", "2024Q3", "2024Q4", "2025Q1"]


@pytest.mark.parametrize("primary", ["wait", "numb", "rate", "pain"])
def test_what_was_asked_can_be_planned_at_once(tmp_path, primary):
    """Every main outcome has a size that leads; nothing that was written contradicts its own curves."""
    run(tmp_path, told(primary=primary))
    promised = read_protocol(tmp_path / "protocol.toml")
    found = plan_study(promised, trials=60)
    lead = plan_claims(found)[0]
    assert lead.quantity.key == promised.plan.primary
    assert lead.value > 20
    assert "contradict" not in " ".join(c.text for c in found.caution)


def test_what_is_not_recorded_cannot_be_the_main_outcome_and_is_not_asked_about(tmp_path):
    answers = told(pain_scale="None", primary="pain\nnumb").split("\n")
    del answers[[q.name for q in GUIDED].index("pain_difference") + 1]  # one more: the main outcome was asked twice
    done = run(tmp_path, "\n".join(answers))
    assert done.exit_code == 0, done.output
    assert "pain is not recorded here" in done.output
    assert "Difference in pain" not in done.output
    protocol = read_protocol(tmp_path / "protocol.toml")
    assert (protocol.pain, protocol.plan.primary) == (None, "success_difference")


def test_the_recorder_is_told_only_to_those_who_may_start_it(tmp_path):
    """A randomised study that is not locked does not start; its plan can be looked at before the lock."""
    assert "At the chair: " in run(tmp_path / "audit", told()).output
    waiting = run(tmp_path / "trial", CHANCE + "\n" * 9 + "n\nadoption is for the practice to judge\n").output
    assert "Not locked yet" in waiting
    assert "onsetstudy plan" in waiting
    assert "At the chair: " not in waiting


def test_an_audit_is_told_that_no_list_is_needed(tmp_path):
    run(tmp_path, told())
    ask = ["allocate", str(tmp_path / "protocol.toml"), "--into", str(tmp_path / "list")]
    done = CliRunner().invoke(onsetstudy, ask)
    assert done.exit_code != 0
    assert "None is needed" in str(done.exception)
