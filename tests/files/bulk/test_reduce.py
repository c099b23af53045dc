"""Rows in parts: the same counts however they are split and by whom; interrupted, nothing is lost or doubled."""

import dataclasses
import datetime as dt
import os
import shutil
import signal
import time
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.cluster.mapper import DaskMapper, ProcessMapper
from onsetstudy.core.errors import RecordsError
from onsetstudy.core.parallel import serial
from onsetstudy.files.bulk import parts
from onsetstudy.files.bulk.parts import find_parts, split_tables
from onsetstudy.files.bulk.reduce import Terms, reduce_parts
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.records.derived.allocation import resolve_arms
from onsetstudy.records.derived.withdrawn import without_cases
from onsetstudy.study.counts.aggregate_counts import tally_records
from tests.clean_process import CLEAN, CommandProcess

ROOT = Path(__file__).parents[3]
DATA = ROOT / "data" / "synthetic"
PROTOCOL = ROOT / "protocols" / "mandibular_block_group.toml"


NO_LIST = "counted for a test"


@pytest.fixture(scope="module")
def protocol():
    return read_protocol(PROTOCOL)


@pytest.fixture(scope="module")
def whole(protocol):
    return counted(protocol, DATA)


def counted(protocol, folder):
    found, arms = resolve_arms(protocol, read_records([folder], protocol), None, without_list=NO_LIST)
    return tally_records(protocol, found, through=protocol.quarters[-1], arms=arms)


def parts_of(folder, number):
    return split_tables(DATA / "cases.csv", DATA / "cold_tests.csv", folder, parts=number)


def terms(protocol, work, **more):
    return Terms(protocol=protocol, work=work, through=protocol.quarters[-1], without_list=NO_LIST, **more)


def reduced(folder, protocol, work, *, mapper=serial, **more):
    return reduce_parts(folder, terms(protocol, work, **more), mapper=mapper)


def equal(ours, theirs):
    for field in dataclasses.fields(theirs):
        pd.testing.assert_frame_equal(getattr(ours, field.name), getattr(theirs, field.name), check_dtype=False)


@pytest.mark.parametrize("number", [1, 3, 7])
def test_any_split_gives_the_counts_of_the_whole(tmp_path, protocol, whole, number):
    found = reduced(parts_of(tmp_path / "parts", number), protocol, tmp_path / "work")
    equal(found.tally, whole)
    assert (found.parts, found.kept, found.rows_read, found.rows_accepted) == (number, 0, 420, 420)
    assert found.readings_read == 5706


def test_parquet_and_csv_give_the_same(tmp_path, protocol, whole):
    folder = parts_of(tmp_path / "parts", 2)
    for table in ("cases", "cold_tests"):
        (tmp_path / "parquet" / table).mkdir(parents=True)
        for path in (folder / table).glob("*.csv"):
            frame = pd.read_csv(path, dtype={"injection_start": str}).drop(columns="source_row")
            frame.to_parquet(tmp_path / "parquet" / table / f"{path.stem}.parquet")
    equal(reduced(tmp_path / "parquet", protocol, tmp_path / "work").tally, whole)


def test_a_second_run_does_nothing_anew_and_a_changed_or_cut_part_is_done_again(tmp_path, protocol, whole):
    folder = parts_of(tmp_path / "parts", 4)
    first = reduced(folder, protocol, tmp_path / "work")
    again = reduced(folder, protocol, tmp_path / "work")
    assert (first.kept, again.kept) == (0, 4)
    equal(again.tally, whole)
    assert again.digest == first.digest
    cut = tmp_path / "work" / "parts" / "part-0001.npz"
    cut.write_bytes(cut.read_bytes()[:200])
    changed = folder / "cases" / "part-0002.csv"
    changed.write_bytes(changed.read_bytes().replace(b"\n", b"\r\n"))
    third = reduced(folder, protocol, tmp_path / "work")
    assert third.kept == 2
    equal(third.tally, whole)


