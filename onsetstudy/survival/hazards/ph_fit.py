"""Maximiser of the proportional hazards likelihood: projected Newton on the active increments, certified on all.

The baseline starts at the nonparametric curve of each stratum. Inner steps work on the increments that hold
something; in between the gradient at every innermost interval is looked at and those that would raise the likelihood
come in. The fit ends when no allowed change of coefficients or increments raises the likelihood.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from onsetstudy.core.arrays import BoolArray, FloatArray, IndexArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Certificate
from onsetstudy.survival.curve.blocked_solve import solve_positive
from onsetstudy.survival.curve.innermost import reduce_cases, support_index
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.hazards.ph_likelihood import Cells, Derivatives, collapse, derivatives, log_likelihood

NEGLIGIBLE = 1e-10
GRADIENT_TOLERANCE = 1e-7
OUTER_STEPS = 60
INNER_STEPS = 80
SUSPICIOUS = 4.0
"""Spread of the linear predictor from which on a fit that does not settle may be running away."""
RUN_AWAY = "an arm or group was numb so much sooner or later than another that no ratio of their rates can be given"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class HazardsProblem:
    """Cases with covariates on the innermost intervals of their strata, all strata in one row.

    Equal rows are merged: ``kind_of`` gives the merged row of each case. ``first``, ``last``: innermost intervals that
    a row covers; ``begin``, ``end``: those of its stratum; ``pattern``: row of ``x``, which is taken less ``centre`` so
    that the baseline is that of an average case. ``support`` holds the innermost intervals, stratum after stratum;
    ``mass`` the nonparametric curve of each stratum on them.
    """

    centre: FloatArray
    kind_of: IndexArray
    first: IndexArray
    last: IndexArray
    begin: IndexArray
    end: IndexArray
    pattern: IndexArray
    x: FloatArray
    weight: FloatArray
    support_left: FloatArray
    support_right: FloatArray
    mass: FloatArray
    stratum_of: IndexArray
    log_likelihood_null: float

    @property
    def total(self) -> float:
        """Sum of weights."""
        return float(self.weight.sum())


@dataclass(frozen=True, slots=True, eq=False)
class Active:
    """The likelihood on some innermost intervals: their places, which end a stratum, and the cells of the cases.

    A place that ends its stratum takes what is left and has no increment.
    """

    position: IndexArray
    final: BoolArray
    cells: Cells
    cell_of: IndexArray


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Maximum:
    """A certified maximum: coefficients, increments of the baseline at the active places, and the largest violation."""

    active: Active
    b: FloatArray
    h: FloatArray
    log_likelihood: float
    iterations: int
    gap: float

    @property
    def holding(self) -> IndexArray:
        """Places of the coefficients, and of the increments that hold something, among all parameters."""
        return np.flatnonzero(np.concatenate((np.ones(self.b.size, dtype=bool), self.h > NEGLIGIBLE)))

    def certificate(self, condition: str) -> Certificate:
        """Proof that no allowed change raises the likelihood."""
        return Certificate(
            converged=True, iterations=self.iterations, gap=self.gap, tolerance=GRADIENT_TOLERANCE, condition=condition
        )


def set_up(
    times: Intervals,
    x: FloatArray,
    stratum: IndexArray | None = None,
    weight: FloatArray | None = None,
    curves: Curves | None = None,
) -> HazardsProblem:
    """Problem from rows: covariates (n, p), stratum numbers (n,) from 0, weights (n,); curves of the work at hand."""
    curves = curves or Curves()
    n = len(times)
    stratum = np.zeros(n, dtype=np.intp) if stratum is None else stratum
    weight = np.ones(n) if weight is None else weight
    place = np.zeros((4, n), dtype=np.intp)
    parts, offset, null = [], 0, 0.0
    for number in range(int(stratum.max()) + 1):
        rows = np.flatnonzero(stratum == number)
        part = times.take(rows)
        support = reduce_cases(part.left, part.right, None)
        a, b = support_index(part, support)
        curve = curves.fit(part, weight=weight[rows], weight_kind="probabilities")
        null += curve.log_likelihood
        mass = np.zeros(support.k)
        mass[np.searchsorted(support.right, curve.right)] = curve.mass
        place[:, rows] = np.broadcast_arrays(a + offset, b + offset, offset, offset + support.k)
        parts.append((support.left, support.right, mass, np.full(support.k, number)))
        offset += support.k
    left, right, masses, owner = (np.concatenate(each) for each in zip(*parts, strict=True))
    centre = np.average(x, axis=0, weights=weight)
    patterns, pattern = _distinct_rows(x - centre)
    key = (pattern * offset + place[0]) * offset + place[1]
    _, chosen, kind_of = np.unique(key, return_index=True, return_inverse=True)
    first, last, begin, end = place[:, chosen]
    return HazardsProblem(
        centre=centre,
        kind_of=kind_of,
        first=first,
        last=last,
        begin=begin,
        end=end,
        pattern=pattern[chosen],
        x=patterns,
        weight=np.bincount(kind_of, weights=weight).astype(np.float64),
        support_left=left,
        support_right=right,
        mass=masses,
        stratum_of=owner,
        log_likelihood_null=null,
    )


def _distinct_rows(x: FloatArray) -> tuple[FloatArray, IndexArray]:
    """Distinct rows of covariates, and the number of each row's."""
    code = np.zeros(x.shape[0], dtype=np.intp)
    for column in x.T:
        _, level = np.unique(column, return_inverse=True)
        _, code = np.unique(code * (level.max(initial=0) + 1) + level, return_inverse=True)
    _, chosen = np.unique(code, return_index=True)
    return x[chosen], code


