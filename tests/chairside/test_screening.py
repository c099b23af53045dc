"""Who was assessed and not included, a second visit by the card, and the mixing drill."""

from __future__ import annotations

import csv
import dataclasses
import datetime as dt
import json
import re

import pytest
from click.testing import CliRunner

from onsetstudy.chairside.views import CardView, DrillView
from onsetstudy.cli.main import onsetstudy
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.recorded import export_store, read_store
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.files.store import EventStore
from onsetstudy.records.chair.event import Event
from onsetstudy.records.chair.mixing_drill import DRILL_TASKS, drill_results
from onsetstudy.records.chair.screening import COLUMNS, NOT_ELIGIBLE, SCREENED
from onsetstudy.records.checks.open_tables import OPEN_TABLES, REASONS
from onsetstudy.records.derived.flow import screening_flow
from tests.case_codes import new_case_code
from tests.chairside.asgi import CASE, PATIENT, Study
from tests.chairside.chair import SIZES, Chair, look_at, quick_audit, quick_block
from tests.chairside.conftest import wait_for
from tests.chairside.test_server import OPENED, anchored, prepare, ready

PROTOCOL = read_protocol("protocols/mandibular_block_group.toml")
AUDIT = "protocols/infiltration_audit.toml"


def a_study(tmp_path, *, practising=False, washout_days=7):
    """A study in which a patient has both arms."""
    rule = dataclasses.replace(PROTOCOL.allocation, method="paired", washout_days=washout_days)
    design = dataclasses.replace(PROTOCOL.study, design="crossover")
    made = Study(dataclasses.replace(PROTOCOL, study=design, allocation=rule), tmp_path)
    made.recorder.practising = practising
    return made


@pytest.fixture
def study(tmp_path):
    made = a_study(tmp_path)
    yield made
    made.close()


@pytest.fixture
def plain(tmp_path):
    made = Study(PROTOCOL, tmp_path)
    yield made
    made.close()


@pytest.fixture
def practice(tmp_path):
    made = a_study(tmp_path, practising=True)
    yield made
    made.close()


# The screening log ----------------------------------------------------------------------------------------------------


def screen(browser, reason, key):
    return browser.tap("screened", {"reason": reason}, case_id=None, key=key)["state"]


def test_who_was_not_included_is_counted_by_reason_and_a_mistaken_tap_taken_out(study):
    tester = study.browser("tester")
    tester.tap("case_opened", {**OPENED, "period": "1"})
    for number, reason in enumerate(("declined", "health", "declined", "age")):
        assert screen(tester, reason, f"screened-{number}") == "written"
    mistaken = {"reason": "tapped by mistake", "instead": None}
    assert tester.tap("correction", mistaken, case_id=None, corrects="screened-3")["state"] == "written"
    told = tester.get("/api/overview").json()
    assert told["assessed"] == 4
    assert told["not_included"] == [[SCREENED["declined"], 2], [SCREENED["health"], 1]]


@pytest.mark.parametrize(
    ("payload", "case_id"),
    [
        ({"reason": "declined", "note": "red hair"}, None),
        ({"reason": "Mrs Example"}, None),
        ({}, None),
        ({"reason": "declined"}, CASE),
    ],
)
def test_the_screening_log_has_no_room_for_an_identity(study, payload, case_id):
    assert study.browser("tester").tap("screened", payload, case_id=case_id)["state"] == "refused"


def test_whoever_mixes_does_not_screen(study):
    assert screen(study.browser("mixer"), "declined", "screened-9") == "refused"


def screened_study(study):
    """One who was injected, one opened and not injected, and three who were not included."""
    tester = study.browser("tester")
    tester.tap("case_opened", {**OPENED, "period": "1"})
    tester.tap("injection_end")
    for number, reason in enumerate(("health", "declined", "no_time")):
        screen(tester, reason, f"screened-{number}")
    return tester


