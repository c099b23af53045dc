"""Covariates as columns of numbers: factors against named reference levels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import OnsetStudyError, Problem, require

MAIN = "arm"
_problem = partial(Problem.of_key, code="covariate")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Coded:
    """Design of shape (n, p) and what each column stands for.

    ``contrasts`` reads ``buffered / plain`` for the arm, ``technique: psa / ianb`` or ``weight: per unit`` for others.
    ``level`` is that which a column is of, ``None`` of a number; ``levels`` are all of a factor.
    """

    x: FloatArray
    names: tuple[str, ...]
    contrasts: tuple[str, ...]
    level: tuple[str | None, ...] = ()
    levels: Mapping[str, Sequence[str]] = field(default_factory=dict)


def code_covariates(
    covariates: Mapping[str, Any] | pd.DataFrame,
    n: int,
    reference: Mapping[str, Any] | None = None,
    *,
    reference_arm: object = "",
) -> Coded:
    """Numbers for covariates.

    Parameters
    ----------
    covariates : DataFrame or mapping of str to array_like, n rows
        Numeric columns are taken as they are; text, boolean and categorical columns, and columns that ``reference``
        names, become one column per level other than the reference.
    reference : mapping, optional
        Reference level by column; by default the first category of a categorical, the first in sorted order of others.
    reference_arm : object
        Reference level of the arm, if it is named; its label is read as text.

    Raises
    ------
    OnsetStudyError
        If there are no named columns, or two of one name; if a column has another length, a missing value, dates or
        durations, one level only, or an unknown reference level; all at once.
    """
    reference = _reference_levels(str(reference_arm), reference)
    _refuse_unnamed(covariates)
    columns: list[tuple[str, str, str | None, FloatArray]] = []
    seen: dict[str, Sequence[str]] = {}
    problems: list[Problem] = []

    def problem(key: str, what: str, mend: str) -> None:
        problems.append(_problem(key, what, mend))

    told = [str(key) for key in covariates]
    for unknown in [k for k in reference if k not in told]:
        problem(unknown, "there is no such covariate", f"the covariates are {', '.join(told)}")
    for name, key in zip(told, covariates, strict=True):
        values = _column(covariates[key])  # type: ignore[index]  # a key of a DataFrame need not be text
        fault = _fault(values, n)
        if fault is not None:
            problem(name, *fault)
            continue
        if _is_number(values) and name not in reference:
            number: FloatArray = np.asarray(values, dtype=np.float64)
            if not np.all(np.isfinite(number)):
                problem(name, "some values are infinite", "give finite numbers")
            elif number.size and np.ptp(number) == 0:
                problem(name, f"all cases have the value {number[0]:g}", "leave the covariate out")
            columns.append((name, f"{name}: per unit", None, number))
            continue
        text, levels = _levels(values)
        seen[name] = levels
        base = reference.get(name, levels[0] if levels else "")
        if base not in levels:
            problem(name, f"the reference level {base!r} does not occur", f"the levels are {', '.join(levels)}")
            continue
        if len(levels) < 2:
            problem(
                name, f"all cases have the level {base!r}", "leave the covariate out, or include cases of another level"
            )
        of = "" if name == MAIN else f"{name}: "
        for level in levels:
            if level != base:
                columns.append((name, f"{of}{level} / {base}", level, np.asarray(text == level, dtype=np.float64)))
    if problems:
        raise OnsetStudyError(problems)
    if not columns:
        raise OnsetStudyError("there is no covariate; give at least one, such as the arm")
    names, contrasts, level_of, x = zip(*columns, strict=True)
    return Coded(x=np.column_stack(x), names=names, contrasts=contrasts, level=level_of, levels=seen)


def _reference_levels(named: str, reference: Mapping[str, Any] | None) -> dict[str, str]:
    """Reference levels as text, that of the arm among them if it is ``named``."""
    mend = 'give the reference level by column, for example {"technique": "block"}'
    reference = {} if reference is None else reference
    require(reference, Mapping, "reference", mend)
    levels = {str(key): str(level) for key, level in reference.items()}
    if named and named != levels.setdefault(MAIN, named):
        what = f"two reference arms are named: {named!r} as reference_arm, {levels[MAIN]!r} in reference"
        raise OnsetStudyError.of_key("reference_arm", what, "name one of them only", code="twice")
    return levels


def _refuse_unnamed(covariates: object) -> None:
    if not isinstance(covariates, Mapping | pd.DataFrame):
        what = f"the covariates are {type(covariates).__name__}"
        raise OnsetStudyError(_problem("covariates", what, 'give named columns, for example {"arm": arm}'))
    told = [str(key) for key in covariates]
    if twice := sorted({name for name in told if told.count(name) > 1}):
        raise OnsetStudyError([_problem(name, "two covariates have this name", "rename one of them") for name in twice])


def _column(values: Any) -> pd.Series[Any]:
    """One column; masked values are missing, and objects that are all numbers are numbers."""
    if isinstance(getattr(values, "dtype", None), pd.CategoricalDtype):
        return pd.Series(pd.Categorical(values))
    # Of a list as it is: an array of numbers and names would hold names only.
    array = np.asarray(values, dtype=object if isinstance(values, list | tuple) else None)
    if isinstance(values, np.ma.MaskedArray):
        array = np.where(np.ma.getmaskarray(values), np.nan, array.astype(object))
    return pd.Series(array if array.ndim == 1 else [array]).infer_objects()


def _fault(values: pd.Series[Any], n: int) -> tuple[str, str] | None:
    if len(values) != n:
        return f"{len(values)} values for {n} cases", "give one value per case"
    if values.isna().any():
        return f"{int(values.isna().sum())} values are missing", "leave these cases out, or code what is missing"
    if values.dtype.kind in "mMc":
        return "these are no numbers or names but dates, durations or complex numbers", "give numbers or names"
    named = values.map(lambda value: isinstance(value, str)) if values.dtype == object else values.isna()
    if named.any() and not named.all():
        both = f"{values[named].iloc[0]!r} and {values[~named].iloc[0]!r}"
        return f"names and numbers stand in one column: {both}", "give numbers, or names"
    return None


def _is_number(values: pd.Series[Any]) -> bool:
    return pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)


def _levels(values: pd.Series[Any]) -> tuple[pd.Series[str], list[str]]:
    """The values as text, and the levels that occur: in their own order if they have one, else sorted."""
    text = values.astype(str)
    if isinstance(values.dtype, pd.CategoricalDtype):
        return text, [str(level) for level in values.cat.categories if (values == level).any()]
    if _is_number(values):
        return text, [str(level) for level in np.sort(values.unique())]
    return text, sorted(text.unique())