def _start(problem: HazardsProblem) -> tuple[IndexArray, FloatArray]:
    """Places and increments of the nonparametric curve of each stratum."""
    positions, increments = [], []
    for number in range(int(problem.stratum_of.max()) + 1):
        place = np.flatnonzero((problem.stratum_of == number) & (problem.mass > NEGLIGIBLE))
        # The last place takes what is left and has no increment of its own.
        surv = np.clip(1.0 - np.cumsum(problem.mass[place]), 1e-300, 1.0)
        positions.append(place)
        increments.append(np.diff(np.concatenate(([0.0], -np.log(surv))))[:-1])
    return np.concatenate(positions), np.concatenate(increments)


def activated(problem: HazardsProblem, position: IndexArray) -> Active:
    """The likelihood of the cases on some of the innermost intervals."""
    owner = problem.stratum_of[position]
    final = np.append(owner[1:] != owner[:-1], True)
    stop = np.searchsorted(position, problem.last, side="right")
    # In the row of increments the final places are left out.
    skipped = np.concatenate(([0], np.cumsum(final)))
    base, start, stopping = (
        (at - skipped[at]).astype(np.intp)
        for at in (np.searchsorted(position, problem.begin), np.searchsorted(position, problem.first), stop)
    )
    each = Cells(
        base=base,
        start=start,
        stop=stopping,
        open_end=stop == np.searchsorted(position, problem.end),
        x=problem.x[problem.pattern],
        weight=problem.weight,
        n_increments=int((~final).sum()),
    )
    return Active(position, final, *collapse(each, problem.pattern))


def _newton(cells: Cells, b: FloatArray, h: FloatArray, free: BoolArray) -> tuple[FloatArray, FloatArray, float, int]:
    """Projected Newton steps on free coefficients and increments; gives the largest scaled violation left."""
    total, p, gap = float(cells.weight.sum()), b.size, np.inf
    for step in range(1, INNER_STEPS + 1):
        # A coefficient that runs off leaves what floating numbers hold: that is found here and said, not warned of.
        with np.errstate(over="ignore", invalid="ignore"):
            d = derivatives(cells, b, h)
        if not (np.isfinite(d.gradient).all() and np.isfinite(d.information).all()):
            raise NotEstimable("hazard_ratio", RUN_AWAY, code="run_away")
        gap = _violation(d.gradient[:p][free], d.gradient[p:], h) / total
        if gap <= GRADIENT_TOLERANCE / 4:
            return b, h, gap, step
        moved = _step(cells, d, b, h, free) or _step(cells, d, b, h, free, damped=True)
        if moved is None:
            return b, h, gap, step
        b, h = moved
    return b, h, gap, INNER_STEPS


def _step(
    cells: Cells, d: Derivatives, b: FloatArray, h: FloatArray, free: BoolArray, *, damped: bool = False
) -> tuple[FloatArray, FloatArray] | None:
    """One Newton step that raises the likelihood, increments kept at 0 or more; ``None`` if none is long enough.

    ``damped`` adds what the curvature would be on the scale of ``log h`` where an increment wants to shrink: an
    increment that the likelihood hardly feels then no longer dictates the length of the step for all.
    """
    # An increment at 0 that the likelihood would lower is held there.
    move = np.flatnonzero((h > NEGLIGIBLE) | (d.gradient[b.size :] > 0))
    loose = np.concatenate((np.flatnonzero(free), b.size + move))
    info, gradient, p = d.information[loose[:, None], loose], d.gradient[loose], loose.size - move.size
    if damped:
        place = np.arange(p, loose.size)
        info[place, place] += np.maximum(-gradient[p:], 0.0) / np.maximum(h[move], NEGLIGIBLE)
    direction = _solve(info, gradient)
    size, shortest = 1.0, 1e-12 if damped else 2.0**-6
    while size > shortest:
        new_b, new_h = b.copy(), h.copy()
        new_b[free] += size * direction[:p]
        new_h[move] = np.maximum(h[move] + size * direction[p:], 0.0)
        value = log_likelihood(cells, new_b, new_h)
        promised = gradient @ np.concatenate((new_b[free] - b[free], new_h[move] - h[move]))
        if value >= d.log_likelihood + 1e-4 * promised - 1e-12 * abs(d.log_likelihood):
            return new_b, new_h
        size *= 0.5
    return None


def _violation(gradient_b: FloatArray, gradient_h: FloatArray, h: FloatArray) -> float:
    """Largest first-order gain: of a coefficient, of a held increment, or of scaling a free one."""
    scaled = np.where(h > NEGLIGIBLE, np.abs(gradient_h) * h, gradient_h)
    return float(np.concatenate((np.abs(gradient_b), scaled)).max(initial=0.0))


