"""Interior-point steps for the masses when very many intervals have mass, as with exact times among others.

In terms of the distribution function at the ends of the intervals, a case joins two points, and the second
derivative is that of a network of resistors: banded where cases are short, and close to tridiagonal where many
times are exact. Each primal-dual step solves one such system, by a banded factorisation or by conjugate
gradients.

References
----------
.. [1] Koenker R, Mizera I (2014). Convex optimization, shape constraints, compound decisions, and empirical
   Bayes rules. Journal of the American Statistical Association 109, 674-685, on the pair of problems.
.. [2] Wright SJ (1997). Primal-Dual Interior-Point Methods. SIAM, chapter 5.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, cho_solve_banded, cholesky_banded
from scipy.sparse.linalg import LinearOperator, cg

from onsetstudy.survival.innermost import Spans
from onsetstudy.survival.optimality import chances, gradient, relative_gap

__all__ = ["interior_masses"]

FloatArray = NDArray[np.float64]
Solver = Callable[[FloatArray], FloatArray]

_WIDEST_BAND = 80
_TO_BOUNDARY = 0.99


@dataclass(slots=True, eq=False)
class _State:
    """Masses, their multipliers, and the cases' multipliers (``weight / chance`` at the end)."""

    mass: FloatArray
    held: FloatArray
    pull: FloatArray


def interior_masses(spans: Spans, *, tolerance: float, max_steps: int) -> tuple[FloatArray, float, int]:
    """Masses of all innermost intervals, their gap, and the steps taken.

    Parameters
    ----------
    spans : Spans
    tolerance : float
        Wanted Kuhn-Tucker gap relative to the total weight.
    max_steps : int
    """
    k = spans.k
    if k == 1:
        return np.ones(1), 0.0, 0
    scale = float(spans.weight.sum())
    weight = spans.weight / scale
    mass = _first_guess(spans, weight)
    state = _State(mass, np.full(k, 1.0), weight / chances(spans, mass))
    best, best_gap, aim = mass, np.inf, 0.1 * tolerance
    for step in range(1, max_steps + 1):
        target = float(state.mass @ state.held) / k
        _advance(spans, weight, state, target)
        if k * target < 100.0 * tolerance or step == max_steps:
            mass, gap = _settled(spans, state)
            if gap < best_gap:
                best, best_gap = mass, gap
            if best_gap <= aim or (best_gap <= tolerance and k * target < 1e-3 * aim):
                break
    return best, best_gap, step


def _first_guess(spans: Spans, weight: FloatArray) -> FloatArray:
    """Each case's weight spread evenly over the intervals that it covers, mixed with the even distribution."""
    spread = gradient(spans, weight / (spans.last - spans.first + 1.0))
    mass = 0.9 * spread / spread.sum() + 0.1 / spans.k
    return np.asarray(mass / mass.sum())


def _settled(spans: Spans, state: _State) -> tuple[FloatArray, float]:
    """Masses with those near 0 set to 0 where that leaves the gap as good, and their gap."""
    raw = state.mass / state.mass.sum()
    gap = relative_gap(spans, raw)
    cleared = np.where(raw < state.held, 0.0, raw)
    cleared /= cleared.sum()
    cleared_gap = relative_gap(spans, cleared)
    return (cleared, cleared_gap) if cleared_gap <= 2.0 * gap else (raw, gap)