def test_refused_rows_keep_the_row_of_their_source_and_are_counted(tmp_path, protocol):
    cases = pd.read_csv(DATA / "cases.csv", dtype=str)
    cases.loc[6, "tooth"] = "99"
    (tmp_path / "in").mkdir()
    cases.to_csv(tmp_path / "in" / "cases.csv", index=False)
    (tmp_path / "in" / "cold_tests.csv").write_bytes((DATA / "cold_tests.csv").read_bytes())
    folder = split_tables(tmp_path / "in" / "cases.csv", tmp_path / "in" / "cold_tests.csv", tmp_path / "p", parts=3)
    found = reduced(folder, protocol, tmp_path / "work")
    assert found.rows_read - found.rows_accepted == 1
    rejects = pd.concat([pd.read_csv(p) for p in (tmp_path / "work" / "rejects").glob("*.csv")])
    assert rejects.loc[rejects["table"] == "cases", "source_row"].tolist() == [8]


def test_cases_whose_patients_wanted_their_data_gone_are_counted_no_more(tmp_path, protocol, whole):
    folder, work = parts_of(tmp_path / "parts", 3), tmp_path / "work"
    equal(reduced(folder, protocol, work).tally, whole)
    read = read_records([DATA], protocol)
    gone = frozenset(read.cases["case_id"].iloc[[0, 7]].str.lower())
    left, arms = resolve_arms(protocol, without_cases(read, gone), None, without_list=NO_LIST)
    found = reduced(folder, protocol, work, gone=gone)
    # What was counted before the patient asked is counted anew.
    assert found.kept < 3
    assert found.withdrawn == 2
    equal(found.tally, tally_records(protocol, left, through=protocol.quarters[-1], arms=arms))
    assert reduced(folder, protocol, work, gone=gone).kept == 3
    # A mistyped code leaves nobody out, and is told, by whichever part it would have been met.
    wrong = reduced(folder, protocol, work, gone=gone, withdrawn=("p01-1", max(gone).upper()))
    assert wrong.withdrawn == 2
    assert wrong.unmatched == ("p01-1",)
    assert found.unmatched == ()


def test_the_door_leaves_out_what_the_ledger_says(tmp_path):
    mine = Path(shutil.copy(PROTOCOL, tmp_path / "mine.toml"))
    code = pd.read_csv(DATA / "cases.csv", dtype=str)["case_id"].iloc[0]
    run = CliRunner()
    assert run.invoke(onsetstudy, ["lock", str(mine)]).exit_code == 0
    assert run.invoke(onsetstudy, ["withdraw", str(mine), "--case", code, "--remove-data"]).exit_code == 0
    given = ["reduce", str(mine), str(DATA), "--into", str(tmp_path / "out"), "--without-list", "counted for a test"]
    done = run.invoke(onsetstudy, given)
    assert done.exit_code == 0, done.exception
    assert "Left out because consent was taken back: 1 case." in done.output


def test_a_case_in_two_parts_is_refused(tmp_path, protocol):
    folder = parts_of(tmp_path / "parts", 2)
    for table in ("cases", "cold_tests"):
        text = (folder / table / "part-0000.csv").read_text(encoding="utf-8")
        (folder / table / "part-0009.csv").write_text(text, encoding="utf-8")
    with pytest.raises(RecordsError, match=r"case codes stand in more than one part \(part-0000, part-0009\)"):
        reduced(folder, protocol, tmp_path / "work")


def test_parts_that_are_not_whole_are_all_named(tmp_path):
    folder = parts_of(tmp_path / "parts", 3)
    (folder / "cases" / "part-0001.csv").unlink()
    (folder / "cold_tests" / "part-0002.csv").unlink()
    with pytest.raises(RecordsError) as error:
        find_parts(folder)
    assert "cases/part-0002.csv has no partner cold_tests/part-0002.csv" in str(error.value)
    assert "cold_tests/part-0001.csv has no partner cases/part-0001.csv" in str(error.value)
    with pytest.raises(RecordsError, match="the folder cases is not there"):
        find_parts(tmp_path)


