"""The doors of the study group."""

import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import RecordsError

pytestmark = pytest.mark.usefixtures("unpainted", "answer_alone")

ROOT = Path(__file__).parents[3]
PROTOCOL = str(ROOT / "protocols" / "mandibular_block_group.toml")
DATA = str(ROOT / "data" / "synthetic")


def run(*arguments):
    return CliRunner().invoke(onsetstudy, list(arguments), catch_exceptions=True)


def test_send_says_what_could_be_learned_and_look_inside_says_it_again(tmp_path):
    sent = run("send", PROTOCOL, DATA, "--practice", "P02", "--into", str(tmp_path), "--operators")
    assert sent.exit_code == 0, sent.output
    assert "- Practice P02 treated 93 analysed cases" in sent.output
    assert "Failures are counted by operator under numbers" in sent.output
    again = run("look-inside", str(tmp_path))
    assert again.exit_code == 0
    assert "- Practice P02 treated 93 analysed cases" in again.output


def test_what_two_files_give_away_is_said_by_send_and_by_look_inside(tmp_path):
    old, new = tmp_path / "old", tmp_path / "new"
    assert run("send", PROTOCOL, DATA, "--practice", "P03", "--quarter", "2026Q2", "--into", str(old)).exit_code == 0
    before = next(old.glob("*.exchange.json"))
    sent = run("send", PROTOCOL, DATA, "--practice", "P03", "--after", str(before), "--into", str(new))
    assert "than in the file sent before: each stands alone." in sent.output
    assert "in 2026Q1+2026Q2+2026Q3 than in the file sent before: each stands alone." in sent.output
    assert "than in the file sent before: each can be read off." in sent.output
    told = [line for line in sent.output.splitlines() if line.startswith("- ")]
    alone = [line.partition(" in ")[0].partition(" than ")[0] for line in told if "stands alone" in line]
    assert len(set(alone)) == len(alone)  # each number once, and once what to do with the older file
    assert len([line for line in told if "older" in line and "deleted" in line]) == 1
    # The earlier file first, in whatever order they are named.
    both = run("look-inside", str(new), str(old))
    assert both.output.index("2026Q2.exchange.json:") < both.output.index("2026Q3.exchange.json:")
    assert both.output.count("By subtraction from the file sent before, 9 cases more in all, by technique.") == 1


def test_a_file_sent_before_is_of_the_same_practice(tmp_path):
    name = "mandibular-block-group-P01-2025Q4-2026Q3.exchange.json"
    before = str(Path(DATA) / "exchange" / name)
    sent = run("send", PROTOCOL, DATA, "--practice", "P03", "--after", before, "--into", str(tmp_path))
    assert sent.exit_code == 2
    told = " ".join(sent.output.split())
    assert "--after takes a file that P03 sent before, and P01 sent it in the study mandibular-block-group." in told
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("fuller", ["a", "z"])
@pytest.mark.parametrize("turned", [False, True])
def test_of_two_files_of_one_quarter_the_fuller_is_the_later(tmp_path, fuller, turned):
    """However their folders are called, and in whichever order they are given."""
    part = tmp_path / "part"
    part.mkdir()
    cases = pd.read_csv(Path(DATA) / "cases.csv", dtype=str, keep_default_na=False)
    tests = pd.read_csv(Path(DATA) / "cold_tests.csv", dtype=str, keep_default_na=False)
    cases = cases[cases["practice_id"] == "P03"]
    dropped = cases["case_id"].iloc[-6:]
    folders = {name: tmp_path / name for name in ("a", "z")}
    for name, folder in folders.items():
        kept = cases if name == fuller else cases[~cases["case_id"].isin(dropped)]
        kept.to_csv(part / "cases.csv", index=False)
        tests[tests["case_id"].isin(kept["case_id"])].to_csv(part / "cold_tests.csv", index=False)
        sent = run("send", PROTOCOL, str(part), "--practice", "P03", "--without-list", "a try", "--into", str(folder))
        assert sent.exit_code == 0, sent.output
    files = {name: next(folder.glob("*.exchange.json")) for name, folder in folders.items()}
    seen = run("look-inside", *map(str, sorted(files.values(), reverse=turned)))
    assert seen.exit_code == 0, seen.output
    thinner = files["z" if fuller == "a" else "a"]
    assert f"The file sent before is {thinner}: it holds" in seen.output
    assert "more in all" in seen.output
    assert "fewer in all" not in seen.output


def test_files_that_count_as_many_cases_are_said_to(tmp_path):
    source = next((Path(DATA) / "exchange").glob("*P01*.exchange.json"))
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        shutil.copy(source, tmp_path / name / source.name)
    seen = run("look-inside", str(tmp_path / "two"), str(tmp_path / "one"))
    assert seen.exit_code == 0, seen.output
    assert "which was sent before cannot be told from them" in seen.output
    assert str(tmp_path / "one" / source.name) in seen.output


