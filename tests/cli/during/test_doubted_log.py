"""An opening log that was changed, or that the ledger does not hold so, is no quiet source of arms."""

import json
import shutil

import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import OnsetStudyError, RecordsError
from onsetstudy.core.serialise import spread
from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
from onsetstudy.files.ledger.side_files import read_arms, read_companions
from onsetstudy.protocol.ledger import of_kind
from onsetstudy.records.derived.allocation import LOG_FAULTS
from onsetstudy.study.sets.side_files import Companions
from tests.few_slips import GROUP, short_list

pytestmark = pytest.mark.usefixtures("unpainted", "answer_alone")

DATA = GROUP.parents[1] / "data" / "synthetic"
LEVEL = ("--level", "technique=ianb")


def run(*arguments):
    return CliRunner().invoke(onsetstudy, [str(a) for a in arguments], standalone_mode=False)


def flipped(text: str) -> str:
    """Every arm of a log taken for the other."""
    return text.replace("buffered", "@").replace("plain", "buffered").replace("@", "plain")


@pytest.fixture
def opened(tmp_path):
    """A locked study of which three slips were opened at a practice."""
    mine = short_list(tmp_path / "mine.toml", practices=("P01",))
    run("lock", mine)
    run("allocate", mine, "--into", tmp_path / "list", "--slips", "6", "--way", "chain")
    for k in (1, 2, 3):
        assert slip(tmp_path, mine, f"P01-000{k}").exit_code == 0
    return mine, tmp_path / "list" / "opened-P01.csv", ledger_path(mine)


def slip(folder, mine, case):
    return run("open-slip", folder / "list" / "sealed-P01.json", "--case", case, *LEVEL, "--protocol", mine)


def verified(mine, log):
    done = run("ledger", mine, "--verify", "--against", log.parent)
    return done.return_value, [line for line in done.output.splitlines() if line.startswith("Please look: opened-P01")]


def without_last(path):
    path.write_text("".join(path.read_text().splitlines(keepends=True)[:-1]))


def changed(log, ledger, how):
    text = log.read_text()
    if how == "arms":
        log.write_text(flipped(text))
    elif how == "case":
        log.write_text(text.replace("P01-0002,", "P01-0222,"))
    elif how == "log cut":
        without_last(log)
    elif how == "ledger cut":
        without_last(ledger)


CHANGES = {
    "arms": ("log_broken", "was changed at P01-1-001, P01-1-002, P01-1-003: restore the log from your backup"),
    "case": ("log_broken", "was changed at P01-1-002: restore the log from your backup"),
    "log cut": ("not_in_log", "does not show the openings of P01-1-003 as they were entered: give the log"),
    "ledger cut": ("not_in_ledger", "shows the openings of P01-1-003, which the ledger does not hold: open-slip with"),
}


@pytest.mark.parametrize("how", CHANGES)
def test_verify_names_what_was_changed_and_what_to_do(opened, how):
    mine, log, ledger = opened
    assert verified(mine, log) == (0, [])
    changed(log, ledger, how)
    code, told = verified(mine, log)
    assert code == 1
    assert told[0].startswith(f"Please look: opened-P01.csv {CHANGES[how][1]}")


@pytest.mark.parametrize("how", CHANGES)
def test_whoever_takes_arms_from_it_learns_of_it(opened, how):
    mine, log, ledger = opened
    assert not read_companions(mine, read_arms(logs=[log])).allocation.log_faults
    changed(log, ledger, how)
    assert CHANGES[how][0] in read_companions(mine, read_arms(logs=[log])).allocation.log_faults


def test_the_first_line_of_a_log_far_from_its_sealed_file_is_held_against_the_ledger(opened, tmp_path):
    mine, log, _ = opened
    away = tmp_path / "away" / log.name
    away.parent.mkdir()
    first, *rest = log.read_text().splitlines(keepends=True)[1:]
    away.write_text("".join([log.read_text().splitlines(keepends=True)[0], flipped(first), *rest]))
    code, told = verified(mine, away)
    assert code == 1
    assert "P01-1-001" in told[0]


def test_an_opening_that_a_failure_kept_out_comes_in_with_its_case(opened, tmp_path):
    mine, log, ledger = opened
    without_last(ledger)
    assert "Opened before" in slip(tmp_path, mine, "P01-0003").output
    assert verified(mine, log) == (0, [])


def test_a_ledger_without_an_opening_of_the_practice_says_nothing_of_its_log(opened):
    mine, log, ledger = opened
    lines = ledger.read_text().splitlines(keepends=True)
    ledger.write_text("".join(lines[: len(lines) - 3]))
    assert not read_companions(mine, read_arms(logs=[log])).allocation.log_faults


