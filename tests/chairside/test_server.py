"""The recorder's server: who may do what, what is refused, and what never reaches a tester."""

from __future__ import annotations

import dataclasses
import json
import re
import sqlite3
import time
import tomllib
from pathlib import Path

import pytest

from onsetstudy.chairside.clock import ServerClock
from onsetstudy.chairside.sessions import ATTEMPTS, MAY, Sessions
from onsetstudy.chairside.views import ChairView, Overview, SetupView, watches, what_decides
from onsetstudy.cli.during.chairside import _sealed_beside
from onsetstudy.design.allocation.lists import draw_allocation_list
from onsetstudy.files.sealed.allocation_list import write_allocation
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.recorded import read_store
from onsetstudy.files.store import StoreUnavailable
from onsetstudy.protocol.governance import AdoptionRule
from onsetstudy.records.chair.event import Event
from tests.case_codes import new_case_code
from tests.chairside.asgi import CASE, ORIGIN, PATIENT, Browser, Study

PROTOCOL = read_protocol("protocols/mandibular_block_group.toml")
OPENED = {
    "patient_id": PATIENT,
    "tooth": "46",
    "technique": "ianb",
    "agent": "lidocaine",
    "cartridge_ml": 1.8,
    "clinician_id": "P01-A",
}
CANARY = {"bicarbonate_percent": 7.77, "mixing_min": 3.33}


@pytest.fixture
def sealed(tmp_path):
    paths = write_allocation(draw_allocation_list(PROTOCOL, slips_per_stratum=4, seed=7), tmp_path / "keeper", seed=7)
    return next(p for p in paths if p.name == "sealed-P01.json")


@pytest.fixture
def study(tmp_path, sealed):
    made = Study(PROTOCOL, tmp_path, sealed=sealed)
    yield made
    made.close()


def ready(tester):
    """A case that waits for its cartridge."""
    assert tester.tap("case_opened", OPENED)["state"] == "written"
    for role in ("target", "control"):
        tester.tap("baseline", {"tooth_role": role, "response": "felt"})


def prepare(mixer, arm="plain", **told):
    mix = {} if arm == "plain" else {"mix_mode": "replace", "bicarbonate_ml": 0.18}
    payload = {"arm": arm, "volume_ml": 1.8, **mix, **told}
    kept = mixer.entry("preparation", payload, key="mixer-kept-1")
    return mixer.post(
        "/api/mixing/prepared", {"preparation": kept, "prepared": mixer.entry("prepared", key="mixer-told-1")}
    )


# Who may --------------------------------------------------------------------------------------------------------------


def test_a_token_lets_one_browser_in_once(study):
    token = study.sessions.new_token("tester")
    first, second = Browser(study.app), Browser(study.app)
    assert first.get(f"/enter?token={token}").status == 303
    assert "HttpOnly" in first.seen[0].headers["set-cookie"]
    assert "SameSite=strict" in first.seen[0].headers["set-cookie"]
    assert first.get("/api/setup").status == 200
    assert second.get(f"/enter?token={token}").status == 403
    assert second.get("/api/setup").status == 401


def test_sessions_live_in_the_store_and_end(study):
    browser = study.browser("tester")
    again = Browser(study.app)
    again.cookie = browser.cookie
    assert again.get("/api/setup").status == 200
    study.clock.wait(12 * 3600 - 1)
    assert browser.get("/api/setup").status == 200
    study.clock.wait(2)
    assert browser.get("/api/setup").status == 401


@pytest.mark.parametrize("set_by", [13 * 3600, -13 * 3600])
def test_who_sets_the_time_of_day_neither_ends_nor_prolongs_anything(study, set_by):
    browser, token, code = study.browser("tester"), study.sessions.new_token("tester"), study.pairing.new("tester")
    study.clock.set_time_of_day(set_by)
    assert browser.get("/api/setup").status == 200
    assert Browser(study.app).get(f"/enter?token={token}").status == 303
    assert Browser(study.app).post("/api/pair", {"code": code}).status == 200
    token, code = study.sessions.new_token("tester"), study.pairing.new("tester")
    study.clock.wait(601)
    assert Browser(study.app).post("/api/pair", {"code": code}).status == 403
    study.clock.wait(3000)
    assert Browser(study.app).get(f"/enter?token={token}").status == 403
    study.clock.wait(12 * 3600 - 3700)
    assert browser.get("/api/setup").status == 200
    study.clock.wait(100)
    assert browser.get("/api/setup").status == 401


def test_a_server_that_starts_again_goes_on_with_its_sessions_as_they_were(study):
    browser = study.browser("tester")
    study.clock.wait(6 * 3600)
    study.clock.set_time_of_day(20 * 3600)
    study.start()
    browser.app = study.app
    assert browser.get("/api/setup").status == 200
    study.clock.wait(6 * 3600 + 1)
    assert browser.get("/api/setup").status == 401


