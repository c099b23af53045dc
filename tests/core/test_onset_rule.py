"""The onset rule, every branch by hand, and against a slow twin that walks through the readings one by one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from onsetstudy.core.intervals import REASONS, derive_intervals

INF, NAN = math.inf, math.nan


def derive(cases, **options):
    """Cases as lists of (minute, felt)."""
    rows = [(i, minute, felt) for i, case in enumerate(cases) for minute, felt in case]
    number, minute, felt = (np.array(c) for c in zip(*rows, strict=True)) if rows else (np.array([]),) * 3
    return derive_intervals(number.astype(int), minute.astype(float), felt.astype(bool), n_cases=len(cases), **options)


def answers(text, start=1):
    return [(start + i, letter == "f") for i, letter in enumerate(text) if letter != "."]


BY_HAND = [
    # felt 1, felt 2, not 3, felt 4, not 5, not 6: onset in (4, 5], confirmed at 6
    ("ffnfnn", (4, 5, 6), "confirmed", (6, INF)),
    # not felt at the first two tests: (0, 1]
    ("nn", (0, 1, 2), "numb_at_first_test", (2, INF)),
    # never numb: followed to the last felt test
    ("ffff", (4, INF, NAN), "never_confirmed", (NAN, NAN)),
    # a single not felt as the last test: followed to the last felt test, not to the end
    ("fffn", (3, INF, NAN), "unconfirmed_last", (NAN, NAN)),
    # a missed test widens the interval: felt 1, missed 2, not 3, not 4
    ("f.nn", (1, 3, 4), "confirmed", (4, INF)),
    # a missed test inside the run does not break it: not 2 and not 4 are consecutive valid tests
    ("fn.n", (1, 2, 4), "confirmed", (4, INF)),
    # a first reading not felt, alone, then felt: no onset at 1
    ("nfnn", (2, 3, 4), "confirmed", (4, INF)),
    # not felt only once, as the only reading: nothing is known
    ("n", (0, INF, NAN), "unconfirmed_last", (NAN, NAN)),
    # sensation returns after a confirmed onset: loss in (5, 6], no new onset
    ("ffnnnfnn", (2, 3, 4), "confirmed", (5, 6)),
    # felt right after the confirmation
    ("nnf", (0, 1, 2), "numb_at_first_test", (2, 3)),
    # no reading at all
    ("", (0, INF, NAN), "no_valid_reading", (NAN, NAN)),
]


@pytest.mark.parametrize(("text", "expected", "reason", "loss"), BY_HAND)
def test_by_hand(text, expected, reason, loss):
    found = derive([answers(text)])
    assert [found.left[0], found.right[0], found.confirmed_at[0]] == pytest.approx(list(expected), nan_ok=True)
    assert found.reason[0] == reason
    assert [found.loss_left[0], found.loss_right[0]] == pytest.approx(list(loss), nan_ok=True)


@pytest.mark.parametrize(("confirmations", "expected"), [(1, (2, 3)), (2, (4, 5)), (3, (4, 5)), (4, (4, INF))])
def test_confirmations(confirmations, expected):
    # felt 1, felt 2, not 3, felt 4, not 5, not 6, not 7
    found = derive([answers("ffnfnnn")], confirmations=confirmations)
    assert (found.left[0], found.right[0]) == expected


def test_an_unconfirmed_last_reading_counts_if_asked():
    found = derive([answers("fffn"), answers("fnf")], accept_unconfirmed=True)
    assert (found.left[0], found.right[0], found.confirmed_at[0]) == (3, 4, 4)
    assert found.right[1] == INF


def test_readings_after_a_supplement_say_nothing_of_the_first_injection():
    found = derive([answers("fffnn"), answers("fnnnn"), answers("fn")], rescue_min=np.array([4.0, 3.5, 2.5]))
    # Not felt at 4 and 5 came after the supplement at 4.
    assert (found.left[0], found.right[0], found.reason[0]) == (3, INF, "rescued")
    # Confirmed at 3, before the supplement at 3.5: onset stands.
    assert (found.left[1], found.right[1], found.reason[1]) == (1, 2, "confirmed")
    # Begun at 2 but not confirmed before the supplement.
    assert (found.left[2], found.right[2], found.reason[2]) == (1, INF, "rescued")


def test_a_supplement_on_a_case_without_readings():
    found = derive([[]], rescue_min=np.array([5.0]))
    assert (found.left[0], found.right[0], found.reason[0]) == (0, INF, "rescued")


def test_not_felt_at_minute_nought_is_an_onset_at_nought():
    found = derive([[(0, False), (1, False)]])
    assert (found.left[0], found.right[0]) == (0, 0)


def slow(readings, confirmations, accept):
    """The rule as it is said: walk through the readings and look for the first confirmed run."""
    for i, (minute, felt) in enumerate(readings):
        if felt or (i > 0 and not readings[i - 1][1]):
            continue
        run = readings[i:]
        length = next((k for k, (_, f) in enumerate(run) if f), len(run))
        if length >= confirmations or (accept and i + length == len(readings)):
            left = max([m for m, f in readings[:i] if f], default=0.0)
            after = [m for m, f in run if f]
            loss_right = after[0] if after else INF
            loss_left = run[length - 1][0]
            return left, minute, run[min(confirmations, length) - 1][0], loss_left, loss_right
    return max([m for m, f in readings if f], default=0.0), INF, NAN, NAN, NAN


@given(
    st.lists(st.lists(st.sampled_from("fn."), max_size=9).map("".join), min_size=1, max_size=5),
    st.integers(1, 3),
    st.booleans(),
)
def test_against_the_slow_twin(texts, confirmations, accept):
    cases = [answers(t) for t in texts]
    found = derive(cases, confirmations=confirmations, accept_unconfirmed=accept)
    for i, case in enumerate(cases):
        got = [found.left[i], found.right[i], found.confirmed_at[i], found.loss_left[i], found.loss_right[i]]
        assert got == pytest.approx(list(slow(case, confirmations, accept)), nan_ok=True), texts[i]
    assert set(found.reason) <= set(REASONS)


@given(
    st.lists(st.tuples(st.text("fn.", max_size=9), st.floats(0, 12) | st.none()), min_size=1, max_size=5),
    st.integers(1, 3),
    st.booleans(),
)
def test_a_supplement_is_the_end_of_the_readings(told, confirmations, accept):
    """Against the slow twin on what came before the supplement, of several cases at once."""
    cases = [answers(text) for text, _ in told]
    rescue = np.array([NAN if minute is None else minute for _, minute in told])
    found = derive(cases, confirmations=confirmations, accept_unconfirmed=accept, rescue_min=rescue)
    for i, case in enumerate(cases):
        before = [(minute, felt) for minute, felt in case if not minute >= rescue[i]]
        expected = slow(before, confirmations, accept)
        got = [found.left[i], found.right[i], found.confirmed_at[i], found.loss_left[i], found.loss_right[i]]
        assert got == pytest.approx(list(expected), nan_ok=True), told[i]
        assert (found.reason[i] == "rescued") == (not np.isnan(rescue[i]) and expected[1] == INF)
