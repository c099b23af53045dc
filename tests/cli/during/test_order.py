"""Lock, list, slip, in this order; and a ledger vouches for nothing that it does not hold."""

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import OnsetStudyError, ProtocolError
from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
from onsetstudy.protocol.ledger import of_kind
from tests.few_slips import short_list

pytestmark = pytest.mark.usefixtures("unpainted")

ROOT = Path(__file__).parents[3]
GROUP = ROOT / "protocols" / "mandibular_block_group.toml"
ORDER = "The order: onsetstudy lock .*onsetstudy allocate .*onsetstudy open-slip"
LEVEL = ("--level", "technique=ianb")


def run(*arguments):
    return CliRunner().invoke(onsetstudy, [str(a) for a in arguments])


def verified(mine, *against):
    """Exit code and words of the ledger held against files."""
    given = ["ledger", str(mine), "--verify", *(str(x) for file in against for x in ("--against", file))]
    done = CliRunner().invoke(onsetstudy, given, standalone_mode=False)
    return done.return_value, done.output


@pytest.fixture
def mine(tmp_path):
    return Path(shutil.copy(GROUP, tmp_path / "mine.toml"))


def drawn_before(mine):
    into = mine.parent / "list"
    done = run("allocate", mine, "--into", into, "--slips", "2", "--way", "chain")
    assert done.exit_code == 0, done.exception
    return into, done.output


def of_real_patients(mine):
    mine.write_text(mine.read_text().replace("invented = true", "invented = false", 1))


def test_a_study_of_real_patients_draws_and_opens_nothing_before_its_lock(mine, tmp_path):
    into, told = drawn_before(mine)
    assert "is not locked" in told
    sealed = into / "sealed-P01.json"
    assert "is not locked" in run("open-slip", sealed, "--case", "P01-0001", *LEVEL, "--protocol", mine).output
    log = into / "opened-P01.csv"
    before = log.read_bytes()
    of_real_patients(mine)
    with pytest.raises(ProtocolError, match=ORDER):
        raise run("allocate", mine, "--into", tmp_path / "other", "--slips", "2").exception
    assert not (tmp_path / "other").exists()
    # Found in the folder above the sealed file, whether it is named or not.
    for more in (("--protocol", mine), ()):
        with pytest.raises(ProtocolError, match=ORDER):
            raise run("open-slip", sealed, "--case", "P01-0002", *LEVEL, *more).exception
    assert log.read_bytes() == before


def test_a_change_after_the_lock_stops_them_too(mine):
    run("lock", mine)
    into, told = drawn_before(mine)
    assert "locked" not in told
    mine.write_text(mine.read_text().replace("confirmations = 2", "confirmations = 1"))
    told = run("open-slip", into / "sealed-P01.json", "--case", "P01-0001", *LEVEL, "--protocol", mine)
    assert told.exit_code == 0
    assert "changed since it was locked" in told.output


def test_a_log_that_lacks_what_the_studys_ledger_holds_opens_nothing_where_no_protocol_is_named(mine):
    run("lock", mine)
    into, _ = drawn_before(mine)
    sealed, log = into / "sealed-P01.json", into / "opened-P01.csv"
    assert run("open-slip", sealed, "--case", "P01-0001", *LEVEL, "--protocol", mine).exit_code == 0
    log.unlink()
    with pytest.raises(OnsetStudyError, match="does not show: P01-1-001"):
        raise run("open-slip", sealed, "--case", "P01-0002", *LEVEL).exception
    assert not log.exists()
    # A practice whose study's ledger is kept elsewhere has its own.
    ledger_path(mine).rename(mine.with_name("kept-elsewhere.jsonl"))
    assert run("open-slip", sealed, "--case", "P01-0002", *LEVEL).exit_code == 0


def test_a_sealed_file_alone_does_not_show_that_promises_came_first(mine, tmp_path):
    into, _ = drawn_before(mine)
    away = tmp_path / "away" / "there"
    away.mkdir(parents=True)
    sealed = shutil.copy(into / "sealed-P01.json", away)
    assert (
        "nothing shows whether the protocol was locked" in run("open-slip", sealed, "--case", "P01-0001", *LEVEL).output
    )


def test_a_list_drawn_before_the_lock_is_entered_by_it_and_a_change_is_seen(mine):
    into, _ = drawn_before(mine)
    assert not ledger_path(mine).exists()
    assert "Entered as it is today: the list in list" in run("lock", mine).output
    (drawn,) = of_kind(verified_ledger(ledger_path(mine)), "list_drawn")
    assert {"list.csv", "list.json", "sealed-P01.json"} <= set(drawn.body["files"])
    assert "Entered" not in run("lock", mine).output
    assert verified(mine, into)[0] == 0
    falsify(into)
    code, told = verified(mine, into)
    assert code == 1
    assert "list.csv is not as it was when its list was drawn" in told


