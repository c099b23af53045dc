"""What was simulated of reactive testing holds, and is what the code does today."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from onsetstudy.records.derived.onset import Onsets
from tests.simulation import reactive_testing as simulated

TABLE = pd.read_csv(Path(__file__).parents[2] / "simulation" / "reactive_testing.csv")


def intervals(pattern, k, law="alike"):
    written, known = simulated.tested(law, pattern, 1, 40, k)
    found = Onsets(records=written, protocol=simulated.protocol()).table(window_min=simulated.WINDOW)
    return found[["left_min", "right_min"]].to_numpy(), written, known


@pytest.mark.parametrize("k", range(5))
def test_tests_brought_forward_change_no_interval(k):
    """Where every test stays on the side of onset on which it was, its minute decides nothing."""
    quiet, _, _ = intervals("none", k)
    early, tests, _ = intervals("early", k)
    assert (quiet == early).mean() > 0.97
    every = Onsets(records=tests, protocol=simulated.protocol()).table()[["left_min", "right_min"]].to_numpy()
    assert (every != early).mean() > 0.5


@pytest.mark.parametrize("pattern", ["tingles", "twice", "skips", "before"])
def test_extra_tests_recorded_as_such_change_few_intervals_and_none_by_more_than_missed_tests_do(pattern):
    """What is left: an extra test speaks for a planned minute that nobody came to, one in twenty."""
    for k in range(5):
        quiet, _, _ = intervals("none", k)
        asked, _, _ = intervals(pattern, k)
        assert (quiet == asked).all(axis=1).mean() > 0.85
        assert abs((asked[:, 0] - quiet[:, 0]).mean()) < 0.15


def test_no_pattern_in_one_arm_makes_a_difference_more_often_than_testing_on_the_plan():
    window = TABLE[TABLE["rule"].isin(["window", "recorded"])]
    slack = 2.6 * window["mc_error"]
    reactive = ~window["pattern"].isin(["late", "waits"])
    assert (window["rejects_5_wait"] <= 0.05 + slack)[reactive].all()
    assert set(window["pattern"]) == {"none", *simulated.PATTERNS}
    # Lateness of one arm is told of, and what was not told of errs no more often than one in twenty.
    assert (window["rejects_5_unqualified"] <= 0.05 + slack).all()
    assert (window["qualified"][~reactive] > 0.99).all()
    assert (window["qualified"][window["pattern"] == "none"] <= 0.05).all()
    every = TABLE[(TABLE["rule"] == "all") & (TABLE["onset"] == "alike")].set_index("pattern")["rejects_5_wait"]
    assert every["tingles"] > 0.15
    assert every["early"] > 0.1
    recorded = TABLE[TABLE["rule"] == "recorded"]
    assert (recorded["mean_difference_min"].abs() <= 0.02).all()


def test_the_page_shows_the_table_that_was_simulated():
    page = (Path(__file__).parents[3] / "docs" / "statistics.md").read_text(encoding="utf-8")
    assert simulated.markdown(TABLE) in page
