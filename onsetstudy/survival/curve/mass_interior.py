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
from scipy.linalg import LinAlgError, cho_solve_banded, cholesky_banded

from onsetstudy.core.arrays import FloatArray
from onsetstudy.survival.curve.innermost import Spans

Solver = Callable[[FloatArray], FloatArray]

_MOST_WORK = 4e9
_MOST_MEMORY = 2e7
_PRECONDITIONER_BAND = 2
_MOST_GRADIENTS = 1000
_GRADIENT_TOLERANCE = 1e-18
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
    state = _State(mass, np.full(k, 1.0), weight / spans.chances(mass))
    best, best_gap, aim = mass, np.inf, 0.1 * tolerance
    for step in range(1, max_steps + 1):
        target = float(np.mean(state.mass * state.held))
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
    spread = spans.slope(weight / (spans.after - spans.first))
    mass = 0.9 * spread / spread.sum() + 0.1 / spans.k
    return np.asarray(mass / mass.sum())


def _settled(spans: Spans, state: _State) -> tuple[FloatArray, float]:
    """Masses with those near 0 set to 0 where that leaves the gap as good, and their gap."""
    raw = state.mass / state.mass.sum()
    gap = spans.gap(raw)
    cleared = np.where(raw < state.held, 0.0, raw)
    cleared /= cleared.sum()
    cleared_gap = spans.gap(cleared)
    return (cleared, cleared_gap) if cleared_gap <= 2.0 * gap else (raw, gap)


def _advance(spans: Spans, weight: FloatArray, state: _State, target: float) -> None:
    """One predictor-corrector step towards products of mass and multiplier below ``target``."""
    chance = spans.chances(state.mass)
    stiffness = state.pull / chance
    barrier = state.held / state.mass
    solve = _solver(spans, stiffness, barrier)

    def direction(wanted: FloatArray, wanted_pull: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        rise = spans.slope(wanted_pull / chance) + wanted / state.mass
        node = solve(rise[:-1] - rise[1:])
        move = np.diff(np.concatenate(([0.0], node, [0.0])))
        move_held = wanted / state.mass - state.held - barrier * move
        move_chance = spans.chances(move)
        move_pull = wanted_pull / chance - state.pull - stiffness * move_chance
        return move, move_held, move_pull

    nothing = np.zeros_like(state.mass)
    move, move_held, move_pull = direction(nothing, weight)
    primal = _longest(state.mass, move)
    dual = min(_longest(state.held, move_held), _longest(state.pull, move_pull))
    left = float(np.mean((state.mass + primal * move) * (state.held + dual * move_held)))
    centre = target * (left / target) ** 3
    second = spans.chances(move) * move_pull
    move, move_held, move_pull = direction(centre - move * move_held, np.maximum(weight - second, 0.1 * weight))
    primal = min(1.0, _TO_BOUNDARY * _longest(state.mass, move))
    dual = min(1.0, _TO_BOUNDARY * min(_longest(state.held, move_held), _longest(state.pull, move_pull)))
    state.mass = state.mass + primal * move
    state.held = state.held + dual * move_held
    state.pull = state.pull + dual * move_pull


def _longest(value: FloatArray, move: FloatArray) -> float:
    """Largest share of ``move`` that leaves all values at 0 or above, at most 1 / 0.99."""
    falling = move < 0
    if not falling.any():
        return 1.0 / _TO_BOUNDARY
    return min(1.0 / _TO_BOUNDARY, float(np.min(-value[falling] / move[falling])))


def _solver(spans: Spans, stiffness: FloatArray, barrier: FloatArray) -> Solver:
    """Solver of the network at the inner points 1 to k - 1; the first and the last point are fixed.

    A banded factorisation if all cases between inner points are short enough for it, else conjugate gradients with
    the shortest cases as preconditioner.
    """
    k = spans.k
    begin, end = spans.first, spans.after
    diagonal = np.append(barrier, 0.0) + np.append(0.0, barrier)
    diagonal += np.bincount(begin, stiffness, k + 1) + np.bincount(end, stiffness, k + 1)
    inner = np.flatnonzero((begin > 0) & (end < k))
    length = (end[inner] - begin[inner]).astype(np.int64)
    longest = int(length.max(initial=1))
    whole = longest * longest * k <= _MOST_WORK and longest * k <= _MOST_MEMORY
    band = longest if whole else _PRECONDITIONER_BAND
    short = inner[length <= band]
    place = length[length <= band] * (k - 1) + begin[short] - 1
    stiff = np.bincount(place, stiffness[short], (band + 1) * (k - 1)).astype(np.float64)
    bands = -stiff.reshape(band + 1, k - 1)
    bands[0] += diagonal[1:k]
    bands[1, : k - 2] -= barrier[1:-1]
    factor = _factor(bands)

    def direct(rhs: FloatArray) -> FloatArray:
        return np.asarray(cho_solve_banded((factor, True), rhs, check_finite=False))

    def network(node: FloatArray) -> FloatArray:
        move = np.diff(np.concatenate(([0.0], node, [0.0])))
        force = spans.slope(stiffness * spans.chances(move)) + barrier * move
        return force[:-1] - force[1:]

    return direct if whole else lambda rhs: _conjugate_gradients(network, direct, rhs)


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


def _conjugate_gradients(matrix: Solver, inverse: Solver, rhs: FloatArray) -> FloatArray:
    """Solution of ``matrix(x) = rhs``, preconditioned by ``inverse``; as near as it comes if it does not converge.

    Sums of products are taken without the threads of a linear algebra library, which wait on busy processors.
    """
    x, residual = np.zeros_like(rhs), rhs
    step = inverse(residual)
    size = first = float(np.sum(residual * step))
    for _ in range(_MOST_GRADIENTS):
        if not size > _GRADIENT_TOLERANCE * first:
            break
        image = matrix(step)
        along = size / float(np.sum(step * image))
        x = x + along * step
        residual = residual - along * image
        solved = inverse(residual)
        size, before = float(np.sum(residual * solved)), size
        step = solved + (size / before) * step
    return x
