"""Marginal likelihood of a shared log-normal effect, by quadrature around each cluster's own peak.

References
----------
.. [1] Pinheiro JC, Bates DM (1995). Approximations to the log-likelihood function in the nonlinear mixed-effects
   model. J Comput Graph Stat 4, 12-35 (adaptive quadrature).
.. [2] Louis TA (1982). Finding the observed information matrix when using the EM algorithm. Journal of the Royal
   Statistical Society B 44, 226-233.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import special

from onsetstudy.core.arrays import FloatArray, IndexArray
from onsetstudy.survival.hazards.ph_likelihood import Cells

NODES = (24, 80)
"""Nodes of the quadrature, and those that are taken where the first are too few to follow the likelihood."""
LARGEST_EXPONENT = 700.0
Slopes = tuple[float, FloatArray, FloatArray]
"""Value, gradient and matrix of second derivatives."""
PEAK_STEPS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """Cells by cluster on the baseline of the fit without clusters, and the quadrature."""

    cells: Cells
    cluster: IndexArray
    first_of: IndexArray
    n_clusters: int
    nodes: int

    def parts(self, theta: FloatArray) -> tuple[FloatArray, FloatArray, float]:
        """Coefficients, log increments as increments, and spread from one row of parameters."""
        p = self.cells.x.shape[1]
        return theta[:p], np.exp(theta[p:-1]), float(theta[-1])


@cache
def _standard(nodes: int) -> tuple[FloatArray, FloatArray]:
    """Nodes of a standard normal peak, and the logarithm of their weights without its density."""
    node, weight = np.polynomial.hermite_e.hermegauss(nodes)
    return node, np.log(weight) + node**2 / 2


def build(
    cells: Cells, cell_of: IndexArray, cluster: IndexArray, n_clusters: int, many: FloatArray, nodes: int = NODES[0]
) -> Model:
    """Distinct pairs of cell and cluster, those of one cluster beside each other."""
    n_cells = cells.base.size
    key, place = np.unique(cluster * n_cells + cell_of, return_inverse=True)
    return Model(
        cells=cells.take(key % n_cells, np.bincount(place, weights=many).astype(np.float64)),
        cluster=(key // n_cells).astype(np.intp),
        first_of=np.searchsorted(key // n_cells, np.arange(n_clusters)).astype(np.intp),
        n_clusters=n_clusters,
        nodes=nodes,
    )


@dataclass(frozen=True, slots=True, eq=False)
class AtNodes:
    """Integrand on the nodes of each cluster.

    ``node`` and ``joint``, the logarithm of what is summed, have shape (clusters, nodes); slope in the predictor,
    relative hazard and the factor for slopes inside an interval have shape (cells, nodes).
    """

    node: FloatArray
    joint: FloatArray
    slope: FloatArray
    relative: FloatArray
    first: FloatArray


def at_nodes(model: Model, theta: FloatArray) -> AtNodes:
    """Chance and slopes of each cell on the nodes of its cluster, at given parameters."""
    b, h, spread = model.parts(theta)
    cells = model.cells
    total = np.concatenate(([0.0], np.cumsum(h)))
    before, inside = total[cells.start] - total[cells.base], _within(cells, h)
    predictor = cells.x @ b
    middle, width = _peaks(model, predictor, before, inside, spread)
    standard, log_weight = _standard(model.nodes)
    node = middle[:, None] + width[:, None] * standard
    # Weights of the quadrature around the peak, times the normal density at the nodes.
    log_weight = log_weight + np.log(width)[:, None] - node**2 / 2 - np.log(2 * np.pi) / 2
    relative, slope, first = _slopes(
        cells, predictor[:, None] + spread * node[model.cluster], before[:, None], inside[:, None]
    )
    log_inside = np.where(~cells.open_end[:, None], np.log(-np.expm1(-relative * inside[:, None])), 0.0)
    log_chance = -relative * before[:, None] + log_inside
    joint = np.add.reduceat(cells.weight[:, None] * log_chance, model.first_of, axis=0) + log_weight
    return AtNodes(node, joint, slope, relative, first)


def _slopes(
    cells: Cells, predictor: FloatArray, before: FloatArray, inside: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Relative hazard, slope of the log chance in the predictor, and the factor for slopes inside an interval."""
    relative = np.exp(np.clip(predictor, -40, 40))
    s = relative * inside
    closed = ~cells.open_end if predictor.ndim == 1 else ~cells.open_end[:, None]
    # Beyond this the exponential overflows; its inverse is nought long before.
    first = np.where(closed, 1.0 / np.expm1(np.minimum(s, LARGEST_EXPONENT)), 0.0)
    return relative, -relative * before + s * first, first


def _peaks(
    model: Model, predictor: FloatArray, before: FloatArray, inside: FloatArray, spread: float
) -> tuple[FloatArray, FloatArray]:
    """Most likely effect of each cluster, and the width of its peak; the logarithm of the integrand is concave."""
    cells, w = model.cells, model.cells.weight
    u, curvature = np.zeros(model.n_clusters), np.ones(model.n_clusters)
    low, high = np.full((2, model.n_clusters), [[-np.inf], [np.inf]])
    for _ in range(PEAK_STEPS):
        relative, slope, first = _slopes(cells, predictor + spread * u[model.cluster], before, inside)
        s = np.minimum(relative * inside, LARGEST_EXPONENT)
        bend = -relative * before + s * first * (1.0 - s * (1.0 + first))
        gradient = spread * np.add.reduceat(w * slope, model.first_of) - u
        curvature = 1.0 - spread**2 * np.add.reduceat(w * np.minimum(bend, 0.0), model.first_of)
        step = np.clip(gradient / curvature, -1.0, 1.0)
        far = np.abs(step) * np.sqrt(curvature) >= 1e-6
        # Steps that would go to and fro for ever are halved: the peak lies between a point before and one beyond it.
        low, high = np.where(gradient > 0, u, low), np.where(gradient > 0, high, u)
        beyond = far & ((u + step <= low) | (u + step >= high)) & np.isfinite(high - low)
        u = np.where(beyond, (low + high) / 2, u + step)
        if not far.any():
            break
    return u, 1.0 / np.sqrt(curvature)


