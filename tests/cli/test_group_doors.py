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