def test_a_changed_copy_is_never_entered_beside_the_list(mine):
    into, _ = drawn_before(mine)
    copy = Path(shutil.copytree(into, mine.parent / "list_t"))
    falsify(copy)
    # Before the lock nobody can tell which of the two was drawn.
    told = run("lock", mine).output
    assert "hold one list with different contents" in told
    assert of_kind(verified_ledger(ledger_path(mine)), "list_drawn") == ()
    shutil.rmtree(copy)
    run("lock", mine)
    assert len(of_kind(verified_ledger(ledger_path(mine)), "list_drawn")) == 1
    # Afterwards neither lock nor allocate enters a changed one in its place.
    shutil.copytree(into, copy)
    falsify(copy)
    run("lock", mine)
    assert run("allocate", mine, "--into", copy).exception is not None
    assert len(of_kind(verified_ledger(ledger_path(mine)), "list_drawn")) == 1
    code, told = verified(mine, copy)
    assert code == 1
    assert "list.csv is not as it was when its list was drawn" in told


def test_a_list_and_the_one_that_goes_on_from_it_are_both_entered(mine):
    into, _ = drawn_before(mine)
    more = mine.parent / "more"
    done = run("allocate", mine, "--after", into, "--into", more, "--slips", "2", "--way", "chain")
    assert done.exit_code == 0, done.exception
    run("lock", mine)
    assert len(of_kind(verified_ledger(ledger_path(mine)), "list_drawn")) == 2
    assert verified(mine, into, more)[0] == 0


def test_a_list_of_another_study_is_not_entered(mine):
    drawn_before(mine)
    mine.write_text(mine.read_text().replace('id = "', 'id = "x-', 1))
    run("lock", mine)
    assert of_kind(verified_ledger(ledger_path(mine)), "list_drawn") == ()


def falsify(into):
    listed = into / "list.csv"
    text = listed.read_text().replace("plain", "x").replace("buffered", "plain").replace(",x,", ",buffered,")
    listed.write_text(text)


def test_the_ledger_vouches_for_nothing_of_which_it_does_not_speak(mine, tmp_path):
    run("lock", mine)
    away = tmp_path / "elsewhere"
    other = Path(shutil.copy(GROUP, tmp_path / "other.toml"))
    assert run("allocate", other, "--into", away, "--slips", "2", "--way", "paper").exit_code == 0
    falsify(away)
    code, told = verified(mine, away / "list.csv")
    assert code == 1
    assert "list.csv: held against nothing, for no list was entered." in told
    assert "agrees with all" not in told
    # Beside something that the ledger does hold, what it does not hold is named and is no fault.
    code, told = verified(mine, away / "list.csv", mine.with_suffix(".lock.json"))
    assert code == 0
    assert "list.csv: held against nothing" in told
    # The chain alone, with nothing given, holds.
    assert verified(mine)[0] == 0


def test_an_opening_that_was_entered_and_is_not_in_the_log_is_seen(mine):
    run("lock", mine)
    into, _ = drawn_before(mine)
    log = into / "opened-P01.csv"
    for case in ("P01-0001", "P01-0002"):
        assert run("open-slip", into / "sealed-P01.json", "--case", case, *LEVEL, "--protocol", mine).exit_code == 0
    assert verified(mine, log)[0] == 0
    log.write_text("".join(log.read_text().splitlines(keepends=True)[:-1]))
    code, told = verified(mine, log)
    assert code == 1
    assert "opened-P01.csv does not show the openings of P01-1-002" in told


def test_a_second_list_of_a_study_is_drawn_with_a_word_about_the_first(mine):
    second = "the ledger holds a list of this study already"
    run("lock", mine)
    into, told = drawn_before(mine)
    assert second not in told
    ask = ("allocate", mine, "--slips", "2", "--way", "chain", "--into")
    more = run(*ask, mine.parent / "more", "--after", into)
    assert more.exit_code == 0, more.exception
    assert second not in more.output
    again = run(*ask, mine.parent / "again")
    assert again.exit_code == 0, again.exception
    assert second in again.stderr
    assert "--after" in again.stderr


