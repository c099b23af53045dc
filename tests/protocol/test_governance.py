"""What a randomised study has to settle before it is locked."""

import datetime as dt
import re
from pathlib import Path

import pytest

from onsetstudy.core.errors import ProtocolError
from onsetstudy.files.ledger.lock import lock_path, lock_protocol_file
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.governance import QUESTIONS, is_answer, unanswered

DAY = dt.date(2026, 1, 5)
ANSWERS = {
    "approval": "Committee of the region, 2026-17, 3 January 2026",
    "consent": "written, after a day to think; children assent",
    "registration": "public register, number 0001, before the first patient",
    "insurance": "the practice; its liability insurer was told",
    "medicines_authority": "not required, because mixing one cartridge is practice; letter of 2 January 2026",
    "data_protection": "consent; the key stays in the practice for ten years",
    "funding": "own means; no goods were given",
    "interests": "nobody has any",
    "monitoring": "the keeper of the list alone; a colleague outside stops",
    "harms": "asked after a day and a week by telephone",
}
MARGINS = "net_min = 1.0\npain_margin = 5.0\nnot_numb_margin = 0.05\n"
RULE = f'\n[adoption]\n{MARGINS}stopping_harms = ["paraesthesia", "serious"]\n'


def study(folder, answers=ANSWERS, rule=RULE, invented=False):
    text = Path("protocols/mandibular_block_group.toml").read_text(encoding="utf-8")
    text = re.sub(r"^invented = true", f"invented = {str(invented).lower()}", text, flags=re.MULTILINE)
    table = "\n[governance]\n" + "".join(f'{key} = "{said}"\n' for key, said in answers.items()) if answers else ""
    path = folder / "mine.toml"
    path.write_text(text + table + rule, encoding="utf-8")
    return path


def test_everything_settled_is_locked(tmp_path):
    lock, _ = lock_protocol_file(study(tmp_path), day=DAY)
    assert lock.latest.number == 1


@pytest.mark.parametrize("left_out", QUESTIONS)
def test_each_question_left_open_refuses_the_lock_by_its_name(tmp_path, left_out):
    answers = {key: said for key, said in ANSWERS.items() if key != left_out}
    with pytest.raises(ProtocolError) as error:
        lock_protocol_file(study(tmp_path, answers), day=DAY)
    assert [p.where.key for p in error.value.problems] == [f"governance.{left_out}"]
    assert not lock_path(tmp_path / "mine.toml").exists()


def test_all_that_is_open_is_told_at_once(tmp_path):
    with pytest.raises(ProtocolError) as error:
        lock_protocol_file(study(tmp_path, {}, ""), day=DAY)
    assert len(error.value.problems) == len(QUESTIONS) + 1
    assert error.value.problems[-1].where.key == "adoption"


def test_an_invented_study_is_locked_without(tmp_path):
    assert lock_protocol_file(study(tmp_path, {}, "", invented=True), day=DAY)[0].latest.number == 1


@pytest.mark.parametrize(
    ("text", "answers"),
    [
        ("none", False),
        ("None.", False),
        ("  n/a ", False),
        ("to be decided", False),
        ("not required", False),
        ("Not required, says the chief", False),
        ("not required, because this is an audit; the committee's letter of 2 May says so", True),
        ("invented study; no approval was sought", False),
        ("at every visit, for example pain or a bruise", True),
        ("as in the example", False),
        ("Committee of the region, 2026-17", True),
        ("nobody has any", True),
        ("n", False),
        (" X. ", False),
        ("yes", False),
        ("ok", False),
        ("not yet", False),
        ("No. 12", True),
    ],
)
def test_what_counts_as_an_answer(text, answers):
    assert is_answer(text) is answers


def test_none_answers_where_it_can_be_true_and_nowhere_else():
    assert {key for key in QUESTIONS if is_answer("None.", key)} == {"interests", "funding"}
    said = {**ANSWERS, "interests": "none", "harms": "none"}
    assert [p.where.key for p in unanswered(said, {}, adoption=True)] == ["governance.harms"]


def test_what_stands_in_conduct_is_not_asked_twice():
    conduct = {key: ANSWERS[key] for key in ("consent", "registration", "funding", "interests", "monitoring", "harms")}
    rest = {key: said for key, said in ANSWERS.items() if key not in conduct}
    assert unanswered(rest, conduct, adoption=True) == ()
    assert [p.where.key for p in unanswered(rest, {**conduct, "consent": "none"}, adoption=True)] == [
        "governance.consent"
    ]


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ("\n[adoption]\nnet_min = 1.0\n", "lacks pain_margin, not_numb_margin, stopping_harms"),
        (RULE + 'none_because = "x"\n', "stands beside the reason why there is none"),
        ("\n[adoption]\n", "lacks net_min"),
    ],
)
def test_half_a_rule_is_none(tmp_path, rule, words):
    with pytest.raises(ProtocolError, match=words):
        read_protocol(study(tmp_path, rule=rule))


def test_a_reason_for_no_rule_is_a_rule(tmp_path):
    path = study(tmp_path, rule='\n[adoption]\nnone_because = "this only describes"\n')
    assert read_protocol(path).adoption.none_because == "this only describes"
    assert lock_protocol_file(path, day=DAY)[0].versions


def test_protocols_without_the_new_tables_keep_their_digest(tmp_path):
    shipped = read_protocol("protocols/mandibular_block_group.toml")
    assert shipped.digest == read_protocol(study(tmp_path, {}, "", invented=True)).digest
    assert shipped.digest != read_protocol(study(tmp_path, invented=True)).digest
