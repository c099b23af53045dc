"""Files of practices whose protocol or version knows more than the group's: kept, named and pooled, or refused."""

import copy
import dataclasses
import json
import shutil

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import ProtocolError, RecordsError
from onsetstudy.files.exchange import exchange_text, read_exchange, read_exchanges, write_exchange
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.study.counts.disclosure import what_can_be_learned
from onsetstudy.study.group.pool_files import gather
from tests.files.test_edited_exchange import BODY, ROOT, SHIPPED, written

PROTOCOL = ROOT / "protocols" / "mandibular_block_group.toml"
LATER = "onsetstudy 9.1.0"
ADDED = {"room_temperature": {"low": 19.5, "high": [23, "not_recorded"]}, "made_by": "form-7b"}


def newer(**parts):
    return {**copy.deepcopy(BODY["content"]), "made_with": LATER, **parts}


def with_terms(*terms, **parts):
    content = copy.deepcopy(BODY["content"])
    return {**content, "terms": sorted([*content["terms"], *map(list, terms)]), **parts}


def pooled(exchange):
    return gather([("a", exchange)], read_protocol(PROTOCOL))


def test_what_a_newer_version_added_is_kept_named_and_left_out_of_the_counts(tmp_path):
    path = written(tmp_path, newer(**ADDED))
    found = read_exchange(path)
    assert {name: json.loads(text) for name, text in found.newer} == ADDED
    # Kept: written again, the file holds what it held.
    again = json.loads(exchange_text(found))
    assert again["content"] == newer(**ADDED)
    assert again["digest"] == json.loads(path.read_text(encoding="utf-8"))["digest"]
    # Named to who looks inside, and to who pools.
    assert any(
        "made_by and room_temperature" in told or "made_by, room_temperature" in told
        for told in what_can_be_learned(found)
    )
    both = pooled(found)
    assert [n for n in both.notes if LATER in n and "made_by, room_temperature" in n]
    # Pooled: the counts are those of the file without it.
    plain = pooled(read_exchange(SHIPPED))
    for table in ("cells", "values", "safety", "flow"):
        assert getattr(both, table).equals(getattr(plain, table))
    assert not any(LATER in note for note in plain.notes)


@pytest.mark.usefixtures("answer_alone")
def test_the_doors_of_the_group_read_it_and_say_so(tmp_path):
    files = tmp_path / "files"
    files.mkdir()
    shutil.copy(next(SHIPPED.parent.glob("*P02*")), files)
    written(files, newer(**ADDED))
    given = ["group", str(PROTOCOL), str(files), "--into", str(tmp_path / "out"), "--format", "json"]
    done = CliRunner().invoke(onsetstudy, given)
    assert done.exit_code == 0, (done.output, done.exception)
    assert "P01: a newer version, onsetstudy 9.1.0, made its file" in done.output
    seen = CliRunner().invoke(onsetstudy, ["look-inside", str(files / SHIPPED.name)])
    assert "cannot judge" in seen.output


@pytest.mark.parametrize(
    "parts",
    [
        {"patient": "Erika Example"},
        {"patient": {"Erika Example": 1}},
        {"remarks": ["late", "Erika, born 1980"]},
        {"call": "+49 30 1234567"},
        {"Erika Example": 1},
        {"erika@example.org": 1},
        {"a" * 41: 1},
        {"made_with": BODY["content"]["made_with"], "room_temperature": 1},
        {"made_with": "onsetstudy nine", "room_temperature": 1},
        {"made_with": "another 9.1", "room_temperature": 1},
        {"made_with": None, "room_temperature": 1},
        {"born": "1980-01-01"},
    ],
)
def test_a_part_with_free_text_or_of_no_newer_version_is_refused_and_not_told(tmp_path, parts):
    with pytest.raises(RecordsError, match=r"does not write|does not know") as refused:
        read_exchange(written(tmp_path, newer(**parts)))
    assert "rika" not in str(refused.value)
    assert "1234567" not in str(refused.value)


def test_a_known_part_under_a_name_mistyped_is_no_newer_one(tmp_path):
    content = newer()
    content["doubt"] = content.pop("doubts")
    with pytest.raises(RecordsError, match="does not know"):
        read_exchange(written(tmp_path, content))


