"""Strata for a ratio of rates: enough cases in each, and the same from rows and from counts."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from onsetstudy.study.sets.analysis_set import shared_baselines


def test_small_ones_are_put_together_by_what_matters_most():
    technique = np.repeat(["block", "block", "block", "other"], [20, 7, 8, 6])
    practice = np.repeat(["P01", "P02", "P03", "P03"], [20, 7, 8, 6])
    found = shared_baselines([technique, practice], least=15)
    assert list(dict.fromkeys(found.tolist())) == ["block | P01", "block | others", " | others"]
    assert [int((found == name).sum()) for name in ("block | P01", "block | others", " | others")] == [20, 15, 6]


def test_one_stratum_is_none():
    assert shared_baselines([]) is None
    assert shared_baselines([["a"] * 5 + ["b"] * 4], least=6) is None


codes = st.lists(st.tuples(st.sampled_from("ab"), st.sampled_from("xyz")), min_size=1, max_size=40)


@given(codes, st.randoms(use_true_random=False), st.integers(1, 12))
def test_order_of_rows_and_counting_change_nothing(rows, random, least):
    def strata(pairs, **options):
        found = shared_baselines(list(zip(*pairs, strict=True)), least=least, **options)
        return dict(zip(pairs, [""] * len(pairs) if found is None else found.tolist(), strict=True))

    shuffled = random.sample(rows, len(rows))
    distinct = sorted(set(rows))
    as_rows = strata(rows)
    assert strata(shuffled) == as_rows
    assert strata(distinct, weight=[rows.count(pair) for pair in distinct]) == as_rows
    # Nobody with enough cases of their own is put together with others.
    own = {pair for pair in distinct if rows.count(pair) >= least}
    if as_rows[rows[0]]:
        assert all(as_rows[pair] == " | ".join(pair) for pair in own)
