"""Whether the hazard ratio is the same at all times: a score test and the effect by stretches of time.

The model is widened to ``exp(x (b + c g(t)))`` with ``g`` a function of time; ``c = 0`` is proportional hazards.
The score test needs the fit at ``c = 0`` only. With ``g`` the indicators of stretches of time one Newton step from
there gives an effect for each stretch, to be drawn.

References
----------
.. [1] Grambsch PM, Therneau TM (1994). Proportional hazards tests and diagnostics based on weighted residuals.
   Biometrika 81, 515-526 (the widened model for right-censored times).
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from onsetstudy.core.arrays import FloatArray, real_numbers
from onsetstudy.core.cases import takes_cases
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Counts, HypothesisTest
from onsetstudy.inference.assumptions import SCHEDULE
from onsetstudy.inference.design_matrix import code_covariates
from onsetstudy.inference.likelihood import central_slopes
from onsetstudy.inference.proportions import normal_quantile
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.hazards.ph_fit import NEGLIGIBLE, Maximum, maximise, set_up
from onsetstudy.survival.hazards.ph_likelihood import LARGEST_PREDICTOR, Cells, derivatives
from onsetstudy.survival.results import EffectStretch, ProportionalityCheck

STEP = 1e-4
FLAT = "the onsets of a stretch of time do not say how large the ratio is there"
FEWEST = 3
FEW = 100
"""Cases below which the test rejects too often: simulated, see the statistician's guide."""


@takes_cases("stratum", second="covariates")
def check_proportionality(
    times: Intervals,
    covariates: Mapping[str, Any] | pd.DataFrame,
    *,
    covariate: str = "arm",
    split_min: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
    reference_arm: str = "",
    reference: Mapping[str, str] | None = None,
    conf_level: float = 0.95,
    curves: Curves | None = None,
) -> ProportionalityCheck:
    """Test of proportional hazards for one covariate, and its effect by stretches of time.

    Parameters
    ----------
    times : Intervals, n cases, or Cases
    covariates : DataFrame or mapping, n rows
        As for the fit; ``covariate`` must code as one column.
    split_min : array_like of float, optional
        Minutes at which the stretches meet; by default the median of the times at which onset was seen.
    stratum : array_like, shape (n,), optional
    reference_arm : str
        Reference level of the covariate ``arm``.
    reference : mapping, optional
    conf_level : float
        Level of the limits of each stretch.
    curves : Curves, optional
        Those of the work that this belongs to; default: fitted for this call only.

    Returns
    -------
    ProportionalityCheck
        ``test``: chi-square with 1 degree of freedom for a change of the log ratio with log time. ``stretches``: ratio
        by stretch, one Newton step from the proportional fit.

    Notes
    -----
    A share of cases that never become numb is itself a departure: among those left the difference between arms fades.

    Raises
    ------
    NotEstimable
        As the fit, or if onset was seen in fewer than three gaps.
    OnsetStudyError
        If the covariate is not one column of the design.

    Examples
    --------
    >>> from onsetstudy import Intervals, check_proportionality
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> arm = ["plain"] * 6 + ["buffered"] * 6
    >>> found = check_proportionality(times, {"arm": arm}, reference_arm="plain")
    >>> f"{found.contrast}: p = {found.test.p_value:.2f}"
    'buffered / plain: p = 0.84'
    """
    coded = code_covariates(covariates, len(times), reference, reference_arm=reference_arm)
    columns = [j for j, name in enumerate(coded.names) if name == covariate]
    if len(columns) != 1:
        what = f"{covariate!r} is {len(columns)} columns of the design"
        mend = f"name a covariate of one column; there are {', '.join(dict.fromkeys(coded.names))}"
        raise OnsetStudyError.of_key("covariate", what, mend)
    strata = None if stratum is None else np.unique(stratum, return_inverse=True)[1]
    problem = set_up(times, coded.x, strata, curves=curves)
    maximum = maximise(problem)
    ends = problem.support_right[maximum.active.position[~maximum.active.final]]
    if np.unique(ends[maximum.h > NEGLIGIBLE]).size < FEWEST:
        raise NotEstimable("proportionality", "onset was seen in too few gaps to tell early from late", code="few_gaps")
    counts = Counts.of(np.isfinite(times.right))
    contrast = coded.contrasts[columns[0]]
    return ProportionalityCheck(
        test=_time_test(maximum, columns[0], ends, contrast, counts),
        stretches=_stretches(maximum, columns[0], ends, times, split_min, conf_level),
        contrast=contrast,
        method="score test in the model widened by log time; ratios by stretch one Newton step from its fit",
        n=counts,
        source="Grambsch & Therneau 1994, Biometrika 81:515-526 (the widened model)",
    )


