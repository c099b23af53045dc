import datetime as dt
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from onsetstudy.core.canonical import canonical_json, canonical_value, digest_of_rows, digest_of_text

CELL = st.none() | st.text(max_size=6) | st.integers(-999, 999) | st.floats(-1e6, 1e6) | st.booleans() | st.dates()


def same(one, two):
    missing = (one is None, two is None)
    if any(missing):
        return all(missing)
    return (
        (type(one) in (int, float)) == (type(two) in (int, float))
        and (type(one) in (int, float) or type(one) is type(two))
        and one == two
    )


@given(CELL, CELL)
def test_two_values_share_a_text_exactly_where_they_are_equal(one, two):
    assert (canonical_value(one) == canonical_value(two)) == same(one, two)


def test_a_day_is_the_same_whatever_carries_it():
    day = dt.date(2026, 1, 31)
    stamps = (pd.Timestamp(day), pd.Timestamp(day).as_unit("us"), pd.Timestamp(day).as_unit("s"))
    assert {canonical_value(v) for v in stamps} == {canonical_value(day)}


def test_missing_is_one_thing():
    assert {canonical_value(v) for v in (None, np.nan, float("nan"))} == {""}
    assert canonical_value("") != ""
    with pytest.raises(TypeError):
        canonical_value([1])


@given(st.lists(st.tuples(CELL, CELL), min_size=2, max_size=6))
def test_order_does_not_count_and_content_does(rows):
    table = {"a": [r[0] for r in rows], "b": [r[1] for r in rows]}
    turned = {"b": [r[1] for r in reversed(rows)], "a": [r[0] for r in reversed(rows)], "new": [None] * len(rows)}
    assert digest_of_rows(table) == digest_of_rows(turned)
    assert digest_of_rows(table) != digest_of_rows({**table, "c": ["x"] + [None] * (len(rows) - 1)})


def test_a_cell_cannot_pass_for_two():
    assert digest_of_rows({"a": ["x\x1fy"], "b": ["z"]}) != digest_of_rows({"a": ["x"], "b": ["y\x1fz"]})
    assert digest_of_text("ab", "c") != digest_of_text("a", "bc")


def test_the_text_is_the_one_that_is_described():
    # By hand: sha256 of '["a", "b"]', a line feed, '1' unit separator '"x"'.
    import hashlib

    assert digest_of_rows({"b": ["x"], "a": [1.0]}) == hashlib.sha256(b'["a", "b"]\n1\x1f"x"').hexdigest()
    with pytest.raises(ValueError):
        canonical_json({"z": float("inf")})


def test_no_library_of_tables_has_a_say():
    code = "import sys; import onsetstudy.core.canonical; print('pandas' in sys.modules, 'numpy' in sys.modules)"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert told.split() == ["False", "False"]