def test_what_is_not_a_folder_of_records_is_told_as_what_it_is(tmp_path):
    for path, words in (
        (
            tmp_path / "nix",
            f"nix: there is no folder {tmp_path / 'nix'}. Give the folder that holds cases.csv and cold",
        ),
        (DATA / "cases.csv", "cases.csv: this is a file, not a folder. Give the folder that holds cases.csv and cold"),
        (tmp_path, "The folder has to hold cases.csv and cold_tests.csv, or parts as cases/NAME.parquet"),
    ):
        with pytest.raises(RecordsError) as error:
            find_parts(path)
        assert words in str(error.value)


def few(folder, number=12, *, delimiter=",", encoding="utf-8", change=lambda cases, tests: None):
    """The first cases of the demo study, in another spelling."""
    cases = pd.read_csv(DATA / "cases.csv", dtype=str, keep_default_na=False).iloc[:number].copy()
    tests = pd.read_csv(DATA / "cold_tests.csv", dtype=str, keep_default_na=False)
    tests = tests[tests["case_id"].isin(cases["case_id"])].copy()
    change(cases, tests)
    folder.mkdir()
    cases.to_csv(folder / "cases.csv", index=False, sep=delimiter, encoding=encoding)
    tests.to_csv(folder / "cold_tests.csv", index=False, sep=delimiter, encoding=encoding)
    return folder


def split(folder, into, number):
    return split_tables(folder / "cases.csv", folder / "cold_tests.csv", into, parts=number)


def test_parts_without_a_case_are_no_fault(tmp_path, protocol):
    """Three cases in 5 parts: some parts are empty."""
    folder = few(tmp_path / "few", 3)
    found = reduced(split(folder, tmp_path / "p", 5), protocol, tmp_path / "work")
    assert (found.parts, found.rows_read, found.rows_accepted) == (5, 3, 3)
    equal(found.tally, counted(protocol, folder))


def test_semicolons_decimal_commas_and_other_encodings_are_split_as_they_are_read(tmp_path, protocol):
    def written(cases, tests):
        cases["volume_ml"] = cases["volume_ml"].str.replace(".", ",")
        cases.columns = [c.replace("_", " ").title() for c in cases.columns]

    expected = counted(protocol, few(tmp_path / "few"))
    for number, encoding in enumerate(("utf-8-sig", "utf-16", "cp1252")):
        folder = few(tmp_path / f"in{number}", delimiter=";", encoding=encoding, change=written)
        found = reduced(split(folder, tmp_path / f"p{number}", 3), protocol, tmp_path / f"work{number}")
        assert (found.rows_read, found.rows_accepted) == (12, 12)
        equal(found.tally, expected)


def test_capitals_of_a_code_part_no_test_from_its_case(tmp_path, protocol):
    folder = few(tmp_path / "few")
    tests = folder / "cold_tests.csv"
    rows = tests.read_text(encoding="utf-8").splitlines()
    tests.write_text("\n".join(row.lower() if i % 3 else row for i, row in enumerate(rows)), encoding="utf-8")
    found = reduced(split(folder, tmp_path / "p", 7), protocol, tmp_path / "work")
    assert found.problems == ()
    equal(found.tally, counted(protocol, folder))


def test_a_day_that_lay_in_the_future_is_asked_about_again(tmp_path, protocol):
    folder = split(few(tmp_path / "few"), tmp_path / "p", 1)
    with pytest.raises(RecordsError, match="none of 12 cases can be used"):
        reduced(folder, protocol, tmp_path / "work", today=dt.date(2025, 1, 1))
    assert reduced(folder, protocol, tmp_path / "work", today=dt.date(2027, 1, 1)).rows_accepted == 12


def test_digits_of_four_bytes_are_those_that_were_written():
    assert list(parts._as_text(pd.Series([0.18, 2.0, None], dtype="float32"))) == ["0.18", "2", None]


def test_a_row_with_too_many_cells_is_refused_with_its_row(tmp_path):
    folder = few(tmp_path / "few")
    lines = (folder / "cold_tests.csv").read_text(encoding="utf-8").splitlines()
    lines[4] += ",more"
    (folder / "cold_tests.csv").write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(RecordsError, match=r"cold_tests.csv, row 5: 5 cells in this row, but 4 headings"):
        split(folder, tmp_path / "p", 3)