def test_no_slip_is_opened_where_the_lock_stands_and_the_ledger_is_gone(opened, tmp_path):
    mine, log, ledger = opened
    ledger.unlink()
    before = log.read_bytes()
    with pytest.raises(OnsetStudyError, match=r"mine.lock.json stands, and the ledger .* is gone. Restore it"):
        raise slip(tmp_path, mine, "P01-0004").exception
    assert log.read_bytes() == before
    assert not ledger.exists()
    # As the message says: another is begun, and takes in what the log holds.
    run("lock", mine)
    assert slip(tmp_path, mine, "P01-0004").exit_code == 0
    assert len(of_kind(verified_ledger(ledger), "slip_opened")) == 4


@pytest.mark.parametrize("how", CHANGES)
def test_unblinding_from_a_doubtful_log_tells_the_arm_and_that_it_may_be_another(opened, how):
    mine, log, ledger = opened
    ask = ("unblind", mine, log, "--reason", "care depends on it", "--case")
    changed(log, ledger, how)
    done = run(*ask, "P01-0001")
    assert done.exit_code == 0
    arm = dict(pd.read_csv(log, dtype=str)[["case_id", "arms"]].itertuples(index=False))["P01-0001"]
    label = {"plain": "not buffered", "buffered": "buffered"}[arm]
    told = done.output.splitlines()
    assert f"Slip P01-1-001, case P01-0001: {label}" in told
    (fault,) = [line for line in told if LOG_FAULTS[CHANGES[how][0]] in line]
    assert fault.startswith("Please look: ")
    assert told[-1].endswith("Open the slip's envelope, or ask who keeps the list.")
    assert of_kind(verified_ledger(ledger), "unblinded")[-1].body["case"] == "P01-0001"
    # A line that was taken out is the reason why there is none.
    done = run(*ask, "P01-0777")
    assert "holds no slip of P01-0777" in str(done.exception)
    assert fault in done.output.splitlines()


def test_unblinding_from_a_sound_log_ends_with_the_arm(opened):
    mine, log, _ = opened
    done = run("unblind", mine, log, "--reason", "care depends on it", "--case", "P01-0001")
    assert "Please look" not in done.output
    assert done.output.splitlines()[-1].startswith("Slip P01-1-001, case P01-0001: ")


@pytest.fixture
def recorded(tmp_path):
    """Records of a practice beside its log, in which every arm was taken for the other."""
    mine, practice = shutil.copy(GROUP, tmp_path / "mine.toml"), tmp_path / "P01"
    run("lock", mine)
    practice.mkdir()
    for name in ("cases", "cold_tests"):
        table = pd.read_csv(DATA / f"{name}.csv", dtype=str, keep_default_na=False)
        table[table["case_id"].str.startswith("P01")].to_csv(practice / f"{name}.csv", index=False)
    log = practice / "opened-P01.csv"
    shutil.copy(DATA / "allocation" / log.name, log)
    return mine, practice, log


@pytest.mark.slow
def test_page_one_says_that_the_log_cannot_be_believed(recorded, tmp_path):
    mine, practice, log = recorded
    ask = ("report", mine, practice, "--quarter", "2026Q1", "--format", "html", "--format", "json", "--into")
    assert run(*ask, tmp_path / "before").exception is None
    assert "cannot be believed" not in next((tmp_path / "before").glob("*.html")).read_text()
    log.write_text(flipped(log.read_text()))
    done = run(*ask, tmp_path / "after")
    assert "lines of the opening log that were changed or taken out" in done.output
    told = spread(json.loads(next((tmp_path / "after").glob("*.json")).read_text()))
    (text,) = [c["text"] for c in told["caution"] if c["code"] == "log_doubted"]
    assert text.startswith("Alarm: the arms are those of an opening log that cannot be believed: 68 lines")
    page = next((tmp_path / "after").glob("*.html")).read_text()
    first = page.index("an opening log that cannot be believed")
    assert first < page.index("</section>", page.index('id="answer"'))


def test_check_fails_and_nothing_is_sent_but_as_injected(recorded, tmp_path):
    mine, practice, log = recorded
    assert run("check", mine, practice).return_value == 0
    log.write_text(flipped(log.read_text()))
    done = run("check", mine, practice)
    assert done.return_value == 1
    assert "Nothing has to be corrected" not in done.output
    assert "restore the log from your backup" in done.output
    for door in (("send", mine, practice, "--practice", "P01"), ("reduce", mine, practice)):
        with pytest.raises(RecordsError, match="which tells the arms, cannot be believed: 68 lines"):
            raise run(*door, "--into", tmp_path / "x").exception
        assert not list((tmp_path / "x").glob("*.json"))
    sent = run("send", mine, practice, "--without-list", "the log was changed", "--into", tmp_path / "x")
    assert sent.return_value == 0, sent.exception


def test_what_was_never_held_against_a_ledger_is_not_doubted():
    arms = read_arms(logs=[DATA / "allocation" / "opened-P01.csv"])
    assert not Companions(allocation=arms).allocation.log_faults
