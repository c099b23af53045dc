"""The guided set-up: questions, and a protocol that keeps its promises."""

from __future__ import annotations

import tomllib

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import ProtocolError
from onsetstudy.files.ledger.lock import changes_since_lock, read_lock
from onsetstudy.files.sealed.kept_allocation import read_slips
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.earlier_names import todays_names
from onsetstudy.protocol.guided.content import answers_from
from onsetstudy.protocol.guided.expected import expected_onset
from onsetstudy.protocol.guided.questions import GUIDED, is_asked
from onsetstudy.report.sections.before.plan_words import headline
from onsetstudy.study.planning.plan_study import plan_study
from onsetstudy.study.planning.sizes import Sizing

CHANCE = "P07\ny\n\n\n\ny\n" + "\n" * 15 + "ethics committee of the county, 12/2026, 1 June 2026\n"
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
ETHICS = {"ethics": "committee of the county, 12/2026"}
OPEN = "\n" * 9 + "n\n\n"
"""Everything before the lock, left open."""


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


def told(**answers):
    """Answers of an audit in the order of the questions; what is not told is at its usual."""
    said = {name: text.rpartition("\n")[2] for name, text in answers.items()}
    asked = [q.name for q in GUIDED if is_asked(q, said)]
    return "".join(f"{answers.get(name, 'P07' if name == 'practice' else '')}\n" for name in asked)


def test_it_says_how_many_questions_it_asks(tmp_path):
    done = run(tmp_path, told(randomised="y", design="crossover", primary="numb", **ETHICS) + OPEN)
    assert f"{len(GUIDED)} questions" in done.output
    assert all(f"\n{number}. " in done.output for number in range(1, len(GUIDED) + 1))
    assert f"\n{len(GUIDED) + 1}. " not in done.output
    fewer = run(tmp_path / "fewer", told()).output  # what does not apply is not asked, and leaves no gap in the numbers
    applies = sum(is_asked(q, {}) for q in GUIDED)
    assert applies == len(GUIDED) - 5
    assert f"\n{applies}. " in fewer
    assert f"\n{applies + 1}. " not in fewer


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
    lead = found.claims[0]
    assert lead.quantity.key == promised.plan.primary
    assert lead.value > 20
    assert "contradict" not in " ".join(c.text for c in found.caution)


def test_what_is_not_recorded_cannot_be_the_main_outcome_and_is_not_asked_about(tmp_path):
    done = run(tmp_path, told(pain_scale="None", primary="pain\nnumb"))
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


def test_a_difference_that_matters_is_smaller_than_the_minutes_that_count(tmp_path):
    few = {"tests_min": "1 2 3 4 5 6 8 10", "tau_min": "8"}
    done = run(tmp_path, told(**few, wait_difference_min="15\n8\n7,5"))
    assert done.exit_code == 0, done.output
    assert done.output.count("from 0.1 to less than 8, the last minute that counts") == 2
    assert read_protocol(tmp_path / "protocol.toml").plan.wait_difference_min == 7.5
    with pytest.raises(ProtocolError, match="less than 8"):
        answers_from({"practice": "P07", **few, "wait_difference_min": "8"}, first_quarter="2026Q3")


@pytest.mark.parametrize(
    ("few", "again"),
    [
        ({"tests_min": "1 2 4 6", "tau_min": "15\n6\n4"}, ["from 2 to 4", "from 2 to 4"]),
        ({"tests_min": "1 2 4 6", "target_min": "0.5\n5\n3", "tau_min": "2\n4"}, ["from 1 to 4"] * 2 + ["from 3 to 4"]),
        ({"tests_min": "15\n1 2 15", "tau_min": "15\n2"}, ["2 minutes or more", "from 2 to 2"]),
    ],
)
def test_minutes_that_the_tests_cannot_confirm_are_asked_again_and_no_answer_is_lost(tmp_path, few, again):
    done = run(tmp_path, told(**few))
    assert done.exit_code == 0, done.output
    refused = [line for line in done.output.splitlines() if line.startswith("Error")]
    assert [part in line for part, line in zip(again, refused, strict=True)] == [True] * len(again)
    promised = read_protocol(tmp_path / "protocol.toml")
    assert promised.onset.tau_min == float(few["tau_min"].rpartition("\n")[2])
    assert promised.schedule.tests_min[-promised.onset.confirmations] >= promised.onset.tau_min