def test_a_value_mended_without_a_change_of_size_is_split_anew(tmp_path, protocol):
    folder = few(tmp_path / "few")
    table = folder / "cases.csv"
    good = table.read_bytes()
    table.write_bytes(good.replace(b",randomised,", b",randomized,", 1))
    first = reduced(split(folder, tmp_path / "p", 3), protocol, tmp_path / "work")
    assert (first.rows_accepted, first.problems, dict(first.refused)) == (11, (("code", 1),), {"P03": 1})
    assert len(list((tmp_path / "work" / "rejects").glob("*.csv"))) == 1
    table.write_bytes(good)
    os.utime(table, ns=(1, 1))
    second = reduced(split(folder, tmp_path / "p", 3), protocol, tmp_path / "work")
    assert second.rows_accepted == 12
    assert not list((tmp_path / "work" / "rejects").glob("*.csv"))


def test_the_door_tells_what_was_refused_as_check_does(tmp_path):
    """The first of each kind with its place and what to do, and how many more there are."""
    folder = few(tmp_path / "few")
    table = folder / "cases.csv"
    total = "Total" + "," * table.read_text(encoding="utf-8").splitlines()[0].count(",") + "\n"
    wrong = table.read_text(encoding="utf-8").replace(",randomised,", ",randomized,", 2)
    table.write_text(wrong + total, encoding="utf-8")
    arguments = ["reduce", str(PROTOCOL), str(folder), "--into", str(tmp_path / "out"), "--without-list", NO_LIST]
    said = CliRunner().invoke(onsetstudy, [*arguments, "--send-incomplete"])
    checked = CliRunner().invoke(onsetstudy, ["check", str(PROTOCOL), str(folder)])
    (line,) = [line for line in said.output.splitlines() if "this line sums up the others" in line]
    assert line in checked.output
    assert line.startswith("cases.csv, row 14, column case_id: ")
    assert next(line for line in said.output.splitlines() if "randomized" in line).endswith(" (1 more row like this.)")
    assert "totals_row" not in said.output


@pytest.mark.parametrize("door", ["send", "reduce"])
def test_rows_that_name_no_practice_are_of_the_only_one(tmp_path, door):
    def nameless(cases, tests):
        cases["practice_id"] = ["", "", "", *["P01"] * 9]

    folder = few(tmp_path / "few", change=nameless)
    arguments = [door, str(PROTOCOL), str(folder), "--into", str(tmp_path / "out"), "--without-list", NO_LIST]
    said = CliRunner().invoke(onsetstudy, arguments)
    told = said.output if door == "reduce" else str(said.exception)
    assert "P01: 3 of 12 cases are refused and would be missing from what you send" in told
    assert not list((tmp_path / "out").glob("*.exchange.json"))


def test_columns_left_unread_are_told_once(tmp_path, protocol):
    def misspelt(cases, tests):
        cases.rename(columns={"pain_deposition": "pain_depositon"}, inplace=True)

    folder = split(few(tmp_path / "few", change=misspelt), tmp_path / "p", 3)
    found = reduced(folder, protocol, tmp_path / "work", drop_unknown=True)
    words = (
        "column pain_depositon: this column was left unread. Did you mean pain_deposition? It is not read under this"
    )
    assert found.queries == (f"{words} heading.",)


def test_a_practice_unknown_to_the_study_is_told_once(tmp_path, protocol):
    def strange(cases, tests):
        cases.loc[cases.index[:3], "practice_id"] = "P0X"

    work = tmp_path / "work"
    folder = split(few(tmp_path / "few", change=strange), tmp_path / "p", 3)
    words = "column practice_id: P0X is not a practice of the study. Its practices are P01, P02, P03, P04, P05."
    assert reduced(folder, protocol, work).queries == (words,)
    # What a part was done before has told is told again.
    again = reduced(folder, protocol, work)
    assert (again.kept, again.queries) == (3, (words,))
    arguments = ["reduce", str(PROTOCOL), str(folder), "--into", str(tmp_path / "out"), "--without-list", NO_LIST]
    told = CliRunner().invoke(onsetstudy, arguments).output
    assert f"Please look: {words}" in told
    assert "Kept, but no file will count them: 3, of P0X, which is not in the study." in told


