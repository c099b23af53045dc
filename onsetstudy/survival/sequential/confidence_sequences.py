"""Limits of the difference in success that hold whenever one looks.

Within a block all orders of the arms were equally likely, so that the difference of the shares within it has the true
difference as its mean. A candidate difference is left out once a bet against it has won too much: the hedged capital of
Waudby-Smith I, Ramdas A. Estimating means of bounded random variables by betting. Journal of the Royal Statistical
Society B 2024;86:1-27.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import BoolArray, FloatArray, IndexArray
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Caution, Counts
from onsetstudy.survival.results import ConfidenceSequence
from onsetstudy.survival.sequential.e_values import CALENDAR, KNOWN_CHANCE, Draws

CANDIDATES = 801
TRUNCATED = 0.5
SAME_MEAN = Assumption(
    name="one difference", detail="the expected difference is the same all along, or its average is meant"
)


def success_sequence(
    times: Intervals,
    arm: ArrayLike,
    *,
    reference_arm: str,
    target_min: float,
    block: ArrayLike,
    conf_level: float = 0.95,
) -> ConfidenceSequence:
    """Limits of the difference in the share numb by the target, block by block.

    Parameters
    ----------
    times : Intervals, n cases
        In the order in which arms were drawn.
    arm, reference_arm, block
        As for :func:`~onsetstudy.survival.sequential.e_values.anytime_test`. Blocks of one arm tell nothing.
    target_min : float
    conf_level : float

    Returns
    -------
    ConfidenceSequence
        A case whose gap straddles the target is taken against each limit: limits enclose both answers.

    Raises
    ------
    OnsetStudyError
        As for ``anytime_test``, or if level or target make no sense.
    """
    draws = Draws.of(len(times), arm, reference_arm, block)
    other = draws.other
    if not 0 < conf_level < 1 or target_min <= 0:
        raise OnsetStudyError("the level must lie between 0 and 1 and the target above 0")
    numb = times.right <= target_min
    open_ = ~numb & (times.left < target_min)
    # Against the upper limit an undecided case counts for the other arm, against the lower one for the reference.
    limits = []
    for success in (np.where(open_, ~other, numb), np.where(open_, other, numb)):
        limits.append(_limits(*_by_block(success, other, draws.blocks), len(times), conf_level))
    undecided = int(open_.sum())
    text = f"{undecided} cases straddle {target_min:g} min; the limits enclose whatever they were."
    return ConfidenceSequence(
        low=limits[0][0],
        high=limits[1][1],
        level=conf_level,
        contrast=f"{draws.names[1]} - {draws.names[0]}",
        quantity="success_difference",
        unit="proportion",
        undecided=undecided,
        method="hedged capital of bounded means, running intersection",
        n=Counts.of(numb, draws.arm, draws.names),
        assumptions=(KNOWN_CHANCE, CALENDAR, SAME_MEAN),
        caution=(Caution(code="undecided", text=text),) if undecided else (),
        source="Waudby-Smith & Ramdas 2024, J R Stat Soc B 86:1-27",
    )


def _by_block(success: BoolArray, other: BoolArray, rows: list[IndexArray]) -> tuple[IndexArray, FloatArray]:
    """The case after which each value is known, and values within -1 and 1 with the true difference as mean."""
    both = [r for r in rows if other[r].any() and not other[r].all()]
    value = [success[r[other[r]]].mean() - success[r[~other[r]]].mean() for r in both]
    return np.array([r[-1] for r in both], dtype=np.intp), np.array(value, dtype=np.float64)


def _limits(cases: IndexArray, values: FloatArray, n: int, level: float) -> tuple[FloatArray, FloatArray]:
    """Lower and upper limit after each case, shape (n,), from what :func:`_by_block` gives."""
    candidate = np.linspace(-1, 1, CANDIDATES)
    width = candidate[1] - candidate[0]
    scaled = ((candidate + 1) / 2).clip(1e-9, 1 - 1e-9)
    rich, poor = np.zeros(CANDIDATES), np.zeros(CANDIDATES)
    threshold = math.log(2 / (1 - level))
    low, high = np.full(n, -1.0), np.full(n, 1.0)
    kept = np.ones(CANDIDATES, dtype=bool)
    mean, spread = 0.5, 0.25
    for k, (case, value) in enumerate(zip(cases, values, strict=True), start=1):
        x = (value + 1) / 2
        bet = math.sqrt(2 * threshold / (max(spread, 1e-8) * k * math.log(k + 1)))
        rich += np.log1p(np.minimum(bet, TRUNCATED / scaled) * (x - scaled))
        poor += np.log1p(-np.minimum(bet, TRUNCATED / (1 - scaled)) * (x - scaled))
        kept &= np.maximum(rich, poor) < threshold
        # Of earlier steps only: what is bet next never knows what it is bet on.
        mean = (0.5 + values[:k].sum() / 2 + k / 2) / (k + 1)
        spread = (spread * k + (x - mean) ** 2) / (k + 1)
        still = candidate[kept]
        if still.size:
            low[case:], high[case:] = still[0] - width, still[-1] + width
    return np.clip(low, -1, 1), np.clip(high, -1, 1)