def test_the_exported_log_has_days_and_reasons_and_codes_of_cases_alone(study, tmp_path):
    screened_study(study)
    args = ["chairside", AUDIT, "--store", str(study.path), "--export", str(tmp_path / "open")]
    assert CliRunner().invoke(onsetstudy, args).exit_code == 0
    with (tmp_path / "open" / "screening.csv").open(encoding="utf-8-sig") as file:
        rows = list(csv.DictReader(file))
    assert [(r["date"], r["outcome"], r["reason"], r["case_id"]) for r in rows] == [
        ("2026-04-03", "declined", "", ""),
        ("2026-04-03", "included", "", CASE),
        ("2026-04-03", "not_eligible", "medical", ""),
        ("2026-04-03", "not_eligible", "other", ""),
    ]
    assert len(read_store(study.path).cases.frame) == 1


def test_the_day_of_the_log_is_that_of_the_computer_as_a_case_has_it(plain):
    tester = plain.browser("tester")
    anchored(tester)
    week_behind = {"at_wall": "2026-03-27T14:00:00+00:00", "at_monotonic": 0.0}
    tester.tap("case_opened", OPENED, **week_behind)
    tester.tap("screened", {"reason": "declined"}, case_id=None, **week_behind)
    assert set(read_store(plain.path).screening["date"]) == {"2026-04-03"}


STARTED_S = 1_775_224_800.0
"""The computer's time of day when its clock began: that of the entries of a browser here."""


def tested_case(study):
    """One case, injected at second 1000 and tested at the protocol's minutes."""
    tester = study.browser("tester")
    for second in (0.0, 2000.0):
        told = {"boot": "boot-1", "server_s": second, "server_wall_s": STARTED_S + second, "half_s": 0.001}
        assert tester.tap("anchor", told, case_id=None, at_monotonic=second)["state"] == "written"
    ready(tester)
    prepare(study.browser("mixer"), "plain")
    tester.tap("injection_end", at_monotonic=1000.0)
    for minute in PROTOCOL.schedule.tests_min[:3]:
        for role in ("target", "control"):
            told = {"planned_min": minute, "tooth_role": role, "response": "felt"}
            later_s = 60 * minute + (role == "control")
            assert tester.tap("test", told, at_monotonic=1000.0 + later_s)["state"] == "written"


@pytest.mark.parametrize("exported", [False, True], ids=["the store", "its export"])
def test_who_was_screened_at_the_chair_stands_in_the_flow_of_the_report(plain, tmp_path, exported):
    tested_case(plain)
    for number, reason in enumerate(("health", "declined", "no_time")):
        screen(plain.browser("tester"), reason, f"screened-{number}")
    source = plain.path
    if exported:
        source = tmp_path / "open"
        export_store(plain.path, source)
    assessed, included = screening_flow(read_records(source, PROTOCOL, today=dt.date(2026, 7, 1)))
    assert (assessed.name, assessed.count, included.name, included.count) == ("assessed", 4, "included", 1)
    assert {(lost.text, lost.count) for lost in included.lost} == {
        ("not eligible: other medical reason", 1),
        ("not eligible: other reason", 1),
        ("declined", 1),
    }


def test_a_store_without_a_log_of_screening_claims_none(plain):
    tested_case(plain)
    assert screening_flow(read_records(plain.path, PROTOCOL, today=dt.date(2026, 7, 1))) == ()


def test_every_reason_at_the_chair_has_its_word_in_the_open_table():
    assert set(NOT_ELIGIBLE) == set(SCREENED) - {"declined"}
    assert set(NOT_ELIGIBLE.values()) <= set(REASONS)
    assert OPEN_TABLES["screening"] == COLUMNS


