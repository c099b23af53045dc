"""Profile likelihood limits for what a curve of erring tests comes to: a share numb, or the difference of two waits.

References
----------
.. [1] Owen AB (1990). Empirical likelihood ratio confidence regions. Annals of Statistics 18, 90-120.
.. [2] Boyd S, Vandenberghe L (2004). Convex optimization, section 11.7 (primal-dual interior point method).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg, stats

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.survival.erring.misclassified import QUANTITY, ErrorKernel

STEPS = 100
DONE = 1e-7
"""How far from the limit, as part of what a sum can vary, masses are taken as found: the certificate."""
SHARE = 0.1
"""How much of the gap the next step aims to leave."""


def profile_limits(
    kernels: Sequence[ErrorKernel],
    sums: Sequence[ArrayLike],
    *,
    conf_level: float,
    start: Sequence[FloatArray],
    largest: Sequence[ArrayLike] | None = None,
) -> tuple[float, float]:
    """Limits of a sum of masses over groups: all values whose best masses are not too unlikely.

    Parameters
    ----------
    kernels : sequence of ErrorKernel
        One for each group.
    sums : sequence of array_like, shape (k,)
        What each mass of a group counts; for a difference the one group's are negative.
    conf_level : float
    start : sequence of ndarray, shape (k,)
        Masses of greatest likelihood of each group.
    largest : sequence of array_like, shape (k,), optional
        What masses count at the upper limit, where that is not what they count at the lower one.

    Returns
    -------
    low, high : float
        Where twice the loss of log-likelihood reaches the quantile of chi-squared with one degree of freedom; the least
        or largest value there is, where it never does.

    Raises
    ------
    OnsetStudyError
        If what masses count is not told for each of them.
    NotEstimable
        If a limit was not reached to within ``DONE``.

    Notes
    -----
    A limit is the end of a convex set: the largest of a linear sum over all masses that lose no more log-likelihood
    than allowed. It is found at once, with the multiplier that holds the likelihood, and certified by the gap to what
    the multipliers prove that no allowed masses exceed. Masses on the border of what is possible make the quantile an
    approximation.
    """
    both = [[np.asarray(c, dtype=np.float64) for c in each] for each in (sums, sums if largest is None else largest)]
    if any([c.shape[0] for c in each] != [k.chance.shape[1] for k in kernels] for each in both):
        raise OnsetStudyError("every mass of every group needs to be told what it counts")
    lost = float(stats.chi2.ppf(conf_level, 1)) / 2
    low, high = (np.concatenate(each) for each in both)
    allowed = _Allowed.of(kernels, start, lost)
    return -allowed.farthest(-low), allowed.farthest(high)


@dataclass(frozen=True, slots=True, eq=False)
class _Allowed:
    """Masses of all groups in one row that lose no more log-likelihood than allowed.

    ``group``: shape (groups, k), 1 where a mass is of a group. ``floor``: what log-likelihood has to be left, the scale
    of kernels aside. ``inside``: masses that are all above 0 and lose half of it at most.
    """

    chance: FloatArray
    weight: FloatArray
    group: FloatArray
    lost: float
    floor: float
    inside: FloatArray

    @classmethod
    def of(cls, kernels: Sequence[ErrorKernel], start: Sequence[FloatArray], lost: float) -> _Allowed:
        """Around the masses of greatest likelihood, drawn towards even ones until no more than half is lost."""
        chance, weight = linalg.block_diag(*(k.chance for k in kernels)), np.concatenate([k.weight for k in kernels])
        group, best = linalg.block_diag(*(np.ones((1, m.size)) for m in start)), np.concatenate(start)
        floor = float(weight @ np.log(chance @ best)) - lost
        away, share = group.T @ (1 / group.sum(axis=1)) - best, 0.5
        while weight @ np.log(chance @ (best + share * away)) < floor + lost / 2:
            share /= 2
        return cls(chance, weight, group, lost, floor, best + share * away)

    def farthest(self, counts: FloatArray) -> float:
        """The largest sum of what masses count: a primal-dual interior point with room left above the floor."""
        spread = float(max(np.ptp(counts[g > 0]) for g in self.group))
        if spread == 0:
            return float(counts @ self.inside)
        c, mass, k = counts / spread, self.inside, counts.size
        # Of a mean of n the multiplier of a loss so large is about this.
        multiplier, room = 0.5 / np.sqrt(2 * self.lost * self.weight.sum()), self.lost / 2
        slack = multiplier * room / mass
        for _ in range(STEPS):
            density = self.chance @ mass
            ratio = self.chance / density[:, None]
            gradient, held = self.weight @ ratio, float(self.weight @ np.log(density)) - self.floor
            worth = c + multiplier * gradient
            proven = sum(float(worth[g > 0].max()) for g in self.group)
            # No allowed masses exceed the sum by more: the likelihood is below its tangent, and masses are shares.
            if proven - float(worth @ mass) + multiplier * abs(held) <= DONE:
                return float(counts @ mass)
            aim = SHARE * float(multiplier * room + slack @ mass) / (k + 1)
            # Steps are taken as part of each mass: small ones would drown the others in rounding.
            own, border = ratio * mass, np.vstack([self.group, gradient]) * mass
            matrix = own.T @ ((multiplier * self.weight)[:, None] * own)
            matrix.flat[:: k + 1] += slack * mass
            solved = np.linalg.solve(matrix, np.column_stack([c * mass + aim, border.T]))
            across = border @ solved
            across[-1, -1] += room / multiplier
            goal = np.append(1 - self.group @ mass, aim / multiplier - held + room)
            holds = np.linalg.solve(across[:, 1:], across[:, 0] - goal)
            part = solved[:, 0] - solved[:, 1:] @ holds
            wider = float(border[-1] @ part) + held - room
            now = np.concatenate([mass, slack, [room, multiplier]])
            turn = np.concatenate([mass * part, aim / mass - slack - slack * part, [wider, -holds[-1] - multiplier]])
            # One length for all, as the gradient turns with the masses: the longest that leaves each above 0.
            down = turn < 0
            now = now + min(1.0, 0.99 * float((now[down] / -turn[down]).min(initial=np.inf))) * turn
            mass, slack, room, multiplier = now[:k], now[k:-2], float(now[-2]), float(now[-1])
        raise NotEstimable(QUANTITY, "the limits of a curve of erring tests were not reached", code="not_converged")
