import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.study.counts.exchange import merge_small_groups

COLUMNS = ["quarter", "technique", "arm", "left", "n"]


def merged(rows, least=5):
    frame = pd.DataFrame(rows, columns=COLUMNS)
    return frame, merge_small_groups(frame, least=least, period="quarter", kinds=("technique",))


def test_large_groups_are_left_alone():
    frame, found = merged([("2026Q1", "ianb", "plain", 0.0, 5), ("2026Q2", "ianb", "plain", 1.0, 7)])
    pd.testing.assert_frame_equal(found.frame, frame)
    assert (found.moved, found.steps) == (0, ())


def test_a_rare_technique_of_one_quarter_is_joined_in_time_and_stays_what_it_is():
    ianb = [(quarter, "ianb", "plain", 0.0, 9) for quarter in ("2026Q1", "2026Q2")]
    _, found = merged([*ianb, ("2026Q1", "mental", "plain", 0.0, 2), ("2026Q2", "mental", "plain", 0.0, 3)])
    assert found.frame.values.tolist() == [
        ["2026Q1", "ianb", "plain", 0.0, 9], ["2026Q1+2026Q2", "mental", "plain", 0.0, 5],
        ["2026Q2", "ianb", "plain", 0.0, 9],
    ]  # fmt: skip
    assert found.steps == ("mental: 2026Q1, 2026Q2 were joined into one period",)
    assert found.moved == 5


def test_a_technique_that_is_rare_in_all_takes_company():
    _, found = merged([("2026Q1", "ianb", "plain", 0.0, 9), ("2026Q1", "mental", "plain", 0.0, 2)])
    assert found.frame.values.tolist() == [["2026Q1", "other", "plain", 0.0, 11]]
    assert found.steps == ("ianb, mental became other",)


def test_too_few_altogether_are_not_sent():
    with pytest.raises(OnsetStudyError, match="4 analysed cases are fewer than 5"):
        merged([("2026Q1", "ianb", "plain", 0.0, 4)])


rows = st.lists(
    st.tuples(
        st.sampled_from(["2026Q1", "2026Q2", "2026Q3", "2026Q4"]), st.sampled_from(["a", "b", "c"]),
        st.sampled_from(["plain", "buffered"]), st.sampled_from([0.0, 1.0, 2.0]), st.integers(1, 4),
    ),
    min_size=1, max_size=25,
)  # fmt: skip


@given(rows, st.integers(1, 8))
def test_no_group_is_small_and_no_case_is_lost(drawn, least):
    total = sum(row[-1] for row in drawn)
    if total < least:
        return
    frame, found = merged(drawn, least)
    assert found.frame["n"].sum() == total
    assert (found.frame.groupby(["quarter", "technique"])["n"].sum() >= least).all()
    for column in ("arm", "left"):
        pd.testing.assert_series_equal(frame.groupby(column)["n"].sum(), found.frame.groupby(column)["n"].sum())
    if not any("became other" in step for step in found.steps):
        by = ["technique", "arm", "left"]
        pd.testing.assert_series_equal(frame.groupby(by)["n"].sum(), found.frame.groupby(by)["n"].sum())


def test_periods_are_joined_until_there_are_exactly_enough_and_no_further():
    counts = (2, 3, 5, 4, 1, 6, 2)
    names = ("2025Q1", "2025Q2", "2025Q3", "2025Q4", "2026Q1", "2026Q2", "2026Q3")
    _, found = merged([(q, "ianb", "plain", 0.0, n) for q, n in zip(names, counts, strict=True)])
    assert dict(zip(found.frame["quarter"], found.frame["n"], strict=True)) == {
        "2025Q1+2025Q2": 5, "2025Q3": 5, "2025Q4+2026Q1": 5, "2026Q2+2026Q3": 8,
    }  # fmt: skip
    assert found.moved == 18