def test_the_drift_of_the_clock_is_written_down_with_its_case(plain, tmp_path):
    told = {"boot": "boot-1", "server_s": 0.0, "server_wall_s": STARTED_S, "half_s": 0.001}
    tester = plain.browser("tester")
    for page_s, server_s in ((0.0, 0.0), (1000.0, 1000.1)):  # the page loses a tenth of a second in a thousand
        tester.tap("anchor", {**told, "server_s": server_s}, case_id=None, at_monotonic=page_s)
    ready(tester)
    export_store(plain.path, tmp_path / "open")
    with (tmp_path / "open" / "clock_drift.csv").open(encoding="utf-8-sig") as file:
        ((case_id, clock, drift, apart, wall_apart),) = list(csv.reader(file))[1:]
    assert (case_id, clock) == (CASE, "clock-1")
    assert float(drift) == pytest.approx(100, abs=0.1)
    assert 0 < float(apart) < 0.1  # of the tenth of a second, what fell to the case
    assert 0 < abs(float(wall_apart)) < 100  # its entries came ten seconds after each other, all at one time of day


# The card -------------------------------------------------------------------------------------------------------------


def card(browser, code=PATIENT):
    return browser.post("/api/card", {"code": code}).json()


def inject(tester, number, days_ago):
    """An injection of the patient so many days ago."""
    day = dt.date.today() - dt.timedelta(days=days_ago)
    case, wall = new_case_code("P01", lambda n: (number * 5) % n), f"{day}T14:00:00+00:00"
    opened = {**OPENED, "period": str(number)}
    assert tester.tap("case_opened", opened, case_id=case, at_wall=wall, key=f"open-{number}")["state"] == "written"
    tester.tap("injection_end", case_id=case, at_wall=wall, key=f"inject-{number}")


def test_the_card_tells_the_washout_and_which_injection_comes_next(study):
    tester = study.browser("tester")
    assert card(tester) == {"injections": 0, "period": "", "why": ""}  # not known here: it has to be asked
    inject(tester, 1, days_ago=6)
    ends = dt.date.today() + dt.timedelta(days=1)
    assert card(tester) == {"injections": 1, "period": "2", "why": f"the washout of this patient ends on {ends}"}
    assert card(tester, CASE)["why"] == ""


def test_on_the_day_on_which_the_washout_ends_a_case_may_be_opened(study):
    tester = study.browser("tester")
    inject(tester, 2, days_ago=7)  # the second was recorded here, and the first elsewhere
    assert card(tester) == {"injections": 1, "period": "1", "why": ""}


def test_a_patient_who_had_both_arms_has_no_third(study):
    tester = study.browser("tester")
    inject(tester, 1, days_ago=30)
    inject(tester, 2, days_ago=20)
    assert "every injection" in card(tester)["why"]


def test_the_card_tells_no_arm_and_nobody_without_a_chair(study):
    assert {f.name for f in dataclasses.fields(CardView)} == {"injections", "period", "why"}
    assert study.browser("mixer").post("/api/card", {"code": PATIENT}).status == 403
    assert study.browser("tester").post("/api/card", {"code": 1}).status == 400


# The mixing drill -----------------------------------------------------------------------------------------------------


def drilled(task, read_ml, seconds, mixer="P01-M"):
    return {"mixer": mixer, "task": str(task), "read_ml": read_ml, "seconds": seconds}


def an_entry(number, payload):
    told = {"clock": "clock-1", "device": "device-1", "at_wall": "2026-04-03T14:00:00+00:00", "at_monotonic": 1.0}
    return Event(id=f"entry-{number}", kind="drilled", payload=payload, seq=number, **told)


def test_a_drill_is_told_by_volume_and_by_the_seconds_of_either_kind():
    mixed = [k + 1 for k, task in enumerate(DRILL_TASKS) if task.mixed]
    thrown = [k + 1 for k, task in enumerate(DRILL_TASKS) if not task.mixed]
    tries = [drilled(mixed[0], 9.9, 500)]  # tried again below: the last counts
    tries += [drilled(k, DRILL_TASKS[k - 1].target_ml, s) for k, s in zip(mixed, (40, 50, 42, 60), strict=True)]
    tries += [drilled(thrown[0], DRILL_TASKS[thrown[0] - 1].target_ml * 0.85, 30, mixer="p01-m")]
    (result,) = drill_results(an_entry(n, told) for n, told in enumerate(tries, 1))
    assert (result.mixer, result.n, result.near) == ("P01-M", 5, 4)
    assert (result.mixed_s, result.thrown_s) == (46, 30)  # the median of 40, 42, 50, 60 by hand
    assert result.worst_error_ml == pytest.approx(-0.15 * DRILL_TASKS[thrown[0] - 1].target_ml)
    assert result.mean_error_ml == pytest.approx(result.worst_error_ml / 5)