@pytest.mark.parametrize(
    "term",
    [
        ("study.case_codes", '"{practice}-####"'),
        ("study.case_codes", '"S.@###"'),
        ("allocation.block_sizes_digest", f'"{"a" * 64}"'),
        ("allocation.envelopes", "3"),
    ],
)
def test_terms_that_do_not_touch_the_counts_are_named_and_pooled(tmp_path, term):
    content = with_terms(term, protocol_digest="f" * 64)
    found = read_exchange(written(tmp_path, content))
    assert term in found.terms
    both = pooled(found)
    assert [n for n in both.notes if "do not touch the counts" in n and term[0] in n]
    assert both.cells.equals(pooled(read_exchange(SHIPPED)).cells)


def test_a_group_that_declares_a_pattern_pools_files_from_before_and_of_practices_that_declare_none(tmp_path):
    mine = tmp_path / "mine.toml"
    text = PROTOCOL.read_text(encoding="utf-8")
    mine.write_text(text.replace("[study]\n", '[study]\ncase_codes = "{practice}-####"\n', 1), encoding="utf-8")
    read = read_exchanges([SHIPPED.parent])
    counted = gather(read, read_protocol(mine))
    assert counted.practices == ("P01", "P02", "P03", "P04", "P05")
    (told,) = [n for n in counted.notes if "do not touch the counts" in n]
    assert told.startswith("P01, P02, P03, P04, P05 keep protocols that differ ")


def test_a_term_that_may_change_what_is_counted_is_refused_with_its_name(tmp_path):
    found = read_exchange(written(tmp_path, with_terms(("onset.second_confirmation", "true"))))
    with pytest.raises(RecordsError, match=r"follows another protocol: onset\.second_confirmation is true there"):
        pooled(found)


@pytest.mark.parametrize(
    "term",
    [
        ("allocation.Erika Example", "1"),
        ("allocation.keeper", '"Erika Example"'),
        ("allocation.keeper", '["Erika Example"]'),
        ("allocation.keeper", '{"Erika Example": 1}'),
        ("study.case_codes", '"Erika Example"'),
        ("study.case_codes", "7"),
        ("allocation.call", '"030 12345678"'),
        ("onset.horizon_min", "15.0"),
    ],
)
def test_terms_hold_no_free_text_and_none_twice(tmp_path, term):
    with pytest.raises(RecordsError, match=r"term of the protocol") as refused:
        read_exchange(written(tmp_path, with_terms(term)))
    assert "rika" not in str(refused.value)
    assert "1234" not in str(refused.value)


def test_a_file_that_is_written_by_this_version_holds_what_it_held_before_there_were_newer_parts():
    assert exchange_text(read_exchange(SHIPPED)) == SHIPPED.read_text(encoding="utf-8")
    assert read_exchange(SHIPPED).newer == ()
    assert dataclasses.replace(read_exchange(SHIPPED), newer=()) == read_exchange(SHIPPED)


@pytest.mark.parametrize("code", ["../../evil", "/tmp/evil", "a\\b", "..", ".P01", "P01:x", "P01\n", "P" * 61])
def test_no_code_of_a_practice_becomes_a_path(tmp_path, code):
    mine = tmp_path / "mine.toml"
    text = PROTOCOL.read_text(encoding="utf-8")
    mine.write_text(text.replace('"P01"', json.dumps(code), 1), encoding="utf-8")
    drawn = CliRunner().invoke(onsetstudy, ["allocate", str(mine), "--into", str(tmp_path / "list"), "--slips", "1"])
    assert isinstance(drawn.exception, ProtocolError)
    assert "practices" in str(drawn.exception)
    # A protocol may admit any code, and records may hold this one: nor does a file go where it leads.
    with pytest.raises(RecordsError, match="code of the practice"):
        write_exchange(dataclasses.replace(read_exchange(SHIPPED), practice=code + "/"), tmp_path / "out")
    assert [p.name for p in tmp_path.rglob("*")] == ["mine.toml"]
