"""Names where a code or a reason belongs: refused where they are kept for ever, asked about where they are read."""

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import OnsetStudyError, RecordsError
from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
from onsetstudy.records.checks.privacy import may_be_a_name, reason_fault
from onsetstudy.records.derived.allocation import known_arms
from tests.study.cases import case, protocol, readings_of, records

GROUP = Path(__file__).parents[3] / "protocols" / "mandibular_block_group.toml"

NAMED = (
    "Margarethe Zwiebelkuchen is ill",
    "the operator Margarethe Zwiebelkuchen is ill",
    "Zwiebelkuchen, Margarethe asked for it",
    "MARGARETHE ZWIEBELKUCHEN",
    "Anna-Lena O'Brien left",
    "it broke; M. Zwiebelkuchen says so",
    "Li Wu fainted",
    "call frau zwiebelkuchen",
    "call 0171 5550199",
)
PLAIN = (
    "a syringe failed",
    "The committee asked for it",
    "The syringe broke. Another was bought. Testing goes on",
    "the ethics committee (IRB) asked, EU rules changed",
    "operator P04-B is ill until Monday",
    "first test at 3 min",
    "x",
)


@pytest.mark.parametrize("reason", NAMED)
def test_a_reason_that_may_name_somebody_has_a_fault_that_says_how_to_write_it(reason):
    assert "ame nobody" in reason_fault(reason) or "without naming anybody" in reason_fault(reason)
    assert reason not in reason_fault(reason)


@pytest.mark.parametrize("reason", PLAIN)
def test_a_plain_reason_has_none(reason):
    assert reason_fault(reason) == ""


@pytest.mark.parametrize("code", ["Zwiebelkuchen", "Miller", "muller", "Zwiebelkuchen1961", "Miller-1961"])
def test_a_word_is_no_code(code):
    assert may_be_a_name(code)


@pytest.mark.parametrize("code", ["", "N", "AB", "nurs", "C1", "P01-A", "P04-MVV4VM", "K001", "P01-2019", "op-1"])
def test_a_code_with_a_digit_or_of_few_letters_is_one(code):
    assert not may_be_a_name(code)


@pytest.fixture
def mine(tmp_path):
    path = Path(shutil.copy(GROUP, tmp_path / "mine.toml"))
    assert run("lock", path).exit_code == 0
    return path


def run(*arguments):
    return CliRunner().invoke(onsetstudy, [str(a) for a in arguments])


@pytest.mark.parametrize(
    "given",
    [("pause",), ("withdraw", "--case", "P01-0001"), ("lock",)],
    ids=lambda given: given[0],
)
def test_no_name_is_entered_for_ever(mine, given):
    before = ledger_path(mine).read_bytes()
    done = run(given[0], mine, *given[1:], "--reason", "Margarethe Zwiebelkuchen is ill")
    assert isinstance(done.exception, OnsetStudyError)
    assert "in small letters" in str(done.exception)
    assert "Zwiebelkuchen" not in str(done.exception)
    assert ledger_path(mine).read_bytes() == before


def test_no_name_is_unblinded_withdrawn_or_opens_a_slip(mine, tmp_path):
    run("allocate", mine, "--into", tmp_path / "list", "--slips", "2", "--way", "chain")
    sealed, log = (tmp_path / "list" / name for name in ("sealed-P01.json", "opened-P01.csv"))
    ask = ("open-slip", sealed, "--case", "P01-0001", "--level", "technique=ianb", "--protocol", mine)
    for who in ("Zwiebelkuchen", "Zwiebelkuchen1961"):
        done = run(*ask, "--by", who)
        assert "Give codes, not names" in str(done.exception)
        assert who not in str(done.exception)
    assert not log.exists()
    assert run(*ask, "--by", "P01-A").exit_code == 0
    ask = ("unblind", mine, log, "--case", "P01-0001", "--reason")
    assert "two capitalised words" in str(run(*ask, "Margarethe Zwiebelkuchen collapsed").exception)
    assert isinstance(run("withdraw", mine, "--case", "Zwiebelkuchen").exception, OnsetStudyError)
    assert {e.kind for e in verified_ledger(ledger_path(mine))} == {"protocol_locked", "list_drawn", "slip_opened"}


def test_a_reason_that_is_sent_names_nobody():
    with pytest.raises(RecordsError, match="two capitalised words"):
        known_arms(protocol(), None, without_list="Margarethe Zwiebelkuchen lost it")
    assert known_arms(protocol(), None, without_list="the log was lost").reason == "the log was lost"


@pytest.mark.parametrize(
    ("column", "code"),
    [("clinician_id", "Zwiebelkuchen"), ("clinician_id", "Miller1961"), ("patient_id", "Zwiebelkuchen1961")],
)
def test_records_with_such_a_code_are_read_and_asked_about(column, code):
    found = records([case(1, **{column: code}), case(2, "buffered")], readings_of(1, "ffnn") + readings_of(2, "ffnn"),
                    protocol())  # fmt: skip
    assert len(found.cases) == 2
    (asked,) = [q for q in found.queries if q.code == "may_be_a_name"]
    assert asked.where.column == column
    assert code not in str(asked)
    assert asked.value is None


def test_codes_of_the_usual_form_are_not_asked_about():
    found = records([case(1, clinician_id="P01-A", patient_id="P01-K7Q2"), case(2, "buffered", clinician_id="AB")],
                    readings_of(1, "ffnn") + readings_of(2, "ffnn"), protocol())  # fmt: skip
    assert [q for q in found.queries if q.code == "may_be_a_name"] == []