@pytest.mark.parametrize("points", [5.0, 15.0, 30.0])
def test_the_percentage_points_that_would_matter_are_what_the_plan_is_made_for(tmp_path, points):
    done = run(tmp_path, told(primary="numb", numb_difference=f"{points:g}"))
    assert done.exit_code == 0, done.output
    assert "percentage points" in done.output
    promised = read_protocol(tmp_path / "protocol.toml")
    shares = Sizing.of(promised).numb_by_target(promised.plan.planned_hazard_ratio)
    usual = expected_onset("ianb")
    assert shares[0] == pytest.approx(usual.numb_by(2))
    assert shares[0] == pytest.approx(0.8 * (1 - 0.5 ** ((2 / 6) ** 1.6)))
    assert 100 * (shares[1] - shares[0]) == pytest.approx(points, abs=0.01)
    assert any(f"{points:g} percentage points" in source for source in promised.planning.sources)


def test_percentage_points_are_asked_only_where_they_size_the_study(tmp_path):
    assert "percentage points" not in run(tmp_path, told(primary="wait")).output


def test_enter_alone_is_told_that_an_answer_is_needed(tmp_path):
    done = run(tmp_path, "\n\n" + told())
    assert done.exit_code == 0, done.output
    assert done.output.count("an answer is needed") == 2
    trial = CHANCE.replace("ethics committee", "\nethics committee") + "".join(f"{text}\n" for text in SETTLED)
    done = run(tmp_path / "trial", trial + "y\n\n1\n5\n3\n")
    assert done.exit_code == 0, done.output
    assert done.output.count("an answer is needed") == 2


# What a first plan stands on ----------------------------------------------------------------------------------------


def planned(folder, **answers):
    """The plan of a set-up by questions, and what was said as it was written."""
    done = run(folder, told(**answers))
    assert done.exit_code == 0, done.output
    return plan_study(read_protocol(folder / "protocol.toml"), trials=50), done.output


def test_a_block_is_sized_with_the_figures_of_the_trade_and_the_size_is_told_at_once(tmp_path):
    found, said = planned(tmp_path, technique="ianb", agent="lidocaine", primary="wait")
    e = found.expected
    assert (e.median_min, e.shape, e.never_reference, e.never_other) == (6, 1.6, 0.2, 0.2)
    assert found.claims[0].value == 796
    assert "The plan asks for 796 cases" in said
    assert said.index("796 cases") < said.index("onsetstudy plan")


def test_the_size_stands_before_a_lock_is_suggested(tmp_path):
    said = run(tmp_path, told(randomised="y", **ETHICS) + OPEN).output
    assert said.index("The plan asks for 796 cases") < said.index("onsetstudy lock")


def test_a_size_that_rests_on_placeholders_says_so_first_until_they_are_replaced(tmp_path):
    found, said = planned(tmp_path, technique="buccal_infiltration")
    first = headline(found).allows
    for told_here in (first, said):
        assert "placeholders, until records of your own say better" in told_here
        assert "median onset of 4 min without buffer and 10 % never numb" in told_here
        assert "standard deviation of pain of 2" in told_here
        assert "without a source" in told_here
    path = tmp_path / "protocol.toml"
    path.write_text(path.read_text("utf-8").replace("placeholder: ", "60 cases of our own: "), "utf-8")
    assert "placeholder" not in headline(plan_study(read_protocol(path), trials=50)).allows


def test_more_points_than_can_be_gained_are_asked_again_with_the_reason(tmp_path):
    many = {"technique": "buccal_infiltration", "target_min": "10", "primary": "numb"}
    done = run(tmp_path, told(**many, numb_difference="15\n13"))
    assert done.exit_code == 0, done.output
    assert "from 1 to 13: 86 % are taken to be numb by 10 min without buffer" in done.output
    plan = Sizing.of(read_protocol(tmp_path / "protocol.toml"))
    reference, other = plan.numb_by_target(plan.protocol.plan.planned_hazard_ratio)
    assert 100 * (other - reference) == pytest.approx(13, abs=0.01)