def _solve(info: FloatArray, gradient: FloatArray) -> FloatArray:
    """Newton direction; a ridge where the second derivative is not that of a maximum."""
    scale = np.sqrt(np.maximum(np.abs(info.diagonal()), 1e-300))
    scaled, target = info / (scale[:, None] * scale), gradient / scale
    ridge = 0.0
    for _ in range(40):
        solution = solve_positive(scaled + ridge * np.eye(scale.size) if ridge else scaled, target)
        if solution is not None:
            return solution / scale
        ridge = max(2 * ridge, 1e-10)
    return target / scale


def maximise(
    problem: HazardsProblem,
    near: Maximum | None = None,
    *,
    held: Mapping[int, float] = MappingProxyType({}),
    patient: bool = False,
) -> Maximum:
    """Maximum of the likelihood, searched from ``near`` it, with coefficients ``held`` at values if asked.

    Raises
    ------
    NotEstimable
        If the certificate is not met (``"not_converged"``), or a coefficient seems to run away (``"run_away"``, only
        while coefficients are free and ``patient`` is false).
    """
    b = np.zeros(problem.x.shape[1]) if near is None else near.b.copy()
    free = np.ones(b.size, dtype=bool)
    for j, value in held.items():
        b[j], free[j] = value, False
    position, h = _start(problem) if near is None else (near.active.position, near.h)
    iterations, total, last = 0, problem.total, (np.inf, b"")
    for _ in range(OUTER_STEPS):
        active = activated(problem, position)
        b, h, gap, steps = _newton(active.cells, b, h, free)
        iterations += steps
        if not patient and free.any() and steps == INNER_STEPS and float(np.ptp(problem.x @ b)) > SUSPICIOUS:
            raise NotEstimable("hazard_ratio", RUN_AWAY, code="run_away")
        gain = _outside_gain(problem, active, b, h)
        left = max(gap, float(gain.max(initial=0.0)) / total)
        if left <= GRADIENT_TOLERANCE:
            value = log_likelihood(active.cells, b, h)
            return Maximum(active=active, b=b, h=h, log_likelihood=value, iterations=iterations, gap=left)
        here = gap, position.tobytes()
        if steps == INNER_STEPS and here[1] == last[1] and gap >= last[0]:
            break  # the last turn ended here, too: what is left is below what floating numbers tell apart
        last = here
        position, h = enlarged(active, h, gain, GRADIENT_TOLERANCE * total)
    raise NotEstimable(
        "hazard_ratio", f"the search for the maximum stopped with {left:.1e} left to gain", code="not_converged"
    )


def _outside_gain(problem: HazardsProblem, active: Active, b: FloatArray, h: FloatArray) -> FloatArray:
    """Derivative of the log-likelihood by an increment at every innermost interval that is not active; 0 at the others.

    Beyond the last active place of a stratum there is nothing left to move; an increment there is worth nothing.
    """
    cells, relative = active.cells, np.exp(problem.x @ b)[problem.pattern]
    total = np.concatenate(([0.0], np.cumsum(h)))
    inside = np.where(cells.open_end, np.inf, total[cells.stop] - total[cells.start])[active.cell_of]
    with np.errstate(divide="ignore", over="ignore"):
        gain_inside = np.where(
            np.isinf(inside), 0.0, relative / np.expm1(np.where(np.isinf(inside), 1.0, relative * inside))
        )
    size = problem.stratum_of.size
    w = problem.weight
    steps = (
        np.bincount(problem.begin, weights=-w * relative, minlength=size + 1)
        + np.bincount(problem.first, weights=w * (relative + gain_inside), minlength=size + 1)
        - np.bincount(problem.last + 1, weights=w * gain_inside, minlength=size + 1)
    )
    gain = np.cumsum(steps)[:size]
    # A case whose onset may lie anywhere after its start keeps waiting through increments of its own interval
    # only up to the last active place; the open end is there already, so the gain inside it is 0.
    last_active = active.position[active.final][problem.stratum_of]
    gain[np.arange(size) >= last_active] = 0.0
    gain[active.position] = 0.0
    return np.asarray(gain, dtype=np.float64)


def enlarged(active: Active, h: FloatArray, gain: FloatArray, least: float) -> tuple[IndexArray, FloatArray]:
    """Active places that hold something, and the best place of each gap between them; with their increments."""
    increment = np.full(active.final.size, np.inf)
    increment[~active.final] = h
    stay = increment > NEGLIGIBLE
    # A held increment whose interval is still needed to give its cases a chance is kept as well.
    kept = active.position[stay]
    gap_of = np.searchsorted(kept, np.arange(gain.size))
    order = np.lexsort((-gain, gap_of))
    best = order[np.append(True, gap_of[order][1:] != gap_of[order][:-1])]
    best = best[gain[best] > least / 4]
    position = np.concatenate((kept, best)).astype(np.intp)
    amount = np.concatenate((increment[stay], np.zeros(best.size)))
    sort = np.argsort(position, kind="stable")
    return position[sort], amount[sort][np.isfinite(amount[sort])]
