"""Strata with enough cases for a baseline of their own."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from onsetstudy.survival.hazards.proportional_hazards import SMALL_STRATUM

__all__ = ["shared_baselines"]


def shared_baselines(
    columns: Sequence[ArrayLike], *, weight: ArrayLike | None = None, least: int = SMALL_STRATUM
) -> NDArray[np.str_] | None:
    """Strata for a hazard ratio: combinations of columns, small ones put together.

    A baseline is estimated for every stratum, and many small ones pull the ratio away from 1. Combinations with fewer
    than ``least`` cases are put together with the other small ones that are alike in all columns but the last; those
    that are still small, with those alike in all but the last two; and so on, to one stratum of all that are left.

    Parameters
    ----------
    columns : sequence of array_like of str, shape (n,)
        What tells strata apart; what matters most first.
    weight : array_like of int, shape (n,), optional
        How many like cases a row stands for.
    least : int
        Fewest cases of a stratum by itself.

    Returns
    -------
    ndarray of str, shape (n,), or None
        A code per row; ``None`` where there is one stratum only.
    """
    if not columns:
        return None
    parts = np.column_stack([np.asarray(c).astype(str) for c in columns])
    rows = parts.shape[0]
    cases = np.ones(rows) if weight is None else np.asarray(weight, dtype=np.float64)
    code = np.full(rows, "", dtype=object)
    small = np.ones(rows, dtype=bool)
    for kept in range(parts.shape[1], -1, -1):
        here = np.flatnonzero(small)
        if not here.size:
            break
        name = np.array(
            [" | ".join(p[:kept]) + (" | others" if kept < p.size else "") for p in parts[here]], dtype=object
        )
        code[here] = name
        _, group = np.unique(name.astype(str), return_inverse=True)
        small[here] = np.bincount(group, weights=cases[here])[group] < least
    found = code.astype(str)
    return found if np.unique(found).size > 1 else None
