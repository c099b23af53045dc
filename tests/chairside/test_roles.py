"""A blinded case on three devices: what the slip says never reaches the two that test and treat."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import re
from pathlib import Path

import pytest

from onsetstudy.chairside import slips
from onsetstudy.cli.ledger_entries import enter_lock
from onsetstudy.core.errors import DesignError
from onsetstudy.design.allocation.lists import draw_allocation_list
from onsetstudy.files.ledger.lock import lock_protocol_file
from onsetstudy.files.sealed.allocation_list import write_allocation
from onsetstudy.files.sealed.opening_log import Opened
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.recorded import read_store
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.files.store import EventStore
from tests.chairside.chair import SIZES, Chair, look_at, quick_block
from tests.clean_process import run_command


@pytest.fixture
def block(tmp_path):
    """A locked protocol, and the sealed file of one practice beside the store."""
    path = quick_block(tmp_path)
    lock, _ = lock_protocol_file(path, day=dt.date(2026, 9, 1))
    enter_lock(path, lock)
    drawn = draw_allocation_list(read_protocol(path), slips_per_stratum=4, seed=11)
    for written in write_allocation(drawn, tmp_path / "keeper", seed=11):
        if written.name == "sealed-P01.json":
            (tmp_path / "sealed-P01.json").write_bytes(written.read_bytes())
    return path


def three_devices(server, context):
    return [Chair(context().new_page(), server.addresses[role]) for role in ("tester", "treating", "mixer")]


def test_a_blinded_case_on_three_devices(block, serve, context, tmp_path):
    server = serve(block, "--practice", "P01")
    tester, treating, mixer = three_devices(server, context)
    case = tester.open_case(tooth="46", operator="P01-A")
    for response in ("felt", "felt"):
        tester.answer(response)
    tester.expect("Waiting for the cartridge")
    mixer.page.locator("#mixer").fill("P01-M")
    mixer.button("Next").click()
    mixer.page.get_by_role("button", name=case).click()
    mixer.button("Open the next slip").click()
    mixer.expect(case)
    mixer.page.wait_for_selector("ol")
    told = mixer.page.inner_text("main")
    mixer.button("Prepared").click()
    mixer.expect("Nothing waits")
    treating.expect("Prepared.")
    treating.tap("Needle in")
    treating.tap("Injection ended")
    tester.page.wait_for_selector("#next")
    tester.answer_until_complete()
    treating.expect("Tests complete")
    treating.tap("Treatment starts")
    for chair in (tester, treating, mixer):
        chair.wait_until_written()
        assert chair.errors == []
    row = read_store(server.store).cases.frame.iloc[0].dropna()
    assert (row["arm"] == "buffered") == (f"{case}: buffered" in told)
    assert row["allocation_slip"] in told
    sent = b"".join(r.body() for chair in (tester, treating) for url, r in chair.seen if "/api/" in url)
    assert len(sent) > 3000
    for secret in (row["allocation_slip"], "bicarbonate", "mix_mode", "preparation", "sodium"):
        assert secret.encode() not in sent, secret
    protocol = read_protocol(block)
    assert read_records(server.store, protocol).problems == ()
    checked = run_command("onsetstudy", "check", block, server.store)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    assert "Arms as allocated, from opening logs of 1 slips." in checked.stdout


def test_the_pages_of_mixer_and_treating_are_readable_and_axe_is_content(block, serve, context):
    server = serve(block, "--practice", "P01")

    def device(address):
        return Chair(context().new_page(), address)

    treating, mixer = (device(server.addresses[role]) for role in ("treating", "mixer"))
    mixer.expect("Who prepares?")
    look_at(mixer.page)
    mixer.page.locator("#mixer").fill("P01-M")
    mixer.button("Next").click()
    mixer.expect("Nothing waits")
    look_at(mixer.page)
    case = treating.open_case(tooth="46", operator="P01-A")
    for _ in range(2):
        treating.answer("felt")
    mixer.page.get_by_role("button", name=case).wait_for()
    look_at(mixer.page)
    mixer.page.get_by_role("button", name=case).click()
    look_at(mixer.page)
    mixer.button("Open the next slip").click()
    mixer.page.wait_for_selector("ol")
    look_at(mixer.page)
    mixer.button("Prepared").click()
    treating.inject()
    treating.button("How much did the injection hurt?").click()
    look_at(treating.page)
    treating.button("Back").click()
    treating.button("Treatment starts").click()
    look_at(treating.page)
    treating.button("More").click()
    treating.button("Pause, unblinding").click()
    treating.button("Emergency unblinding").click()
    look_at(treating.page)
    stranger = device(re.sub("/enter.*", "/", server.addresses["mixer"]))
    stranger.expect("Open the address")
    look_at(stranger.page)


def test_what_was_prepared_is_corrected_with_its_reason_and_what_was_typed_stands(block, serve, context):
    server = serve(block, "--practice", "P01")
    tester, treating, mixer = three_devices(server, context)
    case = tester.open_case(tooth="46", operator="P01-A")
    for _ in range(2):
        tester.answer("felt")
    mixer.page.locator("#mixer").fill("P01-M")
    mixer.button("Next").click()
    mixer.page.get_by_role("button", name=case).click()
    mixer.button("Open the next slip").click()
    mixer.page.wait_for_selector("ol")
    label = mixer.heading.split(": ")[1]
    mixer.button("Prepared").click()
    mixer.expect("Nothing waits")
    treating.expect("Prepared.")
    treating.inject()
    mixer.button("Correct what was prepared").click()
    mixer.page.get_by_role("button", name=case).click()
    other = "not buffered" if label == "buffered" else "buffered"
    mixer.page.locator(".choices button", has_text=re.compile(rf"^\d?{other}$")).click()
    mixer.page.locator("#volume").fill("1.6")
    look_at(mixer.page, SIZES[:1])
    mixer.button("Correct", exact=True).click()
    mixer.page.get_by_role("alert").filter(has_text="say why").wait_for()
    assert mixer.page.locator("#volume").input_value() == "1.6"
    mixer.page.locator("#reason").fill("the syringes were mixed up")
    mixer.button("Correct", exact=True).click()
    mixer.expect("Nothing waits")
    assert "Corrected." in mixer.page.inner_text("main")
    row = read_store(server.store).cases.frame.iloc[0]
    assert (row["arm"] == "buffered", row["volume_ml"]) == (other == "buffered", "1.6")
    assert "the syringes were mixed up" in row["notes"]
    assert mixer.errors == []


def test_an_unlocked_randomised_protocol_does_not_start_and_a_changed_one_neither(tmp_path):
    path = quick_block(tmp_path)

    def start():
        where = ("--store", tmp_path / "p.sqlite", "--practice", "P01", "--no-browser")
        return run_command("onsetstudy", "chairside", path, *where)

    assert "not locked" in start().stderr
    lock_protocol_file(path, day=dt.date(2026, 9, 1))
    path.write_text(path.read_text().replace("seed = 20251001", "seed = 5"))
    refused = start()
    assert refused.returncode == 1
    assert "changed since it was locked" in refused.stderr
    assert not (tmp_path / "p.sqlite").exists()


def test_practice_is_kept_in_a_store_of_its_own_and_needs_no_lock(tmp_path, serve, context):
    server = serve(quick_block(tmp_path), "--practice", "P01", "--practise")
    page = context().new_page()
    Chair(page, server.addresses["tester"]).button("More").click()
    assert "invented patients" in page.inner_text("main")
    assert not server.store.exists()
    assert (tmp_path / "practice.practise.sqlite").exists()


def test_export_backup_and_restore_at_the_command_line(tmp_path, serve):
    server = serve(quick_block(tmp_path), "--practice", "P01", "--practise")
    store = tmp_path / "practice.practise.sqlite"

    def run(*more, of=store):
        return run_command("onsetstudy", "chairside", server.protocol, "--store", of, *more)

    done = run("--backup", tmp_path / "copy.sqlite")
    assert done.returncode == 0, done.stderr
    server.kill()
    done = run("--restore", tmp_path / "copy.sqlite", of=tmp_path / "again.sqlite")
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "again.preparations.sqlite").exists()
    assert run("--restore", tmp_path / "copy.sqlite", of=tmp_path / "again.sqlite").returncode == 1
    assert run("--export", tmp_path / "open", of=tmp_path / "again.sqlite").returncode == 0
    assert json.dumps(sorted(p.name for p in (tmp_path / "open").iterdir())) == json.dumps(
        ["adverse_events.csv", "cases.csv", "clock_drift.csv", "cold_tests.csv", "screening.csv"]
    )


def test_harm_is_entered_at_any_moment_a_case_unblinded_the_study_paused_and_the_call_made(block, serve, context):
    server = serve(block, "--practice", "P01")
    tester, treating, mixer = three_devices(server, context)
    case = tester.open_case(tooth="46", operator="P01-A")
    tester.button("Something happened").click()
    tester.page.locator(".choices button", has_text="palpitations").click()
    tester.page.locator(".choices button", has_text=re.compile("^.?No$")).click()
    for response in ("felt", "felt"):
        tester.answer(response)
    mixer.page.locator("#mixer").fill("P01-M")
    mixer.button("Next").click()
    mixer.page.get_by_role("button", name=case).click()
    mixer.button("Open the next slip").click()
    mixer.page.wait_for_selector("ol")
    label = mixer.heading.split(": ")[1]
    mixer.button("Prepared").click()
    mixer.expect("Nothing waits")
    treating.expect("Prepared.")
    treating.button("More").click()
    treating.button("Pause, unblinding").click()
    treating.button("Emergency unblinding").click()
    treating.button("Care depends on it").click()
    treating.expect(f"{case}: {label}")
    treating.button("Back").click()
    treating.button("More").click()
    treating.button("Pause, unblinding").click()
    treating.button("Pause: no new cases").click()
    treating.button("A serious event").click()
    tester.page.wait_for_selector("#trouble >> text=The study is paused")
    tester.button("More").click()
    assert tester.button("Pause, unblinding").count() == 0
    treating.button("More").click()
    treating.button("Overview").click()
    treating.page.wait_for_selector("table")
    assert case in treating.page.inner_text("tr:has-text('Follow-up call due')")
    treating.button(f"Call made: {case}").click()
    treating.wait_until_written()
    treating.page.wait_for_function("() => document.querySelector('table')?.innerText.includes('due\\tnone')")
    with EventStore(server.store) as store:
        kinds = [e.kind for e in store.events() if e.kind != "anchor"]
    for kind in ("adverse_event", "unblinded", "paused", "followed_up"):
        assert kinds.count(kind) == 1
    assert tester.errors + treating.errors + mixer.errors == []


def test_in_a_paired_design_the_slip_is_the_patients_and_the_arm_the_periods(monkeypatch, tmp_path):
    protocol = read_protocol("protocols/mandibular_block_group.toml")
    crossover = dataclasses.replace(protocol, study=dataclasses.replace(protocol.study, design="crossover"))
    asked = []

    def opening(sealed, **told):
        asked.append(told)
        return Opened(slip="P01-1", stratum="", arms=("plain", "buffered"), sides=(), again=False, asked="")

    monkeypatch.setattr(slips, "open_next", opening)
    opened = {"patient_id": "P01-PATIENT", "technique": "ianb", "period": "2"}
    told = slips.open_slip_for(
        tmp_path / "sealed.json", crossover, "P01-CASE", opened, by="P01-M", now=dt.datetime(2026, 4, 3)
    )
    assert (told.arm, asked[0]["case_id"], asked[0]["levels"]) == ("buffered", "P01-PATIENT", {"technique": "ianb"})
    with pytest.raises(DesignError, match="2 injections"):
        slips.open_slip_for(
            tmp_path / "s.json", crossover, "C", {**opened, "period": "3"}, by="M", now=dt.datetime(2026, 4, 3)
        )
    slips.open_slip_for(tmp_path / "s.json", protocol, "P01-CASE", opened, by="M", now=dt.datetime(2026, 4, 3))
    assert asked[-1]["case_id"] == "P01-CASE"


def test_a_slip_of_an_earlier_log_says_at_the_chair_what_it_said():
    """Logs once kept no arms; those by minimisation are drawn again from all lines before."""
    earlier = Path("tests/fixtures/formats/v1")
    protocol = read_protocol(earlier / "protocols" / "minimisation.toml")
    sealed = earlier / "minimisation" / "sealed-P01.json"
    told = [slips.opened_slip(sealed, protocol, f"P01-{k:04d}", {}) for k in range(1, 5)]
    assert [slip.arm for slip in told] == ["buffered", "buffered", "plain", "plain"]
