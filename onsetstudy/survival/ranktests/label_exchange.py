"""Which arm labels may change places if the arms did not differ, and what their sums would then vary by.

A *unit* carries one label: a case, or a whole cluster when clusters were allocated. Labels change places within a
*group*: a stratum, or a block within a stratum (the two sides of a mouth, the two visits of a patient).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import FloatArray, IntArray
from onsetstudy.core.cases import order_arms
from onsetstudy.core.errors import OnsetStudyError, Problem
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Counts


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LabelledCases:
    """Checked cases; labels as positions in their lists of names.

    Parameters
    ----------
    times : Intervals, n cases
    arm, stratum : ndarray of int, shape (n,)
    block, cluster : ndarray of int, shape (n,), or None
    weight : ndarray of float, shape (n,)
        Whole numbers: how many like cases a row stands for.
    arms : tuple of str
        Reference arm first, the others sorted.
    strata : tuple of str
        Sorted; one empty name without strata.
    """

    times: Intervals
    arm: IntArray
    stratum: IntArray
    block: IntArray | None
    cluster: IntArray | None
    weight: FloatArray
    arms: tuple[str, ...]
    strata: tuple[str, ...]

    def counts(self) -> Counts:
        """Cases and observed onsets, in total and by arm."""
        return Counts.of(np.isfinite(self.times.right), np.array(self.arms)[self.arm], self.arms, cases=self.weight)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Units:
    """Units that carry one arm label each, sorted by group.

    Parameters
    ----------
    total : ndarray of float, shape (u,)
        Summed score of a unit.
    arm, group : ndarray of int, shape (u,)
        Arm, and the group within which labels change places, from 0.
    count : ndarray of float, shape (u,)
        How many such units the entry stands for.
    group_stratum : ndarray of int, shape (g,)
        Stratum of each group.
    n_arms : int
    """

    total: FloatArray
    arm: IntArray
    group: IntArray
    count: FloatArray
    group_stratum: IntArray
    n_arms: int


def _numbered(labels: ArrayLike) -> tuple[IntArray, list[str]]:
    """Positions and sorted names of a label per case."""
    names, code = np.unique(np.asarray(labels), return_inverse=True)
    return code.astype(np.int64), [str(name) for name in names]


def label_cases(
    times: Intervals,
    arm: ArrayLike,
    *,
    reference_arm: str,
    stratum: ArrayLike | None = None,
    block: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    weight: ArrayLike | None = None,
) -> LabelledCases:
    """Cases with their labels numbered, which :class:`~onsetstudy.core.cases.Cases` has checked one by one.

    Raises
    ------
    OnsetStudyError
        If the reference arm is unknown or the only one, or clusters hold several arms, strata or blocks.
    """
    n = len(times)
    weights = np.ones(n) if weight is None else np.asarray(weight, dtype=np.float64)
    arm_of = np.asarray(arm)
    arms = order_arms(arm_of, weights, reference_arm)
    arm_code = np.argmax(arm_of[:, None] == np.array(arms), axis=1).astype(np.int64)
    stratum_code, strata = _numbered(np.full(n, "") if stratum is None else stratum)
    block_code = None if block is None else _numbered(block)[0]
    cluster_code, clusters = (None, []) if cluster is None else _numbered(cluster)
    if cluster_code is not None:
        inside = {"arm": arm_code, "stratum": stratum_code, "block": block_code}
        _refuse_torn(cluster_code, clusters, {k: v for k, v in inside.items() if v is not None})
    return LabelledCases(
        times=times,
        arm=arm_code,
        stratum=stratum_code,
        block=block_code,
        cluster=cluster_code,
        weight=weights,
        arms=arms,
        strata=tuple(strata),
    )


def _refuse_torn(cluster: IntArray, names: Sequence[str], inside: dict[str, IntArray]) -> None:
    problems = []
    _, first = np.unique(cluster, return_index=True)
    for label, code in inside.items():
        torn = np.unique(cluster[code != code[first][cluster]])
        if torn.size:
            listed = ", ".join(names[i] for i in torn[:20])
            mend = (
                f"whole clusters change places, so each must lie in one {label}; where the arms were allocated within "
                "it, give it as block instead"
            )
            problems.append(Problem.of_key("cluster", f"cluster {listed} holds more than one {label}", mend))
    if problems:
        raise OnsetStudyError(problems)


def make_units(cases: LabelledCases, score: FloatArray, rows: IntArray) -> Units:
    """Units that carry the labels, and the groups within which labels change places, of chosen ``rows``.

    Parameters
    ----------
    cases : LabelledCases, n rows
    score : ndarray of float, shape (n,)
    rows : ndarray of int
    """
    total, count, first = score[rows], cases.weight[rows], rows
    if cases.cluster is not None:
        _, place, member = np.unique(cases.cluster[rows], return_index=True, return_inverse=True)
        total = np.asarray(np.bincount(member, count * total), dtype=np.float64)
        count, first = np.ones(total.size), rows[place]
    stratum = cases.stratum[first]
    block = np.zeros(first.size, dtype=np.int64) if cases.block is None else cases.block[first]
    key = stratum * (block.max(initial=0) + 1) + block
    _, group_first, group = np.unique(key, return_index=True, return_inverse=True)
    order = np.argsort(group, kind="stable")
    return Units(
        total=total[order],
        arm=cases.arm[first][order],
        group=group[order].astype(np.int64),
        count=count[order],
        group_stratum=stratum[group_first],
        n_arms=len(cases.arms),
    )


def group_moments(units: Units) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What each group adds to the sums of the arms, and its mean and covariance when labels change places.

    Returns
    -------
    sums : ndarray of float, shape (g, k)
        Summed scores of each arm.
    mean : ndarray of float, shape (g, k)
        Their mean over all arrangements of the group's labels.
    covariance : ndarray of float, shape (g, k, k)

    Notes
    -----
    With n units in a group, n_a of them in arm a, of mean score m: mean ``n_a m``, covariance
    ``(n_a [a = b] - n_a n_b / n) sum (score - m)^2 / (n - 1)``.
    """
    g, k = units.group_stratum.size, units.n_arms
    cell = units.group * k + units.arm
    per_arm = np.asarray(np.bincount(cell, units.count, g * k).reshape(g, k), dtype=np.float64)
    sums = np.asarray(np.bincount(cell, units.count * units.total, g * k).reshape(g, k), dtype=np.float64)
    n = per_arm.sum(axis=1)
    middle = sums.sum(axis=1) / n
    squares = np.bincount(units.group, units.count * (units.total - middle[units.group]) ** 2, g)
    spread = np.divide(squares, n - 1, where=n > 1, out=np.zeros(g))
    share = per_arm[:, :, None] * np.eye(k) - per_arm[:, :, None] * per_arm[:, None, :] / n[:, None, None]
    return sums, per_arm * middle[:, None], spread[:, None, None] * share
