"""Locks, sealed files and logs that somebody edited: refused in words, or the same as before; never a traceback."""

from __future__ import annotations

import copy
import datetime as dt
import json
import random
import shutil
from pathlib import Path

import pytest

from onsetstudy.cli.ledger_entries import enter_lock
from onsetstudy.core.errors import DesignError, OnsetStudyError, ProtocolError, RecordsError
from onsetstudy.design.allocation.lists import draw_allocation_list
from onsetstudy.design.allocation.seal import open_slip
from onsetstudy.files.ledger.ledger import ledger_path, read_ledger
from onsetstudy.files.ledger.ledger_check import hold_against
from onsetstudy.files.ledger.lock import lock_path, lock_protocol_file, read_lock
from onsetstudy.files.sealed.allocation_list import write_allocation, write_enveloped
from onsetstudy.files.sealed.envelopes import open_envelope, passphrase_of
from onsetstudy.files.sealed.kept_allocation import folder_faults
from onsetstudy.files.sealed.opening import open_next
from onsetstudy.files.sealed.opening_log import log_path, read_opening_log, read_sealed
from onsetstudy.files.sources.protocol_toml import read_protocol
from tests.few_slips import TECHNIQUES, short_list

TURNS = 250
STRANGE = (
    None, True, -1, 0, 1.5, 10**18, 1e308, "", "x" * 300, "Ms Ann Example", "../../etc", [], {}, [[]], {"": None},
    [1] * 50, "\x00", "0" * 64,
)  # fmt: skip
TEXTS = (
    "NaN",
    "Infinity",
    "1e999",
    "9" * 400,
    "[" * 5000,
    '{"a":1,"a":2}',
    "[" * 60 + "]" * 60,
    "\\ud800",
    '"\\ud800"',
)


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """A protocol locked twice with its ledger, and a drawn list of each kind of which three slips are opened."""
    folder = tmp_path_factory.mktemp("study")
    mine = short_list(folder / "mine.toml", practices=("P01",), techniques=TECHNIQUES)
    lock_protocol_file(mine, day=dt.date(2026, 1, 1))
    mine.write_text(mine.read_text(encoding="utf-8").replace("seed = 20251001", "seed = 7"), encoding="utf-8")
    lock, _ = lock_protocol_file(mine, day=dt.date(2026, 2, 1), reason="another seed")
    enter_lock(mine, lock)
    drawn = draw_allocation_list(read_protocol(mine), slips_per_stratum=6, seed=5)
    write_allocation(drawn, folder / "chain", seed=5)
    write_enveloped(drawn, folder / "envelopes", seed=5, secret=b"s" * 32)
    words = (folder / "envelopes" / "passphrases.csv").read_text(encoding="utf-8")
    phrases = dict(line.split(",") for line in words.splitlines()[1:])
    for kind in ("chain", "envelopes"):
        for case in range(3):
            open_next(
                folder / kind / "sealed-P01.json",
                case_id=f"P01-000{case + 1}",
                levels={"technique": "ianb"},
                opened_by="N",
                now=dt.datetime(2026, 3, 1 + case, 9),
                passphrase=phrases.__getitem__,
            )
    return folder


def places(value, at=()):
    """Every place of a JSON content."""
    yield at
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in inner:
        yield from places(item, (*at, key))


def edited(raw, chance):
    """The bytes of a file after one edit of some kind."""
    kind = chance.randrange(5)
    if kind == 0:
        return raw[: chance.randrange(len(raw))]
    if kind == 1:
        at = chance.randrange(len(raw))
        return raw[:at] + bytes([chance.randrange(256)]) + raw[at + 1 :]
    if kind == 2:
        at = chance.randrange(len(raw))
        return raw[:at] + chance.choice(TEXTS).encode() + raw[at + chance.randrange(3) :]
    try:
        body = json.loads(raw)
    except ValueError:
        lines = raw.splitlines(keepends=True)
        chance.shuffle(lines)
        return b"".join(lines[: chance.randrange(len(lines) + 1)])
    place = chance.choice([p for p in places(body) if p])
    here = body
    for key in place[:-1]:
        here = here[key]
    if kind == 3:
        here[place[-1]] = chance.choice(STRANGE)
    elif isinstance(here, list):
        here.insert(place[-1], here[place[-1]]) if chance.random() < 0.5 else here.pop(place[-1])
    elif chance.random() < 0.5:
        del here[place[-1]]
    else:
        here["Ms Ann Example"] = here[place[-1]]
    return json.dumps(body, ensure_ascii=False).encode("utf-8", errors="surrogatepass")


