"""A device that is left alone is covered until its PIN is entered."""

from __future__ import annotations

import pytest

from tests.chairside.chair import Chair, ask_axe, quick_audit, quick_block
from tests.chairside.test_page import running


def set_pin(chair, pin="2468"):
    chair.page.fill("#pin", pin)
    chair.button("Set", exact=True).click()


def open_with(chair, pin):
    chair.page.fill("#unlock", pin)
    chair.button("Open", exact=True).click()


@pytest.fixture
def covered(tmp_path, serve, context):
    """A case that runs, on a device that was covered."""
    server = serve(quick_audit(tmp_path))
    page = context().new_page()
    chair = Chair(page, server.addresses["alone"])
    running(chair)
    chair.button("More").click()
    chair.button("PIN when left alone").click()
    set_pin(chair, "12")
    assert "Four to eight" in page.inner_text("#pin-said")
    set_pin(chair)
    chair.button("PIN: set").wait_for()  # it is worked out for a while
    page.keyboard.press("Escape")
    page.wait_for_selector("#next")
    chair.button("More").click()
    chair.button("Cover now").click()
    page.wait_for_selector("#unlock")
    return chair


def test_who_goes_back_while_a_pin_is_worked_out_stays_there(tmp_path, serve, context):
    page = context().new_page()
    page.add_init_script(SLOW)
    chair = Chair(page, serve(quick_audit(tmp_path)).addresses["alone"])
    chair.button("More").click()
    chair.button("PIN when left alone").click()
    set_pin(chair)
    page.keyboard.press("Escape")
    page.keyboard.press("Escape")
    chair.expect("No case is running")
    page.evaluate("() => window.goOn()")
    page.wait_for_function("() => localStorage.pin")
    assert chair.heading == "No case is running."
    chair.button("More").click()
    chair.button("PIN: set").wait_for()


SLOW = """
const real = SubtleCrypto.prototype.deriveBits, wait = new Promise((yes) => { window.goOn = yes; });
SubtleCrypto.prototype.deriveBits = async function (...told) { await wait; return real.apply(this, told); };
"""
"""A machine that takes its time to work out a PIN."""


def test_a_covered_page_takes_no_tap_and_no_key_and_its_clock_goes_on(covered):
    page = covered.page
    assert not page.is_visible("main")
    assert page.is_visible("#elapsed")
    before = page.inner_text("#elapsed")
    count = "async () => (await import('/log.js')).all().filter((e) => e.kind === 'test').length"
    ask_axe(page)
    for target in ("#unlock", "body"):
        page.focus(target) if target == "#unlock" else page.evaluate("() => document.activeElement.blur()")
        for key in ("Escape", "f", "n", "Enter"):
            page.keyboard.press(key)
    assert page.evaluate(count) == 1
    page.reload()
    page.wait_for_selector("#unlock")
    assert not page.is_visible("main")
    page.wait_for_function(
        "(before) => !['', before].includes(document.querySelector('#elapsed').innerText)", arg=before
    )
    open_with(covered, "2468")
    page.wait_for_selector("#next")
    covered.answer("felt")
    assert page.evaluate(count) == 2
    assert covered.errors == []


def test_after_five_wrong_pins_the_device_has_to_be_let_in_anew_and_a_reload_gives_no_more_tries(covered):
    page = covered.page
    for left in (4, 3, 2):
        open_with(covered, "1111")
        page.wait_for_selector(f"#unlock-said >> text={left} more tries")
    page.reload()
    page.wait_for_selector("#unlock")
    for _ in range(2):
        open_with(covered, "1111")
        page.wait_for_function("() => document.querySelector('#unlock')?.value !== '1111'")
    covered.expect("Open the address shown on the computer")
    assert covered.errors == []


def test_left_alone_for_five_minutes_the_mixers_page_is_covered(tmp_path, serve, context):
    server = serve(quick_block(tmp_path), "--practice", "P01", "--practise")
    page = context().new_page()
    page.clock.install()
    mixer = Chair(page, server.addresses["mixer"])
    mixer.expect("Nothing waits")
    mixer.button("PIN when left alone").click()
    set_pin(mixer)
    mixer.expect("Nothing waits")
    page.clock.fast_forward(240_000)
    page.clock.run_for(1000)
    assert page.is_visible("main")
    page.clock.fast_forward(61_000)
    page.wait_for_selector("#unlock")
    assert not page.is_visible("main")
    open_with(mixer, "2468")
    mixer.page.wait_for_selector("#unlock", state="detached")
    assert page.is_visible("main")
    assert mixer.errors == []
