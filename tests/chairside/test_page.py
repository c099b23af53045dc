"""The page in a real Chromium, against the real server and its store."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest

from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.recorded import export_store, read_store
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.files.store import EventStore
from onsetstudy.records.derived.onset import Onsets
from tests.chairside.chair import TOLERANCE_S, Chair, look_at, quick_audit, quick_watch
from tests.chairside.conftest import wait_for

PAGE = Path("onsetstudy/chairside/page")


def minutes(store):
    frame = read_store(store).cold_tests.frame
    return frame["minute"].astype(float).tolist()


@pytest.fixture
def audit(tmp_path, serve):
    return serve(quick_audit(tmp_path))


@pytest.fixture
def chair(audit, context):
    made = Chair(context().new_page(), audit.addresses["alone"])
    yield made
    assert made.errors == []


def test_a_whole_case_ends_in_the_same_tables(audit, chair, tmp_path):
    case = chair.open_case()
    chair.answer("felt")
    chair.prepare_alone("buffered")
    chair.taps.clear()
    chair.inject()
    for response in ("felt", "felt", "not_felt", "not_felt"):
        chair.page.wait_for_timeout(400)
        chair.answer(response)
    chair.expect("Tests complete. Test the tooth and ask before treating.")
    assert "numb" not in chair.page.inner_text("body").lower()
    chair.button("Supplemental injection").click()
    chair.page.locator(".choices button").nth(2).click()
    chair.button("0.9 mL").click()
    chair.tap("Treatment starts")
    chair.button("How much did the treatment hurt?").click()
    assert "turned" in (chair.page.get_attribute("body", "class") or "")
    chair.button("3", exact=True).click()
    chair.button("Something happened").click()
    chair.page.locator(".choices button", has_text="syncope").click()
    chair.page.locator(".choices button", has_text=re.compile("^.?Yes$")).click()
    chair.button("Finish without").click()
    chair.wait_until_written()

    protocol = read_protocol(tmp_path / "quick.toml")
    folded = read_store(audit.store)
    row = folded.cases.frame.iloc[0].dropna()
    assert folded.flagged == ()
    assert (row["case_id"], row["tooth"], row["arm"]) == (case, "16", "buffered")
    # The protocol says "added to": that is what the mixer's page proposes.
    assert (row["mix_mode"], row["bicarbonate_ml"], row["bicarbonate_percent"]) == ("add", "0.18", "8.4")
    assert (row["pain_treatment"], row["adverse_event"], row["adverse_serious"]) == ("3", "syncope", "yes")
    assert folded.cold_tests.frame["response"].tolist() == ["felt", "felt", "not_felt", "not_felt"]
    assert chair.agrees(minutes(audit.store))
    assert chair.agrees([float(row["treatment_start_min"])], "Treatment starts")
    records = read_records(audit.store, protocol)
    assert records.problems == ()
    onset = Onsets(records=records, protocol=protocol).table().iloc[0]
    assert [onset["left_min"], onset["right_min"]] == minutes(audit.store)[1:3]
    export_store(audit.store, tmp_path / "open")
    assert read_records(tmp_path / "open", protocol).digest == records.digest


NEXT_SECOND = """() => new Promise((told) => new MutationObserver((_, watch) => {
  watch.disconnect();
  told([document.querySelector("#elapsed").textContent, Date.now() / 1000]);
}).observe(document.querySelector("#elapsed"), { childList: true, characterData: true, subtree: true }))"""
"""What the clock on the page shows as it changes, and when that was."""


def running(chair):
    """A case with one test answered."""
    chair.open_case()
    chair.answer("felt")
    chair.prepare_alone()
    chair.taps.clear()
    chair.inject()
    chair.page.wait_for_timeout(400)
    chair.answer("felt")


NEWS = """async () => {
  const { request, state } = await import("/log.js");
  state.version += 1;
  await request("/api/setup");
  await new Promise((yes) => setTimeout(yes, 50));
}"""
"""Something came from the computer, for which the page is drawn anew."""


def test_news_that_come_under_a_finger_do_not_take_its_tap(chair):
    chair.open_case()
    page = chair.page
    felt = page.locator("[data-answer=felt]")
    felt.hover()
    page.mouse.down()
    page.evaluate("() => { document.querySelector('[data-answer=felt]').dataset.drawn = 'before'; }")
    page.evaluate(NEWS)
    assert felt.get_attribute("data-drawn") == "before"
    page.mouse.up()
    chair.expect("Waiting for the cartridge.")
    page.evaluate("() => { document.querySelector('h1').dataset.drawn = 'before'; }")
    page.evaluate(NEWS)
    assert page.locator("h1").first.get_attribute("data-drawn") is None
    assert chair.errors == []


def test_a_case_that_is_opened_before_the_computer_has_answered_is_not_forgotten(audit, context):
    page = context().new_page()
    held = []
    page.route("**/api/chair?*", lambda route: held.append((route, route.fetch())))
    chair = Chair(page, audit.addresses["alone"])
    while not held:
        page.wait_for_timeout(20)
    case = chair.open_case()
    chair.wait_until_written()
    for route, answer in held:
        route.fulfill(response=answer)
    page.wait_for_timeout(200)
    assert page.locator(".strip span").all_inner_texts() == [case]


def test_a_reload_in_mid_case_loses_and_shifts_nothing(audit, chair):
    running(chair)
    chair.page.reload()
    chair.page.wait_for_selector("#next")
    zero, (shown, at) = chair.tapped("Injection ended"), chair.page.evaluate(NEXT_SECOND)
    minute, second = shown.split(":")
    assert at - zero.after - 1 - TOLERANCE_S < int(minute) * 60 + int(second) < at - zero.before + TOLERANCE_S
    chair.answer("not_felt")
    chair.wait_until_written()
    assert chair.agrees(minutes(audit.store))


def test_a_tap_that_the_browser_has_not_yet_put_away_outlives_a_reload(audit, context):
    device = context()
    device.add_init_script(NEVER_PUT_AWAY)
    chair = Chair(device.new_page(), audit.addresses["alone"])
    running(chair)
    chair.wait_until_written()
    chair.page.evaluate("() => { sessionStorage.stuck = 'yes'; }")
    chair.answer("not_felt")
    chair.page.evaluate("() => { delete sessionStorage.stuck; }")
    assert len(minutes(audit.store)) == 1
    chair.page.reload()
    chair.page.wait_for_selector("#next")
    chair.wait_until_written()
    wait_for(lambda: len(minutes(audit.store)) == 2)
    assert chair.agrees(minutes(audit.store))
    assert chair.page.evaluate("() => Object.keys(localStorage).filter((k) => k.startsWith('held-'))") == []


NEVER_PUT_AWAY = """
const real = IDBObjectStore.prototype.add;
IDBObjectStore.prototype.add = function (value) { return sessionStorage.stuck ? {} : real.call(this, value); };
"""


def test_a_server_killed_in_mid_case_catches_up_by_itself(audit, chair):
    running(chair)
    chair.page.wait_for_function("() => navigator.serviceWorker.controller || navigator.serviceWorker.ready")
    audit.kill()
    chair.answer("felt")
    chair.page.wait_for_selector("#trouble:not([hidden])")
    assert "Kept on this device" in chair.page.inner_text("#trouble")
    chair.page.wait_for_timeout(1000)
    chair.answer("not_felt")
    audit.start()
    chair.wait_until_written()
    chair.page.wait_for_selector("#trouble", state="hidden")
    assert chair.agrees(minutes(audit.store))
    assert read_store(audit.store).flagged == ()


def test_reloaded_while_the_server_is_away_the_page_goes_on(audit, chair):
    running(chair)
    chair.page.evaluate("() => navigator.serviceWorker.ready.then(() => true)")
    chair.page.reload()
    chair.page.wait_for_selector("#next")
    audit.kill()
    chair.page.reload()
    chair.page.wait_for_selector("#next")
    chair.answer("not_felt")
    chair.page.wait_for_selector("#trouble:not([hidden])")
    audit.start()
    wait_for(lambda: len(minutes(audit.store)) == 2)
    assert chair.agrees(minutes(audit.store))
    assert read_store(audit.store).flagged == ()


def test_two_tabs_and_a_closed_one_write_every_tap_once(audit, chair):
    running(chair)
    other = Chair(chair.page.context.new_page(), re.sub("/enter.*", "/", audit.addresses["alone"]))
    other.page.wait_for_selector("#next")
    other.answer("felt")
    chair.taps += other.taps
    chair.page.wait_for_function("() => document.querySelector('#recent').innerText.split('felt').length > 2")
    other.page.close()
    chair.page.wait_for_timeout(1000)
    chair.answer("not_felt")
    chair.wait_until_written()
    assert chair.agrees(minutes(audit.store))
    with EventStore(audit.store) as store:
        tests = [e for e in store.events() if e.kind == "test"]
    assert len({e.clock for e in tests}) == 2


@pytest.mark.parametrize("shift_s", [-7200, 600])
def test_a_system_clock_that_is_changed_shifts_nothing(audit, context, shift_s):
    page = context().new_page()
    page.clock.install()
    chair = Chair(page, audit.addresses["alone"])
    running(chair)
    page.clock.set_system_time(time.time() + shift_s)
    page.wait_for_timeout(700)
    chair.answer("not_felt")
    chair.wait_until_written()
    assert chair.agrees(minutes(audit.store))
    assert chair.errors == []


def test_the_network_cut_at_every_step_loses_nothing(audit, chair):
    device = chair.page.context
    chair.open_case()
    device.set_offline(True)
    chair.answer("felt")
    chair.expect("Waiting for the cartridge")
    device.set_offline(False)
    chair.wait_until_written()
    chair.prepare_alone()
    chair.taps.clear()
    device.set_offline(True)
    chair.inject()
    device.set_offline(False)
    chair.page.wait_for_timeout(1000)
    device.set_offline(True)
    chair.answer("felt")
    chair.page.wait_for_timeout(1000)
    chair.answer("not_felt")
    device.set_offline(False)
    chair.wait_until_written()
    assert chair.agrees(minutes(audit.store))


def test_a_wrong_tap_is_corrected_and_the_earlier_stays(audit, chair):
    running(chair)
    chair.button("That was wrong").first.click()
    chair.button("It was: not felt").click()
    chair.wait_until_written()
    assert read_store(audit.store).cold_tests.frame["response"].tolist() == ["not_felt"]
    with EventStore(audit.store) as store:
        said = [e.payload["response"] for e in store.events() if e.kind == "test"]
    assert said == ["felt"]


def test_a_late_and_a_missed_test_are_told_and_two_cases_run_at_once(audit, chair):
    running(chair)
    first = chair.page.locator(".strip[aria-current=true] span").inner_text()
    chair.open_case(tooth="26")
    chair.answer("felt")
    chair.prepare_alone("buffered")
    chair.inject()
    chair.page.locator(".strip", has_text=first).click()
    chair.page.wait_for_function("() => document.querySelectorAll('.tick.missed').length > 0")
    chair.page.wait_for_selector(".strip >> text=test now")
    assert chair.page.locator(".strip").count() == 2


def test_the_page_is_worked_by_keys_alone(audit, chair):
    page = chair.page
    page.wait_for_selector("nav button")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    chair.expect("Patient's code")
    page.keyboard.press("Enter")
    chair.expect("Which tooth")
    page.get_by_role("button", name="tooth 16", exact=True).focus()
    page.keyboard.press("Enter")
    while "before the injection" not in chair.heading:
        if page.locator("input#clinician_id").count():
            page.locator("input#clinician_id").focus()
            page.keyboard.type("P06-A")
            page.keyboard.press("Enter")
        elif page.locator(".choices button").count():
            page.keyboard.press("1")
        else:
            page.get_by_role("button", name="Skip").focus()
            page.keyboard.press("Enter")
        page.wait_for_timeout(30)
    page.keyboard.press("f")
    chair.expect("Waiting")
    page.keyboard.press("Enter")
    chair.expect("Prepare a cartridge")
    page.keyboard.press("1")
    page.keyboard.press("1")
    page.get_by_role("button", name="Prepared").focus()
    page.keyboard.press("Enter")
    chair.expect("Nothing waits")
    page.keyboard.press("Escape")
    chair.expect("Prepared.")
    page.keyboard.press("Enter")
    chair.expect("Tap when")
    page.keyboard.press("Enter")
    page.wait_for_selector("#next")
    page.keyboard.press("f")
    page.wait_for_timeout(1000)
    page.keyboard.press("n")
    chair.wait_until_written()
    assert read_store(audit.store).cold_tests.frame["response"].tolist() == ["felt", "not_felt"]


def test_it_asks_nobody_else_and_is_small(audit, chair):
    running(chair)
    home = re.match(r"http://[^/]+", audit.addresses["alone"])[0]
    assert {re.match(r"\w+://[^/]*", url)[0] for url in chair.asked} == {home}
    assert sum(p.stat().st_size for p in PAGE.iterdir()) < 150_000


def test_a_tap_is_answered_and_written_in_time(audit, chair):
    running(chair)
    chair.wait_until_written()
    took = [
        chair.page.evaluate(
            """async () => {
              const { state } = await import('/log.js');
              const began = performance.now();
              document.querySelector('[data-answer=felt]').click();
              const shown = performance.now() - began;
              while (state.waiting) await new Promise((yes) => setTimeout(yes, 1));
              return [shown, performance.now() - began];
            }"""
        )
        for _ in range(4)
    ]
    # The least of several: what the page and the server take, and not what else this machine does just then.
    assert min(shown for shown, _ in took) < 100
    assert min(written for _, written in took) < 1000  # the benchmark measures it


RULE = """
[adoption]
net_min = 2
pain_margin = 1
not_numb_margin = 0.05
stopping_harms = ["paraesthesia", "haematoma"]
"""


def test_targets_are_large_nothing_is_cut_off_and_axe_is_content(tmp_path, serve, context):
    path = quick_audit(tmp_path)
    path.write_text(path.read_text() + RULE)
    audit = serve(path)
    page = context().new_page()
    chair = Chair(page, audit.addresses["alone"])

    page.wait_for_selector("nav button")
    look_at(page)
    chair.button("New case").click()
    look_at(page)
    chair.button("New patient").click()
    look_at(page)
    chair.button("Back").click()
    chair.button("Back").click()
    chair.open_case()
    look_at(page)
    chair.answer("felt")
    chair.button("Enter what is prepared").click()
    page.locator("main .choices button").first.click()
    page.locator("main .choices button").last.click()
    look_at(page)
    chair.button("Prepared").click()
    chair.expect("Nothing waits")
    chair.button("Back").click()
    chair.inject()
    page.wait_for_selector("#next")
    look_at(page)
    chair.answer("felt")
    for name in ("Something happened", "More"):
        chair.button(name).click()
        look_at(page)
        page.keyboard.press("Escape")
    chair.button("More").click()
    chair.button("Overview").click()
    page.wait_for_selector("#decides")
    look_at(page)
    page.keyboard.press("Escape")
    chair.button("More").click()
    chair.button("What is prepared").click()
    chair.expect("Nothing waits")
    look_at(page)
    page.keyboard.press("Escape")
    chair.button("More").click()
    chair.button("Assessed, not included").click()
    look_at(page)
    page.keyboard.press("Escape")
    chair.button("How much did the injection hurt?").click()
    look_at(page)


def test_what_was_adopted_is_watched_by_three_taps(tmp_path, serve, context):
    server = serve(quick_watch(tmp_path))
    page = context().new_page()
    chair = Chair(page, server.addresses["alone"])
    for number, (answer, supplement) in enumerate((("not_felt", False), ("felt", True))):
        chair.button("New case").click()
        chair.button("tooth 16", exact=True).click()
        while "Waiting" not in chair.heading:
            assert "Topical" not in chair.heading  # nothing is asked that need not be
            if page.locator("input#clinician_id").count():
                page.locator("input#clinician_id").fill("P06-A")
                chair.button("Next").click()
            else:
                page.locator(".choices button").first.click()
        if number == 0:
            chair.prepare_alone("buffered")
        else:
            chair.button("As last time: buffered").click()
        chair.tap("Injected")
        page.wait_for_timeout(2000)
        chair.answer(answer)
        if answer == "felt":
            chair.expect("Tests complete", seconds=150)
        chair.button("Supplement" if supplement else "No supplement", exact=True).click()
        if supplement:
            page.locator(".choices button").first.click()
            chair.button("0.9 mL").click()
    chair.expect("No case is running.")
    chair.wait_until_written()
    protocol = read_protocol(tmp_path / "watch.toml")
    records = read_records(server.store, protocol)
    assert records.problems == ()
    assert records.cases["arm"].tolist() == ["buffered", "buffered"]
    assert records.cases["topical"].isna().all()  # nor taken from an earlier case
    assert records.cases["rescue_min"].notna().sum() == 1
    onset = Onsets(records=records, protocol=protocol).table()
    assert sorted(onset["censoring"]) == ["left", "right"]
    assert chair.errors == []


STUB = """
window.cued = [];
navigator.vibrate = (pattern) => { window.cued.push('vibration'); return true; };
const Real = window.AudioContext;
window.AudioContext = class extends Real {
  createOscillator() { window.cued.push("sound"); return super.createOscillator(); }
};
"""


def test_a_due_test_is_cued_by_colour_sound_and_vibration_and_each_can_be_off(audit, context):
    page = context().new_page()
    page.add_init_script(STUB)
    chair = Chair(page, audit.addresses["alone"])
    chair.open_case()
    chair.answer("felt")
    chair.prepare_alone()
    chair.inject()
    page.wait_for_selector("body.due")
    cued = page.evaluate("() => window.cued")
    assert cued == ["vibration", "sound", "sound"] * (len(cued) // 3)  # of one test that is due, or of several
    assert cued
    chair.answer("felt")
    chair.button("More").click()
    for name in ("Warm paper", "Knock"):
        chair.button(name).click()
        assert chair.button(name).get_attribute("aria-pressed") == "false"
    page.keyboard.press("Escape")
    page.evaluate("() => { window.cued = []; }")
    page.wait_for_function("() => document.querySelector('#next').innerText.includes('now')")
    page.wait_for_function("() => window.cued.length > 0")
    assert set(page.evaluate("() => window.cued")) == {"vibration"}
    assert "due" not in (page.get_attribute("body", "class") or "")


PAPER = """() => {
  document.body.classList.remove("due");  // a test that is due, as on a slow machine, has a paper of its own
  return getComputedStyle(document.body).backgroundColor;
}"""


def test_the_answers_change_places_for_the_left_hand_and_the_paper_can_be_dark(audit, chair):
    running(chair)
    place = "() => document.querySelector('[data-answer=felt]').getBoundingClientRect().x"
    before = chair.page.evaluate(place)
    chair.button("More").click()
    chair.button("Right hand").click()
    chair.button("Paper: as the device").click()
    chair.page.reload()
    chair.page.wait_for_selector("[data-answer=felt]")
    assert chair.page.evaluate(place) > before
    dark = chair.page.evaluate(PAPER)
    assert dark == "rgb(21, 24, 27)"


def test_a_second_visit_is_by_the_code_on_the_card_and_a_mistyped_one_is_noticed(audit, chair):
    chair.button("New case").click()
    code = chair.button("New patient").inner_text().split(": ")[1]
    chair.page.fill("#card", code[:-1] + ("2" if code[-1] != "2" else "3"))
    chair.button("Next").click()
    assert "mistyped" in chair.page.inner_text("#hint")
    chair.page.fill("#card", code.lower())
    chair.button("Next").click()
    chair.expect("Which injection of this patient is it?")


def test_a_page_without_a_session_says_what_to_do(audit, context):
    page = context().new_page()
    page.goto(re.sub("/enter.*", "/", audit.addresses["alone"]))
    page.wait_for_selector("h1 >> text=Open the address shown on the computer.")
    page.fill("#code", "22222222")
    page.get_by_role("button", name="Pair").click()
    page.wait_for_function("() => document.querySelector('#heard').innerText.includes('does not fit')")
