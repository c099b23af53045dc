"""What was mistyped is told in a sentence, and nothing is entered or written for it."""

import shutil
from pathlib import Path

import pytest
from click import UsageError
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import OnsetStudyError, ProtocolError
from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger

pytestmark = pytest.mark.usefixtures("unpainted")

ROOT = Path(__file__).parents[3]
GROUP = ROOT / "protocols" / "mandibular_block_group.toml"
DATA = ROOT / "data" / "synthetic"
LEVEL = ("--level", "technique=ianb")


def run(*arguments):
    return CliRunner().invoke(onsetstudy, [str(a) for a in arguments])


@pytest.fixture
def mine(tmp_path):
    return Path(shutil.copy(GROUP, tmp_path / "mine.toml"))


@pytest.fixture
def opened(mine):
    """The opening log of a list of which one slip was opened."""
    into = mine.parent / "list"
    assert run("allocate", mine, "--into", into, "--slips", "2", "--way", "chain").exit_code == 0
    ask = ("open-slip", into / "sealed-P01.json", "--case", "P01-0001", *LEVEL, "--protocol", mine)
    assert run(*ask).exit_code == 0
    return into / "opened-P01.csv"


def asked(protocol, log):
    """Every door that speaks with the ledger of a protocol alone."""
    return (
        ("pause", protocol, "--reason", "holidays"),
        ("unblind", protocol, log, "--case", "P01-0001", "--reason", "a reaction"),
        ("ledger", protocol),
        ("ledger", protocol, "--verify"),
    )


def test_a_protocol_that_is_not_there_has_no_ledger_begun_and_no_arm_told(mine, opened):
    wrong = mine.with_name("mien.toml")
    for arguments in asked(wrong, opened):
        done = run(*arguments)
        assert str(done.exception).endswith(f"there is no file {wrong}. Check the name and the folder."), arguments
        assert "buffered" not in done.output
        assert "plain" not in done.output
    assert not ledger_path(wrong).exists()


def test_a_case_whose_code_was_read_out_is_unblinded(mine, opened):
    told = run("unblind", mine, opened, "--case", "p01 0001", "--reason", "a reaction to the drug")
    assert "Slip P01-1-001, case P01-0001:" in told.output, told.exception


def test_a_protocol_that_is_refused_has_nothing_entered(mine, opened):
    run("lock", mine)
    held = verified_ledger(ledger_path(mine))
    mine.write_text(mine.read_text().replace("confirmations = 2", "confirmations = 0"))
    for arguments in asked(mine, opened)[:2]:
        assert isinstance(run(*arguments).exception, ProtocolError), arguments
    assert verified_ledger(ledger_path(mine)) == held


@pytest.mark.parametrize("given", [".", "", "{home}"])
def test_a_folder_is_no_protocol(mine, opened, monkeypatch, given):
    monkeypatch.chdir(mine.parent)
    before = sorted(mine.parent.iterdir())
    for arguments in asked(given.format(home=mine.parent), opened):
        with pytest.raises(ProtocolError, match=r"his is a folder, not a protocol file\. Give the \.toml file in it"):
            raise run(*arguments).exception
    assert sorted(mine.parent.iterdir()) == before


def test_a_ledger_whose_protocol_is_gone_is_read(mine):
    run("lock", mine)
    mine.unlink()
    assert "locked, version 1" in run("ledger", mine).output


def test_a_protocol_that_has_no_ledger_yet_is_told_what_begins_it(mine):
    with pytest.raises(OnsetStudyError, match=r"There is no ledger mine\.ledger\.jsonl\. The command lock begins it"):
        raise run("ledger", mine).exception


def test_what_was_wrong_is_said_once_and_with_one_stop(mine, opened):
    told = run("allocate", mine, "--into", mine.parent / "other", "--slips", "2", "--way", "paper").stderr
    run("lock", mine)
    mine.write_text(mine.read_text().replace("confirmations = 2", "confirmations = 1"))
    ask = ("open-slip", opened.with_name("sealed-P01.json"), "--case", "P01-0002", "--protocol", mine)
    told += run(*ask, *LEVEL).stderr
    assert "is not locked" in told
    assert "--reason WHY. A study" in told
    assert ".." not in told
    with pytest.raises(OnsetStudyError, match=r"Foo is not a code of technique; nothing was opened\. Write one of"):
        raise run(*ask, "--level", "technique=foo").exception


def test_a_reason_that_is_empty_is_told_as_missing_alone(mine, tmp_path):
    done = run("report", mine, DATA, "--without-list", " ", "--into", tmp_path / "out")
    assert "(--without-list REASON)" in str(done.exception)
    assert "Arms as injected" not in done.output


def test_a_reason_for_no_list_is_told_once_by_send(mine, tmp_path):
    done = run("send", mine, DATA, "--practice", "P01", "--without-list", "lost", "--into", tmp_path / "out")
    assert done.exit_code == 0, done.exception
    assert done.output.casefold().count("arms as injected; allocation not checked: lost") == 1


def test_a_folder_is_no_file_sent_before(mine, tmp_path):
    folder = tmp_path / "s2"
    folder.mkdir()
    done = run("send", mine, DATA, "--practice", "P01", "--after", folder, "--into", tmp_path / "out")
    assert str(done.exception) == "s2: this is a folder, not a file. Give the file in it."
    assert not (tmp_path / "out").exists()


def test_the_reason_of_a_withdrawal_reads_as_a_reason(mine):
    ask = ("withdraw", mine, "--remove-data", "--case")
    assert run(*ask, "P01-0001", "--reason", "moved away").output.endswith("counted. Reason: moved away.\n")
    assert run(*ask, "P01-0002").output.endswith("counted.\n")


@pytest.mark.parametrize(
    ("name", "more", "kinds"),
    [
        ("foo.txt", (), ".xlsx or .pdf"),
        ("t.csv", (), ".xlsx or .pdf"),
        ("records", (), ".xlsx or .pdf"),
        ("wide.pdf", ("--wide",), ".xlsx or .csv"),
        ("wide.txt", ("--wide",), ".xlsx or .csv"),
    ],
)
def test_a_template_is_written_as_what_its_name_says_or_not_at_all(mine, name, more, kinds):
    ask = ["template", str(mine), "--into", str(mine.parent / name), *more]
    done = CliRunner().invoke(onsetstudy, ask, standalone_mode=False)
    assert isinstance(done.exception, UsageError)
    assert f"is written as {kinds}." in str(done.exception)
    assert not (mine.parent / name).exists()


def test_capitals_of_an_ending_do_not_matter(mine):
    assert run("template", mine, "--into", mine.parent / "T.CSV", "--wide").exit_code == 0
    assert (mine.parent / "T.CSV").read_bytes().startswith(b"wide_sheet,")
    assert run("template", mine, "--into", mine.parent / "T.XLSX").exit_code == 0
    assert (mine.parent / "T.XLSX").read_bytes().startswith(b"PK")
