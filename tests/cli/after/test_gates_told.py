"""``check``, ``send`` and ``group`` tell whether the cold tests can bear an answer, before anybody looks at one."""

from __future__ import annotations

import shutil

import pandas as pd
import pytest

from onsetstudy.files.exchange import read_exchange
from tests.cli.test_commands import GROUP, ROOT, run

SYNTHETIC = ROOT / "data" / "synthetic"
WITHOUT = ("--without-list", "tried out")


@pytest.fixture(scope="module")
def lost(tmp_path_factory):
    """The invented study with control teeth of P01 that go numb with the target."""
    folder = tmp_path_factory.mktemp("lost")
    shutil.copy(SYNTHETIC / "cases.csv", folder)
    tests = pd.read_csv(SYNTHETIC / "cold_tests.csv", dtype=str)
    minute = tests["minute"].astype(float)
    target = (tests["tooth_role"] == "target") & (tests["response"] == "not_felt")
    numb = tests["case_id"].map(minute[target].groupby(tests["case_id"]).min())
    own = tests["case_id"].str.startswith("P01") & (tests["tooth_role"] == "control")
    tests.loc[own & (minute >= numb - 0.05), "response"] = "not_felt"
    tests.to_csv(folder / "cold_tests.csv", index=False)
    return folder


def test_check_asks_about_the_testing_and_does_not_call_it_in_order(lost):
    told = run("check", GROUP, lost, *WITHOUT)
    assert told.returncode == 0, told.stderr
    assert "Please look: The control tooth was lost with the target" in told.stderr
    assert "(practice P01)" in told.stderr
    assert "No answer will be shown." in told.stderr
    assert "Nothing has to be corrected." not in told.stdout
    assert "the report will show no answer about onset before this is settled" in told.stdout


def test_check_of_an_honest_study_has_nothing_to_ask_of_the_testing():
    told = run("check", GROUP, SYNTHETIC, *WITHOUT)
    assert "Nothing has to be corrected." in told.stdout
    assert "control tooth was lost" not in told.stderr


@pytest.mark.slow
def test_send_puts_the_doubt_into_the_file_and_group_leaves_the_practice_out(lost, tmp_path):
    for practice, folder in (("P01", lost), ("P02", SYNTHETIC), ("P03", SYNTHETIC)):
        sent = run("send", GROUP, folder, "--practice", practice, "--into", tmp_path / "in", *WITHOUT)
        assert sent.returncode == 0, sent.stderr
        assert ("raised doubts" in sent.stdout) == (practice == "P01")
    doubts = {e.practice: e.doubts for e in map(read_exchange, sorted((tmp_path / "in").iterdir()))}
    assert [d.code for d in doubts["P01"]] == ["control_lost"]
    assert doubts["P02"] == ()
    told = run("group", GROUP, tmp_path / "in", "--into", tmp_path / "out", "--format", "json", answer_alone=True)
    assert told.returncode == 0, told.stderr
    assert "Left out of the answer, because their cold tests cannot bear it: practice" in told.stderr
