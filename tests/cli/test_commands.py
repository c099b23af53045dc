"""The command line as a clinician meets it: plain sentences, exit codes, no traces."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from onsetstudy.cli.before import plan
from onsetstudy.cli.say import gathered
from onsetstudy.core.errors import Problem, Where
from onsetstudy.study.planning.power import TRIALS
from tests.clean_process import run_command
from tests.few_slips import short_list

ROOT = Path(__file__).parents[2]
GROUP = ROOT / "protocols" / "mandibular_block_group.toml"
AUDIT = ROOT / "protocols" / "infiltration_audit.toml"
DIRTY = ROOT / "data" / "synthetic" / "dirty"


def run(*arguments, cwd=ROOT, **how):
    return run_command("onsetstudy", *arguments, cwd=cwd, **how)


@pytest.mark.slow
def test_the_report_of_dirty_records_goes_on_with_the_good_ones(tmp_path):
    dirty, into = tmp_path / "dirty", tmp_path / "into"
    shutil.copytree(DIRTY, dirty)
    without = ("--without-list", "planted faults")
    given = ("report", GROUP, dirty, "--into", into, "--format", "json", "--format", "html", *without)
    done = run(*given, answer_alone=True)
    assert done.returncode == 0, done.stderr
    assert "Cases: 80 read, 57 accepted, 23 refused." in done.stdout
    names = sorted(p.name for p in into.iterdir() if p.is_file())
    assert names == ["mandibular-block-group-2026Q3.html", "mandibular-block-group-2026Q3.json"]
    assert (dirty / "dirty-rejects.csv").stat().st_mode & 0o077 == 0
    assert done.stdout.splitlines()[-1] == f"Written: {into / 'mandibular-block-group-2026Q3.json'}"
    results = json.loads((into / names[1]).read_text(encoding="utf-8"))
    assert results["flow"]["stages"][0]["count"] == 80
    answer = next(claim["sentence"] for claim in results["claims"] if claim["leads"])
    assert answer in done.stdout.splitlines()
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("check", GROUP, DIRTY, "--rejects", "{tmp}/r.csv"), 1, "row 2, column case_date"),
        (("check", GROUP, DIRTY, "--strict"), 1, "column case_date"),
        (("check", GROUP, "{tmp}/nowhere"), 1, "there is no file"),
        (("check", "{tmp}/nothing.toml", DIRTY), 1, "nothing.toml: there is no file"),
        (
            ("report", GROUP, DIRTY, "--quarter", "2031Q1", "--into", "{tmp}", "--rejects", "{tmp}/r.csv"),
            1,
            "2031Q1 is not a quarter of this study",
        ),
        (("report", GROUP), 2, "Missing argument"),
        (("report", GROUP, DIRTY, "--paper", "a5"), 2, "'a5' is not one of 'a4', 'letter'"),
        (("analyze",), 2, "No such command 'analyze'"),
    ],
)
def test_what_goes_wrong_ends_in_a_sentence_and_a_code(tmp_path, arguments, code, words):
    done = run(*[str(a).replace("{tmp}", str(tmp_path)) for a in arguments])
    assert done.returncode == code, done.stderr
    assert words.lower() in done.stderr.lower()
    assert "Traceback" not in done.stderr


def test_one_habit_in_many_rows_is_one_line():
    def empty(row):
        where = Where(file="mine.xlsx", sheet="cases", row=row, column="volume_ml")
        return Problem(what="volume_ml is empty", where=where, mend="fill it in", code="missing")

    def outside(row, value):
        where = Where(file="mine.xlsx", sheet="cases", row=row, column="pain_deposition")
        return Problem(what=f"{value} is outside 0 to 10", where=where, mend="enter a value", code="range")

    assert gathered([empty(r) for r in range(2, 32)]) == [
        "mine.xlsx, sheet cases, rows 2, 3, 4, 5, 6 and 25 more, column volume_ml: volume_ml is empty. Fill it in."
    ]
    assert gathered([empty(2), outside(2, 45), empty(9), outside(4, 46), outside(5, 47)]) == [
        "mine.xlsx, sheet cases, rows 2 and 9, column volume_ml: volume_ml is empty. Fill it in.",
        "mine.xlsx, sheet cases, rows 2, 4 and 5, column pain_deposition: 45 is outside 0 to 10 (this in row 2; the "
        "others alike). Enter a value.",
    ]
    assert len(gathered([outside(2, 45), outside(4, 46)])) == 2  # two values, each told


def test_advice_that_repeats_what_was_written_is_one_piece_of_advice():
    def clock(row, text):
        where = Where(file="mine.xlsx", sheet="cold_tests", row=row, column="minute")
        mend = f"write the time with its seconds, as {text}:00, or minutes, as 4.5"
        return Problem(
            what=f'"{text}" may be of the clock', where=where, mend=mend, value=text, code="clock_or_minutes"
        )

    (line,) = gathered([clock(r, f"9:{r:02d}") for r in range(10, 60)])
    assert "rows 10, 11, 12, 13, 14 and 45 more" in line
    assert "as 9:10:00" in line


def test_check_says_who_will_be_left_out_of_the_report(tmp_path):
    for name in ("cases.csv", "cold_tests.csv"):
        shutil.copy(ROOT / "data" / "synthetic" / "audit" / name, tmp_path / name)
    table = tmp_path / "cases.csv"
    table.write_text(table.read_text(encoding="utf-8").replace(",P06,", ",P07,", 1), encoding="utf-8")
    done = run("check", AUDIT, tmp_path)
    assert "Kept, but the report will leave out: 1, of a practice that is not in the study (" in done.stdout


def test_records_given_as_the_protocol_are_recognised(tmp_path):
    (tmp_path / "mine.xlsx").write_bytes(b"PK")
    done = run("check", tmp_path / "mine.xlsx", AUDIT)
    assert "this is a table, not a protocol file. Give the protocol (.toml) first, then the records." in done.stderr


def test_a_second_list_does_not_replace_the_first(tmp_path):
    mine = short_list(tmp_path / "mine.toml")
    assert run("allocate", mine, "--into", tmp_path, "--slips", "3").returncode == 0
    first = (tmp_path / "list.csv").read_bytes()
    again = run("allocate", mine, "--into", tmp_path, "--slips", "3")
    assert again.returncode == 1
    assert "holds a list already" in again.stderr
    assert (tmp_path / "list.csv").read_bytes() == first


def test_the_demo_can_be_made_anywhere(tmp_path):
    done = run("demo", "--into", tmp_path / "demo")
    assert done.returncode == 0
    assert done.stdout.endswith("All cases are invented.\n")
    assert (tmp_path / "demo" / "cases.csv").exists()


def test_the_version_is_told():
    command = [sys.executable, "-m", "onsetstudy", "--version"]  # begun as its user begins it
    told = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=True).stdout
    assert told.strip().endswith("version 0.1.0")
    assert run("--version").stdout == told


def test_the_trials_that_help_tells_are_those_of_a_plan():
    # The door does not load the plan to say how many trials it takes.
    told = next(p.default for p in plan.plan.params if p.name == "trials")
    assert told == TRIALS
