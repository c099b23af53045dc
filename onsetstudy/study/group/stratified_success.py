"""Success by a minute over all practices, with the cases that no test decides told apart, not dropped.

A tooth felt long after the minute was surely not numb by it; one found numb long after it may have been either. Who
drops the undecided thus keeps the late failures and loses the late successes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.intervals import Intervals
from onsetstudy.pool.common_odds import common_odds
from onsetstudy.pool.results import CommonOdds
from onsetstudy.study.group.results import GroupSuccess
from onsetstudy.study.sets.analysis_set import PRACTICE
from onsetstudy.study.sets.counted_set import CountedSet
from onsetstudy.survival.results import OnsetCurve
from onsetstudy.survival.summaries.npmle_proportion import decided, parts_by, share_numb_by, spread_evenly

FEWEST_OF_ITS_OWN = 10
"""Cases of a practice, technique and arm from which on their own curve says what became of those undecided."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SuccessTables:
    """Fourfold tables by practice and technique (rows) and arm (columns).

    ``numb`` and ``not_numb`` are decided; of ``undecided`` cases ``likely`` is the part that was numb in time, by the
    curve of their technique and arm, in the practice where it has enough cases. ``inflation`` is by how much the
    variances of the difference and of the log odds ratio grow, since less is known than if every case were decided.
    """

    numb: NDArray[np.int64]
    not_numb: NDArray[np.int64]
    undecided: NDArray[np.int64]
    likely: FloatArray
    inflation: tuple[float, float]

    @property
    def cases(self) -> NDArray[np.int64]:
        """All cases that were tested at all."""
        return self.numb + self.not_numb + self.undecided


def pool_success(data: CountedSet, minute: float | None = None, *, extremes: bool = True) -> GroupSuccess:
    """Odds ratio and difference of the shares numb by a minute, practices and techniques compared within themselves.

    Without ``minute`` it is the target; ``extremes`` asks for the results with the undecided of one arm alone numb.

    Notes
    -----
    Every case decided: conditional likelihood and Mantel-Haenszel. Some undecided: each is split between numb and not
    numb by the nonparametric maximum likelihood curve of its practice, technique and arm (over all practices where its
    own has fewer than ten cases), given the gap in which its onset lies. Summed this gives the share of that curve (it
    is its own expectation: Turnbull 1976, J R Stat Soc B 38:290-295). Each arm's part of the variance is divided by the
    part of the information that the profile likelihood of its share has left.
    """
    arms, level = data.protocol.arm_codes[:2], data.protocol.plan.conf_level
    tables = success_tables(data, minute)
    n = tables.cases
    whole = bool((tables.undecided == 0).all())
    split = tables.numb if whole else tables.numb + tables.likely

    def had(numb: Any) -> CommonOdds | None:
        return None if whole or not extremes else common_odds(numb, n, arms=arms, conf_level=level)

    only = [tables.undecided * np.array(column) for column in ((1, 0), (0, 1))]
    return GroupSuccess(
        undecided=tuple((a, int(tables.undecided[:, j].sum())) for j, a in enumerate(arms)),
        pooled=common_odds(split, n, arms=arms, conf_level=level, inflation=tables.inflation),
        if_against=had(tables.numb + only[0]),
        if_for=had(tables.numb + only[1]),
    )