def turns(path, seed):
    """Edited states of a file one after the other; in the end the file is as it was."""
    raw, chance = path.read_bytes(), random.Random(seed)
    try:
        for turn in range(TURNS):
            path.write_bytes(edited(raw, chance))
            yield turn
    finally:
        path.write_bytes(raw)


def test_an_edited_lock_is_refused_or_the_ledger_disagrees(study):
    mine = study / "mine.toml"
    was, entries = read_lock(mine), read_ledger(ledger_path(mine))
    assert not hold_against(ledger_path(mine), entries).faults
    told_of: list[str] = []
    for turn in turns(lock_path(mine), 1):
        try:
            found = read_lock(mine)
        except ProtocolError as error:
            told_of.append(str(error))
            continue
        if found != was:
            # Keys that changed are told beside the digests of both versions, which hold them.
            told = [(v.number, v.day, v.digest, v.reason) for v in found.versions]
            known = [(v.number, v.day, v.digest, v.reason) for v in was.versions]
            assert told == known or hold_against(ledger_path(mine), entries).faults, turn
    assert len(told_of) > TURNS / 2
    assert all(text.startswith("mine.lock.json: ") and "Ann" not in text for text in told_of)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda v: v[0].update(day="2026-03-01"), "lies before the one before it"),
        (lambda v: v[0].update(day="yesterday"), "has no day"),
        (lambda v: v.pop(0), "was taken out or put in"),
        (lambda v: v[1].update(reason=" "), "has no reason"),
        (lambda v: v[0].update(digest="0" * 63), "no SHA-256"),
        (lambda v: v[0].update(number="1"), "a text instead of a whole number"),
    ],
)
def test_versions_that_cannot_follow_one_another(study, change, words):
    path = lock_path(study / "mine.toml")
    raw = path.read_bytes()
    body = json.loads(raw)
    change(body["lock"]["versions"])
    path.write_text(json.dumps(body), encoding="utf-8")
    try:
        with pytest.raises(ProtocolError, match=words):
            read_lock(study / "mine.toml")
    finally:
        path.write_bytes(raw)


def test_another_reason_in_the_lock_is_seen_by_the_ledger(study):
    path, ledger = lock_path(study / "mine.toml"), ledger_path(study / "mine.toml")
    raw = path.read_bytes()
    path.write_bytes(raw.replace(b"another seed", b"the patients"))
    try:
        faults = hold_against(ledger, read_ledger(ledger)).faults
    finally:
        path.write_bytes(raw)
    assert faults == ("Version 2 of the lock has another day or reason than the ledger: it was changed.",)


def arms_of(content):
    return {
        name: [open_slip(place["slips"], k, first_key=place["key"])["arms"] for k in range(1, len(place["slips"]) + 1)]
        for name, place in content["strata"].items()
    }


def test_an_edited_sealed_file_is_refused_or_gives_the_arms_that_were_drawn(study):
    path = study / "chain" / "sealed-P01.json"
    was = arms_of(read_sealed(path))
    told_of: list[str] = []
    for turn in turns(path, 2):
        try:
            found = arms_of(read_sealed(path))
        except DesignError as error:
            told_of.append(str(error))
            continue
        for name, arms in found.items():
            # What was cut off at the end is asked for as a longer list; what is there is as it was drawn.
            assert name not in was or arms == was[name][: len(arms)], turn
    assert len(told_of) > TURNS / 2
    assert not any("Ann" in text for text in told_of)


