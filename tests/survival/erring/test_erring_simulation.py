"""What was simulated of tests that err holds, and its parts are what they say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.simulation import erring_tests as simulated

TABLE = pd.read_csv(Path(__file__).parents[2] / "simulation" / "erring_tests.csv")


@pytest.mark.parametrize("kind", simulated.KINDS)
@pytest.mark.parametrize("chance", [0.05, 0.13])
def test_errors_are_as_many_on_average_however_they_are_shared_out(kind, chance):
    rng = np.random.default_rng(1)
    wrong = simulated.errors(rng, kind, (40_000, 6), chance)
    assert wrong.mean() == pytest.approx(chance, abs=0.004)
    again = wrong[:, 1][wrong[:, 0]].mean()
    assert again == pytest.approx(chance, abs=0.02) if kind == "independent" else again > chance + 0.1


@pytest.mark.parametrize(
    ("felt", "reader", "ends"),
    [
        ("1101001", "one", (2, 3)),
        ("1101001", "two", (4, 5)),
        ("1101001", "two of three", (2, 3)),
        ("1101101", "two of three", (15, np.inf)),
        ("0011001", "two of three", (0, 1)),
        ("0110100", "two of three", (3, 4)),
        ("1110001", "three", (3, 4)),
    ],
)
def test_rules_by_hand(felt, reader, ends):
    """Seven tests, then felt to the end at 16 min; a never-numb tooth is followed to its last felt test."""
    row = np.array([[c == "1" for c in felt] + [True] * 6])
    times = simulated.ruled(row, reader)
    left = 16 if np.isinf(ends[1]) else ends[0]
    assert (times.left[0], times.right[0]) == (left, ends[1])


def test_the_model_holds_where_errors_are_independent_and_is_early_where_a_tooth_errs_again_and_again():
    model = TABLE[(TABLE["reader"] == "model") & (TABLE["cases_per_arm"] == 40) & (TABLE["specificity"] < 1)]
    independent, tooth = (model[model["errors"] == kind] for kind in simulated.KINDS)
    for name in ("wait", "difference", "numb_by_5"):
        assert (independent[f"covers_{name}"] >= 0.95 - 2.6 * independent["mc_error"]).all()
    assert (independent["bias_wait"].abs() < 0.1).all()
    assert (tooth["bias_wait"] < -0.1).all()
    assert (tooth["covers_wait"] >= 0.9).all()


def test_two_in_a_row_errs_less_than_one_test_and_more_where_errors_are_correlated():
    small = TABLE[TABLE["cases_per_arm"] == 40]
    told = small.set_index(["errors", "sensitivity", "specificity", "reader"])["bias_wait"]
    for se, sp in simulated.VALUES:
        for kind in simulated.KINDS:
            # Where a tooth errs again and again, its errors come two in a row too: less is won.
            part = 0.25 if kind == "independent" else 0.7
            assert abs(told[kind, se, sp, "two"]) < part * abs(told[kind, se, sp, "one"])
        assert told["tooth", se, sp, "two"] < told["independent", se, sp, "two"] - 0.1


def test_the_page_shows_the_table_that_was_simulated():
    page = (Path(__file__).parents[3] / "docs" / "statistics.md").read_text(encoding="utf-8")
    assert simulated.markdown(TABLE) in page