def test_the_number_of_parts_follows_the_size_of_the_files(tmp_path, protocol, monkeypatch):
    folder = few(tmp_path / "few")
    size = sum(path.stat().st_size for path in folder.glob("*.csv"))
    monkeypatch.setattr(parts, "MOST_PARTS", 20)
    for part_bytes, number in ((size + 1, 1), (size, 1), (size // 3, 3), (1, 20)):
        monkeypatch.setattr(parts, "PART_BYTES", part_bytes)
        made = find_parts(split(folder, tmp_path / str(part_bytes), None))
        assert len(made) == number
    equal(reduced(tmp_path / str(size // 3), protocol, tmp_path / "work").tally, counted(protocol, folder))


def test_files_that_were_split_before_stay_in_their_parts_and_changed_ones_leave_nothing_of_the_others(
    tmp_path, protocol, monkeypatch
):
    def wrong(cases, tests):
        cases["tooth"] = "99"

    folder, work = few(tmp_path / "few"), tmp_path / "work"
    assert len(find_parts(split(folder, tmp_path / "p", 4))) == 4
    first = reduced(split(folder, tmp_path / "p", None), protocol, work)
    again = reduced(split(folder, tmp_path / "p", None), protocol, work)
    assert (first.parts, again.kept, again.digest) == (4, 4, first.digest)
    shutil.rmtree(folder)
    few(folder, change=wrong)
    monkeypatch.setattr(parts, "PART_BYTES", 2000)
    with pytest.raises(RecordsError, match="none of 12 cases can be used"):
        reduced(split(folder, tmp_path / "p", None), protocol, work)
    assert len(list((work / "rejects").iterdir())) > 1
    monkeypatch.undo()
    shutil.rmtree(folder)
    last = reduced(split(few(folder), tmp_path / "p", None), protocol, work)
    assert (last.parts, last.kept, last.rows_accepted) == (1, 0, 12)
    assert [path.name for path in (work / "parts").iterdir()] == ["part-0000.npz"]
    assert not list((work / "rejects").iterdir())


def test_records_of_which_no_case_can_be_used_are_told_as_a_whole(tmp_path, protocol):
    def past(cases, tests):
        cases["case_date"] = "2019-05-06"

    folder = split(few(tmp_path / "few", change=past), tmp_path / "p", 4)
    with pytest.raises(RecordsError, match=r"none of 12 cases can be used\. Is this the protocol of these records"):
        reduced(folder, protocol, tmp_path / "work")


def test_records_with_many_tests_of_no_case_are_refused_as_a_whole(tmp_path, protocol):
    def strange(cases, tests):
        tests.iloc[::8, tests.columns.get_loc("case_id")] = "P99-77777"

    folder = split(few(tmp_path / "few", change=strange), tmp_path / "p", 4)
    with pytest.raises(RecordsError, match=r"cold tests belong to no case, so that other cases may lack tests"):
        reduced(folder, protocol, tmp_path / "work")


@pytest.mark.parametrize("number", [1, 4])
def test_a_mistyped_code_of_a_test_holds_its_case_back_or_is_told(tmp_path, protocol, number):
    def mistyped(cases, tests):
        tests.iloc[3, tests.columns.get_loc("case_id")] += "9"

    folder = split(few(tmp_path / "few", change=mistyped), tmp_path / "p", number)
    arguments = ["reduce", str(PROTOCOL), str(folder), "--into", str(tmp_path / "out"), "--without-list", NO_LIST]
    said = CliRunner().invoke(onsetstudy, [*arguments, "--send-incomplete"]).output
    told = "cold tests belong to no case, so that other cases may lack tests. A case whose test stands in another part"
    assert (told in said, "Cases: 12 read, 11 accepted, 1 refused." in said) == (number > 1, number == 1)


def test_dirty_records_are_counted_and_too_few_left_of_a_practice_get_no_file(tmp_path, protocol):
    folder = split(DATA / "dirty", tmp_path / "p", 6)
    arguments = ["reduce", str(PROTOCOL), str(folder), "--into", str(tmp_path / "out"), "--without-list", NO_LIST]
    said = CliRunner().invoke(onsetstudy, arguments, standalone_mode=False)
    assert (said.exception, said.return_value) == (None, 1)
    assert "Cases: 80 read, 59 accepted, 21 refused." in said.output
    assert "P03: 6 of 11 cases are refused and would be missing from what you send." in said.output
    again = CliRunner().invoke(onsetstudy, [*arguments, "--send-incomplete"], standalone_mode=False)
    assert "would be missing" not in again.output
    assert list((tmp_path / "out").glob("*P02*.exchange.json"))


def test_a_cut_parquet_file_is_refused(tmp_path, protocol):
    for table in ("cases", "cold_tests"):
        (tmp_path / table).mkdir()
        (tmp_path / table / "a.parquet").write_bytes(b"PAR1 and then nothing")
    with pytest.raises(RecordsError, match="this Parquet file cannot be read"):
        reduced(tmp_path, protocol, tmp_path / "work")


@pytest.mark.slow
def test_other_hands_give_the_same(tmp_path, protocol, whole, monkeypatch):
    # Processes that begin in a moment; that spawned ones give the same is asked where the mapper is tested.
    monkeypatch.setattr("onsetstudy.cluster.mapper.get_context", lambda kind: CLEAN)
    folder = parts_of(tmp_path / "parts", 4)
    equal(reduced(folder, protocol, tmp_path / "two", mapper=ProcessMapper(2)).tally, whole)


@pytest.mark.slow
def test_a_cluster_gives_the_same(tmp_path, protocol, whole):
    import distributed  # not above: it takes a second that only this test needs

    folder = parts_of(tmp_path / "parts", 4)
    with (
        distributed.LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        equal(reduced(folder, protocol, tmp_path / "work", mapper=DaskMapper(client)).tally, whole)


@pytest.mark.slow
def test_killed_in_the_middle_it_loses_and_doubles_nothing(tmp_path, protocol, whole):
    parts_of(tmp_path / "parts", 10)
    done = tmp_path / "out" / "work" / "parts"
    process = CommandProcess(["onsetstudy", "reduce", PROTOCOL, tmp_path / "parts", "--without-list", NO_LIST,
                              "--into", tmp_path / "out", "--work", tmp_path / "out" / "work"])  # fmt: skip
    deadline = time.monotonic() + 60
    while len(list(done.glob("*.npz"))) < 3 and time.monotonic() < deadline:
        time.sleep(0.02)
    process.send_signal(signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL
    process.stdout.close()
    finished = len(list(done.glob("*.npz")))
    assert 3 <= finished < 10
    found = reduced(tmp_path / "parts", protocol, tmp_path / "out" / "work")
    assert found.kept == finished
    equal(found.tally, whole)
    assert found.rows_read == 420


@pytest.mark.slow
def test_the_door_writes_the_files_that_send_writes(tmp_path):
    said = CliRunner().invoke(onsetstudy, ["reduce", str(PROTOCOL), str(DATA), "--into", str(tmp_path)])
    assert said.exit_code == 0, said.output
    assert "Parts: 1, of which 0 were done before." in said.output
    assert "Cases: 420 read, 420 accepted, 0 refused." in said.output
    assert [line.partition("group-")[2][:3] for line in said.output.splitlines() if line.startswith("Written: ")] == [
        f"P0{k}" for k in range(1, 6)
    ]
    # Rows lie beside what is given away: nobody else looks in, and the door says which is which.
    assert (tmp_path / "work").stat().st_mode & 0o777 == 0o700
    assert "not this folder" in said.output
    from onsetstudy.files.exchange import read_exchanges

    ours, theirs = read_exchanges([tmp_path]), read_exchanges([DATA / "exchange"])
    assert [n for n, _ in ours] == [n for n, _ in theirs]
    for (_, a), (_, b) in zip(ours, theirs, strict=True):
        assert (a.cells, a.values, a.safety, a.flow) == (b.cells, b.values, b.safety, b.flow)
