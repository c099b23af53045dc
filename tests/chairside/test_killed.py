"""The server killed at random moments while entries are acknowledged, and devices that sleep."""

from __future__ import annotations

import itertools
import threading
import time

import pytest

from onsetstudy.files.sources.recorded import read_store
from tests.chairside.chair import Chair, Tap, quick_audit
from tests.chairside.conftest import wait_for
from tests.chairside.kills import MEASURED, Kill, kills_of
from tests.chairside.test_page import minutes, running
from tests.examples import THOROUGH

WITHIN_S = 20.0 if THOROUGH else 4.0
AT_LEAST = 8


@pytest.mark.slow
def test_killed_at_random_moments_nothing_acknowledged_is_lost_or_written_twice(tmp_path):
    # As many as fit in the time, and never fewer than some: a slow machine proves less, and fails nothing.
    until, kills = time.monotonic() + WITHIN_S, 0
    for row in kills_of(quick_audit(tmp_path), tmp_path / "practice.sqlite", seed=3):
        assert (row.lost, row.twice) == (0, 0)
        kills = row.kill
        if kills >= AT_LEAST and time.monotonic() > until:
            break
    assert kills >= AT_LEAST


def test_the_measured_kills_lost_nothing():
    rows = [Kill(*(int(cell) for cell in line.split(","))) for line in MEASURED.read_text("ascii").splitlines()[1:]]
    assert [row.kill for row in rows] == list(range(1, 201))
    assert all(later.acknowledged >= row.acknowledged for row, later in itertools.pairwise(rows))
    assert rows[-1].acknowledged > 1000
    assert {(row.lost, row.twice) for row in rows} == {(0, 0)}


SLEEPS = """
const real = performance.now.bind(performance), wall = Date.now;
let slept = 0, set = 0;
performance.now = () => real() - slept;
Date.now = () => wall() + set;
window.sleepFor = (ms) => {
  const from = real();
  while (real() - from < ms);
  slept += real() - from;
};
window.setWall = (ms) => { set += ms; };
"""
"""A machine that sleeps, as a page sees it: nothing runs, its own clock stands still, and the wall clock runs on."""


def sleepy(server, context):
    device = context()
    device.add_init_script(SLEEPS)
    return Chair(device.new_page(), server.addresses["alone"])


def test_a_tablet_that_slept_asks_the_computer_and_shifts_nothing(tmp_path, serve, context):
    server = serve(quick_audit(tmp_path))
    chair = sleepy(server, context)
    running(chair)
    chair.page.evaluate("() => sleepFor(1500)")
    chair.answer("not_felt")
    chair.wait_until_written()
    wait_for(lambda: len(minutes(server.store)) == 2)
    assert chair.agrees(minutes(server.store))
    assert read_store(server.store).flagged == ()


TEN_MINUTES_S = 600.0
AFTER_TEN = [10 + k / 4 for k in range(17)]


@pytest.mark.parametrize("away", [False, True], ids=["with the computer", "without the computer"])
def test_a_tablet_frozen_for_ten_minutes_shifts_nothing(tmp_path, serve, context, away):
    shift = tmp_path / "shift"
    program = ("tests.chairside.shifted_server", str(shift))
    server = serve(quick_audit(tmp_path, later=AFTER_TEN), program=program)
    chair = sleepy(server, context)
    running(chair)
    chair.wait_until_written()
    if away:
        server.kill()
    # The computer's clocks run on while the page stands still; the page finds its wall clock run on as it wakes.
    wakes = threading.Timer(1.0, shift.write_text, [str(TEN_MINUTES_S)])
    wakes.start()
    chair.page.evaluate("(ms) => { sleepFor(2500); setWall(ms); }", 1000 * TEN_MINUTES_S)
    wakes.join()
    chair.page.wait_for_function("() => document.querySelector('#elapsed').innerText.startsWith('10:')")
    chair.answer("not_felt")
    last = chair.taps.pop()
    chair.taps.append(Tap(last.what, last.before + TEN_MINUTES_S, last.after + TEN_MINUTES_S))
    if away:
        server.start()
    chair.wait_until_written()
    wait_for(lambda: len(minutes(server.store)) == 2)
    assert chair.agrees(minutes(server.store))
    assert read_store(server.store).flagged == ()


def test_a_tablet_that_slept_while_the_computer_was_away_is_flagged_and_widened(tmp_path, serve, context):
    server = serve(quick_audit(tmp_path))
    chair = sleepy(server, context)
    running(chair)
    chair.wait_until_written()
    server.kill()
    chair.page.evaluate("() => { sleepFor(1500); setWall(500_000); }")  # and somebody set the clock
    chair.page.wait_for_selector("#trouble >> text=marked as wider")
    chair.answer("not_felt")
    server.start()
    wait_for(lambda: len(minutes(server.store)) == 2)
    folded = read_store(server.store)
    assert len(folded.flagged) == 1
    assert minutes(server.store)[1] >= chair.since_injection("not_felt")[0][0]  # entered late rather than early


@pytest.mark.parametrize("set_s", [-46800, 46800], ids=["back", "forward"])
@pytest.mark.parametrize("again", [False, True], ids=["while it runs", "and it is started again"])
def test_a_computer_whose_wall_clock_is_set_shifts_nothing_and_lets_its_page_in(tmp_path, serve, context, set_s, again):
    shift = tmp_path / "shift"
    server = serve(quick_audit(tmp_path), program=("tests.chairside.shifted_server", str(shift)))
    chair = Chair(context().new_page(), server.addresses["alone"])
    running(chair)
    chair.wait_until_written()
    if again:
        server.kill()
    shift.write_text(f"0 {set_s}")
    if again:
        server.start()
    chair.page.evaluate("async () => { while (!await (await import('/log.js')).anchor()); }")  # asks the computer anew
    chair.page.wait_for_timeout(700)
    chair.answer("not_felt")
    chair.page.reload()  # a page of its own clock, tied to the other by the computer alone
    chair.page.wait_for_selector("#next")
    chair.page.wait_for_timeout(700)
    chair.answer("felt")
    chair.wait_until_written()
    wait_for(lambda: len(minutes(server.store)) == 3)
    assert chair.agrees(minutes(server.store))
    assert read_store(server.store).flagged == ()
