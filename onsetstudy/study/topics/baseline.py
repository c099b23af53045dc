"""Who was in the arms: counts and means with standardised differences, no p-values."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from onsetstudy.records.checks.privacy import may_be_a_name
from onsetstudy.study.results import ArmTable, ArmTableRow
from onsetstudy.study.sets.analysis_set import NOT_RECORDED

OPERATOR = "clinician_id"
CATEGORIES = (
    "practice_id", OPERATOR, "procedure", "technique", "pulp_status", "agent", "vasoconstrictor", "topical", "age_band",
    "quarter",
)  # fmt: skip
MEASURES = ("volume_ml", "anxiety_before", "mixed_to_injection_min", "weight_kg")

Cell = tuple[int | None, int | None, float | None, float | None]


def standardised_difference(mean: Sequence[float], variance: Sequence[float]) -> float | None:
    """Difference of two means (second minus first) in units of their pooled standard deviation.

    For shares give the share as mean and ``p (1 - p)`` as variance. ``None`` when nothing varies but the means differ.

    References
    ----------
    .. [1] Austin PC. Statistics in Medicine 2009;28:3083-3107, equations 1 and 2.
    """
    spread = math.sqrt(sum(variance) / 2)
    difference = mean[1] - mean[0]
    # Equal values leave a spread of rounding, not of patients.
    rounding = 1e-9 * max(abs(mean[0]), abs(mean[1]))
    if spread > rounding:
        return difference / spread
    return 0.0 if abs(difference) <= rounding else None


def _category_rows(column: pd.Series, arm: pd.Series, arms: tuple[str, ...], name: str) -> list[ArmTableRow]:
    levels = column.astype(object).where(column.notna(), NOT_RECORDED).astype(str)
    order = sorted(set(levels) - {NOT_RECORDED}) + ([NOT_RECORDED] if (levels == NOT_RECORDED).any() else [])
    rows = []
    for level in order:
        counts = [(int(((levels == level) & (arm == a)).sum()), int((arm == a).sum())) for a in arms]
        cells: tuple[Cell, ...] = tuple((k, n, None, None) for k, n in counts)
        difference = None
        if all(n > 0 for _, n in counts[:2]):
            p = [k / n for k, n in counts[:2]]
            difference = standardised_difference(p, [share * (1 - share) for share in p])
        rows.append(ArmTableRow(variable=name, level=level, cells=cells, standardised_difference=difference))
    return rows


def _measure_rows(column: pd.Series, arm: pd.Series, arms: tuple[str, ...], name: str) -> list[ArmTableRow]:
    groups = [np.asarray(column[(arm == a) & column.notna()], dtype=float) for a in arms]
    means = [float(g.mean()) if g.size else None for g in groups]
    spreads = [float(g.std(ddof=1)) if g.size > 1 else None for g in groups]
    sizes = [int((arm == a).sum()) for a in arms]
    cells: tuple[Cell, ...] = tuple(zip((g.size for g in groups), sizes, means, spreads, strict=True))
    difference = None
    if all(g.size > 1 for g in groups[:2]):
        first, second = groups[:2]
        variances = float(first.var(ddof=1)), float(second.var(ddof=1))
        difference = standardised_difference((float(first.mean()), float(second.mean())), variances)
    return [ArmTableRow(variable=name, level="", cells=cells, standardised_difference=difference)]


def told_operators(column: pd.Series) -> pd.Series:
    """Operators by their codes; one that may be somebody's name has a number instead, which is nobody's code."""
    codes = set(column.dropna().astype(str))
    free = (number for k in itertools.count(1) if (number := f"operator {k}") not in codes)
    numbers = dict(zip(sorted(filter(may_be_a_name, codes)), free, strict=False))
    return column.map(lambda code: numbers.get(str(code), code), na_action="ignore")


def arm_table(cases: pd.DataFrame, arms: tuple[str, ...]) -> ArmTable:
    """Table of the analysed cases by arm.

    Parameters
    ----------
    cases : DataFrame, n rows
        Analysed cases; columns that nobody filled in are left out.
    arms : tuple of str
        Codes, reference first.
    """
    rows: list[ArmTableRow] = []
    for names, rows_of in ((CATEGORIES, _category_rows), (MEASURES, _measure_rows)):
        for name in names:
            if name in cases and cases[name].notna().any():
                rows += rows_of(cases[name], cases["arm"], arms, name)
    return ArmTable(arms=arms, rows=tuple(rows))
