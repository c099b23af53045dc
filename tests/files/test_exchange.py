"""Exchange files: whole, unchanged, and the same for the same counts."""

import dataclasses
import json
from pathlib import Path

import pytest

from onsetstudy.core.errors import OnsetStudyError, RecordsError
from onsetstudy.files.documents.reports import write_group
from onsetstudy.files.exchange import (
    exchange_text,
    find_exchanges,
    read_exchange,
    read_exchanges,
    write_exchange,
)
from onsetstudy.files.sealed.kept_allocation import find_opening_logs, read_kept_logs
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.records.derived.allocation import resolve_arms
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.group.pool_files import gather
from tests.same_document import file_differences

ROOT = Path(__file__).parents[2]
SHIPPED = ROOT / "data" / "synthetic" / "exchange"
NAME = "mandibular-block-group-P01-2025Q4-2026Q3.exchange.json"
GROUP_PAGE = "mandibular-block-group-group-2026Q3"


@pytest.fixture(scope="module")
def protocol():
    return read_protocol(ROOT / "protocols" / "mandibular_block_group.toml")


@pytest.fixture(scope="module")
def results(protocol):
    """The shipped files analysed together; frozen, so that tests may share it."""
    return analyse_group(read_exchanges([SHIPPED]), protocol)


def test_shipped_files_are_those_of_the_shipped_records(protocol):
    folder = ROOT / "data" / "synthetic"
    logs = read_kept_logs(find_opening_logs([folder]))
    records, arms = resolve_arms(protocol, read_records([folder], protocol), logs)
    tally = tally_records(protocol, records, through=protocol.quarters[-1], arms=arms)
    for path in find_exchanges([SHIPPED]):
        shipped = read_exchange(path)
        again = make_exchange(tally, protocol, shipped.practice, records_digest=records.digest)
        assert again.cells == shipped.cells
        assert again.values == shipped.values
        for ours, theirs in zip(again.estimates, shipped.estimates, strict=True):
            assert ours.estimate == pytest.approx(theirs.estimate, rel=1e-9)


@pytest.mark.slow
def test_shipped_group_report_is_made_again(results, tmp_path):
    for path in write_group(results, tmp_path, pages=["P03"], formats=["html", "json"]):
        assert file_differences(path, ROOT / "reports" / path.name, leave_out=["iterations", "gap"]) == []


def test_writing_and_reading_changes_nothing(tmp_path):
    exchange = read_exchange(SHIPPED / NAME)
    path = write_exchange(exchange, tmp_path)
    assert path.name == NAME
    assert read_exchange(path) == exchange
    assert path.read_text(encoding="utf-8") == exchange_text(exchange)


def spoiled(tmp_path, change):
    text = (SHIPPED / NAME).read_text(encoding="utf-8")
    path = tmp_path / NAME
    path.write_text(change(text), encoding="utf-8")
    with pytest.raises(RecordsError) as error:
        read_exchange(path)
    return str(error.value)


def edited(**changes):
    def change(text):
        return json.dumps({**json.loads(text), **changes})

    return change


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda t: t[: len(t) // 2], "the file ends in the middle. Copy or send it again; do not correct it by hand."),
        (lambda t: t[:-3], "the file ends in the middle. Copy or send it again; do not correct it by hand."),
        (lambda t: t.replace('"content":', '"content"', 1), "line 5 cannot be read. Copy or send it again"),
        (lambda t: t.replace("buffered", "plain", 1), "it was changed after it was made. Ask the practice to send it"),
        (lambda t: "", "the file is empty. Copy or send it again."),
        (lambda t: "# A study\n\ncase_id,arm", "this is not an exchange file. Give a file that the command send has"),
        (lambda t: "[]", "this is not an exchange file. Give a file that the command send has written."),
        (edited(schema=99), "its content is of version 99, and version 2 is needed here. Make it anew"),
        (edited(schema=1), "its content is of version 1, and version 2 is needed here; it was made before unfinished"),
        (edited(schema=1), "Ask the practice to make it anew from its records with this version of onsetstudy."),
    ],
    ids=["half", "cut", "typo", "changed", "empty", "text", "other", "newer", "older", "mend"],
)
def test_what_is_spoiled_is_refused_with_what_to_do(tmp_path, change, told):
    assert told in spoiled(tmp_path, change)
    assert spoiled(tmp_path, change).startswith(NAME)


def test_what_a_mail_programme_does_to_a_text_changes_nothing(tmp_path):
    path = tmp_path / NAME
    path.write_bytes(b"\xef\xbb\xbf" + (SHIPPED / NAME).read_bytes().replace(b"\n", b"\r\n"))
    assert read_exchange(path) == read_exchange(SHIPPED / NAME)


def test_files_of_one_name_are_told_apart_by_their_folders(tmp_path):
    for place in ("one", "two"):
        (tmp_path / place).mkdir()
        (tmp_path / place / NAME).write_bytes((SHIPPED / NAME).read_bytes())
    (tmp_path / "two" / "other.exchange.json").write_bytes((SHIPPED / NAME.replace("P01", "P02")).read_bytes())
    names = [name for name, _ in read_exchanges([tmp_path / "one", tmp_path / "two"])]
    assert names == [str(tmp_path / "one" / NAME), str(tmp_path / "two" / NAME), "other.exchange.json"]