def _time_test(maximum: Maximum, column: int, ends: FloatArray, contrast: str, counts: Counts) -> HypothesisTest:
    late = np.log(ends)
    score, variance = _widened(maximum, column, (late - late.mean())[None, :])
    if not variance[0, 0] > 0:
        raise NotEstimable("proportionality", FLAT, code="few_gaps")
    value = float(score[0] ** 2 / variance[0, 0])
    return HypothesisTest(
        quantity="proportionality_test",
        contrast=contrast,
        statistic=value,
        statistic_name="chi-square",
        df=1,
        p_value=float(stats.chi2.sf(value, 1)),
        alternative="two-sided",
        method="score test for a change of the log hazard ratio with log time"
        + ("; of so few cases it rejects 6 to 11 of 100 studies without a change" if counts.cases < FEW else ""),
        n=counts,
        assumptions=(SCHEDULE,),
        source="Grambsch & Therneau 1994, Biometrika 81:515-526 (the widened model)",
    )


def _stretches(
    maximum: Maximum, column: int, ends: FloatArray, times: Intervals, split_min: ArrayLike | None, conf_level: float
) -> tuple[EffectStretch, ...]:
    seen = times.right[np.isfinite(times.right)]
    splits = np.atleast_1d(np.median(seen) if split_min is None else real_numbers(split_min, "split_min"))
    if splits.ndim > 1 or np.isnan(splits).any():
        what = "split_min is a table" if splits.ndim > 1 else "a minute of split_min is missing"
        raise OnsetStudyError.of_key("split_min", what, "give minutes from clock zero, in one row")
    edges = np.concatenate(([0.0], np.sort(splits), [np.inf]))
    member = np.array([(ends > low) & (ends <= high) for low, high in itertools.pairwise(edges)])
    used = member.any(axis=1)
    # The indicators of all stretches replace the covariate's own column.
    score, variance = _widened(maximum, column, member[used].astype(float), replace=True)
    if not np.linalg.eigvalsh(variance).min() > 0:
        raise NotEstimable("proportionality", FLAT, code="few_gaps")
    shift = np.linalg.solve(variance, score)
    half = normal_quantile(conf_level) * np.sqrt(np.diag(np.linalg.inv(variance)))
    b = float(maximum.b[column]) + shift
    if not np.max(np.abs(b) + half) <= LARGEST_PREDICTOR:
        raise NotEstimable("proportionality", FLAT, code="few_gaps")
    return tuple(
        EffectStretch(
            from_min=float(edges[i]),
            to_min=float(edges[i + 1]),
            ratio=float(np.exp(b[k])),
            conf_low=float(np.exp(b[k] - half[k])),
            conf_high=float(np.exp(b[k] + half[k])),
            conf_level=conf_level,
        )
        for k, i in enumerate(np.flatnonzero(used))
    )


def _widened(maximum: Maximum, column: int, g: FloatArray, *, replace: bool = False) -> tuple[FloatArray, FloatArray]:
    """Score of ``c`` at 0 for the rows of ``g`` (q, m), and its variance given everything else.

    ``replace`` drops the covariate's own coefficient from what the variance is given, for when ``g`` contains it.
    """
    cells, b, h, q, none = maximum.active.cells, maximum.b, maximum.h, g.shape[0], np.zeros(g.shape[0])
    kept = maximum.holding
    kept = kept[kept != column] if replace else kept
    gradient = partial(_gradient, cells, b, h, column, g)
    rest = derivatives(cells, b, h).information[kept[:, None], kept]
    rows = -central_slopes(gradient, none, STEP)
    own, cross = rows[:, :q], rows[:, q:][:, kept]
    variance = (own + own.T) / 2 - cross @ np.linalg.lstsq(rest, cross.T)[0]
    return gradient(none)[:q], variance


def _gradient(cells: Cells, b: FloatArray, h: FloatArray, column: int, g: FloatArray, c: FloatArray) -> FloatArray:
    """Gradient of the widened log-likelihood in ``c``, ``b`` and ``h``, from the dense cell-by-increment table."""
    waits, inner = cells.covered()
    relative = np.exp(cells.x @ b)[:, None] * np.exp(np.outer(cells.x[:, column], c @ g))
    hazard = relative * h
    inside = np.where(cells.open_end, 1.0, (hazard * inner).sum(axis=1))
    with np.errstate(over="ignore"):
        first = np.where(cells.open_end, 0.0, 1.0 / np.expm1(inside))
    slope = cells.weight[:, None] * (first[:, None] * inner - waits)
    moved = slope * hazard
    by_case = moved.sum(axis=1)
    in_c = np.array([float(np.sum(moved * gk * cells.x[:, [column]])) for gk in g])
    return np.concatenate((in_c, cells.x.T @ by_case, (slope * relative).sum(axis=0)))
