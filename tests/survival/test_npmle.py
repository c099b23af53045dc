from __future__ import annotations

import numpy as np

from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.innermost import innermost_intervals, support_index
from onsetstudy.survival.npmle import fit_npmle


def test_neighbouring_gaps_share_by_thirds():
    curve = fit_npmle(Intervals([0] * 5 + [2] * 5 + [4] * 5, [2] * 5 + [4] * 5 + [6] * 5))
    np.testing.assert_allclose(curve.mass, [1 / 3] * 3, rtol=0, atol=1e-12)
    assert curve.left.tolist() == [0, 2, 4]
    assert curve.right.tolist() == [2, 4, 6]


def test_order_of_ends_at_one_value():
    times = Intervals([1, 2, 2, 0], [2, 2, 3, np.inf])
    support = innermost_intervals(times)
    assert list(zip(support.left, support.right, strict=True)) == [(2, 2), (2, 3)]
    first, last = support_index(times, support)
    assert first.tolist() == [0, 0, 1, 0]
    assert last.tolist() == [0, 0, 1, 1]
