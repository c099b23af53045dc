"""Slips that a passphrase opens."""

import datetime as dt
import json

import pandas as pd
import pytest

from onsetstudy.core.errors import DesignError
from onsetstudy.design.allocation.lists import draw_allocation_list
from onsetstudy.files.ledger.ledger_check import hold_against
from onsetstudy.files.sealed.allocation_list import write_enveloped
from onsetstudy.files.sealed.envelopes import (
    KDF,
    MOST_N,
    commitment_of,
    open_envelope,
    passphrase_of,
    plain_passphrase,
    seal_envelope,
)
from onsetstudy.files.sealed.opening import open_next, recover_arms
from onsetstudy.files.sealed.opening_log import log_path, read_nonces, read_opening_log, sealed_path
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.records.derived.allocation import LOG_COLUMNS
from onsetstudy.report.sections.before.printed import _inside, _preparations

SECRET = bytes(range(32))
SHORT = {"slip": "P01-1-001", "arms": ["plain"], "sides": []}
LONG = {"slip": "P01-1-002", "arms": ["buffered", "plain"], "sides": ["left", "right"]}
PLACE = "study\nP01\nP01 | ianb"


def sealed(content=SHORT, place=PLACE):
    return seal_envelope(content, secret=SECRET, bound_to=place)


def test_the_passphrase_of_its_envelope_opens_it_however_it_is_typed():
    word = passphrase_of(SECRET, "P01-1-001")
    for typed in (word, word.lower(), word.replace("-", " "), f" {word} "):
        inside = open_envelope(sealed(), typed, kdf=KDF, bound_to=PLACE)
        assert {name: inside[name] for name in SHORT} == SHORT
    assert commitment_of(inside) == sealed()["commitment"]
    assert len(plain_passphrase(word)) == 16


@pytest.mark.parametrize(
    ("word", "place"),
    [
        ("", PLACE),
        ("AAAA-AAAA-AAAA-AAAA", PLACE),
        (passphrase_of(SECRET, "P01-1-002"), PLACE),
        (passphrase_of(bytes(32), "P01-1-001"), PLACE),
        (passphrase_of(SECRET, "P01-1-001"), "study\nP01\nP01 | psa"),
        (passphrase_of(SECRET, "P01-1-001"), "another\nP01\nP01 | ianb"),
    ],
)
def test_nothing_else_does_and_nowhere_else(word, place):
    with pytest.raises(DesignError, match="does not open slip P01-1-001"):
        open_envelope(sealed(), word, kdf=KDF, bound_to=place)


@pytest.mark.parametrize("field", ["slip", "salt", "sealed", "commitment"])
def test_a_slip_that_was_changed_is_refused(field):
    slip = sealed()
    last = slip[field][-1]
    changed = {**slip, field: slip[field][:-1] + ("1" if last != "1" else "2")}
    with pytest.raises(DesignError):
        open_envelope(changed, passphrase_of(SECRET, "P01-1-001"), kdf=KDF, bound_to=PLACE)


@pytest.mark.parametrize(
    "change", [{"n": 2**30}, {"n": MOST_N + 1}, {"n": "4096"}, {"r": 2**20}, {"name": "x"}, {"n": True}]
)
def test_a_file_does_not_make_the_reader_work_for_ever(change):
    with pytest.raises(DesignError, match="asks for a key that this version does not make"):
        open_envelope(sealed(), "x", kdf={**KDF, **change}, bound_to=PLACE)


@pytest.mark.parametrize("name", ["sealed-P01.json", "slips.json", "sealed-reopened.json"])
def test_a_sealed_file_opens_slip_by_slip_whatever_it_is_called(tmp_path, name):
    promised = read_protocol("protocols/mandibular_block_group.toml")
    write_enveloped(draw_allocation_list(promised, slips_per_stratum=2, seed=5), tmp_path, seed=5, secret=SECRET)
    file = (tmp_path / "sealed-P01.json").rename(tmp_path / name)
    for k in (1, 2):
        case = {
            "case_id": f"P01-000{k}",
            "levels": {"technique": "ianb"},
            "opened_by": "N",
            "now": dt.datetime(2026, 4, 2),
        }
        open_next(file, passphrase=lambda slip: passphrase_of(SECRET, slip), **case)
    log = log_path(file)
    assert read_nonces(log).keys() == set(read_opening_log(log)[0]["slip"]) == {"P01-1-001", "P01-1-002"}
    assert sealed_path(log) == file


def test_a_log_that_lost_what_slips_with_passphrases_said_stays_without_arms(tmp_path):
    promised = read_protocol("protocols/mandibular_block_group.toml")
    write_enveloped(draw_allocation_list(promised, slips_per_stratum=1, seed=5), tmp_path, seed=5, secret=SECRET)
    line = dict.fromkeys(LOG_COLUMNS[:-1], "") | {"slip": "P01-1-001", "stratum": "P01 | ianb", "case_id": "P01-0001"}
    log = pd.DataFrame([{**line, "chain": "0" * 64}])
    assert recover_arms(log, tmp_path / "sealed-P01.json")["arms"].tolist() == [""]


def test_a_slip_that_says_what_was_not_published_is_seen_in_a_folder_of_the_folder_too(tmp_path):
    promised = read_protocol("protocols/mandibular_block_group.toml")
    folder = tmp_path / "allocation"
    write_enveloped(draw_allocation_list(promised, slips_per_stratum=1, seed=5), folder, seed=5, secret=SECRET)
    given = {"levels": {"technique": "ianb"}, "opened_by": "N", "now": dt.datetime(2026, 4, 2)}
    case = {"case_id": "P01-0001", "passphrase": lambda slip: passphrase_of(SECRET, slip)}
    open_next(folder / "sealed-P01.json", **case, **given)
    published = json.loads((folder / "commitments.json").read_text(encoding="utf-8"))
    published["slips"]["P01-1-001"] = "0" * 64
    (folder / "commitments.json").write_text(json.dumps(published), encoding="utf-8")
    for place in (folder, tmp_path):
        held = hold_against(tmp_path / "mine.ledger.jsonl", (), others=[place])
        assert any("slip P01-1-001 does not say what was published" in fault for fault in held.faults)


def test_length_and_look_tell_no_arm():
    one, two = sealed(), sealed(LONG)
    assert len(one["sealed"]) == len(two["sealed"])
    assert "plain" not in json.dumps(one)
    assert len({passphrase_of(SECRET, f"s{k}") for k in range(500)}) == 500


def test_printed_arms_have_one_length_and_every_slip_the_same_instruction():
    promised = read_protocol("protocols/mandibular_block_group.toml")
    drawn = draw_allocation_list(promised, slips_per_stratum=4, seed=1)
    width = max(len(promised.label(arm)) for arm in promised.arm_codes)
    shown = {told for slip in drawn.slips for _, told in _inside(promised, slip, width)}
    assert len(shown) == 2
    assert len({len(told) for told in shown}) == 1
    assert [line.partition(":")[0] for line in _preparations(promised)] == [
        promised.label(a.code) for a in promised.arms
    ]
