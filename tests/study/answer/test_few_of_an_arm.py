"""An arm of a few cases: its limits of a wait are too short to say which arm is sooner, and by how much."""

from __future__ import annotations

import pytest

from onsetstudy.report.sentences import sentence
from tests.study.cases import analyse, protocol, study

SLOW, FAST = ["fffffffnn", "ffffffnn", "fffffffnn", "ffffffffnn"] * 5, ["fnn", "nn", "ffnn", "fnn"] * 5


def claim(slow, fast, key="rmst_difference"):
    """Of so many slow cases not buffered and fast ones buffered, no interim analyses."""
    promised, found = study(
        {"plain": SLOW[:slow], "buffered": FAST[:fast]}, protocol(plan={"sensitivity": ()}, looks=None)
    )
    results = analyse(promised, found)
    return results.claims.get(key), promised


@pytest.mark.parametrize(("slow", "fast"), [(16, 4), (4, 16), (12, 9), (9, 9)])
def test_neither_direction_nor_size_is_claimed(slow, fast):
    found, promised = claim(slow, fast)
    # The interval itself lies wholly beyond the difference that matters, and stays what it is.
    assert found.answer.interval.high < -promised.plan.wait_difference_min
    assert (found.bears.side, found.bears.size) == (0, "open")
    told = sentence(found, promised)
    assert f"With {min(slow, fast)} cases in an arm" in told.allows
    assert "no difference is claimed before each arm has 10" in told.allows
    assert "boundary" not in told.text
    assert "sooner on average than" not in told.seen


def test_ten_of_either_arm_bear_it():
    found, promised = claim(10, 10)
    assert (found.bears.side, found.bears.size) == (1, "beyond")
    assert "The whole interval lies beyond" in sentence(found, promised).allows


def test_other_quantities_have_limits_of_their_own():
    found, promised = claim(16, 4, "success_difference")
    assert found.bears.side == 1
    assert "in an arm the limits" not in sentence(found, promised).allows
