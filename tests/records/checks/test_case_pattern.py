"""Codes of cases by a declared pattern: one rule for records, slips and the chair, and no capitals in it."""

import dataclasses
import datetime as dt
import json
import shutil

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import DesignError, ProtocolError
from onsetstudy.design.allocation.lists import draw_allocation_list
from onsetstudy.files.sealed.allocation_list import write_allocation
from onsetstudy.files.sealed.opening import open_next
from onsetstudy.files.sealed.opening_log import log_path
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.keys import pattern_fault
from onsetstudy.records.chair.event import Event
from onsetstudy.records.chair.event_kinds import entry_faults
from onsetstudy.records.checks.check import check_records
from tests.study.cases import PROTOCOLS, case, protocol, raw, readings_of

GROUP = PROTOCOLS / "mandibular_block_group.toml"
NUMBERED = "{practice}-####"
MADE = "{practice}-******"


def declared(pattern):
    return protocol(study={"case_codes": pattern})


def checked(promised, *codes):
    rows = [case(k + 1, arm="plain", case_id=code) for k, code in enumerate(codes)]
    tests = [{**row, "case_id": code} for k, code in enumerate(codes) for row in readings_of(k + 1, "fnn")]
    return check_records(raw(rows, "c.csv"), raw(tests, "t.csv"), promised)


@pytest.mark.parametrize(
    ("pattern", "code", "fits"),
    [
        (NUMBERED, "P01-0001", True),
        (NUMBERED, " p01-0001 ", True),
        (NUMBERED, "P01-00012", False),
        (NUMBERED, "P01-000A", False),
        (NUMBERED, "P02-0001", False),
        (NUMBERED, "P01-\u0661\u0661\u0661\u0661", False),
        (MADE, "P01-k7q2mx", True),
        ("S.@###", "s.a123", True),
        ("S.@###", "sxa123", False),
        ("S.@###", "s.1123", False),
        ("", "whatever", True),
    ],
)
def test_a_code_fits_or_not(pattern, code, fits):
    assert (declared(pattern).study.code_fault(code, "P01") == "") is fits


def test_without_a_known_practice_any_of_the_protocol_will_do():
    study = declared(NUMBERED).study
    assert study.code_fault("P05-0001") == ""
    assert study.code_fault("P06-0001") != ""
    assert dataclasses.replace(study, practices=()).code_fault("P06-0001") == ""


@pytest.mark.parametrize("pattern", ["@@@@@@", "##", "(a+)+###", "{practice}{practice}###", "### ###", "#" * 61])
def test_a_pattern_that_is_none_or_lets_names_in(pattern, tmp_path):
    assert pattern_fault(pattern)
    mine = tmp_path / "mine.toml"
    mine.write_text(with_pattern(pattern), encoding="utf-8")
    with pytest.raises(ProtocolError, match=r"study\.case_codes"):
        read_protocol(mine)


def with_pattern(pattern):
    text = GROUP.read_text(encoding="utf-8")
    return text.replace("[study]\n", f'[study]\ncase_codes = "{pattern}"\n', 1)


def test_what_was_locked_before_there_were_patterns_keeps_its_digest_and_a_pattern_changes_it(tmp_path):
    mine = tmp_path / "mine.toml"
    for pattern, same in (("", True), (NUMBERED, False)):
        mine.write_text(with_pattern(pattern), encoding="utf-8")
        assert (read_protocol(mine).digest == read_protocol(GROUP).digest) is same


def test_records_are_held_to_it_and_the_code_is_not_reprinted():
    found = checked(declared(NUMBERED), "P01-0001", "p01-0002", "P01-anna")
    assert sorted(found.cases["case_id"]) == ["P01-0001", "p01-0002"]
    told = [p for p in found.problems if p.code == "pattern"]
    assert [p.where.column for p in told] == ["case_id"]
    assert not any("anna" in str(p) for p in told)
    assert len(checked(declared(""), "P01-0001", "P01-anna").cases) == 2


def test_capitals_do_not_count():
    # Readings of p01-0001 are of the case P01-0001; two cases of one code are none.
    tests = [{**row, "case_id": "p01-0001"} for row in readings_of(1, "fnn")]
    found = check_records(raw([case(1)], "c.csv"), raw(tests, "t.csv"), declared(""))
    assert set(found.readings["case_id"]) == {"P01-0001"}
    assert len(found.readings) == len(tests)
    both = checked(declared(""), "P01-0001", "p01-0001", "P01-0002")
    assert list(both.cases["case_id"]) == ["P01-0002"]
    assert [p.code for p in both.problems if p.where.column == "case_id"].count("duplicate") == 2