def test_each_volume_of_the_drill_is_both_mixed_and_thrown_away():
    kinds = {t.target_ml: {u.mixed for u in DRILL_TASKS if u.target_ml == t.target_ml} for t in DRILL_TASKS}
    assert sum(len(both) == 2 for both in kinds.values()) >= 3
    assert sum(t.mixed for t in DRILL_TASKS) * 2 == len(DRILL_TASKS)


def test_a_drill_belongs_to_practice_and_to_whoever_mixes(study, tmp_path):
    assert study.browser("mixer").get("/api/mixing/drill").status == 409
    assert study.browser("mixer").tap("drilled", drilled(1, 0.18, 40), case_id=None)["state"] == "refused"
    assert study.store.last() == 0


def test_whoever_mixes_drills_and_no_other_page_is_told(practice):
    mixer, tester = practice.browser("mixer"), practice.browser("tester")
    assert tester.tap("drilled", drilled(1, 0.18, 40), case_id=None)["state"] == "refused"
    assert mixer.tap("drilled", drilled(1, 0.18, 40), case_id=None, key="drilled-1")["state"] == "written"
    for wrong in (drilled(9, 0.18, 40), drilled(1, -1, 40), {**drilled(1, 0.18, 40), "arm": "plain"}):
        assert mixer.tap("drilled", wrong, case_id=None, key="drilled-2")["state"] == "refused"
    told = mixer.get("/api/mixing/drill").json()
    assert set(told) == {f.name for f in dataclasses.fields(DrillView)}
    assert told["results"][0]["near"] == 1
    assert tester.get("/api/mixing/drill").status == 403
    assert b"drilled" not in tester.get("/api/chair?after=0").body


# On the page ----------------------------------------------------------------------------------------------------------


def events(store, kind):
    with EventStore(store) as opened:
        return [e for e in opened.events() if e.kind == kind]


def test_on_the_page_a_reason_is_one_tap_and_is_counted(tmp_path, serve, context):
    server = serve(quick_audit(tmp_path))
    chair = Chair(context().new_page(), server.addresses["alone"])
    chair.button("New case").click()
    chair.button("Assessed, not included").click()
    chair.button("Did not want to take part").click()
    chair.expect("Noted: did not want to take part")
    chair.button("Another patient").click()
    chair.page.keyboard.press("3")
    chair.expect("Noted: age")
    chair.button("That was wrong").click()
    chair.expect("Why is this patient not included?")
    chair.page.keyboard.press("Escape")
    chair.wait_until_written()
    assert [e.payload["reason"] for e in events(server.store, "screened")] == ["declined", "age"]
    chair.button("More").click()
    chair.button("Overview").click()
    chair.page.wait_for_selector("td >> text=1; not included: 1 × did not want to take part")
    assert chair.errors == []


@pytest.mark.parametrize("practice", ["P06", "p06"])
def test_on_the_page_the_card_fills_in_which_injection_it_is(tmp_path, serve, context, practice):
    audit = quick_audit(tmp_path)
    audit.write_text(audit.read_text(encoding="utf-8").replace('"P06"', f'"{practice}"'), encoding="utf-8")
    server = serve(audit)
    chair = Chair(context().new_page(), server.addresses["alone"])
    code = inject_on_the_page(chair)
    chair.button("New case").click()
    chair.page.fill("#card", code.lower())
    chair.button("Next").click()
    chair.expect("Which tooth")
    draft = json.loads(chair.page.evaluate("() => sessionStorage.draft"))
    assert (draft["told"]["patient_id"], draft["told"]["period"]) == (code, "2")
    assert chair.errors == []


