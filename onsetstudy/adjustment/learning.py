"""Whether operators got better with practice."""

from __future__ import annotations

import math
import warnings

import numpy as np
import statsmodels.api as sm
from numpy.typing import NDArray

from onsetstudy.core.results import Assumption, Counts, Estimate, NotAvailable
from onsetstudy.inference.likelihood import wald_ratio
from onsetstudy.inference.parameter import Parameter

METHOD = "logistic regression of success on the logarithm of the operator's case number and arm"
LEAST = 20


def learning_curve(
    numb: NDArray[np.bool_],
    known: NDArray[np.bool_],
    case_number: NDArray[np.int64],
    other: NDArray[np.bool_],
    *,
    conf_level: float = 0.95,
) -> Estimate | NotAvailable:
    """Odds ratio of being numb by the target for each doubling of an operator's cases, the arms apart.

    Parameters
    ----------
    numb, known : ndarray of bool, shape (n,)
        Numb by the target, and whether that is known.
    case_number : ndarray of int, shape (n,)
        Number of the case among its operator's, from 1.
    other : ndarray of bool, shape (n,)
    conf_level : float
    """
    y, number, arm = numb[known].astype(np.float64), case_number[known], other[known].astype(np.float64)
    n = Counts(cases=int(known.size), onsets=int(y.sum()))
    of = Parameter(quantity="learning", contrast="each doubling of cases", unit="ratio", n=n)
    if y.size < LEAST:
        return of.absent(f"{y.size} decided cases are too few; it takes {LEAST}", code="too_few", method=METHOD)
    if np.unique(y).size < 2 or np.unique(number).size < 3:
        reason = "all cases ended alike, or operators have too few cases each"
        return of.absent(reason, code="no_spread", method=METHOD)
    columns = [np.ones(y.size), np.log2(number.astype(np.float64))]
    if np.unique(arm).size > 1:
        columns.append(arm)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = sm.GLM(y, np.column_stack(columns), family=sm.families.Binomial()).fit(maxiter=50)
    beta, error = float(fit.params[1]), float(fit.bse[1])
    if not fit.converged or not math.isfinite(error) or error > 10 or error <= 0:
        return of.absent("the regression did not reach a finite answer", code="separation", method=METHOD)
    alike = (Assumption(name="one curve", detail="all operators learn alike"),)
    return wald_ratio(of.quantity, of.contrast, beta, error, conf_level, method=METHOD, n=n, assumptions=alike)
