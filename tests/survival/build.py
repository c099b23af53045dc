"""Small ways to write intervals down, for the tests of this room."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st

from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.summaries import quantiles
from onsetstudy.survival.testing.unlike_gaps import Gaps

inf = np.inf


def cases(**gaps_by_arm):
    """Intervals and arms from ``arm=[(left, right, how many), ...]``."""
    rows = [(a, b, arm) for arm, gaps in gaps_by_arm.items() for a, b, count in gaps for _ in range(count)]
    return Intervals([r[0] for r in rows], [r[1] for r in rows]), np.array([r[2] for r in rows])


def grid(counts, step=2.0):
    """Gap list of a shared schedule: ``counts[-1]`` never numb."""
    ends = [step * i for i in range(len(counts))] + [inf]
    return [(ends[i], ends[i + 1], c) for i, c in enumerate(counts)]


@st.composite
def interval_rows(draw, min_size=2, max_size=14):
    """Rows (left, right) on a half-minute lattice: gaps, exact, first-test and never-seen times."""
    n = draw(st.integers(min_size, max_size))
    rows = []
    for _ in range(n):
        left = draw(st.integers(0, 12)) / 2
        width = draw(st.sampled_from([0.0, 0.5, 1.0, 2.5, 4.0, inf]))
        rows.append((left, left + width))
    return rows


def quantile_alone(times, share=0.5, conf_level=0.95):
    """Bounds, estimate and limits of the minute by which a share of one group is numb, reached or not."""
    return quantiles._quantile(quantiles._Group.of((Gaps.of(times),), np.ones(1)), share, conf_level)
