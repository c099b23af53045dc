"""A withdrawal takes out whom it names, and a code that names nobody is told wherever rows are read."""

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.serialise import spread
from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger

pytestmark = pytest.mark.usefixtures("unpainted")

ROOT = Path(__file__).parents[3]
GROUP = ROOT / "protocols" / "mandibular_block_group.toml"
DATA = ROOT / "data" / "synthetic"


def run(*arguments):
    return CliRunner().invoke(onsetstudy, [str(a) for a in arguments])


@pytest.fixture
def study(tmp_path):
    """A protocol with its ledger, and the records of one practice with its log in a folder beside."""
    mine = Path(shutil.copy(GROUP, tmp_path / "mine.toml"))
    assert run("lock", mine).exit_code == 0
    practice = tmp_path / "P04"
    practice.mkdir()
    cases = pd.read_csv(DATA / "cases.csv", dtype=str, keep_default_na=False)
    cases = cases[cases["practice_id"] == "P04"]
    tests = pd.read_csv(DATA / "cold_tests.csv", dtype=str, keep_default_na=False)
    cases.to_csv(practice / "cases.csv", index=False)
    tests[tests["case_id"].isin(cases["case_id"])].to_csv(practice / "cold_tests.csv", index=False)
    shutil.copy(DATA / "allocation" / "opened-P04.csv", practice)
    return mine, practice, cases["case_id"].tolist()


def test_a_mistyped_code_is_asked_about_and_the_likely_one_is_named(study):
    mine, practice, codes = study
    wrong = codes[0].replace("-00", "-")
    done = run("withdraw", mine, "--case", wrong, "--remove-data")
    assert done.exit_code == 0, done.exception
    assert f"has the case {wrong}" in done.output
    assert codes[0] in done.output
    right = run("withdraw", mine, "--case", codes[0].lower(), "--remove-data", "--records", practice)
    assert "Please look" not in right.output


def test_a_code_of_another_pattern_is_not_entered(study):
    mine = study[0]
    mine.write_text(mine.read_text().replace("[study]", '[study]\ncase_codes = "{practice}-####"', 1))
    with pytest.raises(OnsetStudyError, match="does not fit the pattern of the protocol"):
        raise run("withdraw", mine, "--case", "P04-96").exception
    assert [e.kind for e in verified_ledger(ledger_path(mine))] == ["protocol_locked"]
    assert run("withdraw", mine, "--case", "p04-0096").exit_code == 0


@pytest.mark.usefixtures("answer_alone")
@pytest.mark.slow
def test_report_and_send_name_a_code_that_no_row_has_and_count_what_was_left_out(study, tmp_path):
    mine, practice, codes = study
    run("withdraw", mine, "--case", "P04-96", "--remove-data")
    told = {}
    for name in ("wrong", "right"):
        done = run("report", mine, practice, "--quarter", "2026Q3", "--into", tmp_path / name, "--format", "json")
        assert done.exit_code == 0, done.exception
        assert "consent for case P04-96 was entered as taken back, and no row" in done.output
        found = spread(json.loads(next((tmp_path / name).glob("*.json")).read_text()))
        (told[name],) = [c["text"] for c in found["caution"] if c["text"].startswith("Consent taken back")]
        assert "P04-96" in told[name]
        if name == "wrong":
            assert "Left out because" not in done.output
            run("withdraw", mine, "--case", codes[0], "--remove-data")
    assert "the rows of 0 cases were left out" in told["wrong"]
    assert "2 cases entered, 2 of them with all data to be removed; the rows of 1 case were left out" in told["right"]
    sent = run("send", mine, practice, "--practice", "P04", "--into", tmp_path / "out")
    assert sent.exit_code == 0, sent.exception
    assert "consent for case P04-96 was entered as taken back, and no row" in sent.output
    assert "Left out because consent was taken back: 1 case." in sent.output


@pytest.fixture
def refused_and_gone(study):
    """Two patients want their data gone; the row of one of them is refused, as are its cold tests with it."""
    mine, practice, codes = study
    cases = pd.read_csv(practice / "cases.csv", dtype=str, keep_default_na=False)
    # Also one whose patient agrees: it stays among the refused.
    cases.loc[cases["case_id"].isin([codes[0], codes[2]]), "tooth"] = "99"
    cases.loc[cases["case_id"] == codes[0], "case_id"] = f" {codes[0].lower()}"
    cases.to_csv(practice / "cases.csv", index=False)
    assert "2 refused" in run("check", mine, practice).output
    kept = next(practice.glob("*rejects*"))
    assert codes[0].lower() in kept.read_text().lower()
    for code in codes[:2]:
        run("withdraw", mine, "--case", code, "--remove-data")
    return mine, practice, codes, kept


def test_a_row_that_was_corrected_stays_in_no_file_of_refused_ones(refused_and_gone):
    mine, practice, codes, kept = refused_and_gone
    cases = pd.read_csv(practice / "cases.csv", dtype=str, keep_default_na=False)
    cases.loc[cases["tooth"] == "99", "tooth"] = "36"
    cases.to_csv(practice / "cases.csv", index=False)
    done = run("check", mine, practice)
    assert "0 refused" in done.output
    assert "Refused rows" not in done.output
    assert not any(code.lower() in kept.read_text().lower() for code in codes)


@pytest.mark.parametrize("door", ["check", "report", "send", "reduce"])
@pytest.mark.usefixtures("answer_alone")
def test_who_wants_the_data_gone_is_in_no_file_though_the_row_was_refused(refused_and_gone, tmp_path, door):
    mine, practice, codes, kept = refused_and_gone
    into = tmp_path / "out"
    more = {"report": ("--into", into, "--format", "json"), "send": ("--practice", "P04", "--into", into)}
    if door == "reduce":
        more[door] = ("--log", practice / "opened-P04.csv", "--into", into)
    done = run(door, mine, practice, *more.get(door, ()))
    assert done.exit_code == 0, done.output
    written = [kept, *into.rglob("*")] if door != "reduce" else list((into / "work" / "rejects").glob("*.csv"))
    texts = [p.read_text(encoding="utf-8").lower() for p in written if p.suffix in (".csv", ".json")]
    assert not any(code.lower() in text for text in texts for code in codes[:2])
    refused = kept if door != "reduce" else written[0]
    assert codes[2] in refused.read_text()
    assert "Left out because consent was taken back: 2 cases." in done.output
    if door == "send":
        counts = dict(json.loads(next(into.glob("*exchange.json")).read_text())["content"]["flow"]["rows"])
        assert (counts["recorded"], counts["refused"]) == (len(codes) - 2, 1)
    if door == "report":
        found = spread(json.loads(next(into.glob("*.json")).read_text()))
        read, accepted, *_ = found["flow"]["stages"]
        lost = {r["code"]: r["count"] for r in accepted["lost"]}
        assert lost["withdrawn"] == 2
        assert read["count"] - sum(lost.values()) == accepted["count"]
        assert found["data_quality"]["rows_refused"] == sum(lost.values()) - 2 == 1


def test_a_file_of_refused_rows_is_written_anew_though_none_is_left(refused_and_gone):
    mine, practice, codes, kept = refused_and_gone
    run("withdraw", mine, "--case", codes[2], "--remove-data")
    run("check", mine, practice)
    assert not any(code.lower() in kept.read_text().lower() for code in codes[:3])
