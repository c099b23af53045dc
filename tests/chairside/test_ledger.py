"""What the recorder enters in the ledgers, and slips that a passphrase opens."""

from __future__ import annotations

import csv
import dataclasses
import shutil

import pytest

from onsetstudy.cli.during.chairside import ledger_door
from onsetstudy.cli.ledger_entries import enter_event
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.design.allocation.lists import draw_allocation_list
from onsetstudy.files.ledger.ledger import ledger_path, practice_ledger_path, verified_ledger
from onsetstudy.files.sealed.allocation_list import write_enveloped
from onsetstudy.files.sources.protocol_toml import read_protocol
from tests.case_codes import new_case_code
from tests.chairside.asgi import CASE, Study
from tests.chairside.test_server import OPENED, prepare, ready

PROTOCOL = read_protocol("protocols/mandibular_block_group.toml")


@pytest.fixture(scope="module")
def sealed(tmp_path_factory):
    """A list and its sealed files, written once; each test works on a copy."""
    folder = tmp_path_factory.mktemp("sealed")
    drawn = draw_allocation_list(PROTOCOL, slips_per_stratum=2, seed=5)
    write_enveloped(drawn, folder, seed=5, secret=b"x" * 32)
    return folder


@pytest.fixture
def study(tmp_path, sealed):
    shutil.copytree(sealed, tmp_path, dirs_exist_ok=True)
    made = Study(PROTOCOL, tmp_path, sealed=tmp_path / "sealed-P01.json")
    made.recorder.ledger = ledger_door(tmp_path / "mine.toml")
    yield made
    made.close()


def test_a_slip_is_opened_by_the_passphrase_of_its_envelope_and_entered(study, tmp_path):
    tester, mixer = study.browser("tester"), study.browser("mixer")
    ready(tester)
    ask = {"case_id": CASE, "by": "P01-M"}
    refused = mixer.post("/api/mixing/slip", {**ask, "passphrase": "wrong"})
    assert refused.status == 409
    slip = next(s for s in study.recorder.mixing().waiting if s.case_id == CASE)
    assert slip.opened_slip == ""
    words = passphrases(tmp_path)
    name = next(name for name in words if name in refused.json()["why"])
    told = mixer.post("/api/mixing/slip", {**ask, "passphrase": words[name].lower()}).json()
    assert told["slip"] == name
    entries = verified_ledger(ledger_path(tmp_path / "mine.toml"))
    assert [(e.kind, e.body["slip"], e.body["case"]) for e in entries] == [("slip_opened", name, CASE)]
    assert not practice_ledger_path(tmp_path / "sealed-P01.json").exists()


def passphrases(folder):
    with (folder / "passphrases.csv").open() as file:
        return {row["slip"]: row["passphrase"] for row in csv.DictReader(file)}


def open_first(mixer, folder, case_id=CASE):
    """Ask for the first slip of the practice, and return what was answered."""
    word = passphrases(folder)["P01-1-001"]
    return mixer.post("/api/mixing/slip", {"case_id": case_id, "by": "P01-M", "passphrase": word})


OTHER = new_case_code("P01", lambda n: 5)


@pytest.mark.parametrize("earlier", [False, True], ids=["own ledger", "a ledger beside the file"])
def test_no_slip_is_opened_over_a_log_that_lacks_what_the_ledger_holds(study, tmp_path, earlier):
    tester, mixer = study.browser("tester"), study.browser("mixer")
    ready(tester)
    assert open_first(mixer, tmp_path).status == 200
    if earlier:  # openings of the recorder were once entered there alone
        (tmp_path / "mine.ledger.jsonl").rename(tmp_path / "P01.ledger.jsonl")
    (tmp_path / "opened-P01.csv").unlink()
    tester.tap("case_opened", OPENED, case_id=OTHER)
    tester.tap("baseline", {"tooth_role": "target", "response": "felt"}, case_id=OTHER)
    refused = open_first(mixer, tmp_path, OTHER)
    assert refused.status == 409
    assert "does not show: P01-1-001" in refused.json()["why"]
    assert not (tmp_path / "opened-P01.csv").exists()


@pytest.mark.parametrize("kind", ["paused", "closed"])
def test_a_study_halted_by_the_command_opens_nothing_at_the_chair_and_open_cases_go_on(study, tmp_path, kind):
    tester, treating, mixer = (study.browser(role) for role in ("tester", "treating", "mixer"))
    ready(tester)
    tester.tap("case_opened", OPENED, case_id=OTHER)
    tester.tap("baseline", {"tooth_role": "target", "response": "felt"}, case_id=OTHER)
    slip = open_first(mixer, tmp_path).json()
    enter_event(tmp_path / "mine.toml", kind, {"reason": "solution recalled."})
    halt = f"the study is {kind}: solution recalled"
    third = new_case_code("P01", lambda n: 9)
    assert halt in tester.tap("case_opened", OPENED, case_id=third)["why"]
    assert halt[4:] in open_first(mixer, tmp_path, OTHER).json()["why"]
    assert tester.get("/api/chair?after=0").json()["paused"] == halt
    assert mixer.get("/api/mixing").json()["paused"] == halt
    # The case that has its slip goes on.
    assert open_first(mixer, tmp_path).json() == {**slip, "again": True}
    assert [w["opened_slip"] for w in mixer.get("/api/mixing").json()["waiting"]] == ["P01-1-001", ""]
    mix = {} if slip["arm"] == "plain" else {"bicarbonate_ml": 0.18, "mix_mode": "replace"}
    got = prepare(mixer, slip["arm"], allocation_slip=slip["slip"], **mix)
    assert [a["state"] for a in got.json()["entries"]] == ["written", "written"]
    assert treating.tap("injection_end", key="injected-1")["state"] == "written"
    fault = treating.tap("paused", {"reason": "power"}, case_id=None, key="pause-2")["why"]
    assert fault == f"the study is {kind} already"
    goes = treating.tap("resumed", {"reason": "reviewed"}, case_id=None, key="resume-2")["state"]
    assert goes == ("written" if kind == "paused" else "refused")
    assert treating.tap("closed", key="case-closed-1")["state"] == "written"


