"""Maximum of the marginal likelihood of a shared effect, on the innermost intervals that hold something there."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from onsetstudy.core.arrays import FloatArray, IndexArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.survival.hazards.frailty_likelihood import Model, Slopes, build, increment_gain, negative_slopes
from onsetstudy.survival.hazards.ph_fit import Active, HazardsProblem, Maximum, activated, enlarged

TOLERANCE = 1e-5
LARGEST_SPREAD = 4.0
STARTS = (0.4, 1.0, 0.1)
"""Spreads from which the search sets out, the next where one leads nowhere."""
EXHAUSTED = 1e-12
"""Gradient by case from which on no step gains."""
MOST_STEPS = 60
SMALL = 1e-3
"""Increment from which an innermost interval sets out that comes in."""
SAME = 1e-8
"""Share of the log-likelihood to which the quadrature is good for sure: what differs by less may be no difference."""
LONGEST, SHORTEST = 2.0, 1e-9
"""Longest part of a step, and the share of it below which it is given up."""


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """The cases on all innermost intervals of their curve, and the cluster of each."""

    problem: HazardsProblem
    cluster: IndexArray
    many: FloatArray
    whole: Model

    @classmethod
    def of(cls, problem: HazardsProblem, cluster: IndexArray, many: FloatArray, nodes: int) -> Frame:
        """From the cases on their innermost intervals, for a quadrature of so many nodes."""
        every = activated(problem, np.arange(problem.support_left.size))
        whole = build(every.cells, every.cell_of[problem.kind_of], cluster, int(cluster.max()) + 1, many, nodes)
        return cls(problem, cluster, many, whole)

    def on(self, active: Active) -> Model:
        """The likelihood on some of them."""
        cell_of, whole = active.cell_of[self.problem.kind_of], self.whole
        return build(active.cells, cell_of, self.cluster, whole.n_clusters, self.many, whole.nodes)

    def gain(self, active: Active, theta: FloatArray) -> FloatArray:
        """What an increment would gain, by its size, where there is none; 0 where there is one."""
        p, there = theta.size - active.cells.n_increments - 1, active.position[:-1]
        h = np.full(self.whole.cells.n_increments, -np.inf)
        if there.size == h.size:
            return np.zeros(h.size + 1)
        h[there] = theta[p:-1]
        gain = np.append(increment_gain(np.concatenate((theta[:p], h, theta[-1:])), self.whole), 0.0)
        gain[there] = 0.0
        return gain


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Parameters at a maximum on the innermost intervals that hold something there; its gap, and the steps taken."""

    active: Active
    model: Model
    theta: FloatArray
    gap: float
    steps: int


def search(frame: Frame, plain: Maximum) -> Found:
    """Maximum from the first start that leads to one."""
    start = np.concatenate((plain.b, np.log(np.maximum(plain.h, 1e-6))))
    model = frame.on(plain.active)
    for spread in STARTS[:-1]:
        with suppress(NotEstimable):
            return climb(frame, Found(plain.active, model, np.append(start, spread), np.inf, 0))
    return climb(frame, Found(plain.active, model, np.append(start, STARTS[-1]), np.inf, 0))


def climb(frame: Frame, near: Found, spread: float | None = None) -> Found:
    """Maximum near another one: innermost intervals come in as long as one of them would gain something.

    Clusters that differ may put onset where the curve of all cases has none.
    """
    n, p, steps = float(frame.many.sum()), frame.problem.x.shape[1], 0
    for _ in range(MOST_STEPS):
        theta, gap, taken = _maximise(near.model, near.theta, spread)
        gain, steps = frame.gain(near.active, theta), steps + taken
        gap = max(gap, float(gain.max()) / n)
        near = Found(near.active, near.model, theta, gap, steps)
        if gap <= TOLERANCE:
            return near
        position, h = enlarged(near.active, np.exp(theta[p:-1]), gain, TOLERANCE * n)
        active = activated(frame.problem, position)
        begun = np.log(np.where(h > 0, h, SMALL))
        near = Found(active, frame.on(active), np.concatenate((theta[:p], begun, theta[-1:])), np.inf, steps)
    raise NotEstimable("frailty_spread", "the places where onset may lie did not settle", code="not_converged")


def _maximise(model: Model, start: FloatArray, spread: float | None = None) -> tuple[FloatArray, float, int]:
    """Maximum from a start, its gap and the steps taken: Newton's within the bounds, made sure to rise."""
    p, m = model.cells.x.shape[1], model.cells.n_increments
    held = (0.0, LARGEST_SPREAD) if spread is None else (spread, spread)
    low, high = np.array([(-20.0, 20.0)] * p + [(-30.0, 5.0)] * m + [held]).T
    theta, n = np.clip(start, low, high), float(model.cells.weight.sum())
    here = negative_slopes(theta, model)
    steps, gap = 0, np.inf
    for steps in range(MOST_STEPS + 1):
        _, gradient, second = here
        free = ~((theta <= low) & (gradient > 0) | (theta >= high) & (gradient < 0) | (low == high))
        gap = float(np.abs(gradient[free]).max(initial=0.0) / n)
        if gap <= EXHAUSTED or steps == MOST_STEPS:
            break
        step = np.zeros(theta.size)
        step[free] = _downhill(gradient[free], second[np.ix_(free, free)])
        if spread is None:
            # At no spread at all the slope is nought whether that is a maximum or not: no step gets there at once.
            step[-1] = max(step[-1], -0.9 * theta[-1])
        moved = _lower(model, theta, step, (low, high), here)
        if moved is None:
            break
        theta, here = moved
    if gap > TOLERANCE:
        reason = f"the search for the maximum stopped with a gradient of {gap:.1e} left"
        raise NotEstimable("frailty_spread", reason, code="not_converged")
    return theta, gap, steps


def _downhill(gradient: FloatArray, second: FloatArray) -> FloatArray:
    """Newton's step, no part of it longer than ``LONGEST``; where the function bends down, as if it bent up."""
    root, along = np.linalg.eigh(second)
    least = max(float(np.abs(root).max()) * 1e-12, 1e-300)
    step = -along @ ((gradient @ along) / np.maximum(np.abs(root), least))
    return np.asarray(step * min(1.0, LONGEST / max(float(np.abs(step).max()), 1e-300)))


def _lower(
    model: Model, theta: FloatArray, step: FloatArray, bounds: tuple[FloatArray, FloatArray], here: Slopes
) -> tuple[FloatArray, Slopes] | None:
    """The first point of a step, halved again and again, that is low enough, and what is there; ``None``: no such."""
    value, gradient, _ = here
    free, size = step != 0, 1.0
    while size > SHORTEST:
        trial = np.clip(theta + size * step, *bounds)
        there = negative_slopes(trial, model)
        fallen = value + 1e-4 * float(gradient @ (trial - theta)) - there[0]
        # Where the quadrature's error is all that the value tells, the gradient says whether the step gains.
        flatter = np.abs(there[1][free]).max() < 0.5 * np.abs(gradient[free]).max()
        if fallen >= 0 or (abs(there[0] - value) <= SAME * abs(value) and flatter):
            return trial, there
        size *= 0.5
    return None
