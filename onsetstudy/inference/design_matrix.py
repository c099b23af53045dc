"""Covariates as columns of numbers: factors against named reference levels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.core.errors import OnsetStudyError, Problem, Where

__all__ = ["Coded", "code_covariates"]

FloatArray = NDArray[np.float64]
MAIN = "arm"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Coded:
    """Design of shape (n, p) and what each column stands for.

    ``contrasts`` reads ``buffered / plain`` for the arm, ``technique: psa / ianb`` or ``weight: per unit`` for others.
    """

    x: FloatArray
    names: tuple[str, ...]
    contrasts: tuple[str, ...]


def code_covariates(
    covariates: Mapping[str, Any] | pd.DataFrame, n: int, reference: Mapping[str, str] | None = None
) -> Coded:
    """Numbers for covariates.

    Parameters
    ----------
    covariates : DataFrame or mapping of str to array_like, n rows
        Numeric columns are taken as they are; text, boolean and categorical columns become one column per level
        other than the reference.
    reference : mapping, optional
        Reference level by column; by default the first in sorted order.

    Raises
    ------
    OnsetStudyError
        If a column has another length, a missing value, one level only, or an unknown reference level; all at once.
    """
    reference = dict(reference or {})
    columns: list[FloatArray] = []
    names: list[str] = []
    contrasts: list[str] = []
    problems: list[Problem] = []

    def problem(key: str, what: str, mend: str) -> None:
        problems.append(Problem(what=what, where=Where(key=str(key)), mend=mend, code="covariate"))

    for unknown in [k for k in reference if k not in covariates]:
        problem(unknown, "there is no such covariate", f"the covariates are {', '.join(map(str, covariates))}")
    for key in list(covariates):
        name = str(key)
        values = pd.Series(np.asarray(covariates[key]))  # type: ignore[index]
        if len(values) != n:
            problem(name, f"{len(values)} values for {n} cases", "give one value per case")
            continue
        if values.isna().any():
            problem(
                name, f"{int(values.isna().sum())} values are missing", "leave these cases out, or code what is missing"
            )
            continue
        if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
            number = np.asarray(values, dtype=np.float64)
            if not np.all(np.isfinite(number)):
                problem(name, "some values are infinite", "give finite numbers")
            elif number.size and np.ptp(number) == 0:
                problem(name, f"all cases have the value {number[0]:g}", "leave the covariate out")
            columns.append(number)
            names.append(str(name))
            contrasts.append(f"{name}: per unit")
            continue
        text = values.astype(str)
        levels = sorted(text.unique())
        base = reference.get(str(name), levels[0] if levels else "")
        if base not in levels:
            problem(name, f"the reference level {base!r} does not occur", f"the levels are {', '.join(levels)}")
            continue
        if len(levels) < 2:
            problem(
                name, f"all cases have the level {base!r}", "leave the covariate out, or include cases of another level"
            )
        for level in levels:
            if level != base:
                columns.append((text == level).to_numpy(dtype=np.float64))
                names.append(str(name))
                contrasts.append(f"{level} / {base}" if name == MAIN else f"{name}: {level} / {base}")
    if problems:
        raise OnsetStudyError(problems)
    if not columns:
        raise OnsetStudyError("there is no covariate; give at least one, such as the arm")
    return Coded(x=np.column_stack(columns), names=tuple(names), contrasts=tuple(contrasts))