def test_send_asks_for_the_practice_and_knows_its_quarters(tmp_path):
    with pytest.raises(RecordsError, match="P01, P02, P03, P04, P05; name one with --practice"):
        raise run("send", PROTOCOL, DATA, "--into", str(tmp_path)).exception
    with pytest.raises(RecordsError, match="2031Q1 is not a quarter of this study"):
        raise run("send", PROTOCOL, DATA, "--quarter", "2031Q1", "--into", str(tmp_path)).exception


def small(folder, **changes):
    """Forty cases of P01 with a change in every row of a column: ``column={old: new}`` or ``column=function``."""
    cases = pd.read_csv(Path(DATA) / "cases.csv", dtype=str, keep_default_na=False)
    cases = cases[cases["practice_id"] == "P01"].iloc[:40].reset_index(drop=True)
    tests = pd.read_csv(Path(DATA) / "cold_tests.csv", dtype=str, keep_default_na=False)
    tests = tests[tests["case_id"].isin(cases["case_id"])]
    for column, change in changes.items():
        cases[column] = change(cases[column])
    folder.mkdir()
    cases.to_csv(folder / "cases.csv", index=False)
    tests.to_csv(folder / "cold_tests.csv", index=False)
    log = (Path(DATA) / "allocation" / "opened-P01.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    # The first forty openings are those of these cases.
    (folder / "opened-P01.csv").write_text("".join(log[:41]), encoding="utf-8")
    return str(folder)


def first(n, value):
    return lambda column: column.where(column.index >= n, value)


def test_a_practice_in_small_letters_is_the_one_of_the_protocol(tmp_path):
    records = small(tmp_path / "in", practice_id=first(40, "p01"))
    sent = run("send", PROTOCOL, records, "--practice", "p01", "--quarter", "2026q3", "--into", str(tmp_path / "out"))
    assert sent.exit_code == 0, sent.output
    assert "Column practice_id: capitals in a code were passed over (40 times)." in sent.output
    assert [p.name.split("-2025")[0] for p in (tmp_path / "out").glob("*.json")] == ["mandibular-block-group-P01"]


def test_where_no_case_can_be_reported_every_door_says_so(tmp_path):
    records = small(tmp_path / "in", practice_id=first(40, "Q01"))
    for door, *more in (("check",), ("report", "--into", str(tmp_path)), ("send", "--into", str(tmp_path))):
        done = run(door, PROTOCOL, records, *more)
        words = "None of the 40 accepted cases can be reported: 40 of a practice that is not in the study"
        assert isinstance(done.exception, RecordsError), done.output
        assert words in str(done.exception)
        assert "Q01 is not a practice of the study" in done.output
        assert "Nothing has to be corrected" not in done.output
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in"]


def test_where_all_cases_come_later_another_quarter_is_advised(tmp_path):
    """Nothing has to be corrected in records of a later quarter than was asked for."""
    records = small(tmp_path / "in", case_date=first(40, "2026-02-03"))
    for door in ("report", "send"):
        done = run(door, PROTOCOL, records, "--quarter", "2025Q4", "--into", str(tmp_path))
        advice = "40 after 2025Q4. Choose a later quarter, with --quarter 2026Q1."
        assert str(done.exception).endswith(advice), done.exception


def test_send_stops_where_many_cases_are_refused_unless_that_is_confirmed(tmp_path):
    records = small(tmp_path / "in", tooth=first(5, "99"), pulp_status=first(6, "necrotic"))
    arguments = ("send", PROTOCOL, records, "--into", str(tmp_path / "out"))
    stopped = run(*arguments)
    assert str(stopped.exception) == (
        "P01: 5 of 40 cases are refused and would be missing from what you send. Correct them, or add "
        "--send-incomplete if they cannot be corrected."
    )
    assert (
        "Kept, but the file will leave out: 1, a state of the pulp that the protocol does not admit (P01-"
        in stopped.output
    )
    assert not list((tmp_path / "out").glob("*.exchange.json"))
    assert run(*arguments, "--send-incomplete").exit_code == 0
    assert list((tmp_path / "out").glob("*.exchange.json"))


def test_send_goes_on_where_few_are_refused(tmp_path):
    records = small(tmp_path / "in", tooth=first(4, "99"))
    sent = run("send", PROTOCOL, records, "--into", str(tmp_path / "out"))
    assert sent.exit_code == 0
    assert "Not in the file: 4 of 40 cases of P01, because they are refused." in sent.output


def test_rows_that_name_no_practice_count_as_refused_of_the_only_one(tmp_path):
    records = small(tmp_path / "in", practice_id=first(5, ""))
    stopped = run("send", PROTOCOL, records, "--into", str(tmp_path / "out"))
    assert "P01: 5 of 40 cases are refused" in str(stopped.exception)


def test_the_wrong_protocol_is_asked_about_before_its_many_faults(tmp_path):
    other = str(ROOT / "protocols" / "infiltration_audit.toml")
    sent = run("send", other, DATA, "--practice", "P03", "--into", str(tmp_path), "--rejects", str(tmp_path / "r.csv"))
    assert sent.output.startswith("414 of 420 cases are refused: is this the protocol of these records?\n")
    assert isinstance(sent.exception, RecordsError)
    assert not list(tmp_path.glob("*.exchange.json"))


def test_a_practice_in_two_files_is_told_before_anything_is_pooled(tmp_path):
    name = "mandibular-block-group-P01-2025Q4-2026Q3.exchange.json"
    for place in ("one", "two"):
        (tmp_path / place).mkdir()
        shutil.copy(Path(DATA) / "exchange" / name, tmp_path / place / f"{place}.exchange.json")
    done = run("group", PROTOCOL, str(tmp_path / "one"), str(tmp_path / "two"), "--into", str(tmp_path))
    assert "one.exchange.json: P01 is in two files" in str(done.exception)


def test_send_says_when_none_of_a_practice_can_be_sent_and_takes_one_practice(tmp_path):
    cases = pd.read_csv(Path(DATA) / "cases.csv", dtype=str, keep_default_na=False)
    cases.loc[cases["practice_id"] == "P03", "tooth"] = "99"
    (tmp_path / "in").mkdir()
    cases.to_csv(tmp_path / "in" / "cases.csv", index=False)
    shutil.copy(Path(DATA) / "cold_tests.csv", tmp_path / "in")
    stopped = run(
        "send",
        PROTOCOL,
        str(tmp_path / "in"),
        "--practice",
        "P03",
        "--without-list",
        "none",
        "--into",
        str(tmp_path / "out"),
    )
    assert str(stopped.exception) == (
        "None of the 52 cases of P03 can be sent: 52 refused. Is this the protocol of these records? Otherwise "
        "correct the rows named above."
    )
    two = run("send", PROTOCOL, DATA, "--practice", "P01", "--practice", "P02")
    assert two.exit_code == 2
    assert "A file is of one practice: give --practice once" in two.output


@pytest.mark.slow
def test_group_writes_a_report_for_all_and_one_for_a_practice(tmp_path):
    found = run(
        "group", PROTOCOL, f"{DATA}/exchange", "--into", str(tmp_path), "--page-for", "P03", "--format", "html",
        "--between", "paule_mandel", "--interval", "hartung_knapp",
    )  # fmt: skip
    assert found.exit_code == 0, found.output
    assert "Files: 5 read. 5 practices, 412 cases up to 2026Q3." in found.output
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "mandibular-block-group-group-2026Q3-P03.html",
        "mandibular-block-group-group-2026Q3.html",
    ]
    text = (tmp_path / "mandibular-block-group-group-2026Q3.html").read_text(encoding="utf-8")
    assert "Paule and Mandel" in text
    assert "never locked" not in text


