"""Onset curves predicted by proportional hazards: for stated covariates, and standardised over the observed cases."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals, require_intervals
from onsetstudy.core.results import Assumption, Counts
from onsetstudy.inference.design_matrix import Coded, code_covariates
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.hazards.ph_fit import RUN_AWAY, HazardsProblem, Maximum, maximise, set_up
from onsetstudy.survival.hazards.ph_likelihood import LARGEST_PREDICTOR
from onsetstudy.survival.results import OnsetCurve

PROPORTIONAL = Assumption(
    name="proportional hazards", detail="the curve is the baseline's, raised to the relative hazard"
)
SOURCE = "Finkelstein 1986, Biometrics 42:845-854"


@dataclass(frozen=True, slots=True, eq=False)
class _Fitted:
    """The model at its maximum, with what is needed to say what it predicts for other covariates."""

    problem: HazardsProblem
    maximum: Maximum
    coded: Coded
    counts: Counts

    def column(self, j: int, values: Iterable[object]) -> FloatArray:
        """Values of a covariate as column ``j`` of the design has them."""
        name, level = self.coded.names[j], self.coded.level[j]
        if level is None:
            return np.array([self._number(name, value) for value in values])
        seen, asked = self.coded.levels[name], [str(value) for value in values]
        if unknown := [value for value in asked if value not in seen]:
            mend = f"choose among {', '.join(seen)}"
            raise OnsetStudyError.of_key(name, f"no case has {name} {unknown[0]}", mend)
        return np.array([float(value == level) for value in asked])

    @staticmethod
    def _number(name: str, value: object) -> float:
        try:
            number = float(value)  # type: ignore[arg-type]  # what is no number is refused below
        except (TypeError, ValueError):
            number = np.nan
        if not np.isfinite(number):
            raise OnsetStudyError.of_key(name, f"{name} is {value!r}", "give a finite number, as the cases have")
        return number


def predict_curves(
    times: Intervals,
    covariates: Mapping[str, Any] | pd.DataFrame,
    patterns: pd.DataFrame,
    *,
    reference: Mapping[str, str] | None = None,
    curves: Curves | None = None,
) -> tuple[OnsetCurve, ...]:
    """Curve of onset of a case with the covariates of each row of ``patterns``.

    Parameters
    ----------
    times : Intervals, n cases
    covariates : DataFrame or mapping, n rows
        As for :func:`~onsetstudy.survival.hazards.proportional_hazards.fit_proportional_hazards`.
    patterns : DataFrame
        The same columns; one row per curve wanted. Numbers beyond those of the cases are extrapolated.
    reference : mapping, optional
        Reference level by factor; the curves do not depend on it.
    curves : Curves, optional
        Those of the work that this belongs to; default: fitted for this call only.

    Raises
    ------
    NotEstimable
        As the fit.
    OnsetStudyError
        If a pattern has no value for a covariate, or one that is no number or that no case has.

    Examples
    --------
    >>> import pandas as pd
    >>> from onsetstudy import Intervals
    >>> from onsetstudy.survival.hazards.ph_curves import predict_curves
    >>> times = Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, float("inf"), 2, 2, 4, 4, 6, 8])
    >>> arm = ["plain"] * 6 + ["buffered"] * 6
    >>> plain, buffered = predict_curves(times, {"arm": arm}, pd.DataFrame({"arm": ["plain", "buffered"]}))
    >>> f"not yet numb at 4 min: plain {plain.at(4)[0]:.2f}, buffered {buffered.at(4)[0]:.2f}"
    'not yet numb at 4 min: plain 0.54, buffered 0.30'
    """
    fitted = _fit(times, covariates, reference, curves)
    told = {str(key): np.asarray(patterns[key], dtype=object) for key in patterns}
    if missing := [name for name in dict.fromkeys(fitted.coded.names) if name not in told]:
        what = f"the patterns have no value for {', '.join(missing)}"
        raise OnsetStudyError.of_key("patterns", what, "give a column for every covariate of the cases")
    rows = np.column_stack([fitted.column(j, told[name]) for j, name in enumerate(fitted.coded.names)])
    return tuple(_curve(fitted, row[None, :], np.ones(1), "predicted by proportional hazards") for row in rows)


def standardise_curves(
    times: Intervals,
    covariates: Mapping[str, Any] | pd.DataFrame,
    *,
    by: str = "arm",
    reference: Mapping[str, str] | None = None,
    curves: Curves | None = None,
) -> dict[str, OnsetCurve]:
    """Curve for each level of ``by``, as if every observed case had had that level (g-computation).

    Parameters
    ----------
    by : str
        A factor among the covariates.
    curves : Curves, optional
        Those of the work that this belongs to; default: fitted for this call only.

    Returns
    -------
    dict
        Level to curve, in sorted order. The average is of survival curves, not of covariates.

    References
    ----------
    .. [1] Robins JM (1986). Mathematical Modelling 7, 1393-1512 (standardisation over the observed covariates).
    """
    fitted = _fit(times, covariates, reference, curves)
    coded = fitted.coded
    if by not in coded.names:
        raise OnsetStudyError(f"{by} is not among the covariates {', '.join(dict.fromkeys(coded.names))}")
    standardised = {}
    numbers = np.unique(coded.x[:, coded.names.index(by)])
    for level in sorted(coded.levels.get(by, [str(number) for number in numbers])):
        x = coded.x.copy()
        for j in (j for j, name in enumerate(coded.names) if name == by):
            x[:, j] = fitted.column(j, [level])
        rows, share = np.unique(x, axis=0, return_counts=True)
        method = f"proportional hazards, standardised over the observed cases as if all were {level}"
        standardised[level] = _curve(fitted, rows, share / share.sum(), method)
    return standardised


def _fit(
    times: Intervals,
    covariates: Mapping[str, Any] | pd.DataFrame,
    reference: Mapping[str, str] | None,
    curves: Curves | None,
) -> _Fitted:
    require_intervals(times)
    coded = code_covariates(covariates, len(times), reference)
    problem = set_up(times, coded.x, curves=curves)
    return _Fitted(problem, maximise(problem), coded, Counts.of(np.isfinite(times.right)))


def _curve(fitted: _Fitted, rows: FloatArray, share: FloatArray, method: str) -> OnsetCurve:
    """Average over rows of covariates of the curves they predict."""
    problem, maximum = fitted.problem, fitted.maximum
    position, cumulative = maximum.active.position, np.append(np.cumsum(maximum.h), np.inf)
    predictor = (rows - problem.centre) @ maximum.b
    if not np.max(np.abs(predictor), initial=0.0) <= LARGEST_PREDICTOR:
        raise NotEstimable("onset_curve", RUN_AWAY, code="run_away")
    relative = np.exp(predictor)
    surv = share @ np.exp(-relative[:, None] * cumulative[None, :])
    mass = -np.diff(np.concatenate(([1.0], surv)))
    keep = mass > 0
    return OnsetCurve(
        left=problem.support_left[position][keep],
        right=problem.support_right[position][keep],
        mass=mass[keep],
        determined=np.ones(int(keep.sum())),
        log_likelihood=maximum.log_likelihood,
        certificate=maximum.certificate("largest gradient or gain, relative to the total weight"),
        n=fitted.counts,
        method=method,
        assumptions=(PROPORTIONAL,),
        source=SOURCE,
    )