def success_tables(data: CountedSet, minute: float | None = None) -> SuccessTables:
    """Cases numb by the minute (the target), not numb by it, and undecided."""
    arms = list(data.protocol.arm_codes[:2])
    target = data.protocol.onset.target_min if minute is None else minute
    data = data.where(data.times("success").tested & np.isin(data.arm, arms))
    cells, times, n, practice = data.frame, data.times("success"), data.weight, data.column(PRACTICE)
    numb, not_numb = decided(times, target)
    open_ = ~(numb | not_numb)
    likely = np.zeros(len(cells))
    share, kept_part = np.zeros(len(cells)), np.ones(len(cells))
    technique = data.column("technique")
    for arm in np.unique(data.arm):
        everybody, whole = np.flatnonzero(data.arm == arm), None
        for rows in (everybody[technique[everybody] == name] for name in np.unique(technique[everybody])):
            if not open_[rows].any():
                share[rows] = n[rows][numb[rows]].sum() / n[rows].sum()
                continue
            curve, share[rows], kept = _reading(data.take(rows), target)
            if kept <= 0:
                # Of a technique that says nothing about the minute, the curve of the whole arm has to do.
                whole = whole or _reading(data.take(everybody), target)
                curve, share[rows], kept = whole
            kept_part[rows] = kept
            for code in np.unique(practice[rows][open_[rows]]):
                own = rows[practice[rows] == code]
                before = _part_before(times.take(own), _own_curve(data.take(own), target) or curve, target)
                likely[own] = np.where(open_[own], n[own] * before, 0.0)

    def table(values: Any) -> NDArray[Any]:
        summed = cells.assign(v=values).groupby(["practice_id", "technique", "arm"], sort=True)["v"].sum()
        return summed.unstack("arm", fill_value=0).reindex(columns=arms, fill_value=0).to_numpy()

    counts = table(n)
    by_table = [table(n * values) / np.maximum(counts, 1) for values in (share, kept_part)]
    return SuccessTables(
        numb=table(np.where(numb, n, 0)),
        not_numb=table(np.where(not_numb, n, 0)),
        undecided=table(np.where(open_, n, 0)),
        likely=table(likely).astype(np.float64),
        inflation=_inflation(counts, *by_table),
    )


def _inflation(cases: NDArray[np.int64], share: FloatArray, kept: FloatArray) -> tuple[float, float]:
    """By how much the variances of the difference and of the log odds ratio grow: each arm's part by its own loss."""
    both = cases.min(axis=1) > 0
    n, p, kept = cases[both].astype(np.float64), share[both], kept[both]
    spread = np.maximum(p * (1 - p), 0.25 / np.maximum(n, 1.0))
    found = []
    with np.errstate(divide="ignore", invalid="ignore"):
        for variance, weight in (
            (spread / n, n.prod(axis=1) / n.sum(axis=1)),
            (1 / (n * spread), 1 / (1 / (n * spread)).sum(axis=1)),
        ):
            parts = weight[:, None] ** 2 * variance
            # Where nobody is undecided nothing is lost.
            found.append(float((parts / kept).sum() / parts.sum()) if len(parts) else 1.0)
    return max(1.0, found[0]), max(1.0, found[1])


def _own_curve(data: CountedSet, minute: float) -> OnsetCurve | None:
    """Curve of a practice's own cases, if these are enough and say something of the minute.

    Practices may differ in speed and in when they test; a curve over all of them would carry one's speed to another.
    """
    if data.weight.sum() < FEWEST_OF_ITS_OWN:
        return None
    curve = data.work.curves.fit(data.times("success"), weight=data.weight)
    before, after = curve.mass[curve.right <= minute].sum(), curve.mass[curve.left < minute].sum()
    return curve if before > 0 or after < 1 else None


def _reading(data: CountedSet, minute: float) -> tuple[OnsetCurve, float, float]:
    """Curve of a group of cases, its share numb by the minute, and the part of the information that is left."""
    times, weight = data.times("success"), data.weight.astype(np.float64)
    curve = data.work.curves.fit(times, weight=weight)
    found = share_numb_by(times, minute, weight=weight, curves=data.work.curves)
    nothing = found.low < 1e-12 and found.high > 1 - 1e-12
    kept = 0.0 if nothing else found.effective_n / float(weight.sum())
    return curve, spread_evenly(curve, minute), kept


def _part_before(times: Intervals, curve: OnsetCurve, minute: float) -> FloatArray:
    """Share of the mass inside each gap that lies before the minute, spread evenly within innermost intervals."""
    left, right = times.left[:, None], times.right[:, None]
    inside = (curve.left[None, :] >= left) & (curve.right[None, :] <= right)
    # A moment at which another case was seen to become numb is not in a gap that begins there.
    inside &= (curve.right[None, :] > left) | (left == right)
    mass = inside @ curve.mass
    return np.asarray(
        (inside @ (curve.mass * parts_by(curve, minute))) / np.where(mass > 0, mass, 1.0), dtype=np.float64
    )