def test_a_sealed_file_with_passphrases(study):
    path = study / "envelopes" / "sealed-P01.json"
    was, refused = read_sealed(path), 0
    fourth = was["strata"]["P01 | ianb"]["slips"][3]
    phrase = passphrase_of(b"s" * 32, fourth["slip"])
    drawn = open_envelope(fourth, phrase, kdf=was["kdf"], bound_to=f"{was['study']}\nP01\nP01 | ianb")
    for _ in turns(path, 3):
        try:
            found = read_sealed(path)
        except DesignError:
            refused += 1
            continue
        slips = found["strata"].get("P01 | ianb", {}).get("slips", [])
        if len(slips) < 4:
            continue
        bound = f"{found['study']}\n{found['practice']}\nP01 | ianb"
        try:
            opened = open_envelope(slips[3], phrase, kdf=found["kdf"], bound_to=bound)
        except DesignError:
            continue
        assert opened == drawn
    assert refused > TURNS / 2


@pytest.mark.parametrize("kind", ["chain", "envelopes"])
@pytest.mark.parametrize("which", [0, 1, 4])
def test_no_slip_can_be_taken_out_of_the_middle_or_given_another_number(study, tmp_path, kind, which):
    path = Path(shutil.copy(study / kind / "sealed-P01.json", tmp_path))
    body = json.loads(path.read_bytes())
    slips = body["strata"]["P01 | ianb"]["slips"]
    taken = slips.pop(which)
    path.write_text(json.dumps(body), encoding="utf-8")
    with pytest.raises(DesignError, match="does not follow the one before"):
        read_sealed(path)
    slips.insert(which, {**taken, "slip": taken["slip"] + "9"})
    path.write_text(json.dumps(body), encoding="utf-8")
    with pytest.raises(DesignError, match="does not follow the one before"):
        read_sealed(path)


def test_a_slip_under_the_number_of_another_does_not_open(study):
    place = copy.deepcopy(read_sealed(study / "chain" / "sealed-P01.json")["strata"]["P01 | ianb"])
    place["slips"][0]["slip"] = "P01-9-001"
    with pytest.raises(DesignError, match="another number inside"):
        open_slip(place["slips"], 1, first_key=place["key"])


def test_all_faults_of_a_sealed_file_are_told_at_once(study, tmp_path):
    body = json.loads((study / "chain" / "sealed-P01.json").read_bytes())
    body |= {"study": 3, "protocol": "short", "practice": "../P01", "Ann Example": 1}
    path = tmp_path / "sealed-P01.json"
    path.write_text(json.dumps(body), encoding="utf-8")
    with pytest.raises(DesignError) as told:
        read_sealed(path)
    assert len(told.value.problems) == 4
    assert "Ann" not in str(told.value)


@pytest.mark.parametrize("kind", ["chain", "envelopes"])
def test_an_edited_log_is_refused_or_its_chain_breaks(study, kind):
    path = log_path(study / kind / "sealed-P01.json")
    was, broken = read_opening_log(path)
    assert not broken
    for turn in turns(path, 4):
        try:
            found, broken = read_opening_log(path)
        except RecordsError:
            continue
        # A log cut at a line holds by itself: the ledger beside it knows of the openings that are missing.
        cut = len(found) < len(was) and found.equals(was.head(len(found)))
        assert broken or found.equals(was) or cut, turn


@pytest.mark.parametrize("name", ["commitments.json", "nonces-P01.csv"])
def test_edited_commitments_and_nonces(study, name):
    folder = study / "envelopes"
    assert not folder_faults(folder)
    opened = read_opening_log(folder / "opened-P01.csv")[0]["slip"].tolist()
    raw = (folder / name).read_text(encoding="utf-8")
    held = [line.strip().rstrip(",") for line in raw.splitlines() if any(slip in line for slip in opened)]
    assert len(held) == 3
    for turn in turns(folder / name, 5):
        try:
            faults = folder_faults(folder)
        except OnsetStudyError:
            continue
        # Commitments of slips that nobody has opened cannot be missed yet; the ledger holds the digest of the file.
        now = (folder / name).read_text(encoding="utf-8", errors="replace")
        assert faults or all(line in now for line in held), turn