def _advance(spans: Spans, weight: FloatArray, state: _State, target: float) -> None:
    """One predictor-corrector step towards products of mass and multiplier below ``target``."""
    chance = chances(spans, state.mass)
    stiffness = state.pull / chance
    barrier = state.held / state.mass
    solve = _solver(spans, stiffness, barrier)

    def direction(wanted: FloatArray, wanted_pull: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        rise = gradient(spans, wanted_pull / chance) + wanted / state.mass
        node = solve(rise[:-1] - rise[1:])
        move = np.diff(np.concatenate(([0.0], node, [0.0])))
        move_held = wanted / state.mass - state.held - barrier * move
        move_chance = _sums(spans, move)
        move_pull = wanted_pull / chance - state.pull - stiffness * move_chance
        return move, move_held, move_pull

    nothing = np.zeros_like(state.mass)
    move, move_held, move_pull = direction(nothing, weight)
    primal = _longest(state.mass, move)
    dual = min(_longest(state.held, move_held), _longest(state.pull, move_pull))
    left = float((state.mass + primal * move) @ (state.held + dual * move_held)) / state.mass.size
    centre = target * (left / target) ** 3
    second = _sums(spans, move) * move_pull
    move, move_held, move_pull = direction(centre - move * move_held, np.maximum(weight - second, 0.1 * weight))
    primal = min(1.0, _TO_BOUNDARY * _longest(state.mass, move))
    dual = min(1.0, _TO_BOUNDARY * min(_longest(state.held, move_held), _longest(state.pull, move_pull)))
    state.mass = state.mass + primal * move
    state.held = state.held + dual * move_held
    state.pull = state.pull + dual * move_pull


def _sums(spans: Spans, move: FloatArray) -> FloatArray:
    """Sum of ``move`` over the intervals of each case."""
    running = np.concatenate(([0.0], np.cumsum(move)))
    return np.asarray(running[spans.last + 1] - running[spans.first])


def _longest(value: FloatArray, move: FloatArray) -> float:
    """Largest share of ``move`` that leaves all values at 0 or above, at most 1 / 0.99."""
    falling = move < 0
    if not falling.any():
        return 1.0 / _TO_BOUNDARY
    return min(1.0 / _TO_BOUNDARY, float(np.min(-value[falling] / move[falling])))


def _solver(spans: Spans, stiffness: FloatArray, barrier: FloatArray) -> Solver:
    """Solver of the network at the inner points 1 to k - 1; the first and the last point are fixed."""
    k = spans.k
    begin, end = spans.first, spans.last + 1
    diagonal = np.append(barrier, 0.0) + np.append(0.0, barrier)
    diagonal += np.bincount(begin, stiffness, k + 1) + np.bincount(end, stiffness, k + 1)
    inner = (begin > 0) & (end < k)
    length = end[inner] - begin[inner]
    band = int(length.max(initial=1))
    if band <= _WIDEST_BAND:
        bands = np.zeros((band + 1, k - 1))
        bands[0] = diagonal[1:k]
        place = length.astype(np.int64) * (k - 1) + begin[inner] - 1
        bands = bands - np.bincount(place, stiffness[inner], (band + 1) * (k - 1)).reshape(band + 1, k - 1)
        bands[1, : k - 2] -= barrier[1:-1]
        factor = _factor(bands)
        return lambda rhs: np.asarray(cho_solve_banded((factor, True), rhs, check_finite=False))
    return _gradient_solver(spans, stiffness, barrier, diagonal)


def _factor(bands: FloatArray) -> FloatArray:
    """Lower banded Cholesky factor; a trace of ridge where rounding has made the matrix indefinite."""
    ridge = 0.0
    while True:
        held = bands.copy()
        held[0] *= 1.0 + ridge
        try:
            return np.asarray(cholesky_banded(held, lower=True, overwrite_ab=True, check_finite=False))
        except LinAlgError:
            ridge = max(1e-15, 100.0 * ridge)
            if not ridge < 1.0:
                raise


def _gradient_solver(spans: Spans, stiffness: FloatArray, barrier: FloatArray, diagonal: FloatArray) -> Solver:
    """Conjugate gradients, preconditioned by the tridiagonal part."""
    k = spans.k
    beside = (
        barrier[1:-1]
        + np.bincount(spans.first[spans.first == spans.last], stiffness[spans.first == spans.last], k)[1:-1]
    )
    bands = np.zeros((2, k - 1))
    bands[0] = diagonal[1:k]
    bands[1, : k - 2] = -beside
    factor = _factor(bands)

    def network(node: FloatArray) -> FloatArray:
        move = np.diff(np.concatenate(([0.0], node.ravel(), [0.0])))
        force = gradient(spans, stiffness * _sums(spans, move)) + barrier * move
        return force[:-1] - force[1:]

    shape = (k - 1, k - 1)
    matrix = LinearOperator(shape, matvec=network, dtype=np.float64)
    inverse = LinearOperator(
        shape, matvec=lambda r: cho_solve_banded((factor, True), r.ravel(), check_finite=False), dtype=np.float64
    )

    def solve(rhs: FloatArray) -> FloatArray:
        node, _ = cg(matrix, rhs, rtol=1e-10, maxiter=2000, M=inverse)
        return np.asarray(node)

    return solve