def test_a_slip_is_not_opened_for_a_code_that_does_not_fit(tmp_path):
    promised = declared(NUMBERED)
    write_allocation(draw_allocation_list(promised, slips_per_stratum=2, seed=5), tmp_path, seed=5)
    sealed = tmp_path / "sealed-P01.json"
    given = {"levels": {"technique": "ianb"}, "opened_by": "N", "now": dt.datetime(2026, 4, 2), "study": promised.study}
    with pytest.raises(DesignError, match="nothing was opened") as refused:
        open_next(sealed, case_id="P01-7", **given)
    assert "P01-7" not in str(refused.value)
    assert not log_path(sealed).exists()
    first = open_next(sealed, case_id="P01-0007", **given)
    again = open_next(sealed, case_id="p01-0007", **given)
    assert (again.slip, again.again) == (first.slip, True)


def test_at_the_chair_the_same_rule_holds(tmp_path):
    event = Event(
        id="e1", kind="case_opened", case_id="P01-K7Q2MX", clock="c1", at_monotonic=1.0,
        at_wall="2026-04-02T09:30:00+02:00", device="d1", payload={},
    )  # fmt: skip
    unfit = "does not fit the pattern"
    assert not any(unfit in fault for fault in entry_faults(event, declared(MADE)))
    assert any(unfit in fault for fault in entry_faults(event, declared(NUMBERED)))
    mine = tmp_path / "mine.toml"
    mine.write_text(with_pattern(NUMBERED), encoding="utf-8")
    run = CliRunner()
    assert run.invoke(onsetstudy, ["lock", str(mine)]).exit_code == 0
    given = ["chairside", str(mine), "--store", str(tmp_path / "s.db"), "--practice", "P01", "--no-browser"]
    refused = run.invoke(onsetstudy, given)
    assert isinstance(refused.exception, ProtocolError)
    assert "not all of them fit this pattern" in str(refused.exception)


@pytest.mark.parametrize("practice", ["P_01", "High Street", "P" * 40])
def test_the_recorder_does_not_begin_under_a_practice_whose_codes_it_could_not_read_again(tmp_path, practice):
    mine = tmp_path / "audit.toml"
    text = (PROTOCOLS / "infiltration_audit.toml").read_text(encoding="utf-8")
    mine.write_text(text.replace('"P06"', f'"{practice}"'), encoding="utf-8")
    given = ["chairside", str(mine), "--store", str(tmp_path / "s.db"), "--practice", practice, "--no-browser"]
    refused = CliRunner().invoke(onsetstudy, given)
    assert isinstance(refused.exception, ProtocolError), refused.exception
    assert "cannot make codes" in str(refused.exception)


@pytest.fixture(scope="module", params=["passphrases", "chain", "minimisation"])
def drawn(request, tmp_path_factory):
    """A protocol that declares the pattern of its codes, and a list of each kind under it, drawn once."""
    home = tmp_path_factory.mktemp("drawn")
    text = with_pattern(NUMBERED)
    if request.param == "minimisation":
        text = text.replace('method = "permuted_blocks"', 'method = "minimisation"')
        text = "\n".join(line for line in text.splitlines() if not line.startswith("block_sizes"))
    mine = home / "mine.toml"
    mine.write_text(text, encoding="utf-8")
    way = ["--way", "chain"] if request.param != "passphrases" else []
    run = CliRunner().invoke(onsetstudy, ["allocate", str(mine), "--into", str(home / "list"), "--slips", "3", *way])
    assert run.exit_code == 0, (run.output, run.exception)
    return home


@pytest.fixture
def keeper(drawn, tmp_path):
    """The folder with its sealed files, beside its protocol; each test may change this copy."""
    shutil.copytree(drawn, tmp_path, dirs_exist_ok=True)
    return tmp_path / "list"


def opened(folder, case_id, *more):
    words = folder / "passphrases.csv"
    held = dict(line.split(",") for line in words.read_text().splitlines()) if words.exists() else {}
    log = folder / "opened-P01.csv"
    used = len(log.read_text().splitlines()) - 1 if log.exists() else 0
    slips = [slip for slip in held if slip.startswith("P01-1-")]
    given = ["open-slip", str(folder / "sealed-P01.json"), "--case", case_id, "--level", "technique=ianb", *more]
    return CliRunner().invoke(onsetstudy, [*given, "--passphrase", held[slips[used]] if held else "none"])