def test_a_pause_is_entered_once_and_the_same_entry_sent_again_is_known(study, tmp_path):
    treating = study.browser("treating")

    def tap(kind, key):
        return treating.tap(kind, {"reason": "power"}, case_id=None, key=key)

    assert tap("resumed", "resume-0")["why"] == "the study is under way already"
    entry = treating.entry("paused", {"reason": "power"}, case_id=None, key="pause-1")
    sent = [treating.post("/api/entries", {"entries": [entry]}).json()["entries"][0] for _ in range(2)]
    assert [answer["state"] for answer in sent] == ["written", "known"]
    assert tap("paused", "pause-2")["why"] == "the study is paused already"
    assert [e.kind for e in verified_ledger(ledger_path(tmp_path / "mine.toml"))] == ["paused"]


def test_over_a_broken_ledger_no_case_begins_and_open_ones_go_on(study, tmp_path):
    tester, treating = study.browser("tester"), study.browser("treating")
    ready(tester)
    (tmp_path / "mine.ledger.jsonl").write_text("no entry\n")
    assert "ledger" in tester.tap("case_opened", OPENED, case_id=OTHER)["why"]
    assert "ledger" in tester.get("/api/chair?after=0").json()["paused"]
    assert treating.tap("injection_end", key="injected-1")["state"] == "written"


def test_what_a_broken_ledger_cannot_take_is_refused_alone_and_taps_behind_it_are_kept(study, tmp_path):
    tester, treating = study.browser("tester"), study.browser("treating")
    ready(tester)
    (tmp_path / "mine.ledger.jsonl").write_text("no entry\n")
    goes_on = treating.entry("resumed", {"reason": "reviewed"}, case_id=None, key="resume-1")
    sent = [goes_on, treating.entry("injection_end", key="injected-1")]
    answers = treating.post("/api/entries", {"entries": sent}).json()["entries"]
    assert [answer["state"] for answer in answers] == ["refused", "written"]
    assert "ledger" in answers[0]["why"]


def test_pause_and_unblinding_are_entered_once_and_before_the_arm_is_told(study, tmp_path):
    tester, treating, mixer = (study.browser(role) for role in ("tester", "treating", "mixer"))
    ready(tester)
    arm = open_first(mixer, tmp_path).json()["arm"]
    prepare(mixer, arm, allocation_slip="P01-1-001")
    entry = treating.entry("unblinded", {"reason": "care depends on it"}, key="unblind-1")
    for _ in range(2):
        assert treating.post("/api/unblind", {"entry": entry}).json()["arm"] == arm
    treating.tap("paused", {"reason": "serious event"}, case_id=None, key="pause-1")
    treating.tap("resumed", {"reason": "reviewed"}, case_id=None, key="resume-1")
    entries = verified_ledger(ledger_path(tmp_path / "mine.toml"))
    assert [e.kind for e in entries] == ["slip_opened", "unblinded", "paused", "resumed"]
    assert entries[1].body == {"slip": "P01-1-001", "case": CASE, "reason": "care depends on it"}


def test_unblinding_over_a_log_that_was_changed_says_so(study, tmp_path):
    tester, treating, mixer = (study.browser(role) for role in ("tester", "treating", "mixer"))
    ready(tester)
    slip = open_first(mixer, tmp_path).json()
    log = tmp_path / "opened-P01.csv"
    sound = log.read_text()
    changed = sound.replace("buffered", "@").replace("plain", "buffered").replace("@", "plain")
    log.write_text(changed)

    def unblind(key):
        return treating.post("/api/unblind", {"entry": treating.entry("unblinded", {"reason": "care"}, key=key)})

    told = unblind("unblind-1")
    assert told.status == 409
    (answer,) = told.json()["entries"]
    assert answer["state"] == "written"
    assert answer["why"].startswith("opened-P01.csv: the opening log was changed at slip P01-1-001. Restore the log")
    assert answer["why"].endswith("Open the sealed envelope of the case")
    log.write_text(sound)
    mix = {} if slip["arm"] == "plain" else {"bicarbonate_ml": 0.18, "mix_mode": "replace"}
    assert prepare(mixer, slip["arm"], allocation_slip=slip["slip"], **mix).status == 200
    log.write_text(changed)
    told = unblind("unblind-2").json()
    assert told["arm"] == slip["arm"]
    assert told["differs"].startswith("This is what was prepared. opened-P01.csv: the opening log was changed at slip")


def test_where_the_ledger_cannot_be_written_nothing_is_told(study, tmp_path):
    def broken(kind, body):
        raise OnsetStudyError("the ledger cannot be written")

    tester, treating, mixer = (study.browser(role) for role in ("tester", "treating", "mixer"))
    ready(tester)
    slip = open_first(mixer, tmp_path).json()
    prepare(mixer, slip["arm"], allocation_slip=slip["slip"])
    study.recorder.ledger = dataclasses.replace(study.recorder.ledger, event=broken)
    got = treating.post("/api/unblind", {"entry": treating.entry("unblinded", {"reason": "x"}, key="unblind-1")})
    assert got.status == 409
    assert slip["label"].encode() not in got.body