def _within(cells: Cells, h: FloatArray) -> FloatArray:
    """Cumulative hazard inside each cell, 1 where it is open to the right.

    Summed from its own increments: as a difference of sums a small one beside a large one would be nought, and onset
    there impossible.
    """
    start = np.where(cells.open_end, 0, cells.start)
    stop = np.where(cells.open_end, 1, cells.stop)
    summed = np.add.reduceat(np.append(h, 0.0), np.column_stack((start, stop)).ravel())[::2]
    return np.asarray(np.where(cells.open_end, 1.0, summed), dtype=np.float64)


def negative(theta: FloatArray, model: Model) -> float:
    """Negative marginal log-likelihood."""
    return -float(np.logaddexp.reduce(at_nodes(model, theta).joint, axis=1).sum())


def increment_slopes(model: Model, at: AtNodes) -> FloatArray:
    """Slope of each cluster's log chances in every increment, on its nodes, shape (clusters, increments, nodes).

    From the places where cells begin and end: cells by increments by nodes would not fit where onset was timed to the
    second.
    """
    cells, w = model.cells, model.cells.weight[:, None]
    inner = at.relative * at.first
    changes = np.zeros((model.n_clusters, cells.n_increments + 1, model.nodes))
    np.add.at(changes, (model.cluster, cells.base), -w * at.relative)
    np.add.at(changes, (model.cluster, cells.start), w * (at.relative + inner))
    np.add.at(changes, (model.cluster, cells.end), -w * inner)
    return np.cumsum(changes, axis=1)[:, :-1]


def increment_gain(theta: FloatArray, model: Model) -> FloatArray:
    """Slope of the marginal log-likelihood in every increment, those of nought too, shape (increments,)."""
    at = at_nodes(model, theta)
    return np.asarray(np.einsum("kn,kmn->m", special.softmax(at.joint, axis=1), increment_slopes(model, at)))


def negative_slopes(theta: FloatArray, model: Model) -> Slopes:
    """Negative marginal log-likelihood, its gradient and its matrix of second derivatives.

    The log-likelihood given the effects has gradient ``g`` and second derivatives ``G``; those of the marginal one are
    the mean of ``g`` over what the effects may be given the cases, and the mean of ``G`` with the variance of ``g``
    added (reference 2).
    """
    cells, at = model.cells, at_nodes(model, theta)
    marginal = np.logaddexp.reduce(at.joint, axis=1)
    posterior = np.exp(at.joint - marginal[:, None])
    w = cells.weight[:, None]
    mean = w * posterior[model.cluster]
    _, h, _ = model.parts(theta)
    waits, within = (covered * h for covered in cells.covered())
    node, first, r = at.node[model.cluster], at.first, at.relative
    s = np.minimum(r * within.sum(axis=1)[:, None], LARGEST_EXPONENT)
    # Slopes of each case's log chance in its predictor, and twice, and in what its increments add inside it, and twice.
    inner = r * first
    twice = at.slope - s**2 * first * (1.0 + first)
    inner_twice = inner * (1.0 - s * (1.0 + first))

    def summed(of: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(of, model.first_of, axis=0))

    p, m = cells.x.shape[1], cells.n_increments
    in_h = increment_slopes(model, at).transpose(0, 2, 1) * h
    in_predictor = (w * at.slope)[:, :, None]
    each = np.concatenate(
        (summed(in_predictor * cells.x[:, None, :]), in_h, summed(in_predictor * node[:, :, None])), axis=2
    )
    average = np.einsum("kn,knj->kj", posterior, each)
    gradient = average.sum(axis=0)
    spread_out = (each - average[:, None, :]) * np.sqrt(posterior)[:, :, None]
    flat = spread_out.reshape(-1, theta.size)
    second = flat.T @ flat
    b, inc = slice(0, p), slice(p, p + m)
    bend, bend_node = (mean * twice).sum(axis=1), (mean * twice * node).sum(axis=1)
    wait, wait_node = (mean * r).sum(axis=1), (mean * r * node).sum(axis=1)
    inside, inside_node = (mean * inner_twice).sum(axis=1), (mean * inner_twice * node).sum(axis=1)
    second[b, b] += cells.x.T @ (bend[:, None] * cells.x)
    second[-1, -1] += float((mean * twice * node**2).sum())
    with_b = cells.x.T @ (inside[:, None] * within - wait[:, None] * waits)
    with_spread = inside_node @ within - wait_node @ waits
    second[b, inc] += with_b
    second[inc, b] += with_b.T
    second[b, -1] += cells.x.T @ bend_node
    second[-1, b] += cells.x.T @ bend_node
    second[inc, -1] += with_spread
    second[-1, inc] += with_spread
    curved = (mean * r**2 * first * (1.0 + first)).sum(axis=1)
    second[inc, inc] += np.diag(gradient[inc]) - within.T @ (curved[:, None] * within)
    return -float(marginal.sum()), -gradient, -second