@pytest.mark.parametrize("more", [(), ("--close",)], ids=["paused", "closed"])
def test_a_study_that_stands_still_opens_no_further_slip_and_tells_one_that_was_opened(mine, more):
    run("lock", mine)
    into, _ = drawn_before(mine)
    sealed, protocol = into / "sealed-P01.json", ("--protocol", mine)
    said = run("open-slip", sealed, "--case", "P01-0001", *LEVEL, *protocol).output
    run("pause", mine, "--reason", "solution recalled", *more)
    log = (into / "opened-P01.csv").read_bytes()
    for named in (protocol, ()):  # the protocol in the folder above is found as well
        with pytest.raises(OnsetStudyError, match=r"study is (paused|closed): solution recalled\. Nothing was opened"):
            raise run("open-slip", sealed, "--case", "P01-0002", *LEVEL, *named).exception
    assert (into / "opened-P01.csv").read_bytes() == log
    again = run("open-slip", sealed, "--case", "P01-0001", *LEVEL, *protocol).output
    assert said.splitlines()[-2] in again
    went_on = run("pause", mine, "--resume", "--reason", "new lot")
    opened = run("open-slip", sealed, "--case", "P01-0002", *LEVEL, *protocol)
    assert (went_on.exit_code == 0, opened.exit_code == 0) == ((True, True) if not more else (False, False))


def test_a_code_written_with_another_sign_between_its_parts_has_no_second_slip(mine):
    run("lock", mine)
    into, _ = drawn_before(mine)
    first, *others = (
        run("open-slip", into / "sealed-P01.json", "--case", case, *LEVEL, "--protocol", mine).output
        for case in ("P01-0001", "P01 0001", "p01_0001", "P01 - 0001")
    )
    slip = first.split()[1]
    assert all(
        f"Opened before for {case}: slip {slip}." in told
        for case, told in zip(("P01 0001", "p01_0001", "P01 - 0001"), others, strict=True)
    )
    assert (
        f"Slip {slip} "
        not in run("open-slip", into / "sealed-P01.json", "--case", "P01-1-001", *LEVEL, "--protocol", mine).output
    )


@pytest.mark.parametrize("way", ["passphrases", "chain"])
def test_a_list_that_goes_on_at_its_keeper_is_not_called_changed_at_the_practice(tmp_path, way):
    mine = short_list(tmp_path / "mine.toml", practices=("P01",))
    run("lock", mine)
    draw = ["allocate", mine, "--way", way, "--slips", "4", "--into"]
    first, second, third = (tmp_path / "keeper" / name for name in ("first", "second", "third"))
    run(*draw, first)
    there = tmp_path / "practice"
    there.mkdir()
    for name in ("mine.toml", "mine.lock.json", "mine.ledger.jsonl"):
        shutil.copy(tmp_path / name, there)
    run(*draw, second, "--after", first)
    run(*draw, third, "--after", second)

    sealed, further = there / "sealed-P01.json", "sealed-P01.json: the slips that this ledger knows are as they were"
    for folder in (first, second, third):
        shutil.copy(folder / sealed.name, sealed)
        code, told = verified(there / "mine.toml", sealed)
        assert code == 0, told
        # What this ledger cannot know is told, and not that it agrees.
        assert (further in told) == (folder != first)
    assert verified(mine, first / sealed.name, second / sealed.name, third / sealed.name)[0] == 0
    assert further not in verified(mine, third / sealed.name)[1]

    if way == "passphrases":
        code, told = verified(there / "mine.toml", second / "commitments.json")
        assert code == 1
        assert "commitments.json is not as it was when its list was drawn: it was changed, or is of a list" in told
    changed = "sealed-P01.json is not as it was when its list was drawn: it was changed, or is of a list that went on"
    content = json.loads(sealed.read_text())
    place = content["strata"]["P01 | ianb"]
    slips, other = place["slips"], dict(place["slips"][1], sealed=place["slips"][2]["sealed"])
    # Slips of one's own behind the list: no ledger of the practice knows them, the keeper's finds them.
    own = {**slips[-1], "slip": f"P01-1-{len(slips) + 1:03d}"}
    sealed.write_text(json.dumps({**content, "strata": {"P01 | ianb": {**place, "slips": [*slips, own]}}}))
    told = verified(there / "mine.toml", sealed)[1]
    assert further in told
    assert "somebody else wrote them. Let the keeper hold this file against the keeper's own ledger before" in told
    assert changed in verified(mine, sealed)[1]
    for edit in (
        {"strata": {"P01 | ianb": {**place, "slips": [slips[0], other, *slips[2:]]}}},
        {"strata": {"P01 | ianb": {**place, "slips": slips[:3]}}},
        {"earlier": [{"P01 | ianb": 3}]},
        {"earlier": []},
        {"practices": ["P01", "P02"]},
    ):
        sealed.write_text(json.dumps({**content, **edit}))
        code, told = verified(there / "mine.toml", sealed)
        assert (code, changed in told, "the list's keeper" in told) == (1, True, True), edit
    # As files of earlier versions are that go on: from where, they do not say.
    del content["earlier"]
    sealed.write_text(json.dumps(content))
    assert changed in verified(there / "mine.toml", sealed)[1]
