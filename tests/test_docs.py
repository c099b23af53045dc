"""Pages that show numbers show the numbers that were computed."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy import analyse
from onsetstudy.cli.main import DOORS, onsetstudy
from onsetstudy.core.errors import RecordsError
from tests.simulation import stopwatch

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_stopwatch_page_shows_the_table_that_was_simulated():
    table = pd.read_csv(ROOT / "tests" / "simulation" / "stopwatch.csv")
    page = (ROOT / "docs" / "stopwatch.md").read_text(encoding="utf-8")
    shown = page.split(stopwatch.BEGIN)[1].split(stopwatch.END)[0].strip()
    assert shown == stopwatch.markdown(table)


def test_one_simulated_study_can_be_made_again():
    scenario = stopwatch.SCENARIOS[1]
    assert stopwatch.one_study(scenario, 3) == stopwatch.one_study(scenario, 3)
    assert stopwatch.one_study(scenario, 3) != stopwatch.one_study(scenario, 4)


@pytest.mark.parametrize("name", sorted(DOORS))
def test_every_command_has_help_and_a_line_in_the_readme(name):
    shown = CliRunner().invoke(onsetstudy, [name, "--help"])
    assert shown.exit_code == 0
    assert len(shown.output.splitlines()) > 5
    assert re.search(rf"^\| `onsetstudy {name}\b", README, flags=re.MULTILINE)


def test_help_lists_every_command_and_the_exit_codes():
    shown = CliRunner().invoke(onsetstudy, ["--help"]).output
    assert all(name in shown for name in DOORS)
    assert "Exit codes" in shown


def test_the_python_example_of_the_readme_runs():
    code = README.split("```python\n")[1].split("```")[0]
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "success_by_target" in done.stdout


@pytest.mark.slow
@pytest.mark.usefixtures("answer_alone")
def test_the_python_lines_of_the_readme_compare_arms_as_allocated_and_ask_for_slips_by_arguments(monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    told = {}
    exec(README.split("```python\n")[2].split("```")[0], told)
    assert (told["results"].arms.source, told["results"].arms.as_injected) == ("log", False)
    assert "Interval" in capsys.readouterr().out
    with pytest.raises(RecordsError, match=r"beside=read_companions\(.*without_list=") as refused:
        analyse(told["protocol"], told["records"])
    assert "--" not in str(refused.value)


def test_every_local_link_of_the_pages_leads_somewhere():
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
    broken = [
        f"{page.name}: {target}"
        for page in pages
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8"))
        if not (page.parent / target).exists()
    ]
    assert not broken, broken


def test_the_checks_run_the_commands_of_the_readme_and_no_test_is_in_neither():
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    given = {}
    for name in ("tests", "browser"):
        assert f'"$(command_of {name})"' in run
        told = README.split(f"<!-- command: {name} -->\n```sh\n")
        assert len(told) == 2
        given[name] = re.search(r"-m pytest (.*) -m (\S+|\"[^\"]+\")$", told[1].split("\n```")[0])
    assert [match[2] for match in given.values()] == ['"not browser"', "browser"]
    assert given["tests"][1] == given["browser"][1]


def test_every_place_that_the_developers_page_names_is_there():
    """Modules and folders of the package, as ``room/module`` or ``room/module.name``."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rooms = {p.name for p in (ROOT / "onsetstudy").iterdir() if p.is_dir()}
    named = {n for n in re.findall(r"`([a-z_]+(?:/[a-z_<>…]+)+)", text) if n.split("/")[0] in rooms}
    named = {n for n in named if not re.search("[<>…]", n)}
    assert len(named) > 40
    assert {
        n for n in named if not any((ROOT / "onsetstudy" / f"{n}{end}").exists() for end in ("", ".py", ".toml"))
    } == set()


def test_every_name_of_code_in_the_pages_is_one():
    """Names with an underscore, of the package or, where a page speaks of its checks, of a file or test of them."""
    sources = (p for room in ("onsetstudy", "tests") for p in sorted((ROOT / room).rglob("*.py")))
    texts = {path: path.read_text(encoding="utf-8") for path in sources}
    package = {word for path, text in texts.items() if "tests" not in path.parts for word in re.findall(r"\w+", text)}
    files = {path.stem for path in (ROOT / "tests").rglob("*.*")}
    for page in (*sorted((ROOT / "docs").glob("*.md")), ROOT / "README.md"):
        told = re.findall(r"`([A-Za-z_][\w.]*)(?:\(\))?`", page.read_text(encoding="utf-8"))
        names = {part for name in told if "_" in name for part in name.split(".") if "_" in part}
        assert names <= package | files, page.name
