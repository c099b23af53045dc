"""The doors of the study group."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import RecordsError

ROOT = Path(__file__).parents[2]
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
    # The earlier file first, in whatever order they are named.
    both = run("look-inside", str(new), str(old))
    assert both.output.index("2026Q2.exchange.json:") < both.output.index("2026Q3.exchange.json:")
    assert both.output.count("By subtraction from the file sent before, 9 cases more in all, by technique.") == 1


def test_send_asks_for_the_practice_and_knows_its_quarters(tmp_path):
    with pytest.raises(RecordsError, match="P01, P02, P03, P04, P05; name one with --practice"):
        raise run("send", PROTOCOL, DATA, "--into", str(tmp_path)).exception
    with pytest.raises(RecordsError, match="2031Q1 is not a quarter of this study"):
        raise run("send", PROTOCOL, DATA, "--quarter", "2031Q1", "--into", str(tmp_path)).exception


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


def test_files_of_another_study_are_refused_in_one_line_each(tmp_path):
    other = str(ROOT / "protocols" / "infiltration_audit.toml")
    error = run("group", other, f"{DATA}/exchange", "--into", str(tmp_path)).exception
    assert isinstance(error, RecordsError)
    assert len(error.problems) == 5
    assert "P01 sent a file of the study mandibular-block-group, not of infiltration-audit" in str(error)
