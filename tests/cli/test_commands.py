"""The command line as a clinician meets it: plain sentences, exit codes, no traces."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
GROUP = ROOT / "protocols" / "mandibular_block_group.toml"
DIRTY = ROOT / "data" / "synthetic" / "dirty"


def run(*arguments, cwd=ROOT):
    command = [sys.executable, "-m", "onsetstudy", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, cwd=cwd, check=False)


def test_the_report_of_dirty_records_goes_on_with_the_good_ones(tmp_path):
    done = run("report", GROUP, DIRTY, "--into", tmp_path, "--format", "json", "--format", "html")
    assert done.returncode == 0, done.stderr
    assert "Cases: 80 read, 59 accepted, 21 refused." in done.stdout
    names = sorted(p.name for p in tmp_path.iterdir())
    assert names == ["dirty-rejects.csv", "mandibular-block-group-2026Q3.html", "mandibular-block-group-2026Q3.json"]
    assert done.stdout.splitlines()[-1] == f"Written: {tmp_path / 'mandibular-block-group-2026Q3.json'}"
    results = json.loads((tmp_path / names[2]).read_text(encoding="utf-8"))
    assert results["flow"]["stages"][0]["count"] == 80
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("check", GROUP, DIRTY, "--rejects", "{tmp}/r.csv"), 1, "row 2, column case_date"),
        (("check", GROUP, DIRTY, "--strict"), 1, "column case_date"),
        (("check", GROUP, "{tmp}/nowhere"), 1, "there is no file"),
        (("check", "{tmp}/nothing.toml", DIRTY), 1, "nothing.toml: there is no file"),
        (
            ("report", GROUP, DIRTY, "--quarter", "2031Q1", "--into", "{tmp}"),
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


def test_the_demo_can_be_made_anywhere(tmp_path):
    done = run("demo", "--into", tmp_path / "demo", "--seed", "3")
    assert done.returncode == 0
    assert done.stdout.endswith("All cases are invented.\n")
    assert (tmp_path / "demo" / "cases.csv").exists()


def test_the_version_is_told():
    assert run("--version").stdout.strip().endswith("version 0.1.0")