def after_a_restart(study, *, off_s, used_s):
    """A browser that was let in, whose computer was off for so long by its time of day; hours that it is let in yet."""
    browser = study.browser("tester")
    for _ in range(int(used_s // 60)):
        study.clock.wait(60)
        assert browser.get("/api/setup").status == 200
    study.clock.restart(off_s)
    study.start()
    browser.app = study.app
    hours = 0
    while browser.get("/api/setup").status == 200:
        study.clock.wait(3600)
        hours += 1
    return hours


@pytest.mark.parametrize(("off_s", "hours"), [(60, 10), (4 * 3600, 6), (10 * 3600, 0), (-3600, 0)])
def test_after_a_restart_of_the_computer_a_session_has_what_was_left(study, off_s, hours):
    # Two hours and a minute are gone when it is switched off; a time of day that went back tells nothing, and ends it.
    assert after_a_restart(study, off_s=off_s, used_s=2 * 3600 + 60) == hours


def test_a_time_of_day_set_back_before_a_restart_does_not_prolong_what_was_used(study):
    browser = study.browser("tester")
    study.clock.wait(11 * 3600)
    study.clock.set_time_of_day(-11 * 3600)
    assert browser.get("/api/setup").status == 200
    study.clock.restart(60)
    study.start()
    browser.app = study.app
    study.clock.wait(3000)
    assert browser.get("/api/setup").status == 200
    study.clock.wait(600)
    assert browser.get("/api/setup").status == 401


def test_sessions_older_than_the_clock_that_was_last_seen_end(study):
    browser = study.browser("tester")
    study.store.see_clock("boot-of-another-day", 1e6, study.clock.wall_s)
    study.clock.restart(5)
    study.start()
    browser.app = study.app
    assert browser.get("/api/setup").status == 401
    assert study.store._db.execute("select count(*) from sessions").fetchone() == (0,)


def test_a_system_without_a_clock_through_sleep_names_a_new_start_with_every_server(study, monkeypatch):
    assert ServerClock().boot == ServerClock().boot
    monkeypatch.delattr(time, "CLOCK_BOOTTIME", raising=False)
    first, second = ServerClock(), ServerClock()
    assert first.boot != second.boot
    secret = Sessions(study.store, first.read).begin("tester")
    assert Sessions(study.store, second.read).role_of(secret) == "tester"  # by what the time of day says has passed
    late = dataclasses.replace(second.read(), boot="third", server_wall_s=time.time() + 13 * 3600)
    assert Sessions(study.store, lambda: late).role_of(secret) is None


def test_a_full_disk_keeps_nobody_from_reading(study, monkeypatch):
    def full(*_):
        raise StoreUnavailable(())

    browser = study.browser("tester")
    study.clock.wait(120)
    monkeypatch.setattr(study.store, "see_clock", full)
    assert browser.get("/api/setup").status == 200


def test_leaving_ends_a_session(study):
    browser = study.browser("tester")
    cookie = browser.cookie
    browser.post("/api/leave", {})
    browser.cookie = cookie
    assert browser.get("/api/setup").status == 401


def test_the_secret_of_a_session_is_not_in_the_store(study):
    browser = study.browser("tester")
    secret = browser.cookie.split("=", 1)[1]
    assert secret not in repr(study.store._db.execute("select * from sessions").fetchall())


def test_a_pairing_code_that_is_guessed_closes(study):
    code = study.pairing.new("tester")
    browser = Browser(study.app)
    for _ in range(ATTEMPTS):
        assert browser.post("/api/pair", {"code": "22222222"}).status == 403
    assert browser.post("/api/pair", {"code": code}).status == 403
    code = study.pairing.new("tester")
    assert browser.post("/api/pair", {"code": f"{code[:4].lower()} {code[4:]}"}).status == 200
    assert browser.get("/api/setup").status == 200
    assert Browser(study.app).post("/api/pair", {"code": code}).status == 403
    late = study.pairing.new("tester")
    study.clock.wait(601)
    assert Browser(study.app).post("/api/pair", {"code": late}).status == 403


@pytest.mark.parametrize(
    ("role", "path"),
    [("tester", "/api/mixing"), ("treating", "/api/mixing"), ("mixer", "/api/chair")],
)
def test_a_role_sees_only_its_own(study, role, path):
    assert study.browser(role).get(path).status == 403


@pytest.mark.parametrize(("role", "path"), [("tester", "/api/unblind"), ("mixer", "/api/unblind")])
def test_only_who_treats_unblinds(study, role, path):
    assert study.browser(role).post(path, {"entry": {}}).status == 403


def test_a_tester_cannot_pause_the_study(study):
    tester, treating = study.browser("tester"), study.browser("treating")
    assert tester.tap("paused", {"reason": "x"}, case_id=None)["state"] == "refused"
    assert treating.tap("paused", {"reason": "harm"}, case_id=None, key="pause-1")["state"] == "written"
    assert "paused: harm" in tester.tap("case_opened", OPENED)["why"]
    assert treating.tap("resumed", {"reason": "seen"}, case_id=None, key="resume-1")["state"] == "written"
    assert tester.tap("case_opened", OPENED)["state"] == "written"


# Hostile requests -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["example.org", "127.0.0.1", "127.0.0.1:8124", "127.0.0.1:8123.example.org", ""])
def test_another_host_is_refused(study, host):
    """What a page that rebinds its name to this computer would send."""
    assert study.browser("tester").get("/api/setup", host=host).status == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://example.org"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:8124"},
        {"origin": "https://127.0.0.1:8123"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_another_origin_is_refused(study, headers):
    assert study.browser("tester").post("/api/entries", {"entries": []}, **headers).status == 403


def test_a_form_of_another_page_is_refused(study):
    browser = study.browser("tester")
    assert browser.post("/api/entries", b"a=b", **{"content-type": "text/plain"}).status == 415
    assert browser.send("PUT", "/api/entries", b"", {"origin": ORIGIN}).status == 405
    assert browser.send("OPTIONS", "/api/entries", b"", {"origin": ORIGIN}).status == 405


@pytest.mark.parametrize(
    "body",
    [
        b"[" * 60_000,
        b'{"a":' * 10_000,
        b'{"entries": NaN}',
        b'{"entries": Infinity}',
        b"\xff\xfe",
        b"",
        b"[]",
        b'"text"',
        b'{"entries": [[[[[[[[1]]]]]]]]}',
    ],
)
def test_a_body_that_is_none_is_refused(study, body):
    assert study.browser("tester").post("/api/entries", body).status == 400


def test_a_body_of_ten_megabytes_is_refused(study):
    browser = study.browser("tester")
    big = b'{"a": "' + b"x" * 10_000_000 + b'"}'
    assert browser.post("/api/entries", big).status == 413
    assert browser.post("/api/entries", big, **{"content-length": "10"}).status == 400


@pytest.mark.parametrize(
    "path", ["/../pyproject.toml", "/%2e%2e/server.py", "/page/../server.py", "/server.py", "//etc"]
)
def test_no_other_file_is_served(study, path):
    assert study.browser("tester").get(path).status == 404


NASTY = [
    "'; drop table events; --",
    "<script>alert(1)</script>",
    "\ud800",
    "x" * 10_000,
    "\x00",
    1e400,
    None,
    [],
    {},
    True,
]


@pytest.mark.parametrize("value", NASTY, ids=lambda v: str(v)[:12].encode("ascii", "replace").decode())
def test_nonsense_in_every_place_is_refused_and_harms_nothing(study, value):
    tester = study.browser("tester")
    base = tester.entry("case_opened", OPENED)
    tries = [{**base, name: value} for name in base if not (name == "payload" and value == {})]
    tries += [{**base, "payload": {**OPENED, name: value}} for name in OPENED if value is not None]
    for attempt in tries:
        text = json.dumps({"entries": [attempt]}).replace("Infinity", "1e400").encode("utf-8", "replace")
        got = tester.post("/api/entries", text)
        assert got.status in (200, 400), attempt
        if got.status == 200:
            assert got.json()["entries"][0]["state"] == "refused", attempt
    assert study.store.last() == 0


def test_every_answer_forbids_everything_else(study):
    browser = study.browser("tester")
    for got in (
        browser.get("/"),
        browser.get("/api/setup"),
        browser.get("/none"),
        browser.get("/", host="example.org"),
    ):
        policy = got.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "access-control-allow-origin" not in got.headers
        assert got.headers["x-content-type-options"] == "nosniff"


# Entries --------------------------------------------------------------------------------------------------------------


def test_an_entry_sent_again_is_known_and_another_under_its_name_refused(study):
    tester = study.browser("tester")
    entry = tester.entry("case_opened", OPENED)
    answers = [
        tester.post("/api/entries", {"entries": [e]}).json()["entries"][0]["state"]
        for e in (entry, entry, {**entry, "payload": {**OPENED, "tooth": "36"}})
    ]
    assert answers == ["written", "known", "refused"]


@pytest.mark.parametrize(
    ("kind", "payload"),
    [
        ("recorded", {"arm": "buffered"}),
        ("recorded", {"mix_mode": "add"}),
        ("recorded", {"volume_ml": 1.98}),
        ("case_opened", {**OPENED, "allocation_slip": "P01-1-001"}),
        ("preparation", {"arm": "plain", "volume_ml": 1.8}),
        ("test", {"planned_min": 1, "tooth_role": "target", "response": "numb"}),
        ("recorded", {"pain_treatment": 101}),
        ("recorded", {"notes": "asked Mrs Example"}),
        ("case_opened", {**OPENED, "patient_id": "P01-AAAAAB"}),
    ],
)
def test_the_chair_cannot_enter_what_is_not_its_own(study, kind, payload):
    assert study.browser("tester").tap(kind, payload)["state"] == "refused"


def test_a_case_of_the_same_code_and_one_of_another_practice_are_refused(study):
    tester = study.browser("tester")
    ready(tester)
    assert "is there already" in tester.tap("case_opened", OPENED)["why"]
    assert "practice" in tester.tap("case_opened", OPENED, case_id=CASE.replace("P01", "P02"))["why"]


def test_a_correction_is_held_to_what_it_corrects(study):
    tester = study.browser("tester")
    ready(tester)
    right = {"tooth_role": "target", "response": "not_felt"}
    wrong = tester.tap("baseline", {"tooth_role": "target", "response": "felt"}, key="baseline-9")
    assert wrong["state"] == "written"
    for payload in ({"instead": {"arm": "plain"}, "reason": "x"}, {"instead": right}, {"instead": 1, "reason": "x"}):
        assert tester.tap("correction", payload, corrects="baseline-9")["state"] == "refused"
    good = {"instead": right, "reason": "other key"}
    assert tester.tap("correction", good, corrects="entry-none")["state"] == "refused"
    assert tester.tap("correction", good, corrects="baseline-9")["state"] == "written"


def test_a_store_that_is_held_is_said_and_the_entry_can_be_sent_again(study):
    tester = study.browser("tester")
    other = sqlite3.connect(study.path, isolation_level=None)
    other.execute("begin immediate")
    entry = tester.entry("case_opened", OPENED)
    got = tester.post("/api/entries", {"entries": [entry]})
    assert got.status == 503
    assert "another program" in got.json()["why"]
    other.execute("rollback")
    other.close()
    assert tester.post("/api/entries", {"entries": [entry]}).json()["entries"][0]["state"] == "written"


def test_a_full_disk_is_said_and_the_entry_can_be_sent_again(study):
    tester = study.browser("tester")
    tester.tap("case_opened", OPENED)
    pages = study.store._db.execute("pragma page_count").fetchone()[0]
    study.store._db.execute(f"pragma max_page_count = {pages}")
    entries = [tester.entry("recorded", {"notes": "x" * 190}) for _ in range(90)]
    got = tester.post("/api/entries", {"entries": entries})
    assert got.status == 503
    assert "disk is full" in got.json()["why"]
    study.store._db.execute("pragma max_page_count = 1000000")
    states = {a["state"] for a in tester.post("/api/entries", {"entries": entries}).json()["entries"]}
    assert states <= {"written", "known"}
    assert study.store.last() == 91


@pytest.fixture
def crossover(tmp_path):
    """A study in which a patient has both arms, a week apart at least."""
    rule = dataclasses.replace(PROTOCOL.allocation, method="paired", washout_days=7)
    design = dataclasses.replace(PROTOCOL.study, design="crossover")
    made = Study(dataclasses.replace(PROTOCOL, study=design, allocation=rule), tmp_path)
    yield made
    made.close()


def visit(tester, number, day, patient=PATIENT):
    """Open a case on a day, and inject if it was opened; returns why it was not."""
    case, wall = new_case_code("P01", lambda n: (number * 5) % n), f"2026-04-{day:02d}T14:00:00+00:00"
    period = {"patient_id": patient, "period": str(number)}
    why = tester.tap("case_opened", {**OPENED, **period}, case_id=case, at_wall=wall, key=f"open-{number}-{day}")["why"]
    if not why:
        tester.tap("injection_end", case_id=case, at_wall=wall, key=f"inject-{number}-{day}")
    return why


def test_a_second_injection_waits_for_the_washout_and_is_not_the_first_again(crossover):
    tester = crossover.browser("tester")
    assert visit(tester, 1, 3) == ""
    assert "ends on 2026-04-10" in visit(tester, 2, 9)
    assert visit(tester, 3, 9, patient=CASE) == ""  # another patient's
    assert visit(tester, 2, 10) == ""
    again = {**OPENED, "period": "2"}
    late = "2026-04-29T14:00:00+00:00"
    refused = tester.tap(
        "case_opened", again, case_id=new_case_code("P01", lambda n: 19 % n), at_wall=late, key="thrice-1"
    )
    assert "there already" in refused["why"]


def test_a_case_that_was_opened_and_never_injected_holds_nobody_up(crossover):
    tester = crossover.browser("tester")
    tester.tap("case_opened", {**OPENED, "period": "1"}, at_wall="2026-04-03T14:00:00+00:00")
    assert visit(tester, 1, 4) == ""


# Blinding -------------------------------------------------------------------------------------------------------------


def test_views_of_the_chair_and_the_overview_have_no_field_for_an_arm():
    words = ("arm", "slip", "mix", "bicarbonate", "label", "preparation", "volume")
    for view in (ChairView, Event, Overview, SetupView):
        for field in dataclasses.fields(view):
            assert not any(word in field.name for word in words), (view, field.name)


def whole_case(study, arm):
    """One case from opening to the end; returns what the tester and whoever treats were sent."""
    tester, treating, mixer = (study.browser(role) for role in ("tester", "treating", "mixer"))
    ready(tester)
    mixer.get("/api/mixing")
    prepare(mixer, arm, **(CANARY if arm == "buffered" else {}))
    tester.get("/api/chair?after=0")
    treating.get("/api/chair?after=0")
    for kind in ("injection_start", "injection_end"):
        assert treating.tap(kind, key=f"treating-{kind[10:]}")["state"] == "written"
    for minute in (1, 2, 3):
        for role in ("target", "control"):
            felt = "felt" if role == "control" or minute == 1 else "not_felt"
            tester.tap("test", {"planned_min": minute, "tooth_role": role, "response": felt})
    treating.tap("treatment_start", key="treating-treats")
    treating.tap("closed", key="treating-closed")
    for browser in (tester, treating):
        for path in ("/api/chair?after=0", "/api/chair?after=1", "/api/overview", "/api/setup", "/"):
            browser.get(path)
        browser.post("/api/card", {"code": PATIENT})
    return tester.seen, treating.seen


def test_the_same_case_under_swapped_arms_sends_the_chair_the_same_bytes(tmp_path):
    sent = {}
    for arm in ("plain", "buffered"):
        folder = tmp_path / arm
        folder.mkdir()
        study = Study(PROTOCOL, folder)
        sent[arm] = whole_case(study, arm)
        arms = read_store(study.path).cases.frame["arm"].tolist()
        assert arms == [arm]
        study.close()
    for plain, buffered in zip(sent["plain"], sent["buffered"], strict=True):
        for one, other in zip(plain, buffered, strict=True):
            one.headers.pop("set-cookie", None)
            other.headers.pop("set-cookie", None)
            assert one == other
    everything = b"".join(got.body for page in sent["buffered"] for got in page)
    for canary in (b"7.77", b"3.33", b"bicarbonate", b"mix_mode", b"replace", b"sodium"):
        assert canary not in everything


def test_the_mixers_answers_have_one_length_whatever_the_slip_says(study, tmp_path):
    tester, mixer = study.browser("tester"), study.browser("mixer")
    ready(tester)
    got = mixer.post("/api/mixing/slip", {"case_id": CASE, "by": "P01-M"})
    assert got.status == 200
    assert len(got.body) == 4096
    assert got.json()["arm"] in ("plain", "buffered")
    assert len(mixer.get("/api/mixing").body) == 4096


def test_a_slip_is_opened_once_for_a_case_that_waits_and_logged(study, sealed):
    tester, mixer = study.browser("tester"), study.browser("mixer")
    assert mixer.post("/api/mixing/slip", {"case_id": CASE, "by": "P01-M"}).status == 409
    ready(tester)
    first, again = (mixer.post("/api/mixing/slip", {"case_id": CASE, "by": "P01-M"}).json() for _ in range(2))
    assert (first["slip"], first["arm"], first["again"], again["again"]) == (again["slip"], again["arm"], False, True)
    log = sealed.with_name("opened-P01.csv").read_text()
    assert log.count(CASE) == 1


def test_a_name_is_no_code_of_who_opens_at_the_chair_either(study):
    ready(study.browser("tester"))
    refused = study.browser("mixer").post("/api/mixing/slip", {"case_id": CASE, "by": "Berger"})
    assert (refused.status, "may be a name" in refused.json()["why"]) == (409, True)


def test_of_several_sealed_files_beside_the_store_that_of_the_practice_is_taken(tmp_path):
    for name in ("P01", "P02"):
        (tmp_path / f"sealed-{name}.json").touch()
    assert _sealed_beside(tmp_path / "mine.sqlite", "P02").name == "sealed-P02.json"
    assert _sealed_beside(tmp_path / "mine.sqlite", "P03") is None


def test_a_tooth_that_does_not_feel_the_cold_gets_no_slip(study):
    tester, mixer = study.browser("tester"), study.browser("mixer")
    tester.tap("case_opened", OPENED)
    tester.tap("baseline", {"tooth_role": "target", "response": "not_felt"})
    told = mixer.get("/api/mixing").json()
    assert told["waiting"] == []
    # Code, label, preparation, and the way of mixing of a protocol that says it; this one does not.
    assert [(len(arm), arm[3]) for arm in told["arms"]] == [(4, ""), (4, "")]
    assert mixer.post("/api/mixing/slip", {"case_id": CASE, "by": "P01-M"}).status == 409


@pytest.mark.parametrize(
    ("arm", "told"),
    [
        ("plain", {"bicarbonate_ml": 0.18}),
        ("plain", {"mix_mode": "add"}),
        ("other", {}),
        ("plain", {"volume_ml": None}),
    ],
)
def test_a_preparation_that_contradicts_itself_is_refused_and_not_told(study, arm, told):
    tester, mixer = study.browser("tester"), study.browser("mixer")
    ready(tester)
    assert prepare(mixer, arm, **told).json()["entries"][0]["state"] == "refused"
    assert "prepared" not in [e["kind"] for e in tester.get("/api/chair?after=0").json()["entries"]]


def test_an_emergency_unblinding_is_logged_before_it_is_told(study):
    tester, treating, mixer = (study.browser(role) for role in ("tester", "treating", "mixer"))
    ready(tester)
    slip = mixer.post("/api/mixing/slip", {"case_id": CASE, "by": "P01-M"}).json()
    prepare(mixer, "buffered", allocation_slip=slip["slip"], reason="the other syringe was taken")
    unblinding = treating.entry("unblinded", {"reason": "allergic reaction"}, key="unblind-1")
    without = {**unblinding, "payload": {}, "id": "unblind-0"}
    assert treating.post("/api/unblind", {"entry": without}).status == 409
    got = treating.post("/api/unblind", {"entry": unblinding})
    assert got.json()["arm"] == "buffered"
    differs = (
        "" if slip["arm"] == "buffered" else f"This is what was prepared. Its slip {slip['slip']} says: not buffered"
    )
    assert got.json()["differs"] == differs
    assert [e.payload for e in study.store.events() if e.kind == "unblinded"] == [{"reason": "allergic reaction"}]
    assert b"replace" not in tester.get("/api/chair?after=0").body


def test_the_overview_counts_and_never_compares(study):
    tester = study.browser("tester")
    whole_case(study, "buffered")
    told = tester.get("/api/overview").json()
    assert told["injected"] == 1
    assert told["tests_answered"] == 3
    assert "pain_treatment" in told["incomplete"][0][1]
    assert set(told) == {f.name for f in dataclasses.fields(Overview)}


def test_the_overview_tells_what_will_decide_as_it_was_declared():
    rule = AdoptionRule(net_min=2.0, pain_margin=10.0, not_numb_margin=0.05, stopping_harms=("paraesthesia", "serious"))
    told = what_decides(dataclasses.replace(PROTOCOL, adoption=rule))
    assert told[0] == "At least 2 min of the chair saved, mixing counted."
    assert told[1] == "Pain not more than 10 worse."
    assert told[2] == "Not numb not more than 5 percentage points more."
    assert "serious" in told[3]
    none = AdoptionRule(none_because="too few cases for one.")
    assert what_decides(dataclasses.replace(PROTOCOL, adoption=none)) == (
        "No rule was declared, because too few cases for one.",
    )
    assert what_decides(dataclasses.replace(PROTOCOL, adoption=None)) == ()


def test_every_role_has_its_rights():
    assert "mixing" not in MAY["tester"] | MAY["treating"]
    assert "chair" not in MAY["mixer"]


def test_every_file_of_the_page_is_installed_served_and_kept_for_when_the_server_is_away(study):
    page = Path("onsetstudy/chairside/page")
    declared = tomllib.loads(Path("pyproject.toml").read_text())["tool"]["setuptools"]["package-data"]["onsetstudy"]
    kept = re.search(r"FILES = \[(.*?)\]", (page / "sw.js").read_text(), re.DOTALL)[1]
    browser = Browser(study.app)
    for file in page.iterdir():
        assert f"**/*{file.suffix}" in declared
        assert browser.get(f"/{file.name}").status == 200
        assert f'"/{file.name}"' in kept or file.name in ("sw.js", "index.html")
    # One name that is not there, and the browser keeps none of them.
    assert {name for name in re.findall('"/([^"]*)"', kept) if name} <= {file.name for file in page.iterdir()}


# Preparations held to case and slip -----------------------------------------------------------------------------------


def opened_slip(study):
    """A case with its slip; returns the mixer's browser and what the slip said."""
    tester, mixer = study.browser("tester"), study.browser("mixer")
    ready(tester)
    return mixer, mixer.post("/api/mixing/slip", {"case_id": CASE, "by": "P01-M"}).json()


def hand_over(mixer, key, arm, **told):
    """What was answered to a preparation of its own name."""
    mix = {} if arm == "plain" else {"mix_mode": "replace", "bicarbonate_ml": 0.18}
    kept = mixer.entry("preparation", {"arm": arm, "volume_ml": 1.8, **mix, **told}, key=f"kept-{key}")
    sent = {"preparation": kept, "prepared": mixer.entry("prepared", key=f"told-{key}")}
    return mixer.post("/api/mixing/prepared", sent).json()["entries"][0]


def other_arm(slip):
    return "plain" if slip["arm"] == "buffered" else "buffered"


def test_another_arm_or_slip_than_the_opened_one_is_kept_with_a_reason_alone_and_noted(study):
    mixer, slip = opened_slip(study)
    other = other_arm(slip)
    for told in ({}, {"allocation_slip": "P01-1-007"}, {"allocation_slip": slip["slip"], "reason": "  "}):
        assert hand_over(mixer, "refused", other, **told)["state"] == "refused"
    why = hand_over(mixer, "refused", other, allocation_slip=slip["slip"])["why"]
    assert f"the slip opened for this case is {slip['slip']}, and it says: {slip['label']}" in why
    assert "say why" in why
    assert hand_over(mixer, "refused", slip["arm"], allocation_slip="P01-1-007")["state"] == "refused"
    assert study.preparations.last() == 0
    good = hand_over(mixer, "good", other, allocation_slip=slip["slip"], reason="syringes were mixed up")
    assert good["state"] == "written"
    study.browser("treating").tap("injection_end", key="injected-1")
    row = read_store(study.path).cases.frame.iloc[0]
    assert (row["arm"], row["allocation_slip"]) == (other, slip["slip"])
    assert row["notes"] == "prepared otherwise than expected: syringes were mixed up"


def test_a_preparation_is_for_a_case_that_was_opened_and_of_a_slip_that_was(study):
    mixer = study.browser("mixer")
    assert hand_over(mixer, "none", "plain")["why"] == "no case of this code was opened"
    ready(study.browser("tester"))
    assert "no slip was opened for this case" in hand_over(mixer, "none", "plain")["why"]
    assert study.preparations.last() == 0


def test_a_later_preparation_turns_no_arm_but_as_a_correction_with_its_reason(study):
    mixer, slip = opened_slip(study)
    right, treating = {"allocation_slip": slip["slip"]}, study.browser("treating")
    assert hand_over(mixer, "first", slip["arm"], **right)["state"] == "written"
    assert [w["case_id"] for w in mixer.get("/api/mixing").json()["prepared"]] == [CASE]
    for kind in ("injection_end", "treatment_start", "closed"):
        treating.tap(kind, key=f"treating-{kind[:9]}".replace("_", "-"))
    why = hand_over(mixer, "second", other_arm(slip), **right)["why"]
    assert "does not wait for a cartridge" in why
    assert "another preparation is kept of this case" in why
    assert read_store(study.path).cases.frame["arm"].tolist() == [slip["arm"]]
    told = {**right, "reason": "found when counting cartridges"}
    count = mixer.count
    for state in ("written", "known"):  # the same entry, sent again where the answer was lost
        mixer.count = count
        assert hand_over(mixer, "second", other_arm(slip), **told)["state"] == state
    first, second = study.preparations.events()
    assert (second.kind, second.corrects) == ("correction", first.id)
    row = read_store(study.path).cases.frame.iloc[0]
    assert row["arm"] == other_arm(slip)
    assert "found when counting cartridges" in row["notes"]


def test_two_preparations_of_an_earlier_recorder_that_tell_different_arms_leave_no_arm(study):
    mixer, slip = opened_slip(study)
    hand_over(mixer, "first", slip["arm"], allocation_slip=slip["slip"])
    study.browser("treating").tap("injection_end", key="injected-1")
    (first,) = study.preparations.events()
    study.preparations.append([dataclasses.replace(first, id="kept-later", payload={"arm": other_arm(slip)})])
    row = read_store(study.path).cases.frame.iloc[0]
    assert row["arm"] is None
    assert "two preparations tell different arms" in row["notes"]


def test_unblinding_tells_what_the_slip_says_where_nothing_was_entered_as_prepared(study):
    _, slip = opened_slip(study)
    treating = study.browser("treating")
    told = treating.post("/api/unblind", {"entry": treating.entry("unblinded", {"reason": "x"}, key="unblind-1")})
    assert (told.json()["arm"], told.json()["slip"]) == (slip["arm"], slip["slip"])
    assert "Nothing was entered as prepared" in told.json()["differs"]


# Entries held to their place in a case --------------------------------------------------------------------------------


def anchored(browser, at_s=0.0):
    """Tie the page of a browser to the computer, its clock so far on; later entries are of that moment."""
    told = browser.post("/api/clock", {}).json()
    browser.tap(
        "anchor",
        {**{name: told[name] for name in ("boot", "server_s", "server_wall_s")}, "half_s": 0.001},
        case_id=None,
        at_monotonic=at_s,
        key=f"anchor-{at_s:.0f}",
    )


COLD = {"planned_min": 1, "tooth_role": "target", "response": "not_felt"}


def test_of_a_case_that_was_never_opened_nothing_is_entered(study):
    tester, treating, mixer = (study.browser(role) for role in ("tester", "treating", "mixer"))
    for browser, kind, payload in (
        (tester, "test", COLD),
        (tester, "recorded", {"tooth": "46"}),
        (treating, "unblinded", {"reason": "x"}),
        (mixer, "prepared", {}),
    ):
        assert browser.tap(kind, payload)["why"] == "no case of this code was opened"
    assert study.store.last() == 0


def test_a_cold_test_waits_for_what_its_minutes_count_from(study):
    tester, treating = study.browser("tester"), study.browser("treating")
    ready(tester)
    treating.tap("injection_start", key="treating-in")
    assert "count from the injection end" in tester.tap("test", COLD)["why"]
    treating.tap("injection_end", key="treating-out")
    assert tester.tap("test", COLD)["state"] == "written"


def test_after_a_case_is_closed_no_test_is_taken_but_one_that_was_tapped_before(study):
    tester, treating = study.browser("tester"), study.browser("treating")
    anchored(treating)
    ready(tester)
    treating.tap("injection_end", key="treating-out", at_monotonic=100.0)
    treating.tap("closed", key="treating-closed", at_monotonic=500.0)
    assert tester.tap("test", COLD, at_monotonic=499.0)["state"] == "written"
    assert tester.tap("test", COLD, at_monotonic=501.0)["why"] == "the case was closed before"
    entry = {"reason": "other tooth", "instead": {**COLD, "response": "felt"}}
    last = study.store.events()[-1].id
    assert tester.tap("correction", entry, corrects=last, at_monotonic=900.0)["state"] == "written"


def test_a_case_that_was_finished_by_mistake_is_there_again_when_the_page_is_loaded_anew(study):
    tester = study.browser("tester")
    ready(tester)
    tester.tap("closed", key="closed-by-mistake")
    assert tester.get("/api/chair?after=0").json()["entries"] == []
    tester.tap("correction", {"reason": "did not happen", "instead": None}, corrects="closed-by-mistake")
    kinds = [e["kind"] for e in tester.get("/api/chair?after=0").json()["entries"]]
    assert kinds == ["case_opened", "baseline", "baseline", "closed", "correction"]


def test_where_minutes_count_from_its_start_a_case_is_injected_then_as_in_the_tables(tmp_path):
    plan = dataclasses.replace(PROTOCOL.schedule, clock_zero="injection_start")
    made = Study(dataclasses.replace(PROTOCOL, schedule=plan), tmp_path)
    tester = made.browser("tester")
    ready(tester)
    tester.tap("injection_start")
    told = tester.get("/api/overview").json()
    assert (told["injected"], told["not_injected"]) == (len(read_store(made.path).cases.frame), 0) == (1, 0)
    made.close()


def test_a_number_too_large_for_a_computer_lies_outside(study):
    tester = study.browser("tester")
    assert "cartridge_ml lies outside" in tester.tap("case_opened", {**OPENED, "cartridge_ml": 10**400})["why"]


@pytest.mark.parametrize("wall", ["0001-01-01T00:00:00+05:00", "9999-12-31T23:59:59-05:00"])
def test_a_time_of_day_outside_of_all_years_is_refused(study, wall):
    assert "cannot be read" in study.browser("tester").tap("case_opened", OPENED, at_wall=wall)["why"]


def test_minutes_from_the_start_of_the_injection_need_more_than_the_three_taps_of_watching():
    audit = read_protocol("protocols/infiltration_audit.toml")
    once = dataclasses.replace(audit.schedule, tests_min=(audit.onset.target_min,))
    rule = dataclasses.replace(audit.onset, confirmations=1)
    watching = dataclasses.replace(audit, schedule=once, onset=rule, watch=object())
    assert watches(watching)
    assert not watches(dataclasses.replace(watching, schedule=dataclasses.replace(once, clock_zero="injection_start")))


@pytest.mark.parametrize("reason", ["", "  ", "\u00a0"])
def test_a_reason_of_blanks_is_none(study, reason):
    tester, treating = study.browser("tester"), study.browser("treating")
    ready(tester)
    told = {"tooth_role": "target", "response": "not_felt"}
    assert tester.tap("correction", {"reason": reason, "instead": told}, corrects="entry-00002")["state"] == "refused"
    assert treating.tap("paused", {"reason": reason}, case_id=None, key="pause-1")["state"] == "refused"


def test_a_washout_counts_by_the_computers_days_whatever_date_a_page_tells(crossover):
    tester = crossover.browser("tester")
    anchored(tester)
    assert visit(tester, 1, 29) == ""  # by the page; by the computer it is the third of April
    crossover.clock.wait(8 * 86400)
    tester = crossover.browser("tester")
    anchored(tester, at_s=8 * 86400.0)
    later = {"case_id": new_case_code("P01", lambda n: 11 % n), "key": "second-one"}
    opened = {**OPENED, "period": "2"}
    assert tester.tap("case_opened", opened, at_monotonic=8 * 86400.0, **later)["state"] == "written"