def inject_on_the_page(chair):
    """The first injection of a patient; returns the code on the card."""
    chair.open_case()
    chair.answer("felt")
    chair.prepare_alone()
    chair.inject()
    chair.wait_until_written()
    return chair.page.evaluate(
        """async () => (await import('/log.js')).all().find((e) => e.kind === 'case_opened').payload.patient_id"""
    )


def test_on_the_page_a_washout_is_told_at_the_card(tmp_path, serve, context):
    server = serve(quick_audit(tmp_path))
    page = context().new_page()
    told = {"injections": 1, "period": "2", "why": "the washout of this patient ends on 2027-01-09"}
    page.route("**/api/card", lambda route: route.fulfill(json=told))
    chair = Chair(page, server.addresses["alone"])
    chair.button("New case").click()
    code = chair.button("New patient").inner_text().split(": ")[1]
    page.fill("#card", code)
    chair.button("Next").click()
    page.wait_for_selector("#hint >> text=No case today: the washout of this patient ends on 2027-01-09.")
    assert chair.heading == "Patient's code"
    page.unroute("**/api/card")
    page.route("**/api/card", lambda route: route.abort())
    chair.button("Next").click()
    chair.expect("Which injection of this patient is it?")  # nobody answers: the page asks


def test_on_the_page_news_of_the_mixing_takes_no_typed_code_away(tmp_path, serve, context):
    server = serve(quick_audit(tmp_path))
    page = context().new_page()
    chair = Chair(page, server.addresses["alone"])
    chair.open_case()
    chair.answer("felt")
    chair.button("Enter what is prepared").click()  # the mixing was shown once; from here on its news goes elsewhere
    chair.expect("Prepare a cartridge for")
    chair.button("New case").click()
    page.fill("#card", "P06-7")
    chair.button("Next").click()
    page.wait_for_selector("#hint >> text=This code is mistyped")
    news = json.loads(page.evaluate("async () => (await fetch('/api/mixing')).text()"))
    page.route("**/api/mixing", lambda route: route.fulfill(json={**news, "waiting": []}))
    for _ in range(2):  # the page has used the first by the time it asks again
        with page.expect_response("**/api/mixing"):
            pass
    assert page.input_value("#card") == "P06-7"
    assert "mistyped" in page.inner_text("#hint")
    chair.button("More").click()
    chair.button("What is prepared").click()
    chair.expect("Nothing waits to be prepared.")
    assert chair.errors == []


def test_on_the_page_the_drill_is_timed_and_told(tmp_path, serve, context):
    server = serve(quick_block(tmp_path), "--practice", "P01", "--practise")
    page = context().new_page()
    mixer = Chair(page, server.addresses["mixer"])
    mixer.button("Mixing drill").click()
    page.fill("#drill-mixer", "P01-M")
    mixer.button("Next").click()
    for task in DRILL_TASKS:
        mixer.expect(f"Draw up {task.target_ml:.2f} mL.")
        mixer.tap("Start", "start")
        page.wait_for_selector("#drill-clock")
        mixer.tap("Done", "done")
        if task == DRILL_TASKS[0]:
            look_at(page, SIZES[-1:])
        page.fill("#number", f"{task.target_ml:g}")
        mixer.button("Next").click()
    mixer.expect("Done. Both kinds should take the same time.")
    page.wait_for_selector(f"p >> text=P01-M: {len(DRILL_TASKS)} of {len(DRILL_TASKS)} within a tenth")
    wait_for(lambda: len(events(tmp_path / "practice.practise.sqlite", "drilled")) == len(DRILL_TASKS))
    starts, ends = ([t for t in mixer.taps if t.what == what] for what in ("start", "done"))
    for start, end, entry in zip(starts, ends, events(tmp_path / "practice.practise.sqlite", "drilled"), strict=True):
        assert end.before - start.after - 0.25 <= entry.payload["seconds"] <= end.after - start.before + 0.25
    assert not (tmp_path / "practice.sqlite").exists()
    assert not re.search("buffered|plain", page.inner_text("main"))
    assert mixer.errors == []