@pytest.mark.slow
def test_a_group_whose_protocol_has_no_lock_beside_it_says_so(tmp_path):
    alone = shutil.copy(PROTOCOL, tmp_path / "alone.toml")
    one = next((Path(DATA) / "exchange").glob("*P01*.exchange.json"))
    found = run("group", str(alone), str(one), "--into", str(tmp_path), "--format", "html")
    assert found.exit_code == 0, found.output
    (page,) = tmp_path.glob("*.html")
    assert "The protocol was never locked, so nothing shows" in page.read_text(encoding="utf-8")


def test_files_of_another_study_are_refused_in_one_line_each(tmp_path):
    other = str(ROOT / "protocols" / "infiltration_audit.toml")
    error = run("group", other, f"{DATA}/exchange", "--into", str(tmp_path)).exception
    assert isinstance(error, RecordsError)
    assert len(error.problems) == 5
    assert "P01 sent a file of the study mandibular-block-group, not of infiltration-audit" in str(error)


@pytest.mark.slow
def test_the_screen_says_who_is_missing_and_what_was_not_read(tmp_path):
    shipped = ROOT / "data" / "synthetic" / "exchange"
    given = tmp_path / "given"
    given.mkdir()
    for path in sorted(shipped.iterdir())[:2]:
        (given / path.name).write_bytes(path.read_bytes())
    (given / "P03.json").write_bytes(sorted(shipped.iterdir())[2].read_bytes())
    found = run("group", PROTOCOL, str(given), "--into", str(tmp_path), "--format", "html")
    assert found.exit_code == 0, found.output
    assert "Files: 2 read. 2 practices, 161 cases up to 2026Q3." in found.output
    assert "Please look: No file from P03, P04 and P05." in found.output
    assert "Please look: P03.json was not read: exchange files end in .exchange.json." in found.output
    named = run("group", PROTOCOL, str(given), str(given / "P03.json"), "--into", str(tmp_path), "--format", "html")
    assert "Files: 3 read. 3 practices" in named.output
    assert "was not read" not in named.output
