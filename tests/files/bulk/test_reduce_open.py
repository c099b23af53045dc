"""Open tables are counted into files as a report reads them."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import RecordsError
from onsetstudy.files.bulk.parts import find_parts, split_tables
from onsetstudy.files.bulk.reduce import Terms, reduce_parts
from onsetstudy.files.exchange import find_exchanges, read_exchange
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.study.counts.aggregate_counts import tally_records
from tests.files.sources.test_open_tables import PROTOCOL, ROOT, TODAY, split, write
from tests.files.sources.test_wide_sheet import lines_of, save

BESIDE = ("injections", "adverse_events")


@pytest.fixture(scope="module")
def tables():
    found = split(None)
    # A second event of a case that has one: the row of a case has no room for it.
    first = next(row for row in found["adverse_events"] if row["kind"] != "none")
    found["adverse_events"].append(first | {"number": "2", "kind": "trismus"})
    return found


def whole(path):
    records = read_records(path, PROTOCOL, today=TODAY)
    return tally_records(PROTOCOL, records, through=PROTOCOL.quarters[-1])


def reduced(folder, work):
    return reduce_parts(folder, Terms(protocol=PROTOCOL, work=work, through=PROTOCOL.quarters[-1], today=TODAY))


def equal(ours, theirs):
    for field in dataclasses.fields(theirs):
        if field.name != "arms":
            pd.testing.assert_frame_equal(getattr(ours, field.name), getattr(theirs, field.name), check_dtype=False)


@pytest.mark.parametrize("parts", [1, 4])
def test_open_tables_split_in_any_way_give_the_counts_of_the_whole(tmp_path, tables, parts):
    folder = write(tmp_path / "open", tables)
    beside = {name: folder / f"{name}.csv" for name in BESIDE}
    made = split_tables(folder / "cases.csv", folder / "cold_tests.csv", tmp_path / "p", beside=beside, parts=parts)
    equal(reduced(made, tmp_path / "work").tally, whole(folder))


def test_a_changed_open_table_is_counted_again(tmp_path, tables):
    folder = write(tmp_path / "open", tables)
    beside = {name: folder / f"{name}.csv" for name in BESIDE}
    made = split_tables(folder / "cases.csv", folder / "cold_tests.csv", tmp_path / "p", beside=beside, parts=2)
    reduced(made, tmp_path / "work")
    path = next(p for p in sorted((made / "adverse_events").glob("*.csv")) if "trismus" in p.read_text("utf-8"))
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("trismus", "palpitations", 1), encoding="utf-8")
    assert reduced(made, tmp_path / "work").kept == 1


def test_contradictions_of_open_tables_are_refused_as_in_a_report(tmp_path, tables):
    wrong = dict(tables) | {"injections": [*tables["injections"], tables["injections"][0]]}
    folder = write(tmp_path / "open", wrong)
    beside = {name: folder / f"{name}.csv" for name in BESIDE}
    made = split_tables(folder / "cases.csv", folder / "cold_tests.csv", tmp_path / "p", beside=beside, parts=2)
    with pytest.raises(RecordsError, match="already"):
        reduced(made, tmp_path / "work")


def test_an_open_table_without_its_part_is_refused(tmp_path, tables):
    folder = write(tmp_path / "open", tables)
    made = split_tables(folder / "cases.csv", folder / "cold_tests.csv", tmp_path / "p", parts=1)
    (made / "injections").mkdir()
    (made / "injections" / "other.csv").write_text("case_id\n", encoding="utf-8")
    with pytest.raises(RecordsError, match=r"injections/other\.csv has no partner"):
        find_parts(made)


@pytest.mark.parametrize("kind", ["wide", "workbook"])
def test_records_in_one_file_are_sent_to_the_command_that_counts_them(tmp_path, kind):
    given = tmp_path / "given"
    if kind == "workbook":
        given.mkdir()
        pd.DataFrame({"case_id": []}).to_excel(given / "records.xlsx", sheet_name="cases")
    else:
        save(given.with_suffix(".csv"), lines_of("audit"))
        given = given.with_suffix(".csv")
    protocol = ROOT / "protocols" / "infiltration_audit.toml"
    done = CliRunner().invoke(onsetstudy, ["reduce", str(protocol), str(given), "--into", str(tmp_path / "out")])
    assert done.exit_code == 1
    with pytest.raises(RecordsError, match="a wide sheet or the recorder's store is counted with `onsetstudy send`"):
        raise done.exception
    assert not list((tmp_path / "out").glob("*.json"))


def test_the_command_takes_open_tables_as_a_report_does(tmp_path, tables):
    given = write(tmp_path / "open", tables)
    protocol = ROOT / "protocols" / "infiltration_audit.toml"
    done = CliRunner().invoke(onsetstudy, ["reduce", str(protocol), str(given), "--into", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    sent = [read_exchange(path) for path in find_exchanges([tmp_path / "out"])]
    assert len(sent) == 1
    assert sum(row[-1] for row in sent[0].cells.rows) == int(whole(given).cells["n"].sum())