def cut_to(name, *quarters):
    """The shipped file as if it told of other quarters; only its head is looked at here."""
    exchange = read_exchange(SHIPPED / NAME)
    return name, dataclasses.replace(exchange, quarters=quarters or exchange.quarters)


def test_two_files_of_a_practice_are_told_by_which_is_newer(protocol):
    newer = cut_to("b.exchange.json")
    with pytest.raises(RecordsError) as error:
        gather([newer, cut_to("a.exchange.json", "2025Q4", "2026Q1")], protocol)
    assert str(error.value) == (
        "a.exchange.json: P01 is in two files: this one ends with 2026Q1 and holds 69 cases, b.exchange.json ends with "
        "2026Q3 and holds 69. Leave this one out: b.exchange.json is the newer and holds every quarter of it."
    )
    newer = cut_to("b.exchange.json", "2026Q1", "2026Q2")
    with pytest.raises(
        RecordsError,
        match=r"Ask the practice for one file of all its quarters: b\.exchange\.json is the newer, but has no 2025Q4",
    ):
        gather([newer, cut_to("a.exchange.json", "2025Q4", "2026Q1")], protocol)
    with pytest.raises(RecordsError, match="Keep one of them; ask the practice which was made last"):
        gather([newer, cut_to("a.exchange.json", "2026Q2")], protocol)
    other = NAME.replace("P01", "P02")
    gather([newer, cut_to("a.exchange.json", "2025Q4"), (other, read_exchange(SHIPPED / other))], protocol)


def test_bytes_that_are_no_text(tmp_path):
    path = tmp_path / "x.exchange.json"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RecordsError, match="the file is not text"):
        read_exchange(path)


def test_all_spoiled_files_are_told_at_once(tmp_path):
    for k in (1, 2):
        (tmp_path / f"{k}.exchange.json").write_text("{", encoding="utf-8")
    with pytest.raises(RecordsError) as error:
        read_exchanges([tmp_path])
    assert len(error.value.problems) == 2
    with pytest.raises(RecordsError, match="there is no such file"):
        read_exchanges([tmp_path / "none"])
    (tmp_path / "empty").mkdir()
    with pytest.raises(RecordsError, match="there is no exchange file in this folder"):
        read_exchanges([tmp_path / "empty"])


def test_a_page_for_somebody_who_sent_nothing(results, tmp_path):
    with pytest.raises(OnsetStudyError, match="P09 sent nothing; practices of this report: P01, P02"):
        write_group(results, tmp_path, pages=["P09"])
    with pytest.raises(OnsetStudyError, match="E is a letter; give the practice's code; practices of this report: P01"):
        write_group(results, tmp_path, pages=["E"])


def test_a_practices_page_names_nobody_else(results, tmp_path):
    (page,) = [p for p in write_group(results, tmp_path, pages=["P03"], formats=["html"]) if "P03" in p.name]
    text = page.read_text(encoding="utf-8")
    assert "Your practice" in text
    assert not any(code in text for code in ("P01", "P02", "P04", "P05"))
    (group,) = write_group(results, tmp_path, formats=["html"])
    assert "Your practice" not in group.read_text(encoding="utf-8")


def test_the_key_of_the_letters_is_for_its_owner_alone(results, tmp_path):
    assert modes(write_group(results, tmp_path)) == {"json": 0o600, "html": 0o644, "pdf": 0o644}


def modes(paths):
    return {path.suffix[1:]: path.stat().st_mode & 0o777 for path in paths}


@pytest.mark.usefixtures("answer_alone")
def test_the_page_of_a_practice_that_left_goes_to_the_archive_with_the_report_that_it_went_with(
    protocol, results, tmp_path
):
    def kept():
        return sorted(p.name.partition(".")[0] for p in tmp_path.rglob("archive/**/*") if p.is_file())

    write_group(results, tmp_path, pages=["P01", "P02"], formats=["html", "json"])
    # The same report leaves the pages that go with it.
    write_group(results, tmp_path, formats=["html", "json"])
    assert len(list(tmp_path.glob("*-P0[12].html"))) == 2
    left = analyse_group([(name, e) for name, e in read_exchanges([SHIPPED]) if e.practice != "P01"], protocol)
    write_group(left, tmp_path, pages=["P02"], formats=["html", "json"])
    assert [p.name for p in tmp_path.glob("*-P0[12].html")] == [f"{GROUP_PAGE}-P02.html"]
    assert kept() == [GROUP_PAGE, GROUP_PAGE, f"{GROUP_PAGE}-P01", f"{GROUP_PAGE}-P02"]
    told = (tmp_path / f"{GROUP_PAGE}.changes.txt").read_text(encoding="utf-8")
    assert f"Files taken away, because they were not made again: {GROUP_PAGE}-P01.html." in told
    assert modes(tmp_path.rglob("archive/**/*.json")) == {"json": 0o600}
    # A code that is gone beside a row that is gone would tell whose it was.
    assert modes(tmp_path.glob("*.changes.txt")) == {"txt": 0o600}