@pytest.mark.parametrize("with_protocol", [True, False])
def test_a_mistyped_code_opens_nothing_whether_or_not_the_protocol_is_given(keeper, with_protocol):
    more = ["--protocol", str(keeper.parent / "mine.toml")] if with_protocol else []
    for wrong in (
        "P01-003",
        "P01-00003",
        "P01-O003",
        "P01_0003",
        "P0l-0003",
        "P01-0003\u200b",
        "\uff30\uff10\uff11-0003",
    ):
        refused = opened(keeper, wrong, *more)
        assert "does not fit the pattern" in str(refused.exception), (wrong, refused.output)
    assert not (keeper / "opened-P01.csv").exists()
    first = opened(keeper, "P01-0003", *more)
    assert first.exit_code == 0, first.exception
    again = opened(keeper, "p01-0003", *more)
    assert "Opened before for p01-0003" in again.output
    assert len((keeper / "opened-P01.csv").read_text().splitlines()) == 2


def test_a_file_from_before_opens_by_the_pattern_of_the_protocol_alone(keeper):
    for path in keeper.glob("sealed-*.json"):
        body = json.loads(path.read_text())
        del body["case_codes"]
        path.write_text(json.dumps(body))
    refused = opened(keeper, "P01-003", "--protocol", str(keeper.parent / "mine.toml"))
    assert "does not fit the pattern" in str(refused.exception)
    # Nobody declared a pattern to who opens without the protocol.
    assert opened(keeper, "P01-003").exit_code == 0


def test_a_protocol_of_another_study_opens_nothing(keeper, tmp_path):
    other = tmp_path / "other.toml"
    other.write_text(GROUP.read_text(encoding="utf-8").replace('id = "mandibular-block-group"', 'id = "another"', 1))
    assert "of another study" in str(opened(keeper, "P01-0003", "--protocol", str(other)).exception)


@pytest.mark.parametrize("pattern", ["(a+)+###", "", 7, "#" * 61, "@@@@"])
def test_a_pattern_that_is_none_is_refused_in_a_sealed_file_too(keeper, pattern):
    path = keeper / "sealed-P01.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), "case_codes": pattern}))
    refused = opened(keeper, "P01-0003")
    assert "case_codes: this cannot stand here" in str(refused.exception)


@pytest.mark.parametrize("way", ["passphrases", "chain"])
def test_a_list_that_goes_on_takes_the_pattern_of_the_protocol_and_keeps_newer_parts(tmp_path, way):
    mine = tmp_path / "mine.toml"
    mine.write_text(GROUP.read_text(encoding="utf-8"), encoding="utf-8")
    draw = ["allocate", str(mine), "--slips", "2", "--way", way, "--into"]
    assert CliRunner().invoke(onsetstudy, [*draw, str(tmp_path / "first")]).exit_code == 0
    for path in (tmp_path / "first").glob("sealed-*.json"):
        body = json.loads(path.read_text())
        assert "case_codes" not in body
        path.write_text(json.dumps({**body, "envelope_paper": {"colour": "grey"}}))
    assert opened(tmp_path / "first", "P01-0001").exit_code == 0
    mine.write_text(with_pattern(NUMBERED), encoding="utf-8")
    more = CliRunner().invoke(onsetstudy, [*draw, str(tmp_path / "second"), "--after", str(tmp_path / "first")])
    assert more.exit_code == 0, (more.output, more.exception)
    assert "does not know, kept as it is: envelope_paper." in more.output
    longer = json.loads((tmp_path / "second" / "sealed-P01.json").read_text())
    assert longer["case_codes"] == NUMBERED
    assert longer["envelope_paper"] == {"colour": "grey"}
    assert "does not fit the pattern" in str(opened(tmp_path / "second", "P01-3").exception)
    assert opened(tmp_path / "second", "P01-0003").exit_code == 0


@pytest.mark.parametrize("key", ["Erika Example", "erika@example.org", "case_code"])
def test_a_sealed_file_with_a_key_that_no_version_would_write_is_refused(keeper, key):
    path = keeper / "sealed-P01.json"
    body = json.loads(path.read_text())
    body.pop("case_codes")
    path.write_text(json.dumps({**body, key: NUMBERED}))
    refused = opened(keeper, "P01-0003")
    assert "a key that no file of this kind has" in str(refused.exception)
    assert "rika" not in str(refused.exception)


def test_without_a_pattern_no_code_that_only_looks_like_another_gets_a_slip(tmp_path):
    draw = ["allocate", str(GROUP), "--into", str(tmp_path / "list"), "--slips", "3"]
    assert CliRunner().invoke(onsetstudy, draw).exit_code == 0
    assert opened(tmp_path / "list", "P01-0003").exit_code == 0
    for other in ("P01-0003\u200b", "\u200eP01-0003", "P01-000\uff13", "\uff3001-0003", "P01-\t0003"):
        assert "signs that codes do not have" in str(opened(tmp_path / "list", other).exception)
    assert "Opened before" in opened(tmp_path / "list", "p01-0003").output