# Answers that the user gives, and no others --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "blind"),
    [({}, ("yes", "no", "yes")), ({"patient_blind": "no", "operator_blind": "Yes", "assessor_blind": "N"},
                                  ("no", "yes", "no"))],
)  # fmt: skip
def test_who_is_blind_is_what_was_answered(tmp_path, said, blind):
    done = run(tmp_path, told(randomised="yes", **said, **ETHICS) + OPEN)
    assert done.exit_code == 0, done.output
    assert "Will the patient not know" in done.output
    written = read_protocol(tmp_path / "protocol.toml").study
    assert tuple(dict(written.blinding)[who] for who in ("patient", "operator", "assessor")) == blind


def test_in_an_audit_nobody_is_asked_whether_the_patient_is_blind(tmp_path):
    done = run(tmp_path, told())
    assert "Will the patient not know" not in done.output
    assert dict(read_protocol(tmp_path / "protocol.toml").study.blinding)["patient"] == "no"


def test_none_to_declare_is_an_answer_and_a_letter_is_none(tmp_path):
    settled = list(SETTLED)
    settled[5], settled[6], settled[8] = "none", "None.", "n\nyes\nat every visit"
    trial = CHANCE + "".join(f"{text}\n" for text in settled) + "n\nadoption is for the practice to judge\n"
    done = run(tmp_path, trial)
    assert done.exit_code == 0, done.output
    assert done.output.count("this settles nothing; write how harms are asked for, and how often") == 2
    assert "Locked: version 1" in done.output
    held = tomllib.loads((tmp_path / "protocol.toml").read_text("utf-8"))["governance"]
    assert held["interests"] == "none to declare"
    assert held["funding"] == "no funding from outside, and no goods given"
    assert held["harms"] == "at every visit"


def test_a_letter_is_no_ethics_approval(tmp_path):
    done = run(tmp_path, told(ethics="n\nnot required, because the county says so"))
    assert "body, number and date" in done.output
    assert read_protocol(tmp_path / "protocol.toml").study.ethics_status.startswith("not required")


def test_a_mistyped_yes_or_no_is_told_what_was_expected(tmp_path):
    done = run(tmp_path, told(randomised="mabye\nNO", control_tooth="2\nyes"))
    assert done.exit_code == 0, done.output
    assert done.output.count("Error: write yes or no") == 2
    assert "invalid input" not in done.output


@pytest.mark.parametrize(
    ("design", "more"), [("crossover", {"washout_days": "2.5\n14"}), ("split_mouth", {}), ("Split_Mouth", {})]
)
def test_patients_with_both_arms_are_set_up_planned_and_given_a_list(tmp_path, design, more):
    said = told(randomised="y", design=design, primary="wait", **more, **ETHICS)
    done = run(tmp_path, said + "".join(f"{text}\n" for text in SETTLED) + "n\nfor the practice to judge\n")
    assert done.exit_code == 0, done.output
    promised = read_protocol(tmp_path / "protocol.toml")
    assert (promised.study.design, promised.study.paired) == (design.lower(), True)
    assert promised.allocation.method == "paired"
    assert promised.allocation.washout_days == (14 if more else 0)
    assert ("a whole number from 1 to 365" in done.output) == bool(more)
    claim = plan_study(promised, trials=50).claims[0]
    assert f"The plan asks for {claim.value} patients" in done.output
    slips = read_slips(tmp_path / "keep-apart" / "list.csv")
    assert len(slips) >= max(200, claim.value)
    assert {slip.arms for slip in slips} == {("plain", "buffered"), ("buffered", "plain")}
    assert {slip.sides for slip in slips} == ({()} if more else {("right", "left"), ("left", "right")})


def test_several_practices_are_told_what_to_write(tmp_path):
    done = run(tmp_path, told())
    assert 'practices = ["P01", "P02"]' in done.output
    path = tmp_path / "protocol.toml"
    path.write_text(path.read_text("utf-8").replace('practices = ["P07"]', 'practices = ["P01", "P02"]'), "utf-8")
    assert read_protocol(path).study.practices == ("P01", "P02")
