"""What the recorder enters in the ledgers, and slips that a passphrase opens."""

from __future__ import annotations

import csv
import shutil

import pytest

from onsetstudy.chairside.recorder import LedgerDoor
from onsetstudy.cli.ledger_entries import enter_event
from onsetstudy.cli.openings import enter_opening
from onsetstudy.design.allocation.lists import draw_allocation_list
from onsetstudy.files.ledger.ledger import ledger_path, practice_ledger_path, verified_ledger
from onsetstudy.files.sealed.allocation_list import write_enveloped
from onsetstudy.files.sources.protocol_toml import read_protocol
from tests.chairside.asgi import CASE, Study
from tests.chairside.test_server import prepare, ready

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
    here = tmp_path / "mine.toml"
    made.recorder.ledger = LedgerDoor(event=lambda kind, body: enter_event(here, kind, body), opened=enter_opening)
    yield made
    made.close()


def test_a_slip_is_opened_by_the_passphrase_of_its_envelope_and_entered(study, tmp_path):
    tester, mixer = study.browser("tester"), study.browser("mixer")
    ready(tester)
    ask = {"case_id": CASE, "by": "P01-M"}
    listed = (tmp_path / "passphrases.csv").read_text().splitlines()
    refused = mixer.post("/api/mixing/slip", {**ask, "passphrase": "wrong"})
    assert refused.status == 409
    slip = next(s for s in study.recorder.mixing().waiting if s.case_id == CASE)
    assert slip.opened_slip == ""
    words = {row["slip"]: row["passphrase"] for row in csv.DictReader(listed)}
    name = next(name for name in words if name in refused.json()["why"])
    told = mixer.post("/api/mixing/slip", {**ask, "passphrase": words[name].lower()}).json()
    assert told["slip"] == name
    entries = verified_ledger(practice_ledger_path(tmp_path / "sealed-P01.json"))
    assert [(e.kind, e.body["slip"], e.body["case"]) for e in entries] == [("slip_opened", name, CASE)]


def test_pause_and_unblinding_are_entered_once_and_before_the_arm_is_told(study, tmp_path):
    tester, treating, mixer = (study.browser(role) for role in ("tester", "treating", "mixer"))
    ready(tester)
    prepare(mixer, "buffered", allocation_slip="P01-1-001")
    entry = treating.entry("unblinded", {"reason": "care depends on it"}, key="unblind-1")
    for _ in range(2):
        assert treating.post("/api/unblind", {"entry": entry}).json()["arm"] == "buffered"
    treating.tap("paused", {"reason": "serious event"}, case_id=None, key="pause-1")
    treating.tap("resumed", {"reason": "reviewed"}, case_id=None, key="resume-1")
    entries = verified_ledger(ledger_path(tmp_path / "mine.toml"))
    assert [e.kind for e in entries] == ["unblinded", "paused", "resumed"]
    assert entries[0].body == {"slip": "P01-1-001", "case": CASE, "reason": "care depends on it"}


def test_where_the_ledger_cannot_be_written_nothing_is_told(study):
    def broken(kind, body):
        from onsetstudy.core.errors import OnsetStudyError

        raise OnsetStudyError("the ledger cannot be written")

    tester, treating, mixer = (study.browser(role) for role in ("tester", "treating", "mixer"))
    ready(tester)
    prepare(mixer, "buffered")
    study.recorder.ledger = LedgerDoor(event=broken, opened=enter_opening)
    got = treating.post("/api/unblind", {"entry": treating.entry("unblinded", {"reason": "x"}, key="unblind-1")})
    assert got.status == 409
    assert b"buffered" not in got.body
